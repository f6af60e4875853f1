//! Sensors at the end of their range under noise: one channel stands still at the top of a push while the other turns there
//! (METHODS.md §1.3).

use super::condition::{Conditioned, Signal};
use super::episodes::{Episode, SideEpisode};
use crate::stats::moments::{extremes, resolution};
use std::ops::Range;

/// The tops of a push that are looked at, as shares of the way of the channel that turns there: a limit cuts off little or much.
const TOP_SHARES: [f64; 4] = [0.5, 0.25, 0.17, 0.12];
/// The limb below it tells how far the other channel would go meanwhile; its lowest part is left out.
const LIMB_FOOT_SHARE: f64 = 0.15;
/// It reaches so many heights of the top below the turn.
const LIMB_BANDS: f64 = 3.0;
/// The other channel says something when it would go so many times what noise does to the two means that are compared, and so many of
/// its steps.
const LEAST_SDS: f64 = 25.0;
const LEAST_STEPS: f64 = 20.0;
/// It stands still when it goes no more than this share of that, beyond what noise does to two means.
const STILL_SHARE: f64 = 0.08;
const STILL_SDS: f64 = 2.0;
/// A push reaches the limit within so many standard deviations of a conditioned sample, or steps.
const FLAT_SDS: f64 = 4.0;
/// Fewest samples in a half of the top, on either side of the turn.
const FEWEST: usize = 3;

/// Remembers where one channel of a push stood still at its top, noise and all, while the other turned there. A sensor's limit is
/// where it is: every push that reaches the level of one flat top ends there.
pub fn mark(c: &mut Conditioned, episodes: &[Episode]) {
    let of_side = |side: &'_ SideEpisode| (side.channel, pushes(side));
    let sides: Vec<(usize, Vec<Range<usize>>)> = episodes.iter().flat_map(|e| &e.sides).map(of_side).collect();
    for channel in 0..c.sides.len() {
        let pushes: Vec<&Range<usize>> = sides.iter().filter(|(k, _)| *k == channel).flat_map(|(_, p)| p).collect();
        let signals = &c.sides[channel];
        let Some(x) = &signals.displacement else { continue };
        let force = limited(&signals.force, x, &pushes, c);
        let displacement = limited(x, &signals.force, &pushes, c);
        let side = &mut c.sides[channel];
        add(&mut side.saturated, force);
        add(&mut side.stopped, displacement);
    }
}

fn add(known: &mut Vec<Range<usize>>, found: Vec<Range<usize>>) {
    for range in found {
        if !known.iter().any(|r| r.start < range.end && range.start < r.end) {
            known.push(range);
        }
    }
    known.sort_by_key(|r| r.start);
}

/// Where a channel is at its limit in each push that reaches it.
fn limited(of: &Signal, other: &Signal, pushes: &[&Range<usize>], c: &Conditioned) -> Vec<Range<usize>> {
    let step = resolution(&of.raw);
    let levels = pushes.iter().filter_map(|push| still_top(of, step, other, push));
    let Some(level) = levels.reduce(f64::max) else { return Vec::new() };
    let near = level - (FLAT_SDS * c.noise.sample_sd(of.noise_sd)).max(step);
    let at_limit = |push: &&Range<usize>| {
        let mut at = (*push).clone().filter(|i| of.y[*i] >= near);
        let first = at.next()?;
        Some(first..at.next_back().unwrap_or(first) + 1)
    };
    pushes.iter().filter_map(at_limit).collect()
}

/// Each spring from halfway to the one before, or where the hand rested before the first, to halfway to the next. A lean is none: it
/// goes through the toe, whose slope says nothing of the top.
fn pushes(side: &SideEpisode) -> Vec<Range<usize>> {
    let Some(first) = side.springs.first() else { return Vec::new() };
    let mut bounds = vec![first.rest.clamp(side.contact.start, first.peak)];
    bounds.extend(side.springs.array_windows().map(|[a, b]| (a.peak + b.peak) / 2));
    bounds.push(side.contact.end);
    bounds.array_windows().map(|[a, b]| *a..*b).collect()
}

/// The level at which a channel, of steps of `step`, stands still at the top of a push while `other` rises to its turn and comes back.
fn still_top(of: &Signal, step: f64, other: &Signal, push: &Range<usize>) -> Option<f64> {
    TOP_SHARES.into_iter().find_map(|share| still_top_of(share, of, step, other, push))
}

/// The same for one height of the top.
fn still_top_of(share: f64, of: &Signal, step: f64, other: &Signal, push: &Range<usize>) -> Option<f64> {
    let turning = other.y.get(push.clone())?;
    let (_, high) = extremes(turning);
    let peak = push.start + turning.iter().position(|v| *v >= high)?;
    // After the last spring the hand leaves: the way is that of the shorter limb.
    let (rise, fall) = turning.split_at(peak - push.start);
    let way = high - extremes(rise).0.max(extremes(fall).0);
    let band = share * way;
    let lowest = high - ((1.0 - LIMB_FOOT_SHARE) * way).min(LIMB_BANDS * band);
    let in_top = |i: &usize| other.y[*i] >= high - band;
    let start = (push.start..peak).rev().take_while(in_top).last()?;
    let end = (peak..push.end).take_while(in_top).last()? + 1;
    let foot = (push.start..start).rev().take_while(|i| other.y[*i] >= lowest).last()?;
    // What it would go in the top if it went on as in the limb below.
    let limb = of.y[start] - of.y[foot];
    let would_go = limb * band / (other.y[start] - other.y[foot]);
    let noise = of.noise_sd.max(0.5 * step);
    if would_go < LEAST_STEPS * step {
        return None;
    }
    let flank = |samples: Range<usize>| {
        let half = |from: f64| {
            let within = |i: &usize| (from..=from + band / 2.0).contains(&other.y[*i]);
            mean(&of.raw, samples.clone().filter(within))
        };
        half(high - band / 2.0).zip(half(high - band))
    };
    let still = |((top, n), (foot, m)): ((f64, usize), (f64, usize))| {
        let sd = noise * (1.0 / n as f64 + 1.0 / m as f64).sqrt();
        would_go >= LEAST_SDS * sd && (top - foot).abs() <= STILL_SHARE * would_go + STILL_SDS * sd
    };
    let (rise, fall) = (flank(start..peak + 1)?, flank(peak..end)?);
    (still(rise) && still(fall)).then_some(0.5 * (rise.0.0 + fall.0.0))
}

fn mean(y: &[f64], at: impl Iterator<Item = usize>) -> Option<(f64, usize)> {
    let (sum, n) = at.fold((0.0, 0), |(s, n), i| (s + y[i], n + 1));
    (n >= FEWEST).then(|| (sum / n as f64, n))
}
