//! Time stamps that cannot be the times of the samples (METHODS.md §1.1): packets whose samples share a stamp, stamps
//! rounded more coarsely than the samples follow each other, stamps that stray about an even clock.
//!
//! A sampler with a clock of its own is even; what stamped its samples later is not. Where stamps keep to an even clock
//! and only stray about it, the clock is what is found here; samples that were lost stay lost.

mod clock;
mod votes;

use crate::error::Problem;
use clock::{EvenClock, Straying, even_clock};
use std::ops::Range;
use votes::samples_follow_stamps;

/// A longer step is a pause (METHODS.md §1.2), and the clock may have been set in it.
const PAUSE_S: f64 = 2.0;
/// Steps within this share of the usual one are even enough to be taken as they are.
const EVEN_SHARE: f64 = 0.2;
/// A larger share of steps that are neither the usual one nor whole multiples of it are no lost samples.
const STRAY_STEPS: f64 = 0.1;
/// From this share of steps on that are next to nothing, samples share their stamps.
const SHARED_STEPS: f64 = 0.05;
/// A step of less than this share of the mean one is next to nothing.
const NO_STEP: f64 = 0.25;
/// With a usual step under this share of the mean one, samples come in packets or many are missing.
const PACKET_STEP: f64 = 0.67;
/// A clock slower than this is none of a sampler whose recordings are used.
const SLOWEST_HZ: f64 = 50.0;
/// Fewer samples tell of no clock.
const FEWEST: usize = 50;

/// What the stamps of a recording are.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Stamps {
    /// The times of the samples.
    AsTheyAre,
    /// Marks of an even clock: its times, and the note that says so.
    Rebuilt { time_s: Vec<f64>, note: String },
    /// Neither: most samples share a stamp, but no even clock explains them.
    Uneven(String),
}

/// Looks at stamps that are finite and never run backwards. `channels` are force and displacement of the same rows: where
/// stamps stray, they tell whether the samples were taken at their stamps.
pub(super) fn judge(stamps: &[f64], channels: &[&[f64]]) -> Stamps {
    let mut times: Option<Vec<f64>> = None;
    let mut told: Option<(EvenClock, usize)> = None;
    let mut lost = (0, 0);
    for stretch in stretches(stamps) {
        let part = &stamps[stretch.clone()];
        let Some(straying) = straying(part) else { continue };
        let within: Vec<&[f64]> = channels.iter().map(|c| &c[stretch.clone()]).collect();
        if straying == Straying::Shared && written_twice(part, &within) {
            continue;
        }
        let clock = even_clock(part, straying).filter(|c| c.step_s * SLOWEST_HZ <= 1.0);
        let Some(clock) = clock else {
            if straying == Straying::Shared && !lost_only(part) && fast_enough(part) {
                return Stamps::Uneven(uneven(part));
            }
            continue;
        };
        let even = clock.times(part.len());
        if straying == Straying::Free && samples_follow_stamps(part, &even, &within) {
            continue;
        }
        times.get_or_insert_with(|| stamps.to_vec())[stretch.clone()].copy_from_slice(&even);
        lost.0 += clock.lost.len();
        lost.1 += clock.lost.iter().map(|l| l.samples).sum::<usize>();
        if told.as_ref().is_none_or(|(_, n)| *n < part.len()) {
            told = Some((clock, part.len()));
        }
    }
    match (told, times) {
        (Some((clock, _)), Some(time_s)) if time_s.is_sorted() => Stamps::Rebuilt {
            note: clock.note(lost),
            time_s,
        },
        _ => Stamps::AsTheyAre,
    }
}

/// What lies between pauses.
fn stretches(stamps: &[f64]) -> Vec<Range<usize>> {
    let ends = stamps.array_windows().enumerate();
    let ends = ends.filter(|(_, [a, b])| b - a > PAUSE_S).map(|(i, _)| i + 1);
    let mut from = 0;
    let mut found = Vec::new();
    for end in ends.chain([stamps.len()]) {
        found.push(from..end);
        from = end;
    }
    found
}

/// How stamps stray from the samples, when they do; even ones, and even ones of which some are missing, do not.
fn straying(stamps: &[f64]) -> Option<Straying> {
    if stamps.len() < FEWEST {
        return None;
    }
    let n = (stamps.len() - 1) as f64;
    let mean = (stamps[stamps.len() - 1] - stamps[0]) / n;
    let mut pairs = stamps.array_windows();
    if mean <= 0.0 || pairs.all(|[a, b]| (b - a - mean).abs() <= EVEN_SHARE * mean) {
        return None;
    }
    let mut steps: Vec<f64> = stamps.array_windows().map(|[a, b]| b - a).collect();
    let middle = steps.len() / 2;
    let (_, &mut median, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    let shared = steps.iter().filter(|s| **s < NO_STEP * mean).count() as f64;
    if shared >= SHARED_STEPS * n || median < PACKET_STEP * mean {
        return Some(Straying::Shared);
    }
    let strays = |s: &&f64| {
        let steps = **s / median;
        steps < 1.0 - EVEN_SHARE || (steps - steps.round()).abs() > EVEN_SHARE
    };
    let stray = steps.iter().filter(strays).count() as f64;
    (stray > STRAY_STEPS * n).then_some(Straying::Free)
}

/// Rows that a logger wrote twice: those of one stamp hold the same numbers, which those of different stamps do not.
fn written_twice(stamps: &[f64], channels: &[&[f64]]) -> bool {
    let (mut shared, mut same, mut others, mut same_others) = (0, 0, 0, 0);
    for (i, [a, b]) in stamps.array_windows().enumerate() {
        let alike = channels.iter().all(|c| c[i].to_bits() == c[i + 1].to_bits());
        if a == b {
            shared += 1;
            same += usize::from(alike);
        } else {
            others += 1;
            same_others += usize::from(alike);
        }
    }
    shared > 0 && same * 50 >= shared * 49 && same_others * 10 <= others * 9
}

/// No two samples share a stamp, and the usual step is one that most have: what is not there is missing.
fn lost_only(stamps: &[f64]) -> bool {
    let mut steps: Vec<f64> = stamps.array_windows().map(|[a, b]| b - a).collect();
    let middle = steps.len() / 2;
    let (_, &mut median, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    let near = |s: &&f64| (**s - median).abs() <= EVEN_SHARE * median;
    median > 0.0 && steps.iter().filter(near).count() * 2 > steps.len()
}

fn fast_enough(stamps: &[f64]) -> bool {
    let span_s = stamps[stamps.len() - 1] - stamps[0];
    stamps.len() as f64 >= SLOWEST_HZ * span_s
}

/// The problem of such stamps.
pub(super) fn uneven_problem(file: &str, found: String) -> Problem {
    Problem::error(
        file,
        found,
        "a time for each sample, or samples of an even clock whose stamps come late",
        "have the recorder write each sample's own time or its number; nothing in this recording says when its samples \
         were taken",
    )
}

fn uneven(stamps: &[f64]) -> String {
    let shared = stamps.array_windows().filter(|[a, b]| a == b).count();
    let span_s = stamps[stamps.len() - 1] - stamps[0];
    format!(
        "{} samples in {span_s:.3} s under {} time stamps that follow no even clock",
        stamps.len(),
        stamps.len() - shared
    )
}
