//! Calibration in use: counts through the program, expiry, the budget, the reference spring, the daily check.

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};
use tautpoint::calibrate::drift::{
    ControlState, LimitsFrom, appended, charts, check, individuals, overall, read_history,
};
use tautpoint::calibrate::{Calibration, MakeOptions, make};
use tautpoint::read::readings::{ReadingsOptions, read_readings};

/// Counts of an invented load cell under a force: known to the test alone.
fn counts(force_n: f64) -> f64 {
    (8123.0 + 1767.9 * force_n + 0.02 * force_n * force_n).round()
}

fn run(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(arguments)
        .output()
        .unwrap()
}

fn json(arguments: &[&str]) -> Value {
    let output = run(arguments);
    let text = String::from_utf8_lossy(&output.stdout);
    serde_json::from_str(&text)
        .unwrap_or_else(|e| panic!("{e}: {text} {}", String::from_utf8_lossy(&output.stderr)))
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// What was said, in one line: the terminal's width cuts sentences.
fn plain(output: &Output) -> String {
    said(output).split_whitespace().collect::<Vec<_>>().join(" ")
}

fn path(p: &Path) -> &str {
    p.to_str().unwrap()
}

fn readings_text() -> String {
    let mut text = String::from("applied_n,indicated,run,direction\n");
    for run in 1..=3 {
        for (i, force) in [0.0, 40.0, 80.0, 120.0, 160.0, 200.0].into_iter().enumerate() {
            let wobble = f64::from((i as i32 * 7 + run * 5) % 9 - 4);
            text += &format!("{force},{},{run},up\n", counts(force) + wobble);
            text += &format!("{force},{},{run},down\n", counts(force) + wobble + 3.0);
        }
    }
    text
}

/// A study of one recording, simulated in newtons, kept there and in counts.
fn study(root: &Path) {
    for folder in ["recordings", "calibrations"] {
        std::fs::create_dir_all(root.join(folder)).unwrap();
    }
    std::fs::write(root.join("study.toml"), "title = \"counts\"\n").unwrap();
    std::fs::write(root.join("readings.csv"), readings_text()).unwrap();
    let made = run(&[
        "calibrate",
        path(&root.join("readings.csv")),
        "--out",
        path(&root.join("calibrations/cell-4.toml")),
        "--sensor",
        "cell-4",
        "--made",
        "2026-09-01",
        "--expires",
        "2027-03-01",
        "--load-uncertainty",
        "0.05",
    ]);
    assert!(made.status.success(), "{}", said(&made));
    assert!(
        std::fs::read_to_string(root.join("calibrations/cell-4.html"))
            .unwrap()
            .contains("<svg")
    );
    let newtons = root.join("newtons.csv");
    assert!(
        run(&["simulate", "trace", "--out", path(&newtons)])
            .status
            .success()
    );
    let text = std::fs::read_to_string(&newtons).unwrap();
    let mut lines = text.lines().filter(|l| !l.starts_with('#'));
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let force = header.iter().position(|h| *h == "force_n").unwrap();
    let mut counted = header.join(",").replace("force_n", "force_counts") + "\n";
    for line in lines {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if let Ok(value) = cells[force].parse::<f64>() {
            cells[force] = counts(value).to_string();
        }
        counted += &(cells.join(",") + "\n");
    }
    std::fs::write(root.join("recordings/a.csv"), counted).unwrap();
    sidecar(root, "2026-09-14", "sensor = \"cell-4\"\n");
}

fn sidecar(root: &Path, day: &str, more: &str) {
    let text = format!(
        "format = 1\nsession = \"{day}\"\nlevel = \"L3\"\nside = \"left\"\n{more}calibration = \"cell-4\"\n"
    );
    std::fs::write(root.join("recordings/a.toml"), text).unwrap();
}

#[test]
fn a_trace_in_counts_gives_what_the_same_trace_in_newtons_gives() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    study(root);
    let by_counts = json(&["analyze", path(root), "--json"]);
    let by_newtons = json(&["analyze", path(&root.join("newtons.csv")), "--json"]);
    let (a, b) = (&by_counts["tests"][0], &by_newtons["tests"][0]);
    for name in ["end_feel_n_per_mm", "preload_n", "onset_mm", "spring_peak_n"] {
        let (a, b) = (a[name].as_f64().unwrap(), b[name].as_f64().unwrap());
        assert!((a / b - 1.0).abs() < 2e-3, "{name}: {a} {b}");
    }
    // The loads' 0.05 % alone are 1.96 · 0.05 % of the stiffness; the interval must have grown.
    let name = "end_feel_n_per_mm_u95";
    assert!(a[name].as_f64() > b[name].as_f64());
    assert!(
        a["notes"].to_string().contains("calibrated: force by cell-4"),
        "{a}"
    );
    let budget = said(&run(&["analyze", path(root), "--budget"]));
    assert!(
        budget.contains("force calibration (common to both sides)"),
        "{budget}"
    );
    std::fs::remove_file(root.join("newtons.csv")).unwrap();
    assert!(run(&["check", path(root)]).status.success());
}

