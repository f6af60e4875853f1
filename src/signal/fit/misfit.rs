//! Does the law fit? The residual against what noise explains, in all and stretch by stretch of the push.
//!
//! Tissue that departs from the law departs in the same way at every passage of the same place. Means over
//! stretches of displacement, going in, coming out and at rest apart, therefore show a departure that the residual
//! as a whole hides in noise.

use super::super::noise::FilteredNoise;
use super::series::Series;
use crate::stats::moments::extremes;
use crate::stats::sums::dot;

/// Misfit is claimed when the residual's variance exceeds its expectation by this many standard deviations …
const WHOLE_SDS: f64 = 4.0;
/// … or the χ² of the cells by this many: what the fit itself takes up already keeps that one low.
const CELL_SDS: f64 = 2.0;
/// One in some forty presses that follow the law is beyond that by chance; other laws are asked from here on.
const CLEAR_CELL_SDS: f64 = 4.0;
/// Stretches of displacement.
const STRETCHES: usize = 16;
/// Cells that samples are sorted into.
pub const CELLS: usize = 3 * STRETCHES;
/// Slower than this share of the fastest is rest.
const REST_SHARE: f64 = 0.08;
/// Residual memory allowed for when the law fits poorly, in s (Newey & West 1987, Econometrica 55:703-708).
const MEMORY_S: f64 = 0.4;
/// The fit takes up most of a smooth departure; what is left of it in the residual is this share. By simulation
/// (friction, a curved toe, a knee drawn out, two relaxation times).
const LEFT_SHARE: f64 = 0.20;

/// White noise of the raw channels and the low pass they went through.
#[derive(Debug, Clone, Copy)]
pub struct RawNoise<'a> {
    pub force_n: f64,
    pub displacement_mm: f64,
    pub filtered: &'a FilteredNoise,
    /// Standard uncertainty of the force zero.
    pub zero_sd_n: f64,
}

/// How the residual compares with noise.
#[derive(Debug, Clone)]
pub struct Misfit {
    /// Residual variance over the one that noise explains.
    pub ratio: f64,
    /// Whether the departure is beyond chance.
    pub poor: bool,
    /// Whether it is so far beyond chance that the law itself is in doubt.
    pub clear: bool,
    /// Cell of each sample: stretch and way.
    cell: Vec<usize>,
    /// Mean square departure of the cells beyond noise.
    departure2: f64,
}

impl Misfit {
    /// Judges a residual. `expected` is the variance that noise gives each sample.
    pub fn judge(
        series: &Series,
        residual: &[f64],
        expected: &[f64],
        raw: RawNoise,
        parameters: usize,
    ) -> Misfit {
        let noise = raw.filtered;
        let n = residual.len() as f64;
        let independent = (n * noise.independent_share(series.every)).max(parameters as f64 + 1.0);
        let lost = 1.0 - parameters as f64 / independent;
        let explained: f64 = expected.iter().sum();
        let seen: f64 = residual.iter().map(|r| r * r).sum();
        let ratio = if explained > 0.0 {
            seen / (explained * lost.max(0.05))
        } else {
            f64::INFINITY
        };
        let whole = ratio > 1.0 + WHOLE_SDS * (2.0 / independent).sqrt();
        let cell = cells(series);
        let (chi2, filled, departure2) = by_cells(
            &cell,
            residual,
            expected,
            noise.mean_variance_factor(series.every),
            raw.zero_sd_n.powi(2),
        );
        let by_cell = |sds: f64| chi2 > filled + sds * (2.0 * filled).sqrt();
        Misfit {
            ratio,
            poor: whole || by_cell(CELL_SDS),
            clear: whole || by_cell(CLEAR_CELL_SDS),
            departure2,
            cell,
        }
    }

    /// Standard deviation that the departure gives Σ mᵢ·residualᵢ; 0 when the law fits.
    ///
    /// Two readings together: as a departure of each cell, the same at every passage, and as a residual with memory.
    pub fn spread(&self, m: &[f64], residual: &[f64], rate_hz: f64) -> f64 {
        if !self.poor {
            return 0.0;
        }
        let mut sums = vec![0.0; 3 * STRETCHES];
        for (c, m) in self.cell.iter().zip(m) {
            sums[*c] += m;
        }
        let by_cell = self.departure2 / LEFT_SHARE * sums.iter().map(|s| s * s).sum::<f64>();
        (by_cell + with_memory(m, residual, rate_hz)).sqrt()
    }
}

/// Stretch of displacement by way: in, out, at rest.
pub fn cells(series: &Series) -> Vec<usize> {
    let x = &series.displacement_mm;
    let (low, high) = extremes(x);
    let fastest = series.speed_mm_per_s.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    x.iter()
        .zip(&series.speed_mm_per_s)
        .map(|(x, v)| {
            let share = (x - low) / (high - low).max(f64::MIN_POSITIVE);
            let stretch = ((share * STRETCHES as f64) as usize).min(STRETCHES - 1);
            let way = if v.abs() < REST_SHARE * fastest {
                0
            } else if *v > 0.0 {
                1
            } else {
                2
            };
            way * STRETCHES + stretch
        })
        .collect()
}

/// χ² of the cells' means, how many cells count, and their mean square beyond noise.
fn by_cells(cell: &[usize], residual: &[f64], expected: &[f64], factor: f64, zero2: f64) -> (f64, f64, f64) {
    let mut sums = vec![(0.0, 0.0, 0.0); 3 * STRETCHES];
    for ((c, r), e) in cell.iter().zip(residual).zip(expected) {
        let s = &mut sums[*c];
        *s = (s.0 + 1.0, s.1 + r, s.2 + e);
    }
    let (mut chi2, mut filled, mut beyond) = (0.0, 0.0, 0.0);
    for (n, sum, explained) in sums {
        if n < 2.0 || explained <= 0.0 {
            continue;
        }
        let mean2 = (sum / n).powi(2);
        let by_noise = (explained / n * factor / n).min(explained / n) + zero2;
        chi2 += mean2 / by_noise;
        beyond += mean2 - by_noise;
        filled += 1.0;
    }
    (chi2, filled, (beyond / f64::max(filled, 1.0)).max(0.0))
}

/// Σ over lags of the weighted residual's own products, tapered.
fn with_memory(m: &[f64], residual: &[f64], rate_hz: f64) -> f64 {
    let z: Vec<f64> = m.iter().zip(residual).map(|(m, r)| m * r).collect();
    let most = ((MEMORY_S * rate_hz) as usize).min(z.len().saturating_sub(1));
    let mut total = dot(&z, &z);
    for k in 1..=most {
        let s = dot(&z[k..], &z);
        total += 2.0 * (1.0 - k as f64 / (most + 1) as f64) * s;
    }
    total.max(0.0)
}
