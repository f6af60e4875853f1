//! The instrument on a steel spring: delay and loop against closed forms.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use tautpoint::calibrate::Day;
use tautpoint::columns::Measure;
use tautpoint::instrument::{Instrument, from_reference_springs};
use tautpoint::settings::Settings;
use tautpoint::signal::measure_trace;
use tautpoint::trace::{About, Channel, Note, Test, Trace, UncertaintySource};

const RATE_HZ: f64 = 250.0;
const STIFFNESS: f64 = 20.0;
const SPRINGS: usize = 6;

/// What is wrong with the instrument.
#[derive(Clone, Copy)]
struct Faults {
    delay_s: f64,
    friction_n: f64,
    noise_n: f64,
}

/// Displacement of the hand: off, a lean to 4 mm, haversine springs of 3 mm and half a second, each a little quicker
/// than the one before, and off again.
fn displacement_mm(t: f64) -> f64 {
    let ease = |s: f64| {
        let s = s.clamp(0.0, 1.0);
        s * s * s * (10.0 - 15.0 * s + 6.0 * s * s)
    };
    let mut x = 4.0 * ease((t - 1.0) / 1.0);
    let mut begin = 3.0;
    for i in 0..SPRINGS {
        let long = 0.6 - 0.02 * i as f64;
        let s = (t - begin) / long;
        if (0.0..=1.0).contains(&s) {
            x += 1.5 * (1.0 - (std::f64::consts::TAU * s).cos());
        }
        begin += long + 0.6;
    }
    x - 4.0 * ease((t - begin - 0.5) / 1.0)
}

/// A steel spring: force follows displacement, late, with friction against the movement.
fn trace(faults: Faults, seed: u64) -> Trace {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, faults.noise_n.max(1e-12)).unwrap();
    let n = (13.0 * RATE_HZ) as usize;
    let time_s: Vec<f64> = (0..n).map(|i| i as f64 / RATE_HZ).collect();
    let force = |t: f64| {
        let late = t - faults.delay_s;
        let v = (displacement_mm(late + 1e-4) - displacement_mm(late - 1e-4)) / 2e-4;
        STIFFNESS * displacement_mm(late) + faults.friction_n * (v / 0.5).tanh()
    };
    Trace {
        recording: "steel.csv".to_owned(),
        channels: vec![Channel {
            side: None,
            force_n: time_s
                .iter()
                .map(|t| force(*t) + noise.sample(&mut rng))
                .collect(),
            displacement_mm: Some(
                time_s
                    .iter()
                    .map(|t| displacement_mm(*t) + 1e-4 * noise.sample(&mut rng))
                    .collect(),
            ),
            displacement_shared: false,
        }],
        time_s,
        marker: None,
        drive_deg: None,
        about: About::default(),
        notes: Vec::new(),
    }
}

fn found(faults: Faults) -> Instrument {
    from_reference_springs(&[trace(faults, 1)], &Settings::default()).unwrap()
}

#[test]
fn the_delay_between_the_channels_is_found_below_a_sample() {
    // One sample is 4 ms; the delay put in is the truth.
    for delay_s in [0.0, 0.0033, 0.0071, -0.0048, 0.02] {
        let i = found(Faults {
            delay_s,
            friction_n: 0.0,
            noise_n: 0.0,
        });
        assert!(
            (i.force_delay_ms - 1e3 * delay_s).abs() < 0.01,
            "{delay_s}: {}",
            i.force_delay_ms
        );
        assert!(i.loop_ratio.abs() < 5e-4, "{delay_s}: {}", i.loop_ratio);
    }
}

