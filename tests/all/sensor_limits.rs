//! Sensors at the end of their range, falls to a noisy zero and bursts, and channels slower than their file: each is named, and
//! what it spoils is measured without it or not at all. What is put into the simulated presses is made here, apart from what
//! looks for it.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use tautpoint::columns::Measure;
use tautpoint::settings::Settings;
use tautpoint::signal::{find_tests, measure};
use tautpoint::simulate::{Condition, Simulated, TraceSpec, simulate};
use tautpoint::trace::{DropCause, Note, Spring, Test, Trace};

fn measured(trace: &Trace) -> (Vec<Test>, Vec<String>) {
    let settings = Settings::default();
    let found = find_tests(trace, &settings).unwrap();
    let names = found.names_of_recording();
    let said = found.sensors().iter().map(ToString::to_string).collect();
    (measure(&found, names), said)
}

fn press(rate_hz: f64, seed: u64) -> Simulated {
    let mut spec = TraceSpec::default();
    spec.sensor.rate_hz = rate_hz;
    simulate(&spec, seed)
}

fn displacement(trace: &Trace) -> &[f64] {
    trace.channels[0].displacement_mm.as_deref().unwrap()
}

/// A limit that cuts at least this share off every spring; `values` gives peak and way.
fn lower_by(values: impl Fn(&Spring) -> (f64, f64), test: &Test, share: f64) -> f64 {
    let tops = test
        .springs
        .iter()
        .map(values)
        .map(|(peak, way)| peak - share * way);
    tops.fold(f64::INFINITY, f64::min)
}

#[test]
fn a_displacement_at_its_stop_is_named_and_its_springs_are_not_measured() {
    for rate_hz in [200.0, 1000.0] {
        for share in [0.15, 0.3, 0.5] {
            let sound = press(rate_hz, 31);
            let (tests, _) = measured(&sound.trace);
            let stop = lower_by(
                |s| (s.peak_mm.unwrap(), s.excursion_mm.unwrap()),
                &tests[0],
                share,
            );
            let pure = displacement(&sound.noise_free).to_vec();
            let read = displacement(&sound.trace).to_vec();
            // A stop of the rod, whose converter keeps its noise, and a converter at its last number.
            let rod: Vec<f64> = pure.iter().zip(&read).map(|(x, r)| x.min(stop) + r - x).collect();
            let converter: Vec<f64> = read.iter().map(|r| r.min((stop * 1e3).round() / 1e3)).collect();
            for (what, x) in [("rod", rod), ("converter", converter)] {
                let mut trace = sound.trace.clone();
                trace.channels[0].displacement_mm = Some(x);
                let (tests, _) = measured(&trace);
                let told = tests[0]
                    .notes
                    .iter()
                    .any(|n| matches!(n, Note::DisplacementStopped { .. }));
                assert!(told, "{what} {rate_hz} Hz {share}: {:?}", tests[0].notes);
                let dropped = |s: &Spring| s.dropped == Some(DropCause::DisplacementStopped);
                assert!(
                    tests[0].springs.iter().all(dropped),
                    "{what} {rate_hz} Hz {share}"
                );
                assert_eq!(tests[0].value(Measure::EndFeel), None);
                // The load cell saw all of it.
                assert!(tests[0].value(Measure::Peak).is_some());
            }
        }
    }
}

#[test]
fn a_force_rail_with_noise_on_top_is_no_peak() {
    for rate_hz in [200.0, 1000.0] {
        for share in [0.2, 0.4] {
            let sound = press(rate_hz, 32);
            let (tests, _) = measured(&sound.trace);
            let way = |s: &Spring| (s.peak_n, s.peak_n - s.preload_n.unwrap());
            let rail = lower_by(way, &tests[0], share);
            let mut trace = sound.trace.clone();
            let pure = &sound.noise_free.channels[0].force_n;
            for (f, pure) in trace.channels[0].force_n.iter_mut().zip(pure) {
                *f += pure.min(rail) - pure;
            }
            let (tests, _) = measured(&trace);
            let told = tests[0].notes.iter().any(|n| matches!(n, Note::Saturated { .. }));
            assert!(told, "{rate_hz} Hz {share}: {:?}", tests[0].notes);
            assert_eq!(tests[0].value(Measure::Peak), None);
            let dropped = |s: &Spring| s.dropped == Some(DropCause::FlatTop);
            assert!(tests[0].springs.iter().all(dropped), "{rate_hz} Hz {share}");
        }
    }
}

fn place(trace: &Trace, test: &Test, share: f64) -> usize {
    let spring = &test.springs[1];
    let at_s = spring.start_s + share * (spring.peak_s - spring.start_s);
    trace.time_s.iter().position(|t| *t >= at_s).unwrap()
}

