//! What is shown to learners and their class afterwards: pages, and the tables behind them.
//!
//! [`Debrief::of`] builds everything from one analysis; pages and tables are made of it and of nothing else. No
//! number stands for a whole learner or a whole scan.

mod bands;
mod called;
mod closeness;
mod coverage;
mod drawn;
mod given;
mod goal;
mod learner;
mod marks;
mod pages;
mod points;
mod retention;
mod shares;
mod sheet;
mod sheet_page;
mod tables;
mod views;
mod words;
mod work_on;

pub use bands::{Band, BandFrom, band};
pub use closeness::{Closeness, ErrorOf, MeasureCurve};
pub use given::GivenInSession;
pub use goal::GoalSoFar;
pub use retention::{Retention, without_feedback};
pub use coverage::ScanCoverage;
pub use learner::{Learner, OverPush};
pub use crate::trace::order::{ScanTime, in_time, natural, scan_time, sessions};
pub use pages::pages;
pub use points::{TestPlace, ProgressPoint, Shown, Spot};
pub use shares::Share;
pub use sheet::{Request, Sheet, SheetCall, SheetRow, SheetTest, pre_tension};
pub use work_on::{AT_ONCE, WorkOn, outside};

use self::closeness::Targets;
use crate::format::counted;
use crate::report::followed::{Followed, followed};
use crate::results::Results;
use crate::study::call::Call;
use crate::study::folder::Study;
use crate::study::objective::Objective;
use crate::technique::TechniqueRule;
use crate::terms::Role;
use crate::trace::Test;
use std::collections::BTreeSet;

/// One debrief.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Debrief {
    pub title: Option<String>,
    pub site: Option<String>,
    pub blinded: bool,
    /// Whether sides are hidden, and how the settings stand to those registered.
    pub standing: Vec<String>,
    /// By code. Teachers are no learners.
    pub learners: Vec<Learner>,
    /// Tests of the reference.
    pub reference_tests: usize,
    /// Bands of every place and measure that a learner has a mark for.
    pub bands: Vec<(TestPlace, Shown, Option<Band>)>,
    /// Of the class, of each learner, and of each learner's session, in that order.
    pub shares: Vec<Share>,
    /// Scans of the learners.
    pub coverage: Vec<ScanCoverage>,
    /// Which tests show what stays.
    pub stays: Retention,
    /// What each learner was shown, session by session.
    pub given: Vec<GivenInSession>,
    /// The goal that was set beforehand.
    pub objective: Option<Objective>,
    /// Where each learner stands to it, of whom that may be told.
    pub goals: Vec<GoalSoFar>,
    /// What examiners called.
    pub calls: Vec<Call>,
    /// Regions that a later session looked at again.
    pub followed: Vec<Followed>,
    /// What a reader should know: strangers, people without a test, tests without an examiner.
    pub notes: Vec<DebriefNote>,
}

/// Something to know, and the codes it is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DebriefNote {
    pub text: String,
    pub codes: Vec<String>,
}

impl DebriefNote {
    /// As a sentence, with the codes or without.
    pub fn words(&self, with_codes: bool) -> String {
        match with_codes && !self.codes.is_empty() {
            true => format!("{}: {}.", self.text, self.codes.join(", ")),
            false => format!("{}.", self.text),
        }
    }
}

