//! Recordings that are another one over again: the same bytes, or the same readings written otherwise.

use super::RecordingOutcome;
use super::recording::whole_file;
use crate::error::Problem;
use crate::results::ExclusionCause;
use crate::stats::moments::extremes;
use crate::trace::Trace;
use std::collections::BTreeMap;

/// A force is held against another in so many means over its length.
const BLOCKS: usize = 128;
/// Readings are the same when no mean differs by more than this share of the range: rounding does less, and no two presses agree so.
const SAME_SHARE: f64 = 0.004;
/// Shorter recordings say too little.
const FEWEST: usize = 8 * BLOCKS;

/// What the readings of a recording are told again by: how many there are, and means of each force, in N.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Fingerprint {
    rows: usize,
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

    fn is_like(&self, other: &Fingerprint) -> bool {
        let (low, high) = extremes(&self.means_n);
        let most = SAME_SHARE * (high - low);
        let near = |(a, b): (&f64, &f64)| (a - b).abs() <= most;
        most > 0.0 && self.means_n.len() == other.means_n.len() && self.means_n.iter().zip(&other.means_n).all(near)
    }
}

/// Leaves out recordings that hold the bytes or the readings of an earlier one and are of the same subject, level and side: a copy is
/// no further trial, and would make repeated tests look more alike than they are. A copy under another place is named and kept,
/// since which of the two is wrong is a person's to say.
pub(super) fn leave_out_copies(outcomes: &mut [RecordingOutcome]) {
    let mut by_hash: BTreeMap<String, usize> = BTreeMap::new();
    let mut by_rows: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for i in 0..outcomes.len() {
        let hash = outcomes[i].input.sha256.clone();
        if hash.is_empty() || outcomes[i].tests.is_empty() {
            continue;
        }
        if let Some(of) = by_hash.get(&hash).copied() {
            let found = format!("the same bytes as {}", outcomes[of].input.file);
            name_copy(outcomes, i, of, found);
            continue;
        }
        by_hash.insert(hash, i);
        let Some(own) = outcomes[i].fingerprint.clone() else { continue };
        let earlier = by_rows.entry(own.rows).or_default();
        let like = |k: &&usize| outcomes[**k].fingerprint.as_ref().is_some_and(|f| f.is_like(&own));
        if let Some(of) = earlier.iter().find(like).copied() {
            let found = format!("the same readings as {}, written otherwise", outcomes[of].input.file);
            name_copy(outcomes, i, of, found);
        } else {
            earlier.push(i);
        }
    }
}

fn name_copy(outcomes: &mut [RecordingOutcome], i: usize, of: usize, found: String) {
    let places = |o: &RecordingOutcome| -> Vec<_> { o.tests.iter().map(|t| (t.about.key(), t.side())).collect() };
    let same_place = places(&outcomes[i]) == places(&outcomes[of]);
    let copy = &mut outcomes[i];
    let advice = match same_place {
        true => "it is left out; remove the copy, or put the recording in place that was meant",
        false => "its sidecar says another place; correct the wrong one, or put the recording in place that was meant",
    };
    copy.problems.push(Problem::warning(&copy.input.file, &*found, "each recording once", advice));
    if same_place {
        copy.tests.clear();
        copy.mats.clear();
        copy.untold.clear();
        copy.exclusions.push(whole_file(&copy.input.file, ExclusionCause::Unusable(found)));
    }
}
