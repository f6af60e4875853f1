//! A sensor whose sign is inverted: the alarm rings while the hand is on, and nothing is measured from it without a word.

use crate::live_page::session::{both_hands, one_side, sample_of, station_of};
use std::path::Path;
use tautpoint::Measure;
use tautpoint::batch::{Options, run};
use tautpoint::live::ceiling::CeilingCrossing;
use tautpoint::live::control::SessionState;
use tautpoint::live::monitor::{Monitor, MonitorEvent, MonitorOptions};
use tautpoint::settings::Settings;
use tautpoint::simulate::{Sensor, TraceSpec, simulate, trace_text};
use tautpoint::study::gains::ColumnGains;
use tautpoint::study::mapping::ColumnKey;
use tautpoint::study::study_file::StudyFile;
use tautpoint::trace::Trace;

/// What a stream gave: every alarm that ended, what was said of signs, and the last warnings of the page.
struct Watched {
    alarms: Vec<CeilingCrossing>,
    said: Vec<String>,
    warnings: Vec<String>,
}

fn watch(trace: &Trace) -> Watched {
    watch_with(trace, ColumnGains::default())
}

fn watch_with(trace: &Trace, gains: ColumnGains) -> Watched {
    let station = station_of(trace, 2000.0);
    let options = MonitorOptions {
        gains,
        ..MonitorOptions::default()
    };
    let mut monitor = Monitor::new(&station, &Settings::default(), options);
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

#[test]
fn a_gain_turns_the_sign_before_the_ceiling_and_one_too_many_is_told() {
    let right = one_side();
    let turned = || ColumnGains::default().with(ColumnKey::Force, -1.0);
    let (upright, found) = (watch(&right), watch_with(&inverted(&right, 0), turned()));
    same_alarms(&found.alarms, &upright.alarms);
    assert!(
        found.said.is_empty() && found.warnings.is_empty(),
        "{:?}",
        found.said
    );
    let twice = watch_with(&right, turned());
    assert!(
        twice.said[0].contains("write force = 1 under [gain]"),
        "{:?}",
        twice.said
    );
}

/// A study of one recording: a press whose force is inverted in the file.
fn study(dir: &Path, study_toml: &str, sidecar: &str) {
    let trace = simulate(&TraceSpec::default(), 8).trace;
    let recordings = dir.join("recordings");
    std::fs::create_dir_all(&recordings).unwrap();
    std::fs::write(dir.join("study.toml"), study_toml).unwrap();
    std::fs::write(
        recordings.join("press.csv"),
        trace_text(&inverted(&trace, 0), &Sensor::default()),
    )
    .unwrap();
    std::fs::write(recordings.join("press.toml"), sidecar).unwrap();
}

/// Its peak and end-feel.
fn measured(dir: &Path) -> (f64, f64) {
    let results = run(&[dir.to_owned()], &Options::default()).unwrap();
    assert_eq!(results.tests.len(), 1, "{:?}", results.problems);
    let value = |measure| results.tests[0].value(measure).unwrap();
    (value(Measure::Peak), value(Measure::EndFeel))
}

#[test]
fn a_gain_of_the_study_holds_for_its_recordings_and_a_sidecar_s_own_wins() {
    let dir = tempfile::tempdir().unwrap();
    study(dir.path(), "[gain]\nforce = -1\n", "");
    let (peak_n, end_feel) = measured(dir.path());
    assert!(peak_n > 30.0 && end_feel > 3.0, "{peak_n} N, {end_feel} N/mm");
    let own = "[columns]\nforce = { name = \"force_n\", unit = \"n\", gain = -2 }\n";
    study(dir.path(), "[gain]\nforce = -1\n", own);
    assert!((measured(dir.path()).0 / peak_n - 2.0).abs() < 0.01);
    // A column that is named without a gain has the study's.
    let named = "[columns]\nforce = { name = \"force_n\", unit = \"n\" }\n";
    study(dir.path(), "[gain]\nforce = -1\n", named);
    assert_eq!(measured(dir.path()).0, peak_n);
}

#[test]
fn a_gain_that_cannot_be_meant_stops_the_study() {
    let (_, problems) = StudyFile::parse("study.toml", "[gain]\nforce = 0\n");
    assert!(
        problems[0].to_string().contains("a number other than 0"),
        "{}",
        problems[0]
    );
    let (_, problems) = StudyFile::parse("study.toml", "[gain]\nforce_n = -1\n");
    assert!(problems[0].advice.contains("force"), "{}", problems[0]);
}
