//! How the pages look: nothing runs over the edge at any size, and the rules of accessibility hold in every state.

use super::{Served, add_away, add_table, begin, class, shown, until};
use crate::live_page::browser::Browser;
use std::time::Duration;
use tautpoint::desk::access::{PageRole, TableId};

/// Name, width, height, dark.
const SIZES: [(&str, u32, u32, bool); 5] = [
    ("wide", 1280, 800, false),
    ("wide-dark", 1280, 800, true),
    ("tablet", 820, 1180, false),
    ("phone", 390, 844, false),
    ("phone-small-dark", 360, 740, true),
];

/// Fits every size; what can be pressed is large enough for a finger (WCAG 2.2, 2.5.8 asks for 24 px, 2.5.5 for 44).
fn fits(browser: &Browser, name: &str) {
    for (size, width, height, dark) in SIZES {
        browser.look(width, height, dark);
        std::thread::sleep(Duration::from_millis(120));
        let wide = browser.run("return document.documentElement.scrollWidth");
        assert!(
            wide.as_u64().unwrap() <= u64::from(width),
            "{name} {size}: {wide} wide"
        );
        let small = "return [...document.querySelectorAll('button, select, input:not([type=checkbox]), nav a')].filter(b => b.offsetParent && b.offsetHeight < 44).map(b => b.outerHTML)";
        assert_eq!(browser.run(small), serde_json::json!([]), "{name} {size}");
        browser.keep(&format!("desk-{name}-{size}"));
    }
    for (width, dark) in [(1280, false), (390, true)] {
        browser.look(width, 844, dark);
        assert_eq!(browser.axe(), Vec::<String>::new(), "{name}, {width} wide");
    }
}

#[test]
fn every_page_of_the_desk_fits_and_keeps_the_rules() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    // Before there is a study.
    let empty = Served::at(&dir.path().join("nothing-yet"));
    browser.goto(&empty.url(PageRole::Teacher));
    browser.until(
        "the form",
        "!document.getElementById('new').hidden && document.querySelectorAll('#ceilings input').length === 8",
    );
    browser.run("document.getElementById('title').dispatchEvent(new Event('input', { bubbles: true }))");
    browser.until(
        "what is missing",
        "document.getElementById('fault-title').textContent !== ''",
    );
    fits(&browser, "new");
    drop(empty);

    let root = class(dir.path(), 24);
    let served = Served::at(&root);
    let good = add_table(&served, "sim:two-handed,rest-s=2");
    let Some(away) = add_away(&served, dir.path()) else {
        return;
    };
    until("stations", || {
        shown(&served, good).is_some_and(|t| t.connected)
            && shown(&served, away).is_some_and(|t| !t.connected)
    });
    browser.goto(&served.url(PageRole::Teacher));
    for (path, there) in [
        ("/", "document.querySelectorAll('#ceilings input').length === 8"),
        (
            "/people",
            "document.querySelectorAll('#volunteer-rows tbody tr').length === 24",
        ),
        (
            "/tables",
            "document.querySelectorAll('#addresses img').length === 4",
        ),
        ("/room", "document.querySelectorAll('#room > li').length === 2"),
        (
            "/after",
            "document.querySelectorAll('#tasks button').length === 6",
        ),
    ] {
        browser.goto(&format!("http://{}{path}", served.addr));
        browser.until(path, there);
        let name = if path == "/" { "study" } else { &path[1..] };
        fits(&browser, name);
    }
    browser.goto(&served.url(PageRole::Look));
    browser.until("the room", "document.querySelectorAll('#room > li').length === 2");
    assert_eq!(
        browser.run("return document.querySelectorAll('#room button, nav').length"),
        0,
        "a page that only looks"
    );
    fits(&browser, "look");
    // While it is looked through, a page takes no frames, and is cut off; it comes back by itself.
    let complaints = browser
        .complaints()
        .into_iter()
        .filter(|c| !c.contains("/events"));
    assert_eq!(complaints.collect::<Vec<String>>(), Vec::<String>::new());
}

#[test]
fn the_page_at_a_table_fits_in_every_state() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 2);
    let served = Served::at(&root);
    served.done(
        "class",
        "{\"plan\":\"short\",\"session\":null,\"feedback\":\"after\",\"calls\":true}",
    );
    let table = add_table(&served, "sim:rest-s=4");
    browser.goto(&served.url(PageRole::Table(TableId(table))));
    browser.until(
        "people to choose",
        "document.getElementById('examiner').options.length === 3",
    );
    fits(&browser, "table-choose");
    begin(&served, table, "L-01", "V-01");
    browser.until(
        "the drawing",
        "document.querySelectorAll('#place svg').length >= 1",
    );
    browser.look(1280, 800, false);
    let size = browser.run("return parseFloat(getComputedStyle(document.getElementById('line')).fontSize)");
    assert!(
        size.as_f64().unwrap() >= 56.0,
        "read from three metres: {size} px"
    );
    browser.within(
        Duration::from_secs(60),
        "a test",
        "/test is in|tests are in/.test(document.getElementById('line').textContent)",
    );
    fits(&browser, "table-in");
    let command = |words: &str| served.at_table(table, "command", &format!("{{\"command\":{words:?}}}"));
    let mut left = None;
    until("the call", || {
        let Some(now) = shown(&served, table) else {
            return false;
        };
        let step = now.step.map(|s| s.number);
        if now.prompt.kind == "in" && left != step {
            left = step;
            command("next");
        }
        now.prompt.kind == "call"
    });
    browser.until(
        "the question",
        "/Which side of L4 felt more resistant/.test(document.getElementById('line').textContent)",
    );
    fits(&browser, "table-call");
    browser.key("1");
    browser.within(
        Duration::from_secs(40),
        "both sides after the call",
        "!document.getElementById('both').hidden",
    );
    fits(&browser, "table-both");
    served.done("pause-table", &format!("{{\"table\":{table},\"paused\":true}}"));
    browser.until(
        "the pause",
        "/paused this table/.test(document.getElementById('line').textContent)",
    );
    let (status, answer) = command("next");
    assert_eq!(status, 422, "{answer}");
    served.done("pause-table", &format!("{{\"table\":{table},\"paused\":false}}"));
    // An alarm, as the teacher and the projector see it too.
    served.done(
        "ceilings",
        "{\"ceilings\":{\"lumbar\":{\"newtons\":\"8\",\"confirmed\":true}}}",
    );
    browser.within(
        Duration::from_secs(60),
        "the alarm",
        "document.body.classList.contains('over')",
    );
    let words = browser.run("return document.getElementById('alarm').textContent");
    assert!(words.as_str().unwrap().contains("ceiling 8 N"), "{words}");
    browser.keep("desk-table-alarm");
    browser.goto(&served.url(PageRole::Look));
    browser.within(
        Duration::from_secs(60),
        "the alarm in the room",
        "/Over the ceiling at Table 1/.test(document.getElementById('alarm').textContent)",
    );
    assert_eq!(
        browser.run("return document.querySelectorAll('#room > li')[0].querySelector('h2').textContent"),
        "Table 1"
    );
    browser.keep("desk-look-alarm");
}