impl Debrief {
    /// Builds it from an analysis and what people wrote about the study. What a blind study hides is hidden in `results`
    /// already.
    pub fn of(results: &Results, study: &Study) -> Debrief {
        let roster = &study.roster;
        let people = People::of(results, study);
        let reference = &results.reference;
        let taught: Vec<&Test> = results.tests.iter().filter(|t| reference.holds(t)).collect();
        let stays = Retention::of(&results.tests);
        let scans = coverage::coverage(results, &stays);
        let targets = Targets {
            reference,
            estimates: &study.estimates,
            stays: &stays,
        };
        let of_learners: Vec<ScanCoverage> = scans
            .into_iter()
            .filter(|s| {
                s.examiner
                    .as_ref()
                    .is_some_and(|e| people.learners.contains(e.as_str()))
            })
            .collect();
        let learners: Vec<Learner> = people
            .learners
            .iter()
            .map(|code| {
                let own: Vec<&ScanCoverage> = of_learners
                    .iter()
                    .filter(|s| s.examiner.as_deref() == Some(code))
                    .collect();
                let listed = roster
                    .people
                    .iter()
                    .find(|p| p.code == *code && p.role == Role::Examiner);
                let group = listed.and_then(|p| p.group.clone());
                let on_roster = listed.is_some() || roster.people.is_empty();
                learner::learner(results, code, group, on_roster, &own, &targets)
            })
            .collect();
        let given = learners.iter().flat_map(|l| given::given(results, &l.code, &l.sessions, &stays));
        let so_far = |goal: &Objective| -> Vec<GoalSoFar> {
            let codes = learners.iter().map(|l| l.code.as_str());
            codes.filter_map(|code| goal::goal_so_far(results, &taught, code, goal)).collect()
        };
        Debrief {
            given: given.collect(),
            goals: study.objective.as_ref().map_or_else(Vec::new, so_far),
            objective: study.objective.clone(),
            calls: study.calls.clone(),
            title: results.title.clone(),
            site: results.site.clone(),
            blinded: results.blinded,
            standing: results.standing(),
            reference_tests: taught.len(),
            bands: bands_of(results, &taught, &learners),
            shares: all_shares(results, &learners, &of_learners),
            coverage: of_learners,
            followed: followed(results),
            notes: people.notes,
            stays,
            learners,
        }
    }

    /// The band of a measure at a place.
    pub fn band(&self, place: &TestPlace, measure: Shown) -> Option<Band> {
        let found = self.bands.iter().find(|b| b.0 == *place && b.1 == measure);
        found.and_then(|b| b.2)
    }
}

/// Who is who.
struct People<'a> {
    learners: BTreeSet<&'a str>,
    notes: Vec<DebriefNote>,
}

impl<'a> People<'a> {
    fn of(results: &'a Results, study: &'a Study) -> People<'a> {
        let roster = &study.roster;
        let role = |role: Role| -> BTreeSet<&'a str> {
            let own = roster.people.iter().filter(|p| p.role == role);
            own.map(|p| p.code.as_str()).collect()
        };
        let mut teachers = role(Role::Teacher);
        // Whoever made nothing but the recordings of the reference is a teacher, on the roster or not.
        let of_reference = |t: &&Test| results.reference.holds(t);
        let made: BTreeSet<&str> = results
            .tests
            .iter()
            .filter(of_reference)
            .filter_map(examiner)
            .collect();
        let others = results
            .tests
            .iter()
            .filter(|t| !of_reference(t))
            .filter_map(examiner);
        let others: BTreeSet<&str> = others.chain(role(Role::Examiner)).collect();
        teachers.extend(made.difference(&others));
        let tested: BTreeSet<&str> = results
            .tests
            .iter()
            .filter_map(|t| t.about.examiner.as_deref())
            .collect();
        // Whoever pressed over a ceiling has a page, be there a test that could be used or not.
        let pushes = results.technique.iter().filter(|f| f.rule == TechniqueRule::OverCeiling);
        let pressed: BTreeSet<&str> = pushes
            .filter_map(|f| f.examiner.as_deref())
            .chain(results.not_looked_at.iter().filter_map(|n| n.examiner.as_deref()))
            .chain(tested.iter().copied())
            .collect();
        let listed: BTreeSet<&str> = role(Role::Examiner).difference(&teachers).copied().collect();
        let mut notes = Vec::new();
        let mut note = |text: String, codes: Vec<&str>| {
            let codes = codes.into_iter().map(str::to_owned).collect();
            notes.push(DebriefNote { text, codes });
        };
        let known = |c: &&&str| listed.contains(**c) || teachers.contains(**c);
        let strangers: Vec<&str> = pressed.iter().filter(|c| !known(c)).copied().collect();
        if !strangers.is_empty() && !roster.people.is_empty() {
            let many = counted(strangers.len(), "examiner");
            note(
                format!(
                    "Recordings by {many} whom roster.csv does not name are shown all the same; add to the roster, or correct in the sidecars"
                ),
                strangers,
            );
        }
        let idle: Vec<&str> = listed.difference(&tested).copied().collect();
        if !idle.is_empty() {
            let many = counted(idle.len(), "learner");
            note(
                format!("On the roster, but without a test that could be used: {many}"),
                idle,
            );
        }
        let nobodys = results
            .tests
            .iter()
            .filter(|t| t.about.examiner.is_none())
            .count();
        if nobodys > 0 {
            let name = if nobodys == 1 { "names no examiner and is" } else { "name no examiner and are" };
            let words = format!(
                "{} {name} in no part of this: write `examiner` into the sidecars",
                counted(nobodys, "test")
            );
            note(words, Vec::new());
        }
        People {
            learners: pressed.difference(&teachers).copied().collect(),
            notes,
        }
    }
}

