//! The springs of one side: marked by the detector, their limbs located, dropped where they cannot be measured.

use super::condition::Conditioned;
use super::contact::{ZeroedSide, overlapping};
use super::episodes::SideEpisode;
use super::grid::GAP_S;
use super::limb_starts::read_peak;
use super::springs::{Near, SpringMeasures, shape};
use super::view::{SideView, SpringShape, UncertainValue};
use crate::settings::Settings;
use crate::stats::moments::extremes;
use crate::trace::{DropCause, Note, Spring};
use std::ops::Range;

/// The loading limb starts this long before the passage of 5 % that marks its start.
const LIMB_LEAD_S: f64 = 0.05;
/// With one displacement for both sides, a spring that lifts this side's force by less than this share of the
/// other's is the other side's alone.
const ALONE_SHARE: f64 = 0.15;

/// A hand that moves out and in by this share of its way is no hold; breathing moves it by less.
const TURN_SHARE: f64 = 0.2;
/// Pushes that go between these shares of what a spring must are spoken of.
const SMALL_PUSH_SHARES: [f64; 2] = [0.8, 1.5];

/// One spring before it is measured.
pub struct FoundCycle {
    pub shape: SpringShape,
    /// Why it cannot be measured.
    pub dropped: Option<DropCause>,
    /// The other hand's spring over a shared displacement: no stiffness from it.
    alone: bool,
}

/// Locates the limbs of the marked springs, and drops those that cannot be measured.
pub fn find_springs(
    c: &Conditioned,
    zeroed: &[ZeroedSide],
    side: &SideEpisode,
    contact: &Range<usize>,
    view: &SideView,
    settings: &Settings,
) -> Vec<FoundCycle> {
    let own = &zeroed[side.channel];
    let y = view.displacement_mm.unwrap_or(view.force_n);
    let (bottom, top) = extremes(&y[contact.clone()]);
    let least = match view.displacement_mm {
        Some(_) => (0.5 * settings.detect.spring_prominence_mm).min(0.04 * (top - bottom)),
        None => 0.05 * (top - bottom),
    };
    let peaks: Vec<usize> = side.springs.iter().map(|s| s.peak).collect();
    let mut found: Vec<FoundCycle> = Vec::new();
    for (k, mark) in peaks.iter().enumerate() {
        let from = if k == 0 { contact.start } else { peaks[k - 1] };
        let to = peaks.get(k + 1).copied().unwrap_or(contact.end.min(y.len()) - 1);
        let edit = side.edits.spring_at(*mark);
        let near = if edit.is_some_and(|e| e.exact) { Near::Exactly } else { Near::About };
        let Some(mut shape) = shape(view, *mark, near, from..to.max(mark + 1), least) else {
            continue;
        };
        if let Some(edit) = edit {
            edit.set_limbs(y, &mut shape);
        }
        let span = range_of(&shape);
        let gaps = own
            .signals
            .force
            .gaps
            .iter()
            .chain(own.signals.displacement.iter().flat_map(|x| &x.gaps));
        let dropped = if gaps.into_iter().any(|g| g.start < span.end && span.start < g.end) {
            Some(DropCause::Gap)
        } else if lost(own, &span) > c.grid.samples(GAP_S) {
            Some(DropCause::NoReadings)
        } else if overlapping(&own.signals.saturated, &span).next().is_some() {
            Some(DropCause::FlatTop)
        } else if view.displacement_mm.is_some() && overlapping(&own.signals.stopped, &span).next().is_some() {
            Some(DropCause::DisplacementStopped)
        } else {
            None
        };
        let alone = own.signals.displacement_shared && other_side_alone(zeroed, side.channel, &span, c, view);
        found.push(FoundCycle {
            shape,
            dropped,
            alone,
        });
    }
    found.retain(|f| !f.alone);
    found
}

/// Samples of a spring for which force or displacement had no reading of its own.
fn lost(own: &ZeroedSide, span: &Range<usize>) -> usize {
    let of = |ranges: &[Range<usize>]| -> usize {
        let within = |r: &Range<usize>| r.end.min(span.end).saturating_sub(r.start.max(span.start));
        ranges.iter().map(within).sum()
    };
    let x = own.signals.displacement.as_ref().map_or(0, |x| of(&x.lost));
    of(&own.signals.force.lost).max(x)
}

/// Whether this side's force hardly follows a spring of the shared displacement that the other side's does.
fn other_side_alone(
    zeroed: &[ZeroedSide],
    own: usize,
    span: &Range<usize>,
    c: &Conditioned,
    view: &SideView,
) -> bool {
    let lift = |f: &[f64]| {
        let part = &f[span.start..span.end.min(f.len())];
        part.iter().copied().fold(f64::NEG_INFINITY, f64::max) - part.first().copied().unwrap_or(0.0)
    };
    let mine = lift(&zeroed[own].force_n);
    let others = zeroed
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != own)
        .map(|(_, z)| lift(&z.force_n));
    let largest = others.fold(0.0, f64::max);
    mine < (ALONE_SHARE * largest).max(6.0 * c.noise.sample_sd(view.force_noise_n))
}

/// Samples from the start of the loading limb to the end of the recoil limb, or to the peak.
pub fn range_of(shape: &SpringShape) -> Range<usize> {
    let start = shape.before.at.floor().max(0.0) as usize;
    start..shape.after.map_or(shape.peak.index, |a| a.at.ceil() as usize) + 1
}

