//! Stretches in which a sensor gave no reading of its own: it fell to one value and came back, or gave its last one again
//! and again (METHODS.md §1.13). They are read as missing.
//!
//! A coarse sensor repeats its values honestly, and so does one at rest or at its limit. What is judged is therefore what the
//! channel's own noise and resolution allow.

mod noisy;

use super::noise::white_noise_sd;
use crate::error::Problem;
use crate::format::{counted, number};
use crate::stats::moments::{extremes, resolution};
use crate::trace::Trace;
use crate::terms::Side;
use std::borrow::Cow;
use std::ops::Range;

/// Samples on either side of a run that tell what the channel does by itself.
const BESIDE: usize = 10;
/// A fall or jump is none of the channel's own from so many times its largest step beside the run on, and so many steps of
/// its resolution.
const TIMES_OWN_STEPS: f64 = 4.0;
const RESOLUTION_STEPS: f64 = 10.0;
/// Least fall to another value, in N or mm.
const LEAST_FALL_N: f64 = 2.0;
const LEAST_FALL_MM: f64 = 0.1;
/// A sensor that is silent for longer than this, in s, is told by other means.
const LONGEST_S: f64 = 1.0;
/// A slow recording may show a hand that left and came back as two steps: there, only what no hand does so quickly.
const LONGEST_SLOW_S: f64 = 0.1;
const SLOW_HZ: f64 = 200.0;
/// Fewest samples of one value that count as repeated, and for how long, in s.
const FEWEST: usize = 4;
const SHORTEST_S: f64 = 0.004;
/// Runs of that length that chance may give in a whole recording.
const BY_CHANCE: f64 = 1e-3;
/// Noise under this share of the resolution does not blur its steps.
const BLURRED_SHARE: f64 = 0.5;
/// Neighbours are alike more often than white noise allows from this factor on: the noise has a memory.
const MEMORY: f64 = 2.0;
/// How far around a run neighbours are counted, in samples.
const AROUND: usize = 250;
/// A value within this share of the channel's range from its rest is at rest; noise widens it.
const REST_SHARE: f64 = 0.05;
const REST_SDS: f64 = 10.0;

/// One stretch of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Dropout {
    /// Samples without a reading of their own.
    pub samples: Range<usize>,
    /// What the sensor gave instead.
    pub gave: Gave,
}

/// What a sensor gives that has no reading of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Gave {
    /// One value.
    Value(f64),
    /// One value with noise on it.
    Near(f64),
    /// Noise many times its own.
    Noise { low: f64, high: f64 },
}

impl Gave {
    fn words(self, unit: &str) -> String {
        match self {
            Gave::Value(value) => format!("stands at {value} {unit}"),
            Gave::Near(value) => format!("stands near {} {unit}", number(value, 2)),
            Gave::Noise { low, high } => format!("swings between {} and {} {unit}", number(low, 1), number(high, 1)),
        }
    }
}

/// What was taken out of one column of a trace.
#[derive(Debug, Clone, PartialEq)]
pub struct ColumnDropouts {
    /// Index of the trace's channel.
    pub channel: usize,
    /// Of its displacement; else of its force.
    pub of_displacement: bool,
    pub dropouts: Vec<Dropout>,
}

/// A trace whose dropouts are missing samples, and what they were.
pub fn masked(trace: Cow<'_, Trace>) -> (Cow<'_, Trace>, Vec<ColumnDropouts>) {
    let mut found = Vec::new();
    for (k, channel) in trace.channels.iter().enumerate() {
        let force = dropouts(&trace.time_s, &channel.force_n, false);
        let shared = channel.displacement_shared && k > 0;
        let x = channel.displacement_mm.as_ref().filter(|_| !shared);
        let displacement = x.map(|x| dropouts(&trace.time_s, x, true)).unwrap_or_default();
        for (of_displacement, dropouts) in [(false, force), (true, displacement)] {
            if !dropouts.is_empty() {
                found.push(ColumnDropouts {
                    channel: k,
                    of_displacement,
                    dropouts,
                });
            }
        }
    }
    if found.is_empty() {
        return (trace, found);
    }
    let mut trace = trace.into_owned();
    for column in &found {
        for (k, channel) in trace.channels.iter_mut().enumerate() {
            let values = match column.of_displacement {
                false if k == column.channel => Some(&mut channel.force_n),
                true if k == column.channel || channel.displacement_shared => channel.displacement_mm.as_mut(),
                _ => None,
            };
            let Some(values) = values else { continue };
            for dropout in &column.dropouts {
                values[dropout.samples.clone()].fill(f64::NAN);
            }
        }
    }
    (Cow::Owned(trace), found)
}

