//! The page in a browser: the whole job by keyboard, and what hurry does to it.

use super::super::live_page::browser::Browser;
use super::{LEFT, Served, file_of, study};
use serde_json::json;

const TAB: &str = "\u{E004}";
const ENTER: &str = "\u{E007}";
const RIGHT_ARROW: &str = "\u{E014}";

/// Goes on with the Tab key until an element has the focus.
pub fn tab_to(browser: &Browser, what: &str, condition: &str) {
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
pub fn patiently(browser: &Browser, what: &str, condition: &str) {
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
    // A key moves a mark by a step of the time base, here 100 Hz.
    assert!((at().as_f64().unwrap() - before - 0.08).abs() < 0.011);
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
    assert_eq!(focus(&browser), "save", "the focus stays");
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
    assert_eq!(focus(&browser), "entries-title", "of the list that it was in");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

/// What has the focus, by its id or else its name.
fn focus(browser: &Browser) -> String {
    let script = "const e = document.activeElement; return e.id || e.getAttribute('aria-label') || e.textContent || e.tagName";
    browser.run(script).as_str().unwrap().to_owned()
}

/// A page with the recording of the left side open.
fn opened(browser: &Browser, page: &Served) {
    browser.goto(&page.url);
    patiently(
        browser,
        "a recording",
        "document.querySelectorAll('.handle').length > 5",
    );
    browser.run(&format!(
        "[...document.querySelectorAll('#recordings button')].find((b) => b.textContent.includes('{LEFT}')).click()"
    ));
    patiently(
        browser,
        "that recording",
        &format!("document.getElementById('name').textContent.includes('{LEFT}')"),
    );
    patiently(
        browser,
        "nothing in the way",
        "!document.getElementById('work').inert",
    );
}

fn said(browser: &Browser, words: &str) {
    patiently(
        browser,
        words,
        &format!("document.getElementById('message').textContent.includes('{words}')"),
    );
}

#[test]
fn the_focus_goes_on_where_the_work_does() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let page = Served::of(&study);
    opened(&browser, &page);
    let press = |selector: &str| {
        browser.run(&format!(
            "const e = document.querySelector('{selector}'); e.focus(); e.click()"
        ))
    };
    press("[aria-label=\"Remove spring 2\"]");
    patiently(
        &browser,
        "one proposed",
        "document.querySelectorAll('#drafts li').length === 1",
    );
    assert_eq!(focus(&browser), "Remove spring 2", "that which is the second now");
    // What the page lacks it asks for where it is written.
    press("#save");
    said(&browser, "Write your code first");
    assert_eq!(focus(&browser), "who");
    write(&browser, "E1");
    press("#save");
    said(&browser, "the reason is needed");
    assert_eq!(focus(&browser), "why");
    let told = browser.text("message");
    assert!(!told.contains("--"), "{told}");
    press("#drafts button");
    patiently(
        &browser,
        "none proposed",
        "document.querySelectorAll('#drafts li').length === 0",
    );
    assert_eq!(focus(&browser), "proposed-title");
    // A button that can do nothing says why, and keeps the focus.
    press("#save");
    said(&browser, "Nothing is proposed yet.");
    assert_eq!((focus(&browser).as_str(), file_of(&study)), ("save", None));
    press("#join");
    said(&browser, "No test follows");
    // An emptied number comes back.
    browser.run(
        "const e = document.querySelector('[aria-label=\"contact begins\"][type=number]'); e.focus(); e.value = ''; \
         e.dispatchEvent(new Event('change'))",
    );
    said(&browser, "A number is needed there");
    let value = "return Number(document.querySelector('[aria-label=\"contact begins\"][type=number]').value)";
    assert!(browser.run(value).as_f64().unwrap() > 0.5);
    browser.run(
        "const e = document.getElementById('cursor-s'); e.value = ''; e.dispatchEvent(new Event('change'))",
    );
    assert_ne!(
        browser.run("return document.getElementById('cursor-s').value"),
        json!("")
    );
    // Side and level stand on the test's own, and that is no change.
    let places = "return [document.getElementById('side').value, document.getElementById('level').value]";
    assert_eq!(browser.run(places), json!(["left", "L3"]));
    press("#set-side");
    said(&browser, "The side is left already.");
    assert_eq!(
        browser.run("return document.querySelectorAll('#drafts li').length"),
        json!(0)
    );
    browser.run("const e = document.getElementById('level'); e.value = 'L4'");
    press("#set-level");
    patiently(
        &browser,
        "the level among what changes",
        "/level\\s*L3\\s*L4/.test(document.getElementById('changes').innerText)",
    );
    // A browser tells of every refusal; nothing else is wrong.
    let complaints = browser.complaints();
    assert!(
        complaints.iter().all(|c| c.contains("status of 422")),
        "{complaints:?}"
    );
}

#[test]
fn what_is_done_in_a_hurry_is_not_lost_and_nothing_disappears() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let page = Served::of(&study);
    opened(&browser, &page);
    let handles = "return [...document.querySelectorAll('#time-rails .handle')].filter((h) => h.checkVisibility() && \
                   h.getBoundingClientRect().right <= innerWidth).length";
    let before = browser.run(handles);
    browser.run("document.getElementById('split').click()");
    patiently(
        &browser,
        "two tests",
        "document.querySelectorAll('#tests button').length === 2",
    );
    browser.run("document.querySelectorAll('#tests button')[1].click()");
    assert!(browser.run(handles).as_u64().unwrap() >= 3);
    browser.run("document.getElementById('discard').click()");
    assert_eq!(browser.run(handles), before, "all marks are there again");
    // Two marks and Save at once, before anything was worked out.
    browser
        .run("document.getElementById('who').value = 'E1'; document.getElementById('why').value = 'as seen'");
    browser.run(
        "const go = (key, code) => document.querySelector(`[data-key='${key}']`).dispatchEvent(new KeyboardEvent('keydown', { key: code, \
         shiftKey: true })); go('contact_begin ', 'ArrowRight'); go('contact_end ', 'ArrowLeft'); document.getElementById('save').click()",
    );
    said(&browser, "Saved as 2 entries.");
    // Moved and moved back it is no change.
    browser.run(
        "const go = (code) => document.querySelector(`[data-key='contact_begin ']`).dispatchEvent(new KeyboardEvent('keydown', { key: code })); \
         go('ArrowRight')",
    );
    patiently(
        &browser,
        "one proposed",
        "document.querySelectorAll('#drafts li').length === 1",
    );
    browser.run(
        "document.querySelector(`[data-key='contact_begin ']`).dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowLeft' }))",
    );
    patiently(
        &browser,
        "none proposed",
        "document.querySelectorAll('#drafts li').length === 0",
    );
    // One bracket moved is one end of the range; where no onset is left, that is said.
    browser.run(
        "const go = () => document.querySelector(`[data-key='onset_low']`).dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowRight', \
         shiftKey: true })); for (let i = 0; i < 21; i++) go()",
    );
    patiently(
        &browser,
        "one end",
        "/onset at [\\d.]+ mm or deeper/.test(document.getElementById('drafts').textContent)",
    );
    patiently(
        &browser,
        "the loss",
        "document.getElementById('losses').textContent.includes('has no onset any more')",
    );
    let commands = browser.run("return document.getElementById('command-lines').textContent");
    assert!(commands.as_str().unwrap().contains(" - --who"), "{commands}");
    let complaints = browser.complaints();
    assert!(
        complaints.iter().all(|c| c.contains("status of 422")),
        "{complaints:?}"
    );
}
