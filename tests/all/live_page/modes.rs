//! Feedback modes, calls, alarm, signal and keys, seen in a browser.

use super::browser::Browser;
use super::session::{Play, Playing, both_hands, far_apart, one_side, state};
use serde_json::Value;
use std::time::Duration;
use tautpoint::live::control::{Command, Estimates};
use tautpoint::live::monitor::{MonitorEvent, MonitorOptions};
use tautpoint::terms::{Feedback, Felt, Landmark, Level};

/// Played this much faster than life.
const QUICK: f64 = 4.0;
const NUMBER: &str = "Number(document.getElementById('number').textContent)";

fn play(mode: Feedback) -> Play {
    Play {
        speed: QUICK,
        ..Play::new(one_side(), state("L3", "left", mode))
    }
}

fn open(browser: &Browser, playing: &Playing) {
    browser.goto(&playing.url);
    browser.until(
        "a first frame",
        "document.getElementById('step').textContent === 'L3 left'",
    );
}

/// Sees to it that nothing measured is on the page, now and for a while.
fn nothing_measured(browser: &Browser) {
    let script =
        "return ['number', 'phase', 'springs', 'sides'].map(id => document.getElementById(id).textContent)";
    for _ in 0..10 {
        let texts = browser.run(script);
        let number = texts[0].as_str().unwrap();
        assert!(number.is_empty() || number == "no signal", "{number} is shown");
        assert!((1..4).all(|i| texts[i] == ""), "{texts}");
        std::thread::sleep(Duration::from_millis(30));
    }
}

fn has_last(browser: &Browser) -> bool {
    browser.run("return !document.getElementById('measures').hidden") == Value::Bool(true)
}

