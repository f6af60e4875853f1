//! Channels that a logger wrote more often than their sensor gave a reading: each reading held until the next one, or straight lines
//! between readings (METHODS.md §1.14). The recording is then taken at the times of the readings, and is as fast as they are.

use super::grid::MIN_RATE_HZ;
use crate::error::Problem;
use crate::format::number;
use crate::stats::moments::resolution;
use crate::trace::Trace;
use std::borrow::Cow;

/// Fewest distances between readings that tell of a rhythm, and how many of them must keep it.
const FEWEST: usize = 30;
const KEEPS: f64 = 0.97;
/// A rhythm that so many of all distances would keep by chance is none.
const BY_CHANCE: f64 = 0.6;
/// Distances of more periods than this are of a channel at rest.
const MOST_PERIODS: f64 = 10.0;
/// A channel that changes in more of its samples than this has a reading in each.
const BUSY: f64 = 0.6;
/// Steps of the resolution by which three samples of a rounded straight line may leave it at most.
const ROUNDING_STEPS: f64 = 2.0;

/// How samples between readings were made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum BetweenReadings {
    Held,
    Lines,
}

/// A column that was written more often than it was read.
#[derive(Debug, Clone, PartialEq)]
struct SlowColumn {
    /// Index of the trace's channel.
    channel: usize,
    of_displacement: bool,
    rate_hz: f64,
    between: BetweenReadings,
}

/// Where a column's own readings are.
struct Readings {
    between: BetweenReadings,
    /// Samples from one to the next; not necessarily whole.
    period: f64,
    at: Vec<usize>,
}

/// A trace at the rate of the slowest of its columns, and a warning for each that is slower than the file. A displacement too slow
/// to be analysed is taken away.
///
/// # Errors
/// A force too slow to be analysed.
pub fn at_own_rate(trace: Cow<'_, Trace>) -> Result<(Cow<'_, Trace>, Vec<Problem>), Problem> {
    let Some(file_hz) = mean_rate_hz(&trace.time_s) else { return Ok((trace, Vec::new())) };
    let mut found = Vec::new();
    for (channel, c) in trace.channels.iter().enumerate() {
        let own = c.displacement_mm.as_ref().filter(|_| channel == 0 || !c.displacement_shared);
        for (of_displacement, y) in [(false, Some(&c.force_n)), (true, own)] {
            let Some(readings) = y.and_then(|y| readings(y)) else { continue };
            let rate_hz = file_hz / readings.period;
            found.push((SlowColumn { channel, of_displacement, rate_hz, between: readings.between }, readings));
        }
    }
    if found.is_empty() {
        return Ok((trace, Vec::new()));
    }
    if let Some((slow, _)) = found.iter().find(|(s, _)| s.too_slow() && !s.of_displacement) {
        return Err(slow.refusal(&trace));
    }
    let told = found.iter().map(|(slow, _)| slow.problem(&trace)).collect();
    let mut trace = trace.into_owned();
    for (slow, _) in found.iter().filter(|(s, _)| s.too_slow()) {
        for (k, c) in trace.channels.iter_mut().enumerate() {
            if k == slow.channel || c.displacement_shared {
                c.displacement_mm = None;
                c.displacement_shared = false;
            }
        }
        trace.notes.push(format!("too slow: {}, so nothing that needs it is reported", slow.words(&trace)));
    }
    let slow_enough: Vec<&(SlowColumn, Readings)> = found.iter().filter(|(s, _)| !s.too_slow()).collect();
    if let Some((slowest, readings)) = slow_enough.iter().max_by(|a, b| a.1.period.total_cmp(&b.1.period)) {
        let at = readings.every(trace.time_s.len());
        for (slow, readings) in &slow_enough {
            put_on_lines(&mut trace, slow, readings);
        }
        trace.notes.push(format!("own rate: {}; the recording is measured at that rate", slowest.words(&trace)));
        pick(&mut trace, &at);
    }
    Ok((Cow::Owned(trace), told))
}

