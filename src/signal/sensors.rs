//! What sensors and loggers do to a recording before anything is measured, in the order in which it is undone, and what is told of it.

use super::dropouts::{self, ColumnDropouts};
use super::noise::white_noise_sd;
use super::own_rate::at_own_rate;
use crate::error::Problem;
use crate::format::{counted, duration, moment, number};
use crate::stats::moments::{extremes, resolution};
use crate::terms::Side;
use crate::trace::{Channel, Trace};
use std::borrow::Cow;
use std::ops::Range;

/// Samples on either side of a jump that tell what the channel does by itself, and how many times as far a jump goes.
const BESIDE: usize = 10;
const JUMP_TIMES: f64 = 4.0;
/// Steps of more than this share of the range may be a counter that runs over; what moved meanwhile is so many of the largest others.
const LARGE_SHARE: f64 = 0.5;
const OWN_STEPS: f64 = 1.5;
/// A counter has so many bits at least and at most.
const BITS: std::ops::RangeInclusive<i32> = 8..=32;
/// Fewest rows of zeros that are padding, and in how many recordings chance may give as many.
const FEWEST_PADDED: usize = 20;
const BY_CHANCE: f64 = 1e-3;
/// Noise under this share of the resolution does not blur its steps.
const BLURRED_SHARE: f64 = 0.5;
/// Noise is more than this share of a channel's range.
const LEAST_TREMOR: f64 = 1e-4;
/// A force is cut off at zero when so many samples are exactly that, and so many of those within three standard deviations of it.
const FEWEST_ZEROS: usize = 20;
const ZEROS_SHARE: f64 = 0.3;
/// A sensor was zeroed under a hand when it falls by so much within a sample, in N, to within this of nothing, and later goes as far
/// below nothing.
const TARED_N: f64 = 5.0;
const TO_NOTHING_N: f64 = 0.5;
const TARED_SHARE: f64 = 0.5;

/// A recording as its sensors gave it.
pub struct AsSensed<'a> {
    pub trace: Cow<'a, Trace>,
    /// What was taken out.
    pub dropouts: Vec<ColumnDropouts>,
    /// Channel and time of each moment at which a sensor was zeroed under the hand.
    pub tared: Vec<Tared>,
    /// What was found, to be told.
    pub problems: Vec<Problem>,
}

/// A sensor that was zeroed under the hand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tared {
    /// Index of the trace's channel.
    pub channel: usize,
    pub at_s: f64,
    /// How far its force fell.
    pub newtons: f64,
}

/// Undoes what can be undone.
///
/// # Errors
/// A force with too few readings to be analysed.
pub fn as_sensed(trace: Cow<'_, Trace>) -> Result<AsSensed<'_>, Problem> {
    let (trace, mut problems) = at_own_rate(trace)?;
    let (trace, padded) = without_padding(trace);
    problems.extend(padded);
    let (trace, wrapped) = unwrapped(trace);
    problems.extend(wrapped);
    problems.extend(trace.channels.iter().filter_map(|c| cut_at_zero(&trace, c)));
    let tared: Vec<Tared> = (0..trace.channels.len()).filter_map(|k| tared(&trace, k)).collect();
    let (trace, dropouts) = dropouts::masked(trace);
    problems.extend(dropouts.iter().filter_map(|column| dropouts::problem(&trace, column)));
    Ok(AsSensed {
        trace,
        dropouts,
        tared,
        problems,
    })
}

fn named(trace: &Trace, quantity: &str, channel: &Channel) -> String {
    let side = channel.side.filter(|s| trace.channels.len() > 1 && *s != Side::Midline);
    side.map_or_else(|| quantity.to_owned(), |side| format!("{quantity}_{side}"))
}

fn finite(y: &[f64]) -> Cow<'_, [f64]> {
    match y.iter().all(|v| v.is_finite()) {
        true => Cow::Borrowed(y),
        false => y.iter().copied().filter(|v| v.is_finite()).collect(),
    }
}