#[test]
fn an_expired_calibration_warns_on_every_result_and_is_an_error_when_strict() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    study(root);
    for (day, more, told) in [
        (
            "2027-03-02",
            "",
            "calibration expired: cell-4 ended on 2027-03-01",
        ),
        (
            "2026-10-01",
            "sensor = \"cell-5\"\n",
            "wrong sensor: cell-4 is for cell-4",
        ),
    ] {
        sidecar(root, day, more);
        let lax = run(&["analyze", path(root), "--json"]);
        assert_eq!(lax.status.code(), Some(0), "{}", said(&lax));
        let found: Value = serde_json::from_slice(&lax.stdout).unwrap();
        assert!(found["tests"][0]["notes"].to_string().contains(told), "{found}");
        assert!(found["problems"].to_string().contains(told));
        let strict = run(&["analyze", path(root), "--strict"]);
        assert_eq!(strict.status.code(), Some(2));
        assert!(said(&strict).contains(told), "{}", said(&strict));
    }
    sidecar(root, "2026-10-01", "");
    std::fs::rename(
        root.join("calibrations/cell-4.toml"),
        root.join("calibrations/old.txt"),
    )
    .unwrap();
    let none = run(&["analyze", path(root)]);
    assert_eq!(none.status.code(), Some(2));
    assert!(
        said(&none).contains("the calibration cell-4, which is not there"),
        "{}",
        said(&none)
    );
}

#[test]
fn the_json_of_a_calibration_has_the_names_that_were_promised() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("r.csv");
    std::fs::write(&file, readings_text()).unwrap();
    let found = json(&["calibrate", path(&file), "--degree", "2", "--json"]);
    for key in ["coefficients", "standard_errors", "covariance"] {
        assert_eq!(found[key].as_array().unwrap().len(), 3, "{key}");
    }
    assert_eq!(
        (found["degree"].as_i64(), found["degrees_of_freedom"].as_i64()),
        (Some(2), Some(33))
    );
    assert!((found["coefficients"][1].as_f64().unwrap() - 1767.9).abs() < 0.2);
    assert!(found["residual_sd"].as_f64().unwrap() > 0.0);
    for figure in [
        "repeatability",
        "reversibility",
        "interpolation_error",
        "zero_return",
        "resolution",
        "lower_limit",
    ] {
        assert!(
            found["figures"][figure]["percent"].as_f64().unwrap() > 0.0,
            "{figure}"
        );
    }
    let wrong = run(&["calibrate", path(&file), "--out", path(&file)]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(said(&wrong).contains("stays as it is"), "{}", said(&wrong));
    assert_eq!(std::fs::read_to_string(&file).unwrap(), readings_text());
}

#[test]
fn a_displacement_sensor_is_calibrated_with_gauge_blocks() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("gauges.csv");
    std::fs::write(
        &file,
        "applied_mm;indicated\n0;100,5\n5;1100,0\n10;2101,0\n15;3100,5\n20;4101,0\n",
    )
    .unwrap();
    let out = dir.path().join("lvdt-2.toml");
    let done = run(&["calibrate", path(&file), "--out", path(&out)]);
    assert!(done.status.success(), "{}", said(&done));
    let (c, problems) = Calibration::parse("c", &std::fs::read_to_string(&out).unwrap());
    assert!(problems.is_empty(), "{problems:?}");
    let c = c.unwrap();
    assert_eq!((c.name.as_str(), c.curve.degree()), ("lvdt-2", 1));
    assert!((c.value(2100.6).unwrap() - 10.0).abs() < 5e-3);
    assert_eq!(c.force_n(2100.6), None);
}

fn calibration() -> Calibration {
    let (readings, _) = read_readings("r.csv", &readings_text(), &ReadingsOptions::default());
    let options = MakeOptions {
        name: "cell-4".to_owned(),
        ..MakeOptions::default()
    };
    make(&readings.unwrap(), &options).unwrap().calibration
}

#[test]
fn limits_of_individuals_are_those_of_the_handbook() {
    // NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, worked example on flow rates: mean 50.81, mean moving
    // range 1.8778, limits 45.82 and 55.80 (from memory; the arithmetic is checked here).
    let flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let (centre, sigma) = individuals(&flow).unwrap();
    assert!((centre - 50.81).abs() < 1e-9);
    assert!((sigma * 1.128 - 1.8778).abs() < 5e-5);
    assert!((centre + 3.0 * sigma - 55.8041).abs() < 1e-3 && (centre - 3.0 * sigma - 45.8159).abs() < 1e-3);
    assert!(individuals(&[1.0]).is_none());
}

