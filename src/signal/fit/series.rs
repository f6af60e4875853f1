//! The samples that the fit sees, and the fixed columns of its linear part.

use super::super::filter::LowPass;
use crate::error::Result;

/// The fit works at about this many samples a second: the data are low-passed far below.
const FIT_HZ: f64 = 100.0;
/// The search for starting values works at this rate.
const COARSE_HZ: f64 = 50.0;

/// Conditioned force and displacement of one test, thinned, with speed.
#[derive(Debug, Clone)]
pub struct Series {
    pub rate_hz: f64,
    /// Grid samples a sample of this series.
    pub every: usize,
    pub force_n: Vec<f64>,
    pub displacement_mm: Vec<f64>,
    pub speed_mm_per_s: Vec<f64>,
    /// The low pass that the data went through, at this rate.
    pub low_pass: LowPass,
}

impl Series {
    /// Thins two conditioned series of equal length at `rate_hz`.
    ///
    /// # Errors
    /// When the cut-off is not below half of the thinned rate.
    pub fn new(force_n: &[f64], displacement_mm: &[f64], rate_hz: f64, cutoff_hz: f64) -> Result<Series> {
        Series::thinned(force_n, displacement_mm, rate_hz, cutoff_hz, FIT_HZ)
    }

    /// A thinner copy of the same test for the search.
    pub fn coarse(&self, cutoff_hz: f64) -> Result<Series> {
        let target = COARSE_HZ.max(2.5 * cutoff_hz);
        Series::thinned(
            &self.force_n,
            &self.displacement_mm,
            self.rate_hz,
            cutoff_hz,
            target,
        )
    }

    fn thinned(f: &[f64], x: &[f64], rate_hz: f64, cutoff_hz: f64, target_hz: f64) -> Result<Series> {
        let every = ((rate_hz / target_hz).floor() as usize).max(1);
        let rate = rate_hz / every as f64;
        let low_pass = LowPass::zero_phase(cutoff_hz.min(0.4 * rate), rate)?;
        let pick = |y: &[f64]| y.iter().step_by(every).copied().collect::<Vec<f64>>();
        let displacement_mm = pick(x);
        let speed_mm_per_s = speed_of_five(&displacement_mm, rate);
        Ok(Series {
            rate_hz: rate,
            every,
            force_n: pick(f),
            displacement_mm,
            speed_mm_per_s,
            low_pass,
        })
    }

    /// Samples.
    pub fn len(&self) -> usize {
        self.force_n.len()
    }

    /// Whether there is nothing to fit.
    pub fn is_empty(&self) -> bool {
        self.force_n.is_empty()
    }
}

/// Central differences, one-sided at the ends.
pub fn speed(x: &[f64], rate_hz: f64) -> Vec<f64> {
    let n = x.len();
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            if b > a {
                (x[b] - x[a]) * rate_hz / (b - a) as f64
            } else {
                0.0
            }
        })
        .collect()
}

/// What noise in displacement does to weights on speed: the transpose of [`speed`].
pub fn speed_transposed(w: &[f64], rate_hz: f64) -> Vec<f64> {
    let n = w.len();
    let mut out = vec![0.0; n];
    for (i, w) in w.iter().enumerate() {
        let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
        if b > a {
            let g = w * rate_hz / (b - a) as f64;
            out[b] += g;
            out[a] -= g;
        }
    }
    out
}

/// Differences of five samples, exact up to the fourth power: few samples a second, as the fit has them, make a spring's speed up to 1 %
/// too slow by [`speed`]. That at the second sample from either end.
pub fn speed_of_five(x: &[f64], rate_hz: f64) -> Vec<f64> {
    let [a, b, _, c, d] = OF_FIVE.map(|d| d * rate_hz);
    let mut v = speed(x, rate_hz);
    for (v, [e, f, _, g, h]) in v.iter_mut().skip(2).zip(x.array_windows()) {
        *v = a * e + b * f + c * g + d * h;
    }
    v
}

/// What [`speed_of_five`] makes of five samples a second apart.
const OF_FIVE: [f64; 5] = [1.0 / 12.0, -8.0 / 12.0, 0.0, 8.0 / 12.0, -1.0 / 12.0];