/// End of the lean: start of the first spring, or the peak when nothing was held.
pub fn lean_end(view: &SideView, contact: &Range<usize>, found: &[FoundCycle]) -> usize {
    if let Some(first) = found.first() {
        let lead = (LIMB_LEAD_S * view.rate_hz) as usize;
        return (first.shape.before.at as usize)
            .saturating_sub(lead)
            .max(contact.start);
    }
    let y = view.displacement_mm.unwrap_or(view.force_n);
    read_peak(y, contact.start, contact.end, view.rate_hz).map_or(contact.start, |p| p.index)
}

/// Rows of the springs; the first of three or more is not counted.
pub fn number_springs(c: &Conditioned, found: &[FoundCycle], measured: &[SpringMeasures]) -> Vec<Spring> {
    let whole = found.iter().filter(|f| f.dropped.is_none()).count();
    let with_displacement = measured.iter().any(|m| m.excursion.is_some());
    let value = |n: &Option<UncertainValue>| n.map(|n| n.value);
    let mut first = true;
    found
        .iter()
        .zip(measured)
        .enumerate()
        .map(|(k, (f, m))| {
            let counted = f.dropped.is_none() && !(first && whole >= 3);
            first = first && f.dropped.is_some();
            let s = &m.shape;
            let end = s.after.map_or(s.peak.at, |a| a.at);
            Spring {
                number: k as u32 + 1,
                start_s: c.grid.time_s(s.before.at),
                peak_s: c.grid.time_s(s.peak.at),
                end_s: c.grid.time_s(end),
                counted,
                preload_n: Some(m.preload.value),
                peak_n: m.peak_force.value,
                start_mm: with_displacement.then_some(s.before.level),
                peak_mm: with_displacement.then_some(s.peak.value),
                end_mm: s.after.filter(|_| with_displacement).map(|a| a.level),
                excursion_mm: value(&m.excursion),
                end_feel_n_per_mm: value(&m.end_feel),
                secant_n_per_mm: value(&m.secant),
                loading_work_mj: value(&m.loading_work),
                loss_mj: value(&m.loss),
                loss_ratio: value(&m.loss_ratio),
                recoil_ratio: value(&m.recoil_ratio),
                time_to_peak_s: value(&m.time_to_peak),
                loading_rate_n_per_s: m.loading_rate_n_per_s,
                dropped: f.dropped,
            }
        })
        .collect()
}

/// How many times a hand that made no spring went in and out all the same, in force and displacement alike.
fn slow_turns(view: &SideView, contact: &Range<usize>) -> usize {
    let of = |y: &[f64]| y.get(contact.clone()).map_or(0, turns);
    of(view.force_n).min(view.displacement_mm.map_or(usize::MAX, of))
}

/// Tops from which a signal falls, and to which it rose, by a good share of its way.
fn turns(y: &[f64]) -> usize {
    let (low, high) = extremes(y);
    let least = TURN_SHARE * (high - low);
    let (mut tops, mut rising, mut extreme) = (0, true, low);
    for v in y {
        if rising && *v < extreme - least {
            tops += 1;
            (rising, extreme) = (false, *v);
        } else if !rising && *v > extreme + least {
            (rising, extreme) = (true, *v);
        }
        extreme = if rising { extreme.max(*v) } else { extreme.min(*v) };
    }
    tops
}

/// Pushes from a hold that went too little to be springs.
pub fn small_pushes(view: &SideView, contact: &Range<usize>, found: &[FoundCycle], settings: &Settings) -> Option<Note> {
    let x = view.displacement_mm?.get(contact.clone())?;
    let limit_mm = settings.detect.spring_prominence_mm;
    let noise_mm = settings.detect.spring_sigma * view.noise.sample_sd(view.displacement_noise_mm);
    let counts = (SMALL_PUSH_SHARES[0] * limit_mm).max(noise_mm)..SMALL_PUSH_SHARES[1] * limit_mm;
    let within = ((settings.detect.spring_window_s * view.rate_hz).round() as usize).max(2);
    let spans: Vec<Range<usize>> = found.iter().map(|f| range_of(&f.shape)).collect();
    let lowest = |side: &mut dyn Iterator<Item = f64>, top: f64| side.take_while(|y| *y <= top).fold(top, f64::min);
    let mut heights = Vec::new();
    for p in 1..x.len().saturating_sub(1) {
        if !(x[p - 1] < x[p] && x[p] >= x[p + 1]) || spans.iter().any(|s| s.contains(&(contact.start + p))) {
            continue;
        }
        let left = lowest(&mut x[p.saturating_sub(within)..p].iter().rev().copied(), x[p]);
        let right = lowest(&mut x[p + 1..(p + within).min(x.len())].iter().copied(), x[p]);
        heights.push(x[p] - left.max(right));
    }
    heights.retain(|h| counts.contains(h));
    let (_, largest_mm) = extremes(&heights);
    let number = heights.len();
    (number > 0).then_some(Note::SmallPushes { number, largest_mm, limit_mm })
}

/// Notes on what was dropped, on pushes that were too small, and why there is no spring.
pub fn describe_springs(
    view: &SideView,
    contact: &Range<usize>,
    springs: &[Spring],
    small: Option<Note>,
    notes: &mut Vec<Note>,
) {
    if springs.is_empty() && small.is_none() {
        notes.push(match slow_turns(view, contact) {
            0 | 1 => Note::NoSprings,
            times => Note::SlowSprings { times },
        });
    }
    notes.extend(small);
    for s in springs {
        if let Some(cause) = s.dropped {
            let number = s.number;
            notes.push(Note::SpringDropped { number, cause });
        }
    }
}
