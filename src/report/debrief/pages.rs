//! The class page and the learners' pages.

use crate::format::counted;
use super::called::call_table;
use super::drawn::{self, PlaceView};
use super::goal::{GoalSoFar, goal_words};
use super::points::Shown;
use super::views::{self, Audience, WorkOnView};
use super::{Debrief, ErrorOf, Learner, ScanCoverage};
use crate::error::Result;
use crate::plot::{mat_figures, test_panels};
use crate::report::followed::FollowedView;
use crate::report::frame::{Page, PageTable, STYLE};
use crate::report::over::{OverCeilings, Whose};
use crate::report::html::{Context, safe_name, test_heading};
use crate::results::Results;
use crate::study::cautions::CAUTIONS;
use crate::technique::TechniqueRule;
use serde::Serialize;
use std::collections::BTreeSet;

const MACROS: &str = include_str!("macros.html");
const CLASS: &str = include_str!("class.html");
const LEARNER: &str = include_str!("learner.html");
const OWN_STYLE: &str = include_str!("debrief.css");
const SCRIPT: &str = include_str!("tables.js");

#[derive(Serialize)]
struct ClassView {
    version: &'static str,
    title: String,
    site: Option<String>,
    counts: String,
    /// What is told of ceilings before anything else.
    over_ceiling: Vec<String>,
    /// Every push over a ceiling.
    pushes: Option<PageTable>,
    standing: Vec<String>,
    blinded: bool,
    codes: bool,
    notes: Vec<String>,
    places: Vec<PlaceView>,
    hands: Vec<PlaceView>,
    /// What was shown of the tests.
    given: Option<PageTable>,
    /// The goal that was set beforehand, and how many have reached it by now.
    goal: Option<String>,
    shares: PageTable,
    by_learner: Option<PageTable>,
    scans_in_short: String,
    scans: PageTable,
    times: Vec<&'static str>,
    /// With codes only.
    learners: Vec<LinkView>,
    followed: Vec<FollowedView>,
    /// Ceilings in use, and whose they are.
    ceilings: Vec<String>,
    cautions: &'static [&'static str],
}

#[derive(Serialize)]
struct LinkView {
    href: String,
    code: String,
    group: Option<String>,
    counts: String,
}

#[derive(Serialize)]
struct LearnerView {
    version: &'static str,
    title: String,
    code: String,
    counts: String,
    /// What is told of ceilings before anything else.
    over_ceiling: Vec<String>,
    /// Every push over a ceiling.
    pushes: Option<PageTable>,
    /// Whether no test could be used.
    untested: bool,
    standing: Vec<String>,
    blinded: bool,
    work_on: Vec<WorkOnView>,
    /// Whether going over the ceiling is among it.
    over: bool,
    /// Means of the last session that lie outside their band.
    outside: Vec<String>,
    last_session: Option<String>,
    places: Vec<PlaceView>,
    /// How far off the teacher's tests.
    closeness: Vec<String>,
    curves: Vec<String>,
    /// How far estimates were off the measured peak.
    estimates: Vec<String>,
    estimate_words: Vec<String>,
    retention: Option<PageTable>,
    /// The goal that was set beforehand, and where the learner stands.
    goal: Option<[String; 2]>,
    calls: Option<PageTable>,
    sessions: PageTable,
    tests: Vec<TestFigures>,
    shares: PageTable,
    scans: PageTable,
    times: Vec<&'static str>,
    followed: Vec<FollowedView>,
    cautions: &'static [&'static str],
}

#[derive(Serialize)]
struct TestFigures {
    heading: String,
    why: &'static str,
    /// The panels of the test and, from a mat, pressure and both hands.
    svgs: Vec<String>,
    findings: Vec<String>,
}

