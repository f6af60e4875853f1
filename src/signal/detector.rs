//! The streaming phase detector: samples in one by one, contacts and springs out, with a stated look-ahead.
//!
//! Live capture and file analysis use this one detector. It sees a causal, spike-free, smoothed copy of the
//! signals whose delay is taken off again, so every index it reports is the sample's own.

use super::candidates::Candidates;
use super::events::Event;
use super::running_zero::RunningZero;
use super::smoother::Smoother;
use crate::settings::Detect;
use std::collections::VecDeque;

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
    /// White noise of one raw sample; [`Detector::set_noise`] sharpens it as more is seen.
    pub force_noise_n: f64,
    pub displacement_noise_mm: f64,
    /// A known force zero (a tared or calibrated channel); otherwise the first 0.2 s give it.
    pub zero_n: Option<f64>,
    /// Whether displacement comes with the force: springs are then looked for there.
    pub has_displacement: bool,
}

/// Streaming detector of one side.
pub struct Detector {
    rate_hz: f64,
    force: Smoother,
    displacement: Option<Smoother>,
    limit_n: f64,
    hold: usize,
    leave: usize,
    zero: RunningZero,
    detect: Detect,
    in_contact: bool,
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
            zero: RunningZero::new(rate_hz, settings.zero_n),
            detect: d.clone(),
            in_contact: false,
            peak_n: 0.0,
            crossing: None,
            candidates,
            pending_force: VecDeque::new(),
            next: 0,
        }
    }

    /// The white noise of one raw sample is known better now: every limit follows it from the next sample on.
    pub fn set_noise(&mut self, force_n: f64, displacement_mm: f64) {
        let d = &self.detect;
        self.force.set_noise(force_n);
        self.limit_n = (d.contact_sigma * self.force.noise_sd()).max(d.contact_floor_n);
        let least = match &mut self.displacement {
            Some(x) => {
                x.set_noise(displacement_mm);
                (d.spring_sigma * x.noise_sd()).max(d.spring_prominence_mm)
            }
            None => d.spring_sigma * self.force.noise_sd(),
        };
        self.candidates.set_least(least);
    }

    /// Whether the hand is on, as far as the detector has come.
    pub fn in_contact(&self) -> bool {
        self.in_contact
    }

    /// The running force zero; `None` until the first stretch is full.
    pub fn zero_n(&self) -> Option<f64> {
        self.zero.value_n()
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

    /// As one [`Detector::push`] after the other, for samples none of which is missing.
    pub fn push_all(&mut self, force_n: &[f64], displacement_mm: Option<&[f64]>, events: &mut Vec<Event>) {
        let mut force = Vec::with_capacity(force_n.len());
        self.force.push_all(force_n, &mut force);
        self.pending_force.extend(force);
        let mut y = Vec::new();
        if let (Some(smoother), Some(x)) = (&mut self.displacement, displacement_mm) {
            y.reserve(x.len());
            smoother.push_all(x, &mut y);
        }
        if self.displacement.is_none() {
            y.extend(self.pending_force.iter().copied());
        }
        for y in y {
            if let Some(f) = self.pending_force.pop_front() {
                self.step(f, y, events);
            }
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
        if self.in_contact {
            self.in_contact = false;
            let left = self.crossing.filter(|began| self.next - began >= self.hold);
            let index = left.unwrap_or(self.next.saturating_sub(1));
            self.candidates.close(index, events);
            events.push(Event::ContactEnded {
                index,
                cut_off: left.is_none(),
            });
        }
    }

    /// One smoothed sample; `y` is the signal that springs are looked for in.
    fn step(&mut self, force_n: f64, y: f64, events: &mut Vec<Event>) {
        let index = self.next;
        self.next += 1;
        let Some(zero_n) = self.zero.now(force_n, self.in_contact) else {
            self.candidates.push(index, y, false, events);
            return;
        };
        let over_zero_n = force_n - zero_n;
        let limit_n = if self.in_contact {
            self.limit_n.max(LEAVE_SHARE * self.peak_n)
        } else {
            self.limit_n
        };
        let over = over_zero_n > limit_n;
        self.peak_n = self.peak_n.max(over_zero_n);
        if over == self.in_contact {
            self.crossing = None;
        } else {
            let began = *self.crossing.get_or_insert(index);
            let enough = if over { self.hold } else { self.leave };
            if index + 1 - began >= enough {
                self.crossing = None;
                self.in_contact = over;
                if over {
                    events.push(Event::ContactBegan { index: began });
                    self.peak_n = over_zero_n;
                    self.candidates.open(began);
                } else {
                    self.candidates.close(began, events);
                    events.push(Event::ContactEnded {
                        index: began,
                        cut_off: false,
                    });
                    self.zero.restart();
                }
            }
        }
        self.candidates.push(index, y, self.in_contact, events);
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
                matches!(events[0], Event::ContactBegan { .. })
                    && matches!(events[1], Event::ContactEnded { cut_off: false, .. })
            );
        }
    }

    #[test]
    fn a_recording_that_ends_under_load_is_cut_off() {
        let mut samples = push_and_spring(250.0, 2);
        samples.truncate((5.2 * 250.0) as usize);
        let events = run(250.0, &samples, true);
        assert!(
            matches!(events.last(), Some(Event::ContactEnded { cut_off: true, .. })),
            "{events:?}"
        );
    }

    #[test]
    fn the_running_zero_is_what_an_unloaded_channel_reads() {
        let mut d = Detector::new(&settings(250.0, true));
        assert_eq!(d.zero_n(), None);
        for _ in 0..500 {
            d.push(0.7, Some(0.0), &mut Vec::new());
        }
        assert!((d.zero_n().unwrap() - 0.7).abs() < 1e-9, "{:?}", d.zero_n());
    }
}
