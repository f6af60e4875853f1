//! Remarks on technique, on invented tests.

use crate::tables::test_of;
use tautpoint::columns::Measure;
use tautpoint::settings::Settings;
use tautpoint::technique::{PlanCoverage, PlanStep, RULES, TechniqueFinding, technique_findings};
use tautpoint::terms::{Level, StepSide};
use tautpoint::trace::*;

fn with_onset(mut test: Test, onset_mm: Option<(f64, Option<f64>)>, start_mm: Option<f64>) -> Test {
    test.measures = Measures::default();
    if let Some((value, u95)) = onset_mm {
        set(&mut test, Measure::Onset, value, u95);
    }
    test.springs[0].start_mm = start_mm;
    test
}

/// A test of which there is nothing to report.
fn quiet(recording: &str, level: &str, side: Side) -> Test {
    let mut test = with_onset(
        test_of(recording, level, side),
        Some((8.2, Some(0.05))),
        Some(9.0),
    );
    test.total_peak_n = 40.0;
    test
}

/// The test with one measure set, ± 0.01 of its unit.
fn with(mut test: Test, measure: Measure, value: f64) -> Test {
    set(&mut test, measure, value, Some(0.01));
    test
}

fn set(test: &mut Test, measure: Measure, value: f64, u95: Option<f64>) {
    let normal = 1.959_963_984_540_054;
    let estimate = Estimate::new(value, u95.map(|u95| (u95 / normal, f64::INFINITY)));
    let budget = vec![];
    test.measures.set(measure, Measured { estimate, budget });
}

fn look(tests: &[Test]) -> Vec<TechniqueFinding> {
    technique_findings(tests, &[], &Settings::default())
}

#[test]
fn a_test_that_keeps_every_rule_gets_no_remark() {
    assert_eq!(look(&[quiet("a.csv", "L3", Side::Left)]), []);
}

#[test]
fn sprung_before_the_slack_was_out_is_judged_against_the_onset_and_its_interval() {
    let of = |onset, start| look(&[with_onset(quiet("a.csv", "L3", Side::Left), onset, start)]);
    // The onset is at 8.2 ± 0.3 mm: short of it only below 7.9 mm.
    assert_eq!(of(Some((8.2, Some(0.3))), Some(7.95)), []);
    let found = of(Some((8.2, Some(0.3))), Some(7.1));
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].rule.word(), "sprung_before_slack_out");
    assert_eq!(
        (found[0].value, found[0].unit, found[0].low),
        (Some(7.1), "mm", Some(8.2))
    );
    assert!(
        found[0]
            .text()
            .contains("L3 left: sprung at 7.10 mm, 1.10 mm short of the onset at 8.20 ± 0.30 mm"),
        "{}",
        found[0].text()
    );
    // Without an interval the onset is taken as it stands; without an onset or a displacement there is no judge.
    assert_eq!(of(Some((8.2, None)), Some(8.1)).len(), 1);
    assert_eq!(of(None, Some(7.1)), []);
    assert_eq!(of(Some((8.2, None)), None), []);
}

#[test]
fn a_push_without_a_knee_is_said_not_to_show_the_slack_out() {
    let mut test = with_onset(quiet("a.csv", "L3", Side::Left), None, Some(7.1));
    test.knee = Knee::None;
    let found = look(&[test.clone()]);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].rule.word(), "slack_not_shown_out");
    assert!(found[0].advice().contains("never a reason to press harder"));
    test.knee = Knee::NotLooked;
    assert_eq!(look(&[test]), []);
}