/// Every page with its path in the folder: the class's, then the learners'.
///
/// Without `codes` the class's page names nobody and links nowhere.
///
/// # Errors
/// [`Error::Refused`] when a page could not be put together; that is a fault of the program.
pub fn pages(debrief: &Debrief, results: &Results, codes: bool) -> Result<Vec<(String, String)>> {
    let mut names = crate::report::html::UniqueNames::default();
    let files: Vec<String> = debrief
        .learners
        .iter()
        .map(|l| format!("learners/{}.html", names.take(&safe_name(&l.code))))
        .collect();
    let class = class_view(debrief, results, &files, codes);
    let mut pages = vec![(
        "class.html".to_owned(),
        render("class.html", CLASS, &class)?,
    )];
    let context = Context::new(results);
    for (learner, file) in debrief.learners.iter().zip(files) {
        let view = learner_view(debrief, results, learner, &context);
        pages.push((file, render("learner.html", LEARNER, &view)?));
    }
    Ok(pages)
}

/// A page with the style of all pages and our own; only the class's page has a script.
fn render(name: &str, template: &str, view: &impl Serialize) -> Result<String> {
    let page = Page {
        what: "a page of the debrief",
        templates: &[("macros.html", MACROS), (name, template)],
        style: &format!("{STYLE}{OWN_STYLE}"),
        script: (name == "class.html").then_some(SCRIPT),
    };
    page.render(view)
}

fn title(debrief: &Debrief) -> String {
    debrief
        .title
        .clone()
        .unwrap_or_else(|| "Manual palpation, measured".to_owned())
}

fn class_view(debrief: &Debrief, results: &Results, files: &[String], codes: bool) -> ClassView {
    let tests: usize = debrief.learners.iter().map(|l| l.tests).sum();
    let sessions: BTreeSet<&String> = debrief.learners.iter().flat_map(|l| &l.sessions).collect();
    let scans: Vec<&ScanCoverage> = debrief.coverage.iter().collect();
    let seen = if codes { Audience::Codes } else { Audience::Nobody };
    let rest: Vec<Shown> = Shown::ALL
        .into_iter()
        .filter(|m| *m != Shown::HandShare)
        .collect();
    let ceilings = OverCeilings::of(results, Whose::All);
    let links = debrief.learners.iter().zip(files).map(|(l, file)| LinkView {
        href: file.clone(),
        code: l.code.clone(),
        group: l.group.clone(),
        counts: counts(l),
    });
    ClassView {
        version: env!("CARGO_PKG_VERSION"),
        title: title(debrief),
        site: debrief.site.clone(),
        counts: format!(
            "{}, {} in {}{}",
            counted(debrief.learners.len(), "learner"),
            counted(tests, "test"),
            counted(sessions.len(), "session"),
            match debrief.reference_tests {
                0 => String::new(),
                n => format!(", and {} of the teacher as reference", counted(n, "test")),
            }
        ),
        over_ceiling: match codes {
            true => ceilings.head(),
            false => ceilings.unnamed_head(),
        },
        pushes: ceilings.table(codes),
        standing: debrief.standing.clone(),
        blinded: debrief.blinded,
        codes,
        notes: debrief.notes.iter().map(|n| n.words(codes)).collect(),
        places: drawn::class_of(debrief, &rest, codes),
        hands: drawn::class_of(debrief, &[Shown::HandShare], codes),
        given: views::given_table(debrief),
        goal: debrief.objective.as_ref().map(|goal| {
            let reached = debrief.goals.iter().filter(|g| g.is_reached()).count();
            let of = counted(debrief.goals.len(), "learner");
            format!("{}. Reached by now by {reached} of {of} with such tests.", goal_words(goal))
        }),
        shares: views::share_table(debrief, None),
        by_learner: codes.then(|| views::share_by_learner(debrief)),
        scans_in_short: views::scans_in_short(&scans),
        scans: views::scan_table(&scans, seen),
        times: views::time_words(&scans),
        learners: if codes { links.collect() } else { Vec::new() },
        followed: views::followed_of(debrief, None, codes),
        ceilings: results.settings.ceilings().map(|c| c.to_string()).collect(),
        cautions: &CAUTIONS,
    }
}

