//! The device's clock: its counter unwrapped, and its drift against this computer's.

use crate::stats::moments::median;
use std::time::{Duration, Instant};

/// 2³² µs, 71.6 minutes: a device's counter starts over.
const TURN_US: u64 = 1 << 32;
/// A counter that went forward by this much more or less than this computer's clock means that the device was restarted, in µs.
const TOO_FAR_US: f64 = 60e6;
/// A counter that went back by less than this does not mean a restart, in µs.
const BACK_US: f64 = 1e6;

/// What a value of the counter means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ClockReading {
    /// Seconds since the first tick, wraps undone; later than the tick before.
    At(f64),
    /// Not later than the tick before.
    NotLater,
    /// The device was restarted, or one of the clocks stood still: time starts at 0 again with this reading.
    Restarted,
}

/// Undoes the wraps of a 32-bit µs counter.
///
/// A stretch without samples may be longer than a turn: how many turns it was, this computer's clock says.
///
/// ```
/// use std::time::{Duration, Instant};
/// use tautpoint::acquire::clock::{DeviceClock, ClockReading};
/// let (mut clock, t) = (DeviceClock::default(), Instant::now());
/// assert_eq!(clock.tick(u32::MAX - 499, t), ClockReading::At(0.0));
/// assert_eq!(clock.tick(500, t + Duration::from_millis(1)), ClockReading::At(0.001));
/// ```
#[derive(Debug, Clone, Default)]
pub struct DeviceClock {
    last: Option<(u32, Instant)>,
    elapsed_us: u64,
}

impl DeviceClock {
    /// The counter showed `time_us` on something that arrived at `arrived`.
    pub fn tick(&mut self, time_us: u32, arrived: Instant) -> ClockReading {
        let Some((last_us, last_arrived)) = self.last.replace((time_us, arrived)) else {
            return ClockReading::At(0.0);
        };
        let forward_us = u64::from(time_us.wrapping_sub(last_us));
        let here_us = arrived.saturating_duration_since(last_arrived).as_secs_f64() * 1e6;
        let turns = ((here_us - forward_us as f64) / TURN_US as f64).round().max(0.0);
        let step_us = forward_us + turns as u64 * TURN_US;
        let backward_us = TURN_US - forward_us;
        if turns == 0.0 && (forward_us == 0 || (backward_us as f64) < BACK_US) {
            self.last = Some((last_us, last_arrived));
            return ClockReading::NotLater;
        }
        if (step_us as f64 - here_us).abs() > TOO_FAR_US {
            self.elapsed_us = 0;
            return ClockReading::Restarted;
        }
        self.elapsed_us += step_us;
        ClockReading::At(self.elapsed_us as f64 / 1e6)
    }
}

/// The device's clock in terms of this computer's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockRelation {
    /// Positive when the device's clock is fast: it counts this many µs too many in a second of this computer's.
    pub drift_ppm: f64,
    /// Bounds of the drift's 95 % interval.
    pub low_ppm: f64,
    pub high_ppm: f64,
    /// When, by this computer, the device's time was 0; as early as any sample arrived.
    pub zero: Instant,
    /// Nine samples in ten arrived at most this much later than the quickest.
    pub delay_p90_s: f64,
    /// Device time that it was found from.
    pub over_s: f64,
}

/// Places that the line is drawn through, at most: when there are more, neighbours are taken together.
const MAX_ARRIVALS: usize = 240;
const MIN_ARRIVALS: usize = 8;

/// Fits the device's clock to this computer's, from when samples arrived.
///
/// A sample can arrive late but never early, so of each stretch of device time the earliest arrival counts. The line
/// through them is the median of all pairwise slopes: up to 29 % of the stretches may be far off. Memory is bounded
/// whatever the length.
///
/// # Source
/// Theil 1950; Sen 1968, J Am Stat Assoc 63:1379-1389 (slope and, from Kendall's tau, its interval); the earliest
/// arrival as the undelayed one: common practice, no source.
#[derive(Debug, Clone)]
pub struct ClockFit {
    first: Option<Instant>,
    width_s: f64,
    arrivals: Vec<EarliestArrival>,
    delays: Delays,
}