#[test]
fn live_feedback_shows_force_phase_springs_and_the_last_test() {
    let Some(browser) = Browser::start() else { return };
    let playing = play(Feedback::Live).begin();
    open(&browser, &playing);
    playing.go();
    browser.until("a force", &format!("{NUMBER} > 20"));
    browser.until(
        "a spring",
        "/^[1-3] spring/.test(document.getElementById('springs').textContent)",
    );
    browser.until(
        "pre-tension or later",
        "/pre-tension|spring|recoil/.test(document.getElementById('phase').textContent)",
    );
    playing.until_tests(1);
    browser.until(
        "the analysed test",
        "/^Last test: L3 left$/.test(document.getElementById('last-title').textContent)",
    );
    let measures = browser.text("measures");
    for word in ["preload", "peak force", "excursion", "end-feel stiffness"] {
        assert!(measures.contains(word), "{measures}");
    }
    // The tissue was made with 11 N/mm beyond the onset and its damping adds a few hundredths.
    let end_feel = measures.lines().find(|l| l.starts_with("end-feel")).unwrap();
    let value: f64 = end_feel.split_whitespace().nth(3).unwrap().parse().unwrap();
    assert!((value - 11.0).abs() < 0.5, "{end_feel}");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn feedback_after_the_test_shows_the_test_and_nothing_before() {
    let Some(browser) = Browser::start() else { return };
    let mut session = play(Feedback::After);
    // Slow enough that the test still goes on when it is looked at.
    session.speed = 1.0;
    let playing = session.begin();
    open(&browser, &playing);
    playing.go();
    std::thread::sleep(Duration::from_millis(600));
    nothing_measured(&browser);
    assert!(!has_last(&browser));
    playing.until_tests(1);
    browser.until("the test", "!document.getElementById('measures').hidden");
    nothing_measured(&browser);
}

#[test]
fn feedback_on_request_waits_for_the_request_and_ends_with_the_next_touch() {
    let Some(browser) = Browser::start() else { return };
    let mut session = play(Feedback::OnRequest);
    session.trace = far_apart();
    let playing = session.begin();
    open(&browser, &playing);
    playing.go();
    playing.until_tests(1);
    nothing_measured(&browser);
    assert!(!has_last(&browser));
    browser.key("v");
    browser.until("the test", "!document.getElementById('measures').hidden");
    browser.until(
        "the next touch hides it",
        "document.getElementById('measures').hidden",
    );
    assert!(playing.commands.lock().unwrap().contains(&Command::Show));
}

#[test]
fn without_feedback_nothing_is_shown_but_the_ceiling_alarm_is() {
    let Some(browser) = Browser::start() else { return };
    let mut session = play(Feedback::None);
    session.settings.ceiling_n.lumbar = 40.0;
    let playing = session.begin();
    open(&browser, &playing);
    playing.go();
    browser.until("the alarm", "document.body.classList.contains('over')");
    let alarm = browser.text("alarm");
    assert!(
        alarm.contains("Over the ceiling") && alarm.contains("lumbar ceiling 40 N"),
        "{alarm}"
    );
    assert!(!alarm.contains("highest"), "{alarm}");
    nothing_measured(&browser);
    browser.key("v");
    playing.until_tests(1);
    nothing_measured(&browser);
    assert!(!has_last(&browser));
    browser.until("the alarm ends", "!document.body.classList.contains('over')");
}

#[test]
fn no_value_of_a_level_is_shown_before_its_call() {
    let Some(browser) = Browser::start() else { return };
    let mut session = play(Feedback::Live);
    session.options = MonitorOptions {
        calls: true,
        ..MonitorOptions::default()
    };
    let playing = session.begin();
    playing.state.lock().unwrap().hidden_levels = vec![Level::L3];
    open(&browser, &playing);
    playing.go();
    playing.until_tests(1);
    nothing_measured(&browser);
    playing.state.lock().unwrap().call_wanted = Some(Level::L3);
    browser.until("the question", "!document.getElementById('call').hidden");
    assert!(browser.text("call-title").contains("L3"));
    assert!(!has_last(&browser));
    nothing_measured(&browser);
    browser.key("2");
    let called = Command::Call { call: Felt::Right };
    browser.until(
        "the command",
        "document.getElementById('spoken').textContent.includes('sent')",
    );
    assert!(playing.commands.lock().unwrap().contains(&called));
    playing.state.lock().unwrap().call_wanted = None;
    playing.state.lock().unwrap().hidden_levels.clear();
    browser.until("the test", "!document.getElementById('measures').hidden");
}

#[test]
fn a_crossed_ceiling_is_on_screen_in_words_with_a_frame_and_said_again_to_who_comes_later() {
    let Some(browser) = Browser::start() else { return };
    let mut session = Play::new(both_hands(3), state("L3", "both", Feedback::Live));
    session.settings.ceiling_n.lumbar = 50.0;
    // Both hands together go far over it, none alone does so soon; then the device holds still.
    session.silent_after_s = 4.0;
    let playing = session.begin();
    browser.goto(&playing.url);
    playing.go();
    browser.until("the alarm", "document.body.classList.contains('over')");
    let alarm = browser.text("alarm");
    assert!(
        alarm.contains("Over the ceiling: ease off") && alarm.contains("50 N"),
        "{alarm}"
    );
    let role = browser.run("return document.getElementById('alarm').getAttribute('role')");
    assert_eq!(role, "alert");
    let frame = "return getComputedStyle(document.body, '::after').borderTopStyle";
    assert_eq!(browser.run(frame), "solid");
    assert!(browser.text("sound-state").contains("Sound is off"));
    browser.goto(&playing.url);
    browser.until("the alarm again", "document.body.classList.contains('over')");
    let events = playing.events.lock().unwrap();
    let began = events
        .iter()
        .filter(|e| matches!(e, MonitorEvent::AlarmBegan(_)))
        .count();
    assert_eq!(began, 1);
}

#[test]
fn a_test_is_shown_when_the_learner_has_said_what_its_peak_was() {
    let Some(browser) = Browser::start() else { return };
    let mut session = play(Feedback::After);
    session.state.estimates = Some(Estimates::default());
    // One test and no more.
    session.silent_after_s = 9.0;
    let playing = session.begin();
    open(&browser, &playing);
    playing.go();
    playing.until_tests(1);
    playing.state.lock().unwrap().estimates = Some(Estimates {
        wanted: Some(1),
        taken: None,
    });
    browser.until("the question", "!document.getElementById('estimate').hidden");
    nothing_measured(&browser);
    assert!(!has_last(&browser));
    assert!(
        browser
            .text("last-none")
            .contains("what you think its peak force was")
    );
    for (width, height, dark) in [(1280, 800, false), (360, 740, true)] {
        browser.look(width, height, dark);
        assert_eq!(browser.axe(), Vec::<String>::new(), "{width} wide");
        let wide = browser.run("return document.documentElement.scrollWidth");
        assert!(wide.as_u64().unwrap() <= u64::from(width), "{wide} wide");
    }
    // Digits in the field are no calls, and a word is no force.
    browser.run("document.getElementById('estimate-n').focus()");
    let (enter, back) = ("\u{E007}", "\u{E003}");
    for key in ["n", enter, back, "8", "5", enter] {
        browser.key(key);
    }
    let estimate = |peak_n| Command::Estimate { peak_n };
    let commands = || playing.commands.lock().unwrap().clone();
    let end = std::time::Instant::now() + Duration::from_secs(10);
    while commands().is_empty() {
        assert!(std::time::Instant::now() < end, "the estimate is not sent");
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!(commands(), [estimate(Some(85.0))]);
    playing.state.lock().unwrap().estimates = Some(Estimates {
        wanted: None,
        taken: Some(1),
    });
    browser.until("the test", "!document.getElementById('measures').hidden");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn a_summary_shows_its_tests_together() {
    let Some(browser) = Browser::start() else { return };
    let mut session = play(Feedback::Summary);
    session.settings.feedback.summary_tests = 2;
    session.trace = far_apart();
    let playing = session.begin();
    open(&browser, &playing);
    playing.go();
    playing.until_tests(1);
    browser.until(
        "why not",
        "document.getElementById('last-none').textContent === 'Shown with the next test.'",
    );
    assert!(!has_last(&browser));
    playing.until_tests(2);
    browser.until(
        "both",
        "document.querySelectorAll('#together tbody tr').length === 2",
    );
    let together = browser.text("together");
    assert!(
        together.contains("test 1 L3 left") && together.contains("test 2 L3 left"),
        "{together}"
    );
    assert_eq!(browser.axe(), Vec::<String>::new());
}

#[test]
fn a_value_older_than_200_ms_reads_no_signal() {
    let Some(browser) = Browser::start() else { return };
    let mut session = play(Feedback::Live);
    session.silent_after_s = 3.0;
    let playing = session.begin();
    open(&browser, &playing);
    assert_eq!(browser.text("number"), "no signal");
    playing.go();
    browser.until("a number", &format!("{NUMBER} >= 0"));
    browser.until(
        "no signal",
        "document.getElementById('number').textContent === 'no signal'",
    );
    assert!(browser.text("phase").is_empty());
}

#[test]
fn the_page_comes_back_by_itself_when_the_program_does() {
    let Some(browser) = Browser::start() else { return };
    let playing = play(Feedback::Live).begin();
    open(&browser, &playing);
    playing.go();
    browser.until("a force", &format!("{NUMBER} > 5"));
    let addr = playing.addr;
    playing.end();
    browser.until("lost", "document.body.classList.contains('lost')");
    assert!(
        browser.text("connection").contains("Trying again"),
        "{}",
        browser.text("connection")
    );
    browser.until(
        "no signal",
        "document.getElementById('number').textContent === 'no signal'",
    );
    let mut session = play(Feedback::Live);
    session.addr = addr;
    let playing = session.begin();
    playing.go();
    browser.until(
        "connected again",
        "document.getElementById('connection').textContent === 'Connected again.'",
    );
    browser.until("a force again", &format!("{NUMBER} > 5"));
}

#[test]
fn everything_can_be_done_by_key_and_what_ends_something_is_asked_twice() {
    let Some(browser) = Browser::start() else { return };
    let playing = play(Feedback::Live).begin();
    open(&browser, &playing);
    for key in ["n", "r", "k", "l", "q"] {
        browser.key(key);
    }
    let three = [Command::Next, Command::Repeat, Command::Skip];
    browser.until(
        "asks again",
        "document.querySelector('[data-command=stop]').textContent.includes('press again')",
    );
    let end = std::time::Instant::now() + Duration::from_secs(5);
    while playing.commands.lock().unwrap().len() < 3 && std::time::Instant::now() < end {
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!(*playing.commands.lock().unwrap(), three);
    // Tab walks over every button that is shown, each with a visible ring; Enter presses it.
    browser.run("document.activeElement.blur(); document.body.focus()");
    let mut walked = Vec::new();
    for _ in 0..12 {
        browser.key("\u{E004}");
        let here = "const e = document.activeElement; return [e.dataset.command ?? e.id, getComputedStyle(e).outlineStyle]";
        let seen = browser.run(here);
        if seen[1] == "solid" {
            walked.push(seen[0].as_str().unwrap().to_owned());
        }
        if seen[0] == "repeat" {
            browser.key("\u{E007}");
        }
    }
    for button in ["next", "repeat", "skip", "next_learner", "stop", "sound"] {
        assert!(walked.iter().any(|w| w == button), "{button} of {walked:?}");
    }
    browser.key("q");
    browser.key("q");
    let end = std::time::Instant::now() + Duration::from_secs(5);
    while !playing.commands.lock().unwrap().contains(&Command::Stop) {
        assert!(
            std::time::Instant::now() < end,
            "{:?}",
            playing.commands.lock().unwrap()
        );
        std::thread::sleep(Duration::from_millis(20));
    }
    let repeats = playing
        .commands
        .lock()
        .unwrap()
        .iter()
        .filter(|w| **w == Command::Repeat)
        .count();
    assert!(repeats >= 2, "{repeats}");
}

#[test]
fn sound_is_off_until_a_press_and_the_page_says_so() {
    let Some(browser) = Browser::start() else { return };
    let playing = play(Feedback::Live).begin();
    open(&browser, &playing);
    assert!(browser.text("sound-state").contains("Sound is off"));
    assert_eq!(
        browser.run("return document.getElementById('sound').ariaPressed"),
        "false"
    );
    browser.key("s");
    browser.until(
        "sound",
        "document.getElementById('sound-state').textContent === 'Sound is on.'",
    );
    browser.key("s");
    browser.until(
        "no sound",
        "document.getElementById('sound-state').textContent.startsWith('Sound is off')",
    );
}

#[test]
fn text_from_a_device_or_a_file_stays_text() {
    let Some(browser) = Browser::start() else { return };
    let playing = play(Feedback::Live).begin();
    let hostile = "<img src=x onerror=\"document.title='owned'\"><script>document.title='owned'</script>";
    {
        let mut state = playing.state.lock().unwrap();
        state.message = Some(hostile.into());
        state.subject = Some(hostile.into());
        state.missing = vec![hostile.into()];
        state.step.as_mut().unwrap().landmark = Landmark::new(hostile);
    }
    open(&browser, &playing);
    // The session's device calls itself `bench <b>one</b>`.
    browser.until(
        "the device",
        "document.getElementById('device').textContent.startsWith('bench <b>one</b>')",
    );
    assert!(browser.text("message").contains("<script>"));
    assert!(browser.text("where").contains("onerror"));
    let made = browser.run("return document.querySelectorAll('#device b, img, body script').length");
    assert_eq!(
        (made, browser.run("return document.title")),
        (Value::from(0), Value::from("tautpoint live"))
    );
}
