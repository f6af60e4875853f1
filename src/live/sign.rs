//! Which way a force sensor counts when it is pushed, as far as the stream has shown it, and the force that a ceiling is
//! held against until that is known (METHODS.md §9.3).

use crate::study::mapping::ColumnKey;
use std::fmt;

/// So far from zero it is a push and no knock against the table, in N; more on a sensor with much noise.
const CLEAR_N: f64 = 10.0;
const CLEAR_LIMITS: f64 = 3.0;
/// And for so long, in s: a plate that is set down bounces for less.
const CLEAR_S: f64 = 0.05;

/// Which way a force counts when the sensor is pushed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum PushDirection {
    /// No clear push yet.
    #[default]
    Unknown,
    /// As it should.
    Up,
    /// The sensor's sign is inverted.
    Down,
}

/// A force's column and what its readings are multiplied by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorGain {
    pub column: ColumnKey,
    pub gain: f64,
}

/// What a stream showed of the way that a force counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForceSign {
    pub sensor: SensorGain,
    pub direction: PushDirection,
}

impl fmt::Display for ForceSign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (column, turned) = (self.sensor.column.word(), -self.sensor.gain);
        match self.direction {
            PushDirection::Down => write!(
                f,
                "{column} counts down when it is pushed: its sign is inverted. The alarm takes its size, but no measure is \
                 right. Stop, write {column} = {turned} under [gain] in study.toml, and start again"
            ),
            PushDirection::Up => write!(f, "{column} counts up when it is pushed, as it should"),
            PushDirection::Unknown => write!(f, "{column} has not been pushed yet"),
        }
    }
}

/// Follows one force.
#[derive(Debug, Clone, Default)]
pub struct SignWatch {
    /// Where the sensor stands without a hand. The running zero creeps after a push that it takes for the unloaded sensor, so
    /// this one stays where it was until the force comes back to it.
    rest_n: Option<f64>,
    /// The furthest from rest either way that lasted.
    up_n: f64,
    down_n: f64,
    /// Since when it has been clearly away from rest, and whether upward.
    away: Option<(bool, f64)>,
    /// How far it has gone from rest toward the sensor's own zero: a push, should it come back from there.
    toward_zero_n: f64,
    direction: PushDirection,
}

impl SignWatch {
    pub fn direction(&self) -> PushDirection {
        self.direction
    }

    /// How far from rest a force is a clear push, with the least force that counts as contact.
    pub fn clear_n(limit_n: f64) -> f64 {
        CLEAR_N.max(CLEAR_LIMITS * limit_n)
    }

    /// The zero that the force counts from: the running one, unless that crept after a push.
    pub fn zero_n(&self, running_n: f64) -> f64 {
        match self.direction {
            PushDirection::Down => self.rest_n.unwrap_or(running_n),
            PushDirection::Up | PushDirection::Unknown => running_n,
        }
    }

    /// Takes a force as the sensor gives it, spikes taken out, with the running zero and the least force over it that counts
    /// as contact. Gives the force that a ceiling is held against: its size, until a clear push has counted up.
    pub fn push(&mut self, time_s: f64, force_n: f64, zero_n: f64, limit_n: f64) -> f64 {
        let clear_n = SignWatch::clear_n(limit_n);
        let rest_n = self.rest(force_n, zero_n, limit_n, clear_n);
        self.look(time_s, force_n, rest_n, clear_n);
        let (up_n, from_rest_n) = (force_n - zero_n, (force_n - rest_n).abs());
        let beyond_seen = rest_n - force_n > self.up_n;
        match self.direction {
            PushDirection::Down => from_rest_n,
            PushDirection::Up if !beyond_seen => up_n,
            PushDirection::Up | PushDirection::Unknown => up_n.max(from_rest_n),
        }
    }

    fn rest(&mut self, force_n: f64, zero_n: f64, limit_n: f64, clear_n: f64) -> f64 {
        let rest_n = *self.rest_n.get_or_insert(zero_n);
        let settled = (force_n - zero_n).abs() <= limit_n;
        let known = self.direction == PushDirection::Up;
        let back = (force_n - rest_n).abs() <= limit_n;
        // A zero that was taken under a hand: the hand has left.
        let at_own_zero = rest_n.abs() >= clear_n && force_n.abs() < clear_n;
        if back && self.toward_zero_n > 0.0 {
            let furthest_n = std::mem::take(&mut self.toward_zero_n);
            self.seen(rest_n < 0.0, furthest_n);
        }
        if settled && (known || back || at_own_zero) {
            self.rest_n = Some(zero_n);
            self.toward_zero_n = 0.0;
            return zero_n;
        }
        rest_n
    }