fn examiner(test: &Test) -> Option<&str> {
    test.about.examiner.as_deref()
}

fn bands_of(
    results: &Results,
    teachers: &[&Test],
    learners: &[Learner],
) -> Vec<(TestPlace, Shown, Option<Band>)> {
    let marks = learners.iter().flat_map(|l| &l.points);
    let wanted: BTreeSet<(TestPlace, Shown)> = marks.map(|p| (p.place.clone(), p.measure)).collect();
    wanted
        .into_iter()
        .map(|(place, measure)| {
            let band = bands::band(results, teachers, &place, measure);
            (place, measure, band)
        })
        .collect()
}

/// Shares of the class, then of each learner, then of each learner's session.
fn all_shares(results: &Results, learners: &[Learner], scans: &[ScanCoverage]) -> Vec<Share> {
    let by = |test: &Test, code: &str| test.about.examiner.as_deref() == Some(code);
    let known = |code: Option<&str>| code.is_some_and(|c| learners.iter().any(|l| l.code == c));
    let tests: Vec<&Test> = results
        .tests
        .iter()
        .filter(|t| known(t.about.examiner.as_deref()))
        .collect();
    let every: Vec<&ScanCoverage> = scans.iter().collect();
    let mut all = shares::shares(results, &tests, &every, &|r| known(r.examiner.as_deref()));
    let mut of_sessions = Vec::new();
    for learner in learners {
        let code = learner.code.as_str();
        let tests: Vec<&Test> = tests.iter().copied().filter(|t| by(t, code)).collect();
        let own: Vec<&ScanCoverage> = scans
            .iter()
            .filter(|s| s.examiner.as_deref() == Some(code))
            .collect();
        let mut found = shares::shares(results, &tests, &own, &|r| r.examiner.as_deref() == Some(code));
        found.iter_mut().for_each(|s| s.learner = Some(code.to_owned()));
        all.extend(found);
        for session in &learner.sessions {
            let tests: Vec<&Test> = tests
                .iter()
                .copied()
                .filter(|t| t.about.session.as_ref() == Some(session))
                .collect();
            let own: Vec<&ScanCoverage> = own
                .iter()
                .copied()
                .filter(|s| s.session.as_ref() == Some(session))
                .collect();
            let mut found = shares::shares(results, &tests, &own, &|r| {
                r.examiner.as_deref() == Some(code) && r.session.as_ref() == Some(session)
            });
            for share in &mut found {
                share.learner = Some(code.to_owned());
                share.session = Some(session.clone());
            }
            of_sessions.extend(found);
        }
    }
    all.extend(of_sessions);
    all
}
