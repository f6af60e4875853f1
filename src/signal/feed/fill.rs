//! Parts of the feed: holes filled, a delay taken out, times kept.

use std::collections::VecDeque;

/// Share of a step by which a time may stand off its place before the map of times is pinned afresh.
const TIME_SLACK: f64 = 0.1;

/// A value and whether it was filled in.
#[derive(Debug, Clone, Copy)]
pub(super) struct Filled {
    pub(super) value: f64,
    pub(super) filled: bool,
}

/// Fills one channel: straight lines between valid values, or the last value again when they stay away.
pub(super) struct GapFiller {
    pub(super) ready: VecDeque<Filled>,
    /// Index and value that lines begin at: the last that went out.
    last: Option<(usize, f64)>,
    pub(super) newest: usize,
    wait: usize,
    pub(super) valid: usize,
}

impl GapFiller {
    pub(super) fn new(wait: usize) -> Self {
        GapFiller {
            ready: VecDeque::new(),
            last: None,
            newest: 0,
            wait,
            valid: 0,
        }
    }

    /// Whether the next sample, of this value, goes straight through: nothing is missing and nothing waits.
    pub(super) fn is_through(&self, value: f64) -> bool {
        value.is_finite() && self.ready.is_empty() && self.last.is_some_and(|(at, _)| at == self.newest)
    }

    /// The next sample, for which [`GapFiller::is_through`] was true.
    pub(super) fn through(&mut self, value: f64) -> Filled {
        self.newest += 1;
        self.valid += 1;
        self.last = Some((self.newest, value));
        Filled { value, filled: false }
    }

    /// As one [`GapFiller::through`] after the other.
    pub(super) fn through_all(&mut self, values: &[f64]) {
        self.newest += values.len();
        self.valid += values.len();
        self.last = values.last().map(|value| (self.newest, *value)).or(self.last);
    }

    pub(super) fn push(&mut self, steps: usize, value: f64) {
        self.newest += steps;
        let to = self.newest;
        if !value.is_finite() {
            if let Some((at, held)) = self.last
                && to - at > self.wait
            {
                self.hold(at, to, held);
            }
            return;
        }
        self.valid += 1;
        match self.last {
            None => {
                let before = std::iter::repeat_n(Filled { value, filled: true }, to);
                self.ready.extend(before);
            }
            Some((at, from)) => {
                let span = (to - at) as f64;
                for i in at + 1..to {
                    let share = (i - at) as f64 / span;
                    self.ready.push_back(Filled {
                        value: from + share * (value - from),
                        filled: true,
                    });
                }
            }
        }
        self.ready.push_back(Filled { value, filled: false });
        self.last = Some((to, value));
    }

    pub(super) fn hold(&mut self, at: usize, to: usize, value: f64) {
        let held = std::iter::repeat_n(Filled { value, filled: true }, to - at);
        self.ready.extend(held);
        self.last = Some((to, value));
    }

    pub(super) fn finish(&mut self) {
        if let Some((at, value)) = self.last {
            self.hold(at, self.newest, value);
        }
    }
}

/// Takes a delay of a share of a sample or more out of a channel, by straight lines; the ends hold.
pub(super) struct Shift {
    by: f64,
    kept: VecDeque<Filled>,
    /// Index of the first kept sample, and of the next to give.
    first: usize,
    next: usize,
    /// Given, but its partner has not come.
    pub(super) waiting: VecDeque<Filled>,
}

impl Shift {
    pub(super) fn new(by: f64) -> Self {
        Shift {
            by,
            kept: VecDeque::new(),
            first: 0,
            next: 0,
            waiting: VecDeque::new(),
        }
    }

    /// Whether a sample goes straight through.
    pub(super) fn is_through(&self) -> bool {
        self.by == 0.0 && self.waiting.is_empty()
    }

    pub(super) fn push(&mut self, v: Filled) -> Option<Filled> {
        if self.by == 0.0 {
            return Some(v);
        }
        self.kept.push_back(v);
        // One goes out for each that comes in, once the first can.
        let newest = (self.first + self.kept.len() - 1) as f64;
        (self.next as f64 + self.by + 1.0 <= newest).then(|| self.give())
    }

