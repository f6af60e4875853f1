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

/// Control characters of a file's name reach no table and no page, and a code that holds some is refused.
#[cfg(unix)]
#[test]
fn escape_codes_of_a_name_reach_no_output() {
    let dir = tempfile::tempdir().unwrap();
    let study = dir.path().join("study");
    std::fs::create_dir_all(study.join("recordings")).unwrap();
    std::fs::write(study.join("study.toml"), "title = \"names\"\n").unwrap();
    let made = tautpoint::simulate::simulate(&tautpoint::simulate::TraceSpec::default(), 3).trace;
    let x = made.channels[0].displacement_mm.as_ref().unwrap();
    let rows = made.time_s.iter().zip(&made.channels[0].force_n).zip(x);
    let rows: String = rows.map(|((t, f), x)| format!("{t},{f},{x}\n")).collect();
    let name = "press\u{1b}[31m\u{202e}1.csv";
    std::fs::write(
        study.join("recordings").join(name),
        format!("time_s,force_n,displacement_mm\n{rows}"),
    )
    .unwrap();
    let out = dir.path().join("out");
    let run = std::process::Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(["--quiet", "analyze"])
        .arg(&study)
        .arg("--out")
        .arg(&out)
        .output()
        .unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let mut folders = vec![out];
    let mut looked = 0;
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path
                .extension()
                .is_some_and(|e| ["csv", "html", "txt", "json", "svg"].iter().any(|x| e == *x))
            {
                let text = std::fs::read_to_string(&path).unwrap();
                let bad = text.contains(['\u{1b}', '\u{202e}']);
                assert!(!bad, "{}", path.display());
                looked += 1;
            }
        }
    }
    assert!(looked >= 5, "{looked}");
    let (_, problems) = tautpoint::study::sidecar::Sidecar::parse("a.toml", "subject = \"V\\u001b[2J\"\n");
    assert!(
        problems
            .iter()
            .any(|p| p.expected == "text without control characters"),
        "{problems:?}"
    );
}

/// `check` opens what `analyze` would, by the same door: a pipe is named, and nothing waits for its other end.
#[cfg(unix)]
#[test]
fn check_names_a_pipe_under_a_studys_own_names() {
    for name in ["agreement.toml", "instrument.toml"] {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("study.toml"), "title = \"pipes\"\n").unwrap();
        std::fs::create_dir(dir.path().join("recordings")).unwrap();
        std::fs::write(dir.path().join("recordings/a.csv"), "time_s,force_n\n0,1\n1,2\n").unwrap();
        let made = std::process::Command::new("mkfifo")
            .arg(dir.path().join(name))
            .status();
        if !made.is_ok_and(|s| s.success()) {
            return;
        }
        let run = std::process::Command::new(env!("CARGO_BIN_EXE_tautpoint"))
            .args(["--quiet", "check"])
            .arg(dir.path())
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stdout);
        assert!(
            said.contains(name) && said.contains("a pipe and no ordinary file"),
            "{said}"
        );
    }
}
