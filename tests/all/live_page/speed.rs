//! How late a sample is on the page, and what watching costs.

use super::browser::Browser;
use super::session::{Play, both_hands, sample_of, state, station_of};
use std::io::Write;
use std::time::{Duration, Instant};
use tautpoint::live::monitor::{Monitor, MonitorEvent, MonitorOptions};
use tautpoint::live::server::serve;
use tautpoint::settings::Settings;
use tautpoint::terms::Feedback;

/// Seconds of latency measured.
const SECONDS: u64 = 5;
/// Wanted on a free machine, from a release build.
const P50_MS: f64 = 25.0;
const P99_MS: f64 = 50.0;

/// Holds a time to its limit, where somebody asks for that: beside other work it says more of the machine than of us.
fn in_time(so: bool, what: &dyn std::fmt::Debug) {
    assert!(
        so || std::env::var_os("TAUTPOINT_HOLD_TIMES").is_none(),
        "{what:?}"
    );
}

#[test]
fn a_sample_is_on_the_page_before_anybody_could_tell() {
    let Some(browser) = Browser::start() else { return };
    let playing = Play::new(both_hands(8), state("L3", "both", Feedback::Live)).begin();
    browser.goto(&playing.url);
    playing.go();
    browser.until(
        "a number",
        "Number(document.getElementById('number').textContent) >= 0",
    );
    // One clock: the browser's time origin and the program's arrival times are this computer's. A bin's own samples
    // came before the frame's newest by what their device times differ; the picture is there one animation frame later.
    let script = format!(
        "const done = arguments[0], ages = []; const source = new EventSource('/events'); \
         source.addEventListener('frame', e => {{ const f = JSON.parse(e.data); if (!f.strip) return; \
         requestAnimationFrame(() => {{ const now = performance.timeOrigin + performance.now(); \
         const t = f.strip.time_s, end = t[t.length - 1]; \
         for (const s of t) ages.push(now - f.arrived_unix_ms + 1000 * (end - s)); }}); }}); \
         setTimeout(() => {{ source.close(); ages.sort((a, b) => a - b); \
         const q = p => ages[Math.floor(p * (ages.length - 1))]; done([ages.length, q(0.5), q(0.99), q(1)]); }}, {})",
        SECONDS * 1000
    );
    let found = browser.run_async(&script);
    let of = |i: usize| found[i].as_f64().unwrap();
    println!(
        "{} bins, sample to page: p50 {:.1} ms, p99 {:.1} ms, most {:.1} ms",
        of(0),
        of(1),
        of(2),
        of(3)
    );
    assert!(of(0) > 0.0, "{found}");
    assert!(of(1) > 0.0, "{found}");
    in_time(of(1) < P50_MS && of(2) < P99_MS, &found);
}

#[test]
fn an_alarm_is_on_the_page_before_the_hand_can_go_on() {
    let Some(browser) = Browser::start() else { return };
    let mut session = Play::new(both_hands(8), state("L3", "both", Feedback::Live));
    session.settings.ceiling_n.lumbar = 90.0;
    let playing = session.begin();
    browser.goto(&playing.url);
    browser.until(
        "a frame",
        "document.getElementById('step').textContent === 'L3 both'",
    );
    // The time at which the frame and the words are drawn.
    browser.run(
        "window.seen = []; let was = false; new MutationObserver(() => { \
         const over = document.body.classList.contains('over'); \
         if (over && !was) requestAnimationFrame(() => seen.push(performance.timeOrigin + performance.now())); \
         was = over; }).observe(document.body, { attributes: true, attributeFilter: ['class'] })",
    );
    playing.go();
    playing.until_tests(1);
    let seen = browser.run("return window.seen");
    let came = playing.alarms_unix_ms.lock().unwrap().clone();
    let seen: Vec<f64> = seen
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect();
    assert!(came.len() >= 8 && seen.len() == came.len(), "{came:?} {seen:?}");
    let mut late: Vec<f64> = seen.iter().zip(&came).map(|(s, c)| s - c).collect();
    late.sort_by(f64::total_cmp);
    println!("{} alarms, sample to screen: {late:.1?} ms", late.len());
    assert!(late[0] >= 0.0, "{late:?}");
    in_time(late[late.len() - 1] < P99_MS, &late);
}