#[test]
fn a_fall_to_a_noisy_zero_is_missing_and_named() {
    for (rate_hz, of_displacement) in [(200.0, false), (1000.0, false), (1000.0, true), (200.0, true)] {
        for ms in [20.0, 40.0] {
            let sound = press(rate_hz, 33);
            let (tests, _) = measured(&sound.trace);
            let truth = tests[0].value(Measure::EndFeel).unwrap();
            let mut trace = sound.trace.clone();
            let from = place(&trace, &tests[0], 0.6);
            let to = from + (ms / 1e3 * rate_hz) as usize;
            let mut rng = ChaCha8Rng::seed_from_u64(7);
            for i in from..to {
                let z: f64 = StandardNormal.sample(&mut rng);
                match of_displacement {
                    false => trace.channels[0].force_n[i] = 0.2 + 0.2 * z,
                    true => trace.channels[0].displacement_mm.as_mut().unwrap()[i] = 0.05 * z,
                }
            }
            let (tests, said) = measured(&trace);
            let [said] = said.as_slice() else {
                panic!("{rate_hz} Hz, {ms} ms: {said:?}")
            };
            assert!(
                said.contains("stands near ") && said.contains(&format!("{} samples in all", to - from)),
                "{said}"
            );
            let off = tests[0].value(Measure::EndFeel).unwrap() / truth - 1.0;
            assert!(off.abs() < 0.015, "{rate_hz} Hz, {ms} ms: {off}");
        }
    }
}

#[test]
fn a_burst_of_noise_is_missing_and_named() {
    for (rate_hz, ms) in [(1000.0, 20.0), (1000.0, 40.0), (500.0, 40.0)] {
        let sound = press(rate_hz, 34);
        let (tests, _) = measured(&sound.trace);
        let (truth, peak) = (
            tests[0].value(Measure::EndFeel).unwrap(),
            tests[0].value(Measure::Peak).unwrap(),
        );
        let mut trace = sound.trace.clone();
        let from = place(&trace, &tests[0], 0.7);
        let to = from + (ms / 1e3 * rate_hz) as usize;
        let mut rng = ChaCha8Rng::seed_from_u64(8);
        for f in &mut trace.channels[0].force_n[from..to] {
            let z: f64 = StandardNormal.sample(&mut rng);
            *f += 25.0 + 15.0 * z;
        }
        let (tests, said) = measured(&trace);
        assert!(
            said.iter().any(|s| s.contains("swings between ")),
            "{rate_hz} Hz, {ms} ms: {said:?}"
        );
        let off = tests[0].value(Measure::EndFeel).unwrap() / truth - 1.0;
        assert!(off.abs() < 0.03, "{rate_hz} Hz, {ms} ms: {off}");
        let off = tests[0].value(Measure::Peak).unwrap() / peak - 1.0;
        assert!(off.abs() < 0.03, "{rate_hz} Hz, {ms} ms: {off}");
    }
}

/// Readings at a lower rate, each held until the next or on straight lines between.
fn slower(values: &[f64], every: f64, lines: bool, digits: f64) -> Vec<f64> {
    let at = |k: f64| values[((k * every).round() as usize).min(values.len() - 1)];
    let one = |i: usize| {
        let k = (i as f64 / every).floor();
        let along = i as f64 / every - k;
        let value = if lines {
            at(k) + along * (at(k + 1.0) - at(k))
        } else {
            at(k)
        };
        (value * digits).round() / digits
    };
    (0..values.len()).map(one).collect()
}

#[test]
fn a_channel_slower_than_its_file_is_measured_at_its_own_rate() {
    for (readings_hz, lines) in [
        (200.0, false),
        (100.0, false),
        (125.0, true),
        (100.0, true),
        (50.0, false),
        (50.0, true),
    ] {
        for of_displacement in [true, false] {
            for seed in [35, 36] {
                let sound = press(1000.0, seed);
                let (tests, none) = measured(&sound.trace);
                assert!(none.is_empty());
                let truth = tests[0].value(Measure::EndFeel).unwrap();
                let mut trace = sound.trace.clone();
                let every = 1000.0 / readings_hz;
                let channel = &mut trace.channels[0];
                match of_displacement {
                    true => {
                        channel.displacement_mm = Some(slower(displacement(&sound.trace), every, lines, 1e3))
                    }
                    false => channel.force_n = slower(&channel.force_n, every, lines, 1e2),
                }
                let (tests, said) = measured(&trace);
                let what =
                    format!("{readings_hz} Hz, lines {lines}, displacement {of_displacement}: {said:?}");
                let words = format!("has {readings_hz} readings a second in 1000 rows, ");
                assert!(said.iter().any(|s| s.contains(&words)), "{what}");
                assert!((tests[0].rate_hz - readings_hz).abs() < 0.5, "{what}");
                let end_feel = tests[0].measures.get(Measure::EndFeel).unwrap();
                let off = (end_feel.value - truth).abs();
                assert!(
                    off <= 2.0 * end_feel.u95().unwrap(),
                    "{what}: {} for {truth}, {:?}",
                    end_feel.value,
                    end_feel.u95()
                );
                let saturated =
                    |n: &Note| matches!(n, Note::Saturated { .. } | Note::DisplacementStopped { .. });
                assert!(
                    !tests[0].notes.iter().any(saturated),
                    "{what}: {:?}",
                    tests[0].notes
                );
            }
        }
    }
}

