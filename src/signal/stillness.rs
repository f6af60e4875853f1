//! A displacement that stands still while the hand presses: what a sensor that is unplugged or stuck gives
//! (METHODS.md §1.2).

use super::condition::Conditioned;
use crate::settings::Settings;
use std::ops::Range;

/// A displacement that spans no more than this many standard deviations of its own filtered noise shows no movement:
/// pure noise spans five or six over a test.
const STILL_SIGMA: f64 = 8.0;
/// Rounding in the low pass, as a share of the value.
const ROUNDING: f64 = 1e-9;

/// Takes away each displacement that stood still over the whole recording: springs are then found in force.
pub fn disregard_stuck(c: &mut Conditioned, settings: &Settings) {
    let whole = 0..c.grid.len;
    let stuck: Vec<bool> = (0..c.sides.len())
        .map(|channel| c.sides[channel].displacement.is_some() && stands_still(c, channel, &whole, settings))
        .collect();
    for (side, stuck) in c.sides.iter_mut().zip(stuck) {
        if stuck {
            side.displacement = None;
            side.displacement_stuck = true;
        }
    }
}

/// Whether the displacement under a channel, where there is one, stands still within a range. A value that is no number
/// shows no movement either.
pub fn stands_still(c: &Conditioned, channel: usize, within: &Range<usize>, settings: &Settings) -> bool {
    let shared = c.sides[channel].displacement_shared;
    let side = &c.sides[if shared { 0 } else { channel }];
    let Some(x) = &side.displacement else { return false };
    // The give of the plinth was taken off, and moves with force.
    let give = settings.instrument.plinth_compliance_mm_per_n;
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for i in within.clone() {
        let (Some(x), Some(f)) = (x.y.get(i), side.force.y.get(i)) else { break };
        let as_recorded = if give > 0.0 { x + give * f } else { *x };
        (low, high) = (low.min(as_recorded), high.max(as_recorded));
    }
    let noise_mm = c.noise.sample_sd(x.noise_sd);
    let limit = (STILL_SIGMA * noise_mm).max(ROUNDING * low.abs().max(high.abs()).max(1.0));
    let way = high - low;
    way.is_nan() || way <= limit
}