/// A warning for a column that had some.
pub fn problem(trace: &Trace, column: &ColumnDropouts) -> Option<Problem> {
    let of = |d: &Dropout| d.samples.len();
    let longest = column.dropouts.iter().max_by_key(|d| of(d))?;
    let time_s = |i: usize| trace.time_s.get(i).copied().unwrap_or_default();
    let ms = |d: &Dropout| 1e3 * (time_s(d.samples.end) - time_s(d.samples.start)).max(0.0);
    let samples: usize = column.dropouts.iter().map(of).sum();
    let (quantity, unit) = match column.of_displacement {
        true => ("displacement", "mm"),
        false => ("force", "N"),
    };
    let side = trace.channels.get(column.channel).and_then(|c| c.side);
    let side = side.filter(|s| trace.channels.len() > 1 && *s != Side::Midline);
    let name = side.map_or_else(|| quantity.to_owned(), |side| format!("{quantity}_{side}"));
    Some(
        Problem::warning(
            &trace.recording,
            format!(
                "{} without a reading of the sensor's own, {} in all; the longest {} for {} ms from {} s on",
                counted(column.dropouts.len(), "run"),
                counted(samples, "sample"),
                longest.gave.words(unit),
                number(ms(longest), 0),
                number(time_s(longest.samples.start), 3)
            ),
            "readings that follow the hand, none of them repeated as long as that",
            "they are read as missing, and what lost too much to them is left out; look at cable, plug and logger",
        )
        .in_column(name),
    )
}

/// Stretches without a reading of its own in one channel, in order.
pub fn dropouts(time_s: &[f64], values: &[f64], of_displacement: bool) -> Vec<Dropout> {
    let at: Vec<usize> = (0..values.len()).filter(|i| values[*i].is_finite()).collect();
    let y: Vec<f64> = match at.len() == values.len() {
        true => values.to_vec(),
        false => at.iter().map(|i| values[*i]).collect(),
    };
    // Too little to tell what a channel does by itself.
    if y.len() <= 2 * BESIDE {
        return Vec::new();
    }
    let runs = runs_of_equals(&y);
    let look = ChannelLook::new(time_s, &at, &y, &runs, of_displacement);
    let mut found: Vec<Dropout> = Vec::new();
    for run in &runs {
        let Some(samples) = look.fallen(run).or_else(|| look.repeated(run)) else { continue };
        let from = at[samples.start];
        let samples = from.max(found.last().map_or(0, |d| d.samples.end))..at[samples.end - 1] + 1;
        found.push(Dropout { samples, gave: Gave::Value(y[run.start]) });
    }
    for (samples, gave) in look.noisy_falls().into_iter().chain(look.bursts()) {
        let samples = at[samples.start]..at[samples.end - 1] + 1;
        if !found.iter().any(|d| d.samples.start < samples.end && samples.start < d.samples.end) {
            found.push(Dropout { samples, gave });
        }
    }
    found.sort_by_key(|d| d.samples.start);
    found
}

/// Runs of two samples and more of one value.
fn runs_of_equals(y: &[f64]) -> Vec<Range<usize>> {
    let (mut runs, mut from) = (Vec::new(), 0);
    for run in y.chunk_by(|a, b| a == b) {
        if run.len() >= 2 {
            runs.push(from..from + run.len());
        }
        from += run.len();
    }
    runs
}

/// What is known of a channel as a whole.
struct ChannelLook<'a> {
    y: &'a [f64],
    /// Time of each sample.
    time_s: Vec<f64>,
    rate_hz: f64,
    of_displacement: bool,
    /// Its resolution and its white noise.
    step: f64,
    sd: f64,
    low: f64,
    high: f64,
    /// Where it stands when nobody presses, and how far from it is still at rest.
    rest: f64,
    at_rest: f64,
    /// Chance that a sample is like the one before it, by noise alone; `None` when noise does not blur the resolution.
    alike: Option<f64>,
    /// Share of neighbours that are alike in the whole channel.
    pairs: f64,
}

