//! How many tests, or scans, each technique finding was made in.

use super::coverage::ScanCoverage;
use super::points::CONFIDENCE;
use crate::results::Results;
use crate::stats::agreement::psychometric::share_interval;
use crate::technique::{RULES, TechniqueFinding, TechniqueRule};
use crate::trace::Test;
use std::collections::BTreeSet;

/// How many tests or scans a finding was made in, of how many.
#[derive(Debug, Clone, PartialEq)]
pub struct Share {
    /// `None` for the whole class.
    pub learner: Option<String>,
    /// `None` for all sessions.
    pub session: Option<String>,
    pub rule: TechniqueRule,
    /// `tests` or `scans`.
    pub of: &'static str,
    pub total: usize,
    pub with_finding: usize,
    /// Share in percent with its 95 % score interval; `None` of none.
    pub percent: Option<[f64; 3]>,
}

impl Share {
    fn new(rule: TechniqueRule, of: &'static str, with_finding: usize, total: usize) -> Share {
        let interval = share_interval(with_finding, total, CONFIDENCE).ok().flatten();
        let percent = interval.and_then(|i| Some([i.value, i.low?, i.high?].map(|v| 100.0 * v)));
        Share {
            learner: None,
            session: None,
            rule,
            of,
            total,
            with_finding,
            percent,
        }
    }
}

/// One share for each rule over some tests and scans; `belongs` says which findings are of them.
///
/// A test is an episode of contact: both sides of a bilateral trace are one. In a blind study a test whose values
/// are hidden counts for the ceiling only.
pub fn shares(
    results: &Results,
    tests: &[&Test],
    scans: &[&ScanCoverage],
    belongs: &dyn Fn(&TechniqueFinding) -> bool,
) -> Vec<Share> {
    let findings: Vec<&TechniqueFinding> = results.technique.iter().filter(|r| belongs(r)).collect();
    let episodes = |told: &dyn Fn(&Test) -> bool| -> usize {
        let told = tests.iter().filter(|t| told(t));
        told.map(|t| (&t.recording, t.test))
            .collect::<BTreeSet<_>>()
            .len()
    };
    let (all, seen) = (episodes(&|_| true), episodes(&|t| !results.hides(t)));
    let planned: Vec<&&ScanCoverage> = scans.iter().filter(|s| s.plan.is_some()).collect();
    RULES
        .iter()
        .map(|check| {
            // A force that no test holds is no share of tests; pages tell it by itself.
            let of_rule = findings
                .iter()
                .filter(|r| r.rule == check.rule && (r.test.is_some() || r.recording.is_none()));
            if check.rule.is_of_the_plan() {
                let hit: BTreeSet<_> = of_rule.map(|r| (&r.subject, &r.examiner, &r.session)).collect();
                let hit = planned
                    .iter()
                    .filter(|s| hit.contains(&(&s.subject, &s.examiner, &s.session)));
                return Share::new(check.rule, "scans", hit.count(), planned.len());
            }
            // The one finding that a blind study still tells of a side, without saying which.
            let total = match check.rule {
                TechniqueRule::OverCeiling => all,
                _ => seen,
            };
            let hit = episodes_hit(of_rule.copied());
            Share::new(check.rule, "tests", hit, total.max(hit))
        })
        .collect()
}

/// Tests that these findings are on. A finding without a recording (a blind study's) is one test each.
fn episodes_hit<'a>(findings: impl Iterator<Item = &'a TechniqueFinding>) -> usize {
    let mut named = BTreeSet::new();
    let mut unnamed = 0;
    for finding in findings {
        match (&finding.recording, finding.test) {
            (Some(recording), Some(test)) => _ = named.insert((recording, test)),
            _ => unnamed += 1,
        }
    }
    named.len() + unnamed
}