    pub(super) fn finish(&mut self) -> Vec<Filled> {
        let mut rest = Vec::new();
        while self.by != 0.0 && self.next < self.first + self.kept.len() {
            rest.push(self.give());
        }
        rest
    }

    pub(super) fn give(&mut self) -> Filled {
        let last = self.first + self.kept.len() - 1;
        let at = (self.next as f64 + self.by).clamp(self.first as f64, last as f64);
        let k = (at.floor() as usize).clamp(self.first, last);
        let (a, b) = (
            self.kept[k - self.first],
            self.kept[(k + 1).min(last) - self.first],
        );
        self.next += 1;
        let needed = (self.next as f64 + self.by).floor().max(0.0) as usize;
        while self.first < needed.min(last) {
            self.kept.pop_front();
            self.first += 1;
        }
        Filled {
            value: a.value + (at - k as f64) * (b.value - a.value),
            filled: a.filled || b.filled,
        }
    }
}

/// Times of samples as few pins: between two of them samples are a step apart.
#[derive(Default)]
pub(super) struct Times {
    pins: VecDeque<(usize, f64)>,
}

impl Times {
    pub(super) fn pin(&mut self, index: usize, time_s: f64, step_s: f64) {
        let expected = self.pins.back().map(|(i, t)| t + (index - i) as f64 * step_s);
        if expected.is_none_or(|t| (t - time_s).abs() > TIME_SLACK * step_s) {
            self.pins.push_back((index, time_s));
        }
    }

    pub(super) fn at(&self, index: usize, step_s: f64) -> f64 {
        let k = self.pins.partition_point(|(i, _)| *i <= index);
        match self.pins.get(k.saturating_sub(1)) {
            Some((i, t)) => t + (index as f64 - *i as f64) * step_s,
            None => index as f64 * step_s,
        }
    }

    pub(super) fn forget(&mut self, before: usize) {
        while self.pins.get(1).is_some_and(|(i, _)| *i <= before) {
            self.pins.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hole_is_filled_by_a_line_and_a_long_silence_by_the_last_value() {
        let mut fill = GapFiller::new(3);
        fill.push(0, 1.0);
        fill.push(2, 3.0);
        for _ in 0..5 {
            fill.push(1, f64::NAN);
        }
        fill.push(1, 0.0);
        let values: Vec<f64> = fill.ready.iter().map(|v| v.value).collect();
        assert_eq!(values, [1.0, 2.0, 3.0, 3.0, 3.0, 3.0, 3.0, 1.5, 0.0]);
        assert!(fill.ready[1].filled && !fill.ready[2].filled);
    }

    #[test]
    fn a_delay_is_taken_out_of_a_ramp_whole_and_in_parts() {
        for by in [2.0, 0.5, 2.25, -1.5] {
            let mut shift = Shift::new(by);
            let ramp = (0..20).map(|i| Filled {
                value: f64::from(i),
                filled: false,
            });
            let mut out: Vec<f64> = ramp.filter_map(|v| shift.push(v)).map(|v| v.value).collect();
            out.extend(shift.finish().iter().map(|v| v.value));
            assert_eq!(out.len(), 20, "{by}");
            for (i, v) in out.iter().enumerate() {
                let wanted = (i as f64 + by).clamp(0.0, 19.0);
                assert!((v - wanted).abs() < 1e-12, "{by} {i}: {v}");
            }
        }
    }

    #[test]
    fn times_follow_a_clock_that_is_not_quite_the_rate() {
        let mut times = Times::default();
        for i in 0..10_000 {
            times.pin(i, 5.0 + i as f64 * 0.001_000_1, 0.001);
        }
        assert!(times.pins.len() < 20, "{}", times.pins.len());
        for i in [0, 17, 5000, 9999] {
            let wanted = 5.0 + i as f64 * 0.001_000_1;
            assert!((times.at(i, 0.001) - wanted).abs() < 0.000_11);
        }
        times.forget(5000);
        assert!((times.at(5100, 0.001) - 5.0 - 5100.0 * 0.001_000_1).abs() < 0.000_11);
    }
}
