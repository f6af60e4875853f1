//! Raw samples of one side into the detector, one by one: the same feed for live capture and for files.
//!
//! Nothing here looks ahead further than it says. Missing samples are filled by straight lines once the next valid one
//! has come, the channel delay is taken out, and the noise that the detector's limits rest on is measured from what
//! has been seen so far: first from the first 0.2 s, then again each time twice as much has come.

mod fill;

use super::detector::{Detector, DetectorSettings};
use super::events::Event;
use super::noise::white_noise_sd;
use crate::settings::{Detect, Settings};
use fill::{GapFiller, Filled, Shift, Times};

/// Seconds that the first measurement of noise takes, and at least how many samples.
const FIRST_NOISE_S: f64 = 0.2;
const FIRST_NOISE_SAMPLES: usize = 64;
/// Noise is measured again at each doubling, until this many seconds or samples have been seen: enough for 2 %.
const LAST_NOISE_S: f64 = 12.8;
const LAST_NOISE_SAMPLES: usize = 4096;
/// A channel that stays silent longer repeats its last value instead of being waited for, in s.
const WAIT_S: f64 = 0.05;
/// A displacement channel without two valid samples in the first seconds is taken as not connected.
const DEAD_S: f64 = 3.0;
/// A longer pause is filled as if it had been this long.
const LONGEST_PAUSE_S: f64 = 600.0;
/// With the hand off, times are remembered for so long.
const KEPT_TIMES_S: f64 = 4.0;

/// What a feed needs to know beforehand.
#[derive(Debug, Clone)]
pub struct FeedSettings {
    /// Samples a second, as the device says or as the whole file shows.
    pub rate_hz: f64,
    /// How contacts and springs are found.
    pub detect: Detect,
    /// Force comes this much after displacement.
    pub force_delay_ms: f64,
    /// How far plinth or stand give under load.
    pub plinth_compliance_mm_per_n: f64,
    /// Whether there is a displacement channel.
    pub has_displacement: bool,
    /// A force zero known beforehand; live there is none.
    pub zero_n: Option<f64>,
    /// White noise of one raw sample of force and displacement that is known beforehand: what is measured underway
    /// counts only when it is more. Live it is 0.
    pub known_noise: [f64; 2],
}

impl FeedSettings {
    /// As a live stream has them: everything from the study's settings, nothing from the recording as a whole.
    pub fn live(rate_hz: f64, has_displacement: bool, settings: &Settings) -> Self {
        FeedSettings {
            rate_hz,
            detect: settings.detect.clone(),
            force_delay_ms: settings.instrument.force_delay_ms,
            plinth_compliance_mm_per_n: settings.instrument.plinth_compliance_mm_per_n,
            has_displacement,
            zero_n: None,
            known_noise: [0.0; 2],
        }
    }
}

/// One side's samples on their way into the detector. Indices count samples from the first one pushed, missing ones
/// included.
pub struct Feed {
    settings: FeedSettings,
    step_s: f64,
    force: GapFiller,
    displacement: Option<GapFiller>,
    delay: Shift,
    detector: Option<Detector>,
    force_seen: NoiseHistory,
    displacement_seen: NoiseHistory,
    next_noise: usize,
    taken: usize,
    times: Times,
    last_time_s: Option<f64>,
    newest: usize,
    /// Samples of the longest pause that is filled as it was, and of what times are kept of.
    longest_pause: usize,
    kept_times: usize,
}

impl Feed {
    /// A feed that has seen nothing yet.
    pub fn new(settings: FeedSettings) -> Self {
        let step_s = 1.0 / settings.rate_hz;
        let wait = samples(WAIT_S, settings.rate_hz);
        let has_displacement = settings.has_displacement;
        Feed {
            step_s,
            force: GapFiller::new(wait),
            displacement: has_displacement.then(|| GapFiller::new(wait)),
            delay: Shift::new(settings.force_delay_ms / 1e3 * settings.rate_hz),
            detector: None,
            force_seen: NoiseHistory::default(),
            displacement_seen: NoiseHistory::default(),
            next_noise: samples(FIRST_NOISE_S, settings.rate_hz).max(FIRST_NOISE_SAMPLES),
            taken: 0,
            times: Times::default(),
            last_time_s: None,
            newest: 0,
            longest_pause: samples(LONGEST_PAUSE_S, settings.rate_hz),
            kept_times: samples(KEPT_TIMES_S, settings.rate_hz),
            settings,
        }
    }