#[test]
fn the_loop_before_is_that_of_a_lag_on_an_elastic_spring() {
    // A lag on a pure spring fakes a loop of π k X² sin(ωτ), X the amplitude (closed form, METHODS.md §1.4); when force is
    // late it runs backwards, as if the spring gave energy. The loss is cut at 5 % of the excursion, which takes less
    // than 2 % of that loop, and the springs differ in ω, so the mean is taken over them.
    let delay_s = 0.005;
    let i = found(Faults {
        delay_s,
        friction_n: 0.0,
        noise_n: 0.0,
    });
    let turns = (0..SPRINGS).map(|i| std::f64::consts::TAU / (0.6 - 0.02 * i as f64));
    let loops: Vec<f64> = turns
        .map(|w| std::f64::consts::PI * STIFFNESS * 2.25 * (w * delay_s).sin())
        .collect();
    let faked = loops.iter().sum::<f64>() / loops.len() as f64;
    // Loading work from 5 % of the excursion: mean force over it times 2.85 mm.
    let work = STIFFNESS * (4.15 + 7.0) / 2.0 * 2.85;
    let ratio = i.loop_ratio_before;
    assert!(
        (-ratio / (faked / work) - 1.0).abs() < 0.03,
        "{ratio} {}",
        faked / work
    );
}

#[test]
fn friction_is_no_delay_and_stays_as_the_loop() {
    let friction_n = 0.4;
    let delay_s = 0.006;
    let i = found(Faults {
        delay_s,
        friction_n,
        noise_n: 0.0,
    });
    assert!(
        (i.force_delay_ms - 1e3 * delay_s).abs() < 0.15,
        "{}",
        i.force_delay_ms
    );
    // A friction loop is 2·h·excursion high and wide, cut at 5 %; the low pass rounds its corners a little.
    let closed = 2.0 * friction_n * 0.95 * 3.0;
    assert!((i.loop_mj / closed - 1.0).abs() < 0.12, "{} {closed}", i.loop_mj);
}

#[test]
fn the_interval_of_the_delay_holds_the_truth_in_noise() {
    // 95 % intervals over 12 traces: fewer than 9 hits would come up less than three times in ten thousand.
    let truth_ms = 4.3;
    let held = (0..12)
        .filter(|seed| {
            let t = trace(
                Faults {
                    delay_s: truth_ms / 1e3,
                    friction_n: 0.0,
                    noise_n: 0.1,
                },
                100 + seed,
            );
            let i = from_reference_springs(&[t], &Settings::default()).unwrap();
            (i.force_delay_ms - truth_ms).abs() <= i.force_delay_u95_ms().unwrap()
        })
        .count();
    assert!(held >= 9, "{held} of 12");
}

#[test]
fn the_file_reads_back_the_same() {
    let mut i = found(Faults {
        delay_s: 0.004,
        friction_n: 0.2,
        noise_n: 0.05,
    });
    i.made = Day::parse("2026-09-01");
    let (back, problems) = Instrument::parse("instrument.toml", &i.to_toml());
    assert!(problems.is_empty(), "{problems:?}");
    assert_eq!(back.unwrap(), i);
    let (none, problems) = Instrument::parse("instrument.toml", "format = 1\n");
    assert!(none.is_none() && !problems.is_empty());
}

fn test_of(trace: &Trace, settings: &Settings) -> Test {
    measure_trace(trace, settings).unwrap().remove(0)
}

#[test]
fn what_stays_of_a_steel_spring_s_loss_is_nothing_within_its_interval() {
    let faults = Faults {
        delay_s: 0.004,
        friction_n: 0.3,
        noise_n: 0.05,
    };
    let instrument = found(faults);
    let mut settings = Settings::default();
    settings.instrument.force_delay_ms = instrument.force_delay_ms;
    let mut test = test_of(&trace(faults, 77), &settings);
    let before = test.measures.get(Measure::LossRatio).unwrap();
    instrument.take_off_loop(&mut test);
    let after = test.measures.get(Measure::LossRatio).unwrap();
    assert!(before.value > 5.0 * after.value.abs(), "{before:?} {after:?}");
    assert!(after.value.abs() < 3.0 * after.u95().unwrap(), "{after:?}");
    assert!(after.u95().unwrap() > before.u95().unwrap());
    assert!(
        test.measures
            .budget(Measure::LossRatio)
            .iter()
            .any(|l| l.source == UncertaintySource::InstrumentLoop)
    );
    assert!(
        test.notes
            .iter()
            .any(|n| matches!(n, Note::InstrumentLoop { .. }))
    );
}

