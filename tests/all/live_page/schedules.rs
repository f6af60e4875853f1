//! Schedules of feedback and estimates on a scan that is played: what they hide does not leave the program, and no schedule silences
//! the alarm.

use super::security::get;
use super::session::{sample_of, state, station_of};
use std::time::{Duration, Instant};
use tautpoint::live::control::{Estimates, SessionState};
use tautpoint::live::monitor::{Monitor, MonitorEvent, MonitorOptions};
use tautpoint::live::server::{Hub, serve};
use tautpoint::live::view::LiveView;
use tautpoint::settings::{FeedbackSettings, Settings};
use tautpoint::simulate::{Sensor, TraceSpec, simulate_scan};
use tautpoint::terms::{Feedback, Level, Side};
use tautpoint::trace::{About, Trace};

const RATE_HZ: f64 = 400.0;

fn six_tests() -> Trace {
    let spec = TraceSpec {
        sensor: Sensor {
            rate_hz: RATE_HZ,
            ..Sensor::default()
        },
        ..TraceSpec::default()
    };
    simulate_scan(&vec![spec; 6], false, 11).trace
}

/// A scan that was played.
#[derive(Default)]
struct Played {
    /// Tests that were shown one by one, from 1.
    shown: Vec<u64>,
    /// How many stood together whenever some did.
    together: Vec<usize>,
    alarms: usize,
    /// Whether any view held a running value.
    running: bool,
}

fn played(
    trace: &Trace,
    settings: &Settings,
    state: &SessionState,
    mut on_view: impl FnMut(&LiveView),
) -> Played {
    let mut monitor = Monitor::new(&station_of(trace, RATE_HZ), settings, MonitorOptions::default());
    monitor.set_about(&About {
        examiner: state.examiner.clone(),
        level: Some(Level::L3),
        side: Some(Side::Left),
        ..About::default()
    });
    let mut played = Played::default();
    let mut see = |view: LiveView, played: &mut Played| {
        played.running |=
            view.now.is_some() || view.strip.is_some() || view.onsets.iter().any(Option::is_some);
        // Of an alarm its peak is a measured value.
        played.running |= view.alarm.as_ref().is_some_and(|a| a.peak_n.is_some());
        on_view(&view);
        let Some(last) = view.last else { return };
        if !last.together.is_empty() {
            played.together.push(last.together.len());
        } else if !played.shown.contains(&last.number) {
            played.shown.push(last.number);
        }
    };
    for row in 0..trace.time_s.len() {
        let events = monitor.push(&sample_of(trace, row));
        let is = |wanted: fn(&MonitorEvent) -> bool| events.iter().filter(|e| wanted(e)).count();
        played.alarms += is(|e| matches!(e, MonitorEvent::AlarmBegan(_)));
        if is(|e| matches!(e, MonitorEvent::TestEnded(_))) > 0 {
            see(monitor.view(state), &mut played);
            let end = Instant::now() + Duration::from_secs(30);
            while !monitor
                .poll()
                .iter()
                .any(|e| matches!(e, MonitorEvent::Analysed(_)))
            {
                assert!(Instant::now() < end, "the test is not analysed");
                std::thread::sleep(Duration::from_millis(2));
            }
            see(monitor.view(state), &mut played);
        } else if row % 40 == 0 {
            see(monitor.view(state), &mut played);
        }
    }
    played
}

fn low_ceiling() -> Settings {
    let mut settings = Settings::default();
    settings.ceiling_n.lumbar = 40.0;
    settings
}