#[test]
fn a_channel_too_slow_to_be_analysed_is_left_out_or_refused() {
    for (readings_hz, lines) in [(10.0, false), (20.0, true), (48.0, false), (30.0, true)] {
        let sound = press(1000.0, 37);
        let every = 1000.0 / readings_hz;
        let mut trace = sound.trace.clone();
        trace.channels[0].displacement_mm = Some(slower(displacement(&sound.trace), every, lines, 1e3));
        let (tests, said) = measured(&trace);
        assert_eq!(tests[0].value(Measure::EndFeel), None, "{readings_hz}: {said:?}");
        assert!(tests[0].value(Measure::Peak).is_some());
        assert!(
            said.iter()
                .any(|s| s.contains(&format!("displacement has {readings_hz} readings a second"))),
            "{said:?}"
        );
        let mut trace = sound.trace.clone();
        trace.channels[0].force_n = slower(&trace.channels[0].force_n, every, lines, 1e2);
        let refused = find_tests(&trace, &Settings::default())
            .err()
            .unwrap()
            .to_string();
        assert!(
            refused.contains(&format!("force has {readings_hz} readings a second in 1000 rows")),
            "{refused}"
        );
    }
}

#[test]
fn sound_presses_are_told_none_of_it() {
    let wrong = |trace: &Trace, what: &str| {
        let (tests, said) = measured(trace);
        assert!(said.is_empty(), "{what}: {said:?}");
        let wrong = |n: &&Note| {
            matches!(
                n,
                Note::Saturated { .. }
                    | Note::DisplacementStopped { .. }
                    | Note::ZeroedUnderHand { .. }
                    | Note::EndFeelsApart { .. }
            )
        };
        for test in tests {
            assert_eq!(test.notes.iter().find(wrong), None, "{what}");
        }
    };
    for condition in Condition::ALL {
        for seed in 0..4 {
            wrong(&condition.simulate(100 + seed).trace, condition.word());
        }
    }
    let sensors = [
        (0.01, 0.3, 1000.0),
        (0.1, 0.05, 1000.0),
        (0.5, 0.3, 1000.0),
        (1.0, 0.3, 500.0),
        (0.5, 0.0, 1000.0),
        (0.01, 0.01, 2000.0),
        (0.01, 0.3, 50.0),
        (1.0, 0.1, 100.0),
        (0.0, 0.0, 1000.0),
        (0.0, 0.05, 250.0),
    ];
    for (step, noise, rate_hz) in sensors {
        for seed in 0..4 {
            let mut spec = TraceSpec::default();
            spec.sensor.rate_hz = rate_hz;
            spec.sensor.force_resolution_n = step;
            spec.sensor.force_noise_n = noise;
            spec.sensor.displacement_resolution_mm = step / 10.0;
            spec.sensor.displacement_noise_mm = noise / 15.0;
            wrong(
                &simulate(&spec, 200 + seed).trace,
                &format!("{step} N, {noise} N, {rate_hz} Hz"),
            );
        }
    }
}

#[test]
fn rows_of_zeros_before_and_behind_are_left_out() {
    for (before, behind) in [(0, 700), (300, 0), (200, 1500)] {
        let sound = press(1000.0, 41).trace;
        let (tests, _) = measured(&sound);
        let mut trace = sound.clone();
        let pad = |y: &[f64]| [vec![0.0; before], y.to_vec(), vec![0.0; behind]].concat();
        trace.channels[0].force_n = pad(&sound.channels[0].force_n);
        trace.channels[0].displacement_mm = Some(pad(displacement(&sound)));
        trace.time_s = (0..before + sound.time_s.len() + behind)
            .map(|i| i as f64 / 1e3)
            .collect();
        let (padded, said) = measured(&trace);
        let words = format!("{} rows of nothing but zeros ", before + behind);
        assert!(said.iter().any(|s| s.contains(&words)), "{said:?}");
        for measure in [Measure::EndFeel, Measure::Peak, Measure::Onset] {
            let (a, b) = (
                tests[0].value(measure).unwrap(),
                padded[0].value(measure).unwrap(),
            );
            assert!((a - b).abs() < 1e-6 * a, "{measure:?}: {a} {b}");
        }
    }
}

