//! Recordings that are another one over again: the same bytes, or the same readings written otherwise.

use super::RecordingOutcome;
use super::recording::whole_file;
use crate::error::Problem;
use crate::results::ExclusionCause;
use std::collections::BTreeMap;

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