#[test]
fn traces_that_tell_nothing_are_refused_in_words() {
    let good = trace(
        Faults {
            delay_s: 0.0,
            friction_n: 0.0,
            noise_n: 0.05,
        },
        1,
    );
    let mut force_only = good.clone();
    force_only.channels[0].displacement_mm = None;
    let mut still = good.clone();
    let moved = still.channels[0].displacement_mm.clone().unwrap();
    still.channels[0]
        .force_n
        .iter_mut()
        .zip(moved)
        .for_each(|(f, x)| *f -= STIFFNESS * x);
    let mut one_spring = good.clone();
    one_spring.time_s.truncate(1000);
    one_spring.channels[0].force_n.truncate(1000);
    one_spring.channels[0]
        .displacement_mm
        .as_mut()
        .unwrap()
        .truncate(1000);
    for (trace, told) in [
        (force_only, "no displacement"),
        (still, "no contact"),
        (one_spring, "only 1 spring to measure on"),
    ] {
        let said = from_reference_springs(&[trace], &Settings::default())
            .unwrap_err()
            .to_string();
        assert!(said.contains(told), "{said}");
    }
}

/// A recording as a file.
fn text_of(trace: &Trace) -> String {
    let channel = &trace.channels[0];
    let moved = channel.displacement_mm.as_ref().unwrap();
    let mut text = String::from("time_s,force_n,displacement_mm\n");
    for ((t, f), x) in trace.time_s.iter().zip(&channel.force_n).zip(moved) {
        text += &format!("{t:.4},{f:.4},{x:.5}\n");
    }
    text
}

#[test]
fn the_program_writes_instrument_toml_and_analyze_uses_it() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    std::fs::create_dir_all(root.join("recordings")).unwrap();
    std::fs::write(root.join("study.toml"), "title = \"steel\"\n").unwrap();
    let faults = Faults {
        delay_s: 0.006,
        friction_n: 0.2,
        noise_n: 0.02,
    };
    let recording = root.join("recordings/steel.csv");
    std::fs::write(&recording, text_of(&trace(faults, 5))).unwrap();
    let run = |arguments: &[&str]| {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_tautpoint"))
            .args(arguments)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert_eq!(
            output.status.code(),
            Some(0),
            "{said} {}",
            String::from_utf8_lossy(&output.stderr)
        );
        serde_json::from_str::<serde_json::Value>(&said).unwrap()
    };
    let (study, file) = (root.to_str().unwrap(), recording.to_str().unwrap());
    let before = run(&["analyze", study, "--json"]);
    let found = run(&[
        "calibrate",
        "--reference-spring",
        file,
        "--study",
        study,
        "--json",
    ]);
    assert!(
        (found["force_delay_ms"].as_f64().unwrap() - 6.0).abs() < 0.2,
        "{found}"
    );
    let after = run(&["analyze", study, "--json"]);
    let ratio = |v: &serde_json::Value| v["tests"][0]["loss_ratio"].as_f64().unwrap();
    assert!(
        ratio(&before) < -0.01 && ratio(&after).abs() < 1e-3,
        "{} {}",
        ratio(&before),
        ratio(&after)
    );
    assert!(
        after["tests"][0]["notes"]
            .to_string()
            .contains("instrument loop:"),
        "{after}"
    );
    std::fs::write(root.join("study.toml"), "[instrument]\nforce_delay_ms = 1.0\n").unwrap();
    let set = run(&["analyze", study, "--json"]);
    assert!(
        set["problems"].to_string().contains("study.toml goes first"),
        "{set}"
    );
}
