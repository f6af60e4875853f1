//! How the page looks: every width, dark and print, and rules of accessibility.

use super::super::cohort::{code, err, run, text};
use super::super::live_page::browser::Browser;
use super::browser::patiently;
use super::{LEFT, Served, study};
use serde_json::json;

/// Name, width, height, dark.
const SIZES: [(&str, u32, u32, bool); 6] = [
    ("1280-light", 1280, 800, false),
    ("1280-dark", 1280, 800, true),
    ("1920", 1920, 1080, false),
    ("tablet", 820, 1180, false),
    ("phone-dark", 390, 844, true),
    ("narrow", 360, 740, false),
];

/// The page of the left side's recording, with two entries, and a spring that is to be removed.
fn proposing(browser: &Browser, study: &std::path::Path) -> Served {
    for change in [
        &["--contact-begin", "1.9"][..],
        &["--annotate", "coughed", "--at", "4"],
    ] {
        let done = run(&[
            &["correct", text(study), LEFT, "--who", "E1", "--why", "as seen"][..],
            change,
        ]
        .concat());
        assert_eq!(code(&done), 0, "{}", err(&done));
    }
    let page = Served::of(study);
    browser.goto(&page.url);
    patiently(
        browser,
        "the list",
        "document.querySelectorAll('#recordings button').length === 2",
    );
    // The one with a note stands first and is shown.
    patiently(
        browser,
        "its entries",
        "document.querySelectorAll('#entries li').length === 2",
    );
    assert_eq!(browser.axe(), Vec::<String>::new(), "before anything is proposed");
    browser.run("document.querySelector('[aria-label=\"Remove spring 2\"]').click()");
    patiently(browser, "a proposal", "document.querySelector('#changes table')");
    page
}

#[test]
fn the_page_fits_every_width_and_keeps_the_rules_of_accessibility() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let _page = proposing(&browser, &study);
    for (name, width, height, dark) in SIZES {
        browser.look(width, height, dark);
        std::thread::sleep(std::time::Duration::from_millis(200));
        let wide = browser.run("return document.documentElement.scrollWidth");
        assert!(wide.as_u64().unwrap() <= u64::from(width), "{name}: {wide} wide");
        // WCAG 2.2, 2.5.8: 24 px; for fingers 44 px, its 2.5.5 (AAA).
        let least = if width < 480 { 44 } else { 24 };
        let small = format!(
            "return [...document.querySelectorAll('button, .handle')].filter((b) => b.checkVisibility() && (b.offsetHeight < {least} || \
             b.offsetWidth < Math.min({least}, 24))).map((b) => b.outerHTML)"
        );
        assert_eq!(browser.run(&small), json!([]), "{name}");
        let clipped = "return [...document.querySelectorAll('#marks, #changes table')].filter((t) => t.offsetWidth > t.parentElement.clientWidth \
                       + 1).map((t) => `${t.offsetWidth} of ${t.parentElement.clientWidth}`)";
        assert_eq!(browser.run(clipped), json!([]), "{name}");
        if name.starts_with("1280") || name.starts_with("phone") {
            assert_eq!(browser.axe(), Vec::<String>::new(), "{name}");
        }
        browser.keep(&format!("correct-{name}"));
    }
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn curve_change_and_save_stand_on_one_screen_and_nothing_lies_over_them() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let _page = proposing(&browser, &study);
    // What is under the middle of each is that itself: nothing lies over it, and it is on the screen.
    let on_top = |ids: &[&str]| {
        let ids = json!(ids).to_string();
        browser.run(&format!(
            "return {ids}.filter((id) => {{ const e = document.getElementById(id), r = e.getBoundingClientRect(); \
             const at = document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2); \
             return r.bottom > innerHeight + 1 || !(at && (e === at || e.contains(at) || at.contains(e))); }})"
        ))
    };
    browser.look(1280, 800, false);
    for down in [0, 500] {
        browser.run(&format!("scrollTo(0, {down})"));
        std::thread::sleep(std::time::Duration::from_millis(150));
        let curve: &[&str] = if down == 0 {
            &["time-plot", "time-rails"]
        } else {
            &[]
        };
        let all = [
            curve,
            &[
                "proposed-title",
                "drafts",
                "who",
                "why",
                "message",
                "save",
                "discard",
            ],
        ]
        .concat();
        assert_eq!(on_top(&all), json!([]), "{down} px down");
    }
    // On a phone Save and what is told are always at hand, and cover no field that is written in.
    browser.look(390, 844, false);
    for id in ["who", "why", "word", "cursor-s"] {
        browser.run(&format!("document.getElementById('{id}').focus()"));
        std::thread::sleep(std::time::Duration::from_millis(150));
        assert_eq!(on_top(&[id, "message", "save", "discard"]), json!([]), "{id}");
    }
}

#[test]
fn a_blind_page_and_one_without_a_test_keep_the_rules_too() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let out = run(&[
        "correct",
        text(&study),
        LEFT,
        "--leave-out",
        "--who",
        "E1",
        "--why",
        "x",
    ]);
    assert_eq!(code(&out), 0, "{}", err(&out));
    let settings = study.join("study.toml");
    let of_settings = std::fs::read_to_string(&settings).unwrap();
    std::fs::write(&settings, format!("blind = true\n{of_settings}")).unwrap();
    let page = Served::of(&study);
    browser.goto(&page.url);
    for k in 0..2 {
        patiently(
            &browser,
            "the list",
            "document.querySelectorAll('#recordings button').length === 2",
        );
        browser.run(&format!(
            "document.querySelectorAll('#recordings button')[{k}].click()"
        ));
        let shown =
            "document.querySelector('#recordings [aria-current]') && !document.getElementById('work').inert";
        patiently(&browser, "a recording", shown);
        assert_eq!(browser.axe(), Vec::<String>::new(), "{k}");
    }
    assert_eq!(browser.complaints(), Vec::<String>::new());
}
