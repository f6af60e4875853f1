//! How noisy a channel is, and what the low pass leaves of that noise.

use super::filter::LowPass;
use crate::stats::moments::upper_median_of_magnitudes;
use crate::stats::sums::dot;
use std::borrow::Cow;

/// Width of the weights around a median over the standard deviation of a sample ([`FilteredNoise::median_of_moving_sd`]).
const NEAR_MEDIAN: f64 = 0.4;

/// Standard deviation of a channel's own white noise, from third differences, which take out motion.
///
/// `filled` marks samples that were interpolated; differences that touch one are left out. A MAD estimate sets
/// the scale, then the mean square of what lies within 3.5 of it (renormalised for the cut) sharpens it, so that
/// spikes do not count. Steps of the resolution that noise does not blur are [`super::unloaded`]'s.
///
/// # Formula
/// d = y₃ − 3y₂ + 3y₁ − y₀ has variance 20σ² for white noise. E[d² | |d| < 3.5 s] = 0.99389 s² for a normal d.
///
/// # Edges
/// Fewer than 8 usable differences: 0.
pub fn white_noise_sd(y: &[f64], filled: &[bool]) -> f64 {
    let third = |w: &[f64; 4]| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).abs();
    let mut d: Vec<f64> = if filled.contains(&true) {
        let whole = y.array_windows().zip(filled.array_windows::<4>());
        let whole = whole.filter(|(_, filled)| !filled.contains(&true));
        whole.map(|(w, _)| third(w)).collect()
    } else {
        y.array_windows().map(third).collect()
    };
    if d.iter().any(|v| !v.is_finite()) {
        d.retain(|v| v.is_finite());
    }
    if d.len() < 8 {
        return 0.0;
    }
    // Only how far the cut lies hangs on the scale, and that hardly: of many differences one in so many gives it.
    let sparse: Vec<f64> = d.iter().copied().step_by((d.len() / ENOUGH_FOR_SCALE).max(1)).collect();
    let Some(median) = upper_median_of_magnitudes(&sparse) else { return 0.0 };
    let (sum, n) = squares_up_to(&d, 3.5 * 1.4826 * median);
    if n == 0.0 { 0.0 } else { (sum / n / KEPT_BELOW_3_5_SD / 20.0).sqrt() }
}

/// Differences that give the scale to within some 2 %, and so the standard deviation to within 0.1 %.
const ENOUGH_FOR_SCALE: usize = 2048;

/// Sum of squares of the magnitudes up to a limit, and how many they are.
fn squares_up_to(d: &[f64], limit: f64) -> (f64, f64) {
    const LANES: usize = 8;
    let (mut sums, mut counts) = ([0.0; LANES], [0.0; LANES]);
    let (chunks, rest) = d.as_chunks::<LANES>();
    for d in chunks {
        for k in 0..LANES {
            let kept = if d[k] <= limit { 1.0 } else { 0.0 };
            sums[k] += kept * d[k] * d[k];
            counts[k] += kept;
        }
    }
    let rest = rest.iter().filter(|d| **d <= limit);
    let (sum, n) = rest.fold((0.0, 0.0), |(sum, n), d| (sum + d * d, n + 1.0));
    (sums.iter().sum::<f64>() + sum, counts.iter().sum::<f64>() + n)
}

/// E[d² | |d| < 3.5] for a standard normal d: 1 − 2·3.5·φ(3.5)/(2Φ(3.5) − 1).
const KEPT_BELOW_3_5_SD: f64 = 0.993_888;

/// What is left of a channel's white noise after the low pass.
#[derive(Debug, Clone)]
pub struct FilteredNoise {
    /// Normalised autocovariance of the low-passed noise: lag 0 is the gain squared of one white sample.
    autocovariance: Vec<f64>,
    low_pass: LowPass,
    /// Σ arcsin(ρ) over all lags, for medians.
    median_sum: f64,
}

impl FilteredNoise {
    /// For the low pass in use. Lags beyond which the covariance is under 1e-4 of lag 0 are left out.
    pub fn new(low_pass: &LowPass, rate_hz: f64, cutoff_hz: f64) -> Self {
        let most = ((1.6 / cutoff_hz) * rate_hz).ceil() as usize + 2;
        let mut r = low_pass.autocovariance(most);
        let floor = 1e-4 * r.first().copied().unwrap_or(1.0);
        while r.len() > 1 && r.last().is_some_and(|v| v.abs() < floor) {
            r.pop();
        }
        let r0 = r.first().copied().unwrap_or(1.0);
        let tail: f64 = r.iter().skip(1).map(|v| (v / r0).clamp(-1.0, 1.0).asin()).sum();
        let median_sum = std::f64::consts::FRAC_PI_2 + 2.0 * tail;
        FilteredNoise {
            low_pass: low_pass.clone(),
            autocovariance: r,
            median_sum,
        }
    }

    /// The low pass that left it.
    pub fn low_pass(&self) -> &LowPass {
        &self.low_pass
    }

