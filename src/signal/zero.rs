//! Force zero and its drift from the stretches where the hand was off (METHODS.md §1.9).

use super::condition::{Conditioned, SideSignals};
use super::noise::FilteredNoise;
use super::unloaded::{AFTER_S, AT_REST_MM, AT_REST_SD, BEFORE_S};
use crate::stats::moments::median_in_place;
use std::ops::Range;

/// Shortest unloaded stretch that a zero is taken from, in s.
pub const SHORTEST_S: f64 = 0.2;
/// Least kept clear of a contact and of a release, where the filtered force is not at rest, in s.
const LEAST_MARGIN_S: f64 = 0.08;
/// Kept clear where the stretch is long enough, in s. A lean begins so softly that the hand is on long before the
/// force passes the contact limit: a third of a second of a minimum-jerk lean of two seconds. A release is quicker.
const BEFORE_CONTACT_S: f64 = 0.35;
const AFTER_RELEASE_S: f64 = 0.15;
/// A stretch is shortened no further than to this, in s.
const KEPT_S: f64 = 0.4;
/// A hand is on, long before the force passes the contact limit, when the displacement is away from its rest and the force there
/// stands apart from that of the rest by more than this many standard uncertainties.
const APART: f64 = 4.0;

/// Zero of one unloaded stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Node {
    /// Centre of the stretch, in samples.
    at: f64,
    zero_n: f64,
    sd_n: f64,
}

/// The force zero of one channel over a whole recording: straight lines between unloaded stretches.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ForceZero {
    nodes: Vec<Node>,
}

/// Zero before and after one contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ZeroAround {
    /// Standard uncertainty of the zero during the contact, in N.
    pub sd_n: f64,
    /// Zero after release minus zero before, with its standard uncertainty, when both are known.
    pub drift_n: Option<(f64, f64)>,
}

impl ForceZero {
    /// From the unloaded stretches between contacts, which must be sorted and lie apart.
    pub fn new(c: &Conditioned, side: &SideSignals, noise_sd: f64, contacts: &[Range<usize>]) -> Self {
        let force = &side.force.y;
        let least = c.grid.samples(SHORTEST_S);
        let mut nodes = Vec::new();
        let mut from = None;
        for k in 0..=contacts.len() {
            let to = contacts.get(k).map(|r| r.start);
            let stretch = hand_off(c, side, noise_sd, unloaded(c, from, to, force.len()));
            if stretch.len() >= least {
                nodes.push(node(&c.noise, &force[stretch.clone()], stretch.start, noise_sd));
            }
            from = contacts.get(k).map(|r| r.end);
        }
        ForceZero { nodes }
    }

    /// Takes the zero off in place. Without any unloaded stretch nothing is taken off and the answer is false.
    pub fn take_off(&self, force: &mut [f64]) -> bool {
        if self.nodes.is_empty() {
            return false;
        }
        let mut k = 0;
        for (i, f) in force.iter_mut().enumerate() {
            while k + 1 < self.nodes.len() && self.nodes[k + 1].at <= i as f64 {
                k += 1;
            }
            *f -= self.line(k, i as f64);
        }
        true
    }

    fn line(&self, k: usize, at: f64) -> f64 {
        let a = self.nodes[k];
        match self.nodes.get(k + 1) {
            Some(b) if at > a.at => a.zero_n + (at - a.at) / (b.at - a.at) * (b.zero_n - a.zero_n),
            _ => a.zero_n,
        }
    }

    /// What is known around one contact; `None` when neither side of it has an unloaded stretch.
    pub fn around(&self, contact: &Range<usize>) -> Option<ZeroAround> {
        let middle = 0.5 * (contact.start + contact.end) as f64;
        let before = self.nodes.iter().rev().find(|n| n.at < middle);
        let after = self.nodes.iter().find(|n| n.at > middle);
        match (before, after) {
            (Some(a), Some(b)) => {
                let share = (middle - a.at) / (b.at - a.at);
                let sd_n = ((1.0 - share) * a.sd_n).hypot(share * b.sd_n);
                Some(ZeroAround {
                    sd_n,
                    drift_n: Some((b.zero_n - a.zero_n, a.sd_n.hypot(b.sd_n))),
                })
            }
            (Some(n), None) | (None, Some(n)) => Some(ZeroAround {
                sd_n: n.sd_n,
                drift_n: None,
            }),
            (None, None) => None,
        }
    }

    /// Whether the stretch just before that contact gave a zero.
    pub fn known_before(&self, contact: &Range<usize>) -> bool {
        self.nodes.iter().any(|n| n.at < contact.start as f64)
    }
}

/// The part of the stretch between a release and the next contact that is clear of both.
fn unloaded(c: &Conditioned, release: Option<usize>, contact: Option<usize>, len: usize) -> Range<usize> {
    let least = c.grid.samples(LEAST_MARGIN_S);
    let edge = |at: Option<usize>| if at.is_some() { least } else { 0 };
    let begin = (release.unwrap_or(0) + edge(release)).min(len);
    let end = contact.unwrap_or(len).saturating_sub(edge(contact)).max(begin);
    let spare = (end - begin).saturating_sub(c.grid.samples(KEPT_S));
    let wanted = |at: Option<usize>, s: f64| {
        if at.is_some() {
            c.grid.samples(s).saturating_sub(least)
        } else {
            0
        }
    };
    let at_end = wanted(contact, BEFORE_CONTACT_S).min(spare);
    let at_begin = wanted(release, AFTER_RELEASE_S).min(spare - at_end);
    begin + at_begin..end - at_end
}

