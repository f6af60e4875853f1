//! What the readings of a recording are told again by, however they are written.

use crate::stats::moments::extremes;
use crate::trace::Trace;
use serde::{Deserialize, Serialize};

/// A force is held against another in so many means over its length.
const BLOCKS: usize = 128;
/// Readings are the same when no mean differs by more than this share of the range: rounding does less, and no two presses agree so.
const SAME_SHARE: f64 = 0.004;
/// Shorter recordings say too little.
const FEWEST: usize = 8 * BLOCKS;

/// What the readings of a recording are told again by: how many there are, and means of each force, in N.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fingerprint {
    pub(super) rows: usize,
    means_n: Vec<f64>,
}

impl Fingerprint {
    /// Of a recording with force throughout.
    pub(super) fn of(trace: &Trace) -> Option<Fingerprint> {
        let rows = trace.time_s.len();
        let size = rows / BLOCKS;
        let blocks = trace.channels.iter().flat_map(|c| c.force_n.chunks_exact(size.max(1)).take(BLOCKS));
        let mean = |block: &[f64]| {
            let valid = block.iter().filter(|v| v.is_finite());
            let (sum, n) = valid.fold((0.0, 0_usize), |(s, n), v| (s + v, n + 1));
            sum / n as f64
        };
        let means_n: Vec<f64> = blocks.map(mean).collect();
        (rows >= FEWEST && means_n.iter().all(|m| m.is_finite())).then_some(Fingerprint { rows, means_n })
    }

    /// Whether they are the same readings, however they are written.
    pub(super) fn is_like(&self, other: &Fingerprint) -> bool {
        let (low, high) = extremes(&self.means_n);
        let most = SAME_SHARE * (high - low);
        let near = |(a, b): (&f64, &f64)| (a - b).abs() <= most;
        most > 0.0 && self.means_n.len() == other.means_n.len() && self.means_n.iter().zip(&other.means_n).all(near)
    }
}
