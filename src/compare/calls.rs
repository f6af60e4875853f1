//! The examiner's call beside what was measured.

use super::{Call, Decision, Key};

/// The examiner's call of a level: the one made most often over the trials of the scan; of several made equally
/// often, the one of the latest trial. Case and outer spaces are set aside.
pub(super) fn call_of(calls: &[Call], key: &Key) -> Option<String> {
    let mut made: Vec<(Option<u32>, usize, String)> = calls
        .iter()
        .enumerate()
        .filter(|(_, c)| {
            key.subject.as_ref() == Some(&c.subject)
                && key.examiner.as_ref() == Some(&c.examiner)
                && key.session.as_ref() == Some(&c.session)
                && Some(&c.level) == key.level.as_ref()
        })
        .map(|(row, c)| (c.trial, row, c.call.trim().to_ascii_lowercase()))
        .collect();
    made.sort();
    let often = |word: &str| made.iter().filter(|(.., w)| w == word).count();
    // Of equals, max_by_key keeps the last: the latest trial.
    let chosen = made.iter().max_by_key(|(.., word)| often(word))?;
    Some(chosen.2.clone())
}

/// Whether call and decision name the same; `None` when the examiner was unsure or the measurement undecided.
pub(super) fn agrees(call: &str, decision: Decision) -> Option<bool> {
    let called = matches!(call, "left" | "right" | "even");
    let decided = matches!(decision, Decision::Left | Decision::Right | Decision::Even);
    (called && decided).then(|| call == decision.word())
}
