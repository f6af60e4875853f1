//! Sensors and amplifiers that give wrong numbers in a plausible way: each is taken out or named, and an honest sensor is not
//! accused.

use std::fmt::Write as _;
use std::path::Path;
use tautpoint::batch::{Options, run};
use tautpoint::columns::Measure;
use tautpoint::read::read_bytes;
use tautpoint::results::Results;
use tautpoint::settings::Settings;
use tautpoint::signal::{dropouts::masked, find_tests, measure};
use tautpoint::simulate::{Condition, TraceSpec, simulate};
use tautpoint::study::mapping::ColumnMapping;
use tautpoint::trace::{About, Note, Test, Trace};

fn measured(trace: &Trace) -> (Vec<Test>, Vec<String>) {
    let settings = Settings::default();
    let found = find_tests(trace, &settings).unwrap();
    let names = found.names_of_recording();
    let said = found.sensors().iter().map(ToString::to_string).collect();
    (measure(&found, names), said)
}

fn press(rate_hz: f64, seed: u64) -> Trace {
    let mut spec = TraceSpec::default();
    spec.sensor.rate_hz = rate_hz;
    simulate(&spec, seed).trace
}

fn text_of(trace: &Trace) -> String {
    let channel = &trace.channels[0];
    let mut text = "time_s,force_n".to_owned();
    text.push_str(if channel.displacement_mm.is_some() {
        ",displacement_mm\n"
    } else {
        "\n"
    });
    for (i, t) in trace.time_s.iter().enumerate() {
        write!(text, "{t:.6},{:.4}", channel.force_n[i]).unwrap();
        if let Some(x) = &channel.displacement_mm {
            write!(text, ",{:.5}", x[i]).unwrap();
        }
        text.push('\n');
    }
    text
}

fn analysed(folder: &Path, trace: &Trace, study: &str, sidecar: &str) -> Results {
    std::fs::create_dir_all(folder.join("recordings")).unwrap();
    std::fs::write(folder.join("recordings/press.csv"), text_of(trace)).unwrap();
    std::fs::write(folder.join("recordings/press.toml"), sidecar).unwrap();
    std::fs::write(folder.join("study.toml"), study).unwrap();
    run(&[folder.to_owned()], &Options::default()).unwrap()
}

fn said(results: &Results) -> String {
    let problems = results.problems.iter().map(ToString::to_string);
    problems.collect::<Vec<_>>().join("\n")
}

/// What a test says in an analysis of a trace by itself.
fn told(trace: &Trace) -> (Results, String) {
    let dir = tempfile::tempdir().unwrap();
    let results = analysed(dir.path(), trace, "", "level = \"C5\"\nside = \"left\"\n");
    let said = said(&results);
    (results, said)
}

#[test]
fn a_force_that_drops_to_zero_or_freezes_inside_a_spring_is_missing_and_named() {
    for rate_hz in [200.0, 1000.0] {
        let sound = press(rate_hz, 5);
        let (tests, none) = measured(&sound);
        assert!(none.is_empty(), "{none:?}");
        let truth = tests[0].value(Measure::EndFeel).unwrap();
        let spring = &tests[0].springs[1];
        for (ms, frozen) in [(20, false), (40, false), (20, true), (40, true)] {
            let mut trace = sound.clone();
            let at_s = spring.start_s + 0.6 * (spring.peak_s - spring.start_s);
            let from = trace.time_s.iter().position(|t| *t >= at_s).unwrap();
            let to = from + (f64::from(ms) / 1e3 * rate_hz) as usize;
            let value = if frozen {
                trace.channels[0].force_n[from - 1]
            } else {
                0.0
            };
            trace.channels[0].force_n[from..to].fill(value);
            let (tests, said) = measured(&trace);
            let [said] = said.as_slice() else {
                panic!("{rate_hz} Hz, {ms} ms: {said:?}")
            };
            let samples = format!(
                "1 run without a reading of the sensor's own, {} samples in all",
                to - from
            );
            assert!(
                said.contains(&samples) && said.contains(&format!("for {ms} ms")),
                "{said}"
            );
            let off = tests[0].value(Measure::EndFeel).unwrap() / truth - 1.0;
            assert!(off.abs() < 0.015, "{rate_hz} Hz, {ms} ms, frozen {frozen}: {off}");
            assert!(tests[0].notes.iter().any(|n| matches!(
                n,
                Note::DroppedOut {
                    of_displacement: false,
                    ..
                }
            )));
        }
    }
}