    fn look(&mut self, time_s: f64, force_n: f64, rest_n: f64, clear_n: f64) {
        let from_rest_n = force_n - rest_n;
        if from_rest_n.abs() < clear_n {
            self.away = None;
            return;
        }
        if may_be_a_hand_that_left(force_n, rest_n, clear_n) {
            self.away = None;
            self.toward_zero_n = self.toward_zero_n.max(from_rest_n.abs());
            return;
        }
        let up = from_rest_n > 0.0;
        let since_s = match self.away {
            Some((was_up, since_s)) if was_up == up => since_s,
            _ => self.away.insert((up, time_s)).1,
        };
        if time_s - since_s < CLEAR_S {
            return;
        }
        self.seen(up, from_rest_n.abs());
    }

    /// The force went so far from rest, clearly.
    fn seen(&mut self, up: bool, away_n: f64) {
        let furthest_n = if up { &mut self.up_n } else { &mut self.down_n };
        *furthest_n = furthest_n.max(away_n);
        self.direction = match self.up_n >= self.down_n {
            true => PushDirection::Up,
            false => PushDirection::Down,
        };
    }
}

/// A zero that was taken under a hand goes to the sensor's own when the hand leaves: that is no push.
fn may_be_a_hand_that_left(force_n: f64, rest_n: f64, clear_n: f64) -> bool {
    let toward_zero = (force_n - rest_n) * rest_n < 0.0;
    let past_zero = force_n * rest_n < 0.0 && force_n.abs() >= clear_n;
    rest_n.abs() >= clear_n && toward_zero && !past_zero
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT_N: f64 = 2.0;

    /// Pushes each force for so many seconds; gives the highest that a ceiling would see.
    fn watched(watch: &mut SignWatch, stretches: &[(f64, f64, f64)]) -> f64 {
        let (mut highest, mut time_s) = (0.0_f64, 0.0);
        for &(force_n, zero_n, seconds) in stretches {
            for _ in 0..(seconds * 1000.0) as usize {
                time_s += 1e-3;
                highest = highest.max(watch.push(time_s, force_n, zero_n, LIMIT_N));
            }
        }
        highest
    }

    #[test]
    fn an_inverted_push_counts_by_its_size_and_its_release_does_not_although_the_zero_crept_after_it() {
        let mut watch = SignWatch::default();
        assert_eq!(watched(&mut watch, &[(0.0, 0.0, 1.0), (-80.0, 0.0, 0.7)]), 80.0);
        assert_eq!(watch.direction(), PushDirection::Down);
        // The running zero has gone to -80 N.
        assert_eq!(watched(&mut watch, &[(-80.0, -80.0, 5.0)]), 80.0);
        assert_eq!(watched(&mut watch, &[(0.0, -80.0, 1.0)]), 0.0);
    }

    #[test]
    fn a_push_that_counts_up_is_taken_as_it_is_from_then_on() {
        let mut watch = SignWatch::default();
        watched(&mut watch, &[(0.0, 0.0, 1.0), (40.0, 0.0, 1.0)]);
        assert_eq!(watch.direction(), PushDirection::Up);
        // A pull is no push, unless it is more than any push so far.
        assert!(watched(&mut watch, &[(-30.0, 0.0, 1.0)]) <= 0.0);
        assert_eq!(watched(&mut watch, &[(-70.0, 0.0, 0.02)]), 70.0);
    }

    #[test]
    fn a_plate_that_was_lifted_confirms_nothing_against_a_harder_push() {
        let mut watch = SignWatch::default();
        watched(&mut watch, &[(0.0, 0.0, 1.0), (12.0, 0.0, 0.5), (0.0, 0.0, 1.0)]);
        assert_eq!(watched(&mut watch, &[(-90.0, 0.0, 0.5)]), 90.0);
        assert_eq!(watch.direction(), PushDirection::Down);
    }

    #[test]
    fn a_knock_and_a_hand_that_leaves_say_nothing() {
        let mut watch = SignWatch::default();
        watched(&mut watch, &[(0.0, 0.0, 1.0), (-30.0, 0.0, 0.02), (0.0, 0.0, 1.0)]);
        assert_eq!(watch.direction(), PushDirection::Unknown);
        // The zero was taken under a hand of 70 N.
        let mut watch = SignWatch::default();
        watched(&mut watch, &[(70.0, 70.0, 1.0), (40.0, 70.0, 0.1), (0.0, 70.0, 0.7)]);
        assert_eq!(watch.direction(), PushDirection::Unknown);
        assert_eq!(watched(&mut watch, &[(0.0, 0.0, 2.0)]), 0.0, "it is no force any more");
        assert_eq!(watched(&mut watch, &[(65.0, 0.0, 0.5)]), 65.0);
        assert_eq!(watch.direction(), PushDirection::Up);
    }

    #[test]
    fn an_inverted_sensor_with_a_large_offset_is_known_when_the_hand_has_left() {
        let mut watch = SignWatch::default();
        watched(&mut watch, &[(150.0, 150.0, 1.0)]);
        assert_eq!(watched(&mut watch, &[(70.0, 150.0, 0.7), (70.0, 70.0, 3.0)]), 80.0);
        assert_eq!(watched(&mut watch, &[(150.0, 70.0, 1.0)]), 0.0);
        assert_eq!(watch.direction(), PushDirection::Down);
    }
}
