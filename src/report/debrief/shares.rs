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
    /// Tests in which the rule could be judged; scans that have a plan.
    pub judged: usize,
    /// Pushes over a ceiling that no test holds.
    pub in_no_test: usize,
    /// Share in percent with its 95 % score interval; `None` of none, and where nothing was measured.
    pub percent: Option<[f64; 3]>,
}

impl Share {
    fn new(rule: TechniqueRule, of: &'static str, made: Made, judged: usize, total: usize) -> Share {
        let total = total.max(made.tests);
        let judged = judged.max(made.tests);
        let interval = share_interval(made.tests, total, CONFIDENCE).ok().flatten().filter(|_| judged > 0);
        let percent = interval.and_then(|i| Some([i.value, i.low?, i.high?].map(|v| 100.0 * v)));
        Share {
            learner: None,
            session: None,
            rule,
            of,
            total,
            with_finding: made.tests,
            judged,
            in_no_test: made.in_no_test,
            percent,
        }
    }
}

/// In how many tests a finding was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Made {
    /// A finding without a recording (a blind study's, or one of a plan) is one each.
    pub tests: usize,
    /// Pushes over a ceiling that no test holds: no share of tests, and told beside it.
    pub in_no_test: usize,
}

impl Made {
    pub fn of<'a>(findings: impl Iterator<Item = &'a TechniqueFinding>) -> Made {
        let mut named = BTreeSet::new();
        let (mut unnamed, mut in_no_test) = (0, 0);
        for finding in findings {
            match (&finding.recording, finding.test) {
                (Some(recording), Some(test)) => _ = named.insert((recording, test)),
                (Some(_), None) if finding.rule == TechniqueRule::OverCeiling => in_no_test += 1,
                _ => unnamed += 1,
            }
        }
        Made {
            tests: named.len() + unnamed,
            in_no_test,
        }
    }
}

/// `, and 1 push in no test`; empty without one.
pub fn in_no_test_words(pushes: usize) -> String {
    match pushes {
        0 => String::new(),
        1 => ", and 1 push in no test".to_owned(),
        n => format!(", and {n} pushes in no test"),
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
            let of_rule = findings.iter().filter(|r| r.rule == check.rule);
            if check.rule.is_of_the_plan() {
                let hit: BTreeSet<_> = of_rule.map(|r| (&r.subject, &r.examiner, &r.session)).collect();
                let hit = planned
                    .iter()
                    .filter(|s| hit.contains(&(&s.subject, &s.examiner, &s.session)));
                let made = Made {
                    tests: hit.count(),
                    in_no_test: 0,
                };
                return Share::new(check.rule, "scans", made, planned.len(), planned.len());
            }
            // The one finding that a blind study still tells of a side, without saying which.
            let total = match check.rule {
                TechniqueRule::OverCeiling => all,
                _ => seen,
            };
            let judged = |t: &Test| check.rule.is_judged_in(t, &results.settings);
            let judged = match check.rule {
                TechniqueRule::OverCeiling => episodes(&judged),
                _ => episodes(&|t| judged(t) && !results.hides(t)),
            };
            Share::new(check.rule, "tests", Made::of(of_rule.copied()), judged, total)
        })
        .collect()
}
