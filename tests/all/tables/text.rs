//! Counts, the run record and what a terminal shows.

use super::{hostile_results, test_of};
use serde_json::Value;
use tautpoint::columns::Measure;
use tautpoint::compare::Decision;
use tautpoint::error::Problem;
use tautpoint::report::{budget_text, summary_text};
use tautpoint::results::{Excluded, InputKind, InputRecord, Results, run, spring_exclusions};
use tautpoint::technique;
use tautpoint::terms::{Level, Side};
use tautpoint::trace::{DropCause, Note};

#[test]
fn the_counts_add_up() {
    let mut results = hostile_results();
    results.recordings_given = Some(20);
    let c = results.counts();
    let r = c.recordings;
    assert_eq!((r.given, r.used, r.left_out), (20, 9, 4));
    assert_eq!(r.given, r.used + r.left_out + r.without_a_test);
    assert_eq!((c.tests.found, c.tests.reported, c.tests.left_out), (14, 9, 5));
    let s = c.springs;
    assert_eq!(
        (s.found, s.in_means, s.preconditioning, s.dropped),
        (27, 18, 0, 9)
    );
    let e = c.exclusions;
    assert_eq!((e.all, e.files, e.tests, e.springs), (9, 4, 5, 0));
    assert_eq!((e.by_rule, e.by_person), (0, 9));
    // The springs that are in no mean are all named, and nothing else is.
    let springs = spring_exclusions(&results.tests);
    assert_eq!(springs.len(), s.preconditioning + s.dropped);
    assert!(
        springs
            .iter()
            .all(|e| e.spring == Some(1) && !e.is_by_person() && e.what == Excluded::Spring)
    );
    assert_eq!(
        springs[0].cause.to_string(),
        results.tests[0].springs[0].dropped.unwrap().to_string()
    );
    // A caller who counted too few cannot break the sums.
    results.recordings_given = Some(1);
    let r = results.counts().recordings;
    assert_eq!(r.given, r.used + r.left_out + r.without_a_test);
}

#[test]
fn the_run_record_names_no_place_on_the_machine() {
    let mut results = hostile_results();
    results.inputs = vec![InputRecord {
        kind: InputKind::Recording,
        file: "/home/somebody/study/recordings/a.csv".to_owned(),
        sha256: "00".repeat(32),
        bytes: 12,
    }];
    results.problems = vec![Problem::error("/home/somebody/b.csv", "x", "y", "z")];
    let text = Value::Object(run::record(&results)).to_string();
    assert!(!text.contains("somebody"), "{text}");
    assert!(text.contains("\"a.csv\"") && text.contains("\"b.csv\""), "{text}");
}

#[test]
fn the_summary_keeps_to_100_columns_and_cannot_steer_a_terminal() {
    let mut results = hostile_results();
    for test in &mut results.tests {
        test.total_peak_n = 500.0;
        test.about.covers = vec![Level::C2];
        test.notes = vec![
            Note::Reading(format!("no zero: {}", "a long story ".repeat(30))),
            Note::Reading("a further note ".repeat(9)),
        ];
    }
    results.technique = technique::technique_findings(&results.tests, &[], &results.settings);
    results.comparisons[2].side_of_resistance = Some(Decision::Undecided);
    let text = summary_text(&results);
    for line in text.lines() {
        assert!(line.chars().count() <= 100, "{line}");
        assert!(!line.chars().any(char::is_control), "{line:?}");
        assert!(!line.contains('\u{202e}'), "{line:?}");
    }
    for wanted in [
        "over the neck ceiling of 60 N",
        "side of resistance right",
        "not decidable in one session",
    ] {
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(wanted), "{wanted}: {text}");
    }
    for verdict in ["normal", "dysfunction", "lesion"] {
        assert!(!text.to_lowercase().contains(verdict), "{verdict}");
    }
}

#[test]
fn the_summary_shows_each_test_with_its_intervals() {
    let results = Results {
        tests: vec![test_of("recordings/a.csv", "sacral_base", Side::Right)],
        ..Results::default()
    };
    let text = summary_text(&results);
    let line = text.lines().find(|l| l.contains("sacral base")).unwrap();
    // Onset is the fifth measure (1 + 4/3), end-feel the ninth (1 + 8/3), peak the second (1 + 1/3).
    // 0.15 times the 2.07 of 22.3 degrees of freedom.
    for cell in ["right", "2.33 ± 0.31", "3.67 ± 0.31", "1.3 ± 0.3"] {
        assert!(line.contains(cell), "{cell}: {line}");
    }
    assert!(
        text.contains("Scan: subject V-07, examiner L-12, session 2026-09-14"),
        "{text}"
    );
    assert!(text.contains("never a reason to press harder"), "{text}");
}

#[test]
fn the_budget_gives_each_line_its_share_of_the_variance() {
    let results = Results {
        tests: vec![test_of("recordings/a.csv", "L3", Side::Left)],
        ..Results::default()
    };
    let text = budget_text(&results);
    // 0.09² : 0.12² = 9 : 16, together 0.15²; 22.3 degrees of freedom, t(0.975) of which is 2.07 (printed tables).
    for wanted in [
        "36.0 %",
        "64.0 %",
        "combined 0.1500, times 2.07 for 95 %",
        "force noise",
        "12",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    assert_eq!(text.matches("36.0 %").count(), Measure::ALL.len());
    assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
}

#[test]
fn the_first_of_three_springs_is_an_exclusion_that_the_summary_only_counts() {
    let mut results = Results {
        tests: vec![test_of("recordings/a.csv", "L3", Side::Left)],
        ..Results::default()
    };
    results.tests[0].springs[2].dropped = Some(DropCause::Gap);
    results.exclusions = spring_exclusions(&results.tests);
    let springs: Vec<_> = results
        .exclusions
        .iter()
        .map(|e| (e.spring, e.cause.to_string()))
        .collect();
    assert_eq!(
        springs,
        [
            (
                Some(1),
                "preconditioning: the first of three or more springs".to_owned()
            ),
            (Some(3), "a gap of over 50 ms lies inside it".to_owned()),
        ]
    );
    let text = summary_text(&results);
    assert!(
        text.contains("test 1, left, spring 3: a gap of over 50 ms lies inside it (by rule)"),
        "{text}"
    );
    assert!(!text.contains("spring 1:"), "{text}");
    assert!(
        text.contains("1 first spring left out of the means as preconditioning"),
        "{text}"
    );
}