impl<'a> ChannelLook<'a> {
    fn new(time_s: &[f64], at: &[usize], y: &'a [f64], runs: &[Range<usize>], of_displacement: bool) -> Self {
        let time_s: Vec<f64> = at.iter().filter_map(|i| time_s.get(*i)).copied().collect();
        let span_s = time_s.last().zip(time_s.first()).map_or(0.0, |(b, a)| b - a);
        let rate_hz = (y.len() as f64 - 1.0) / span_s;
        let (low, high) = extremes(y);
        let (step, sd) = (resolution(y), white_noise_sd(y, &[]));
        let mut sorted = y.to_vec();
        let tenth = sorted.len() / 10;
        let (_, rest, _) = sorted.select_nth_unstable_by(tenth, f64::total_cmp);
        // Whole stretches that are alike are what is looked for: they say nothing of what is usual.
        let short = |r: &&Range<usize>| r.len() < FEWEST;
        let equal: usize = runs.iter().filter(short).map(|r| r.len() - 1).sum();
        let long: usize = runs.iter().filter(|r| !short(r)).map(Range::len).sum();
        let pairs = (equal as f64 + 1.0) / (y.len().saturating_sub(long) as f64 + 1.0);
        // A sample falls into one step of the resolution at most so often.
        let blurred = step > 0.0 && sd >= BLURRED_SHARE * step;
        let alike = blurred.then(|| {
            let one_step = libm::erf(step / (2.0 * 2.0_f64.sqrt() * sd));
            let expected = libm::erf(step / (4.0 * sd));
            let memory = pairs > MEMORY * expected;
            one_step.max(if memory { pairs.sqrt() } else { pairs })
        });
        ChannelLook {
            y,
            time_s,
            rate_hz,
            of_displacement,
            step,
            sd,
            low,
            high,
            rest: *rest,
            at_rest: (REST_SHARE * (high - low)).max(REST_SDS * sd),
            alike,
            pairs,
        }
    }

    fn seconds(&self, samples: &Range<usize>) -> f64 {
        let time_s = |i: usize| self.time_s.get(i).or(self.time_s.last()).copied().unwrap_or_default();
        time_s(samples.end) - time_s(samples.start)
    }

    /// The largest step between neighbours before `begin` and from `end` on, and whether there are enough of them.
    fn own_step(&self, begin: usize, end: usize) -> Option<f64> {
        let before = self.y.get(begin.checked_sub(BESIDE)?..begin)?;
        let after = self.y.get(end..end + BESIDE)?;
        let steps = |part: &[f64]| part.array_windows().map(|[a, b]| (b - a).abs()).fold(0.0, f64::max);
        Some(steps(before).max(steps(after)))
    }

    /// The samples of a run at a value that lies far from those before and after it, with at most one on the way there and
    /// one on the way back.
    fn fallen(&self, run: &Range<usize>) -> Option<Range<usize>> {
        let value = self.y[run.start];
        let longest_s = if self.rate_hz < SLOW_HZ { LONGEST_SLOW_S } else { LONGEST_S };
        if self.seconds(run) > longest_s {
            return None;
        }
        let least = if self.of_displacement { LEAST_FALL_MM } else { LEAST_FALL_N };
        let least = least.max(RESOLUTION_STEPS * self.step);
        [(0, 0), (1, 0), (0, 1), (1, 1)].into_iter().find_map(|(before, after)| {
            let samples = run.start.checked_sub(before)?..run.end + after;
            let (a, b) = (*self.y.get(samples.start.checked_sub(1)?)?, *self.y.get(samples.end)?);
            let (a, b) = (a - value, b - value);
            // What rises and falls so may be a push, and a push is never taken away.
            let away = if self.of_displacement { a * b > 0.0 } else { a > 0.0 && b > 0.0 };
            let fall = a.abs().min(b.abs());
            if !away || fall < least {
                return None;
            }
            let own = self.own_step(samples.start, samples.end)?;
            (fall >= TIMES_OWN_STEPS * own).then_some(samples)
        })
    }

    /// The samples of a run that repeat its first one, when neither noise nor rest nor a limit of the sensor explains it.
    fn repeated(&self, run: &Range<usize>) -> Option<Range<usize>> {
        let value = self.y[run.start];
        let resting = (value - self.rest).abs() <= self.at_rest || value <= self.low;
        let at_limit = value >= self.high - self.step;
        let long = run.len() >= FEWEST && self.seconds(run) >= SHORTEST_S;
        if !long || resting || at_limit || !(self.beyond_chance(run) || self.jumps_after(run)) {
            return None;
        }
        Some(run.start + 1..run.end)
    }

    fn beyond_chance(&self, run: &Range<usize>) -> bool {
        let Some(alike) = self.alike else { return false };
        let n = self.y.len() as f64;
        let chance = |alike: f64| n * alike.powi((run.len() - 1) as i32);
        if chance(alike) > BY_CHANCE {
            return false;
        }
        let equal = |part: &[f64]| part.array_windows().filter(|[a, b]| a == b).count() as f64;
        let before = &self.y[run.start.saturating_sub(AROUND)..run.start];
        let after = &self.y[run.end..(run.end + AROUND).min(self.y.len())];
        let around = (before.len() + after.len()) as f64;
        let share = (equal(before) + equal(after)) / around.max(1.0);
        chance(alike.max(share)) <= BY_CHANCE
    }