#[test]
fn a_displacement_that_freezes_is_missing_and_a_spring_that_lost_much_is_left_out() {
    let mut trace = press(1000.0, 6);
    let (tests, _) = measured(&trace);
    let spring = tests[0].springs[1].clone();
    let at_s = spring.start_s + 0.4 * (spring.peak_s - spring.start_s);
    let from = trace.time_s.iter().position(|t| *t >= at_s).unwrap();
    let x = trace.channels[0].displacement_mm.as_mut().unwrap();
    let value = x[from];
    x[from + 1..from + 40].fill(value);
    x[from + 60..from + 90].fill(0.0);
    let (tests, said) = measured(&trace);
    assert!(said[0].contains("column displacement: found 2 runs"), "{said:?}");
    assert!(tests[0].springs[1].dropped.is_some(), "{:?}", tests[0].springs[1]);
}

#[test]
fn a_test_that_lost_a_tenth_is_left_out_with_its_reason() {
    let mut trace = press(1000.0, 7);
    let (tests, _) = measured(&trace);
    let phases = &tests[0].phases;
    let from = trace
        .time_s
        .iter()
        .position(|t| *t > phases.contact_begin_s + 1.0)
        .unwrap();
    for k in 0..40 {
        trace.channels[0].force_n[from + 80 * k..from + 80 * k + 40].fill(0.0);
    }
    let (results, said) = told(&trace);
    assert!(results.tests.is_empty(), "{said}");
    assert!(
        said.contains("no reading of the force sensor's own for "),
        "{said}"
    );
    assert!(said.contains("40 runs without a reading"), "{said}");
}

#[test]
fn coarse_quiet_and_slow_sensors_are_not_accused_of_dropping_out() {
    let sensors = [
        (0.01, 0.3, 1000.0),
        (0.1, 0.3, 1000.0),
        (0.5, 0.3, 1000.0),
        (1.0, 0.3, 1000.0),
        (0.5, 0.0, 1000.0),
        (0.01, 0.01, 1000.0),
        (0.02, 0.01, 2000.0),
        (0.01, 0.3, 50.0),
        (0.5, 0.3, 50.0),
        (1.0, 0.1, 100.0),
        (5.0, 1.0, 1000.0),
    ];
    for (step, noise, rate_hz) in sensors {
        for seed in 0..3 {
            let mut spec = TraceSpec::default();
            spec.sensor.rate_hz = rate_hz;
            spec.sensor.force_resolution_n = step;
            spec.sensor.force_noise_n = noise;
            spec.sensor.displacement_resolution_mm = step / 10.0;
            spec.sensor.displacement_noise_mm = noise / 15.0;
            let trace = simulate(&spec, seed).trace;
            let (_, found) = masked(std::borrow::Cow::Borrowed(&trace));
            assert!(found.is_empty(), "{step} N, {noise} N, {rate_hz} Hz: {found:?}");
        }
    }
    // A knock against the plate is no dropout, nor is a hand that leaves and comes back.
    let mut jab: Vec<f64> = (0..2000).map(|i| f64::from(i % 5) * 0.1).collect();
    jab[1000..1030].fill(120.0);
    assert!(
        tautpoint::signal::dropouts::dropouts(
            &(0..2000).map(|i| f64::from(i) / 1e3).collect::<Vec<_>>(),
            &jab,
            false
        )
        .is_empty()
    );
}