fn counts(l: &Learner) -> String {
    format!(
        "{} in {}",
        counted(l.tests, "test"),
        counted(l.sessions.len(), "session")
    )
}

fn learner_view(
    debrief: &Debrief,
    results: &Results,
    learner: &Learner,
    context: &Context<'_>,
) -> LearnerView {
    let scans: Vec<&ScanCoverage> = debrief
        .coverage
        .iter()
        .filter(|s| s.examiner.as_ref() == Some(&learner.code))
        .collect();
    let ceilings = OverCeilings::of(results, Whose::Examiner(&learner.code));
    LearnerView {
        version: env!("CARGO_PKG_VERSION"),
        title: title(debrief),
        code: learner.code.clone(),
        counts: counts(learner),
        over_ceiling: ceilings.head(),
        pushes: ceilings.table(true),
        untested: learner.tests == 0,
        standing: debrief.standing.clone(),
        blinded: debrief.blinded,
        outside: views::means_outside(debrief, learner),
        over: learner
            .work_on
            .iter()
            .any(|w| w.rule == TechniqueRule::OverCeiling),
        work_on: views::work_on(&learner.work_on),
        last_session: learner.last_session.clone(),
        places: drawn::progress_of(debrief, learner),
        closeness: drawn::closeness_of(learner, |of| of != ErrorOf::PeakEstimate),
        curves: views::curve_words(learner, |of| of != ErrorOf::PeakEstimate),
        estimates: drawn::closeness_of(learner, |of| of == ErrorOf::PeakEstimate),
        estimate_words: views::estimate_words(learner)
            .into_iter()
            .chain(views::curve_words(learner, |of| of == ErrorOf::PeakEstimate))
            .collect(),
        retention: views::retention_table(learner),
        goal: debrief.objective.as_ref().map(|goal| {
            let own = debrief.goals.iter().find(|g| g.learner == learner.code);
            let so_far = own.map_or_else(
                || "no test that counts for it yet, or it is not told while the study is blinded".to_owned(),
                GoalSoFar::words,
            );
            [goal_words(goal), so_far]
        }),
        calls: call_table(results, &debrief.calls, &learner.code),
        sessions: views::session_table(debrief, learner, results),
        tests: tests(results, learner, context),
        shares: views::share_table(debrief, Some(&learner.code)),
        scans: views::scan_table(&scans, Audience::Own),
        times: views::time_words(&scans),
        followed: views::followed_of(debrief, Some(&learner.code), true),
        cautions: &CAUTIONS,
    }
}

/// The test that kept closest to its bands, and the last one; once when they are the same.
fn tests(results: &Results, learner: &Learner, context: &Context<'_>) -> Vec<TestFigures> {
    let closest = learner.closest.map(|i| {
        (
            i,
            "The one with the fewest findings; of several, the one whose excursion is nearest the middle of its band.",
        )
    });
    let latest = learner
        .latest
        .filter(|i| Some(*i) != learner.closest)
        .map(|i| (i, "The one made last."));
    [closest, latest]
        .into_iter()
        .flatten()
        .map(|(i, why)| {
            let test = &results.tests[i];
            let own = results
                .technique
                .iter()
                .filter(|r| r.recording.as_ref() == Some(&test.recording) && r.test == Some(test.test));
            let on_mat = results
                .mats
                .iter()
                .filter(|m| m.recording == test.recording && m.test == test.test);
            TestFigures {
                heading: test_heading(test),
                why: match learner.latest == learner.closest {
                    true => "The one made last, and the one with the fewest findings.",
                    false => why,
                },
                svgs: std::iter::once(test_panels(test, &context.panel_options(test)))
                    .chain(on_mat.flat_map(mat_figures).map(|(_, figure)| figure))
                    .map(|figure| figure.svg)
                    .collect(),
                findings: own.map(|r| r.text()).collect(),
            }
        })
        .collect()
}
