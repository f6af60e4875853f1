//! Pushes over the ceiling stand before anything else, a mean outside its band is told, and no two sentences contradict
//! each other.

use super::{FIRST, PLAIN, SPOILED, analysed, class, is, page, spoil};
use tautpoint::plot::{ClassDot, ClassDots, class_dots};
use tautpoint::report::debrief::{Band, BandFrom, Debrief, Shown};
use tautpoint::report::html::{self, PageOptions};
use tautpoint::report::summary_text;
use tautpoint::simulate::ExaminerFault;
use tautpoint::technique::TechniqueRule;
use tautpoint::terms::Side;

/// The words of a page, without its tags.
fn before<'a>(page: &'a str, first: &str, second: &str) -> Option<&'a str> {
    let at = page.find(first)?;
    page.find(second).filter(|other| at < *other).map(|_| &page[at..])
}

#[test]
fn every_page_tells_pushes_over_the_ceiling_first() {
    let (results, study) = &*SPOILED;
    let over: Vec<_> = results
        .technique
        .iter()
        .filter(|f| f.rule == TechniqueRule::OverCeiling)
        .collect();
    assert!(!over.is_empty());
    let debrief = Debrief::of(results, study);
    let class = page(&debrief, results, true, "class.html");
    assert!(
        before(
            &class,
            &format!(
                "Over the ceiling: {} pushes, the furthest over its ceiling first.",
                over.len()
            ),
            "<main>"
        )
        .is_some()
    );
    assert!(class.contains("examiner L-01"));
    let unnamed = page(&debrief, results, false, "class.html");
    let line = before(&unnamed, "Over the ceiling: ", "<main>").unwrap();
    let line = &line[..line.find('<').unwrap()];
    assert!(
        line.contains("by 2 examiners, the furthest over it") && !line.contains("L-0"),
        "{line}"
    );
    let learner = page(&debrief, results, true, "learners/L-03.html");
    // In her first session, though the last one kept below.
    assert!(
        before(
            &learner,
            "Over the ceiling: 1 push, the furthest over its ceiling first.",
            "<main>"
        )
        .is_some()
    );
    assert!(!page(&debrief, results, true, "learners/L-02.html").contains("Over the ceiling: "));
    let drawn = html::Drawing::of(results, &PageOptions::default());
    let report = drawn.page(results).unwrap();
    assert!(before(&report, "Over the ceiling: ", "<main>").is_some());
    let summary = summary_text(results);
    let told = &summary[summary
        .find("Over the ceiling (2, the furthest over its ceiling first)\n")
        .unwrap()..];
    assert!(told.lines().nth(1).unwrap().contains("peak force"), "{told}");
    assert!(summary.find("Over the ceiling").unwrap() < summary.find("Scan: ").unwrap());
}

#[test]
fn a_push_of_a_learner_without_a_usable_test_stands_on_every_page() {
    let (_dir, root) = class(|p| {
        if is(p, "L-04", FIRST, "L3", Side::Left) {
            spoil(p, ExaminerFault::Over(175.0));
        }
        ["L-01", "L-04"]
            .iter()
            .any(|code| is(p, code, FIRST, "L3", Side::Left) || is(p, code, FIRST, "L3", Side::Right))
    });
    // Every sidecar of L-04 has a day in a form that is refused, and one recording holds nothing at all.
    for entry in std::fs::read_dir(root.join("recordings")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if !name.contains("L-04") {
            continue;
        }
        if name.contains("right") && name.ends_with(".csv") {
            std::fs::write(&path, "").unwrap();
        } else if name.ends_with(".toml") {
            let sidecar = std::fs::read_to_string(&path).unwrap();
            let refused = sidecar
                .replace("level = ", "known = true\nlevel = ")
                .replace("side = \"left\"", "side = \"lft\"");
            std::fs::write(&path, refused).unwrap();
        }
    }
    let (results, study) = analysed(&root);
    assert!(
        results
            .tests
            .iter()
            .all(|t| t.about.examiner.as_deref() == Some("L-01"))
    );
    let pushes = results
        .technique
        .iter()
        .filter(|f| f.rule == TechniqueRule::OverCeiling);
    // One for each spring: nothing says which of them are one test.
    let pushes = pushes.filter(|f| f.examiner.as_deref() == Some("L-04")).count();
    assert!(
        (3..=5).contains(&pushes),
        "simulated examiners spring three to five times: {pushes}"
    );
    let debrief = Debrief::of(&results, &study);
    let push = format!("V-01_L-04_{FIRST}_L3_left_1.csv");
    let class = page(&debrief, &results, true, "class.html");
    let learner = page(&debrief, &results, true, "learners/L-04.html");
    let report = html::page(&results, &PageOptions::default()).unwrap();
    for (name, html) in [("class", &class), ("learner", &learner), ("report", &report)] {
        let head = before(
            html,
            &format!("Over the ceiling: {pushes} pushes, the furthest over its ceiling first."),
            "<main>",
        );
        let head = head.unwrap_or_else(|| panic!("the {name} page does not tell them"));
        let head = &head[..head.find("<main>").unwrap()];
        assert!(
            head.contains(&push) && head.contains("examiner L-04") && head.contains("L3"),
            "{name}: {head}"
        );
        assert!(
            head.contains("1 recording could not be looked at for ceilings: recordings&#x2f;V-01_L-04"),
            "{name}: {head}"
        );
        assert!(
            html.contains(&format!(
                "Every push over a ceiling ({pushes}), the furthest over its ceiling first"
            )),
            "{name}"
        );
    }
    assert!(learner.contains(&format!(
        "in 0 of 0 tests of the session, and {pushes} pushes in no test"
    )));
    assert!(!page(&debrief, &results, true, "learners/L-01.html").contains("L-04"));
    let unnamed = page(&debrief, &results, false, "class.html");
    assert!(
        unnamed.contains(&format!("Over the ceiling: {pushes} pushes by 1 examiner"))
            && !unnamed.contains("L-04")
    );
    assert!(unnamed.contains("1 recording could not be looked at for ceilings."));
    let summary = summary_text(&results);
    assert!(summary.replace("\n    ", " ").contains(&push), "{summary}");
}

