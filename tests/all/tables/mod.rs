//! Result tables in their formats, the run record, the terminal text and the output folder.

mod folder;
mod formats;
mod inputs;
mod text;

use tautpoint::columns::Measure;
use tautpoint::compare::*;
use tautpoint::error::Problem;
use tautpoint::results::{Excluded, Exclusion, ExclusionCause, Results};
use tautpoint::technique;
use tautpoint::terms::{Contact, Felt, Level, LineOfDrive, Posture, Side, TestKey};
use tautpoint::trace::*;

/// An invented test with three springs, which the tests below change as they need.
pub fn test_of(recording: &str, level: &str, side: Side) -> Test {
    let mut measures = Measures::default();
    for (i, measure) in Measure::ALL.into_iter().enumerate() {
        let value = 1.0 + i as f64 / 3.0;
        let budget = [
            UncertaintySource::ForceNoise.line(0.09, 12.0),
            UncertaintySource::CalibrationScatter.line(0.12, 12.0),
        ];
        let mut measured = Measured::new(value, budget);
        measured.estimate.spread = measure.info().over_springs.then_some(0.01);
        measures.set(measure, measured);
    }
    let spring = |number: u32| Spring {
        number,
        counted: number > 1,
        start_s: 0.7 + f64::from(number),
        start_mm: Some(9.0),
        peak_n: 66.9,
        loss_mj: Some(7.9),
        ..Spring::default()
    };
    Test {
        corrections: Vec::new(),
        recording: recording.to_owned(),
        test: 1,
        about: About {
            subject: Some("V-07".to_owned()),
            examiner: Some("L-12".to_owned()),
            session: Some("2026-09-14".to_owned()),
            level: Level::parse(level),
            side: Some(side),
            contact: Some(Contact::Thumb),
            posture: Posture::new("prone"),
            line_of_drive: LineOfDrive::new(90.0),
            trial: Some(1),
            ..About::default()
        },
        rate_hz: 1000.0,
        samples: 9366,
        phases: Phases::default(),
        springs: (1..=3).map(spring).collect(),
        measures,
        window_n: [30.0, 100.0],
        knee: Knee::Fitted,
        fit: None,
        total_peak_n: 66.9,
        drive_deg: None,
        notes: vec![],
        curve: Curve::default(),
    }
}

fn comparison(level: &str) -> Comparison {
    Comparison {
        corrections: Vec::new(),
        key: TestKey {
            subject: Some("V-07".to_owned()),
            examiner: Some("L-12".to_owned()),
            session: Some("2026-09-14".to_owned()),
            level: Level::parse(level),
            posture: Posture::new("prone"),
            contact: Some(Contact::Thumb),
            line_of_drive: LineOfDrive::new(90.0),
        },
        kind: ComparisonKind::LeftRight,
        measure: Measure::EndFeel,
        left: Some(11.0),
        right: Some(15.6),
        left_trials: 3,
        right_trials: 3,
        asymmetry_percent: Some(34.6),
        low_percent: Some(26.2),
        high_percent: Some(42.6),
        difference: None,
        threshold_percent: Some(15.0),
        mdc_percent: Some(9.1),
        spread_source: Some(SpreadSource::Trials),
        variance_rule: Some(VarianceRule::Pooled),
        raised_to_measurement: Some(false),
        standard_error: Some(0.046),
        degrees_of_freedom: Some(4.0),
        p_value: Some(0.002),
        p_adjusted: Some(0.004),
        side_of_resistance: Some(Decision::Right),
        trials_to_decide: None,
        call: Some(Felt::Right),
        call_agrees: Some(true),
        covers: vec![],
    }
}

/// Texts that break careless writers: markup, quotes, separators, line ends, formulas, terminal and direction controls.
const HOSTILE: [&str; 9] = [
    "<script>alert(1)</script>",
    "say \"no\", twice",
    "one\ntwo\r\nthree",
    "=HYPERLINK(\"http://x\")",
    "+1; -1; @x",
    "\u{1b}[31mred",
    "\u{202e}txet",
    " spaced ",
    "Łódź ± µ 脊",
];

fn hostile_results() -> Results {
    let mut results = Results {
        title: Some(HOSTILE[0].to_owned()),
        comparisons: vec![comparison("L3")],
        ..Results::default()
    };
    for (i, text) in HOSTILE.iter().enumerate() {
        let mut test = test_of(&format!("recordings/{i}{text}.csv"), text, Side::Left);
        test.about.examiner = Some((*text).to_owned());
        test.about.posture = (i % 2 == 0).then(|| Posture::new(text)).flatten();
        test.notes = HOSTILE
            .iter()
            .map(|s| Note::Reading((*s).to_owned()))
            .take(i)
            .collect();
        test.knee = [Knee::Fitted, Knee::TwoLines, Knee::None, Knee::NotLooked][i % 4];
        test.springs[0].dropped = Some(DropCause::Gap);
        test.about.covers = vec![Level::L2, Level::L3];
        results.tests.push(test);
        let mut found = comparison(text);
        found.key.posture = Posture::new(text);
        found.trials_to_decide = [
            Some(TrialsToDecide::Trials(4)),
            Some(TrialsToDecide::NotInOneSession),
            None,
        ][i % 3];
        found.difference = (i == 0).then_some([-0.5, -0.75, 0.1 + 0.2]);
        results.comparisons.push(found);
        results.unpaired.push(Unpaired {
            key: TestKey::default(),
            side: UnpairedSide::Left,
            trials: 2,
            reason: (*text).to_owned(),
        });
        results.exclusions.push(Exclusion {
            recording: (*text).to_owned(),
            test: (i > 3).then_some(2),
            side: None,
            spring: None,
            what: if i > 3 { Excluded::Test } else { Excluded::File },
            cause: ExclusionCause::Person((*text).to_owned()),
        });
        results
            .problems
            .push(Problem::warning(*text, *text, *text, *text));
    }
    results.technique = technique::technique_findings(&results.tests, &[], &results.settings);
    let mut taught = results.tests.clone();
    for test in &mut taught {
        test.recording = format!("recordings/teacher-{}", test.recording);
    }
    results.reference = technique::reference::Reference::of(&taught);
    results
}