/// The trace without rows of zeros that a logger put before or behind what it recorded.
fn without_padding(trace: Cow<'_, Trace>) -> (Cow<'_, Trace>, Option<Problem>) {
    let zero = |i: usize| {
        let of = |y: &[f64]| y.get(i) == Some(&0.0);
        trace.channels.iter().all(|c| of(&c.force_n) && c.displacement_mm.as_deref().is_none_or(of))
    };
    let n = trace.time_s.len();
    let begin = (0..n).take_while(|i| zero(*i)).count();
    let end = n - (begin..n).rev().take_while(|i| zero(*i)).count();
    let noisy = |rows: usize| rows >= FEWEST_PADDED && trace.channels.iter().any(|c| no_rest(&c.force_n[begin..end], rows));
    let from = if noisy(begin) { begin } else { 0 };
    let to = if noisy(n - end) { end } else { n };
    if (from, to) == (0, n) {
        return (trace, None);
    }
    let padded = from + n - to;
    let place = if from > 0 { "at the beginning" } else { "at the end" };
    let place = if from > 0 && to < n { "at the beginning and at the end" } else { place };
    let problem = Problem::warning(
        &trace.recording,
        format!("{} of nothing but zeros {place}", counted(padded, "row")),
        "rows with the noise of live sensors",
        "they are left out; have the logger write what it recorded and no more",
    );
    let mut trace = trace.into_owned();
    cut(&mut trace, from..to);
    (Cow::Owned(trace), Some(problem))
}

fn cut(trace: &mut Trace, rows: Range<usize>) {
    fn keep<T>(values: &mut Vec<T>, rows: &Range<usize>) {
        values.truncate(rows.end);
        values.drain(..rows.start.min(values.len()));
    }
    keep(&mut trace.time_s, &rows);
    for c in &mut trace.channels {
        keep(&mut c.force_n, &rows);
        if let Some(x) = &mut c.displacement_mm {
            keep(x, &rows);
        }
    }
    if let Some(marker) = &mut trace.marker {
        keep(marker, &rows);
    }
    if let Some(drive) = &mut trace.drive_deg {
        keep(drive, &rows);
    }
}

/// Whether there is noise at all: movement alone gives third differences too, though far smaller ones.
fn trembles(y: &[f64], sd: f64) -> bool {
    let (low, high) = extremes(y);
    sd > LEAST_TREMOR * (high - low)
}

/// Whether so many samples alike are no rest of a channel that elsewhere trembles.
fn no_rest(elsewhere: &[f64], samples: usize) -> bool {
    let y = finite(elsewhere);
    let (step, sd) = (resolution(&y), white_noise_sd(&y, &[]));
    let alike = libm::erf(step / (2.0 * 2.0_f64.sqrt() * sd));
    trembles(&y, sd) && sd >= BLURRED_SHARE * step && y.len() as f64 * alike.powi(samples as i32 - 1) <= BY_CHANCE
}

/// The trace with counters that ran over set right: a jump by a power of two of steps, and back.
fn unwrapped(trace: Cow<'_, Trace>) -> (Cow<'_, Trace>, Vec<Problem>) {
    let mut found: Vec<(usize, bool, Vec<f64>, Problem)> = Vec::new();
    for (k, c) in trace.channels.iter().enumerate() {
        let own = c.displacement_mm.as_ref().filter(|_| k == 0 || !c.displacement_shared);
        for (of_displacement, y) in [(false, Some(&c.force_n)), (true, own)] {
            let Some((values, at, jump)) = y.and_then(|y| wraps_undone(y)) else { continue };
            let (quantity, unit) = if of_displacement { ("displacement", "mm") } else { ("force", "N") };
            let at_s = trace.time_s.get(at).copied().unwrap_or_default();
            let bits = jump.1;
            let problem = Problem::warning(
                &trace.recording,
                format!(
                    "jumps of {} {unit} within a sample and back, the first at {}: 2^{bits} of its steps, as when a counter runs over",
                    number(jump.0, 2),
                    moment(at_s)
                ),
                "readings that go on from one to the next",
                "the jumps are taken out; set the range of the logger so that no push reaches its end",
            );
            found.push((k, of_displacement, values, problem.in_column(named(&trace, quantity, c))));
        }
    }
    if found.is_empty() {
        return (trace, Vec::new());
    }
    let mut trace = trace.into_owned();
    let mut problems = Vec::new();
    for (k, of_displacement, values, problem) in found {
        problems.push(problem);
        for (i, c) in trace.channels.iter_mut().enumerate() {
            match of_displacement {
                false if i == k => c.force_n.clone_from(&values),
                true if i == k || c.displacement_shared => c.displacement_mm = Some(values.clone()),
                _ => {}
            }
        }
    }
    (Cow::Owned(trace), problems)
}