impl SlowColumn {
    fn too_slow(&self) -> bool {
        self.rate_hz < MIN_RATE_HZ * 0.98
    }

    fn column(&self, trace: &Trace) -> String {
        let quantity = if self.of_displacement { "displacement" } else { "force" };
        let side = trace.channels.get(self.channel).and_then(|c| c.side).filter(|_| trace.channels.len() > 1);
        side.map_or_else(|| quantity.to_owned(), |side| format!("{quantity}_{side}"))
    }

    fn words(&self, trace: &Trace) -> String {
        let between = match self.between {
            BetweenReadings::Held => "each repeated until the next",
            BetweenReadings::Lines => "with straight lines between them",
        };
        let file_hz = mean_rate_hz(&trace.time_s).unwrap_or(f64::NAN);
        format!(
            "{} has {} readings a second in {} rows, {between}",
            self.column(trace),
            number(self.rate_hz, 0),
            number(file_hz, 0)
        )
    }

    fn problem(&self, trace: &Trace) -> Problem {
        let advice = match self.too_slow() {
            true => "the displacement is left out, and only what needs force alone is reported; record it at 50 a second or more",
            false => {
                "the recording is measured at that rate, and what is faster in the other channels is lost to it; have the logger \
                 read every channel for each row"
            }
        };
        let expected = "a reading of its own in every row";
        Problem::warning(&trace.recording, self.words(trace), expected, advice).in_column(self.column(trace))
    }

    fn refusal(&self, trace: &Trace) -> Problem {
        Problem::error(
            &trace.recording,
            self.words(trace),
            "at least 50 readings of force a second",
            "record the force faster, or have the logger read it for each row; 200 Hz or more shows a spring well",
        )
        .in_column(self.column(trace))
    }
}

fn mean_rate_hz(time_s: &[f64]) -> Option<f64> {
    let (first, last) = (time_s.first()?, time_s.last()?);
    let rate_hz = (time_s.len() - 1) as f64 / (last - first);
    (rate_hz.is_finite() && rate_hz > 0.0).then_some(rate_hz)
}

/// The readings of a column that has them in a rhythm slower than its samples.
fn readings(y: &[f64]) -> Option<Readings> {
    let busy = (BUSY * y.len() as f64) as usize;
    let changes: Vec<usize> = (1..y.len()).filter(|i| (y[*i] - y[i - 1]).abs() > 0.0).collect();
    if changes.len() <= busy {
        return rhythm(changes, BetweenReadings::Held);
    }
    let step = resolution(y);
    let scale = y.iter().filter(|v| v.is_finite()).fold(0.0_f64, |m, v| m.max(v.abs()));
    let limit = ROUNDING_STEPS * step * 1.001 + 1e-9 * scale;
    let turn = |i: usize| y[i + 1] - 2.0 * y[i] + y[i - 1];
    let bend = |i: usize| turn(i).abs();
    let bends: Vec<usize> = (1..y.len().saturating_sub(1)).filter(|i| bend(*i) > limit).collect();
    if bends.len() > busy {
        return None;
    }
    // A reading between two samples bends the line at both: it lies nearest to where it bends more.
    let readings = bends.chunk_by(|a, b| b - a == 1).flat_map(|run| match run {
        // A jump turns back at once, which no line between two readings does.
        [a, b] if turn(*a) * turn(*b) > 0.0 => vec![if bend(*b) > bend(*a) { *b } else { *a }],
        run => run.to_vec(),
    });
    rhythm(readings.collect(), BetweenReadings::Lines)
}