#[test]
fn a_force_cut_off_at_zero_is_named() {
    let mut trace = press(1000.0, 42).trace;
    trace.channels[0].force_n.iter_mut().for_each(|f| *f = f.max(0.0));
    let (_, said) = measured(&trace);
    assert!(
        said.iter()
            .any(|s| s.contains("a force that never goes below 0 and is exactly 0 for ")),
        "{said:?}"
    );
}

#[test]
fn a_counter_that_runs_over_is_set_right_and_named() {
    let mut spec = TraceSpec::default();
    spec.sensor.force_resolution_n = 0.05;
    let sound = simulate(&spec, 43).trace;
    let (tests, _) = measured(&sound);
    let mut trace = sound.clone();
    for f in &mut trace.channels[0].force_n {
        let steps = (*f / 0.05).round() + 60.0;
        *f = (steps.rem_euclid(512.0) - 60.0) * 0.05;
    }
    let (wrapped, said) = measured(&trace);
    assert!(
        said.iter()
            .any(|s| s.contains("2^9 of its steps, as when a counter runs over")),
        "{said:?}"
    );
    let (a, b) = (
        tests[0].value(Measure::EndFeel).unwrap(),
        wrapped[0].value(Measure::EndFeel).unwrap(),
    );
    assert!((a - b).abs() < 1e-6 * a, "{a} {b}");
}

#[test]
fn a_sensor_zeroed_under_the_hand_is_noted() {
    let mut trace = press(1000.0, 44).trace;
    let (tests, _) = measured(&trace);
    let at = trace
        .time_s
        .iter()
        .position(|t| *t > tests[0].phases.lean_end_s - 0.2)
        .unwrap();
    let held = trace.channels[0].force_n[at];
    trace.channels[0].force_n[at..]
        .iter_mut()
        .for_each(|f| *f -= held);
    let (tests, _) = measured(&trace);
    let tared =
        |n: &&Note| matches!(n, Note::ZeroedUnderHand { newtons, .. } if (newtons - held).abs() < 2.0);
    assert!(
        tests.iter().flat_map(|t| &t.notes).any(|n| tared(&n)),
        "{:?}",
        tests.iter().map(|t| &t.notes).collect::<Vec<_>>()
    );
}

#[test]
fn springs_too_slow_to_be_found_are_said_to_be_there() {
    // A lean to 30 N and four slow springs of 3 s, made here: force and displacement of a straight spring of 5 N/mm.
    let time_s: Vec<f64> = (0..18_000).map(|i| f64::from(i) / 1e3).collect();
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let pressed = |t: f64| match t {
        t if t < 1.0 => 0.0,
        t if t < 3.0 => 4.0 * (1.0 - ((t - 1.0) * std::f64::consts::FRAC_PI_2).cos()),
        t if t < 15.0 => 8.0 + 2.0 * (1.0 - ((t - 3.0) * std::f64::consts::TAU / 3.0).cos()),
        t if t < 16.0 => 8.0 * (16.0 - t),
        _ => 0.0,
    };
    let mut noise = |sd: f64| -> f64 {
        let z: f64 = StandardNormal.sample(&mut rng);
        sd * z
    };
    let mm: Vec<f64> = time_s.iter().map(|t| pressed(*t)).collect();
    let mut trace = press(1000.0, 50).trace;
    trace.channels[0].force_n = mm.iter().map(|x| 5.0 * x + noise(0.3)).collect();
    trace.channels[0].displacement_mm = Some(mm.iter().map(|x| x + noise(0.02)).collect());
    trace.time_s = time_s;
    let (tests, _) = measured(&trace);
    let notes = &tests[0].notes;
    assert!(
        notes.iter().any(|n| matches!(n, Note::SlowSprings { times: 4 })),
        "{notes:?}, {} springs",
        tests[0].springs.len()
    );
    // One that is held is a hold.
    let held = |t: f64| if (3.0..15.0).contains(&t) { 8.0 } else { pressed(t) };
    let mm: Vec<f64> = trace.time_s.iter().map(|t| held(*t)).collect();
    trace.channels[0].force_n = mm.iter().map(|x| 5.0 * x + noise(0.3)).collect();
    trace.channels[0].displacement_mm = Some(mm.iter().map(|x| x + noise(0.02)).collect());
    let (tests, _) = measured(&trace);
    assert!(
        tests[0].notes.iter().any(|n| matches!(n, Note::NoSprings)),
        "{:?}",
        tests[0].notes
    );
}