#[test]
fn the_history_grows_and_says_since_when_a_sensor_is_out() {
    let c = calibration();
    let mut text = String::new();
    let mut history = Vec::new();
    let one = |day: usize, drift: f64| {
        let wobble = [2.0, -3.0, 1.0, 4.0, -2.0][day % 5];
        let table = format!("applied_n,indicated\n100,{}\n", counts(100.0) + wobble + drift);
        let (readings, _) = read_readings("today.csv", &table, &ReadingsOptions::default());
        check(&c, &readings.unwrap(), day as u32, &format!("2026-10-{day:02}")).unwrap()
    };
    for day in 1..=28 {
        let new = one(day, if (24..=26).contains(&day) { 60.0 } else { 0.0 });
        let before = text.clone();
        text = appended(&text, &new);
        assert!(text.starts_with(&before));
        history.extend(new);
        let charts = charts(&history, &c);
        assert_eq!(charts.len(), 1);
        let from = charts[0].limits_from;
        match day {
            1..=5 => assert_eq!(from, LimitsFrom::Calibration),
            6..=20 => assert_eq!(from, LimitsFrom::Checks(day - 1)),
            _ => assert_eq!(from, LimitsFrom::Checks(20)),
        }
        let since = |day: &str| format!("2026-10-{day}");
        let wanted = match day {
            1..=23 => ControlState::In { since: since("01") },
            24..=26 => ControlState::Out { since: since("24") },
            _ => ControlState::In { since: since("27") },
        };
        assert_eq!(overall(&charts), Some(wanted), "day {day}");
    }
    let (back, problems) = read_history("verify.csv", &text);
    assert!(problems.is_empty(), "{problems:?}");
    assert_eq!(back, history);
    let (_, problems) = read_history("verify.csv", &text.replace("2,2026-10-02", "two,2026-10-02"));
    assert_eq!(problems[0].line, Some(3), "{problems:?}");
}

#[test]
fn verify_keeps_a_history_and_ends_well_even_out_of_control() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    study(root);
    let today = root.join("today.csv");
    for (day, off, word) in [
        ("2026-09-02", 2.0, "in_control"),
        ("2026-09-03", 4000.0, "out_of_control"),
    ] {
        std::fs::write(
            &today,
            format!("applied_n,indicated\n100,{}\n", counts(100.0) + off),
        )
        .unwrap();
        let done = run(&[
            "calibrate",
            path(&today),
            "--verify",
            "--study",
            path(root),
            "--made",
            day,
            "--json",
        ]);
        assert_eq!(done.status.code(), Some(0), "{}", said(&done));
        let found: Value = serde_json::from_slice(&done.stdout).unwrap();
        assert_eq!(
            (&found["control"]["state"], &found["control"]["since"]),
            (&word.into(), &(if off > 9.0 { day } else { "2026-09-02" }).into())
        );
    }
    let history = std::fs::read_to_string(root.join("calibrations/verify.csv")).unwrap();
    assert_eq!(history.lines().count(), 3);
    assert!(
        std::fs::read_to_string(root.join("calibrations/verify-cell-4.svg"))
            .unwrap()
            .contains("out of control")
    );
    let analysed = run(&["analyze", path(root)]);
    assert!(analysed.status.success(), "{}", said(&analysed));
    // Everybody who uses the sensor after that is told, with the date; nothing is let through with --strict.
    let out = "the daily check of cell-4 is outside its limits since 2026-09-03 (last inside on 2026-09-02)";
    for command in ["analyze", "check"] {
        let told = plain(&run(&[command, path(root)]));
        assert!(told.matches(out).count() >= 2, "{command}: {told}");
        assert!(
            told.contains("recordings/a.csv: found sensor out of control"),
            "{command}: {told}"
        );
    }
    let strict = run(&["check", path(root), "--strict"]);
    assert_eq!(strict.status.code(), Some(2), "{}", said(&strict));
    let strict = json(&["analyze", path(root), "--strict", "--json"]);
    assert_eq!(strict["tests"], serde_json::json!([]), "{strict}");
    // A recording from before it went out is as good as it was.
    sidecar(root, "2026-09-02", "");
    let told = plain(&run(&["analyze", path(root)]));
    assert!(!told.contains("recordings/a.csv: found sensor"), "{told}");
    // A check entered under an earlier day does not bring the sensor back unseen.
    std::fs::write(&today, format!("applied_n,indicated\n100,{}\n", counts(100.0))).unwrap();
    let backdated = run(&[
        "calibrate",
        path(&today),
        "--verify",
        "--study",
        path(root),
        "--made",
        "2026-09-01",
    ]);
    let named = "check 3 of cell-4 dated 2026-09-01, before check 2 of 2026-09-03";
    assert!(plain(&backdated).contains(named), "{}", plain(&backdated));
    let told = plain(&run(&["check", path(root)]));
    assert!(told.contains(named) && told.contains(out), "{told}");
}
