//! Whether a sample follows on those before it: what is lost, what comes too late, what cannot be true.

use crate::acquire::station::MAX_CHANNELS;

/// A frame this far behind the newest one came twice or in the wrong order; further behind, the numbering started over.
const LATE: u16 = 32;
/// How far a sample's time may lie from what its number says, in µs and as a share of the step.
const TOLERANCE_US: f64 = 500_000.0;
const TOLERANCE_SHARE: f64 = 0.5;
/// 2³² µs: the device's counter starts over.
const TURN_US: f64 = 4_294_967_296.0;

/// A sample as it came.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct NumberedSample {
    pub sequence: u16,
    pub time_us: u32,
    pub values: [f64; MAX_CHANNELS],
}

/// How a sample continues the sequence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Continuity {
    /// It is right, and so many are missing before it.
    Take { lost: u64 },
    /// It came twice or too late.
    Late,
    /// Number and time do not belong together or to those before. It waits: the next one may confirm it.
    Wait,
    /// This one confirms the one that waited: both are right.
    TakeBoth { waited: NumberedSample, lost: u64 },
    /// Its time is not after the last one's though its number is.
    Bad,
}

/// Number and time of the newest sample taken.
///
/// A damaged frame whose CRC is right by chance (1 in 65,536) mostly has a number or a time that cannot be, and would
/// otherwise tear a hole into the count or the clock. So a jump of either is believed only when two samples in a
/// row say so.
#[derive(Debug, Clone, Default)]
pub(super) struct SequenceTracker {
    newest: Option<(u16, u32)>,
    waiting: Option<NumberedSample>,
    step_us: f64,
}

impl SequenceTracker {
    pub fn new(rate_hz: f64) -> Self {
        SequenceTracker {
            step_us: 1e6 / rate_hz,
            ..SequenceTracker::default()
        }
    }

    /// The next sample will have this number and about this time.
    pub fn expect(&mut self, sequence: u16, time_us: u32) {
        let before_us = time_us.wrapping_sub(self.step_us as u32);
        self.newest = Some((sequence.wrapping_sub(1), before_us));
    }

    /// Assesses a sample; the second value says whether one that waited turned out wrong.
    pub fn assess(&mut self, sample: NumberedSample) -> (Continuity, bool) {
        let Some((number, time_us)) = self.newest else {
            self.take(sample);
            return (Continuity::Take { lost: 0 }, false);
        };
        let behind = number.wrapping_sub(sample.sequence);
        if behind < LATE {
            return (Continuity::Late, false);
        }
        if let Some(lost) = self.follows((number, time_us), sample) {
            let wrong = self.waiting.is_some();
            if !later(time_us, sample.time_us) {
                return (Continuity::Bad, false);
            }
            self.take(sample);
            return (Continuity::Take { lost }, wrong);
        }
        if let Some(waited) = self.waiting {
            let from = (waited.sequence, waited.time_us);
            let near = sample.sequence.wrapping_sub(waited.sequence) <= LATE;
            if let Some(between) = self
                .follows(from, sample)
                .filter(|_| near && later(from.1, sample.time_us))
            {
                self.take(sample);
                // Numbering that started over says nothing about what was lost.
                let ahead = waited.sequence.wrapping_sub(number).wrapping_sub(1);
                let lost = between + if ahead < u16::MAX / 2 { u64::from(ahead) } else { 0 };
                return (Continuity::TakeBoth { waited, lost }, false);
            }
        }
        let wrong = self.waiting.replace(sample).is_some();
        (Continuity::Wait, wrong)
    }

    fn take(&mut self, sample: NumberedSample) {
        self.newest = Some((sample.sequence, sample.time_us));
        self.waiting = None;
    }

    /// How many are missing between the two, if the time between them is what their numbers say.
    fn follows(&self, from: (u16, u32), to: NumberedSample) -> Option<u64> {
        let steps = f64::from(to.sequence.wrapping_sub(from.0));
        let expected_us = steps * self.step_us;
        let found_us = f64::from(to.time_us.wrapping_sub(from.1));
        let apart = (found_us - expected_us).rem_euclid(TURN_US);
        let apart = apart.min(TURN_US - apart);
        let fits = apart <= TOLERANCE_US + TOLERANCE_SHARE * expected_us;
        (steps as u64).checked_sub(1).filter(|_| fits)
    }
}

/// Whether the counter went forward, its wrap understood: a step back that could pass for a step of the right length is
/// shorter than a second.
fn later(from_us: u32, to_us: u32) -> bool {
    from_us.wrapping_sub(to_us) >= 1_000_000
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(sequence: u16, time_us: u32) -> NumberedSample {
        NumberedSample {
            sequence,
            time_us,
            values: [0.0; MAX_CHANNELS],
        }
    }

    fn tracker() -> SequenceTracker {
        let mut tracker = SequenceTracker::new(1000.0);
        tracker.expect(65_534, u32::MAX - 400);
        tracker
    }

    #[test]
    fn number_and_time_wrap_without_a_loss() {
        let mut tracker = tracker();
        for (i, sequence) in [65_534, 65_535, 0, 1].into_iter().enumerate() {
            let time_us = (u32::MAX - 400).wrapping_add(1000 * i as u32);
            assert_eq!(
                tracker.assess(sample(sequence, time_us)),
                (Continuity::Take { lost: 0 }, false)
            );
        }
    }

    #[test]
    fn a_gap_is_counted_across_the_wrap() {
        let mut tracker = tracker();
        let gap = tracker.assess(sample(8, 9_500));
        assert_eq!(gap, (Continuity::Take { lost: 10 }, false));
    }

    #[test]
    fn twice_or_out_of_order_comes_too_late() {
        let mut tracker = tracker();
        tracker.assess(sample(65_535, 500));
        for sequence in [65_535, 65_534, 65_510] {
            assert_eq!(tracker.assess(sample(sequence, 400)).0, Continuity::Late);
        }
    }

    #[test]
    fn a_jump_is_believed_when_the_next_sample_says_so_too() {
        let mut tracker = tracker();
        tracker.assess(sample(65_534, 400));
        let odd = sample(40_000, 77);
        assert_eq!(tracker.assess(odd), (Continuity::Wait, false));
        // The stream goes on as before: the odd one was wrong.
        assert_eq!(
            tracker.assess(sample(65_535, 1400)),
            (Continuity::Take { lost: 0 }, true)
        );
        // The device was restarted: two in a row.
        let first = sample(0, 3_000_000_000);
        assert_eq!(tracker.assess(first), (Continuity::Wait, false));
        let both = Continuity::TakeBoth {
            waited: first,
            lost: 0,
        };
        assert_eq!(tracker.assess(sample(1, 3_000_001_000)), (both, false));
    }

    #[test]
    fn an_odd_sample_does_not_confirm_itself() {
        let mut tracker = tracker();
        tracker.assess(sample(65_534, 400));
        let odd = sample(40_000, 3_000_000_000);
        assert_eq!(tracker.assess(odd), (Continuity::Wait, false));
        assert_eq!(tracker.assess(odd), (Continuity::Wait, true));
        assert_eq!(
            tracker.assess(sample(40_000, 3_000_000_900)),
            (Continuity::Wait, true)
        );
    }

    #[test]
    fn a_clock_that_stands_still_gives_no_sample() {
        let mut tracker = tracker();
        tracker.assess(sample(65_534, 400));
        assert_eq!(tracker.assess(sample(65_535, 400)).0, Continuity::Bad);
        assert_eq!(
            tracker.assess(sample(65_535, 1400)).0,
            Continuity::Take { lost: 0 }
        );
    }
}
