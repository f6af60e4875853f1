//! A force over the ceiling is told wherever it stands in a recording.

use std::fmt::Write as _;
use std::path::Path;
use tautpoint::batch::{Options, run};

/// A slow press of `peak_n` for three seconds from 1 s on and a jab of 120 N for `jab_ms` at 5 s, at 1 kHz, force alone.
fn recording(peak_n: f64, jab_ms: usize) -> String {
    let mut text = "time_s,force_n\n".to_owned();
    for i in 0..7000 {
        let press = (f64::from(i) / 1000.0 - 1.0) / 3.0;
        let press = if (0.0..1.0).contains(&press) {
            (press * std::f64::consts::PI).sin() * peak_n
        } else {
            0.0
        };
        let jab = if (5000..5000 + jab_ms).contains(&(i as usize)) {
            120.0
        } else {
            0.0
        };
        let noise = 0.1 * f64::from(i * 7919 % 11 - 5);
        writeln!(text, "{:.3},{:.2}", f64::from(i) / 1000.0, press + jab + noise).unwrap();
    }
    text
}

fn told(dir: &Path, sidecar: &str, text: &str) -> Vec<String> {
    std::fs::write(dir.join("press.csv"), text).unwrap();
    std::fs::write(dir.join("press.toml"), sidecar).unwrap();
    let results = run(&[dir.join("press.csv")], &Options::default()).unwrap();
    let problems = results.problems.iter().map(|p| p.to_string());
    problems.filter(|p| p.contains("over the")).collect()
}

#[test]
fn a_jab_that_is_no_test_is_told_and_a_check_with_a_known_weight_is_not() {
    let dir = tempfile::tempdir().unwrap();
    // At C5, ceiling 60 N: 0.2 s are too short for a test, 30 ms too short for the low pass.
    for ms in [200, 30] {
        let told = told(dir.path(), "level = \"C5\"\n", &recording(40.0, ms));
        assert_eq!(told.len(), 1, "{ms} ms: {told:?}");
        assert!(
            told[0].contains("neck 60") && told[0].contains("at 5.00 s"),
            "{told:?}"
        );
    }
    let told = |sidecar: &str, peak: f64, ms: usize| told(dir.path(), sidecar, &recording(peak, ms)).len();
    assert_eq!(told("level = \"C5\"\nexcluded = \"coughed\"\n", 40.0, 200), 1);
    assert_eq!(told("level = \"C5\"\nknown_weight_n = 120\n", 40.0, 200), 0);
    assert_eq!(told("level = \"L3\"\n", 40.0, 200), 0, "below the lumbar ceiling");
    // A test's own finding is enough.
    assert_eq!(told("level = \"C5\"\n", 90.0, 0), 0);
}