/// Processor time of a thread so far, in s.
fn processor_s(thread: &str) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{thread}/stat")).unwrap_or_default();
    let after: Vec<&str> = stat.rsplit(')').next().unwrap_or("").split_whitespace().collect();
    let ticks = |i: usize| after.get(i).and_then(|v| v.parse::<f64>().ok()).unwrap_or(0.0);
    // Fields 14 and 15 of proc_pid_stat(5), counted after the name; ticks of a hundredth of a second.
    (ticks(11) + ticks(12)) / 100.0
}

/// Of all threads that serve pages.
fn serving_s() -> f64 {
    let tasks = std::fs::read_dir("/proc/self/task").unwrap();
    let ids = tasks.filter_map(|t| t.ok()?.file_name().into_string().ok());
    ids.map(|id| {
        let name = std::fs::read_to_string(format!("/proc/self/task/{id}/comm")).unwrap_or_default();
        if name.trim() == "live page" {
            processor_s(&format!("self/task/{id}"))
        } else {
            0.0
        }
    })
    .sum()
}

#[test]
fn watching_two_hands_at_2_khz_takes_a_small_share_of_one_core() {
    let trace = both_hands(8);
    let hub = serve("127.0.0.1:0".parse().unwrap(), None).unwrap();
    let mut page = std::net::TcpStream::connect(hub.addr()).unwrap();
    write!(page, "GET /events HTTP/1.1\r\nHost: {}\r\n\r\n", hub.addr()).unwrap();
    let reader = std::thread::spawn(move || std::io::copy(&mut page, &mut std::io::sink()).unwrap_or(0));
    let mut monitor = Monitor::new(
        &station_of(&trace, 2000.0),
        &Settings::default(),
        MonitorOptions::default(),
    );
    let state = state("L3", "both", Feedback::Live);
    let (before, rounds) = (processor_s("thread-self") + serving_s(), 1);
    let length_s = trace.time_s[trace.time_s.len() - 1] + 0.0005;
    for round in 0..rounds {
        for row in 0..trace.time_s.len() {
            let mut sample = sample_of(&trace, row);
            sample.time_s += f64::from(round) * length_s;
            monitor.push(&sample);
            if row % 66 == 0 {
                hub.publish(&monitor.view(&state));
                // A page takes what it is sent: the server must have had its turn.
                std::thread::sleep(Duration::from_millis(1));
            }
        }
    }
    let seconds = f64::from(rounds) * length_s;
    let share = (processor_s("thread-self") + serving_s() - before) / seconds;
    drop(hub);
    let sent = reader.join().unwrap();
    println!(
        "{seconds:.0} s of two hands at 2 kHz, one page: {:.1} % of one core, {:.0} KB/s",
        100.0 * share,
        sent as f64 / seconds / 1e3
    );
    in_time(share < 0.15, &share);
}

#[test]
fn the_full_analysis_replaces_the_provisional_measures_at_once() {
    let trace = both_hands(3);
    let mut monitor = Monitor::new(
        &station_of(&trace, 2000.0),
        &Settings::default(),
        MonitorOptions::default(),
    );
    let mut events: Vec<MonitorEvent> = Vec::new();
    for row in 0..trace.time_s.len() {
        events.extend(monitor.push(&sample_of(&trace, row)));
    }
    let ended = events.iter().any(|e| matches!(e, MonitorEvent::TestEnded(_)));
    assert!(ended);
    let last = |m: &mut Monitor| m.view(&state("L3", "both", Feedback::Live)).last.unwrap();
    let began = Instant::now();
    let analysed = loop {
        events.extend(monitor.poll());
        if let Some(MonitorEvent::Analysed(a)) = events.pop() {
            break a;
        }
        assert!(began.elapsed() < Duration::from_secs(120), "never analysed");
        std::thread::sleep(Duration::from_millis(1));
    };
    println!(
        "full analysis of {:.0} s of two hands: {:.0} ms",
        analysed.ended.trace.as_ref().unwrap().time_s.len() as f64 / 2000.0,
        analysed.took.as_secs_f64() * 1e3
    );
    assert_eq!(analysed.tests.len(), 2, "{:?}", analysed.reason);
    assert!(!last(&mut monitor).provisional);
    in_time(analysed.took < Duration::from_millis(100), &analysed.took);
}
