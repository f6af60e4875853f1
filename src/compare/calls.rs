//! The examiner's call beside what was measured.

use super::{Call, Decision};
use crate::terms::{Felt, TestKey};

/// The examiner's call of a level: the one made most often over the trials of the session; of several made equally
/// often, the one of the latest trial.
pub(super) fn call_of(calls: &[Call], key: &TestKey) -> Option<Felt> {
    let mut made: Vec<&Call> = calls
        .iter()
        .filter(|c| {
            key.subject.as_ref() == Some(&c.subject)
                && key.examiner.as_ref() == Some(&c.examiner)
                && key.session.as_ref() == Some(&c.session)
                && key.level == Some(c.level)
        })
        .collect();
    made.sort_by_key(|c| c.trial);
    let often = |felt: Felt| made.iter().filter(|c| c.call == felt).count();
    // Of equals, max_by_key keeps the last: the latest trial.
    made.iter().map(|c| c.call).max_by_key(|felt| often(*felt))
}

/// Whether call and decision name the same; `None` when the examiner was unsure or the measurement undecided.
pub(super) fn agrees(call: Felt, decision: Decision) -> Option<bool> {
    let called = match call {
        Felt::Left => Decision::Left,
        Felt::Right => Decision::Right,
        Felt::Even => Decision::Even,
        Felt::Unsure => return None,
    };
    let decided = matches!(decision, Decision::Left | Decision::Right | Decision::Even);
    decided.then_some(called == decision)
}
