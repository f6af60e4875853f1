//! The streaming phase detector: samples in one by one, touches and springs out, with a stated look-ahead.
//!
//! Live capture and file analysis use this one detector. It sees a causal, spike-free, smoothed copy of the
//! signals whose delay is taken off again, so every index it reports is the sample's own.

use super::candidates::Candidates;
use super::spikes::{HALF_WIDTH, WINDOW_FROM_RATE_HZ, isolated_line, spike_median};
use crate::settings::Detect;
use std::collections::VecDeque;

/// Cut-off of the detector's smoother, in Hz.
const SMOOTH_HZ: f64 = 12.0;
/// Seconds at the start that give the provisional zero.
const FIRST_ZERO_S: f64 = 0.2;
/// Seconds of the unloaded stretch that the running zero is taken over, and how far back it keeps.
const ZERO_SPAN_S: f64 = 1.0;
const ZERO_BACK_S: f64 = 0.2;
/// The hand has left only when force stays under the limit this long: a quick recoil over soft tissue takes the
/// force to nothing for a moment while the hand stays where it is.
const LEAVE_S: f64 = 0.25;
/// The limit for leaving is at least this share of the test's own peak, so that a zero that drifted under load
/// does not keep the hand on.
const LEAVE_SHARE: f64 = 0.04;

/// What the detector needs to know beforehand.
#[derive(Debug, Clone)]
pub struct DetectorSettings {
    pub rate_hz: f64,
    pub detect: Detect,
    /// White noise of one raw sample; measured from the first 0.2 s live, from the whole file otherwise.
    pub force_noise_n: f64,
    pub displacement_noise_mm: f64,
    /// A known force zero (a tared or calibrated channel); otherwise the first 0.2 s give it.
    pub zero_n: Option<f64>,
    /// Whether displacement comes with the force: springs are then looked for there.
    pub has_displacement: bool,
}

/// Something that happened, at a sample index counted from the first sample pushed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Event {
    /// The hand came on.
    Touch { index: usize },
    /// A spring's peak. Without displacement springs come only when the hand leaves, since their size is judged
    /// against the test's largest.
    Spring(SpringMark),
    /// The hand left; `cut_off` when the recording ended first.
    Release { index: usize, cut_off: bool },
}

/// Where a spring is: refined later on the zero-phase signals, never re-decided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpringMark {
    pub peak: usize,
    /// Where the hand was slowest before this spring's rise; its foot is not earlier.
    pub rest: usize,
}

/// Streaming detector of one side.
pub struct Detector {
    rate_hz: f64,
    force: Smoother,
    displacement: Option<Smoother>,
    limit_n: f64,
    hold: usize,
    leave: usize,
    zero: Zero,
    touching: bool,
    peak_n: f64,
    /// Consecutive samples on the other side of the limit, and where they began.
    crossing: Option<usize>,
    candidates: Candidates,
    /// Smoothed force of recent samples, so that candidates and contact look at the same index.
    pending_force: VecDeque<f64>,
    next: usize,
}

impl Detector {
    /// A detector for one side of a stream at `rate_hz` samples a second.
    pub fn new(settings: &DetectorSettings) -> Self {
        let rate_hz = settings.rate_hz;
        let force = Smoother::new(rate_hz, settings.force_noise_n);
        let displacement = settings
            .has_displacement
            .then(|| Smoother::new(rate_hz, settings.displacement_noise_mm));
        let d = &settings.detect;
        let limit_n = (d.contact_sigma * force.noise_sd()).max(d.contact_floor_n);
        let window = (d.spring_window_s * rate_hz).round().max(3.0) as usize;
        let candidates = match &displacement {
            Some(x) => Candidates::fixed(
                window,
                (d.spring_sigma * x.noise_sd()).max(d.spring_prominence_mm),
                rate_hz,
            ),
            None => Candidates::relative(
                window,
                d.spring_sigma * force.noise_sd(),
                d.force_prominence_share,
                rate_hz,
            ),
        };
        Detector {
            rate_hz,
            force,
            displacement,
            limit_n,
            hold: ((d.contact_hold_s * rate_hz).round() as usize).max(1),
            leave: ((LEAVE_S.max(d.contact_hold_s) * rate_hz).round() as usize).max(1),
            zero: Zero::new(rate_hz, settings.zero_n),
            touching: false,
            peak_n: 0.0,
            crossing: None,
            candidates,
            pending_force: VecDeque::new(),
            next: 0,
        }
    }