/// The earliest arrival within a stretch of device time: both clocks, in s.
#[derive(Debug, Clone, Copy)]
struct EarliestArrival {
    number: u64,
    device_s: f64,
    here_s: f64,
}

impl EarliestArrival {
    fn late_s(&self) -> f64 {
        self.here_s - self.device_s
    }
}

impl Default for ClockFit {
    fn default() -> Self {
        ClockFit {
            first: None,
            width_s: 0.5,
            arrivals: Vec::new(),
            delays: Delays::default(),
        }
    }
}

impl ClockFit {
    /// Takes one sample's time on the device's clock and its arrival here. After a reconnect begin with a new fit.
    pub fn add(&mut self, time_s: f64, arrived: Instant) {
        let first = *self.first.get_or_insert(arrived);
        if !time_s.is_finite() {
            return;
        }
        let arrival = EarliestArrival {
            number: (time_s / self.width_s) as u64,
            device_s: time_s,
            here_s: signed_s(first, arrived),
        };
        match self.arrivals.last_mut() {
            Some(last) if last.number == arrival.number => {
                self.delays.add(arrival.late_s() - last.late_s());
                if arrival.late_s() < last.late_s() {
                    *last = arrival;
                }
            }
            _ => self.arrivals.push(arrival),
        }
        if self.arrivals.len() > MAX_ARRIVALS {
            self.widen();
        }
    }

    /// Takes neighbouring stretches together.
    fn widen(&mut self) {
        self.width_s *= 2.0;
        let mut kept: Vec<EarliestArrival> = Vec::with_capacity(MAX_ARRIVALS);
        for arrival in self.arrivals.drain(..) {
            let number = arrival.number / 2;
            let arrival = EarliestArrival { number, ..arrival };
            match kept.last_mut() {
                Some(last) if last.number == number => {
                    if arrival.late_s() < last.late_s() {
                        *last = arrival;
                    }
                }
                _ => kept.push(arrival),
            }
        }
        self.arrivals = kept;
    }

    /// The line, once there are a few seconds to draw it through.
    pub fn line(&self) -> Option<ClockRelation> {
        let first = self.first?;
        let arrivals = &self.arrivals;
        if arrivals.len() < MIN_ARRIVALS {
            return None;
        }
        let mut slopes = Vec::with_capacity(arrivals.len() * arrivals.len() / 2);
        for (i, a) in arrivals.iter().enumerate() {
            for b in &arrivals[i + 1..] {
                slopes.push((b.late_s() - a.late_s()) / (b.device_s - a.device_s));
            }
        }
        slopes.sort_by(f64::total_cmp);
        let slope = median(&slopes).ok()?;
        // Sen 1968: the interval from the variance of Kendall's S without ties.
        let (n, pairs) = (arrivals.len() as f64, slopes.len() as f64);
        let spread = 1.959_964 * (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt();
        let at = |rank: f64| slopes[(rank.max(0.0) as usize).min(slopes.len() - 1)];
        let (low, high) = (
            at(((pairs - spread) / 2.0).floor()),
            at(((pairs + spread) / 2.0).ceil()),
        );
        // Of the straight line under all arrivals.
        let zero_s = arrivals
            .iter()
            .map(|p| p.late_s() - slope * p.device_s)
            .fold(f64::INFINITY, f64::min);
        // here = (1 + slope)·device: a fast device has a slope below 0.
        let ppm = |slope: f64| 1e6 * (1.0 / (1.0 + slope) - 1.0);
        Some(ClockRelation {
            drift_ppm: ppm(slope),
            low_ppm: ppm(high),
            high_ppm: ppm(low),
            zero: if zero_s >= 0.0 {
                first + Duration::from_secs_f64(zero_s)
            } else {
                first.checked_sub(Duration::from_secs_f64(-zero_s))?
            },
            delay_p90_s: self.delays.p90_s(),
            over_s: arrivals[arrivals.len() - 1].device_s - arrivals[0].device_s,
        })
    }
}

fn signed_s(from: Instant, to: Instant) -> f64 {
    match to.checked_duration_since(from) {
        Some(after) => after.as_secs_f64(),
        None => -from.duration_since(to).as_secs_f64(),
    }
}

/// How often samples arrived how late: steps of a quarter of a millisecond up to a quarter of a second.
#[derive(Debug, Clone)]
struct Delays {
    counts: Vec<u64>,
}

const DELAY_STEP_S: f64 = 0.000_25;
const DELAY_STEPS: usize = 1000;

impl Default for Delays {
    fn default() -> Self {
        Delays {
            counts: vec![0; DELAY_STEPS],
        }
    }
}

impl Delays {
    fn add(&mut self, late_s: f64) {
        let step = (late_s / DELAY_STEP_S).max(0.0) as usize;
        self.counts[step.min(DELAY_STEPS - 1)] += 1;
    }

