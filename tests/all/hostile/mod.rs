//! Inputs that once broke the program, and their kind: each is named or analysed, none ends the batch, none takes more
//! memory than its size allows.

#[cfg(unix)]
mod doors;
#[cfg(target_os = "linux")]
mod injected;
#[cfg(target_os = "linux")]
mod memory;
mod corpus;
mod parquet;
mod replay;
mod stuck;
mod time;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Address space that a debug build may take for small inputs, in kB: its threads' stacks are the larger part.
const SMALL_KB: u64 = 3_000_000;

fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/hostile")
}

/// Files of the corpus with an ending.
fn corpus_files(ending: &str) -> Vec<PathBuf> {
    let files = std::fs::read_dir(corpus()).unwrap().map(|f| f.unwrap().path());
    let mut files: Vec<PathBuf> = files
        .filter(|p| p.extension().is_some_and(|e| e == ending))
        .collect();
    files.sort();
    assert!(!files.is_empty());
    files
}

/// Runs the program within a bound on its memory and two minutes.
fn run_within(kilobytes: u64, args: &[&str]) -> Output {
    let shell = format!("ulimit -v {kilobytes} && exec timeout 120 \"$0\" \"$@\"");
    let program = env!("CARGO_BIN_EXE_tautpoint");
    Command::new("sh")
        .args(["-c", &shell, program])
        .args(args)
        .output()
        .unwrap()
}

/// What it said, after seeing that it ended as a program should: an exit code of its own, and no words of a panic.
#[track_caller]
fn answered(output: &Output) -> String {
    let said = format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(
        matches!(output.status.code(), Some(0..=2)),
        "{:?}: {said}",
        output.status
    );
    for word in [
        "panicked",
        "RUST_BACKTRACE",
        ".cargo",
        "unwrap",
        "memory allocation",
    ] {
        assert!(!said.contains(word), "{word}: {said}");
    }
    said
}

/// A press of three springs at 200 Hz, displacement by `mm` from the second and the pressed one.
fn press(rows: usize, mut row: impl FnMut(f64, f64, f64) -> String) -> String {
    (0..rows)
        .map(|i| {
            let t = i as f64 * 0.005;
            let on = ((t - 0.5) / 0.6).clamp(0.0, 1.0) * ((4.6 - t) / 0.4).clamp(0.0, 1.0);
            let spring = if (1.6..4.0).contains(&t) {
                0.5 - 0.5 * ((t - 1.6) / 0.8 * std::f64::consts::TAU).cos()
            } else {
                0.0
            };
            let x = on * (5.0 + 4.0 * spring);
            let f = (0.8 * x + 3.0 * (x - 4.0).max(0.0)).max(0.0);
            row(t, f, x)
        })
        .collect()
}

fn write_press(path: &Path) {
    let rows = press(1100, |t, f, x| format!("{t:.3},{f:.2},{x:.3}\n"));
    std::fs::write(path, format!("time_s,force_n,displacement_mm\n{rows}")).unwrap();
}