/// A channel without its wraps, where the first is, and how far it jumps with the bits of that.
fn wraps_undone(y: &[f64]) -> Option<(Vec<f64>, usize, (f64, i32))> {
    let all = finite(y);
    let (low, high) = extremes(&*all);
    let step = resolution(&all);
    // No jump of a power of two of its steps fits into the range of most channels.
    if step <= 0.0 || high - low < 0.5 * 2.0_f64.powi(*BITS.start()) * step {
        return None;
    }
    // The largest step that is no wrap, and every one that may be.
    let is_large = |d: f64| d.abs() > LARGE_SHARE * (high - low);
    let diffs = || y.array_windows().map(|[a, b]| b - a);
    let own = diffs().filter(|d| !is_large(*d)).fold(0.0_f64, |m, d| m.max(d.abs()));
    let wraps: Vec<(usize, f64)> = diffs().enumerate().filter(|(_, d)| is_large(*d)).map(|(i, d)| (i + 1, d)).collect();
    let (at, jump) = *wraps.first()?;
    let near = |a: f64, b: f64| (a - b).abs() <= OWN_STEPS * own + step;
    let bits = BITS.clone().find(|b| near(jump.abs(), 2.0_f64.powi(*b) * step))?;
    let size = 2.0_f64.powi(bits) * step;
    // A counter runs over from its last number to its first one, and comes back the same way.
    let runs_over = |(i, d): &(usize, f64)| {
        let (top, foot) = if *d < 0.0 { (y[i - 1], y[*i]) } else { (y[*i], y[i - 1]) };
        near(d.abs(), size) && near(top, high) && near(foot, low)
    };
    let back: f64 = wraps.iter().map(|(_, d)| d.signum()).sum();
    if size < JUMP_TIMES * own || back != 0.0 || !wraps.iter().all(runs_over) {
        return None;
    }
    let (mut values, mut offset, mut next) = (y.to_vec(), 0.0, wraps.iter().peekable());
    for (i, value) in values.iter_mut().enumerate() {
        if let Some((_, d)) = next.next_if(|(at, _)| *at == i) {
            offset -= size.copysign(*d);
        }
        *value += offset;
    }
    Some((values, at, (size, bits)))
}

/// A warning for a force of which what lies below nothing is cut off: its zero may lie there.
fn cut_at_zero(trace: &Trace, channel: &Channel) -> Option<Problem> {
    let all = finite(&channel.force_n);
    let (low, _) = extremes(&*all);
    let zeros = all.iter().filter(|f| **f == 0.0).count();
    if low != 0.0 || zeros < FEWEST_ZEROS {
        return None;
    }
    let above: Vec<f64> = all.iter().copied().filter(|f| *f > 0.0).collect();
    let (step, sd) = (resolution(&above), white_noise_sd(&above, &[]));
    let near = all.iter().filter(|f| **f <= 3.0 * sd).count();
    let is_cut = trembles(&all, sd) && sd >= step && zeros as f64 >= ZEROS_SHARE * near as f64;
    let seconds = zeros as f64 * (trace.time_s.last()? - trace.time_s.first()?) / trace.time_s.len() as f64;
    is_cut.then(|| {
        Problem::warning(
            &trace.recording,
            format!("a force that never goes below 0 and is exactly 0 for {} in all, though it trembles by {} N", duration(seconds), number(sd, 2)),
            "noise on both sides of where it stands with the hand off",
            "what lies below nothing is cut off, and all forces may be too low by as much; switch that off in the logger, or set the \
             sensor's zero a little above nothing",
        )
        .in_column(named(trace, "force", channel))
    })
}

/// The moment at which a channel was zeroed under the hand.
pub fn tared(trace: &Trace, channel: usize) -> Option<Tared> {
    let y = &trace.channels[channel].force_n;
    let steps = |part: &[f64]| part.array_windows().map(|[a, b]| (b - a).abs()).fold(0.0, f64::max);
    (BESIDE..y.len().saturating_sub(BESIDE)).find_map(|i| {
        let fall = y[i - 1] - y[i];
        if fall < TARED_N || fall.is_nan() {
            return None;
        }
        let after = &y[i..i + BESIDE];
        let own = steps(&y[i - BESIDE..i]).max(steps(after));
        let level = after.iter().sum::<f64>() / BESIDE as f64;
        let lowest = extremes(&*finite(&y[i..])).0;
        let is_tared = fall >= JUMP_TIMES * own && level.abs() <= TO_NOTHING_N.max(own) && lowest <= -TARED_SHARE * fall;
        is_tared.then(|| Tared {
            channel,
            at_s: trace.time_s[i],
            newtons: fall,
        })
    })
}