    fn p90_s(&self) -> f64 {
        let wanted = (self.counts.iter().sum::<u64>() as f64 * 0.9).ceil() as u64;
        let mut seen = 0;
        for (i, count) in self.counts.iter().enumerate() {
            seen += count;
            if seen >= wanted.max(1) {
                return (i + 1) as f64 * DELAY_STEP_S;
            }
        }
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_silence_longer_than_a_turn_is_counted_by_this_computers_clock() {
        let mut clock = DeviceClock::default();
        let start = Instant::now();
        clock.tick(1_000_000, start);
        // Three turns and ten seconds: 3·4294.967296 + 10.
        let later = start + Duration::from_secs_f64(3.0 * 4_294.967_296 + 10.02);
        assert_eq!(clock.tick(11_000_000, later), ClockReading::At(12_894.901_888));
    }

    #[test]
    fn a_counter_that_starts_over_is_no_wrap() {
        let mut clock = DeviceClock::default();
        let start = Instant::now();
        clock.tick(100_000_000, start);
        let soon = start + Duration::from_millis(300);
        assert_eq!(clock.tick(1000, soon), ClockReading::Restarted);
        assert_eq!(clock.tick(2000, soon), ClockReading::At(0.001));
    }

    #[test]
    fn equal_or_earlier_is_not_later() {
        let mut clock = DeviceClock::default();
        let start = Instant::now();
        clock.tick(5000, start);
        assert_eq!(clock.tick(5000, start), ClockReading::NotLater);
        assert_eq!(clock.tick(4000, start), ClockReading::NotLater);
        assert_eq!(clock.tick(6000, start), ClockReading::At(0.001));
    }

    #[test]
    fn an_exact_line_gives_its_drift_though_a_quarter_of_the_stretches_was_held_up() {
        let start = Instant::now();
        let mut fit = ClockFit::default();
        for i in 0..6000_u32 {
            let device_s = f64::from(i) * 0.01;
            let held_up = (i / 50) % 4 == 3;
            let here_s = device_s / (1.0 + 40e-6) + if held_up { 0.05 } else { 0.002 };
            fit.add(device_s, start + Duration::from_secs_f64(here_s));
        }
        let line = fit.line().unwrap();
        assert!((line.drift_ppm - 40.0).abs() < 0.1, "{line:?}");
        assert!(line.low_ppm <= line.drift_ppm && line.drift_ppm <= line.high_ppm);
        assert!((line.over_s - 60.0).abs() < 1.0);
    }

    #[test]
    fn hours_keep_the_memory_small() {
        let start = Instant::now();
        let mut fit = ClockFit::default();
        for i in 0..40_000_u32 {
            fit.add(f64::from(i), start + Duration::from_secs(u64::from(i)));
        }
        assert!(fit.arrivals.len() <= MAX_ARRIVALS);
        assert!(fit.line().unwrap().drift_ppm.abs() < 1e-6);
    }
}