/// The transpose of [`speed_of_five`].
pub fn speed_of_five_transposed(w: &[f64], rate_hz: f64) -> Vec<f64> {
    let n = w.len();
    if n < 5 {
        return speed_transposed(w, rate_hz);
    }
    let mut inner = vec![0.0; n + 4];
    inner[4..n].copy_from_slice(&w[2..n - 2]);
    let [a, b, _, c, d] = OF_FIVE.map(|d| d * rate_hz);
    let mut out: Vec<f64> = inner.array_windows().map(|[e, f, _, g, h]| a * h + b * g + c * f + d * e).collect();
    let half = 0.5 * rate_hz;
    for (i, g) in [(0, -rate_hz * w[0] - half * w[1]), (1, rate_hz * w[0]), (2, half * w[1])] {
        out[i] += g;
    }
    for (i, g) in [(1, rate_hz * w[n - 1] + half * w[n - 2]), (2, -rate_hz * w[n - 1]), (3, -half * w[n - 2])] {
        out[n - i] += g;
    }
    out
}

/// Variance of [`speed_of_five`] over the square of the rate, for samples of this covariance by lag.
pub fn speed_of_five_variance(lag: impl Fn(usize) -> f64) -> f64 {
    (130.0 * lag(0) - 32.0 * lag(1) - 128.0 * lag(2) + 32.0 * lag(3) - 2.0 * lag(4)) / 144.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_central_difference_of_a_parabola_is_its_slope() {
        // x = t² at 10 Hz: inside 2t exactly, at the ends the slope of the first and last step.
        let x: Vec<f64> = (0..6).map(|i| f64::from(i * i) / 100.0).collect();
        let found = speed(&x, 10.0);
        for (i, expected) in [0.1, 0.2, 0.4, 0.6, 0.8, 0.9].into_iter().enumerate() {
            assert!((found[i] - expected).abs() < 1e-12, "{i}: {found:?}");
        }
        assert_eq!(speed(&[3.0], 10.0), [0.0]);
    }

    #[test]
    fn the_transpose_gives_the_same_sum_from_either_side() {
        let x = [1.0, 4.0, 2.0, 8.0, 5.0, 7.0];
        let w = [0.3, -1.0, 2.0, 0.5, 0.0, 1.5];
        let sum = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let [one, other] = [sum(&w, &speed(&x, 250.0)), sum(&speed_transposed(&w, 250.0), &x)];
        assert!((one - other).abs() < 1e-9, "{one} {other}");
    }

    #[test]
    fn five_samples_give_the_slope_of_a_fourth_power() {
        let x: Vec<f64> = (0..9).map(|i| f64::from(i - 4).powi(4) / 1e4).collect();
        let found = speed_of_five(&x, 10.0);
        for (i, t) in (0..9).zip(-4..) {
            let slope = 4.0 * (f64::from(t) / 10.0).powi(3);
            let off = (found[i] - slope).abs();
            assert!(if (2..7).contains(&i) { off < 1e-12 } else { off < 0.2 }, "{i}: {found:?}");
        }
        assert_eq!(speed_of_five(&[3.0, 4.0], 10.0), [10.0, 10.0]);
    }

    #[test]
    fn the_transpose_of_five_gives_the_same_sum_from_either_side_and_their_variance() {
        let sum = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        for n in 1..10 {
            let x: Vec<f64> = (0..n).map(|i| f64::from(i * i % 7)).collect();
            let w: Vec<f64> = (0..n).map(|i| f64::from(i * 3 % 5) - 1.5).collect();
            let [one, other] = [sum(&w, &speed_of_five(&x, 250.0)), sum(&speed_of_five_transposed(&w, 250.0), &x)];
            assert!((one - other).abs() < 1e-9, "{n}: {one} {other}");
        }
        let lag = |k: usize| 0.8_f64.powi(k as i32) - 0.1 * k as f64;
        let whole: f64 = (0..5).flat_map(|i| (0..5).map(move |j: usize| OF_FIVE[i] * OF_FIVE[j] * lag(j.abs_diff(i)))).sum();
        assert!((speed_of_five_variance(lag) - whole).abs() < 1e-12);
    }

    #[test]
    fn samples_are_counted_from_the_grid() {
        let x: Vec<f64> = (0..400).map(f64::from).collect();
        let made = Series::new(&x, &x, 400.0, 5.0).unwrap();
        assert_eq!((made.every, &made.displacement_mm[..3]), (4, &[0.0, 4.0, 8.0][..]));
    }
}
