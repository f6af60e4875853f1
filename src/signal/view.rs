//! What the measures of a side are read from, and what noise does to a level and to a maximum.

use super::limb_starts::{LimbStart, Peak};
use super::noise::FilteredNoise;

/// Half of the stretch that a peak's curvature is taken over, in s: wide against noise, narrow against a spring.
const CURVATURE_S: f64 = 0.05;

/// One side's conditioned signals, zeroed, with their noise.
#[derive(Debug, Clone, Copy)]
pub struct SideView<'a> {
    pub rate_hz: f64,
    pub force_n: &'a [f64],
    pub displacement_mm: Option<&'a [f64]>,
    /// White noise of one raw sample.
    pub force_noise_n: f64,
    pub displacement_noise_mm: f64,
    /// How many times that is what white noise explains. Slow noise does not lift a maximum.
    pub force_times_white: f64,
    pub displacement_times_white: f64,
    pub noise: &'a FilteredNoise,
}

/// A number with the standard uncertainties that force noise and displacement noise give it, and its slope with
/// respect to the force zero.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct UncertainValue {
    pub value: f64,
    pub from_force: f64,
    pub from_displacement: f64,
    pub per_zero_n: f64,
}

impl UncertainValue {
    /// A force read from the zeroed signal.
    pub fn force(value: f64, from_force: f64) -> Self {
        UncertainValue {
            per_zero_n: 1.0,
            ..UncertainValue::of_noise(value, from_force, 0.0)
        }
    }

    /// A number that the force zero does not touch.
    pub fn of_noise(value: f64, from_force: f64, from_displacement: f64) -> Self {
        UncertainValue {
            value,
            from_force,
            from_displacement,
            per_zero_n: 0.0,
        }
    }
}

/// Of two numbers whose noise is independent and whose zero is the same.
impl std::ops::Sub for UncertainValue {
    type Output = UncertainValue;

    fn sub(self, other: UncertainValue) -> UncertainValue {
        UncertainValue {
            value: self.value - other.value,
            from_force: self.from_force.hypot(other.from_force),
            from_displacement: self.from_displacement.hypot(other.from_displacement),
            per_zero_n: self.per_zero_n - other.per_zero_n,
        }
    }
}

/// Where a spring is on the refined signals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpringShape {
    pub peak: Peak,
    pub before: LimbStart,
    /// `None` when the recording or the contact ends on the recoil.
    pub after: Option<LimbStart>,
}

impl SideView<'_> {
    /// Curvature at a maximum of one of the signals, in the signal's unit per s², positive; `None` where the
    /// signal is too short or does not bend down.
    pub fn curvature(&self, y: &[f64], index: usize) -> Option<f64> {
        self.bend(y, index).filter(|bend| *bend > 0.0)
    }

    /// The same at a minimum, where the signal bends up.
    pub fn curvature_of_trough(&self, y: &[f64], index: usize) -> Option<f64> {
        self.bend(y, index).map(|bend| -bend).filter(|bend| *bend > 0.0)
    }

    fn bend(&self, y: &[f64], index: usize) -> Option<f64> {
        let k = ((CURVATURE_S * self.rate_hz).round() as usize).max(1);
        if index < k || index + k >= y.len() {
            return None;
        }
        let h = k as f64 / self.rate_hz;
        Some((2.0 * y[index] - y[index - k] - y[index + k]) / (h * h))
    }

    /// What noise alone adds to a maximum, because the highest point is looked for among noisy ones.
    ///
    /// # Formula
    /// A maximum of curvature κ under noise of slope variance σ'² moves to where the sum is level: it gains
    /// σ'²/(2κ) on average (second-order expansion about the true maximum).
    pub fn peak_noise_bias(&self, y: &[f64], index: usize, noise_sd: f64) -> f64 {
        self.curvature(y, index).map_or(0.0, |bend| {
            self.noise.rate_of_change_sd(noise_sd, self.rate_hz).powi(2) / (2.0 * bend)
        })
    }

    /// How far a signal stands above its own minimum, on average, because the lowest point of noisy displacement lies beside
    /// the true one; without displacement the signal itself was searched, and stands below it.
    ///
    /// # Formula
    /// ½·f''·σ_t², σ_t = σ'/κ the standard deviation of where displacement of curvature κ is lowest.
    pub fn beside_the_trough(&self, f: &[f64], index: usize) -> f64 {
        let Some(x) = self.displacement_mm else {
            return -self.trough_noise_bias(f, index, self.force_noise_n / self.force_times_white);
        };
        let noise_mm = self.displacement_noise_mm / self.displacement_times_white;
        let by = self.curvature_of_trough(x, index).zip(self.curvature_of_trough(f, index));
        by.map_or(0.0, |(of_x, of_f)| 0.5 * of_f * (self.noise.rate_of_change_sd(noise_mm, self.rate_hz) / of_x).powi(2))
    }

    /// What noise alone takes from a minimum.
    pub fn trough_noise_bias(&self, y: &[f64], index: usize, noise_sd: f64) -> f64 {
        self.curvature_of_trough(y, index).map_or(0.0, |bend| {
            self.noise.rate_of_change_sd(noise_sd, self.rate_hz).powi(2) / (2.0 * bend)
        })
    }
}