    /// Normalised autocovariance at lags 0 to `lags`, however small.
    pub fn first_lags(&self, lags: usize) -> Cow<'_, [f64]> {
        match self.autocovariance.get(..=lags) {
            Some(known) => Cow::Borrowed(known),
            None => Cow::Owned(self.low_pass.autocovariance(lags)),
        }
    }

    /// Normalised autocovariance by lag; lag 0 is the squared gain.
    pub fn autocovariance(&self) -> &[f64] {
        &self.autocovariance
    }

    /// Correlations of one in `every` conditioned samples with those after it, nearest first.
    fn correlations(&self, every: usize) -> impl Iterator<Item = f64> {
        let r0 = self.autocovariance.first().copied().unwrap_or(1.0);
        let lags = self.autocovariance.iter().skip(every).step_by(every);
        lags.map(move |v| v / r0)
    }

    /// Share of one in `every` conditioned samples that are worth an independent one to a mean square: 1/Σρ² over all lags.
    pub fn independent_share(&self, every: usize) -> f64 {
        1.0 / (1.0 + 2.0 * self.correlations(every).map(|rho| rho.powi(2)).sum::<f64>())
    }

    /// How much more a mean of one in `every` conditioned samples varies than one of independent samples: Σρ over all lags.
    pub fn mean_variance_factor(&self, every: usize) -> f64 {
        1.0 + 2.0 * self.correlations(every).sum::<f64>().max(0.0)
    }

    /// Standard deviation of one conditioned sample, for raw noise `sd`.
    pub fn sample_sd(&self, sd: f64) -> f64 {
        sd * self.autocovariance.first().copied().unwrap_or(1.0).sqrt()
    }

    /// Standard deviation of Σ wᵢ·yᵢ over consecutive conditioned samples, for raw noise `sd`.
    ///
    /// # Formula
    /// σ²·Σᵢ Σⱼ wᵢ wⱼ r(|i − j|), r the autocovariance of the filtered noise (JCGM 100:2008, 5.2.2); equal to
    /// σ²·‖h ∗ w‖² with h the low pass itself, which is how it is computed: one pass instead of one a lag.
    pub fn combination_sd(&self, sd: f64, weights: &[f64]) -> f64 {
        if sd == 0.0 {
            return 0.0;
        }
        let [spread] = self.spread([weights]);
        sd * dot(&spread, &spread).sqrt()
    }

    /// Weights on consecutive conditioned samples as weights on the raw ones, h ∗ w with all of its ends: what noise does
    /// to a combination is the norm of this. Sets of one length are worked on together.
    pub fn spread<const N: usize>(&self, weights: [&[f64]; N]) -> [Vec<f64>; N] {
        let margin = self.autocovariance.len();
        let padded = weights.map(|w| {
            let mut padded = vec![0.0; w.len() + 2 * margin];
            padded[margin..margin + w.len()].copy_from_slice(w);
            padded
        });
        self.low_pass.apply_all(padded.each_ref().map(Vec::as_slice))
    }

    /// Standard deviation of the median of `n` consecutive conditioned samples, for raw noise `sd`.
    ///
    /// # Formula
    /// σ_f²·Σ arcsin ρ(k)/n, the large-sample variance of the median of a stationary Gaussian series
    /// (arcsine law of the sign correlation; Gastwirth & Rubin 1975, Ann Stat 3:809-824, from memory).
    pub fn median_sd(&self, sd: f64, n: usize) -> f64 {
        if n == 0 {
            return self.sample_sd(sd);
        }
        let single = self.sample_sd(sd);
        let many = single * (self.median_sum.max(0.0) / n as f64).sqrt();
        many.min(single)
    }

    /// As [`FilteredNoise::median_sd`] over a stretch that itself moves (tremor): only the samples near the median
    /// carry it then, and fewer of them average less.
    ///
    /// # Formula
    /// The larger of that and the combination with weights exp(−(yᵢ − m)²/(2h²)), normalised: a median moves with
    /// the noise of the samples whose order it decides, and each counts by the density of noise that takes it across.
    /// The samples stray by σ_f themselves: with h = 0.4·σ_f what they are weighed by is 1.08 times as wide as that density.
    pub fn median_of_moving_sd(&self, sd: f64, stretch: &[f64], median: f64) -> f64 {
        let single = self.sample_sd(sd);
        let plain = self.median_sd(sd, stretch.len());
        if single <= 0.0 {
            return plain;
        }
        let mut weights: Vec<f64> = stretch
            .iter()
            .map(|y| (-0.5 * ((y - median) / (NEAR_MEDIAN * single)).powi(2)).exp())
            .collect();
        let sum: f64 = weights.iter().sum();
        if sum <= 0.0 {
            return single;
        }
        weights.iter_mut().for_each(|w| *w /= sum);
        self.combination_sd(sd, &weights).max(plain).min(single)
    }

    /// Standard deviation of the slope (per second) of the conditioned noise at one sample: the noise of speed.
    pub fn rate_of_change_sd(&self, sd: f64, rate_hz: f64) -> f64 {
        let r = &self.autocovariance;
        let (r0, r2) = (
            r.first().copied().unwrap_or(1.0),
            r.get(2).copied().unwrap_or(0.0),
        );
        sd * (2.0 * (r0 - r2)).max(0.0).sqrt() * rate_hz / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use crate::stats::moments::median_in_place;
    use rand_distr::{Distribution, StandardNormal};

    fn white(n: usize, sd: f64, seed: u64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..n)
            .map(|_| {
                let z: f64 = StandardNormal.sample(&mut rng);
                sd * z
            })
            .collect()
    }

    #[test]
    fn what_was_filled_says_nothing_about_noise() {
        let filled: Vec<bool> = (0..20_000).map(|i| i % 100 >= 20).collect();
        let noise = white(20_000, 0.3, 5);
        let y: Vec<f64> = noise.iter().zip(&filled).map(|(n, filled)| if *filled { 0.0 } else { *n }).collect();
        let sd = white_noise_sd(&y, &filled);
        assert!((sd / 0.3 - 1.0).abs() < 0.06, "{sd}");
    }

    #[test]
    fn noise_on_a_moving_channel_is_found_within_three_percent() {
        let y: Vec<f64> = white(20_000, 0.3, 1)
            .iter()
            .enumerate()
            .map(|(i, n)| n + 30.0 * (i as f64 * 0.001 * std::f64::consts::TAU * 2.0).sin())
            .collect();
        let sd = white_noise_sd(&y, &[]);
        assert!((sd / 0.3 - 1.0).abs() < 0.03, "{sd}");
    }

    #[test]
    fn spikes_do_not_count_as_noise() {
        let mut y = white(10_000, 0.3, 2);
        for i in (0..y.len()).step_by(400) {
            y[i] += 40.0;
        }
        let sd = white_noise_sd(&y, &[]);
        assert!((sd / 0.3 - 1.0).abs() < 0.04, "{sd}");
    }

    #[test]
    fn combinations_and_medians_of_filtered_noise_spread_as_predicted() {
        // Against the spread actually seen in 1,500 filtered noise series.
        let low_pass = LowPass::zero_phase(20.0, 1000.0).unwrap();
        let noise = FilteredNoise::new(&low_pass, 1000.0, 20.0);
        let weights: Vec<f64> = (0..120).map(|i| (i as f64 - 60.0) / 700.0).collect();
        let (mut lin, mut med, mut single) = (0.0, 0.0, 0.0);
        let rounds = 1500;
        for seed in 0..rounds {
            let y = low_pass.apply(&white(700, 1.0, 100 + seed));
            let s: f64 = weights.iter().zip(&y[300..]).map(|(w, v)| w * v).sum();
            lin += s * s;
            let mut part = y[250..450].to_vec();
            part.sort_by(f64::total_cmp);
            med += (0.5 * (part[99] + part[100])).powi(2);
            single += y[350] * y[350];
        }
        let sd = |sum: f64| (sum / rounds as f64).sqrt();
        assert!((sd(lin) / noise.combination_sd(1.0, &weights) - 1.0).abs() < 0.06);
        assert!(
            (sd(med) / noise.median_sd(1.0, 200) - 1.0).abs() < 0.08,
            "{} {}",
            sd(med),
            noise.median_sd(1.0, 200)
        );
        assert!((sd(single) / noise.sample_sd(1.0) - 1.0).abs() < 0.06);
    }

    /// Where samples lie far from their median only those beside it carry it. What is said of a stretch that rests, creeps and
    /// moves far is beside how much its median varies over 2,000 draws of the noise.
    #[test]
    fn the_median_of_a_moving_stretch_varies_as_said() {
        let low_pass = LowPass::zero_phase(20.0, 1000.0).unwrap();
        let noise = FilteredNoise::new(&low_pass, 1000.0, 20.0);
        let single = noise.sample_sd(1.0);
        let mut median = Vec::new();
        for (moves, seed) in [(0.0, 1), (2.0, 2), (5.0, 3), (15.0, 4), (50.0, 5)] {
            let ways: Vec<f64> = (0..300).map(|i| moves * single * (f64::from(i) / 149.5 - 1.0)).collect();
            let (mut seen, mut said) = (0.0, 0.0);
            for k in 0..2000 {
                let raw = low_pass.apply(&white(700, 1.0, 2000 * seed + k));
                let y: Vec<f64> = ways.iter().zip(&raw[200..]).map(|(way, n)| way + n).collect();
                median.clone_from(&y);
                let m = median_in_place(&mut median).unwrap();
                seen += m * m;
                said += noise.median_of_moving_sd(1.0, &y, m).powi(2);
            }
            let ratio = (said / seen).sqrt();
            assert!((0.92..1.16).contains(&ratio), "moves {moves}: {ratio}");
        }
        assert_eq!(noise.median_of_moving_sd(0.0, &[1.0, 2.0, 3.0], 2.0), 0.0);
    }
}