/// A rhythm of at least two samples that nearly all distances are whole multiples of, to the sample.
fn rhythm(at: Vec<usize>, between: BetweenReadings) -> Option<Readings> {
    let distances: Vec<usize> = at.array_windows().map(|[a, b]| b - a).collect();
    let most = distances.iter().copied().max()?;
    let mut counts = vec![0_usize; most + 1];
    for d in &distances {
        counts[*d] += 1;
    }
    let (_, usual) = counts.iter().enumerate().map(|(d, n)| (*n, d)).max_by_key(|(n, d)| (*n, std::cmp::Reverse(*d)))?;
    if usual < 2 {
        return None;
    }
    // A period that is not whole shows as two distances; long ones say more of it, and too long ones nothing.
    let near = distances.iter().map(|d| *d as f64).filter(|d| *d <= 3.0 * usual as f64 + 1.0);
    let (sum, periods) = near.fold((0.0, 0.0), |(s, n), d| (s + d, n + (d / usual as f64).round().max(1.0)));
    let period = sum / periods;
    let keeps = |d: f64| {
        let n = (d / period).round();
        n >= 1.0 && (d - n * period).abs() < 1.0 - 1e-9
    };
    let moving: Vec<f64> = distances.iter().map(|d| *d as f64).filter(|d| *d <= MOST_PERIODS * period).collect();
    let kept = moving.iter().filter(|d| keeps(**d)).count();
    let possible = (MOST_PERIODS * period).ceil() as usize;
    let by_chance = (1..=possible).filter(|d| keeps(*d as f64)).count() as f64 / possible as f64;
    let found = kept >= FEWEST && kept as f64 >= KEEPS * moving.len() as f64 && by_chance <= BY_CHANCE;
    found.then_some(Readings { between, period, at })
}

impl Readings {
    /// Every reading of a column of `len` samples, those that changed nothing included.
    fn every(&self, len: usize) -> Vec<usize> {
        let Some(first) = self.at.first() else { return Vec::new() };
        let mut all = Vec::new();
        let mut before = *first as f64 - self.period;
        while before >= 0.0 {
            all.push(before.round() as usize);
            before -= self.period;
        }
        all.reverse();
        let mut seen = self.at.iter().copied().peekable();
        let mut place = *first as f64;
        while place < len as f64 {
            while seen.next_if(|s| (*s as f64) < place - 0.5 * self.period).is_some() {}
            // What was seen to change says where the rhythm is; where nothing did, it goes on.
            match seen.peek().filter(|s| (**s as f64 - place).abs() <= 1.0) {
                Some(s) => {
                    all.push(*s);
                    place = *s as f64 + self.period;
                }
                None => {
                    all.push((place.round() as usize).min(len - 1));
                    place += self.period;
                }
            }
        }
        all.dedup();
        all
    }
}

/// Straight lines between the readings of a held column, for the times of a slower one.
fn put_on_lines(trace: &mut Trace, slow: &SlowColumn, readings: &Readings) {
    if readings.between == BetweenReadings::Lines {
        return;
    }
    let every = readings.every(trace.time_s.len());
    for (k, c) in trace.channels.iter_mut().enumerate() {
        let values = match slow.of_displacement {
            false if k == slow.channel => Some(&mut c.force_n),
            true if k == slow.channel || c.displacement_shared => c.displacement_mm.as_mut(),
            _ => None,
        };
        let Some(values) = values else { continue };
        for [a, b] in every.array_windows() {
            let (from, rise) = (values[*a], values[*b] - values[*a]);
            for (i, value) in values.get_mut(a + 1..*b).into_iter().flatten().enumerate() {
                *value = from + rise * (i + 1) as f64 / (b - a) as f64;
            }
        }
    }
}

fn pick(trace: &mut Trace, at: &[usize]) {
    fn take<T: Copy>(values: &mut Vec<T>, at: &[usize]) {
        *values = at.iter().filter_map(|i| values.get(*i)).copied().collect();
    }
    take(&mut trace.time_s, at);
    for c in &mut trace.channels {
        take(&mut c.force_n, at);
        if let Some(x) = &mut c.displacement_mm {
            take(x, at);
        }
    }
    if let Some(marker) = &mut trace.marker {
        take(marker, at);
    }
    if let Some(drive) = &mut trace.drive_deg {
        take(drive, at);
    }
}
