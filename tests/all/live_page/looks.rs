//! How the page looks: nothing runs over its edge at any size, and pictures for eyes.

use super::browser::Browser;
use super::session::{Play, both_hands, one_side, state};
use tautpoint::live::monitor::MonitorOptions;
use tautpoint::live::summary::ReferenceValues;
use tautpoint::terms::{Feedback, Level};

/// Name, width, height, dark.
const SIZES: [(&str, u32, u32, bool); 6] = [
    ("1280-light", 1280, 800, false),
    ("1280-dark", 1280, 800, true),
    ("1920-light", 1920, 1080, false),
    ("tablet", 820, 1180, false),
    ("tablet-wide-dark", 1180, 820, true),
    ("phone", 390, 844, false),
];

fn reference() -> ReferenceValues {
    ReferenceValues {
        name: "teacher, L3".into(),
        preload_n: Some(31.0),
        spring_peak_n: Some(66.0),
        excursion_mm: Some(3.1),
        spring_rate_hz: Some(0.95),
    }
}

/// Everything fits the width, buttons are large enough for a finger (WCAG 2.2, 2.5.5: 44 px), the number can be read
/// from the back of a room, and the page and its figures fit one screen where there is room.
fn fits(browser: &Browser, name: &str, width: u32) {
    let wide = browser.run("return document.documentElement.scrollWidth");
    assert!(wide.as_u64().unwrap() <= u64::from(width), "{name}: {wide} wide");
    let small = "return [...document.querySelectorAll('button')].filter(b => b.offsetParent && \
                 (b.offsetHeight < 44 || b.offsetWidth < 44)).map(b => b.textContent)";
    assert_eq!(browser.run(small).as_array().unwrap().len(), 0, "{name}");
    let size = "parseFloat(getComputedStyle(document.getElementById('force')).fontSize)";
    browser.until(
        &format!("{name}: a number over a ninth of the width"),
        &format!("!document.body.classList.contains('silent') && {size} > 0.11 * innerWidth"),
    );
    let wide = "const now = document.getElementById('now'); return now.scrollWidth - now.clientWidth";
    assert!(
        browser.run(wide).as_i64().unwrap() <= 0,
        "{name}: a word runs out of its place"
    );
    let canvas =
        "return [...document.querySelectorAll('canvas')].map(c => Math.min(c.clientWidth, c.clientHeight))";
    for side in browser.run(canvas).as_array().unwrap() {
        assert!(side.as_u64().unwrap() >= 120, "{name}: a figure of {side} px");
    }
}

#[test]
fn the_page_fits_every_screen_while_the_hand_is_on_and_after() {
    let Some(browser) = Browser::start() else { return };
    let mut session = Play::new(both_hands(16), state("L3", "both", Feedback::Live));
    session.options = MonitorOptions {
        reference: Some(reference()),
        ..MonitorOptions::default()
    };
    session.settings.ceiling_n.lumbar = 175.0;
    let playing = session.begin();
    browser.goto(&playing.url);
    playing.go();
    browser.until(
        "two springs or more",
        "/^([2-9]|[0-9]{2,}) springs/.test(document.getElementById('springs').textContent)",
    );
    for (name, width, height, dark) in SIZES {
        browser.look(width, height, dark);
        std::thread::sleep(std::time::Duration::from_millis(150));
        fits(&browser, name, width);
        browser.keep(&format!("live-on-{name}"));
    }
    playing.until_tests(1);
    browser.until(
        "the test",
        "/both sides$/.test(document.getElementById('last-title').textContent)",
    );
    for (name, width, height, dark) in SIZES {
        browser.look(width, height, dark);
        std::thread::sleep(std::time::Duration::from_millis(150));
        fits(&browser, name, width);
        browser.keep(&format!("live-after-{name}"));
    }
    // The rules of accessibility, wide and on a phone in the dark.
    for (width, height, dark) in [(1280, 800, false), (390, 844, true)] {
        browser.look(width, height, dark);
        assert_eq!(browser.axe(), Vec::<String>::new(), "{width} wide");
    }
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn an_alarm_a_call_and_hidden_values_fit_too() {
    let Some(browser) = Browser::start() else { return };
    let mut session = Play::new(one_side(), state("L3", "left", Feedback::Live));
    session.settings.ceiling_n.lumbar = 45.0;
    let playing = session.begin();
    browser.goto(&playing.url);
    playing.go();
    for (name, width, height, dark) in SIZES {
        browser.look(width, height, dark);
        browser.until("the alarm", "document.body.classList.contains('over')");
        fits(&browser, name, width);
        browser.keep(&format!("live-alarm-{name}"));
    }
    {
        let mut state = playing.state.lock().unwrap();
        state.call_wanted = Some(Level::L3);
        state.feedback = Feedback::After;
    }
    browser.until("the question", "!document.getElementById('call').hidden");
    browser.until("no alarm", "document.getElementById('alarm').textContent === ''");
    for (name, width, height, dark) in SIZES {
        browser.look(width, height, dark);
        std::thread::sleep(std::time::Duration::from_millis(100));
        browser.keep(&format!("live-call-{name}"));
        let wide = browser.run("return document.documentElement.scrollWidth");
        assert!(wide.as_u64().unwrap() <= u64::from(width), "{name}: {wide} wide");
    }
    browser.look(1280, 800, false);
    assert_eq!(
        browser.axe(),
        Vec::<String>::new(),
        "with the question for a call"
    );
}
