//! METHODS.md against the program: `rebuild.py`, written from its text with numpy alone, computes the sample study's
//! tables again from the recordings, and every cell must agree.
//!
//! Where numpy is not installed the check says so and is skipped, or fails when TAUTPOINT_FULL_TESTS=1.

use serde_json::Value;
use std::path::Path;
use std::process::Command;

/// The recordings that the tables are computed from again.
const SAMPLE: &str = "sample-data";
/// Largest relative difference: two programs that add the same numbers in another order.
const SAME: f64 = 1e-9;
/// Of a value found by search: both stop where a step changes the onset by less than a millionth of the range.
const SEARCHED: f64 = 1e-6;
/// Of its interval, which holds second derivatives.
const SEARCHED_INTERVAL: f64 = 1e-5;
/// What the whole-trace fit searches for.
const BY_SEARCH: [&str; 7] = [
    "onset_mm",
    "onset_travel_mm",
    "onset_n",
    "take_up_n_per_mm",
    "fitted_end_feel_n_per_mm",
    "damping_n_s_per_mm",
    "fit_residual_percent",
];

fn most(column: &str) -> f64 {
    let name = column.trim_start_matches("tests.");
    if !column.starts_with("tests.") {
        SAME
    } else if BY_SEARCH.contains(&name) {
        SEARCHED
    } else if BY_SEARCH.iter().any(|c| name == format!("{c}_u95")) {
        SEARCHED_INTERVAL
    } else {
        SAME
    }
}

/// What the script printed, `None` where numpy is missing.
fn rebuilt(results: &Path, recordings: &Path) -> Option<Value> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/all/methods_numpy/rebuild.py");
    let run = Command::new("python3")
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .arg(script)
        .args([results, recordings])
        .output();
    let problem = match run {
        Ok(out) if out.status.success() => return Some(serde_json::from_slice(&out.stdout).unwrap()),
        Ok(out) => String::from_utf8_lossy(&out.stderr).into_owned(),
        Err(e) => e.to_string(),
    };
    let why = problem.lines().last().unwrap_or_default().to_owned();
    let missing = why.contains("No module named 'numpy'") || !problem.contains("Traceback");
    assert!(missing, "rebuild.py failed: {problem}");
    assert!(
        std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
        "python3 with numpy did not run: {why}"
    );
    println!("skipped the check of METHODS.md against the tables: {why}");
    None
}

#[test]
fn the_text_of_the_methods_is_enough_to_rebuild_the_tables() {
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join(SAMPLE);
    let dir = tempfile::tempdir().unwrap();
    let results = dir.path().join("results");
    let status = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args([
            "--quiet",
            "analyze",
            "--figures",
            "none",
            "--curves",
            "csv",
            "--out",
        ])
        .args([&results, &sample])
        .output()
        .unwrap();
    assert!(
        status.status.success(),
        "{}",
        String::from_utf8_lossy(&status.stderr)
    );
    let Some(found) = rebuilt(&results, &sample) else {
        return;
    };
    let columns = found.as_object().unwrap();
    let cells = |column: &str| columns[column]["cells"].as_u64().unwrap();
    assert_eq!(cells("tests.peak_n"), 35);
    assert_eq!(cells("springs.loss_mj"), 105);
    assert_eq!(cells("findings.side_of_resistance"), 36);
    assert_eq!(cells("findings.p_adjusted"), 36);
    assert_eq!(cells("curves.peak_n"), 105);
    assert!(cells("curves.force_n") > 20_000);
    let off: Vec<String> = columns
        .iter()
        // An infinite difference, one side missing, is no number in JSON.
        .filter(|(column, seen)| !seen["worst"].as_f64().is_some_and(|w| w <= most(column)))
        .map(|(column, seen)| format!("{column} by {}: {}", seen["worst"], seen["where"]))
        .collect();
    assert!(
        off.is_empty(),
        "METHODS.md and the program differ:\n{}",
        off.join("\n")
    );
}