/// A stretch without the ends at which the displacement is away from its rest and the force with it: a hand that comes or goes
/// so slowly that the margins do not hold it.
fn hand_off(c: &Conditioned, side: &SideSignals, noise_sd: f64, stretch: Range<usize>) -> Range<usize> {
    let Some(displacement) = &side.displacement else {
        return stretch;
    };
    let x = &displacement.y[stretch.clone()];
    let mut sorted = x.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let Some(rest) = sorted.get(sorted.len() / 5) else {
        return stretch;
    };
    let limit = AT_REST_MM + AT_REST_SD * c.noise.sample_sd(displacement.noise_sd);
    let rests = |x: &f64| (x - rest).abs() <= limit;
    let (Some(first), Some(last)) = (x.iter().position(rests), x.iter().rposition(rests)) else {
        return stretch;
    };
    let inner = |gone: usize, s: f64| if gone > 0 { c.grid.samples(s) } else { 0 };
    let begin = stretch.start + first + inner(first, AFTER_S);
    let end = (stretch.start + last + 1).saturating_sub(inner(x.len() - 1 - last, BEFORE_S));
    if end < begin + c.grid.samples(KEPT_S) {
        return stretch;
    }
    let told = |part: Range<usize>| node(&c.noise, &side.force.y[part.clone()], part.start, noise_sd);
    let kept = told(begin..end);
    let apart = |part: &Range<usize>| {
        let other = told(part.clone());
        !part.is_empty() && (other.zero_n - kept.zero_n).abs() > APART * other.sd_n.hypot(kept.sd_n)
    };
    let (before, after) = (stretch.start..begin, end..stretch.end);
    let begin = if apart(&before) { begin } else { stretch.start };
    let end = if apart(&after) { end } else { stretch.end };
    begin..end
}

fn node(noise: &FilteredNoise, stretch: &[f64], begin: usize, noise_sd: f64) -> Node {
    let sd_n = noise.median_sd(noise_sd, stretch.len());
    Node {
        at: begin as f64 + 0.5 * stretch.len().saturating_sub(1) as f64,
        zero_n: median_in_place(&mut stretch.to_vec()).unwrap_or(0.0),
        sd_n,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_zero_around_a_contact_is_that_of_its_neighbours() {
        let node = |at: f64, zero_n: f64, sd_n: f64| Node { at, zero_n, sd_n };
        let zero = ForceZero {
            nodes: vec![node(0.0, 0.0, 0.3), node(1000.0, 2.0, 0.4), node(2000.0, 7.0, 0.5)],
        };
        // Halfway between the first two; a mean of two has half of both errors.
        let first = zero.around(&(400..600)).unwrap();
        let (drift, sd) = first.drift_n.unwrap();
        assert!((drift - 2.0).abs() < 1e-12 && (sd - 0.5).abs() < 1e-12, "{first:?}");
        assert!((first.sd_n - 0.25).abs() < 1e-12, "{first:?}");
        let second = zero.around(&(1400..1600)).unwrap();
        assert!((second.drift_n.unwrap().0 - 5.0).abs() < 1e-12, "{second:?}");
        let last = zero.around(&(2400..2600)).unwrap();
        assert_eq!((last.sd_n, last.drift_n), (0.5, None));
        let mut force = [3.0; 2001];
        assert!(zero.take_off(&mut force));
        for (i, left) in [(0, 3.0), (500, 2.0), (1000, 1.0), (1500, -1.5), (2000, -4.0)] {
            assert!((force[i] - left).abs() < 1e-12, "{i}: {}", force[i]);
        }
    }

    fn conditioned(rate_hz: f64, len: usize) -> Conditioned {
        let low_pass = super::super::filter::LowPass::zero_phase(20.0, rate_hz).unwrap();
        Conditioned {
            grid: super::super::grid::Grid { start_s: 0.0, step_s: 1.0 / rate_hz, len, as_recorded: true },
            cutoff_hz: 20.0,
            noise: FilteredNoise::new(&low_pass, rate_hz, 20.0),
            low_pass,
            sides: Vec::new(),
            marker: None,
            drive_deg: None,
            notes: Vec::new(),
        }
    }

    #[test]
    fn an_unloaded_stretch_keeps_clear_of_release_and_contact_as_far_as_there_is_room() {
        let c = conditioned(1000.0, 20_000);
        assert_eq!(unloaded(&c, Some(1000), Some(9000), 20_000), 1150..8650);
        assert_eq!(unloaded(&c, None, Some(9000), 20_000), 0..8650);
        assert_eq!(unloaded(&c, Some(15_000), None, 20_000), 15_150..20_000);
        // 0.76 s: 0.08 s are left at both ends in any case, 0.4 s kept; of the 0.2 s to spare the contact has all.
        assert_eq!(unloaded(&c, Some(1000), Some(1760), 20_000), 1080..1480);
        // 0.88 s: 0.27 s before the contact, and what is left of 0.32 s after the release.
        assert_eq!(unloaded(&c, Some(1000), Some(1880), 20_000), 1130..1530);
        let node = node(&c.noise, &[1.0, 2.0, 9.0], 500, 0.1);
        assert_eq!((node.at, node.zero_n), (501.0, 2.0));
    }
}
