//! Random numbers that are the same on every machine.
//!
//! ChaCha8 gives the bits; everything made of them uses only exact arithmetic and `libm`, never the platform's
//! own mathematics library, whose last digits differ from machine to machine.

use rand::{Rng as _, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A seeded source of random numbers.
///
/// ```
/// use tautpoint::simulate::Rng;
/// assert_eq!(Rng::new(7).uniform(), Rng::new(7).uniform());
/// assert_ne!(Rng::new(7).uniform(), Rng::stream(7, 1).uniform());
/// ```
#[derive(Debug, Clone)]
pub struct Rng {
    bits: ChaCha8Rng,
    spare: Option<f64>,
}

impl Rng {
    /// The first stream of a seed.
    pub fn new(seed: u64) -> Self {
        Rng::stream(seed, 0)
    }

    /// One of many independent streams of a seed: what one part draws never shifts what another part gets.
    pub fn stream(seed: u64, stream: u64) -> Self {
        let mut bits = ChaCha8Rng::seed_from_u64(seed);
        bits.set_stream(stream);
        Rng { bits, spare: None }
    }

    /// A seed for a further simulation, small enough for a whole number in TOML.
    pub fn seed(&mut self) -> u64 {
        self.bits.next_u64() >> 1
    }

    /// Uniform in [0, 1), all 53 bits of it.
    pub fn uniform(&mut self) -> f64 {
        (self.bits.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Uniform between two bounds.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// A whole number from 0 to `count` − 1; 0 when `count` is 0.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.uniform() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// Standard normal, by the polar method (Marsaglia & Bray 1964, SIAM Rev 6:260-264).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let a = 2.0 * self.uniform() - 1.0;
            let b = 2.0 * self.uniform() - 1.0;
            let s = a * a + b * b;
            if s > 0.0 && s < 1.0 {
                let scale = (-2.0 * libm::log(s) / s).sqrt();
                self.spare = Some(b * scale);
                return a * scale;
            }
        }
    }

    /// Normal cut at three standard deviations, so that no draw is absurd.
    pub fn normal_within_3(&mut self) -> f64 {
        loop {
            let z = self.normal();
            if z.abs() <= 3.0 {
                return z;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_numbers_have_mean_zero_and_variance_one() {
        let mut rng = Rng::new(1);
        let n = 40_000;
        let draws: Vec<f64> = (0..n).map(|_| rng.normal()).collect();
        let mean = draws.iter().sum::<f64>() / f64::from(n);
        let variance = draws.iter().map(|z| z * z).sum::<f64>() / f64::from(n);
        // Four standard errors: 1/sqrt(n) for the mean, sqrt(2/n) for the variance.
        assert!(mean.abs() < 0.02, "{mean}");
        assert!((variance - 1.0).abs() < 0.03, "{variance}");
    }
}
