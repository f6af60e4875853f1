//! The samples that the fit sees, and the fixed columns of its linear part.

use super::super::filter::LowPass;
use crate::error::Result;

/// The fit works at no more than this many samples a second: the data are low-passed far below.
const FIT_HZ: f64 = 200.0;
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

    /// One in so many samples of the same test.
    pub fn one_in(&self, every: usize, cutoff_hz: f64) -> Result<Series> {
        let target = self.rate_hz / every as f64;
        let thinned = Series::thinned(&self.force_n, &self.displacement_mm, self.rate_hz, cutoff_hz, target)?;
        Ok(Series { every: self.every * thinned.every, ..thinned })
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
        let speed_mm_per_s = speed(&displacement_mm, rate);
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
    fn one_in_so_many_samples_counts_from_the_grid() {
        let x: Vec<f64> = (0..400).map(f64::from).collect();
        let half = Series::new(&x, &x, 400.0, 5.0).unwrap();
        let sixth = half.one_in(3, 5.0).unwrap();
        assert_eq!((half.every, sixth.every), (2, 6));
        assert_eq!(sixth.displacement_mm[..3], [0.0, 6.0, 12.0]);
    }
}
