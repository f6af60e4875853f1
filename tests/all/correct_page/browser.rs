//! The page in a browser: the whole job by keyboard, every width, dark and print, and rules of accessibility.

use super::super::cohort::{code, err, run, text};
use super::super::live_page::browser::Browser;
use super::{Served, file_of, study};
use serde_json::json;

const TAB: &str = "\u{E004}";
const ENTER: &str = "\u{E007}";
const RIGHT_ARROW: &str = "\u{E014}";

/// Goes on with the Tab key until an element has the focus.
fn tab_to(browser: &Browser, what: &str, condition: &str) {
    for _ in 0..120 {
        if browser.run(&format!(
            "const e = document.activeElement; return Boolean({condition})"
        )) == json!(true)
        {
            return;
        }
        browser.key(TAB);
    }
    panic!("Tab never came to {what}");
}

/// The program under test is slow where it was built without optimisation and others work too.
fn patiently(browser: &Browser, what: &str, condition: &str) {
    browser.within(std::time::Duration::from_secs(90), what, condition);
}

fn write(browser: &Browser, words: &str) {
    words.chars().for_each(|c| browser.key(&c.to_string()));
}

#[test]
fn a_mark_is_moved_saved_and_taken_back_by_keys_alone() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let page = Served::of(&study);
    browser.goto(&page.url);
    patiently(
        &browser,
        "a recording",
        "document.querySelectorAll('.handle').length > 5",
    );
    let address = browser.run("return location.href");
    assert!(!address.as_str().unwrap().contains("token"), "{address}");
    tab_to(
        &browser,
        "contact begin",
        "e.getAttribute('aria-label') === 'contact begins'",
    );
    let at = || {
        browser.run("return Number(document.querySelector('[data-key^=contact_begin]').getAttribute('aria-valuenow'))")
    };
    let before = at().as_f64().unwrap();
    for _ in 0..8 {
        browser.key(RIGHT_ARROW);
    }
    patiently(
        &browser,
        "what changes",
        "document.querySelector('#changes table') || /No number/.test(document.querySelector('#changes').textContent)",
    );
    assert!((at().as_f64().unwrap() - before - 0.04).abs() < 0.011);
    assert_eq!(
        browser.run("return document.activeElement.getAttribute('aria-label')"),
        "contact begins",
        "the focus stays"
    );
    assert_eq!(file_of(&study), None);
    assert!(
        browser
            .run("return document.getElementById('command-lines').textContent")
            .as_str()
            .unwrap()
            .contains("--contact-begin")
    );
    tab_to(&browser, "the code", "e.id === 'who'");
    write(&browser, "E1");
    tab_to(&browser, "the reason", "e.id === 'why'");
    write(&browser, "cable");
    tab_to(&browser, "Save", "e.id === 'save'");
    browser.key(ENTER);
    patiently(
        &browser,
        "saved",
        "document.getElementById('message').textContent === 'Saved as one entry.'",
    );
    assert!(file_of(&study).unwrap().contains("why = \"cable\""));
    tab_to(&browser, "the reason", "e.id === 'why'");
    write(&browser, "back");
    tab_to(&browser, "Take back", "e.textContent === 'Take back'");
    browser.key(ENTER);
    patiently(
        &browser,
        "taken back",
        "/is taken back/.test(document.getElementById('message').textContent)",
    );
    assert!(file_of(&study).unwrap().contains("change = \"undo\""));
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

/// Name, width, height, dark.
const SIZES: [(&str, u32, u32, bool); 5] = [
    ("1280-light", 1280, 900, false),
    ("1280-dark", 1280, 900, true),
    ("tablet", 820, 1180, false),
    ("phone-dark", 390, 844, true),
    ("narrow", 360, 740, false),
];

#[test]
fn the_page_fits_every_width_and_keeps_the_rules_of_accessibility() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    for change in [
        &["--contact-begin", "1.9"][..],
        &["--annotate", "coughed", "--at", "4"],
    ] {
        let done = run(&[
            &[
                "correct",
                text(&study),
                super::LEFT,
                "--who",
                "E1",
                "--why",
                "as seen",
            ][..],
            change,
        ]
        .concat());
        assert_eq!(code(&done), 0, "{}", err(&done));
    }
    let page = Served::of(&study);
    browser.goto(&page.url);
    patiently(
        &browser,
        "the list",
        "document.querySelectorAll('#recordings button').length === 2",
    );
    // The one with a note stands first and is shown.
    patiently(
        &browser,
        "its entries",
        "document.querySelectorAll('#entries li').length === 2",
    );
    browser.run("document.querySelector('[aria-label=\"Remove spring 2\"]').click()");
    patiently(&browser, "a proposal", "document.querySelector('#changes table')");
    for (name, width, height, dark) in SIZES {
        browser.look(width, height, dark);
        std::thread::sleep(std::time::Duration::from_millis(200));
        let wide = browser.run("return document.documentElement.scrollWidth");
        assert!(wide.as_u64().unwrap() <= u64::from(width), "{name}: {wide} wide");
        // WCAG 2.2, 2.5.8: 24 px.
        let small = "return [...document.querySelectorAll('button, input, select, .handle')].filter((b) => b.checkVisibility() && \
                     (b.offsetHeight < 24 || b.offsetWidth < 24)).map((b) => b.outerHTML)";
        assert_eq!(browser.run(small), json!([]), "{name}");
        if name.starts_with("1280") || name.starts_with("phone") {
            assert_eq!(axe(&browser), Vec::<String>::new(), "{name}");
        }
        browser.keep(&format!("correct-{name}"));
    }
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

/// What axe-core finds against WCAG 2.2 AA, where TAUTPOINT_AXE names its file.
fn axe(browser: &Browser) -> Vec<String> {
    let Ok(file) = std::env::var("TAUTPOINT_AXE") else {
        println!("not looked at by axe-core: TAUTPOINT_AXE does not name its file");
        return Vec::new();
    };
    browser.run(&std::fs::read_to_string(file).unwrap());
    let found = browser.run_async(
        "const done = arguments[arguments.length - 1]; \
         axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }).then((r) => \
         done(r.violations.flatMap((v) => v.nodes.map((n) => `${v.id}: ${n.html} ${n.failureSummary}`))), (e) => done([String(e)]))",
    );
    let all = found.as_array().unwrap().iter();
    all.map(|v| v.as_str().unwrap().to_owned()).collect()
}
