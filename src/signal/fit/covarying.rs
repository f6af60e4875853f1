//! The covariance of conditioned samples at work on weights, without a sum over lags at each sample.
//!
//! From one sample apart on, the autocovariance r of noise that went through the low pass pair is what its own poles ring like, each
//! of them twice; so it is of one in `every` samples, with the poles to that power. Weights are therefore run through a recursive
//! filter of four terms, forward and backward.

use super::super::noise::FilteredNoise;
use crate::stats::sums::dot;

/// Terms of the recursion: two poles, twice each.
const TERMS: usize = 4;

/// Normalised autocovariance of one in so many conditioned samples.
#[derive(Debug, Clone)]
pub struct Covarying {
    /// r(0).
    own: f64,
    /// Σ r(every·k)·z⁻ᵏ from k = 1 on is z⁻¹·Σ feed·z⁻ʲ over 1 + Σ back·z⁻⁽ʲ⁺¹⁾.
    feed: [f64; TERMS],
    back: [f64; TERMS],
}

impl Covarying {
    /// Of one in `every` conditioned samples.
    ///
    /// # Formula
    /// With the poles of the pair p and p̄, 1 + Σ back·z⁻⁽ʲ⁺¹⁾ = (1 − 2·Re(pᵉ)·z⁻¹ + |p|²ᵉ·z⁻²)², e = every; feed is the product
    /// of that and of r(e)…r(4e), up to its fourth term.
    pub fn new(noise: &FilteredNoise, every: usize) -> Covarying {
        let [a1, a2] = noise.low_pass().section().a;
        // pᵏ + p̄ᵏ by k.
        let (mut before, mut sum) = (2.0, -a1);
        for _ in 1..every {
            (before, sum) = (sum, -a1 * sum - a2 * before);
        }
        let (a, b) = (-sum, a2.powi(every as i32));
        let whole = [1.0, 2.0 * a, 2.0 * b + a * a, 2.0 * a * b, b * b];
        let lags = noise.first_lags(TERMS * every);
        let r = |k: usize| lags.get(k * every).copied().unwrap_or(0.0);
        let feed = std::array::from_fn(|j| (0..=j).map(|i| whole[i] * r(j + 1 - i)).sum());
        let [_, back @ ..] = whole;
        Covarying { own: r(0), feed, back }
    }

    /// √(Σᵢⱼ wᵢwⱼ·r(every·|i − j|)).
    pub fn norm(&self, w: &[f64]) -> f64 {
        let earlier = self.earlier([w]).concat();
        (self.own * dot(w, w) + 2.0 * dot(w, &earlier)).max(0.0).sqrt()
    }

    /// Σⱼ r(every·|i − j|)·wⱼ for each i, for two sets of weights of one length.
    pub fn with(&self, weights: [&[f64]; 2]) -> [Vec<f64>; 2] {
        let backward = weights.map(|w| w.iter().rev().copied().collect::<Vec<f64>>());
        let [a, b] = weights;
        let lanes = self.earlier([a, b, &backward[0], &backward[1]]);
        let n = lanes.len();
        let of = |k: usize| {
            let both = |i: usize| lanes[i][k] + lanes[n - 1 - i][k + 2];
            weights[k].iter().take(n).enumerate().map(|(i, w)| self.own * w + both(i)).collect()
        };
        [of(0), of(1)]
    }

    /// Σ r(every·k)·w of k samples before, over all k from 1 on; several sets at once, since each sample waits for the one before it.
    fn earlier<const N: usize>(&self, weights: [&[f64]; N]) -> Vec<[f64; N]> {
        let n = weights.iter().map(|w| w.len()).min().unwrap_or(0);
        let ([b0, b1, b2, b3], [a1, a2, a3, a4]) = (self.feed, self.back);
        let mut out = vec![[0.0; N]; n];
        let none = [0.0; N];
        let (mut w1, mut w2, mut w3, mut w4) = (none, none, none, none);
        let (mut y1, mut y2, mut y3, mut y4) = (none, none, none, none);
        // Counted for the same reason as the loops of `stats::sums`.
        let mut i = 0;
        while i < n {
            let mut y = none;
            let mut k = 0;
            while k < N {
                let fed = b0 * w1[k] + b1 * w2[k] + b2 * w3[k] + b3 * w4[k];
                y[k] = (fed - a4 * y4[k] - a3 * y3[k] - a2 * y2[k]) - a1 * y1[k];
                k += 1;
            }
            out[i] = y;
            (y4, y3, y2, y1) = (y3, y2, y1, y);
            (w4, w3, w2) = (w3, w2, w1);
            k = 0;
            while k < N {
                w1[k] = weights[k][i];
                k += 1;
            }
            i += 1;
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::filter::LowPass;
    use super::*;

    #[test]
    fn products_are_the_double_sum_over_all_lags() {
        for (rate_hz, cutoff_hz, every) in [(1000.0, 10.0, 5), (1000.0, 10.0, 1), (60.0, 20.0, 1), (2000.0, 4.0, 10), (1000.0, 60.0, 5)] {
            let low_pass = LowPass::zero_phase(cutoff_hz, rate_hz).unwrap();
            let noise = FilteredNoise::new(&low_pass, rate_hz, cutoff_hz);
            let covarying = Covarying::new(&noise, every);
            let n = 90_usize;
            let r = low_pass.autocovariance(every * n);
            let w: Vec<f64> = (0..n).map(|i| (i as f64 * 0.7).sin() + 0.1 * i as f64).collect();
            let other: Vec<f64> = w.iter().map(|w| 1.0 / (1.0 + w * w)).collect();
            let [with, with_other] = covarying.with([&w, &other]);
            for (w, found) in [(&w, &with), (&other, &with_other)] {
                let direct = |i: usize| (0..n).map(|j| r[every * i.abs_diff(j)] * w[j]).sum::<f64>();
                let scale = (0..n).map(|i| direct(i).abs()).fold(0.0, f64::max);
                for (i, found) in found.iter().enumerate() {
                    assert!((found - direct(i)).abs() < 1e-9 * scale, "{rate_hz} {cutoff_hz} {every} {i}: {found}");
                }
                let norm = dot(w, found).sqrt();
                assert!((covarying.norm(w) / norm - 1.0).abs() < 1e-12);
            }
        }
        let noise = FilteredNoise::new(&LowPass::zero_phase(10.0, 1000.0).unwrap(), 1000.0, 10.0);
        assert_eq!(Covarying::new(&noise, 5).norm(&[]), 0.0);
    }
}
