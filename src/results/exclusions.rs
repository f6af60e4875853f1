//! What was left out, by whom and why.

use crate::format::{duration, moment};
use crate::terms::{Side, closed_terms};
use crate::trace::{DropCause, HIDDEN, Test};
use serde::{Deserialize, Serialize};
use std::fmt;

closed_terms! {
    /// What was left out.
    pub enum Excluded {
        File = "file",
        Test = "test",
        Spring = "spring",
    }
}

/// Why it was left out. All but [`ExclusionCause::Person`] are rules.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum ExclusionCause {
    /// The first of three or more springs.
    Preconditioning,
    /// A spring that cannot be measured.
    Dropped(DropCause),
    /// A contact too short to be a test.
    ShortContact { begin_s: f64, end_s: f64 },
    /// A recording that could not be read or analysed: what was found in it.
    Unusable(String),
    /// Somebody left it out, for this reason.
    Person(String),
    /// The reason would tell of a measured side of a blind study.
    Hidden,
}

impl fmt::Display for ExclusionCause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ExclusionCause::Preconditioning => {
                f.write_str("preconditioning: the first of three or more springs")
            }
            ExclusionCause::Dropped(cause) => cause.fmt(f),
            ExclusionCause::ShortContact { begin_s, end_s } => write!(
                f,
                "a touch of {} at {} is too short to be a test",
                duration(end_s - begin_s),
                moment(*begin_s)
            ),
            ExclusionCause::Unusable(reason) | ExclusionCause::Person(reason) => f.write_str(reason),
            ExclusionCause::Hidden => f.write_str(HIDDEN),
        }
    }
}

/// A file, a test or a spring that was left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Exclusion {
    pub what: Excluded,
    pub recording: String,
    pub test: Option<u32>,
    pub side: Option<Side>,
    pub spring: Option<u32>,
    pub cause: ExclusionCause,
}

impl Exclusion {
    /// Leaves out a whole file, or a part of it that has no number.
    pub fn in_recording(what: Excluded, recording: &str, cause: ExclusionCause) -> Exclusion {
        Exclusion {
            what,
            recording: recording.to_owned(),
            test: None,
            side: None,
            spring: None,
            cause,
        }
    }

    /// Whether a person left it out, and not a rule.
    pub fn is_by_person(&self) -> bool {
        matches!(self.cause, ExclusionCause::Person(_))
    }

    /// Who left it out, as tables say it.
    pub fn by(&self) -> &'static str {
        if self.is_by_person() { "person" } else { "rule" }
    }

    /// Whether it is a first spring, which is left out of the means as a matter of course.
    pub fn is_preconditioning(&self) -> bool {
        self.cause == ExclusionCause::Preconditioning
    }
}

/// One exclusion for every spring of these tests that enters no mean: dropped, or preconditioning. With them in
/// [`Results::exclusions`](super::Results::exclusions), springs found less springs excluded are the springs in the means.
pub fn spring_exclusions(tests: &[Test]) -> Vec<Exclusion> {
    let left_out = tests.iter().flat_map(|t| {
        let springs = t.springs.iter().filter(|s| !s.counted || s.dropped.is_some());
        springs.map(move |s| (t, s))
    });
    left_out
        .map(|(test, spring)| Exclusion {
            what: Excluded::Spring,
            recording: test.recording.clone(),
            test: Some(test.test),
            side: test.side(),
            spring: Some(spring.number),
            cause: spring
                .dropped
                .map_or(ExclusionCause::Preconditioning, ExclusionCause::Dropped),
        })
        .collect()
}
