//! What learners were shown, what they thought of it, what stayed, and the goal set beforehand.

use super::{FIRST, PLAIN, SECOND, THIRD, analysed, class, page};
use tautpoint::columns::Measure;
use tautpoint::report::debrief::{Debrief, ErrorOf};
use tautpoint::results::Results;
use tautpoint::study::estimates::PeakEstimate;
use tautpoint::study::inputs::Study;
use tautpoint::study::objective::Objective;
use tautpoint::terms::{Feedback, Given};
use tautpoint::trace::Test;

const OWN: &str = "L-01";

fn own(results: &Results) -> impl Iterator<Item = &Test> {
    results
        .tests
        .iter()
        .filter(|t| t.about.examiner.as_deref() == Some(OWN))
}

/// The plain class, of whose tests it was noted what was shown.
fn noted(given: impl Fn(&Test) -> Given) -> Results {
    let mut results = PLAIN.0.clone();
    for test in &mut results.tests {
        test.about.given = Some(given(test));
    }
    results
}

fn in_session(test: &Test, session: &str) -> bool {
    test.about.session.as_deref() == Some(session)
}

#[test]
fn what_a_sidecar_says_was_shown_goes_to_its_tests_and_other_numbers_of_tests_are_told() {
    let (_dir, root) =
        class(|p| p.about.session.as_deref() == Some(FIRST) && p.about.examiner.as_deref() == Some(OWN));
    let mut sidecars: Vec<_> = std::fs::read_dir(root.join("recordings"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    sidecars.retain(|p| p.extension().is_some_and(|e| e == "toml"));
    sidecars.sort();
    for (path, given) in sidecars.iter().zip(["\"after\"", "\"none\", \"after\""]) {
        let text = std::fs::read_to_string(path).unwrap();
        std::fs::write(path, format!("feedback_given = [{given}]\n{text}")).unwrap();
    }
    let (results, _) = analysed(&root);
    let of = |i: usize| {
        let stem = sidecars[i].file_stem().unwrap().to_string_lossy().into_owned();
        let test = results
            .tests
            .iter()
            .find(|t| t.recording.contains(&stem))
            .unwrap();
        test.about.given
    };
    assert_eq!((of(0), of(1), of(2)), (Some(Given::After), None, None));
    let told: Vec<String> = results.problems.iter().map(ToString::to_string).collect();
    let other = told
        .iter()
        .find(|t| t.contains("feedback_given of 2 tests, and 1 found"))
        .unwrap();
    assert!(other.contains("estimates of their peaks are not used"), "{other}");
}

#[test]
fn the_pages_say_what_was_shown_and_what_stayed_stands_apart() {
    let results = noted(|t| match in_session(t, THIRD) {
        true => Given::None,
        false => Given::After,
    });
    let debrief = Debrief::of(&results, &PLAIN.1);
    let stays: Vec<&Test> = results.tests.iter().filter(|t| debrief.stays.holds(t)).collect();
    assert!(!stays.is_empty() && stays.iter().all(|t| in_session(t, THIRD)));
    let learner = page(&debrief, &results, false, "learners/L-01.html");
    assert!(
        learner.contains("after 4") && learner.contains("none 4"),
        "{learner}"
    );
    let class = page(&debrief, &results, false, "class.html");
    assert!(class.contains("What learners were shown of their tests") && !class.contains(OWN));
    let given = debrief
        .given
        .iter()
        .find(|g| g.learner == OWN && g.session.as_deref() == Some(THIRD))
        .unwrap();
    assert_eq!(
        (given.tests, given.nothing, given.after, given.retention),
        (4, 4, 0, 4)
    );
    // Without any feedback before, nothing can have stayed.
    let never = noted(|_| Given::None);
    assert!(
        !never
            .tests
            .iter()
            .any(|t| Debrief::of(&never, &PLAIN.1).stays.holds(t))
    );
}

#[test]
fn estimates_are_held_against_the_measured_peak() {
    let results = noted(|t| match in_session(t, THIRD) {
        true => Given::None,
        false => Given::After,
    });
    let mut study = PLAIN.1.clone();
    // Ten percent too high in the first session, five too low in the second, none in one test.
    let factor = |t: &Test| match () {
        () if in_session(t, FIRST) => 1.1,
        () if in_session(t, SECOND) => 0.95,
        () => 1.2,
    };
    study.estimates = own(&results)
        .enumerate()
        .map(|(i, t)| PeakEstimate {
            examiner: OWN.to_owned(),
            recording: t.recording.clone(),
            test: t.test,
            peak_n: (i > 0).then_some(t.total_peak_n * factor(t)),
        })
        .collect();
    let debrief = Debrief::of(&results, &study);
    let learner = debrief.learners.iter().find(|l| l.code == OWN).unwrap();
    let errors: Vec<(Option<&str>, bool, usize, f64, f64)> = learner
        .closeness
        .iter()
        .filter(|c| c.of == ErrorOf::PeakEstimate)
        .map(|c| {
            let round = |v: f64| (v * 1e6).round() / 1e6;
            (
                c.session.as_deref(),
                c.retention,
                c.accuracy.tries,
                round(c.accuracy.constant),
                round(c.accuracy.absolute),
            )
        })
        .collect();
    assert_eq!(
        errors,
        [
            (Some(FIRST), false, 3, 10.0, 10.0),
            (Some(SECOND), false, 4, -5.0, 5.0),
            (Some(THIRD), true, 4, 20.0, 20.0)
        ]
    );
    let html = page(&debrief, &results, false, "learners/L-01.html");
    for words in [
        "How close the estimates came",
        "too high by 10\u{a0}% on average",
        "too low by 5\u{a0}% on average",
        "What stayed",
        "estimate of the peak force: no curve",
    ] {
        assert!(html.contains(words), "{words}");
    }
    // Where the recorder's tests are not those that were found, an estimate may be of another one.
    let unknown = PLAIN.0.clone();
    let other = Debrief::of(&unknown, &study);
    assert!(
        other
            .learners
            .iter()
            .flat_map(|l| &l.closeness)
            .all(|c| c.of != ErrorOf::PeakEstimate)
    );
    // A blind study tells nothing of it: with the estimate known, its error would be the measured force.
    let mut blind = results.clone();
    blind.hide_sides();
    let hidden = Debrief::of(&blind, &study);
    assert!(
        hidden
            .learners
            .iter()
            .flat_map(|l| &l.closeness)
            .all(|c| c.of != ErrorOf::PeakEstimate)
    );
}

#[test]
fn calls_stand_beside_the_measured_sides_unless_the_study_is_blind() {
    let (results, study) = &*PLAIN;
    let debrief = Debrief::of(results, study);
    let html = page(&debrief, results, false, "learners/L-01.html");
    let calls = study.calls.iter().filter(|c| c.examiner == OWN).count();
    assert!(calls > 0 && html.contains("Calls beside the measured sides"));
    assert!(
        html.contains("Call and measurement say the same of") || html.contains("No level was both called")
    );
    let mut blind = results.clone();
    blind.hide_sides();
    let hidden = page(&Debrief::of(&blind, study), &blind, false, "learners/L-01.html");
    assert!(!hidden.contains("Calls beside the measured sides"));
}

#[test]
fn a_goal_is_held_against_the_last_tests_and_marks_nobody() {
    let results = noted(|t| match in_session(t, FIRST) {
        true => Given::After,
        false => Given::None,
    });
    // Of the last five tests without feedback, by hand: the four of the third session and the last of the second.
    let mut unfed: Vec<&Test> = own(&results).filter(|t| !in_session(t, FIRST)).collect();
    unfed.sort_by_key(|t| t.about.recorded_at.clone());
    let last: Vec<f64> = unfed
        .iter()
        .rev()
        .take(5)
        .map(|t| t.value(Measure::Excursion).unwrap())
        .collect();
    let mut sorted = last.clone();
    sorted.sort_by(f64::total_cmp);
    // A band that three of the five lie in.
    let band = [sorted[0] - 1e-9, sorted[2] + 1e-9];
    let goal = Objective {
        tests: 5,
        in_band: 4,
        measure: Measure::Excursion,
        band: Some(band),
        feedback: Some(Feedback::None),
    };
    let mut study = PLAIN.1.clone();
    study.objective = Some(goal.clone());
    let debrief = Debrief::of(&results, &study);
    let so_far = debrief.goals.iter().find(|g| g.learner == OWN).unwrap();
    assert_eq!(so_far.words(), "goal of 4 of 5 in band: 3 of 5 so far");
    assert!(!so_far.is_reached());
    let html = page(&debrief, &results, false, "learners/L-01.html");
    assert!(html.contains("goal of 4 of 5 in band: 3 of 5 so far") && html.contains("marks nobody"));
    assert!(page(&debrief, &results, false, "class.html").contains("Reached by now by"));
    // All five in a wide band, and then a ceiling that one of them passes.
    let wide = |band| Objective { band, ..goal.clone() };
    study.objective = Some(wide(Some([0.0, 100.0])));
    let all = Debrief::of(&results, &study);
    assert!(all.goals.iter().find(|g| g.learner == OWN).unwrap().is_reached());
    let (spoiled, _) = &*super::SPOILED;
    let over = Debrief::of(
        spoiled,
        &Study {
            objective: Some(Objective {
                feedback: None,
                ..wide(Some([0.0, 100.0]))
            }),
            ..PLAIN.1.clone()
        },
    );
    let so_far = over.goals.iter().find(|g| g.learner == OWN).unwrap();
    assert!(so_far.over_ceiling == 1 && !so_far.is_reached(), "{so_far:?}");
    assert!(
        so_far.words().contains("a ceiling was passed in 1 test"),
        "{}",
        so_far.words()
    );
    // While the study is blind nothing of a side is told.
    let mut blind = results.clone();
    blind.hide_sides();
    assert_eq!(Debrief::of(&blind, &study).goals, []);
}
