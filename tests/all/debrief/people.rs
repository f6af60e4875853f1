//! Whose page it is, and what it must not hold.

use super::{PLAIN, analysed, class, page};
use tautpoint::report::debrief::{BandFrom, Debrief, Shown};
use tautpoint::study::folder::Study;
use tautpoint::study::roster::Roster;
use tautpoint::technique::reference::{COMPARED, Reference};
use tautpoint::terms::{Feedback, Level, Side};
use tautpoint::trace::Test;

/// The study of the class with another roster.
fn with_roster(text: &str) -> Study {
    let (roster, problems) = Roster::parse("roster.csv", text);
    assert_eq!(problems, []);
    Study {
        roster,
        ..PLAIN.1.clone()
    }
}

#[test]
fn the_teachers_tests_are_the_reference_and_make_no_learner() {
    let study = with_roster(
        "code,role,group\nV-01,subject,\nL-01,examiner,A\nL-02,examiner,A\nL-03,examiner,B\nL-04,teacher,\n",
    );
    let mut results = PLAIN.0.clone();
    let taught = |t: &&Test| t.about.examiner.as_deref() == Some("L-04");
    let taught: Vec<Test> = results.tests.iter().filter(taught).cloned().collect();
    results.reference = Reference::of(&taught);
    let debrief = Debrief::of(&results, &study);
    let codes: Vec<&str> = debrief.learners.iter().map(|l| l.code.as_str()).collect();
    assert_eq!(codes, ["L-01", "L-02", "L-03"]);
    assert_eq!(debrief.learners[2].group.as_deref(), Some("B"));
    assert_eq!(debrief.reference_tests, 12);
    let place = &debrief.learners[0].points[0].place;
    let band = debrief.band(place, Shown::Preload).unwrap();
    assert_eq!(band.from, BandFrom::Reference(12));
    // Mean and two standard deviations of the teacher's tests, by hand.
    let x: Vec<f64> = results
        .tests
        .iter()
        .filter(|t| t.about.examiner.as_deref() == Some("L-04"))
        .map(|t| t.value(tautpoint::columns::Measure::Preload).unwrap())
        .collect();
    let mean = x.iter().sum::<f64>() / 12.0;
    let sd = (x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 11.0).sqrt();
    let half = 2.0 * sd;
    assert!((band.low.unwrap() - (mean - half).max(0.0)).abs() < 1e-9);
    assert!((band.high.unwrap() - (mean + half)).abs() < 1e-9);
    // How close each learner came, session by session; three sessions are too few for a curve, and that is said.
    for learner in &debrief.learners {
        assert_eq!(learner.closeness.len(), 3 * COMPARED.len());
        assert!(learner.curves.iter().all(|c| c.curve.is_err()));
        for c in &learner.closeness {
            let mean = c.sizes.iter().sum::<f64>() / c.sizes.len() as f64;
            assert!((c.size.mean - mean).abs() < 1e-9 && (c.accuracy.absolute - mean).abs() < 1e-9);
        }
    }
    let html = page(&debrief, &results, false, "learners/L-01.html");
    assert!(html.contains("no curve: 3 sessions") && !html.contains("L-04"));
}

#[test]
fn a_learners_page_holds_no_other_learner() {
    let (results, study) = &*PLAIN;
    let debrief = Debrief::of(results, study);
    for own in ["L-01", "L-02", "L-03", "L-04"] {
        let html = page(&debrief, results, true, &format!("learners/{own}.html"));
        for other in ["L-01", "L-02", "L-03", "L-04"].iter().filter(|o| **o != own) {
            assert!(!html.contains(other), "{own}'s page names {other}");
        }
    }
}

#[test]
fn the_class_page_names_nobody_unless_asked() {
    let (results, study) = &*PLAIN;
    let debrief = Debrief::of(results, study);
    let html = page(&debrief, results, false, "class.html");
    assert!(!html.contains("L-0") && !html.contains("V-0"));
    let named = page(&debrief, results, true, "class.html");
    for code in ["L-01", "L-04", "learners&#x2f;L-01.html"] {
        assert!(named.contains(code));
    }
}

#[test]
fn strangers_and_people_without_a_test_are_told() {
    let study =
        with_roster("code,role\nV-01,subject\nL-01,examiner\nL-02,examiner\nL-03,examiner\nL-09,examiner\n");
    let results = &PLAIN.0;
    let debrief = Debrief::of(results, &study);
    // The stranger is shown, whoever it is: a test is never lost unsaid.
    assert_eq!(debrief.learners.len(), 4);
    assert!(!debrief.learners[3].on_roster && debrief.learners[0].on_roster);
    let told: Vec<String> = debrief.notes.iter().map(|n| n.words(true)).collect();
    assert!(
        told[0].contains("roster.csv does not name") && told[0].contains("L-04"),
        "{told:?}"
    );
    assert!(
        told[1].contains("without a test") && told[1].contains("L-09"),
        "{told:?}"
    );
    let html = page(&debrief, results, false, "class.html");
    assert!(html.contains("without a test") && !html.contains("L-09"));
}

#[test]
fn tests_without_feedback_are_marked() {
    let (plain, study) = &*PLAIN;
    let mut results = plain.clone();
    for test in &mut results.tests {
        if test.about.session.as_deref() == Some("2026-09-21") {
            test.about.feedback = Some(Feedback::None);
        }
    }
    let debrief = Debrief::of(&results, study);
    let points = &debrief.learners[0].points;
    assert!(points.iter().any(|p| p.retention));
    assert!(
        points
            .iter()
            .all(|p| p.retention == (p.session.as_deref() == Some("2026-09-21")))
    );
    let html = page(&debrief, &results, false, "learners/L-01.html");
    assert!(html.contains("none (retention)") && html.contains("session 3, without feedback"));
}

#[test]
fn a_blind_study_and_its_mirror_image_have_the_same_pages() {
    let blind = |mirror: bool| {
        let (dir, root) = class(|p| {
            if p.about.level == Some(Level::L3) {
                let stiff = if mirror { Side::Left } else { Side::Right };
                if p.about.side == Some(stiff) {
                    super::spoil(p, tautpoint::simulate::ExaminerFault::SprungEarly);
                }
            }
            p.about.examiner.as_deref() == Some("L-01")
        });
        let file = root.join("study.toml");
        let text = std::fs::read_to_string(&file).unwrap();
        std::fs::write(&file, format!("blind = true\n{text}")).unwrap();
        let (results, study) = analysed(&root);
        let debrief = Debrief::of(&results, &study);
        let all = tautpoint::report::debrief::pages(&debrief, &results, true).unwrap();
        let tables: Vec<Vec<u8>> = debrief.tables().iter().map(|t| t.to_csv().unwrap()).collect();
        drop(dir);
        (all, tables)
    };
    let (plain, mirrored) = (blind(false), blind(true));
    assert_eq!(plain.1, mirrored.1);
    assert_eq!(plain.0, mirrored.0);
    assert!(plain.0[0].1.contains("Blinded"));
    assert!(!plain.0[1].1.contains("Sprung at"));
}
