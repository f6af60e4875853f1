//! The streaming detector's own smoother.

use super::spikes::{HALF_WIDTH, WINDOW_FROM_RATE_HZ, isolated_line, spike_median};

/// Cut-off of the detector's smoother, in Hz.
const SMOOTH_HZ: f64 = 12.0;
/// Samples kept before the oldest are thrown away.
const KEPT: usize = 1024;

/// Spike removal and three running means in a row (close to a Gaussian), symmetric, so that its delay is a
/// whole number of samples and is taken off by the caller simply by counting.
pub struct Smoother {
    /// The last samples; more than are needed, so that they need not be moved at each.
    raw: Vec<f64>,
    windowed: bool,
    noise_raw: f64,
    stages: [RunningMean; 3],
    width: usize,
    last: f64,
    /// Outputs still to be thrown away: they belong to times before the first sample.
    skip: usize,
    given: usize,
    taken: usize,
}

impl Smoother {
    pub fn new(rate_hz: f64, noise_sd: f64) -> Self {
        // Three means of T seconds in a row fall by 3 dB at 0.26/T.
        let half = (0.5 * (0.26 / SMOOTH_HZ * rate_hz - 1.0)).round().max(0.0) as usize;
        let width = 2 * half + 1;
        Smoother {
            raw: Vec::with_capacity(KEPT),
            windowed: rate_hz >= WINDOW_FROM_RATE_HZ,
            noise_raw: noise_sd,
            stages: [
                RunningMean::new(width),
                RunningMean::new(width),
                RunningMean::new(width),
            ],
            width,
            last: 0.0,
            skip: 3 * half,
            given: 0,
            taken: 0,
        }
    }

    /// The noise of one raw sample is known better now.
    pub fn set_noise(&mut self, noise_sd: f64) {
        self.noise_raw = noise_sd;
    }

    pub fn spike_half(&self) -> usize {
        if self.windowed { HALF_WIDTH } else { 3 }
    }

    /// Samples by which the output lags.
    pub fn delay(&self) -> usize {
        self.spike_half() + 3 * (self.width / 2)
    }

    /// Standard deviation of the smoothed noise: √(Σh²) of three means of m samples is √(11m⁴+5m²+4)/(√20·m^2.5).
    pub fn noise_sd(&self) -> f64 {
        let m = self.width as f64;
        self.noise_raw * ((11.0 * m.powi(4) + 5.0 * m * m + 4.0) / (20.0 * m.powi(5))).sqrt()
    }

    pub fn push(&mut self, value: f64) -> Option<f64> {
        let value = if value.is_finite() { value } else { self.last };
        if self.taken == 0 {
            // The signal is taken to have stood still before it began, so output begins with the first sample.
            let lead = self.spike_half();
            self.raw.extend(std::iter::repeat_n(value, lead));
            for stage in &mut self.stages {
                stage.fill(value);
            }
        }
        self.last = value;
        self.taken += 1;
        self.feed(value)
    }

    fn feed(&mut self, value: f64) -> Option<f64> {
        let span = 2 * self.spike_half() + 1;
        if self.raw.len() == KEPT {
            self.raw.drain(..KEPT - span);
        }
        self.raw.push(value);
        if self.raw.len() < span {
            return None;
        }
        let window = &self.raw[self.raw.len() - span..];
        let middle = window[span / 2];
        let clean = if self.windowed {
            spike_median(window, 6.0 * self.noise_raw).unwrap_or(middle)
        } else {
            isolated_line(window, self.noise_raw).unwrap_or(middle)
        };
        let mut y = clean;
        for stage in &mut self.stages {
            y = stage.push(y);
        }
        if self.skip > 0 {
            self.skip -= 1;
            return None;
        }
        self.given += 1;
        Some(y)
    }

    pub fn finish(&mut self) -> Vec<f64> {
        let mut rest = Vec::new();
        while self.given < self.taken {
            if let Some(y) = self.feed(self.last) {
                rest.push(y);
            }
        }
        rest
    }
}

struct RunningMean {
    ring: Vec<f64>,
    /// Where the oldest sample stands.
    oldest: usize,
    sum: f64,
    /// 1 over the width: a division would keep the next stage waiting.
    share: f64,
    pushes: usize,
}

impl RunningMean {
    fn new(width: usize) -> Self {
        RunningMean {
            ring: vec![0.0; width],
            oldest: 0,
            sum: 0.0,
            share: 1.0 / width as f64,
            pushes: 0,
        }
    }

    fn fill(&mut self, value: f64) {
        self.ring.fill(value);
        self.sum = value * self.ring.len() as f64;
    }

    fn push(&mut self, value: f64) -> f64 {
        self.sum += value - std::mem::replace(&mut self.ring[self.oldest], value);
        self.oldest += 1;
        if self.oldest == self.ring.len() {
            self.oldest = 0;
        }
        self.pushes += 1;
        // A running sum drifts by rounding over hours; summing afresh now and then keeps it exact.
        if self.pushes.is_multiple_of(4096) {
            self.sum = self.ring.iter().sum();
        }
        self.sum * self.share
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_noise_left_is_that_of_the_answer_to_one_impulse() {
        for rate in [60.0, 200.0, 1000.0, 2000.0] {
            let mut s = Smoother::new(rate, 1.0);
            // Below six standard deviations, so that it is no spike.
            let mut out: Vec<f64> = (0..400).filter_map(|i| s.push(f64::from(u8::from(i == 200)))).collect();
            out.extend(s.finish());
            let energy: f64 = out.iter().map(|h| h * h).sum();
            assert!((energy.sqrt() / s.noise_sd() - 1.0).abs() < 1e-9, "{rate}: {energy}");
        }
    }

    #[test]
    fn one_sample_beyond_six_standard_deviations_leaves_no_trace() {
        let mut s = Smoother::new(1000.0, 0.1);
        let push = |i: i32| if i == 200 { 5.0 } else { 0.0 };
        assert!((0..400).filter_map(|i| s.push(push(i))).all(|v| v.abs() < 1e-12));
    }

    #[test]
    fn the_smoother_keeps_every_sample_in_its_place() {
        for rate in [60.0, 200.0, 1000.0] {
            let mut s = Smoother::new(rate, 0.0);
            let ramp: Vec<f64> = (0..400).map(f64::from).collect();
            let mut out: Vec<f64> = ramp.iter().filter_map(|v| s.push(*v)).collect();
            assert_eq!(ramp.len() - out.len(), s.delay());
            out.extend(s.finish());
            assert_eq!(out.len(), ramp.len());
            for i in 100..300 {
                assert!((out[i] - ramp[i]).abs() < 1e-9, "{rate} {i} {}", out[i]);
            }
        }
    }
}
