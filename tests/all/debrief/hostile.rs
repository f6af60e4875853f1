//! Input that is thin, wrong or hostile.

use super::{PLAIN, page};
use tautpoint::report::debrief::{Debrief, Request, Sheet, pages};
use tautpoint::results::Results;
use tautpoint::study::folder::Study;
use tautpoint::terms::Posture;

#[test]
fn nothing_at_all_still_makes_a_class_page() {
    let results = Results::default();
    let debrief = Debrief::of(&results, &Study::default());
    let all = pages(&debrief, &results, true).unwrap();
    assert_eq!(all.len(), 1);
    assert!(all[0].1.contains("0 learners, 0 tests in 0 sessions"));
    for table in debrief.tables() {
        table.to_csv().unwrap();
        table.to_parquet().unwrap();
    }
}

#[test]
fn one_test_gives_a_page_without_intervals() {
    let (plain, study) = &*PLAIN;
    let mut results = plain.clone();
    results.tests.truncate(1);
    let debrief = Debrief::of(&results, study);
    let learner = &debrief.learners[0];
    assert!(
        learner
            .points
            .iter()
            .all(|p| p.spot.interval.is_none() && p.spot.tests == 1)
    );
    assert_eq!((learner.closest, learner.latest), (Some(0), Some(0)));
    let html = page(&debrief, &results, false, "learners/L-01.html");
    assert!(html.contains("One test") && !html.contains("NaN"));
}

#[test]
fn without_a_plan_nothing_of_a_plan_is_claimed() {
    let (plain, study) = &*PLAIN;
    let mut results = plain.clone();
    results.plans.clear();
    let debrief = Debrief::of(&results, study);
    assert!(
        debrief
            .coverage
            .iter()
            .all(|s| s.plan.is_none() && s.planned.is_none() && s.missed.is_empty())
    );
    let missed = debrief
        .shares
        .iter()
        .find(|s| s.rule.word() == "level_missed")
        .unwrap();
    assert_eq!((missed.total, missed.percent), (0, None));
    assert!(page(&debrief, &results, false, "class.html").contains("no plan"));
}

#[test]
fn codes_and_titles_are_escaped_and_file_names_are_safe() {
    let hostile = ["../../etc", "<script>alert(1)</script>", "CON", "L-01"];
    let template = &PLAIN.0;
    let mut results = template.clone();
    results.title = Some("</title><script>alert(2)</script>".to_owned());
    results.tests.clear();
    for code in hostile {
        let mut test = template.tests[0].clone();
        test.about.examiner = Some(code.to_owned());
        test.about.subject = Some("\"><img src=x onerror=alert(3)>".to_owned());
        test.about.session = Some("<b>1</b>".to_owned());
        test.about.posture = Posture::new("<i>prone</i>");
        test.recording = format!("{code}.csv");
        results.tests.push(test);
    }
    let debrief = Debrief::of(&results, &Study::default());
    for (path, html) in pages(&debrief, &results, true).unwrap() {
        let name = path.strip_prefix("learners/").unwrap_or(&path);
        assert!(!name.contains('/') && !name.starts_with(['.', '-']), "{path}");
        assert!(!name.to_lowercase().starts_with("con."), "{path}");
        assert_eq!(
            html.matches("<script>").count(),
            usize::from(path == "class.html"),
            "{path}"
        );
        assert!(
            !html.contains("<img") && !html.contains("<b>1") && !html.contains("<i>thumb"),
            "{path}"
        );
    }
}

#[test]
fn ceilings_that_no_lab_set_are_called_stand_ins_and_an_unknown_level_has_none() {
    let (plain, study) = &*PLAIN;
    let mut results = plain.clone();
    results.settings.ceiling_n.lumbar = 120.0;
    let debrief = Debrief::of(&results, study);
    let html = page(&debrief, &results, false, "class.html");
    assert!(html.contains("lumbar 120\u{a0}N (set by this lab)"));
    assert!(html.contains("neck 60\u{a0}N (default, the lab must set its own)"));
    let mut nowhere = plain.clone();
    nowhere.tests.truncate(2);
    for test in &mut nowhere.tests {
        test.about.level = None;
    }
    let request = Request {
        scan: nowhere.tests[0].about.session(),
        ..Request::default()
    };
    let sheet = Sheet::of(&nowhere, &[], request).page().unwrap();
    assert!(sheet.contains("the lowest: level not given") && sheet.contains("No plan is known"));
    let debrief = Debrief::of(&nowhere, study);
    assert!(page(&debrief, &nowhere, false, "class.html").contains("Region not named"));
}