    /// Seconds of signal after an instant that the detector needs before it can speak of it, springs included.
    /// Without displacement, springs wait for the hand to leave.
    pub fn look_ahead_s(&self) -> f64 {
        let smooth = self
            .force
            .delay()
            .max(self.displacement.as_ref().map_or(0, Smoother::delay));
        (smooth + self.candidates.window().max(self.leave)) as f64 / self.rate_hz
    }

    /// Force over the running zero that counts as contact, in N.
    pub fn limit_n(&self) -> f64 {
        self.limit_n
    }

    /// Takes the next sample. A missing sample (NaN) repeats the one before.
    pub fn push(&mut self, force_n: f64, displacement_mm: Option<f64>, events: &mut Vec<Event>) {
        if let Some(f) = self.force.push(force_n) {
            self.pending_force.push_back(f);
        }
        let x = match (&mut self.displacement, displacement_mm) {
            (Some(smoother), Some(x)) => smoother.push(x),
            _ => None,
        };
        if self.displacement.is_some() {
            // The two smoothers may differ in delay by a spike window; the later one sets the pace.
            if let Some(x) = x
                && let Some(f) = self.pending_force.pop_front()
            {
                self.step(f, x, events);
            }
        } else if let Some(f) = self.pending_force.pop_front() {
            self.step(f, f, events);
        }
    }

    /// Says that no more samples come.
    pub fn finish(&mut self, events: &mut Vec<Event>) {
        let force_rest = self.force.finish();
        let x_rest = self.displacement.as_mut().map(Smoother::finish);
        self.pending_force.extend(force_rest);
        for x in x_rest.unwrap_or_default() {
            if let Some(f) = self.pending_force.pop_front() {
                self.step(f, x, events);
            }
        }
        while self.displacement.is_none()
            && let Some(f) = self.pending_force.pop_front()
        {
            self.step(f, f, events);
        }
        if self.touching {
            self.touching = false;
            let left = self.crossing.filter(|began| self.next - began >= self.hold);
            let index = left.unwrap_or(self.next.saturating_sub(1));
            self.candidates.close(index, events);
            events.push(Event::Release {
                index,
                cut_off: left.is_none(),
            });
        }
    }

    /// One smoothed sample; `y` is the signal that springs are looked for in.
    fn step(&mut self, force_n: f64, y: f64, events: &mut Vec<Event>) {
        let index = self.next;
        self.next += 1;
        let Some(zero_n) = self.zero.now(force_n, self.touching) else {
            self.candidates.push(index, y, false, events);
            return;
        };
        let over_zero_n = force_n - zero_n;
        let limit_n = if self.touching {
            self.limit_n.max(LEAVE_SHARE * self.peak_n)
        } else {
            self.limit_n
        };
        let over = over_zero_n > limit_n;
        self.peak_n = self.peak_n.max(over_zero_n);
        if over == self.touching {
            self.crossing = None;
        } else {
            let began = *self.crossing.get_or_insert(index);
            let enough = if over { self.hold } else { self.leave };
            if index + 1 - began >= enough {
                self.crossing = None;
                self.touching = over;
                if over {
                    events.push(Event::Touch { index: began });
                    self.peak_n = over_zero_n;
                    self.candidates.open(began);
                } else {
                    self.candidates.close(began, events);
                    events.push(Event::Release {
                        index: began,
                        cut_off: false,
                    });
                    self.zero.restart();
                }
            }
        }
        self.candidates.push(index, y, self.touching, events);
    }
}

/// Running force zero while the hand is off.
struct Zero {
    first: Vec<f64>,
    first_len: usize,
    value_n: Option<f64>,
    recent: VecDeque<f64>,
    /// The last moments whether the hand is on or off: what a release ends on is the next zero.
    tail: VecDeque<f64>,
    tail_len: usize,
    span: usize,
    back: usize,
    every: usize,
    since: usize,
}

