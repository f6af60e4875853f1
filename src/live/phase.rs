//! The phase of a push as it happens.
//!
//! A quick judge for the eye, on bins of a few samples; which springs there were is the detector's to say, three
//! quarters of a second later.

use super::strip::BINS_PER_S;
use serde::Serialize;

/// Phases of a push.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, PartialOrd, Ord)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// The hand is not on.
    #[default]
    Off,
    Release,
    /// On the way in, and it is not known on which side of the onset.
    Lean,
    TakeUp,
    /// Held, and it is not known on which side of the onset.
    Hold,
    PreTension,
    Recoil,
    Spring,
}

/// Slower than this share of the fastest so far is a rest.
const REST_SHARE: f64 = 0.15;
/// A rest lasts at least this long, in s.
const REST_S: f64 = 0.1;
/// Speed is taken over this many seconds.
const SPEED_S: f64 = 0.05;
/// A spring has turned when it has come back by this share of its rise.
const TURN_SHARE: f64 = 0.2;
/// Without displacement a spring is a rise of force by this share of the force held, and at least so much.
const FORCE_SHARE: f64 = 0.2;
const FORCE_LEAST_N: f64 = 4.0;
/// The hand is off when the force has been under the limit this long, in s.
const OFF_S: f64 = 0.1;

/// What one bin shows of one side.
#[derive(Debug, Clone, Copy)]
pub struct PhaseInput {
    pub time_s: f64,
    pub force_n: f64,
    pub displacement_mm: Option<f64>,
    /// Force that counts as contact.
    pub limit_n: f64,
    /// Least rise of displacement that is a spring.
    pub least_mm: f64,
    pub onset_mm: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Default)]
enum PushState {
    #[default]
    Off,
    Leaning,
    Held,
    Rising,
    Returning,
    Leaving,
}

/// Follows one side.
#[derive(Debug, Clone, Default)]
pub struct PhaseTracker {
    bin_s: f64,
    state: PushState,
    recent: Vec<f64>,
    fastest: f64,
    rested_s: f64,
    under_s: f64,
    /// Level that a spring rises from, and its highest and lowest point.
    rest: f64,
    high: f64,
    low: f64,
    peak_n: f64,
    /// Times of peaks of this touch.
    peaks_s: Vec<f64>,
    high_s: f64,
}

impl PhaseTracker {
    pub fn new(rate_hz: f64) -> Self {
        PhaseTracker {
            bin_s: (1.0 / BINS_PER_S).max(1.0 / rate_hz),
            ..PhaseTracker::default()
        }
    }

    /// Whether the hand is on.
    pub fn on(&self) -> bool {
        self.state != PushState::Off
    }

    /// Whether the lean is still going on: nothing held, nothing sprung.
    pub fn leaning(&self) -> bool {
        self.state == PushState::Leaning
    }

    /// Peaks of this touch later than a time.
    pub fn peaks_after(&self, time_s: f64) -> usize {
        self.peaks_s.iter().filter(|t| **t > time_s).count()
    }

    /// Takes the next bin.
    pub fn push(&mut self, look: &PhaseInput) -> Phase {
        let y = look.displacement_mm.unwrap_or(look.force_n);
        let back = ((SPEED_S / self.bin_s).round() as usize).max(1);
        self.recent.push(y);
        if self.recent.len() > back + 1 {
            self.recent.remove(0);
        }
        let speed = (y - self.recent[0]) / (self.recent.len().max(2) - 1) as f64 / self.bin_s;
        self.contact(look, y);
        match self.state {
            PushState::Off | PushState::Leaving => {}
            PushState::Leaning => self.lean(y, speed),
            PushState::Held => self.held(look, y, speed),
            PushState::Rising => self.rising(look, y),
            PushState::Returning => self.returning(look, y, speed),
        }
        self.word(look, y)
    }

    fn contact(&mut self, look: &PhaseInput, y: f64) {
        let limit = if self.on() {
            look.limit_n.max(0.04 * self.peak_n)
        } else {
            look.limit_n
        };
        self.peak_n = self.peak_n.max(look.force_n);
        if look.force_n > limit {
            self.under_s = 0.0;
            if self.state == PushState::Off {
                *self = PhaseTracker {
                    state: PushState::Leaning,
                    recent: std::mem::take(&mut self.recent),
                    high: y,
                    low: y,
                    rest: y,
                    peak_n: look.force_n,
                    ..PhaseTracker::new(1.0 / self.bin_s)
                };
            }
        } else if self.on() {
            self.under_s += self.bin_s;
            if self.under_s >= OFF_S {
                self.state = PushState::Off;
                self.peak_n = 0.0;
                self.peaks_s.clear();
            }
        }
    }

    fn least(&self, look: &PhaseInput) -> f64 {
        match look.displacement_mm {
            Some(_) => look.least_mm,
            None => (FORCE_SHARE * self.peak_n).max(FORCE_LEAST_N),
        }
    }

