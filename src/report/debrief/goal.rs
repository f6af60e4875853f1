//! The objective of study.toml held against a learner's tests: a goal for teaching, and no mark.

use super::points::{Shown, TestPlace};
use super::retention::without_feedback;
use super::{Band, bands};
use crate::columns::Measure;
use crate::format::{counted, number};
use crate::results::Results;
use crate::study::objective::Objective;
use crate::technique::{TechniqueRule, ceiling_of};
use crate::terms::Feedback;
use crate::trace::Test;
use crate::trace::order::{natural, sessions};
use std::collections::BTreeSet;

/// Where a learner stands to the goal.
#[derive(Debug, Clone, PartialEq)]
pub struct GoalSoFar {
    pub learner: String,
    pub goal: Objective,
    /// The learner's last tests that count, no more than the goal asks for.
    pub tests: usize,
    pub in_band: usize,
    /// Those whose measure or band is not known.
    pub not_judged: usize,
    /// Those that passed a ceiling.
    pub over_ceiling: usize,
}

impl GoalSoFar {
    /// Whether it is reached by now.
    pub fn is_reached(&self) -> bool {
        self.in_band >= self.goal.in_band as usize && self.over_ceiling == 0
    }

    /// `goal of 4 of 5 in band: 3 of 5 so far`.
    pub fn words(&self) -> String {
        let mut words = format!(
            "goal of {} of {} in band: {} of {} so far",
            self.goal.in_band, self.goal.tests, self.in_band, self.tests
        );
        if self.not_judged > 0 {
            words += &format!(", {} of them without the measure or a band to judge it by", self.not_judged);
        }
        words += &match self.over_ceiling {
            0 => String::new(),
            n => format!("; a ceiling was passed in {}, which the goal rules out", counted(n, "test")),
        };
        words + if self.is_reached() { ": reached for now" } else { "" }
    }
}

/// The goal itself, as a sentence.
pub fn goal_words(goal: &Objective) -> String {
    let info = goal.measure.info();
    let band = match goal.band {
        Some([low, high]) => {
            let n = |v: f64| number(v, info.decimals.min(1));
            format!("between {} and {}\u{a0}{}", n(low), n(high), info.unit)
        }
        None => "in its band".to_owned(),
    };
    let feedback = match goal.feedback {
        Some(Feedback::None) => " without feedback".to_owned(),
        Some(other) => format!(" with feedback {other}"),
        None => String::new(),
    };
    format!(
        "{} of a learner's last {} tests{feedback} with the {} {band}, and no ceiling passed in them",
        goal.in_band, goal.tests, info.label
    )
}

/// Holds the goal against the last tests of a learner; `None` where nothing of them may be told, or there is none.
pub fn goal_so_far(results: &Results, teachers: &[&Test], code: &str, goal: &Objective) -> Option<GoalSoFar> {
    let counts = |t: &&Test| match goal.feedback {
        Some(Feedback::None) => without_feedback(t),
        Some(mode) => t.about.feedback == Some(mode),
        None => true,
    };
    let own = results.tests.iter().filter(|t| t.about.examiner.as_deref() == Some(code));
    let mut own: Vec<&Test> = own.filter(counts).collect();
    if own.is_empty() || own.iter().any(|t| results.hides(t)) {
        return None;
    }
    let order = sessions(own.iter().copied());
    let rank = |t: &Test| order.iter().position(|s| Some(s) == t.about.session.as_ref());
    own.sort_by(|a, b| {
        let time = a.about.recorded_at.cmp(&b.about.recorded_at);
        let name = natural(&a.recording, &b.recording);
        rank(a).cmp(&rank(b)).then(time).then(name).then(a.test.cmp(&b.test))
    });
    // Both sides of a test are one, in band when each of them is.
    let mut last: Vec<(&str, u32)> = own.iter().map(|t| (t.recording.as_str(), t.test)).collect();
    last.dedup();
    let last: BTreeSet<(&str, u32)> = last.into_iter().rev().take(goal.tests as usize).collect();
    let mut so_far = GoalSoFar {
        learner: code.to_owned(),
        goal: goal.clone(),
        tests: last.len(),
        in_band: 0,
        not_judged: 0,
        over_ceiling: 0,
    };
    for (recording, number) in last {
        let sides = own.iter().filter(|t| t.recording == recording && t.test == number);
        let judged: Option<Vec<bool>> = sides.map(|t| is_in_band(results, teachers, t, goal)).collect();
        match judged {
            Some(sides) => so_far.in_band += usize::from(sides.iter().all(|inside| *inside)),
            None => so_far.not_judged += 1,
        }
        let over = results.technique.iter().any(|f| {
            f.rule == TechniqueRule::OverCeiling && f.recording.as_deref() == Some(recording) && f.test == Some(number)
        });
        so_far.over_ceiling += usize::from(over);
    }
    Some(so_far)
}

/// Whether the measure lies in the band; `None` without the one or the other.
fn is_in_band(results: &Results, teachers: &[&Test], test: &Test, goal: &Objective) -> Option<bool> {
    let value = test.value(goal.measure)?;
    let band = match goal.band {
        Some([low, high]) => [Some(low), Some(high)],
        None => {
            let shown = Shown::ALL.into_iter().find(|s| s.measure() == goal.measure);
            match shown.and_then(|s| bands::band(results, teachers, &TestPlace::of(test), s)) {
                Some(Band { low, high, .. }) => [low, high],
                None if goal.measure == Measure::Peak => [None, Some(ceiling_of(test, &results.settings).newtons)],
                None => return None,
            }
        }
    };
    Some(band[0].is_none_or(|low| value >= low) && band[1].is_none_or(|high| value <= high))
}