#[test]
fn sentinels_of_other_lengths_are_missing_when_they_stand_apart() {
    for (sentinel, count) in [
        ("-9", 3),
        ("-99", 3),
        ("-99.9", 2),
        ("-99.99", 3),
        ("-999.99", 2),
        ("-9999", 1),
        ("999", 2),
    ] {
        let mut text = "time_s,force_n\n".to_owned();
        for i in 0..400_u32 {
            let cell = if i % 100 == 50 && ((i / 100) as usize) < count {
                sentinel.to_owned()
            } else {
                format!("{:.2}", f64::from(i % 7) * 0.1 + f64::from(i) / 10.0)
            };
            writeln!(text, "{},{cell}", f64::from(i) / 1000.0).unwrap();
        }
        let read = read_bytes(
            text.as_bytes(),
            "a.csv",
            &ColumnMapping::default(),
            About::default(),
        )
        .unwrap();
        let missing = read.trace.channels[0]
            .force_n
            .iter()
            .filter(|f| f.is_nan())
            .count();
        assert_eq!(missing, count, "{sentinel}: {:?}", read.problems);
        assert!(
            read.problems[0]
                .found
                .contains(&format!("of {sentinel}, which loggers write")),
            "{:?}",
            read.problems
        );
    }
    // A force that goes through such a number is a force.
    let text: String = (0..400)
        .map(|i| format!("{},{}\n", f64::from(i) / 1000.0, -f64::from(i / 2)))
        .collect();
    let read = read_bytes(
        format!("time_s,force_n\n{text}").as_bytes(),
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    assert!(
        read.trace.channels[0].force_n.iter().all(|f| f.is_finite()),
        "{:?}",
        read.problems
    );
}

#[test]
fn a_stiffness_below_nothing_is_left_out_with_its_reason() {
    // The force of the other hand: it gives way as this one presses.
    let mut trace = press(1000.0, 8);
    let (tests, _) = measured(&trace);
    let (begin, end) = (
        tests[0].phases.lean_end_s - 0.3,
        tests[0].phases.springs_end_s.unwrap(),
    );
    let at = trace.time_s.iter().position(|t| *t > begin).unwrap();
    let held = trace.channels[0].force_n[at];
    for (i, t) in trace.time_s.clone().iter().enumerate() {
        if (begin..end).contains(t) {
            let f = &mut trace.channels[0].force_n[i];
            *f = held - 0.5 * (*f - held);
        }
    }
    let (results, said) = told(&trace);
    assert!(results.tests.is_empty(), "{said}");
    assert!(
        said.contains(" in test 1; expected force that rises as the hand goes in"),
        "{said}"
    );
    assert!(said.contains("found \u{2212}"), "{said}");
}

#[test]
fn a_load_that_was_taken_off_as_zero_is_named_with_both_forces() {
    let mut trace = press(1000.0, 9);
    trace.channels[0].force_n.iter_mut().for_each(|f| *f += 45.0);
    let (results, said) = told(&trace);
    assert_eq!(results.tests.len(), 1, "{said}");
    assert!(said.contains("zero: 45.0 N taken off"), "{said}");
    assert!(said.contains(" N with the zero taken off and "), "{said}");
    // What a tared sensor leaves is not named, and the limit is a setting.
    trace.channels[0].force_n.iter_mut().for_each(|f| *f -= 41.0);
    assert!(!told(&trace).1.contains("taken off"), "{}", told(&trace).1);
    let dir = tempfile::tempdir().unwrap();
    let strict = analysed(
        dir.path(),
        &trace,
        "[plausible]\nzero_n = 3\n",
        "side = \"left\"\n",
    );
    assert!(
        self::said(&strict).contains("zero: 4.0 N taken off"),
        "{}",
        self::said(&strict)
    );
}

#[test]
fn a_drift_and_a_step_of_the_amplifier_are_named() {
    let sound = press(1000.0, 10);
    let (tests, _) = measured(&sound);
    let phases = &tests[0].phases;
    let middle = 0.5 * (phases.contact_begin_s + phases.contact_end_s);
    let mut bumped = sound.clone();
    for (t, f) in sound.time_s.iter().zip(&mut bumped.channels[0].force_n) {
        *f += if *t > middle { 3.0 } else { 0.0 };
    }
    let said = told(&bumped).1;
    assert!(
        said.contains("zero moved: it is +3.0 N") || said.contains("ends off zero: the recording ends 3.0 N"),
        "{said}"
    );
    let mut drifting = sound.clone();
    let first = sound.time_s[0];
    for (t, f) in sound.time_s.iter().zip(&mut drifting.channels[0].force_n) {
        *f += 3.0 * (t - first) / 7.0;
    }
    let said = told(&drifting).1;
    assert!(
        said.contains("zero moved: it is +") || said.contains("ends off zero: "),
        "{said}"
    );
    assert!(!told(&sound).1.contains("zero"), "{}", told(&sound).1);
}

#[test]
fn a_loss_below_nothing_names_the_shift_in_time() {
    let sound = press(1000.0, 11);
    let mut shifted = sound.clone();
    // Force twenty milliseconds before its displacement.
    let x = sound.channels[0].displacement_mm.as_ref().unwrap();
    let late: Vec<f64> = (0..x.len()).map(|i| x[(i + 40).min(x.len() - 1)]).collect();
    shifted.channels[0].displacement_mm = Some(late);
    let (results, said) = told(&shifted);
    assert_eq!(results.tests.len(), 1, "{said}");
    assert!(
        said.contains("force and displacement may be shifted in time by about "),
        "{said}"
    );
    assert!(results.tests[0].value(Measure::LossRatio).unwrap() < 0.0);
}

#[test]
fn copied_and_constant_channels_are_named() {
    let trace = press(1000.0, 12);
    let mut text = "time_s,force_left_n,force_right_n\n".to_owned();
    for (t, f) in trace.time_s.iter().zip(&trace.channels[0].force_n) {
        writeln!(text, "{t},{f},{f}").unwrap();
    }
    let found = |text: &str| {
        let read = read_bytes(
            text.as_bytes(),
            "a.csv",
            &ColumnMapping::default(),
            About::default(),
        )
        .unwrap();
        read.problems.iter().map(ToString::to_string).collect::<String>()
    };
    assert!(
        found(&text).contains("the same force on both sides, in every sample"),
        "{}",
        found(&text)
    );
    let constant: String = (0..2000)
        .map(|i| format!("{},50,{}\n", f64::from(i) / 1000.0, f64::from(i % 9)))
        .collect();
    let text = format!("time_s,force_n,displacement_mm\n{constant}");
    assert!(
        found(&text).contains("exactly 50 N in every sample"),
        "{}",
        found(&text)
    );
    let copied: String = (0..2000)
        .map(|i| format!("{0},{1},{1}\n", f64::from(i) / 1000.0, f64::from(i % 9)))
        .collect();
    let text = format!("time_s,force_n,displacement_mm\n{copied}");
    assert!(
        found(&text).contains("the same number as the force"),
        "{}",
        found(&text)
    );
    // A force that stands still under springs of the displacement.
    let mut stuck = trace.clone();
    let (tests, _) = measured(&trace);
    let lean = trace
        .time_s
        .iter()
        .position(|t| *t > tests[0].phases.lean_end_s - 0.2)
        .unwrap();
    let out = trace
        .time_s
        .iter()
        .position(|t| *t > tests[0].phases.springs_end_s.unwrap() + 0.1)
        .unwrap();
    let held = trace.channels[0].force_n[lean];
    for i in lean..out {
        stuck.channels[0].force_n[i] = held + 0.01 * (i % 13) as f64;
    }
    let (results, said) = told(&stuck);
    assert!(
        results.tests.is_empty() && said.contains("stands still while the displacement springs"),
        "{said}"
    );
}

#[test]
fn a_lone_sample_over_the_ceiling_is_named_with_its_time_and_size() {
    let mut trace = press(200.0, 13);
    trace.channels[0].force_n.iter_mut().for_each(|f| *f *= 0.3);
    trace.channels[0].force_n[20] = 412.0;
    let at_s = trace.time_s[20];
    let (_, said) = told(&trace);
    let expected = format!(
        "1 sample over the neck 60\u{a0}N (default, the lab must set its own) that stood alone of 412 N at {at_s:.3} s"
    );
    assert!(said.contains(&expected), "{said}");
}

#[test]
fn a_jab_of_thirty_milliseconds_over_the_ceiling_is_told_at_a_hundred_hertz_and_more() {
    for rate_hz in [100.0, 200.0, 500.0, 1000.0] {
        for phase in 0..6 {
            let mut trace = press(rate_hz, 14);
            trace.channels[0].force_n.iter_mut().for_each(|f| *f *= 0.3);
            let last_s = *trace.time_s.last().unwrap() - 0.2;
            let begin_s = last_s - 0.03 + f64::from(phase) / 6.0 / rate_hz;
            for (t, f) in trace.time_s.clone().iter().zip(&mut trace.channels[0].force_n) {
                let along = (t - begin_s) / 0.03;
                *f += if (0.0..1.0).contains(&along) {
                    90.0 * (along * std::f64::consts::PI).sin()
                } else {
                    0.0
                };
            }
            let (_, said) = told(&trace);
            assert!(
                said.contains("over the neck ceiling of 60 N"),
                "{rate_hz} Hz, phase {phase}: {said}"
            );
        }
    }
}

#[test]
fn sound_recordings_of_every_condition_are_told_none_of_it() {
    let settings = Settings::default();
    for condition in Condition::ALL {
        for seed in 0..3 {
            let trace = condition.simulate(seed).trace;
            let found = find_tests(&trace, &settings).unwrap();
            assert!(found.sensors().is_empty(), "{}", condition.word());
            let names = found.names_of_recording();
            for test in measure(&found, names) {
                let wrong = test.notes.iter().find(|n| {
                    matches!(
                        n,
                        Note::DroppedOut { .. }
                            | Note::ZeroTakenOff { .. }
                            | Note::ZeroMoved { .. }
                            | Note::EndsOffZero { .. }
                            | Note::LossBelowZero { .. }
                            | Note::StuckForce
                    )
                });
                assert_eq!(wrong, None, "{} {seed}", condition.word());
            }
        }
    }
}

#[test]
fn forces_that_look_like_kilogram_forces_are_asked_about() {
    let mut trace = press(1000.0, 15);
    trace.channels[0].force_n.iter_mut().for_each(|f| *f /= 9.80665);
    let (results, said) = told(&trace);
    assert_eq!(results.tests.len(), 1);
    assert!(said.contains("check whether the sensor gives kgf"), "{said}");
    assert!(!told(&press(1000.0, 15)).1.contains("kgf"));
}
