//! What the sensors make of the truth.

use super::Rng;

/// What a missing sample looks like in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dropped {
    /// The row is not there.
    Rows,
    /// The cell is empty.
    Cells,
}

/// A load cell with a displacement sensor, and their faults.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// Samples a second.
    pub rate_hz: f64,
    /// Standard deviation of one force sample.
    pub force_noise_n: f64,
    /// Standard deviation of one displacement sample.
    pub displacement_noise_mm: f64,
    /// Zero leaves values as they are.
    pub force_resolution_n: f64,
    /// Step of the displacement converter; 0 for none.
    pub displacement_resolution_mm: f64,
    /// Force indicated with the hand off.
    pub offset_n: f64,
    /// Gained evenly from the first sample to the last.
    pub drift_n: f64,
    /// Single wrong samples: two in three on force, one in three on displacement.
    pub spikes: u32,
    /// Size of a spike in force.
    pub spike_n: f64,
    /// Size of a spike in displacement.
    pub spike_mm: f64,
    /// Share of samples lost, each on its own.
    pub dropped_share: f64,
    /// Samples that are lost.
    pub dropped: Dropped,
    /// From and to, in s: nothing was recorded between.
    pub gap_s: Option<[f64; 2]>,
    /// Samples are taken early or late by up to this share of a step.
    pub jitter_share: f64,
    /// Force comes this much after displacement.
    pub lag_ms: f64,
    /// 0.02 reads 2 % too high.
    pub gain_error: f64,
    /// Force the sensor cannot read beyond.
    pub saturation_n: Option<f64>,
    /// Whether there is a displacement sensor.
    pub has_displacement: bool,
}

impl Default for Sensor {
    fn default() -> Self {
        Sensor {
            rate_hz: 1000.0,
            force_noise_n: 0.3,
            displacement_noise_mm: 0.02,
            force_resolution_n: 0.01,
            displacement_resolution_mm: 0.001,
            offset_n: 0.0,
            drift_n: 0.0,
            spikes: 0,
            spike_n: 60.0,
            spike_mm: 6.0,
            dropped_share: 0.0,
            dropped: Dropped::Rows,
            gap_s: None,
            jitter_share: 0.0,
            lag_ms: 0.0,
            gain_error: 0.0,
            saturation_n: None,
            has_displacement: true,
        }
    }
}

/// Rounded to whole steps of `resolution`; left alone when that is 0.
pub fn quantise(value: f64, resolution: f64) -> f64 {
    if resolution > 0.0 {
        // Dividing by the inverse gives the nearest double to the printed decimal for 0.01 and 0.001.
        let inverse = 1.0 / resolution;
        (value * inverse).round() / inverse
    } else {
        value
    }
}

impl Sensor {
    /// Samples of the fine grid that make one sample of the file: the tissue is stepped at 1 kHz or more.
    pub(super) fn fine_steps(&self) -> usize {
        ((1000.0 / self.rate_hz).ceil() as usize).max(1)
    }

    /// Spacing of the fine grid in s.
    pub(super) fn fine_step_s(&self) -> f64 {
        1.0 / (self.rate_hz * self.fine_steps() as f64)
    }

    /// Where on the fine grid each of `count` samples is taken.
    pub(super) fn places(&self, count: usize, rng: &mut Rng) -> Vec<f64> {
        let steps = self.fine_steps() as f64;
        (0..count)
            .map(|i| {
                let jitter = self.jitter_share * (2.0 * rng.uniform() - 1.0);
                // The first sample stays, so that no time is below zero.
                (i as f64 + if i == 0 { 0.0 } else { jitter }) * steps
            })
            .collect()
    }

    /// Force as read at those places, from the true force on the fine grid.
    pub(super) fn read_force(&self, fine_n: &[f64], places: &[f64], rng: &mut Rng) -> Vec<f64> {
        let lag = self.lag_ms / 1e3 / self.fine_step_s();
        let last = places.len().saturating_sub(1).max(1) as f64;
        let read = |(i, &place): (usize, &f64)| {
            let force = at(fine_n, place - lag) * (1.0 + self.gain_error);
            let drift = self.drift_n * i as f64 / last;
            let read = force + self.offset_n + drift + self.force_noise_n * rng.normal();
            quantise(
                read.min(self.saturation_n.unwrap_or(f64::INFINITY)),
                self.force_resolution_n,
            )
        };
        places.iter().enumerate().map(read).collect()
    }

    /// Displacement as read at those places, from the true one on the fine grid.
    pub(super) fn read_displacement(&self, fine_mm: &[f64], places: &[f64], rng: &mut Rng) -> Vec<f64> {
        let mut read = |&place: &f64| {
            let noise = self.displacement_noise_mm * rng.normal();
            quantise(at(fine_mm, place) + noise, self.displacement_resolution_mm)
        };
        places.iter().map(&mut read).collect()
    }

    /// Adds the spikes.
    pub(super) fn add_spikes(
        &self,
        force: &mut [f64],
        mut displacement: Option<&mut Vec<f64>>,
        rng: &mut Rng,
    ) {
        for number in 0..self.spikes {
            let sign = if rng.uniform() < 0.5 { -1.0 } else { 1.0 };
            let size = sign * rng.between(0.5, 1.5);
            match displacement.as_deref_mut() {
                Some(x) if number % 3 == 2 => {
                    if let Some(x) = x.get_mut(rng.below(force.len())) {
                        *x = quantise(*x + size * self.spike_mm, self.displacement_resolution_mm);
                    }
                }
                _ => {
                    let i = rng.below(force.len());
                    if let Some(f) = force.get_mut(i) {
                        *f = quantise(*f + size * self.spike_n, self.force_resolution_n);
                    }
                }
            }
        }
    }

    /// Which samples are there, by their times.
    pub(super) fn kept(&self, time_s: &[f64], rng: &mut Rng) -> Vec<bool> {
        let in_gap = |t: f64| self.gap_s.is_some_and(|[from, to]| from <= t && t < to);
        time_s
            .iter()
            .map(|&t| {
                let kept = self.dropped_share <= 0.0 || rng.uniform() >= self.dropped_share;
                kept && !in_gap(t)
            })
            .collect()
    }
}

/// Linear interpolation at a fractional index, held at the ends.
pub(super) fn at(values: &[f64], index: f64) -> f64 {
    let Some(last) = values.len().checked_sub(1) else {
        return 0.0;
    };
    let index = index.clamp(0.0, last as f64);
    let low = index as usize;
    let share = index - low as f64;
    if share == 0.0 {
        return values[low];
    }
    values[low] + share * (values[(low + 1).min(last)] - values[low])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_rounded_to_the_resolution() {
        assert_eq!(quantise(1.234_56, 0.001), 1.235);
        assert_eq!(quantise(-0.017, 0.01), -0.02);
        assert_eq!(quantise(0.1234, 0.0), 0.1234);
    }

    #[test]
    fn a_lag_of_one_sample_shifts_force_by_one_sample() {
        let sensor = Sensor {
            lag_ms: 1.0,
            force_noise_n: 0.0,
            ..Sensor::default()
        };
        let read = sensor.read_force(&[0.0, 1.0, 2.0, 3.0], &[0.0, 1.0, 2.0, 3.0], &mut Rng::new(0));
        assert_eq!(read, [0.0, 0.0, 1.0, 2.0]);
    }
}
