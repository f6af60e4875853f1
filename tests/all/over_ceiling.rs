//! A force over the ceiling is told wherever it stands in a recording.

use std::fmt::Write as _;
use std::path::Path;
use tautpoint::Measure;
use tautpoint::batch::{Options, run};
use tautpoint::technique::{TechniqueFinding, TechniqueRule};

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

/// What the results tell of forces over the ceiling.
fn findings(dir: &Path, sidecar: &str, text: &str) -> Vec<TechniqueFinding> {
    std::fs::write(dir.join("press.csv"), text).unwrap();
    std::fs::write(dir.join("press.toml"), sidecar).unwrap();
    let results = run(&[dir.join("press.csv")], &Options::default()).unwrap();
    let all = results.technique.into_iter();
    all.filter(|f| f.rule == TechniqueRule::OverCeiling).collect()
}

#[test]
fn a_jab_that_is_no_test_is_told_and_a_check_with_a_known_weight_is_not() {
    let dir = tempfile::tempdir().unwrap();
    // At C5, ceiling 60 N: 0.2 s are too short for a test, 30 ms too short for the low pass.
    for ms in [200, 30] {
        let told = told(dir.path(), "level = \"C5\"\n", &recording(40.0, ms));
        assert_eq!(told.len(), 1, "{ms} ms: {told:?}");
        assert!(
            told[0].contains("neck ceiling of 60 N") && told[0].contains("at 5.00 s"),
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

#[test]
fn a_jab_outside_every_test_is_a_finding_with_its_force() {
    let dir = tempfile::tempdir().unwrap();
    let sidecar = "level = \"C5\"\nexaminer = \"L-11\"\n";
    for ms in [200, 30] {
        let found = findings(dir.path(), sidecar, &recording(40.0, ms));
        assert_eq!(found.len(), 1, "{found:?}");
        let (value, high) = (found[0].value.unwrap(), found[0].high.unwrap());
        assert!((value - 120.0).abs() < 1.0 && high == 60.0, "{found:?}");
        assert_eq!(found[0].examiner.as_deref(), Some("L-11"));
        assert!(found[0].text().contains("at 5.00 s"), "{}", found[0].text());
    }
    // What was left out was pressed all the same; a known weight was not.
    let left_out = format!("{sidecar}excluded = \"coughed\"\n");
    assert!(!findings(dir.path(), &left_out, &recording(40.0, 200)).is_empty());
    let weight = format!("{sidecar}known_weight_n = 120\n");
    assert!(findings(dir.path(), &weight, &recording(40.0, 200)).is_empty());
}

/// Two forces at 1 kHz: 50 N for three seconds on the left, and a jab of `other_n` that lasts `ms` on the right within them.
fn two_hands(other_n: f64, ms: usize) -> String {
    let mut text = "time_s,force_left_n,force_right_n\n".to_owned();
    for i in 0..7000_usize {
        let t = i as f64 / 1000.0;
        let ease = |s: f64| (s.clamp(0.0, 1.0) * std::f64::consts::FRAC_PI_2).sin().powi(2);
        let left = 50.0 * (ease(2.0 * (t - 1.0)) - ease(2.0 * (t - 4.0)));
        let jab = (i as f64 - 2500.0) / ms as f64;
        let right = if (0.0..1.0).contains(&jab) {
            (jab * std::f64::consts::PI).sin() * other_n
        } else {
            0.0
        };
        let noise = 0.1 * ((i * 7919 % 11) as f64 - 5.0);
        writeln!(text, "{t:.3},{:.2},{:.2}", left + noise, right - noise).unwrap();
    }
    text
}

#[test]
fn the_other_hand_s_short_force_is_in_the_total_and_over_the_ceiling() {
    let dir = tempfile::tempdir().unwrap();
    let sidecar = "level = \"L3\"\n";
    // 50 N beside 90 N at once is under the lumbar ceiling, and beside 140 N over it; at C5 both are.
    for (level, other_n, ms, over) in [
        ("L3", 90.0, 200, false),
        ("L3", 140.0, 200, true),
        ("C5", 90.0, 200, true),
        ("C5", 90.0, 30, true),
        ("C5", 40.0, 400, true),
    ] {
        let text = two_hands(other_n, ms);
        let found = findings(dir.path(), &sidecar.replace("L3", level), &text);
        assert_eq!(
            found.len(),
            usize::from(over),
            "{level} {other_n} {ms}: {found:?}"
        );
        let results = run(&[dir.path().join("press.csv")], &Options::default()).unwrap();
        let total_n = results.tests.iter().map(|t| t.total_peak_n).fold(0.0, f64::max);
        assert!(
            (total_n - 50.0 - other_n).abs() < 1.5,
            "{total_n} for {other_n} in {ms} ms"
        );
        if let Some(finding) = found.first() {
            assert!(
                finding.test.is_some() && (finding.value.unwrap() - total_n).abs() < 1e-9,
                "{finding:?}"
            );
        }
    }
}

#[test]
fn a_peak_that_is_over_before_the_low_pass_follows_is_read_from_the_unfiltered_force() {
    let dir = tempfile::tempdir().unwrap();
    // A jab of 30 ms on top of a hold of 50 N, by the same hand.
    let text: String = two_hands(80.0, 30)
        .lines()
        .enumerate()
        .map(|(i, row)| {
            let cells: Vec<&str> = row.split(',').collect();
            match i {
                0 => "time_s,force_n\n".to_owned(),
                _ => {
                    let [left, right] = [cells[1], cells[2]].map(|c| c.parse::<f64>().unwrap());
                    format!("{},{:.2}\n", cells[0], left + right)
                }
            }
        })
        .collect();
    std::fs::write(dir.path().join("press.csv"), text).unwrap();
    let results = run(&[dir.path().join("press.csv")], &Options::default()).unwrap();
    let peak = results.tests[0].measures.finding(Measure::Peak).unwrap();
    assert!((peak.value - 130.0).abs() < 1.0, "{peak:?}");
    assert!((results.tests[0].total_peak_n - 130.0).abs() < 1.0);
}

#[test]
fn a_blind_study_tells_a_jab_without_recording_and_side() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::create_dir(dir.path().join("recordings")).unwrap();
    std::fs::write(dir.path().join("study.toml"), "blind = true\n").unwrap();
    let put =
        |name: &str, text: &str| std::fs::write(dir.path().join("recordings").join(name), text).unwrap();
    put("press.csv", &recording(40.0, 200));
    put("press.toml", "level = \"C5\"\nside = \"left\"\n");
    let results = run(&[dir.path().to_owned()], &Options::default()).unwrap();
    let over = results
        .technique
        .iter()
        .filter(|f| f.rule == TechniqueRule::OverCeiling);
    let over: Vec<_> = over.collect();
    assert_eq!(over.len(), 1, "{over:?}");
    assert!(over[0].recording.is_none() && over[0].side.is_none(), "{over:?}");
    assert!(!over[0].text().contains("5.00 s"), "{}", over[0].text());
}
