//! The streaming detector's own smoother.

use super::spikes::{HALF_WIDTH, WINDOW_FROM_RATE_HZ, each_spike, isolated_line, spike_median};

/// Cut-off of the detector's smoother, in Hz.
const SMOOTH_HZ: f64 = 12.0;
/// Samples kept before the oldest are thrown away.
const KEPT: usize = 1024;
/// Sums run for so many samples.
const AFRESH: usize = 4096;

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
    smoothed: usize,
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
            smoothed: 0,
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

    /// As one [`Smoother::push`] after the other, with the same bits, for samples none of which is missing; adds what comes out to `out`.
    pub fn push_all(&mut self, values: &[f64], out: &mut Vec<f64>) {
        let Some((first, later)) = values.split_first() else { return };
        if !self.windowed {
            out.extend(values.iter().filter_map(|v| self.push(*v)));
            return;
        }
        out.extend(self.push(*first));
        let (span, half) = (2 * HALF_WIDTH + 1, HALF_WIDTH);
        self.raw.drain(..self.raw.len().saturating_sub(span - 1));
        self.raw.extend_from_slice(later);
        self.taken += later.len();
        self.last = later.last().copied().unwrap_or(self.last);
        let mut clean = self.raw.get(half..self.raw.len().saturating_sub(half)).unwrap_or_default().to_vec();
        each_spike(&self.raw, 6.0 * self.noise_raw, |i, median| clean[i - half] = median);
        out.extend(clean.into_iter().filter_map(|clean| self.smooth(clean)));
        self.raw.drain(..self.raw.len().saturating_sub(span));
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
        self.smooth(clean)
    }

    /// One sample without spikes through the means.
    fn smooth(&mut self, clean: f64) -> Option<f64> {
        let mut y = clean;
        for stage in &mut self.stages {
            y = stage.push(y);
        }
        // A running sum drifts by rounding over hours; summing afresh now and then keeps it exact.
        self.smoothed += 1;
        if self.smoothed.is_multiple_of(AFRESH) {
            self.stages.iter_mut().for_each(RunningMean::sum_afresh);
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
}

impl RunningMean {
    fn new(width: usize) -> Self {
        RunningMean {
            ring: vec![0.0; width],
            oldest: 0,
            sum: 0.0,
            share: 1.0 / width as f64,
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
        self.sum * self.share
    }

    fn sum_afresh(&mut self) {
        self.sum = self.ring.iter().sum();
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
    fn many_samples_at_once_come_out_as_they_do_one_by_one() {
        let value = |i: u32| f64::from(i.wrapping_mul(2_654_435_761) >> 20) / 1e3 + if i.is_multiple_of(97) { 30.0 } else { 0.0 };
        let values: Vec<f64> = (0..9000).map(value).collect();
        for rate in [60.0, 1000.0] {
            let (mut one_by_one, mut at_once) = (Smoother::new(rate, 0.5), Smoother::new(rate, 0.5));
            let mut expected: Vec<f64> = values.iter().filter_map(|v| one_by_one.push(*v)).collect();
            expected.extend(one_by_one.finish());
            let (mut found, mut rest) = (Vec::new(), values.as_slice());
            // Blocks of every size, and single samples between them.
            for size in [1, 2, 0, 9, 10, 11, 12, 500, 3000, 1].into_iter().cycle() {
                let (block, after) = rest.split_at(size.min(rest.len()));
                at_once.push_all(block, &mut found);
                let Some((next, after)) = after.split_first() else { break };
                found.extend(at_once.push(*next));
                rest = after;
            }
            found.extend(at_once.finish());
            assert_eq!(found, expected, "{rate}");
        }
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
