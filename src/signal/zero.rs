//! Force zero and its drift from the stretches where the hand was off (methods §1.4).

use super::condition::Conditioned;
use super::feet::median;
use super::noise::FilteredNoise;
use std::ops::Range;

/// Shortest unloaded stretch that a zero is taken from, in s.
pub const SHORTEST_S: f64 = 0.2;
/// Kept clear of the touch, where the filtered force already rises, in s.
const MARGIN_S: f64 = 0.08;

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
    pub fn new(c: &Conditioned, force: &[f64], noise_sd: f64, contacts: &[Range<usize>]) -> Self {
        let margin = c.grid.samples(MARGIN_S);
        let least = c.grid.samples(SHORTEST_S);
        let mut nodes = Vec::new();
        let mut begin = 0;
        for k in 0..=contacts.len() {
            let end = contacts
                .get(k)
                .map_or(force.len(), |r| r.start.saturating_sub(margin));
            if end >= begin + least {
                nodes.push(node(&c.noise, &force[begin..end], begin, noise_sd));
            }
            if let Some(r) = contacts.get(k) {
                begin = (r.end + margin).min(force.len());
            }
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

fn node(noise: &FilteredNoise, stretch: &[f64], begin: usize, noise_sd: f64) -> Node {
    let sd_n = noise.median_sd(noise_sd, stretch.len());
    Node {
        at: begin as f64 + 0.5 * (stretch.len() - 1) as f64,
        zero_n: median(&mut stretch.to_vec()),
        sd_n,
    }
}
