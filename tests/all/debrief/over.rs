//! Pushes over the ceiling stand before anything else, a mean outside its band is told, and no two sentences contradict
//! each other.

use super::{PLAIN, SPOILED, page};
use tautpoint::plot::{ClassDot, ClassDots, class_dots};
use tautpoint::report::debrief::{Band, BandFrom, Debrief, Shown};
use tautpoint::report::html::{self, PageOptions};
use tautpoint::report::summary_text;
use tautpoint::technique::TechniqueRule;

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
            &format!("Over the ceiling: {} pushes.", over.len()),
            "<main>"
        )
        .is_some()
    );
    assert!(class.contains("examiner L-01"));
    let unnamed = page(&debrief, results, false, "class.html");
    let line = before(&unnamed, "Over the ceiling: ", "<main>").unwrap();
    let line = &line[..line.find('<').unwrap()];
    assert!(
        line.contains("by 2 learners, the hardest") && !line.contains("L-0"),
        "{line}"
    );
    let learner = page(&debrief, results, true, "learners/L-03.html");
    // In her first session, though the last one kept below.
    assert!(before(&learner, "Over the ceiling: 1 push.", "<main>").is_some());
    assert!(!page(&debrief, results, true, "learners/L-02.html").contains("Over the ceiling: "));
    let drawn = html::Drawing::of(results, &PageOptions::default());
    let report = drawn.page(results).unwrap();
    assert!(before(&report, "Over the ceiling: ", "<main>").is_some());
    let summary = summary_text(results);
    let technique = &summary[summary.find("Technique\n").unwrap()..];
    assert!(
        technique.lines().nth(1).unwrap().contains("peak force"),
        "{technique}"
    );
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