#[test]
fn a_peak_over_the_ceiling_is_not_hidden_in_a_mean() {
    let (results, study) = &*SPOILED;
    let debrief = Debrief::of(results, study);
    let learner = debrief.learners.iter().find(|l| l.code == "L-01").unwrap();
    let [push] = learner.over.as_slice() else {
        panic!("{:?}", learner.over)
    };
    assert!(push.peak_n > 175.0 && push.place.is_some(), "{push:?}");
    let point = learner
        .points
        .iter()
        .find(|p| p.measure == Shown::PeakForce && p.session == push.session && push.is_at(&p.place))
        .unwrap();
    assert!(point.spot.mean < 175.0, "the mean hides it: {:?}", point.spot);
    let words = format!("over the ceiling: {:.0}", push.peak_n);
    for name in ["class.html", "learners/L-01.html"] {
        assert!(page(&debrief, results, true, name).contains(&words), "{name}");
    }
    // Without a mean there is a row all the same.
    let alone = [ClassDot {
        code: None,
        mean: None,
        over: vec![182.0],
        interval: None,
        open: false,
    }];
    let figure = class_dots(&ClassDots {
        label: "peak force",
        unit: "N",
        decimals: 0,
        dots: &alone,
        band: None,
        band_words: "",
    })
    .unwrap();
    assert!(
        figure.alt.contains("no mean, over the ceiling: 182"),
        "{}",
        figure.alt
    );
}

#[test]
fn a_mean_outside_its_band_is_told_and_nothing_is_claimed_beside_it() {
    let (results, study) = &*PLAIN;
    let mut debrief = Debrief::of(results, study);
    let quiet = debrief
        .learners
        .iter()
        .find(|l| l.work_on.is_empty())
        .map(|l| l.code.clone());
    let code = quiet.expect("a learner without a finding in the last session");
    let name = format!("learners/{code}.html");
    for (_, _, band) in &mut debrief.bands {
        *band = None;
    }
    assert!(page(&debrief, results, true, &name).contains("nothing lay outside its band"));
    for (_, measure, band) in &mut debrief.bands {
        if *measure == Shown::Preload {
            *band = Some(Band {
                low: Some(0.5),
                high: Some(1.0),
                from: BandFrom::Reference(6),
            });
        }
    }
    let told = page(&debrief, results, true, &name);
    assert!(!told.contains("nothing lay outside its band"));
    assert!(told.contains("no single test broke a rule of technique"));
    assert!(
        told.contains("mean preload ")
            && told.contains(
                "over its band of 0 to 1\u{a0}N (mean ± 2 standard deviations of 6 tests of the teacher)"
            ),
        "{told}"
    );
}

#[test]
fn a_push_in_no_test_is_counted_alike_wherever_it_is_counted() {
    let (plain, study) = &*PLAIN;
    let mut results = plain.clone();
    let first = results.tests[0].clone();
    let code = first.about.examiner.clone().unwrap();
    results
        .tests
        .retain(|t| t.about.examiner.as_deref() != Some(&code) || t.recording == first.recording);
    results.technique.retain(|f| f.examiner.as_deref() != Some(&code));
    let mut push = SPOILED
        .0
        .technique
        .iter()
        .find(|f| f.rule == TechniqueRule::OverCeiling)
        .unwrap()
        .clone();
    push.examiner = Some(code.clone());
    push.session = first.about.session.clone();
    push.recording = Some(first.recording.clone());
    push.test = None;
    results.technique.push(push);
    let debrief = Debrief::of(&results, study);
    let html = page(&debrief, &results, true, &format!("learners/{code}.html"));
    assert!(
        html.contains("Over ceiling: in 0 of 1 tests of the session, and 1 push in no test"),
        "{html}"
    );
    assert!(html.contains("0, and 1 push in no test"));
    let share = debrief
        .shares
        .iter()
        .find(|s| s.learner.as_deref() == Some(&code) && s.rule == TechniqueRule::OverCeiling)
        .unwrap();
    assert_eq!((share.with_finding, share.in_no_test), (0, 1));
}

#[test]
fn a_rule_that_was_never_measured_is_not_shown_as_kept() {
    let (results, study) = &*PLAIN;
    let debrief = Debrief::of(results, study);
    let html = page(&debrief, results, false, "class.html");
    // The class has neither a tilt sensor nor a test with a sensor under each hand.
    for why in [
        "no test with a tilt sensor and a planned line of drive",
        "no test with both hands on a sensor of its own",
    ] {
        assert!(html.contains(&format!("not measured: {why}")), "{why}");
    }
    let measured = debrief
        .shares
        .iter()
        .find(|s| s.rule == TechniqueRule::SpringTooSmall)
        .unwrap();
    assert!(measured.judged > 0 && measured.percent.is_some(), "{measured:?}");
    let tilt = debrief
        .shares
        .iter()
        .find(|s| s.rule == TechniqueRule::OffLineOfDrive)
        .unwrap();
    assert_eq!((tilt.judged, tilt.percent), (0, None));
}
