//! What learners were shown of their tests, session by session.

use super::retention::Retention;
use crate::results::Results;
use crate::terms::Given;
use crate::trace::Test;
use std::collections::{BTreeMap, BTreeSet};

/// How many tests of a learner's session were followed by what. Both sides of one test count once.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct GivenInSession {
    pub learner: String,
    pub session: Option<String>,
    pub tests: usize,
    pub during: usize,
    pub after: usize,
    pub summary: usize,
    pub nothing: usize,
    /// Nobody noted what was shown.
    pub not_noted: usize,
    /// Without feedback on another day than the learner's last feedback.
    pub retention: usize,
}

impl GivenInSession {
    fn add(&mut self, test: &Test, stays: &Retention) {
        self.tests += 1;
        let count = match test.about.given {
            Some(Given::During) => &mut self.during,
            Some(Given::After) => &mut self.after,
            Some(Given::Summary) => &mut self.summary,
            Some(Given::None) => &mut self.nothing,
            None => &mut self.not_noted,
        };
        *count += 1;
        self.retention += usize::from(stays.holds(test));
    }

    /// `during 2, after 3, none 1`, as far as it was noted.
    pub fn words(&self) -> String {
        let counts = [
            ("during", self.during),
            ("after", self.after),
            ("in a summary", self.summary),
            ("none", self.nothing),
            ("not noted", self.not_noted),
        ];
        let made = counts.iter().filter(|(_, n)| *n > 0);
        made.map(|(word, n)| format!("{word} {n}")).collect::<Vec<_>>().join(", ")
    }
}

/// Every session of a learner, in the order of `sessions`; tests without one last.
pub fn given(results: &Results, code: &str, sessions: &[String], stays: &Retention) -> Vec<GivenInSession> {
    let mut seen = BTreeSet::new();
    let mut found: BTreeMap<usize, GivenInSession> = BTreeMap::new();
    let own = results.tests.iter().filter(|t| t.about.examiner.as_deref() == Some(code));
    for test in own {
        if !seen.insert((&test.recording, test.test)) {
            continue;
        }
        let rank = sessions.iter().position(|s| Some(s) == test.about.session.as_ref());
        let of = found.entry(rank.unwrap_or(sessions.len())).or_insert_with(|| GivenInSession {
            learner: code.to_owned(),
            session: test.about.session.clone(),
            ..GivenInSession::default()
        });
        of.add(test, stays);
    }
    found.into_values().collect()
}
