//! Peaks that may be springs: prominence within a window, and a rest before the rise.

use super::events::{Event, SpringMark};
use std::collections::VecDeque;

/// Share of a rise, from its beginning, in which the hand must have rested or turned for the peak to be a spring.
const LOWER_SHARE: f64 = 0.4;
/// Rest: slower than this share of the fastest stretch of the rise.
const REST_SHARE: f64 = 0.15;
/// Stretch that speed is taken over, in s.
const SPEED_S: f64 = 0.1;

/// A local maximum that stands out.
#[derive(Debug, Clone, Copy)]
pub struct Candidate {
    pub mark: SpringMark,
    pub prominence: f64,
}

/// Looks for springs in a stream while the hand is on.
pub struct Candidates {
    window: usize,
    speed: usize,
    least: f64,
    /// Share of the largest prominence of the test; `None` judges each peak by itself, at once.
    share: Option<f64>,
    /// Smoothed samples still needed, and the index of the first.
    kept: VecDeque<f64>,
    first: usize,
    /// Next index to be looked at as a peak.
    next: usize,
    contact_start: Option<usize>,
    last_peak: Option<usize>,
    held_back: Vec<Candidate>,
}

impl Candidates {
    /// Peaks of displacement with at least that prominence, told as soon as the window allows.
    pub fn fixed(window: usize, least: f64, rate_hz: f64) -> Self {
        Candidates::new(window, least, None, rate_hz)
    }

    /// Peaks of force, judged against the largest of the test when the hand leaves.
    pub fn relative(window: usize, least: f64, share: f64, rate_hz: f64) -> Self {
        Candidates::new(window, least, Some(share), rate_hz)
    }

    fn new(window: usize, least: f64, share: Option<f64>, rate_hz: f64) -> Self {
        Candidates {
            window,
            speed: ((SPEED_S * rate_hz).round() as usize).max(2),
            least,
            share,
            kept: VecDeque::new(),
            first: 0,
            next: 0,
            contact_start: None,
            last_peak: None,
            held_back: Vec::new(),
        }
    }

    /// The least prominence from now on.
    pub fn set_least(&mut self, least: f64) {
        self.least = least;
    }

    /// Samples of look-ahead.
    pub fn window(&self) -> usize {
        self.window
    }

    /// The hand came on at that index.
    pub fn open(&mut self, index: usize) {
        self.contact_start = Some(index);
        self.next = self.next.max(index.max(self.first));
        self.last_peak = None;
        self.held_back.clear();
    }

    /// Takes the next smoothed sample.
    pub fn push(&mut self, index: usize, y: f64, in_contact: bool, events: &mut Vec<Event>) {
        if self.kept.is_empty() {
            self.first = index;
        }
        self.kept.push_back(y);
        if in_contact {
            while self.next + self.window <= index {
                self.look(self.next, events);
                self.next += 1;
            }
        } else {
            self.next = (index + 1).saturating_sub(self.window);
        }
        let needed = self.next.saturating_sub(2 * self.window + 2);
        while self.first < needed && self.kept.len() > 1 {
            self.kept.pop_front();
            self.first += 1;
        }
    }

    /// The hand left at `index`: what could still be a spring before that is looked at with what there is.
    pub fn close(&mut self, index: usize, events: &mut Vec<Event>) {
        let end = (self.first + self.kept.len()).min(index + 1);
        while self.next < end {
            self.look(self.next, events);
            self.next += 1;
        }
        if let Some(share) = self.share {
            let largest = self.held_back.iter().map(|c| c.prominence).fold(0.0, f64::max);
            let springs = self.held_back.iter().filter(|c| c.prominence >= share * largest);
            events.extend(springs.map(|c| Event::Spring(c.mark)));
            self.held_back.clear();
        }
        self.contact_start = None;
    }

    fn at(&self, index: usize) -> f64 {
        self.kept[index - self.first]
    }

    fn look(&mut self, peak: usize, events: &mut Vec<Event>) {
        let Some(contact_start) = self.contact_start else {
            return;
        };
        let end = self.first + self.kept.len();
        if peak <= self.first || peak + 1 >= end || peak < contact_start {
            return;
        }
        let y = self.at(peak);
        // Of equal neighbours the first counts, so that a flat top is one peak.
        if !(self.at(peak - 1) < y && self.at(peak + 1) <= y) {
            return;
        }
        let earliest = peak
            .saturating_sub(self.window)
            .max(self.first)
            .max(contact_start.saturating_sub(1));
        let latest = (peak + self.window).min(end - 1);
        let Some((left, prominence)) = self.prominence(peak, y, earliest, latest) else {
            return;
        };
        let Some(rest) = self.rest_before(peak, earliest, y, left) else {
            return;
        };
        let mark = SpringMark { peak, rest };
        self.last_peak = Some(peak);
        if self.share.is_some() {
            self.held_back.push(Candidate { mark, prominence });
        } else {
            events.push(Event::Spring(mark));
        }
    }

