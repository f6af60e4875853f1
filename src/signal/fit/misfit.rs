//! Does the law fit? The residual against what noise explains, in all and stretch by stretch of the push.
//!
//! Tissue that departs from the law departs in the same way at every passage of the same place. Means over
//! stretches of displacement, going in, coming out and at rest apart, therefore show a departure that the residual
//! as a whole hides in noise.

use super::super::noise::FilteredNoise;
use super::series::Series;
use crate::stats::moments::extremes;

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
/// For that the speed is taken over so long to either side, in s.
const WAY_S: f64 = 0.08;
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
///
/// The way is read farther off than the low pass remembers. By the fit's own speed, samples of a slow lean would be sorted
/// by that speed's noise, which also stands in their residuals: a departure where there is none.
pub fn cells(series: &Series) -> Vec<usize> {
    let x = &series.displacement_mm;
    let (low, high) = extremes(x);
    let reach = ((WAY_S * series.rate_hz).round() as usize).max(1);
    let last = x.len().saturating_sub(1);
    let speed: Vec<f64> = (0..x.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(reach), (i + reach).min(last));
            (x[to] - x[from]) / (to - from).max(1) as f64
        })
        .collect();
    let fastest = speed.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    x.iter()
        .zip(&speed)
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
    // A triangle is what two boxes of its half make: the sum is that of squares of sums over so many samples in a row.
    let mut total = 0.0;
    let mut within = 0.0;
    for i in 0..z.len() + most {
        within += z.get(i).copied().unwrap_or(0.0);
        total += within * within;
        within -= i.checked_sub(most).and_then(|i| z.get(i)).copied().unwrap_or(0.0);
    }
    total / (most + 1) as f64
}

#[cfg(test)]
mod tests {
    use super::super::made::{noise, press, series};
    use super::*;

    fn made() -> Series {
        let (x, _) = press(50.0, 2);
        let n = x.len();
        series(x, vec![0.0; n], 50.0)
    }

