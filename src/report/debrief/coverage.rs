//! Each scan against its plan: levels missed, made twice, out of order, and the time it took.

use crate::trace::order::{ScanTime, scan_time};
use super::retention::Retention;
use crate::results::Results;
use crate::technique::{PlanCoverage, TechniqueRule};
use crate::terms::{Level, SessionKey, Side};
use crate::trace::Test;
use std::collections::BTreeMap;

/// One scan: the tests of one subject by one examiner in one session.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanCoverage {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    /// Name of the plan; `None` when the scan had none, and nothing of the plan is then known.
    pub plan: Option<String>,
    /// Rows of the tests table: one a test and side.
    pub tests: usize,
    /// Levels and sides that the plan has, one a test.
    pub planned: Option<usize>,
    /// Of those, with at least one test each.
    pub done: Option<usize>,
    /// Level and side of each that has no test or too few, in the order of the plan.
    pub missed: Vec<String>,
    pub doubled: Vec<String>,
    pub out_of_order: Vec<String>,
    /// Whether every test was made without feedback on another day than the learner's last feedback.
    pub retention: bool,
    pub time: Option<ScanTime>,
}

/// Every scan, by subject, examiner and session.
pub fn coverage(results: &Results, stays: &Retention) -> Vec<ScanCoverage> {
    let mut scans: BTreeMap<SessionKey, Vec<&Test>> = BTreeMap::new();
    for test in &results.tests {
        scans.entry(test.about.session()).or_default().push(test);
    }
    scans
        .into_iter()
        .map(|(key, tests)| {
            let plan = results.plans.iter().find(|p| p.scan == key);
            one(results, key, &tests, plan, stays)
        })
        .collect()
}

fn one(
    results: &Results,
    key: SessionKey,
    tests: &[&Test],
    plan: Option<&PlanCoverage>,
    stays: &Retention,
) -> ScanCoverage {
    let found = |rule: TechniqueRule| -> Vec<String> {
        let own = results.technique.iter().filter(|r| r.rule == rule);
        let own = own
            .filter(|r| (&r.subject, &r.examiner, &r.session) == (&key.subject, &key.examiner, &key.session));
        own.map(|r| spot(r.level, r.side)).collect()
    };
    let missed = found(TechniqueRule::LevelMissed);
    let planned = plan.map(planned);
    let hidden = tests.iter().any(|t| results.hides(t));
    ScanCoverage {
        plan: plan.map(|p| p.plan.clone()),
        tests: tests.len(),
        planned,
        done: planned.map(|n| n - n.min(unmade(results, &key))),
        missed,
        doubled: found(TechniqueRule::LevelDoubled),
        out_of_order: found(TechniqueRule::LevelOutOfOrder),
        retention: tests.iter().all(|t| stays.holds(t)),
        time: scan_time(tests, hidden),
        subject: key.subject,
        examiner: key.examiner,
        session: key.session,
    }
}

/// Level and side as a person reads them.
pub(super) fn spot(level: Option<Level>, side: Option<Side>) -> String {
    let (level, side) = (level.map(Level::label), side.map(Side::word));
    [level, side].into_iter().flatten().collect::<Vec<_>>().join(" ")
}

/// Tests that a plan asks for, one a level and side.
fn planned(plan: &PlanCoverage) -> usize {
    plan.steps.iter().map(|s| s.side.sides().len()).sum()
}

/// How many tests the findings on missed levels say are missing.
fn unmade(results: &Results, key: &SessionKey) -> usize {
    let own = results
        .technique
        .iter()
        .filter(|r| r.rule == TechniqueRule::LevelMissed);
    let own =
        own.filter(|r| (&r.subject, &r.examiner, &r.session) == (&key.subject, &key.examiner, &key.session));
    own.filter_map(|r| Some((r.low? - r.value?).max(0.0) as usize))
        .sum()
}
