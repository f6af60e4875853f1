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
fn a_light_press_of_inverted_sign_is_refused_too() {
    let dir = tempfile::tempdir().unwrap();
    let mut trace = simulate(&TraceSpec::default(), 4).trace;
    let most = trace.channels[0].force_n.iter().copied().fold(0.0, f64::max);
    trace.channels[0].displacement_mm = None;
    for sign in [1.0, -1.0] {
        let mut light = trace.clone();
        light.channels[0]
            .force_n
            .iter_mut()
            .for_each(|n| *n *= sign * 7.0 / most);
        std::fs::write(
            dir.path().join("press.csv"),
            trace_text(&light, &Sensor::default()),
        )
        .unwrap();
        let results = run(&[dir.path().join("press.csv")], &Options::default()).unwrap();
        assert_eq!(results.tests.is_empty(), sign < 0.0, "{:?}", results.problems);
        let told = results
            .problems
            .iter()
            .any(|p| p.found.starts_with("a force that falls from where"));
        assert_eq!(told, sign < 0.0, "{:?}", results.problems);
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

/// The words of what is said of a recording, and why it was left out.
fn refused(dir: &Path, trace: &Trace, sidecar: &str) -> (Vec<String>, Vec<String>) {
    study(dir, "[ceiling_n]\nneck = 30.0\n", sidecar);
    std::fs::write(
        dir.join("recordings/press.csv"),
        trace_text(trace, &Sensor::default()),
    )
    .unwrap();
    let results = run(&[dir.to_owned()], &Options::default()).unwrap();
    (
        results.problems.iter().map(|p| p.to_string()).collect(),
        results.exclusions.iter().map(|e| e.cause.to_string()).collect(),
    )
}

#[test]
fn a_force_that_counts_down_is_refused_by_name_and_still_held_against_the_ceiling() {
    let dir = tempfile::tempdir().unwrap();
    let upright = simulate(&TraceSpec::default(), 8).trace;
    let mut force_alone = inverted(&upright, 0);
    force_alone.channels[0].displacement_mm = None;
    for trace in [inverted(&upright, 0), force_alone] {
        let (problems, reasons) = refused(dir.path(), &trace, "level = \"C5\"\n");
        let all = problems.join("\n");
        assert!(
            all.contains("a force that falls from where it begins and ends")
                && all.contains("write force = -1 under [gain] in study.toml"),
            "{all}"
        );
        assert!(all.contains("over the neck ceiling of 30 N"), "{all}");
        assert!(reasons[0].contains("a force that falls"), "{reasons:?}");
    }
    // A gain of -1 on a sensor that counts up is one too many.
    let turned = "[columns]\nforce = { name = \"force_n\", unit = \"n\", gain = -1 }\n";
    let (problems, _) = refused(dir.path(), &upright, turned);
    assert!(
        problems.join("\n").contains("write force = 1 under"),
        "{problems:?}"
    );
    // A check with a known weight may hang from the sensor.
    let (problems, _) = refused(dir.path(), &inverted(&upright, 0), "known_weight_n = 50\n");
    assert!(problems.is_empty(), "{problems:?}");
}

#[test]
fn a_displacement_that_counts_down_is_refused_by_name_and_both_at_once_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let turn = |mut trace: Trace| {
        let x = trace.channels[0].displacement_mm.as_mut().unwrap();
        x.iter_mut().for_each(|mm| *mm = -*mm);
        trace
    };
    let upright = simulate(&TraceSpec::default(), 8).trace;
    let (problems, reasons) = refused(dir.path(), &turn(upright.clone()), "");
    let all = problems.join("\n");
    assert!(
        all.contains("a displacement that falls while the force rises")
            && all.contains("write displacement = -1 under"),
        "{all}"
    );
    assert_eq!(reasons.len(), 1);
    let (problems, _) = refused(dir.path(), &turn(inverted(&upright, 0)), "");
    let all = problems.join("\n");
    assert!(
        all.contains("write force = -1 and displacement = -1 under"),
        "{all}"
    );
}

#[test]
fn one_inverted_hand_of_two_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let both = both_hands(3);
    let (problems, _) = refused(dir.path(), &inverted(&both, 1), "");
    let all = problems.join("\n");
    assert!(
        all.contains("force_right = -1") && !all.contains("force_left = "),
        "{all}"
    );
    let (problems, _) = refused(dir.path(), &both, "level = \"L3\"\n");
    assert!(problems.is_empty(), "{problems:?}");
}

/// A push of 40 N over 9 mm in each second, as time, force and displacement at 1 kHz.
fn presses(seconds: usize, shape: impl Fn(f64, f64) -> (f64, f64)) -> Trace {
    let mut trace = simulate(&TraceSpec::default(), 1).trace;
    trace.time_s = (0..seconds * 1000).map(|i| i as f64 / 1e3).collect();
    let made = |t: &f64| {
        let push = (t * std::f64::consts::PI).sin().powi(2);
        let noise = 0.1 * ((t * 1e3 * 7919.0) % 11.0 - 5.0);
        let (force, x) = shape(*t, push);
        (force + noise, x)
    };
    let all: Vec<(f64, f64)> = trace.time_s.iter().map(made).collect();
    trace.channels[0].force_n = all.iter().map(|v| v.0).collect();
    trace.channels[0].displacement_mm = Some(all.iter().map(|v| v.1).collect());
    trace
}

#[test]
fn what_only_looks_a_little_like_it_is_not_refused() {
    let dir = tempfile::tempdir().unwrap();
    let whole = |t: f64, push: f64| if (2.0..8.0).contains(&t) { push } else { 0.0 };
    let cases: [(&str, Trace); 8] = [
        (
            "drift",
            presses(12, |t, p| (40.0 * whole(t, p) - 1.5 * t, 9.0 * whole(t, p))),
        ),
        (
            "a pull",
            presses(12, |t, p| {
                let pull = if (9.0..10.0).contains(&t) { -25.0 * p } else { 0.0 };
                (40.0 * whole(t, p) + pull, 9.0 * whole(t, p) + 0.1 * pull)
            }),
        ),
        (
            "coarse",
            presses(12, |t, p| {
                (
                    (40.0 * whole(t, p) / 8.0).round() * 8.0,
                    (9.0 * whole(t, p)).round(),
                )
            }),
        ),
        (
            "an offset below",
            presses(12, |t, p| (40.0 * whole(t, p) - 60.0, 9.0 * whole(t, p))),
        ),
        (
            "loaded at both ends",
            presses(12, |_, p| (15.0 + 40.0 * (1.0 - p), 3.0 + 9.0 * (1.0 - p))),
        ),
        ("still", presses(12, |t, p| (40.0 * whole(t, p), 4.0))),
        (
            "a displacement that sinks",
            presses(12, |t, p| (40.0 * whole(t, p), 9.0 * whole(t, p) - 2.0 * t)),
        ),
        (
            "breathing",
            presses(12, |t, p| {
                (40.0 * whole(t, p), 9.0 * whole(t, p) - 2.0 * (1.5 * t).sin())
            }),
        ),
    ];
    for (what, trace) in cases {
        let (problems, _) = refused(dir.path(), &trace, "");
        let all = problems.join("\n");
        assert!(!all.contains("[gain]"), "{what}: {all}");
    }
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