#[test]
fn each_schedule_shows_its_tests_and_the_alarm_comes_in_every_one() {
    let trace = six_tests();
    let short = FeedbackSettings {
        faded_percent: [100.0, 0.0],
        faded_block: 2,
        faded_blocks: 3,
        summary_tests: 3,
    };
    let all: &[u64] = &[1, 2, 3, 4, 5, 6];
    // By hand. Of the faded ones: blocks of two with 100, 50 and 0 %. Every test goes over this ceiling, so that something of
    // each lies outside its band.
    for (feedback, shown) in [
        (Feedback::Live, all),
        (Feedback::After, all),
        (Feedback::OnRequest, &[]),
        (Feedback::Faded, &[1, 2, 3]),
        (Feedback::Alternate, &[2, 4, 6]),
        (Feedback::Bandwidth, all),
        (Feedback::Summary, &[]),
        (Feedback::None, &[]),
    ] {
        let settings = Settings {
            feedback: short,
            ..low_ceiling()
        };
        let found = played(&trace, &settings, &state("L3", "left", feedback), |_| {});
        assert_eq!(found.shown, shown, "{feedback}");
        assert_eq!(found.running, feedback == Feedback::Live, "{feedback}");
        assert!(found.alarms >= 6, "{feedback}: {} alarms", found.alarms);
        // What is shown together is all three, twice.
        let summary = feedback == Feedback::Summary;
        assert_eq!(!found.together.is_empty(), summary, "{feedback}");
        assert!(
            found.together.iter().all(|n| *n == 3),
            "{feedback}: {:?}",
            found.together
        );
    }
}

#[test]
fn nothing_is_shown_of_a_test_inside_its_bands() {
    let trace = six_tests();
    let mut wide = Settings::default();
    wide.technique.excursion_mm = [0.0, 50.0];
    wide.technique.time_to_peak_min_s = 0.0;
    wide.technique.hold_sd_percent = 100.0;
    wide.technique.between_springs_percent = 0.0;
    wide.technique.peak_cv_percent = 100.0;
    let bandwidth = state("L3", "left", Feedback::Bandwidth);
    let mut hidden = Vec::new();
    let found = played(&trace, &wide, &bandwidth, |view| {
        hidden.extend(view.last_hidden.clone())
    });
    assert_eq!(found.shown, Vec::<u64>::new());
    assert!(
        hidden
            .iter()
            .any(|why| why.contains("Nothing that was measured lay outside its band")),
        "{hidden:?}"
    );
    let mut narrow = wide;
    narrow.technique.excursion_mm = [40.0, 50.0];
    assert_eq!(
        played(&trace, &narrow, &bandwidth, |_| {}).shown,
        [1, 2, 3, 4, 5, 6]
    );
}

/// What a page that is opened now gets.
fn page(hub: &Hub) -> String {
    get(hub.addr(), "/events", "").2
}

#[test]
fn what_a_schedule_or_an_estimate_hides_does_not_leave_the_program() {
    let trace = six_tests();
    let mut waiting = state("L3", "left", Feedback::Live);
    waiting.estimates = Some(Estimates {
        wanted: Some(6),
        taken: Some(5),
    });
    let mut estimated = waiting.clone();
    estimated.estimates = Some(Estimates {
        wanted: None,
        taken: Some(6),
    });
    // The sixth test is shown by the first and the last only.
    for (state, shows) in [
        (state("L3", "left", Feedback::Alternate), true),
        (state("L3", "left", Feedback::Summary), false),
        (state("L3", "left", Feedback::None), false),
        (waiting, false),
        (estimated, true),
    ] {
        let hub = serve("127.0.0.1:0".parse().unwrap(), None).unwrap();
        let found = played(&trace, &low_ceiling(), &state, |view| hub.publish(view));
        let sent = page(&hub);
        assert!(
            sent.contains("event: frame") && found.alarms >= 6,
            "{}",
            found.alarms
        );
        let feedback = state.feedback;
        for number in ["total_n", "low_n", "peak_n"] {
            assert!(!sent.contains(number), "{feedback}: {number} is sent");
        }
        // A test that is shown has its curve and its onset.
        for number in ["force_n\":", "force_u95_n", "\"peak force\""] {
            assert_eq!(sent.contains(number), shows, "{feedback}: {number}");
        }
    }
}