    /// The lowest sample on the left before a higher one, and how far the peak stands above the higher of both sides'
    /// lowest; `None` when that is too little.
    ///
    /// Goes out on both sides at once: on a slope one of them ends at the next sample, and most wiggles lie on slopes.
    fn prominence(&self, peak: usize, y: f64, earliest: usize, latest: usize) -> Option<(f64, f64)> {
        let (mut left, mut right) = (y, y);
        let (mut left_ends, mut right_ends) = (false, false);
        for away in 1..=(peak - earliest).max(latest - peak) {
            if !left_ends && away <= peak - earliest {
                let v = self.at(peak - away);
                // Of equal peaks the first counts: a later one ends its search there.
                left_ends = v >= y;
                left = if left_ends { left } else { left.min(v) };
            }
            if !right_ends && away <= latest - peak {
                let v = self.at(peak + away);
                right_ends = v > y;
                right = if right_ends { right } else { right.min(v) };
            }
            let too_little = |ends: bool, low: f64| ends && y - low < self.least;
            if too_little(left_ends, left) || too_little(right_ends, right) || (left_ends && right_ends) {
                break;
            }
        }
        let prominence = y - left.max(right);
        (prominence >= self.least && prominence > 0.0).then_some((left, prominence))
    }

    /// Where the hand rested, or turned, before this rise; `None` when it never did: then it is the lean.
    fn rest_before(&self, peak: usize, earliest: usize, y: f64, left: f64) -> Option<usize> {
        if let Some(last) = self.last_peak.filter(|p| *p >= earliest) {
            return (last..peak).min_by(|a, b| self.at(*a).total_cmp(&self.at(*b)));
        }
        let rise = y - left;
        let half = self.speed / 2;
        let from = earliest + half;
        let (mut fastest, mut slowest, mut rest) = (0.0_f64, f64::INFINITY, None);
        for i in from..peak.saturating_sub(half) {
            let speed = (self.at(i + half) - self.at(i - half)).abs();
            fastest = fastest.max(speed);
            if self.at(i + half) < left + LOWER_SHARE * rise && speed <= slowest {
                (slowest, rest) = (speed, Some(i));
            }
        }
        rest.filter(|_| slowest < REST_SHARE * fastest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition, one side after the other to its end.
    fn plainly(y: &[f64], peak: usize, earliest: usize, latest: usize) -> f64 {
        let left = (earliest..peak).rev().take_while(|i| y[*i] < y[peak]);
        let right = (peak + 1..=latest).take_while(|i| y[*i] <= y[peak]);
        let low = |low: f64, i: usize| low.min(y[i]);
        let (left, right) = (left.fold(y[peak], low), right.fold(y[peak], low));
        y[peak] - left.max(right)
    }

    #[test]
    fn going_out_on_both_sides_finds_the_prominence_of_the_definition() {
        let mut seed = 1_u64;
        let mut walk = vec![0.0];
        for _ in 0..600 {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            // Whole steps, so that equal neighbours and equal peaks are common.
            walk.push(walk[walk.len() - 1] + ((seed >> 33) % 5) as f64 - 2.0);
        }
        for least in [0.0, 1.0, 4.0, 10.0] {
            let mut candidates = Candidates::fixed(50, least, 1000.0);
            candidates.kept = walk.iter().copied().collect();
            let mut found = 0;
            for peak in 1..600_usize {
                let (earliest, latest) = (peak.saturating_sub(50), (peak + 50).min(600));
                let wanted = plainly(&walk, peak, earliest, latest);
                let wanted = (wanted >= least && wanted > 0.0).then_some(wanted);
                let quick = candidates.prominence(peak, walk[peak], earliest, latest);
                assert_eq!(quick.map(|(_, p)| p), wanted, "{peak}, at least {least}");
                found += usize::from(wanted.is_some());
            }
            assert!(found > 2 && found < 500, "{found} at least {least}");
        }
    }
}
