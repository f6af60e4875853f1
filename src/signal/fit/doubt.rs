//! Does the residual hang on what the law leaves out? Each way in which tissue may depart is tried by itself, which sees far
//! smaller departures than the residual as a whole does (a score test: Rao 1948, Proc Camb Phil Soc 44:50-57).

use super::covariance::Propagation;
use super::law::{Columns, S, V, X, memory};
use super::project::{Fitted, solve_scaled};
use super::series::Series;
use super::soft::softplus_and_slope;
use crate::stats::moments::extremes;
use crate::stats::quantile::chi_square_upper_tail;
use crate::stats::sums::{add_scaled, dot};
use nalgebra::{DMatrix, DVector};
use std::ops::Range;

/// Chance of doubt in a press that follows the law, for each set of departures.
const FALSE_DOUBT: f64 = 0.002;
/// Further bends of the resting curve, as shares of the toe below the knee and of the end region beyond it.
const BENDS: [f64; 6] = [-0.6, -0.3, -0.1, 0.1, 0.3, 0.6];
/// How sharp they are, in mm.
const BEND_MM: f64 = 0.05;
/// Memory is tried with these times.
const MEMORIES_S: [f64; 2] = [0.15, 1.0];
/// How far a time is moved to see what that does.
const TIME_STEP: f64 = 0.05;
/// Departures that are nearly the law's own columns tell nothing.
const OWN_SHARE: f64 = 1e-6;

/// A way in which tissue may depart from the law.
struct KnownDeparture {
    column: Vec<f64>,
    /// How it goes with displacement and with speed; empty where it does not.
    by_x: Vec<f64>,
    by_v: Vec<f64>,
}

/// Whether the residual departs in one of these ways by more than noise explains. `springs` are ranges of the series.
pub fn in_doubt(series: &Series, c: &Columns, fit: &Fitted, by: &Propagation, springs: &[Range<usize>]) -> bool {
    let ones = vec![1.0; series.len()];
    let nonlinear = c.nonlinear(&fit.linear.coefficients);
    let columns = c.linear.iter().map(|c| &**c).chain(nonlinear.iter().map(Vec::as_slice));
    let own: Vec<&[f64]> = std::iter::once(ones.as_slice()).chain(columns).collect();
    let gram = symmetric(own.len(), |i, j| dot(own[i], own[j]));
    let goes_over = vec![damping_goes_over(c, by)];
    let memory = memory_goes_over(series, c, fit).map(|departure| vec![departure]);
    [further_bends(series, fit), goes_over, speed_and_time(series, c, fit, by, springs)]
        .into_iter()
        .chain(memory)
        .any(|departures| beyond_noise(&own, &gram, by, departures))
}

fn symmetric(n: usize, of: impl Fn(usize, usize) -> f64) -> DMatrix<f64> {
    let mut all = DMatrix::zeros(n, n);
    for i in 0..n {
        for j in 0..=i {
            let entry = of(i, j);
            (all[(i, j)], all[(j, i)]) = (entry, entry);
        }
    }
    all
}

fn further_bends(series: &Series, fit: &Fitted) -> Vec<KnownDeparture> {
    let onset = fit.shape.onset_mm;
    let x = &series.displacement_mm;
    let (low, high) = extremes(x);
    let mut bends = BENDS.map(|share| {
        let at = onset + share * if share < 0.0 { onset - low } else { high - onset };
        let u: Vec<f64> = x.iter().map(|x| (x - at) / BEND_MM).collect();
        let (mut bent, mut slope) = (vec![0.0; u.len()], vec![0.0; u.len()]);
        softplus_and_slope(&u, &mut bent, &mut slope);
        bent.iter_mut().for_each(|bent| *bent *= BEND_MM);
        (bent, slope)
    });
    let columns = series.low_pass.apply_all(bends.each_ref().map(|(bent, _)| bent.as_slice()));
    let slopes = bends.each_mut().map(|(_, slope)| std::mem::take(slope));
    let departure = |(column, by_x)| KnownDeparture { column, by_x, by_v: Vec::new() };
    columns.into_iter().zip(slopes).map(departure).collect()
}

/// Damping that goes over to another at the knee. It is asked for by itself too: the onset takes up most of it, and among others
/// it would be seen only where it moves the onset by many of its uncertainties.
fn damping_goes_over(c: &Columns, by: &Propagation) -> KnownDeparture {
    KnownDeparture {
        column: by.sigmoid.iter().zip(c.linear[V].iter()).map(|(past, v)| past * v).collect(),
        by_x: Vec::new(),
        by_v: by.sigmoid.clone(),
    }
}