#[test]
fn each_region_has_its_own_ceiling_and_says_whose_it_is() {
    let mut settings = Settings::default();
    settings.ceiling_n.neck = 45.0;
    let of = |level: &str, peak: f64| {
        let mut test = quiet("a.csv", level, Side::Left);
        test.total_peak_n = peak;
        technique_findings(&[test], &[], &settings)
    };
    // Defaults of METHODS.md §9.3, with the sources named in the settings: neck 60, thoracic 105, lumbar and sacral 175 N.
    for (level, ceiling, whose) in [
        ("C5", 45.0, "neck ceiling of 45 N (set by this lab)"),
        (
            "T7",
            105.0,
            "thoracic ceiling of 105 N (default, the lab must set its own)",
        ),
        (
            "L3",
            175.0,
            "lumbar ceiling of 175 N (default, the lab must set its own)",
        ),
        (
            "SI",
            175.0,
            "sacral ceiling of 175 N (default, the lab must set its own)",
        ),
    ] {
        assert_eq!(of(level, ceiling), [], "{level}: at the ceiling is not over it");
        let found = of(level, ceiling + 0.6);
        assert_eq!(found.len(), 1, "{level}");
        assert_eq!(
            (found[0].value, found[0].high),
            (Some(ceiling + 0.6), Some(ceiling))
        );
        assert!(found[0].text().contains(whose), "{}", found[0].text());
        assert!(
            found[0].text().contains(&format!("{:.1} N", ceiling + 0.6)),
            "{}",
            found[0].text()
        );
    }
    let unknown = of("a level nobody knows", 1000.0);
    assert_eq!((unknown.len(), unknown[0].high), (1, Some(45.0)));
    assert!(
        unknown[0].text().contains("held against the lowest ceiling"),
        "{}",
        unknown[0].text()
    );
}

#[test]
fn a_contact_over_two_regions_is_held_against_the_lower_ceiling() {
    let mut test = quiet("a.csv", "T1", Side::Midline);
    test.about.covers = vec![Level::C7, Level::T1, Level::T2];
    test.total_peak_n = 61.0;
    assert_eq!(look(&[test])[0].high, Some(60.0));
}

#[test]
fn both_hands_over_the_ceiling_are_one_remark_without_a_side() {
    let mut tests = [
        quiet("a.csv", "L3", Side::Left),
        quiet("a.csv", "L3", Side::Right),
    ];
    for test in &mut tests {
        test.total_peak_n = 180.0;
    }
    let found = look(&tests);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].side, None);
    assert!(found[0].text().starts_with("L3: peak"), "{}", found[0].text());
    assert_eq!(
        (found[0].recording.as_deref(), found[0].test),
        (Some("a.csv"), Some(1))
    );
}

fn steps(steps: &[(&str, &str)]) -> Vec<PlanStep> {
    let step = |(level, side): &(&str, &str)| PlanStep {
        level: Level::parse(level).unwrap(),
        side: StepSide::parse(side).unwrap(),
    };
    steps.iter().map(step).collect()
}

fn plan(of: &Test) -> PlanCoverage {
    PlanCoverage {
        plan: "prone-thumbs".to_owned(),
        scan: of.about.session(),
        steps: steps(&[
            ("sacral_base", "both"),
            ("L5", "both"),
            ("L4", "both"),
            ("T7", "midline"),
        ]),
    }
}

/// One continuous recording of a scan, in the order given.
fn scan(spots: &[(&str, Side)]) -> Vec<Test> {
    let mut number = 0;
    let one = |(level, side): &(&str, Side)| {
        number += 1;
        Test {
            test: number,
            ..quiet("scan.csv", level, *side)
        }
    };
    spots.iter().map(one).collect()
}

use Side::{Left, Midline, Right};

const WHOLE: [(&str, Side); 7] = [
    ("sacral_base", Left),
    ("sacral_base", Right),
    ("L5", Left),
    ("L5", Right),
    ("L4", Right),
    ("L4", Left),
    ("T7", Midline),
];

fn against_plan(tests: &[Test]) -> Vec<(&'static str, String)> {
    let found = technique_findings(tests, &[plan(&tests[0])], &Settings::default());
    found.into_iter().map(|r| (r.rule.word(), r.text())).collect()
}

#[test]
fn a_scan_that_follows_its_plan_is_not_remarked_on() {
    assert_eq!(against_plan(&scan(&WHOLE)), []);
}

#[test]
fn a_missed_side_and_a_missed_level_are_named_in_the_plans_order() {
    let found = against_plan(&scan(&WHOLE[..5]));
    assert_eq!(
        found,
        [
            ("level_missed", "L4 left: no test, plan prone-thumbs.".to_owned()),
            (
                "level_missed",
                "T7 midline: no test, plan prone-thumbs.".to_owned()
            ),
        ]
    );
}

#[test]
fn a_plan_is_held_only_against_its_own_scan() {
    let mut tests = scan(&WHOLE[..5]);
    let other = plan(&tests[0]);
    for test in &mut tests {
        test.about.subject = Some("V-08".to_owned());
    }
    assert_eq!(technique_findings(&tests, &[other], &Settings::default()), []);
}