    /// Takes one sample. `displacement_mm` is left alone when the feed has none. A time not after the last one is
    /// passed over; NaN is a missing value.
    pub fn push(&mut self, time_s: f64, force_n: f64, displacement_mm: Option<f64>, events: &mut Vec<Event>) {
        let steps = match self.last_time_s {
            None => 0,
            // Nearly always one: then nothing needs a division.
            Some(last) if time_s > last => match time_s - last {
                apart if apart < 1.5 * self.step_s => 1,
                apart => (apart / self.step_s).round() as usize,
            },
            Some(_) => return,
        };
        let steps = steps.min(self.longest_pause);
        self.last_time_s = Some(time_s);
        self.newest += steps;
        self.times.pin(self.newest, time_s, self.step_s);
        if steps == 1 && self.straight_through(force_n, displacement_mm, events) {
            self.forget_times();
            return;
        }
        self.force.push(steps, force_n);
        if let Some(fill) = &mut self.displacement {
            fill.push(steps, displacement_mm.unwrap_or(f64::NAN));
            if fill.valid < 2 && fill.newest as f64 * self.step_s > DEAD_S {
                self.displacement = None;
            }
        }
        self.drain(events);
        self.forget_times();
    }

    /// As one [`Feed::push`] after the other, for samples a step apart none of which is missing: a whole recording at once.
    pub fn push_all(&mut self, time_s: impl Fn(usize) -> f64, force_n: &[f64], displacement_mm: Option<&[f64]>, events: &mut Vec<Event>) {
        let mut at = 0;
        while at < force_n.len() {
            let until_noise = self.next_noise.saturating_sub(self.taken);
            let next = if self.next_noise > 0 { force_n.len().min(at + until_noise) } else { force_n.len() };
            let x = displacement_mm.map(|x| &x[at..next]);
            let through = next > at && self.last_time_s.is_some() && self.is_through(force_n[at], x.map(|x| x[0]));
            match &mut self.detector {
                Some(detector) if through && self.settings.plinth_compliance_mm_per_n == 0.0 => {
                    let force = &force_n[at..next];
                    self.force.through_all(force);
                    if let (Some(fill), Some(x)) = (&mut self.displacement, x) {
                        fill.through_all(x);
                    }
                    if self.next_noise > 0 {
                        self.force_seen.extend(force);
                        self.displacement_seen.extend(x.unwrap_or_default());
                    }
                    detector.push_all(force, x.filter(|_| self.displacement.is_some()), events);
                    self.taken += force.len();
                    self.newest += force.len();
                    self.last_time_s = Some(time_s(next - 1));
                    if self.taken == self.next_noise {
                        self.measure_noise();
                    }
                    at = next;
                }
                _ => {
                    self.push(time_s(at), force_n[at], displacement_mm.map(|x| x[at]), events);
                    at += 1;
                }
            }
        }
    }

    /// Whether the next sample need not wait in any line.
    fn is_through(&self, force_n: f64, displacement_mm: Option<f64>) -> bool {
        let whole = |fill: &GapFiller| displacement_mm.is_some_and(|x| fill.is_through(x));
        self.delay.is_through() && self.force.is_through(force_n) && self.displacement.as_ref().is_none_or(whole)
    }

    /// Nearly every sample comes whole and in its turn: it need not wait in any line. `false` when it must.
    fn straight_through(
        &mut self,
        force_n: f64,
        displacement_mm: Option<f64>,
        events: &mut Vec<Event>,
    ) -> bool {
        if !self.is_through(force_n, displacement_mm) {
            return false;
        }
        let displacement = self.displacement.as_mut().zip(displacement_mm).map(|(fill, x)| fill.through(x));
        let force = self.force.through(force_n);
        self.sample(force, displacement, events);
        true
    }

    fn forget_times(&mut self) {
        if self.detector.as_ref().is_some_and(|d| !d.in_contact()) {
            self.times.forget(self.newest.saturating_sub(self.kept_times));
        }
    }

    /// Says that no more samples come. Without enough of them to measure noise there are no events.
    pub fn finish(&mut self, events: &mut Vec<Event>) {
        self.force.finish();
        if let Some(fill) = &mut self.displacement {
            fill.finish();
        }
        self.drain(events);
        for force in self.delay.finish() {
            self.pair(force, events);
        }
        if let Some(detector) = &mut self.detector {
            detector.finish(events);
        }
    }

    /// Time of a sample, in the clock that came with them.
    pub fn time_s(&self, index: usize) -> f64 {
        self.times.at(index, self.step_s)
    }

    /// Index of the newest sample.
    pub fn newest(&self) -> usize {
        self.newest
    }