/// Memory of the end region that lasts otherwise than that of the toe, as where something that gives lies above the tissue; where the
/// law has memory. By displacement itself it goes as the law's own does.
fn memory_goes_over(series: &Series, c: &Columns, fit: &Fitted) -> Option<KnownDeparture> {
    let time_s = fit.shape.time_s()?;
    let [shorter, longer] = [1.0 - TIME_STEP, 1.0 + TIME_STEP].map(|times| memory(&c.linear[S], series.rate_hz, times * time_s));
    let column = longer.iter().zip(&shorter).map(|(longer, shorter)| longer - shorter).collect();
    Some(KnownDeparture { column, by_x: Vec::new(), by_v: Vec::new() })
}

/// Memory, damping that goes over to another at the knee or grows with depth, and springs that leave the tissue softer or lifted.
fn speed_and_time(series: &Series, c: &Columns, fit: &Fitted, by: &Propagation, springs: &[Range<usize>]) -> Vec<KnownDeparture> {
    let k = &fit.linear.coefficients;
    let x = &series.displacement_mm;
    let at_rest: Vec<f64> = c.linear[X].iter().zip(c.linear[S].iter()).map(|(x, s)| k[X] * x + k[S] * s).collect();
    let stiffness: Vec<f64> = by.sigmoid.iter().map(|past| k[X] + k[S] * past).collect();
    let departure = |column, by_x, by_v| KnownDeparture { column, by_x, by_v };
    let mut all: Vec<KnownDeparture> = MEMORIES_S
        .iter()
        .map(|t| departure(memory(&at_rest, series.rate_hz, *t), stiffness.clone(), Vec::new()))
        .collect();
    all.push(damping_goes_over(c, by));
    let touch = x.first().copied().unwrap_or(0.0);
    let depth: Vec<f64> = x.iter().map(|x| x - touch).collect();
    let deepening = depth.iter().zip(c.linear[V].iter()).map(|(d, v)| d * v).collect();
    all.push(departure(deepening, Vec::new(), depth));
    if springs.len() > 1 {
        let done: Vec<f64> = (0..x.len()).map(|i| springs.iter().filter(|s| i >= s.end).count() as f64).collect();
        let times = |y: &[f64]| y.iter().zip(&done).map(|(y, done)| y * done).collect();
        all.push(departure(times(&at_rest), times(&stiffness), Vec::new()));
        all.push(departure(done.iter().map(|d| d.min(1.0)).collect(), Vec::new(), Vec::new()));
    }
    all
}

/// Whether Σ z·e over the residual e, each z less what of it the law's own columns explain, is larger than noise makes it.
///
/// # Formula
/// g = Zᵀe less what noise in displacement makes of it on average, gᵀV⁻¹g against chi-square, V the covariance that noise
/// through the low pass gives g, with u_zero² of a zero that drifts evenly from first to last sample.
fn beyond_noise(own: &[&[f64]], gram: &DMatrix<f64>, by: &Propagation, departures: Vec<KnownDeparture>) -> bool {
    let n = by.residual.len();
    let cross = DMatrix::from_fn(own.len(), departures.len(), |i, j| dot(own[i], &departures[j].column));
    let Some(explained) = solve_scaled(gram, &cross) else {
        return false;
    };
    let (mut left, mut seen) = (Vec::new(), Vec::new());
    for (j, KnownDeparture { column: mut z, by_x, by_v }) in departures.into_iter().enumerate() {
        let whole = dot(&z, &z);
        let shares: Vec<f64> = explained.column(j).iter().copied().collect();
        own.iter().zip(&shares).for_each(|(column, share)| add_scaled(&mut z, -share, column));
        if dot(&z, &z) > OWN_SHARE * whole {
            seen.push(dot(&z, &by.residual) - by.pulled(&z, &shares, &by_x, &by_v));
            left.push(z);
        }
    }
    let through: Vec<_> = left.iter().map(|z| by.noise_through(z)).collect();
    let drift = |z: &[f64]| z.iter().enumerate().map(|(i, z)| z * (2.0 * i as f64 / n as f64 - 1.0)).sum::<f64>();
    let drifts: Vec<f64> = left.iter().map(|z| by.zero_sd_n() * drift(z)).collect();
    let k = left.len();
    let covariance = symmetric(k, |i, j| through[i].product(&through[j]) + drifts[i] * drifts[j]);
    let g = DVector::from_vec(seen);
    let Some(solved) = solve_scaled(&covariance, &g) else {
        return false;
    };
    chi_square_upper_tail(g.dot(&solved).max(0.0), k as f64).is_ok_and(|p| p < FALSE_DOUBT)
}