#[test]
fn a_level_done_twice_is_doubled_unless_it_is_a_trial_of_its_own() {
    let mut spots = WHOLE.to_vec();
    spots.insert(4, ("L5", Right));
    let mut tests = scan(&spots);
    assert_eq!(
        against_plan(&tests),
        [(
            "level_doubled",
            "L5 right: 2 tests of trial 1, plan prone-thumbs has 1.".to_owned()
        )]
    );
    tests[4].about.trial = Some(2);
    assert_eq!(against_plan(&tests), []);
    // Without numbers, one recording counts together and another recording is a repetition.
    tests[3].about.trial = None;
    tests[4].about.trial = None;
    assert_eq!(against_plan(&tests)[0].0, "level_doubled");
    tests[4].recording = "again.csv".to_owned();
    assert_eq!(against_plan(&tests), []);
}

#[test]
fn only_the_level_that_was_moved_is_out_of_order() {
    let mut spots = WHOLE.to_vec();
    let moved = spots.remove(2);
    spots.insert(5, moved);
    let found = against_plan(&scan(&spots));
    assert_eq!(
        found,
        [(
            "level_out_of_order",
            "L5 left: out of order, step 2 of 4 in plan prone-thumbs, done after L4 left.".to_owned()
        )]
    );
}

#[test]
fn order_over_several_recordings_is_judged_only_where_their_times_are_known() {
    let mut tests = scan(&WHOLE);
    let times = ["10:06", "10:05", "10:04", "10:03", "10:02", "10:01", "10:00"];
    for (test, time) in tests.iter_mut().zip(times) {
        test.recording = format!("{time}.csv");
    }
    assert_eq!(against_plan(&tests), [], "no times");
    for (test, time) in tests.iter_mut().zip(times) {
        test.about.recorded_at = Some(format!("2026-09-14T{time}:00Z"));
    }
    // Done backwards, at most one step (both its sides) stands in order.
    assert_eq!(against_plan(&tests).len(), 5);
    tests[3].about.recorded_at = Some("2026-09-14".to_owned());
    assert_eq!(against_plan(&tests), [], "times of different forms");
}

#[test]
fn remarks_stand_in_the_order_of_the_tests_and_then_of_the_scans() {
    let mut tests = scan(&WHOLE[..6]);
    tests[1].total_peak_n = 200.0;
    tests[0].knee = Knee::None;
    tests[1].springs[0].start_mm = Some(1.0);
    let found = technique_findings(&tests, &[plan(&tests[0])], &Settings::default());
    let names: Vec<&str> = found.iter().map(|r| r.rule.word()).collect();
    assert_eq!(
        names,
        [
            "slack_not_shown_out",
            "over_ceiling",
            "sprung_before_slack_out",
            "level_missed"
        ]
    );
}

#[test]
fn every_remark_says_what_to_try_next_time_and_passes_no_verdict() {
    let mut spots = WHOLE[..6].to_vec();
    spots.swap(0, 4);
    spots.push(("L4", Left));
    let mut tests = scan(&spots);
    tests[1].total_peak_n = 200.0;
    tests[1].springs[0].start_mm = Some(1.0);
    tests[2].knee = Knee::None;
    tests[2] = with(tests[2].clone(), Measure::Excursion, 1.3);
    for (measure, value) in [
        (Measure::Excursion, 5.2),
        (Measure::TimeToPeak, 0.05),
        (Measure::Preload, 20.0),
        (Measure::Steadiness, 3.0),
        (Measure::BetweenSprings, 5.0),
        (Measure::HandShare, 70.0),
    ] {
        tests[3] = with(tests[3].clone(), measure, value);
    }
    tests[3].springs[2].peak_n = 90.0;
    tests[3].drive_deg = Some(60.0);
    let found = technique_findings(&tests, &[plan(&tests[0])], &Settings::default());
    for check in RULES {
        assert!(
            found.iter().any(|r| r.rule == check.rule),
            "{} not provoked",
            check.rule.word()
        );
    }
    for finding in found {
        assert!(
            finding.next_time.starts_with(char::is_lowercase),
            "{}",
            finding.next_time
        );
        let said = format!("{} {}", finding.text(), finding.advice()).to_lowercase();
        for verdict in [
            "normal",
            "dysfunction",
            "lesion",
            "bad",
            "poor",
            "wrong",
            "fail",
            "error",
        ] {
            assert!(!said.contains(verdict), "{verdict}: {said}");
        }
    }
}
