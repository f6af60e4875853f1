//! A sensor whose sign is inverted: the alarm rings while the hand is on, and nothing is measured from it without a word.

use crate::live_page::session::{both_hands, one_side, sample_of, station_of};
use tautpoint::live::ceiling::CeilingCrossing;
use tautpoint::live::control::SessionState;
use tautpoint::live::monitor::{Monitor, MonitorEvent, MonitorOptions};
use tautpoint::settings::Settings;
use tautpoint::trace::Trace;

/// What a stream gave: every alarm that ended, what was said of signs, and the last warnings of the page.
struct Watched {
    alarms: Vec<CeilingCrossing>,
    said: Vec<String>,
    warnings: Vec<String>,
}

fn watch(trace: &Trace) -> Watched {
    let station = station_of(trace, 2000.0);
    let mut monitor = Monitor::new(&station, &Settings::default(), MonitorOptions::default());
    let (mut alarms, mut said, mut began) = (Vec::new(), Vec::new(), 0);
    let mut take = |events: Vec<MonitorEvent>| {
        for event in events {
            match event {
                MonitorEvent::AlarmBegan(_) => began += 1,
                MonitorEvent::AlarmEnded(crossing) => alarms.push(crossing),
                MonitorEvent::ForceSign(sign) => said.push(sign.to_string()),
                _ => {}
            }
        }
    };
    for row in 0..trace.time_s.len() {
        take(monitor.push(&sample_of(trace, row)));
    }
    let warnings = monitor.view(&SessionState::default()).warnings;
    take(monitor.finish());
    assert_eq!(began, alarms.len());
    Watched {
        alarms,
        said,
        warnings,
    }
}

fn inverted(trace: &Trace, channel: usize) -> Trace {
    let mut trace = trace.clone();
    trace.channels[channel].force_n.iter_mut().for_each(|n| *n = -*n);
    trace
}

/// Each alarm of one stream is that of the other; noise decides by some samples when the force was over for the last time.
#[track_caller]
fn same_alarms(found: &[CeilingCrossing], expected: &[CeilingCrossing]) {
    assert_eq!(found.len(), expected.len(), "{found:?}");
    for (a, b) in found.iter().zip(expected) {
        assert!(
            (a.begin_s - b.begin_s).abs() < 0.02
                && (a.end_s - b.end_s).abs() < 0.05
                && (a.peak_n - b.peak_n).abs() < 1.0,
            "{a:?} for {b:?}"
        );
    }
}

#[test]
fn the_alarm_of_an_inverted_sensor_rings_while_the_hand_is_on_and_not_after() {
    let right = one_side();
    let (upright, found) = (watch(&right), watch(&inverted(&right, 0)));
    assert!(!upright.alarms.is_empty() && upright.said.is_empty() && upright.warnings.is_empty());
    same_alarms(&found.alarms, &upright.alarms);
    assert_eq!(found.said.len(), 1, "{:?}", found.said);
    for words in [&found.said[0], &found.warnings[0]] {
        assert!(
            words.contains("force counts down when it is pushed")
                && words.contains("force = -1 under [gain]"),
            "{words}"
        );
    }
}

#[test]
fn one_inverted_hand_of_two_takes_nothing_from_the_sum() {
    let right = both_hands(4);
    let upright = watch(&right);
    assert!(!upright.alarms.is_empty());
    for hand in [0, 1] {
        let found = watch(&inverted(&right, hand));
        same_alarms(&found.alarms, &upright.alarms);
        assert_eq!(found.said.len(), 1, "{:?}", found.said);
        let column = ["force_left", "force_right"][hand];
        assert!(
            found.said[0].contains(&format!("{column} = -1")),
            "{:?}",
            found.said
        );
    }
}
