//! What a fitted law says of onset, force there, slopes and damping, and how sure of it it is.

use super::super::super::noise::FilteredNoise;
use super::super::first_passage;
use super::super::misfit::CELLS;
use super::super::project::solve_scaled;
use super::law::{LawColumns, LawFit, derivatives, gram};
use super::press::Press;
use super::shape::Asymptotes;
use crate::stats::sums::{add_scaled, dot};
use crate::trace::{CurveShape, LawPart};
use nalgebra::DMatrix;

/// Residual memory allowed for, in s (Newey & West 1987, Econometrica 55:703-708).
const MEMORY_S: f64 = 0.4;
/// Step of difference quotients, as a share of a parameter or at least of 1.
const STEP: f64 = 1e-4;

/// How many results a law gives.
pub const RESULTS: usize = 5;
/// Their order.
pub const ONSET: usize = 0;
pub const ONSET_FORCE: usize = 1;
pub const TAKE_UP: usize = 2;
pub const END_FEEL: usize = 3;
pub const DAMPING: usize = 4;

/// A number with what noise alone and the residual as it is do to it (standard uncertainties).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Read {
    pub value: f64,
    pub by_noise: f64,
    pub by_residual: f64,
}

impl Read {
    /// The larger of both.
    pub fn u(&self) -> f64 {
        self.by_noise.max(self.by_residual)
    }
}

/// Results of a law read by a shape's definition; `None` where it has no onset or the system cannot be solved.
pub fn read(fit: &LawFit, by: CurveShape, press: &Press, noise: &FilteredNoise, x_noise_mm: f64) -> Option<[Read; RESULTS]> {
    let columns = fit.law.columns(&fit.q, press);
    let values = results(fit, by, press, &columns, &fit.b, &fit.q)?;
    let mut jacobian: Vec<Vec<f64>> = columns.all.iter().map(|c| press.weighted(c)).collect();
    let searched = derivatives(&fit.law, press, &fit.q, &fit.b, &columns, &jacobian);
    jacobian.extend(searched);
    let p = jacobian.len();
    let mut gradient = DMatrix::zeros(p, RESULTS);
    for i in 0..p {
        let (mut b, mut q) = (fit.b.clone(), fit.q.clone());
        let own = if i < b.len() { &mut b[i] } else { &mut q[i - fit.b.len()] };
        let step = STEP * own.abs().max(1.0);
        *own += step;
        let moved = if i < fit.b.len() {
            results(fit, by, press, &columns, &b, &q)
        } else {
            results(fit, by, press, &fit.law.columns(&q, press), &b, &q)
        }?;
        for k in 0..RESULTS {
            gradient[(i, k)] = (moved[k] - values[k]) / step;
        }
    }
    let weights = solve_scaled(&gram(&jacobian), &gradient)?;
    let speed = speed_noise(fit, press, noise, x_noise_mm, columns.elastic);
    let mut read = [Read { value: 0.0, by_noise: 0.0, by_residual: 0.0 }; RESULTS];
    for (k, read) in read.iter_mut().enumerate() {
        let mut m = vec![0.0; press.kept.len()];
        for (i, column) in jacobian.iter().enumerate() {
            add_scaled(&mut m, weights[(i, k)], column);
        }
        let direct = if k == ONSET_FORCE { speed } else { 0.0 };
        *read = Read {
            value: values[k],
            by_noise: of_noise(&m, press).hypot(direct),
            by_residual: of_residual(&m, fit, press).hypot(direct),
        };
    }
    read.iter().all(|r| r.value.is_finite() && r.u().is_finite()).then_some(read)
}

