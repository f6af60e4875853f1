//! Proven whole: firmware, line, `tautpoint record`, `tautpoint analyze`, and the known truth.

use super::{AVR, Avr, are_here, make, runner};
use crate::record::program::Running;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A press whose truth is known.
struct Press {
    onset_mm: f64,
    take_up_n_per_mm: f64,
    end_feel_n_per_mm: f64,
}

/// A press without any sensor's noise, 2,000 times a second.
fn press(folder: &Path, seed: &str) -> (PathBuf, Press) {
    let file = folder.join("press.csv");
    let made = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args([
            "simulate",
            "trace",
            "--rate-hz",
            "2000",
            "--force-noise-n",
            "0",
            "--displacement-noise-mm",
            "0",
        ])
        .args(["--seed", seed, "--out"])
        .arg(&file)
        .output()
        .unwrap();
    assert!(made.status.success());
    let truth: toml::Table = std::fs::read_to_string(file.with_extension("toml"))
        .unwrap()
        .parse()
        .unwrap();
    let number = |key: &str| truth["truth"][key].as_float().unwrap();
    let press = Press {
        onset_mm: number("onset_mm"),
        take_up_n_per_mm: number("take_up_n_per_mm"),
        end_feel_n_per_mm: number("end_feel_n_per_mm"),
    };
    (file, press)
}

/// Whoever plays the station; ended with the test.
struct Player(Child);

impl Drop for Player {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Records a test from a port into a study and measures it: value and half-width of the 95 % interval by column.
fn measured(study: &Path, port: &Path, begin: &mut dyn FnMut()) -> impl Fn(&str) -> (f64, f64) + use<> {
    std::fs::create_dir_all(study.join("recordings")).unwrap();
    let port = port.to_str().unwrap();
    let mut running = Running::start(
        study,
        &[
            "--port",
            port,
            "--subject",
            "V-07",
            "--examiner",
            "L-11",
            "--level",
            "L3",
            "--side",
            "left",
        ],
    );
    begin();
    running.until("a test was seen");
    std::thread::sleep(Duration::from_millis(700));
    running.say("stop");
    let (code, said) = running.end();
    assert_eq!(code, Some(0), "{said}");
    let out = study.join("results");
    let analyzed = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(["analyze", "--figures", "none", "--out"])
        .arg(&out)
        .arg(study)
        .output()
        .unwrap();
    assert!(
        analyzed.status.success(),
        "{}",
        String::from_utf8_lossy(&analyzed.stderr)
    );
    let text = std::fs::read_to_string(out.join("tests.csv")).unwrap();
    let mut rows = csv::Reader::from_reader(text.as_bytes());
    let heads = rows.headers().unwrap().clone();
    let row = rows.records().next().expect("a test").unwrap();
    move |column| {
        let number = |name: &str| {
            let at = heads.iter().position(|h| h == name).unwrap();
            row[at].parse().unwrap_or_else(|_| panic!("{name}: {}", &row[at]))
        };
        (number(column), number(&format!("{column}_u95")))
    }
}

#[track_caller]
fn assert_within(name: &str, of: &impl Fn(&str) -> (f64, f64), column: &str, truth: f64) {
    let (value, u95) = of(column);
    println!("{name}: {column} {value:.4} ± {u95:.4}, truth {truth:.4}");
    // When the press comes, and with it the noise, hangs on the computer's pace. One interval in twenty misses; twice as wide,
    // one in ten thousand does. How often intervals hold is for the accuracy table to say.
    assert!(
        (value - truth).abs() <= 2.0 * u95,
        "{name}: {column} {value} ± {u95}, truth {truth}"
    );
    assert!(u95 < 0.05 * truth, "{name}: {column} says little: ± {u95}");
}

fn played(name: &str, avr: &Avr, study_toml: &str, more: &[&str]) {
    let folder = tempfile::tempdir().unwrap();
    let (trace, truth) = press(folder.path(), "7");
    let (port, study) = (folder.path().join("port"), folder.path().join("study"));
    std::fs::create_dir(&study).unwrap();
    std::fs::write(study.join("study.toml"), study_toml).unwrap();
    let child = avr
        .command(&["--seconds", "60", "--noise", "0.1", "0.005"])
        .args(more)
        .arg("--trace")
        .arg(&trace)
        .arg("--link")
        .arg(&port)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let _player = Player(child);
    let begun = Instant::now();
    while !port.exists() {
        assert!(begun.elapsed() < Duration::from_secs(20), "no pseudo-terminal");
        std::thread::sleep(Duration::from_millis(10));
    }
    let of = measured(&study, &port, &mut || {});
    assert_within(name, &of, "onset_mm", truth.onset_mm);
    assert_within(name, &of, "take_up_n_per_mm", truth.take_up_n_per_mm);
    assert_within(name, &of, "fitted_end_feel_n_per_mm", truth.end_feel_n_per_mm);
}

#[test]
fn at_1_khz_a_press_is_recorded_and_measured_within_its_intervals() {
    if are_here(&AVR) {
        let _ = runner();
        played(
            "spi, 1 kHz",
            &Avr::new("spi", 1000, &[]),
            "title = \"Invented\"\n",
            &[],
        );
    }
}

#[test]
fn at_80_hz_a_press_is_recorded_and_measured_within_its_intervals() {
    if are_here(&AVR) {
        let _ = runner();
        // A value is the mean of its conversion and so half of one late.
        let study = "title = \"Invented\"\n[instrument]\nforce_delay_ms = 6.25\n";
        played("bridge, 80 Hz", &Avr::new("bridge", 80, &[]), study, &[]);
    }
}

/// QEMU keeps no exact time and has no converter: the press is compiled in, and proves frames and logic of the ARM board.
#[test]
fn on_the_arm_board_a_press_is_recorded_and_measured_within_its_intervals() {
    if !are_here(&["make", "arm-none-eabi-gcc", "qemu-system-arm"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let scale = "DEFINES=-DFORCE_UNIT=TAUTPOINT_N -DFORCE_DIGITS=1 -DFORCE_POWER=-3 \
                 -DDISPLACEMENT_UNIT=TAUTPOINT_MM -DDISPLACEMENT_DIGITS=1 -DDISPLACEMENT_POWER=-3";
    make(folder.path(), &["arm", "SOURCE=press", scale]);
    let mut child = Command::new("qemu-system-arm")
        .args([
            "-M",
            "mps2-an385",
            // Time goes by instructions: a busy computer then neither loses ticks nor sets the watchdog off.
            "-icount",
            "shift=5,sleep=on",
            "-display",
            "none",
            "-serial",
            "pty",
            "-monitor",
            "stdio",
            "-S",
            "-kernel",
        ])
        .arg(folder.path().join("press-1000-arm.elf"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut monitor = child.stdin.take().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let _player = Player(child);
    let port = lines.find_map(|line| {
        let line = line.unwrap();
        let from = line.find("/dev/")?;
        Some(PathBuf::from(line[from..].split(' ').next()?))
    });
    let study = folder.path().join("study");
    std::fs::create_dir(&study).unwrap();
    std::fs::write(study.join("study.toml"), "title = \"Invented\"\n").unwrap();
    let of = measured(&study, &port.expect("a pseudo-terminal"), &mut || {
        std::thread::sleep(Duration::from_millis(1500));
        writeln!(monitor, "cont").unwrap();
    });
    // As in station/press.h.
    assert_within("arm", &of, "onset_mm", 8.2);
    assert_within("arm", &of, "take_up_n_per_mm", 1.6);
    assert_within("arm", &of, "fitted_end_feel_n_per_mm", 11.0);
}