impl Zero {
    fn new(rate_hz: f64, known_n: Option<f64>) -> Self {
        let samples = |s: f64| ((s * rate_hz).round() as usize).max(1);
        Zero {
            first: Vec::new(),
            first_len: samples(FIRST_ZERO_S),
            value_n: known_n,
            recent: VecDeque::new(),
            tail: VecDeque::new(),
            tail_len: samples(0.4 * LEAVE_S),
            span: samples(ZERO_SPAN_S),
            back: samples(ZERO_BACK_S),
            every: samples(0.1),
            since: 0,
        }
    }

    /// The zero to hold this sample against; `None` until the first stretch is full.
    fn now(&mut self, force_n: f64, touching: bool) -> Option<f64> {
        if self.value_n.is_none() {
            self.first.push(force_n);
            if self.first.len() >= self.first_len {
                self.value_n = Some(median(&mut self.first));
            }
            return None;
        }
        self.tail.push_back(force_n);
        if self.tail.len() > self.tail_len {
            self.tail.pop_front();
        }
        if !touching {
            self.recent.push_back(force_n);
            if self.recent.len() > self.span + self.back {
                self.recent.pop_front();
            }
            self.since += 1;
            // The last 0.2 s may already be a hand coming on, so they wait.
            if self.since >= self.every && self.recent.len() >= self.back + self.span / 2 {
                self.since = 0;
                let kept = self.recent.len() - self.back;
                let mut part: Vec<f64> = self.recent.iter().take(kept).copied().collect();
                self.value_n = Some(median(&mut part));
            }
        }
        self.value_n
    }

    fn restart(&mut self) {
        let mut tail: Vec<f64> = self.tail.iter().copied().collect();
        if !tail.is_empty() {
            self.value_n = Some(median(&mut tail));
        }
        self.recent.clear();
        self.since = 0;
    }
}

fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Spike removal and three running means in a row (close to a Gaussian), symmetric, so that its delay is a
/// whole number of samples and is taken off by the caller simply by counting.
struct Smoother {
    raw: VecDeque<f64>,
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
    fn new(rate_hz: f64, noise_sd: f64) -> Self {
        // Three means of T seconds in a row fall by 3 dB at 0.26/T.
        let half = (0.5 * (0.26 / SMOOTH_HZ * rate_hz - 1.0)).round().max(0.0) as usize;
        let width = 2 * half + 1;
        Smoother {
            raw: VecDeque::new(),
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

    fn spike_half(&self) -> usize {
        if self.windowed { HALF_WIDTH } else { 3 }
    }

    /// Samples by which the output lags.
    fn delay(&self) -> usize {
        self.spike_half() + 3 * (self.width / 2)
    }

    /// Standard deviation of the smoothed noise: √(Σh²) of three means of m samples is √(11m⁴+5m²+4)/(√20·m^2.5).
    fn noise_sd(&self) -> f64 {
        let m = self.width as f64;
        self.noise_raw * ((11.0 * m.powi(4) + 5.0 * m * m + 4.0) / (20.0 * m.powi(5))).sqrt()
    }

    fn push(&mut self, value: f64) -> Option<f64> {
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
        self.raw.push_back(value);
        if self.raw.len() < span {
            return None;
        }
        while self.raw.len() > span {
            self.raw.pop_front();
        }
        let window = self.raw.make_contiguous();
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

    fn finish(&mut self) -> Vec<f64> {
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
    ring: VecDeque<f64>,
    width: usize,
    sum: f64,
    pushes: usize,
}

impl RunningMean {
    fn new(width: usize) -> Self {
        RunningMean {
            ring: VecDeque::with_capacity(width),
            width,
            sum: 0.0,
            pushes: 0,
        }
    }

    fn fill(&mut self, value: f64) {
        self.ring.clear();
        self.ring.extend(std::iter::repeat_n(value, self.width));
        self.sum = value * self.width as f64;
    }

    fn push(&mut self, value: f64) -> f64 {
        self.sum += value - self.ring.pop_front().unwrap_or(0.0);
        self.ring.push_back(value);
        self.pushes += 1;
        // A running sum drifts by rounding over hours; summing afresh now and then keeps it exact.
        if self.pushes.is_multiple_of(4096) {
            self.sum = self.ring.iter().sum();
        }
        self.sum / self.width as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(rate_hz: f64, has_displacement: bool) -> DetectorSettings {
        DetectorSettings {
            rate_hz,
            detect: Detect::default(),
            force_noise_n: 0.0,
            displacement_noise_mm: 0.0,
            zero_n: None,
            has_displacement,
        }
    }

    /// Unloaded 0.5 s, lean of 9 mm in 1.5 s, hold 1 s, `n` springs of 3.2 mm a second apart, release.
    fn push_and_spring(rate_hz: f64, n: usize) -> Vec<(f64, f64)> {
        let total = 4.0 + n as f64 + 1.0;
        (0..(total * rate_hz) as usize)
            .map(|i| {
                let t = i as f64 / rate_hz;
                let ease = |s: f64| {
                    let s = s.clamp(0.0, 1.0);
                    s * s * s * (10.0 - 15.0 * s + 6.0 * s * s)
                };
                let mut x = 9.0 * (ease((t - 0.5) / 1.5) - ease((t - 3.2 - n as f64) / 0.5));
                for k in 0..n {
                    let s = t - 3.0 - k as f64;
                    if (0.0..0.5).contains(&s) {
                        x += 1.6 * (1.0 - (s / 0.5 * std::f64::consts::TAU).cos());
                    }
                }
                (4.0 * x, x)
            })
            .collect()
    }

    fn run(rate_hz: f64, samples: &[(f64, f64)], has_displacement: bool) -> Vec<Event> {
        let mut d = Detector::new(&settings(rate_hz, has_displacement));
        let mut events = Vec::new();
        for (f, x) in samples {
            d.push(*f, has_displacement.then_some(*x), &mut events);
        }
        d.finish(&mut events);
        events
    }

    #[test]
    fn springs_are_found_where_they_were_made_with_and_without_displacement() {
        for rate in [60.0, 80.0, 250.0, 1000.0] {
            for has_displacement in [true, false] {
                for n in [1, 3, 5] {
                    let events = run(rate, &push_and_spring(rate, n), has_displacement);
                    let peaks: Vec<f64> = events
                        .iter()
                        .filter_map(|e| {
                            if let Event::Spring(s) = e {
                                Some(s.peak as f64 / rate)
                            } else {
                                None
                            }
                        })
                        .collect();
                    assert_eq!(peaks.len(), n, "{rate} {has_displacement} {events:?}");
                    for (k, t) in peaks.iter().enumerate() {
                        assert!((t - 3.25 - k as f64).abs() < 0.5 / rate + 0.004, "{rate}: {t}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_lean_without_a_hold_is_no_spring() {
        for rate in [80.0, 1000.0] {
            let press: Vec<(f64, f64)> = (0..(4.0 * rate) as usize)
                .map(|i| {
                    let t = i as f64 / rate;
                    let x = if (0.5..3.5).contains(&t) {
                        5.0 * (1.0 - ((t - 0.5) / 3.0 * std::f64::consts::TAU).cos())
                    } else {
                        0.0
                    };
                    (4.0 * x, x)
                })
                .collect();
            let events = run(rate, &press, true);
            assert_eq!(events.len(), 2, "{events:?}");
            assert!(
                matches!(events[0], Event::Touch { .. })
                    && matches!(events[1], Event::Release { cut_off: false, .. })
            );
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

    #[test]
    fn a_recording_that_ends_under_load_is_cut_off() {
        let mut samples = push_and_spring(250.0, 2);
        samples.truncate((5.2 * 250.0) as usize);
        let events = run(250.0, &samples, true);
        assert!(
            matches!(events.last(), Some(Event::Release { cut_off: true, .. })),
            "{events:?}"
        );
    }
}
