//! What a follow-up found, beside the region that asked for it.

use crate::invented::{Push, comparison, neighbours, press};
use tautpoint::compare::{Comparison, Decision};
use tautpoint::report::followed::followed;
use tautpoint::report::html::{PageOptions, page};
use tautpoint::results::Results;
use tautpoint::technique::PlanCoverage;
use tautpoint::terms::{SessionKey, Side};

const EARLIER: &str = "2026-09-14";
const LATER: &str = "2026-09-21";

fn later(mut comparison: Comparison) -> Comparison {
    comparison.key.session = Some(LATER.to_owned());
    comparison
}

/// A broad step over T4 to T6 that stood out, and a later scan by the follow-up plan in which T6 was forgotten.
fn looked_at_again() -> Results {
    let mut tests = Vec::new();
    for (session, level, side) in [
        (EARLIER, "T4", Side::Midline),
        (LATER, "T4", Side::Left),
        (LATER, "T4", Side::Right),
        (LATER, "T5", Side::Left),
    ] {
        let mut test = press(&Push::default(), level, side, 1);
        test.about.session = Some(session.to_owned());
        test.recording = format!("{session}-{level}-{side}.csv");
        tests.push(test);
    }
    let scan = SessionKey {
        session: Some(LATER.to_owned()),
        ..tests[1].about.session()
    };
    Results {
        tests,
        comparisons: vec![
            neighbours(&["T4", "T5", "T6"], 31.0, 9.0, Decision::StifferThanNeighbours),
            comparison("L3", 2.0, 8.0, Decision::Even),
            later(comparison("T4", 34.0, 8.0, Decision::Right)),
        ],
        plans: vec![PlanCoverage {
            plan: "follow-up".to_owned(),
            scan,
            steps: Vec::new(),
        }],
        ..Results::default()
    }
}

#[test]
fn each_level_of_the_region_stands_under_it_with_what_was_found() {
    let all = followed(&looked_at_again());
    assert_eq!(all.len(), 1, "{all:?}");
    let one = &all[0];
    assert_eq!(one.region, "T4–T6, reinforced");
    assert!(one.why.starts_with("stiffer than its neighbours"), "{}", one.why);
    assert_eq!(one.scan.session.as_deref(), Some(EARLIER));
    assert_eq!(one.later.session.as_deref(), Some(LATER));
    let levels: Vec<(&str, &str)> = one
        .levels
        .iter()
        .map(|l| (l.level.word(), l.words.as_str()))
        .collect();
    assert_eq!(levels[0].0, "T4");
    assert!(
        levels[0]
            .1
            .starts_with("the right side resists more, right against left 34"),
        "{levels:?}"
    );
    assert_eq!(levels[1], ("T5", "tested (left), but not compared"));
    assert_eq!(levels[2], ("T6", "no test"));
}

#[test]
fn it_stands_on_the_report_under_the_scan_that_asked() {
    let html = page(&looked_at_again(), &PageOptions::default()).unwrap();
    let at = |text: &str| html.find(text).unwrap_or_else(|| panic!("{text}"));
    let heading = at("Looked at again, segment by segment");
    assert!(at(&format!("session {EARLIER}")) < heading);
    assert!(html.contains("T6: no test"));
}

#[test]
fn without_a_follow_up_plan_or_before_its_cause_nothing_is_said() {
    let mut other = looked_at_again();
    other.plans[0].plan = "prone-thumbs".to_owned();
    assert_eq!(followed(&other), []);
    // A scan that came before the finding cannot have followed it.
    let mut before = looked_at_again();
    for test in &mut before.tests {
        if test.about.session.as_deref() == Some(LATER) {
            test.about.session = Some("2026-09-01".to_owned());
        }
    }
    before.plans[0].scan.session = Some("2026-09-01".to_owned());
    assert_eq!(followed(&before), []);
}

#[test]
fn a_blind_study_tells_no_side_of_a_follow_up() {
    let mut results = looked_at_again();
    results.hide_sides();
    let words: Vec<String> = followed(&results)
        .into_iter()
        .flat_map(|f| f.levels)
        .map(|l| l.words)
        .collect();
    assert_eq!(words[0], "compared; hidden while the study is blinded");
    assert!(words.iter().all(|w| !w.contains("resists")), "{words:?}");
}
