//! One learner: progress over sessions, two tests to look at, and what to work on.

use super::closeness::{Closeness, MeasureCurve, Targets, closeness, curves};
use super::coverage::ScanCoverage;
use crate::trace::order::{in_time, natural, sessions};
use super::points::{ProgressPoint, TestPlace, points};
use super::work_on::{WorkOn, work_on};
use crate::columns::Measure;
use crate::results::Results;
use crate::technique::TechniqueFinding;
use crate::report::over::{OverCeilings, Whose};
use crate::terms::{Level, Region};
use crate::trace::Test;
use std::collections::BTreeSet;

/// Everything about one learner.
#[derive(Debug, Clone, PartialEq)]
pub struct Learner {
    pub code: String,
    /// Class or year, from the roster.
    pub group: Option<String>,
    /// Whether the roster has the code; true without a roster.
    pub on_roster: bool,
    /// Rows of the tests table.
    pub tests: usize,
    pub sessions: Vec<String>,
    pub points: Vec<ProgressPoint>,
    /// Every push over the ceiling.
    pub over: Vec<OverPush>,
    /// How far off the teacher's tests, and how far estimates were off the peak, session by session.
    pub closeness: Vec<Closeness>,
    /// One a measure of [`COMPARED`](crate::technique::reference::COMPARED) that can be held against the teacher.
    pub curves: Vec<MeasureCurve>,
    /// Index into the results' tests: the one with the fewest findings.
    pub closest: Option<usize>,
    /// Index into the results' tests: the one made last.
    pub latest: Option<usize>,
    /// The session that `work_on` is about.
    pub last_session: Option<String>,
    pub work_on: Vec<WorkOn>,
}

/// A push over the ceiling, to be marked in figures where a mean would hide it.
#[derive(Debug, Clone, PartialEq)]
pub struct OverPush {
    pub session: Option<String>,
    pub region: Option<Region>,
    /// `None` where it belongs to no test that is shown.
    pub place: Option<TestPlace>,
    /// Of all contacts together.
    pub peak_n: f64,
}

impl OverPush {
    fn of(finding: &TechniqueFinding, tests: &[&Test]) -> Option<OverPush> {
        let same = |t: &&&Test| finding.recording.as_ref() == Some(&t.recording) && finding.test == Some(t.test);
        Some(OverPush {
            session: finding.session.clone(),
            region: finding.level.map(Level::region),
            place: tests.iter().find(same).map(|t| TestPlace::of(t)),
            peak_n: finding.value?,
        })
    }

    /// Whether it stands in the figures of a place. One of no test stands in all of its region.
    pub fn is_at(&self, place: &TestPlace) -> bool {
        match &self.place {
            Some(own) => own == place,
            None => self.region.is_none() || self.region == place.region,
        }
    }
}

/// Puts together what is known of a learner; `scans` are the learner's own.
pub fn learner(
    results: &Results,
    code: &str,
    group: Option<String>,
    on_roster: bool,
    scans: &[&ScanCoverage],
    targets: &Targets<'_>,
) -> Learner {
    let own: Vec<usize> = (0..results.tests.len())
        .filter(|i| results.tests[*i].about.examiner.as_deref() == Some(code))
        .collect();
    let tests: Vec<&Test> = own.iter().map(|i| &results.tests[*i]).collect();
    let findings: Vec<&TechniqueFinding> = results
        .technique
        .iter()
        .filter(|r| r.examiner.as_deref() == Some(code))
        .collect();
    let sessions = sessions(tests.iter().copied());
    let pushed_in = || findings.iter().filter_map(|f| f.session.as_ref());
    let last_session = match sessions.last() {
        Some(last) => Some(last.clone()),
        None => pushed_in().max_by(|a, b| natural(a, b)).cloned(),
    };
    let to_show: Vec<usize> = own
        .iter()
        .copied()
        .filter(|i| !results.hides(&results.tests[*i]))
        .collect();
    let shown: Vec<&Test> = to_show.iter().map(|i| &results.tests[*i]).collect();
    let closeness = closeness(&shown, &sessions, targets);
    Learner {
        curves: curves(&closeness, &sessions),
        closeness,
        code: code.to_owned(),
        group,
        on_roster,
        tests: tests.len(),
        points: points(results, &tests, &sessions, targets.stays),
        over: OverCeilings::of(results, Whose::Examiner(code))
            .pushes()
            .iter()
            .filter_map(|push| OverPush::of(push, &tests))
            .collect(),
        closest: closest(results, &to_show, &findings, &sessions),
        latest: latest(results, &to_show, &sessions),
        work_on: of_session(results, &tests, &findings, scans, last_session.as_deref()),
        sessions,
        last_session,
    }
}

/// Place of a test's session among the learner's; a test without a session comes first.
fn session_rank(test: &Test, sessions: &[String]) -> Option<usize> {
    sessions
        .iter()
        .position(|s| Some(s) == test.about.session.as_ref())
}

/// The test made last: in the last session, by time where it is known, else by name.
fn latest(results: &Results, own: &[usize], sessions: &[String]) -> Option<usize> {
    let last = own
        .iter()
        .map(|i| session_rank(&results.tests[*i], sessions))
        .max()?;
    let of_last: Vec<&Test> = own
        .iter()
        .map(|i| &results.tests[*i])
        .filter(|t| session_rank(t, sessions) == last)
        .collect();
    let newest = match in_time(&of_last) {
        Some(ordered) => ordered.last().copied(),
        None => of_last.last().copied(),
    }?;
    own.iter()
        .copied()
        .find(|i| std::ptr::eq(&results.tests[*i], newest))
}

/// The test with the fewest findings; of several, the one whose excursion is nearest the middle of its band; of
/// those, the one made last.
fn closest(
    results: &Results,
    own: &[usize],
    findings: &[&TechniqueFinding],
    sessions: &[String],
) -> Option<usize> {
    let found = |t: &Test| {
        let own = findings
            .iter()
            .filter(|r| r.recording.as_ref() == Some(&t.recording) && r.test == Some(t.test));
        own.map(|r| r.rule).collect::<BTreeSet<_>>().len()
    };
    let off = |t: &Test| {
        let [low, high] = results
            .settings
            .technique
            .bands(t.about.level.map(Level::region))
            .excursion_mm;
        t.value(Measure::Excursion)
            .map_or(f64::INFINITY, |mm| (mm - (low + high) / 2.0).abs())
    };
    own.iter().copied().min_by(|a, b| {
        let (a, b) = (&results.tests[*a], &results.tests[*b]);
        let later = session_rank(b, sessions).cmp(&session_rank(a, sessions));
        found(a)
            .cmp(&found(b))
            .then(off(a).total_cmp(&off(b)))
            .then(later)
    })
}

fn of_session(
    results: &Results,
    tests: &[&Test],
    findings: &[&TechniqueFinding],
    scans: &[&ScanCoverage],
    session: Option<&str>,
) -> Vec<WorkOn> {
    let of_it = |other: &Option<String>| other.as_deref() == session;
    let findings: Vec<&TechniqueFinding> = findings.iter().copied().filter(|r| of_it(&r.session)).collect();
    let episodes: BTreeSet<_> = tests
        .iter()
        .filter(|t| of_it(&t.about.session))
        .map(|t| (&t.recording, t.test))
        .collect();
    let planned = scans
        .iter()
        .filter(|s| of_it(&s.session))
        .filter_map(|s| s.planned)
        .sum();
    work_on(&findings, episodes.len(), planned, &results.settings)
}