    fn lean(&mut self, y: f64, speed: f64) {
        self.fastest = self.fastest.max(speed.abs());
        self.high = self.high.max(y);
        if speed.abs() < REST_SHARE * self.fastest {
            self.rested_s += self.bin_s;
        } else {
            self.rested_s = 0.0;
        }
        if self.rested_s >= REST_S {
            self.state = PushState::Held;
            self.rest = y;
        } else if self.high - y > 0.3 * (self.high - self.low) && self.high > self.low {
            self.state = PushState::Leaving;
        }
    }

    fn held(&mut self, look: &PhaseInput, y: f64, speed: f64) {
        let least = self.least(look);
        if y - self.rest > least && speed > 0.0 {
            self.state = PushState::Rising;
            self.high = y;
            self.high_s = look.time_s;
        } else if self.rest - y > 2.0 * least && speed < 0.0 {
            self.state = PushState::Leaving;
            self.low = y;
        } else {
            // A hold creeps; a spring is quicker than the level can follow.
            self.rest += (y - self.rest) * (self.bin_s / 0.4).min(1.0);
        }
    }

    fn rising(&mut self, look: &PhaseInput, y: f64) {
        if y > self.high {
            self.high = y;
            self.high_s = look.time_s;
        } else if self.high - y > TURN_SHARE * (self.high - self.rest) {
            self.peaks_s.push(self.high_s);
            self.state = PushState::Returning;
            self.low = y;
        }
    }

    fn returning(&mut self, look: &PhaseInput, y: f64, speed: f64) {
        let rise = self.high - self.rest;
        self.low = self.low.min(y);
        if y - self.low > self.least(look).max(0.3 * rise) && speed > 0.0 {
            self.rest = self.low;
            self.high = y;
            self.high_s = look.time_s;
            self.state = PushState::Rising;
        } else if y < self.rest - 0.5 * rise && speed < 0.0 {
            self.state = PushState::Leaving;
        } else if speed.abs() * SPEED_S < 0.05 * rise {
            self.rest = y;
            self.state = PushState::Held;
        }
    }

    fn word(&mut self, look: &PhaseInput, y: f64) -> Phase {
        let past = match (look.displacement_mm, look.onset_mm) {
            (Some(x), Some(onset)) => Some(x >= onset),
            _ => None,
        };
        match (self.state, past) {
            (PushState::Off, _) => Phase::Off,
            (PushState::Leaning | PushState::Held, Some(false)) => Phase::TakeUp,
            (PushState::Leaning | PushState::Held, Some(true)) => Phase::PreTension,
            (PushState::Leaning, None) => Phase::Lean,
            (PushState::Held, None) => Phase::Hold,
            (PushState::Rising, _) => Phase::Spring,
            (PushState::Returning, _) => Phase::Recoil,
            (PushState::Leaving, _) => {
                // A hand that stops on its way out is held again.
                self.low = self.low.min(y);
                if y - self.low > self.least(look) {
                    self.state = PushState::Held;
                    self.rest = y;
                }
                Phase::Release
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{TraceSpec, simulate};

    /// Words in the order in which they come, and peaks counted.
    fn words(displacement: bool) -> (Vec<Phase>, usize) {
        let made = simulate(&TraceSpec::default(), 3);
        let (trace, onset) = (&made.noise_free, made.truth.onset_mm);
        let channel = &trace.channels[0];
        let x = channel.displacement_mm.as_ref().unwrap();
        let mut tracker = PhaseTracker::new(1000.0);
        let (mut words, mut peaks) = (vec![Phase::Off], 0);
        for i in (0..trace.time_s.len()).step_by(8) {
            let word = tracker.push(&PhaseInput {
                time_s: trace.time_s[i],
                force_n: channel.force_n[i],
                displacement_mm: displacement.then(|| x[i]),
                limit_n: 1.0,
                least_mm: 0.5,
                onset_mm: onset.filter(|_| displacement),
            });
            peaks = peaks.max(tracker.peaks_after(0.0));
            if *words.last().unwrap() != word {
                words.push(word);
            }
        }
        (words, peaks)
    }

    #[test]
    fn a_plain_test_goes_through_the_words_in_order() {
        let springs = TraceSpec::default().examiner.springs as usize;
        let (words, peaks) = words(true);
        assert_eq!(peaks, springs, "{words:?}");
        assert_eq!(
            words[..4],
            [Phase::Off, Phase::TakeUp, Phase::PreTension, Phase::Spring]
        );
        assert_eq!(words.iter().filter(|w| **w == Phase::Recoil).count(), springs);
        assert_eq!(words.last(), Some(&Phase::Off));
        assert!(words.contains(&Phase::Release), "{words:?}");
    }

    #[test]
    fn without_displacement_the_onset_is_not_claimed() {
        let springs = TraceSpec::default().examiner.springs as usize;
        let (words, peaks) = words(false);
        assert_eq!(peaks, springs, "{words:?}");
        assert!(!words.contains(&Phase::PreTension) && !words.contains(&Phase::TakeUp));
        assert_eq!(words[1..3], [Phase::Lean, Phase::Hold]);
    }
}