fn results(
    fit: &LawFit,
    by: CurveShape,
    press: &Press,
    columns: &LawColumns,
    b: &[f64],
    q: &[f64],
) -> Option<[f64; RESULTS]> {
    let elastic = columns.elastic;
    let Asymptotes { onset_mm, toe_n_per_mm, end_n_per_mm } =
        by.asymptotes(&b[..=elastic], &q[..by.searched()], press.touch_mm)?;
    let series = press.series;
    let at = first_passage(&series.displacement_mm, onset_mm);
    let there = |y: &[f64]| {
        let i = (at as usize).min(y.len().saturating_sub(2));
        y[i] + (at - i as f64) * (y[i + 1] - y[i])
    };
    let mut damping = b[elastic + 1];
    // What the resting curve sees there is not what the sensor reads, when skin or trunk moved.
    let shifts = fit.law.parts.iter().zip(fit.law.searched_by_part(q));
    let moved: f64 = shifts.filter_map(|(part, own)| part.shift(own, press)).map(|s| there(&s)).sum();
    let at_rest = fit.law.shape.at_rest(&b[..=elastic], q, &[onset_mm - moved], press.touch_mm)[0];
    let mut force = at_rest + damping * there(&columns.all[elastic + 1]);
    let mut end = end_n_per_mm;
    let mut from = elastic + 2;
    for (part, own_q) in fit.law.parts.iter().zip(fit.law.searched_by_part(q)) {
        let own = part.columns_beside(elastic);
        let coefficients = &b[from..from + own];
        for (column, b) in columns.all[from..from + own].iter().zip(coefficients) {
            force += b * there(column);
        }
        end *= part.mean_factor(own_q, press);
        if *part == LawPart::DeepeningDamping {
            damping += coefficients[0] * (onset_mm - press.touch_mm);
        }
        from += own;
    }
    Some([onset_mm, force, toe_n_per_mm, end, damping])
}

/// What noise in the speed at the onset's passage gives the damping force there.
fn speed_noise(fit: &LawFit, press: &Press, noise: &FilteredNoise, x_noise_mm: f64, elastic: usize) -> f64 {
    let rate = press.series.rate_hz * press.series.every as f64;
    fit.b[elastic + 1].abs() * noise.rate_of_change_sd(x_noise_mm, rate)
}

/// Standard deviation that noise gives Σ m·residual.
fn of_noise(m: &[f64], press: &Press) -> f64 {
    let mut total = 0.0;
    for (k, r) in press.correlation.iter().enumerate().take(m.len()) {
        let s = r * dot(&m[k..], m);
        total += if k == 0 { s } else { 2.0 * s };
    }
    press.sd_n * total.max(0.0).sqrt()
}