    /// The running force zero; `None` until it is known.
    pub fn zero_n(&self) -> Option<f64> {
        self.detector.as_ref().and_then(Detector::zero_n)
    }

    /// Force over the zero that counts as contact; `None` until noise was measured.
    pub fn limit_n(&self) -> Option<f64> {
        self.detector.as_ref().map(Detector::limit_n)
    }

    /// Seconds after an instant until the detector has spoken of it, springs by displacement included.
    pub fn look_ahead_s(&self) -> Option<f64> {
        self.detector.as_ref().map(Detector::look_ahead_s)
    }

    /// Whether springs are looked for in displacement.
    pub fn by_displacement(&self) -> bool {
        self.displacement.is_some()
    }

    fn drain(&mut self, events: &mut Vec<Event>) {
        while let Some(force) = self.force.ready.pop_front() {
            if let Some(force) = self.delay.push(force) {
                self.pair(force, events);
            }
        }
        self.settle(events);
    }

    fn pair(&mut self, force: Filled, events: &mut Vec<Event>) {
        self.delay.waiting.push_back(force);
        self.settle(events);
    }

    /// Forces that wait, each with the displacement of the same index.
    fn settle(&mut self, events: &mut Vec<Event>) {
        while !self.delay.waiting.is_empty() {
            let displacement = match &mut self.displacement {
                Some(fill) => match fill.ready.pop_front() {
                    Some(x) => Some(x),
                    None => return,
                },
                None => None,
            };
            let Some(force) = self.delay.waiting.pop_front() else {
                return;
            };
            self.sample(force, displacement, events);
        }
    }

    fn sample(&mut self, force: Filled, displacement: Option<Filled>, events: &mut Vec<Event>) {
        let compliance = self.settings.plinth_compliance_mm_per_n;
        let displacement = displacement.map(|x| Filled {
            value: x.value - compliance * force.value,
            ..x
        });
        self.taken += 1;
        if self.next_noise > 0 {
            self.force_seen.push(force);
            if let Some(x) = displacement {
                self.displacement_seen.push(x);
            }
        }
        match &mut self.detector {
            Some(detector) => detector.push(force.value, displacement.map(|x| x.value), events),
            None if self.taken < self.next_noise => return,
            None => self.begin(events),
        }
        if self.taken == self.next_noise {
            self.measure_noise();
        }
    }

    /// The first stretch is full: the detector begins, with all of it.
    fn begin(&mut self, events: &mut Vec<Event>) {
        let [force_noise_n, displacement_noise_mm] = self.noise_sd();
        let settings = DetectorSettings {
            rate_hz: self.settings.rate_hz,
            detect: self.settings.detect.clone(),
            force_noise_n,
            displacement_noise_mm,
            zero_n: self.settings.zero_n,
            has_displacement: self.displacement.is_some(),
        };
        let mut detector = Detector::new(&settings);
        for (i, force) in self.force_seen.values.iter().enumerate() {
            // A displacement that was given up on has fewer.
            let x = settings
                .has_displacement
                .then(|| self.displacement_seen.values.get(i).copied());
            detector.push(*force, x.flatten(), events);
        }
        self.detector = Some(detector);
    }

    fn noise_sd(&self) -> [f64; 2] {
        let [force, displacement] = self.settings.known_noise;
        [
            self.force_seen.noise_sd().max(force),
            self.displacement_seen.noise_sd().max(displacement),
        ]
    }

    fn measure_noise(&mut self) {
        let [force_n, displacement_mm] = self.noise_sd();
        if let Some(detector) = &mut self.detector {
            detector.set_noise(force_n, displacement_mm);
        }
        let next = 2 * self.next_noise;
        if next as f64 * self.step_s > LAST_NOISE_S || next > LAST_NOISE_SAMPLES {
            self.next_noise = 0;
            self.force_seen = NoiseHistory::default();
            self.displacement_seen = NoiseHistory::default();
        } else {
            self.next_noise = next;
        }
    }
}

fn samples(seconds: f64, rate_hz: f64) -> usize {
    ((seconds * rate_hz).round() as usize).max(1)
}

/// What has been seen so far, for its noise.
#[derive(Default)]
struct NoiseHistory {
    values: Vec<f64>,
    filled: Vec<bool>,
}

impl NoiseHistory {
    fn push(&mut self, v: Filled) {
        self.values.push(v.value);
        self.filled.push(v.filled);
    }

    fn extend(&mut self, values: &[f64]) {
        self.values.extend_from_slice(values);
        self.filled.resize(self.values.len(), false);
    }

    fn noise_sd(&self) -> f64 {
        white_noise_sd(&self.values, &self.filled)
    }
}
