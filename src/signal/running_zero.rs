//! The running force zero of the streaming detector.

use crate::stats::moments::upper_median_in_place;
use std::collections::VecDeque;

/// Seconds at the start that give the provisional zero.
const FIRST_ZERO_S: f64 = 0.2;
/// Seconds of the unloaded stretch that the running zero is taken over, and how far back it keeps.
const ZERO_SPAN_S: f64 = 1.0;
const ZERO_BACK_S: f64 = 0.2;
/// Last moments that give the zero after a release, in s: under half of the time the hand must be off.
const TAIL_S: f64 = 0.1;

/// Running force zero while the hand is off.
pub struct RunningZero {
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

impl RunningZero {
    /// `known_n` when the zero is known beforehand.
    pub fn new(rate_hz: f64, known_n: Option<f64>) -> Self {
        let samples = |s: f64| ((s * rate_hz).round() as usize).max(1);
        RunningZero {
            first: Vec::new(),
            first_len: samples(FIRST_ZERO_S),
            value_n: known_n,
            recent: VecDeque::new(),
            tail: VecDeque::new(),
            tail_len: samples(TAIL_S),
            span: samples(ZERO_SPAN_S),
            back: samples(ZERO_BACK_S),
            every: samples(0.1),
            since: 0,
        }
    }

    /// The zero as it stands.
    pub fn value_n(&self) -> Option<f64> {
        self.value_n
    }

    /// The zero to hold this sample against; `None` until the first stretch is full.
    pub fn now(&mut self, force_n: f64, in_contact: bool) -> Option<f64> {
        if self.value_n.is_none() {
            self.first.push(force_n);
            if self.first.len() >= self.first_len {
                self.value_n = upper_median_in_place(&mut self.first);
            }
            return None;
        }
        self.tail.push_back(force_n);
        if self.tail.len() > self.tail_len {
            self.tail.pop_front();
        }
        if !in_contact {
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
                self.value_n = upper_median_in_place(&mut part);
            }
        }
        self.value_n
    }

    /// The hand left: what the last moments show is the next zero.
    pub fn restart(&mut self) {
        let mut tail: Vec<f64> = self.tail.iter().copied().collect();
        self.value_n = upper_median_in_place(&mut tail).or(self.value_n);
        self.recent.clear();
        self.since = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_new_zero_waits_for_half_its_span_beyond_what_may_be_a_hand() {
        for rate_hz in [80.0, 1000.0] {
            let mut zero = RunningZero::new(rate_hz, Some(0.0));
            let changed = (1..10_000).find(|_| zero.now(2.5, false) == Some(2.5)).unwrap();
            assert_eq!(zero.value_n(), Some(2.5));
            let seconds = f64::from(changed) / rate_hz;
            let least = ZERO_BACK_S + ZERO_SPAN_S / 2.0;
            assert!((least - 0.02..least + 0.12).contains(&seconds), "{rate_hz}: {seconds} s");
        }
    }
}
