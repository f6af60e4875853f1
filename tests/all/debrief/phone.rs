//! The class page of a class of 24 on a phone, and on paper.

use super::analysed;
use crate::live_page::browser::Browser;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use tautpoint::report::debrief::{Debrief, pages};
use tautpoint::simulate::{Cohort, Sensor, StudyFolder};
use tautpoint::terms::Level;

/// Sizes of phones in CSS pixels, common practice, no source: 390 wide, and the narrowest that is still met, 360.
const PHONES: [(u32, u32); 2] = [(390, 844), (360, 800)];
/// Pixels of the whole page at 390 wide: nine screens for seven parts.
const MOST: f64 = 7_600.0;
/// Screens that one part may take.
const SCREENS: f64 = 3.0;

/// Pages of 24 learners at three regions in two sessions; the last one named.
fn class_of_24(dir: &Path) -> (PathBuf, usize) {
    let level = |word: &str| Level::parse(word).unwrap();
    let cohort = Cohort {
        examiners: 24,
        sessions: 2,
        trials: 1,
        levels: vec![level("L4"), level("T6"), level("C5")],
        sensor: Sensor {
            rate_hz: 100.0,
            ..Sensor::default()
        },
        ..Cohort::default()
    };
    let root = dir.join("class");
    StudyFolder::of_cohort(&cohort, 24).unwrap().write(&root).unwrap();
    let (results, study) = analysed(&root);
    let debrief = Debrief::of(&results, &study);
    assert_eq!(debrief.learners.len(), 24);
    let made = pages(&debrief, &results, true).unwrap();
    for (name, page) in &made {
        let path = dir.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, page).unwrap();
    }
    (dir.join("class.html"), debrief.coverage.len())
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[test]
fn a_class_of_24_is_a_few_screens_a_part_on_a_phone_and_whole_on_paper() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let (page, scans) = class_of_24(dir.path());
    let learner = dir.path().join("learners/L-01.html");
    for (width, height) in PHONES {
        for dark in [false, true] {
            browser.look(width, height, dark);
            browser.goto(&format!("file://{}", page.display()));
            browser.keep(&format!("class-{width}-{dark}"));
            let size =
                browser.run("const d = document.documentElement; return [d.scrollWidth, d.scrollHeight]");
            assert!(
                number(&size[0]) <= f64::from(width),
                "wider than the phone: {size}"
            );
            let most = MOST * 390.0 / f64::from(width);
            assert!(number(&size[1]) < most, "{width}: {size} of {most}");
            let parts = browser.run(
                "return [...document.querySelectorAll('main > section')].map((s) => [s.id, s.getBoundingClientRect().height])",
            );
            for part in parts.as_array().unwrap() {
                assert!(number(&part[1]) < SCREENS * f64::from(height), "{width}: {part}");
            }
            assert_eq!(browser.axe(), Vec::<String>::new());
            // Everything unfolded.
            browser.run("for (const d of document.querySelectorAll('details')) d.open = true");
            assert_eq!(browser.axe(), Vec::<String>::new());
            hints(&browser);
        }
    }
    browser.goto(&format!("file://{}", learner.display()));
    assert_eq!(browser.axe(), Vec::<String>::new());
    hints(&browser);
    long_table_opens_by_keyboard(&browser, &page, scans);
    on_paper(&browser, &page, scans);
}

/// What scrolls is a region that has a name of its own, can be focused and says that it scrolls; what does not scroll says nothing.
fn hints(browser: &Browser) {
    let found = browser.run(
        "return [...document.querySelectorAll('.wide')].map((e) => [e.scrollWidth > e.clientWidth + 1, \
         getComputedStyle(e, '::before').visibility, e.tabIndex, e.getAttribute('role'), e.getAttribute('aria-label')])",
    );
    let regions = found.as_array().unwrap();
    let mut names: Vec<&str> = regions.iter().map(|r| r[4].as_str().unwrap()).collect();
    assert!(
        regions.iter().any(|r| r[0] == json!(true)),
        "nothing scrolls: {found}"
    );
    for region in regions {
        let said = if region[0] == json!(true) {
            "visible"
        } else {
            "hidden"
        };
        assert_eq!(
            (&region[1], &region[2], &region[3]),
            (&json!(said), &json!(0), &json!("region")),
            "{region}"
        );
    }
    names.sort_unstable();
    let all = names.len();
    names.dedup();
    assert_eq!(names.len(), all, "two regions of one name: {names:?}");
    let others = browser.run(
        "return [...document.querySelectorAll('body *')].filter((e) => e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0 && \
         ['auto', 'scroll'].includes(getComputedStyle(e).overflowX) && !e.classList.contains('wide')).map((e) => e.outerHTML.slice(0, 80))",
    );
    assert_eq!(others, json!([]));
}

fn rows(browser: &Browser) -> f64 {
    number(&browser.run(
        "return [...document.querySelectorAll('#scans tbody tr')].filter((r) => r.checkVisibility()).length",
    ))
}

fn long_table_opens_by_keyboard(browser: &Browser, page: &Path, scans: usize) {
    browser.goto(&format!("file://{}", page.display()));
    assert_eq!(rows(browser), 0.0, "folded");
    browser.run("document.querySelector('#scans summary').focus()");
    browser.key("\u{E007}");
    assert_eq!(rows(browser), 10.0);
    browser.run("document.querySelector('#scans .more').focus()");
    browser.key("\u{E007}");
    assert_eq!(rows(browser), scans as f64);
    assert_eq!(
        browser.run("return document.activeElement.getAttribute('role')"),
        json!("region")
    );
    // What is looked for is found on every further page of the table too.
    browser.goto(&format!("file://{}", page.display()));
    browser.run(
        "document.querySelector('#scans details').open = true; const i = document.querySelector('#scans input'); i.value = 'L-24'; \
         i.dispatchEvent(new Event('input'))",
    );
    assert_eq!(rows(browser), 2.0);
}

fn on_paper(browser: &Browser, page: &Path, scans: usize) {
    browser.goto(&format!("file://{}", page.display()));
    browser.devtools("Emulation.setEmulatedMedia", json!({ "media": "print" }));
    assert_eq!(rows(browser), scans as f64);
    let unseen = browser.run(
        "return [...document.querySelectorAll('main svg, main tr, main p')].filter((e) => !e.checkVisibility() && \
         !e.classList.contains('tools')).length",
    );
    assert_eq!(unseen, json!(0));
    browser.devtools("Emulation.setEmulatedMedia", json!({ "media": "" }));
}
