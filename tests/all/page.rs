//! The report's page: complete, safe to open, and readable without eyes.

use crate::figures::invented::{Push, finding, neighbours, press};
use tautpoint::compare::{Decision, Unpaired};
use tautpoint::error::Problem;
use tautpoint::report::html::{FiguresChoice, PageOptions, figures, page};
use tautpoint::report::{Exclusion, InputFile, Results};
use tautpoint::technique::Remark;
use tautpoint::trace::{Knee, Side};

fn remark(finding: &'static str, level: &str, recording: Option<&str>, text: &str, advice: &str) -> Remark {
    Remark {
        recording: recording.map(str::to_owned),
        test: recording.map(|_| 1),
        subject: Some("V-07".to_owned()),
        examiner: Some("L-12".to_owned()),
        session: Some("2026-09-14".to_owned()),
        level: Some(level.to_owned()),
        side: recording.map(|_| "left".to_owned()),
        finding,
        value: None,
        unit: "N",
        low: None,
        high: None,
        text: text.to_owned(),
        advice: advice.to_owned(),
    }
}

/// An invented scan with something of everything.
fn sample() -> Results {
    let mut tests = Vec::new();
    for (level, left, right) in [
        ("T5", 9.0, 9.2),
        ("L2", 10.6, 10.9),
        ("L3", 11.0, 15.6),
        ("L4", 12.0, 13.5),
    ] {
        for trial in 1..=3 {
            for (side, k2) in [(Side::Left, left), (Side::Right, right)] {
                let wobble = 0.1 * f64::from(trial);
                let push = Push {
                    k2: k2 + wobble,
                    knee_mm: 8.0 + wobble,
                    ..Push::default()
                };
                tests.push(press(&push, level, side, trial));
            }
        }
    }
    tests[2].knee = Knee::None;
    tests[2].phases.onset_s = None;
    tests[2]
        .notes
        .push("no knee: the slack is not shown to be out".to_owned());
    let mut l3 = finding("L3", 34.6, 8.2, Decision::Right);
    l3.call = Some("right".to_owned());
    l3.call_agrees = Some(true);
    Results {
        title: Some("Harbour Street skill lab, autumn term".to_owned()),
        site: Some("harbour-street".to_owned()),
        ethics_ref: Some("teaching, volunteers consented on paper".to_owned()),
        tests,
        findings: vec![
            finding("T5", 2.0, 8.0, Decision::Even),
            finding("L2", 2.8, 7.5, Decision::Even),
            l3,
            finding("L4", 12.0, 10.0, Decision::Undecided),
            neighbours(&["T4", "T5", "T6"], 31.0, 9.0, Decision::StifferThanNeighbours),
        ],
        unpaired: vec![Unpaired {
            key: finding("L5", 0.0, 1.0, Decision::Even).key,
            side: "left".to_owned(),
            trials: 2,
            reason: "no test of the right side".to_owned(),
        }],
        remarks: vec![
            remark(
                "over_ceiling",
                "L3",
                Some("recordings/V-07_L3_left_2.csv"),
                "peak 67.8 N, ceiling 60 N",
                "begin softer and watch the line",
            ),
            remark(
                "level_missed",
                "L1",
                None,
                "the plan has L1 left, no test was found",
                "repeat the step",
            ),
            remark(
                "unsteady_hold",
                "L4",
                Some("recordings/V-07_L4_left_1.csv"),
                "the hold varied by 7 % of the preload",
                "lean with straight arms",
            ),
        ],
        exclusions: vec![Exclusion {
            recording: "recordings/V-07_L3_left_1.csv".to_owned(),
            test: Some(1),
            side: Some("left".to_owned()),
            spring: Some(2),
            what: "spring",
            by: "rule",
            reason: "gap of 80 ms inside the spring".to_owned(),
        }],
        problems: vec![
            Problem::error(
                "recordings/V-07_T4_left_1.csv",
                "abc",
                "a number",
                "correct or empty the cell",
            )
            .at_line(500)
            .in_column("force_n"),
        ],
        inputs: vec![InputFile {
            file: "recordings/V-07_L3_left_2.csv".to_owned(),
            sha256: String::new(),
            bytes: 1,
        }],
        ..Results::default()
    }
}

#[test]
fn a_page_is_made() {
    let html = page(&sample(), &PageOptions::default()).unwrap();
    if let Ok(folder) = std::env::var("TAUTPOINT_KEEP_FIGURES") {
        std::fs::write(std::path::Path::new(&folder).join("report.html"), &html).unwrap();
    }
    let named = figures(
        &sample(),
        &PageOptions {
            figures: FiguresChoice::None,
        },
    );
    assert_eq!(named.len(), 1);
    assert_eq!(named[0].0, "scan-V-07-L-12-2026-09-14");
}