/// The same by the residual's own products: over lags, tapered, or within a stretch of the push, which every spring passes in
/// the same way, whichever is more.
fn of_residual(m: &[f64], fit: &LawFit, press: &Press) -> f64 {
    let z: Vec<f64> = m.iter().zip(&fit.residual).map(|(m, r)| m * r).collect();
    let rate = press.series.rate_hz * press.series.every as f64 / press.every as f64;
    let most = ((MEMORY_S * rate) as usize).min(z.len().saturating_sub(1));
    let mut total = dot(&z, &z);
    for k in 1..=most {
        total += 2.0 * (1.0 - k as f64 / (most + 1) as f64) * dot(&z[k..], &z);
    }
    let mut by_cell = [0.0; CELLS];
    for (z, cell) in z.iter().zip(&press.cell) {
        by_cell[*cell] += z;
    }
    total = total.max(dot(&by_cell, &by_cell));
    let n = z.len() as f64;
    (total.max(0.0) * n / (n - fit.parameters() as f64).max(1.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::super::super::made::{noise, press, series, smears};
    use super::super::law::{FamilyLaw, Little};
    use super::super::super::series::Series;
    use super::*;

    const SD_N: f64 = 0.2;

    fn fitted<'p>(law: &FamilyLaw, of: &'p Press<'p>, q: &[f64]) -> LawFit {
        law.fit(of, vec![q.to_vec()], Little(1e-14)).unwrap()
    }

    /// A result moves with each raw sample's noise as the law fitted anew to the disturbed force says; the squares add up.
    #[test]
    fn noise_of_a_result_is_that_of_fits_to_disturbed_samples() {
        let (x, springs) = press(50.0, 1);
        let n = x.len();
        let filtered = noise(50.0);
        let expected = vec![filtered.sample_sd(SD_N).powi(2); n];
        let mut made = series(x, vec![0.0; n], 50.0);
        for (law, q, b) in [
            (FamilyLaw::new(CurveShape::SoftKnee, &[LawPart::DeepeningDamping]), vec![4.2, 0.6_f64.ln()], vec![0.3, 1.2, 5.0, 0.4, 0.1]),
            (FamilyLaw::new(CurveShape::ExponentialToe, &[]), vec![6.0, 0.5_f64.ln()], vec![0.1, 6.0, 0.5]),
        ] {
            made.force_n = {
                let of = Press::new(&made, &expected, &springs, &filtered);
                let all = law.columns(&q, &of).all;
                (0..n).map(|i| all.iter().zip(&b).map(|(c, b)| c[i] * b).sum()).collect()
            };
            let of = Press::new(&made, &expected, &springs, &filtered);
            let fit = fitted(&law, &of, &q);
            let own = read(&fit, law.shape, &of, &filtered, 0.0).unwrap();
            let mut squares = [0.0; RESULTS];
            for smear in smears(&made) {
                let force_n = made.force_n.iter().zip(&smear).map(|(f, s)| f + 0.01 * s).collect();
                let disturbed = Series { force_n, ..made.clone() };
                let of = Press::new(&disturbed, &expected, &springs, &filtered);
                let again = fitted(&law, &of, &fit.q);
                let columns = law.columns(&again.q, &of);
                let moved = results(&again, law.shape, &of, &columns, &again.b, &again.q).unwrap();
                for k in 0..RESULTS {
                    squares[k] += (SD_N * (moved[k] - own[k].value) / 0.01).powi(2);
                }
            }
            for k in 0..RESULTS {
                let other = squares[k].sqrt();
                assert!((own[k].by_noise / other - 1.0).abs() < 0.05, "{:?} {k}: {:?} {other}", law.shape, own[k]);
            }
        }
    }

    /// By its definition: Σᵢⱼ zᵢzⱼ·(1 − |i − j|/(L + 1)) over 0.4 s of kept samples, times n/(n − p).
    #[test]
    fn spread_by_the_residual_is_the_tapered_double_sum_by_the_samples_that_are_left() {
        let (x, springs) = press(100.0, 2);
        let n = x.len();
        let made = series(x, vec![0.0; n], 100.0);
        let mut of = Press::new(&made, &vec![1.0; n], &springs, &noise(100.0));
        let kept = of.kept.len();
        of.cell = (0..kept).map(|i| i % CELLS).collect();
        let residual = (0..kept).map(|i| 1.0 + (i as f64 * 0.3).sin()).collect::<Vec<f64>>();
        let mut whole = 0.0;
        for i in 0..kept {
            for j in 0..kept {
                whole += residual[i] * residual[j] * (1.0 - i.abs_diff(j) as f64 / 21.0).max(0.0);
            }
        }
        let fit = LawFit { law: FamilyLaw::new(CurveShape::SoftKnee, &[]), q: vec![0.0; 2], b: vec![0.0; 4], residual, rss: 1.0 };
        let spread = (whole * kept as f64 / (kept as f64 - 6.0)).sqrt();
        let found = of_residual(&vec![1.0; kept], &fit, &of);
        assert!((found / spread - 1.0).abs() < 1e-9, "{found} {spread}");
        // All in one stretch they add up whole.
        of.cell = vec![5; kept];
        let sum: f64 = fit.residual.iter().sum();
        let found = of_residual(&vec![1.0; kept], &fit, &of);
        assert!((found / (sum * sum * kept as f64 / (kept as f64 - 6.0)).sqrt() - 1.0).abs() < 1e-9, "{found}");
    }
}