    /// Whether the channel moved before a run, stood still in it, and then jumped to where it would have come meanwhile.
    fn jumps_after(&self, run: &Range<usize>) -> bool {
        let Some(after) = self.y.get(run.end) else { return false };
        let Some(own) = self.own_step(run.start + 1, run.end) else { return false };
        let before = &self.y[run.start + 1 - BESIDE..=run.start];
        let moves = |part: &[f64]| part.array_windows().filter(|[a, b]| a != b).count() * 2 > part.len();
        let jump = (after - self.y[run.start]).abs();
        own > 0.0
            && moves(before)
            && moves(&self.y[run.end..run.end + BESIDE])
            && self.pairs < BLURRED_SHARE
            && jump >= TIMES_OWN_STEPS * own
            && jump >= TIMES_OWN_STEPS * self.step
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 1000.0;

    fn look<'a>(y: &'a [f64], of_displacement: bool) -> ChannelLook<'a> {
        let at: Vec<usize> = (0..y.len()).collect();
        let time_s: Vec<f64> = at.iter().map(|i| *i as f64 / RATE_HZ).collect();
        ChannelLook::new(&time_s, &at, y, &[], of_displacement)
    }

    /// A press of 40 N in a second that wavers by hundredths, as no sensor stands still.
    fn a_press() -> Vec<f64> {
        (0..2000_u32).map(|i| 20.0 * (1.0 - (f64::from(i) * 0.003).cos()) + 0.01 * f64::from(i * 7 % 11)).collect()
    }

    #[test]
    fn a_fall_to_nothing_and_back_is_a_dropout_and_a_step_or_a_push_is_not() {
        let mut y = a_press();
        y[800..820].fill(0.0);
        assert_eq!(look(&y, false).fallen(&(800..820)), Some(800..820));
        // One sample on the way there and one on the way back go with it.
        (y[799], y[820]) = (12.0, 15.0);
        assert_eq!(look(&y, false).fallen(&(800..820)), Some(799..821));
        // Longer than a second it is a release.
        let mut y = a_press();
        y[300..1500].fill(0.0);
        assert_eq!(look(&y, false).fallen(&(300..1500)), None);
        // Higher than on one side and lower than on the other is a step; higher than on both a push.
        let mut y = a_press();
        y[800..820].fill(60.0);
        assert_eq!(look(&y, false).fallen(&(800..820)), None);
        assert_eq!(look(&y, true).fallen(&(800..820)), Some(800..820), "of displacement either way counts");
        y[820..].iter_mut().for_each(|f| *f += 60.0);
        assert_eq!(look(&y, false).fallen(&(800..820)), None);
        assert_eq!(look(&y, true).fallen(&(800..820)), None);
    }

    #[test]
    fn a_reading_that_repeats_on_the_way_and_jumps_on_is_held() {
        let mut y = a_press();
        let held = y[600];
        y[600..640].fill(held);
        assert_eq!(look(&y, false).repeated(&(600..640)), Some(601..640));
        assert!(look(&y, false).jumps_after(&(600..640)));
        // At rest the same is nothing.
        let mut y = a_press();
        let resting = y[3];
        y[3..43].fill(resting);
        assert_eq!(look(&y, false).repeated(&(3..43)), None);
        // A channel that rests at 10 N is not at rest at 16.
        let mut y: Vec<f64> = a_press().iter().map(|f| f + 10.0).collect();
        let held = y[265];
        y[265..305].fill(held);
        assert_eq!(look(&y, false).repeated(&(265..305)), Some(266..305), "{held}");
        // Where the channel moved before and not after, it is what the sensor reads.
        let mut y = a_press();
        let held = y[600];
        y[580..660].fill(held);
        y[640..660].fill(held + 5.0);
        assert!(!look(&y, false).jumps_after(&(600..640)));
    }

    /// Readings of 0.01 N under three times as much noise: two are alike now and then, forty in a row never.
    #[test]
    fn forty_readings_alike_under_noise_are_beyond_chance_and_a_pair_is_not() {
        let mut y: Vec<f64> = (0..2000_u32)
            .map(|i| {
                let mut hash = i.wrapping_mul(2_654_435_761);
                hash = (hash ^ (hash >> 15)).wrapping_mul(2_246_822_519);
                let noise = f64::from(hash ^ (hash >> 13)) / f64::from(u32::MAX) - 0.5;
                ((20.0 + 15.0 * (f64::from(i) * 0.002).sin() + 0.1 * noise) / 0.01).round() * 0.01
            })
            .collect();
        let pair = y.windows(2).position(|w| w[0] == w[1]).unwrap();
        assert!(!look(&y, false).beyond_chance(&(pair..pair + 2)));
        let held = y[600];
        y[600..640].fill(held);
        assert!(look(&y, false).alike.is_some_and(|p| p < 0.6), "{:?}", look(&y, false).alike);
        assert!(look(&y, false).beyond_chance(&(600..640)));
    }
}