    fn raw(filtered: &FilteredNoise) -> RawNoise<'_> {
        RawNoise { force_n: 0.1, displacement_mm: 0.0, filtered, zero_sd_n: 0.0 }
    }

    #[test]
    fn cells_are_sixteenths_of_the_displacement_going_in_coming_out_and_at_rest() {
        // In to 4 mm over 0.4 s, at rest there for 0.4 s, and out again; what one sample does by itself is no movement.
        let n = 20;
        let at = |i: usize| 4.0 * (i.min(n).min(3 * n - i.min(3 * n)) as f64) / n as f64;
        let mut x: Vec<f64> = (0..=3 * n).map(at).collect();
        x[30] += 0.01;
        let len = x.len();
        let found = cells(&series(x, vec![0.0; len], 50.0));
        assert_eq!(found[10], STRETCHES + 7, "in");
        assert!(found[25..=35].iter().all(|c| *c == STRETCHES - 1), "at rest: {:?}", &found[25..=35]);
        assert_eq!(found[50], 2 * STRETCHES + 7, "out");
    }

    /// Two cells of four samples, means 3 and −1, noise of variance 2 a sample, worth half a sample each: by noise a mean
    /// has 2·2/4 = 1, with a zero of variance 0.5 it is 1.5.
    #[test]
    fn chi_square_and_departure_of_the_cells_follow_from_their_means() {
        let cell = [0, 0, 0, 0, 7, 7, 7, 7, 9];
        let residual = [2.0, 4.0, 1.0, 5.0, -1.0, -1.0, -3.0, 1.0, 50.0];
        let (chi2, filled, departure2) = by_cells(&cell, &residual, &[2.0; 9], 2.0, 0.5);
        // The ninth sample stands alone in its cell and is left out.
        assert_eq!(filled, 2.0);
        assert!((chi2 - (9.0 + 1.0) / 1.5).abs() < 1e-12, "{chi2}");
        assert!((departure2 - ((9.0 - 1.5) + (1.0 - 1.5)) / 2.0).abs() < 1e-12, "{departure2}");
        let none = by_cells(&cell, &residual, &[0.0; 9], 2.0, 0.5);
        assert_eq!(none, (0.0, 0.0, 0.0));
    }

    /// Σ over lags of tapered products, by its definition: Σᵢⱼ zᵢzⱼ·(1 − |i − j|/(L + 1)) with L = 0.4 s.
    #[test]
    fn a_sum_with_memory_is_the_tapered_double_sum() {
        let (m, r): (Vec<f64>, Vec<f64>) = (0..60).map(|i| ((f64::from(i) * 0.37).sin(), (f64::from(i) * 0.11).cos())).unzip();
        let z: Vec<f64> = m.iter().zip(&r).map(|(m, r)| m * r).collect();
        let lags = 0.4 * 50.0;
        let mut whole = 0.0;
        for (i, a) in z.iter().enumerate() {
            for (j, b) in z.iter().enumerate() {
                whole += a * b * (1.0 - (i as f64 - j as f64).abs() / (lags + 1.0)).max(0.0);
            }
        }
        let found = with_memory(&m, &r, 50.0);
        assert!((found / whole - 1.0).abs() < 1e-9, "{found} {whole}");
    }

    #[test]
    fn a_residual_is_poor_and_clear_by_its_size_or_by_its_cells() {
        let (made, filtered) = (made(), noise(50.0));
        let n = made.len();
        let expected = vec![0.01; n];
        let judge = |residual: &[f64]| Misfit::judge(&made, residual, &expected, raw(&filtered), 6);
        // Alternating signs leave every cell's mean near nothing.
        let even = |size: f64| (0..n).map(|i| if i % 2 == 0 { size } else { -size }).collect::<Vec<f64>>();
        let small = judge(&even(0.09));
        assert!(!small.poor && !small.clear && small.departure2 == 0.0, "{small:?}");
        let independent = n as f64 * filtered.independent_share(1);
        let ratio = (0.09_f64 / 0.1).powi(2) / (1.0 - 6.0 / independent);
        assert!((small.ratio / ratio - 1.0).abs() < 1e-12, "{} {ratio}", small.ratio);
        let large = judge(&even(0.3));
        assert!(large.poor && large.clear, "{large:?}");
        // By the cells alone: a departure that is the same at every passage.
        let cell = cells(&made);
        let departing: Vec<f64> = cell.iter().map(|c| if c % 2 == 0 { 0.12 } else { -0.12 }).collect();
        let seen = judge(&departing);
        assert!(seen.ratio < 1.8 && seen.poor && seen.clear, "{seen:?}");
        // Each cell departs by the same square, less what noise makes of a mean of so many.
        assert!(seen.departure2 > 0.0 && seen.departure2 < 0.12_f64.powi(2), "{}", seen.departure2);
        let none = Misfit::judge(&made, &departing, &vec![0.0; n], raw(&filtered), 6);
        assert_eq!(none.ratio, f64::INFINITY);
    }

    #[test]
    fn what_a_departure_does_to_a_sum_is_that_of_its_cells_and_of_its_memory() {
        let made = made();
        let cell = cells(&made);
        let m: Vec<f64> = (0..made.len()).map(|i| (i as f64 * 0.05).sin()).collect();
        let misfit = Misfit { ratio: 2.0, poor: true, clear: true, cell: cell.clone(), departure2: 0.04 };
        let residual = vec![0.0; made.len()];
        let by_cell: f64 = (0..CELLS)
            .map(|c| m.iter().zip(&cell).filter(|(_, of)| **of == c).map(|(m, _)| m).sum::<f64>().powi(2))
            .sum();
        let spread = misfit.spread(&m, &residual, 50.0);
        assert!((spread / (0.04 / 0.2 * by_cell).sqrt() - 1.0).abs() < 1e-9, "{spread}");
        assert_eq!(Misfit { poor: false, ..misfit }.spread(&m, &residual, 50.0), 0.0);
    }
}
