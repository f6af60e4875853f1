//! A pipe, a socket, a device or a file far too large in place of each file of a study: named, without waiting for it and
//! without taking memory for it.

use super::{SMALL_KB, run_within};
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use tautpoint::agreement::ratings;

/// Files of a study, each with the command that reads it; `@` is the study, `%` the file.
const FILES: [(&str, &[&str]); 15] = [
    ("recordings/press.csv", &["analyze", "@"]),
    ("recordings/press.toml", &["analyze", "@"]),
    ("study.toml", &["analyze", "@"]),
    ("calls.csv", &["analyze", "@"]),
    ("corrections.toml", &["analyze", "@"]),
    ("roster.csv", &["check", "@"]),
    ("plans/own.toml", &["check", "@"]),
    ("opened.toml", &["analyze", "@"]),
    ("instrument.toml", &["analyze", "@"]),
    ("calibrations/cell.toml", &["check", "@"]),
    ("recordings/SHA256SUMS", &["check", "@"]),
    (
        "readings.csv",
        &["calibrate", "%", "--name", "cell", "--out", "@/cell.toml"],
    ),
    ("ratings.csv", &["agree", "--ratings", "%"]),
    ("given.toml", &["analyze", "@", "--plan", "%"]),
    (
        "draws.toml",
        &[
            "debrief",
            "@",
            "--draw",
            "prone-thumbs",
            "--examiner",
            "L-11",
            "--session",
            "s",
        ],
    ),
];

fn study(dir: &Path) -> PathBuf {
    let root = dir.join("study");
    for folder in ["recordings", "plans", "calibrations"] {
        std::fs::create_dir_all(root.join(folder)).unwrap();
    }
    std::fs::write(root.join("study.toml"), "title = \"T\"\n").unwrap();
    let mut press = "time_s,force_n\n".to_owned();
    for i in 0..3000 {
        press.push_str(&format!("{:.3},{}\n", f64::from(i) / 1000.0, i % 7));
    }
    std::fs::write(root.join("recordings/press.csv"), press).unwrap();
    root
}

fn put(kind: &str, at: &Path) {
    let _ = std::fs::remove_file(at);
    match kind {
        "pipe" => assert!(Command::new("mkfifo").arg(at).status().unwrap().success()),
        "socket" => drop(UnixListener::bind(at).unwrap()),
        "device" => symlink("/dev/zero", at).unwrap(),
        // Nothing of it is on the disk; its size is all that counts.
        "large" => std::fs::File::create(at).unwrap().set_len(5 << 30).unwrap(),
        _ => unreachable!(),
    }
}

fn said(output: &Output) -> String {
    let text = [&output.stdout[..], &output.stderr].concat();
    String::from_utf8_lossy(&text).into_owned()
}

#[test]
fn what_is_no_ordinary_file_is_named_wherever_it_stands() {
    for (name, command) in FILES {
        for kind in ["pipe", "socket", "device", "large"] {
            let dir = tempfile::tempdir().unwrap();
            let root = study(dir.path());
            let at = root.join(name);
            put(kind, &at);
            let fill = |arg: &&str| {
                arg.replace('@', root.to_str().unwrap())
                    .replace('%', at.to_str().unwrap())
            };
            let args: Vec<String> = command.iter().map(fill).collect();
            let args: Vec<&str> = args.iter().map(String::as_str).collect();
            let output = run_within(SMALL_KB, &args);
            let said = said(&output);
            let why = match kind {
                "large" => "MB, and ",
                _ => "no ordinary file",
            };
            let file = name.rsplit('/').next().unwrap();
            assert!(
                matches!(output.status.code(), Some(1 | 2)) || name.ends_with("SHA256SUMS"),
                "{kind} as {name}: {:?}, {said}",
                output.status
            );
            assert!(
                said.contains(why) && said.contains(file),
                "{kind} as {name}: {said}"
            );
        }
    }
}

#[test]
fn a_large_sidecar_is_refused_before_it_takes_memory() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let sidecar = root.join("recordings/press.toml");
    std::fs::write(&sidecar, "a = [1]\n".repeat(5_000_000)).unwrap();
    let output = run_within(SMALL_KB, &["analyze", root.to_str().unwrap()]);
    let said = said(&output);
    assert!(said.contains("39 MB, and a TOML file has at most 1 MB"), "{said}");
    // As many tables as fit below the bound: seconds, where each line was counted anew for each of them.
    let tables: String = (0..115_000).map(|i| format!("[t{i}]\n")).collect();
    assert!((900_000..1 << 20).contains(&tables.len()), "{}", tables.len());
    std::fs::write(&sidecar, tables).unwrap();
    let begun = std::time::Instant::now();
    let output = run_within(SMALL_KB, &["check", root.to_str().unwrap()]);
    assert!(
        begun.elapsed().as_secs() < 60 || std::env::var_os("TAUTPOINT_HOLD_TIMES").is_none(),
        "{:?}: {:?}",
        output.status,
        begun.elapsed()
    );
}

#[test]
fn more_raters_than_any_study_has_are_refused() {
    let mut text = "subject,rater,value\n".to_owned();
    for i in 0..20_000 {
        text.push_str(&format!("V-{i},R-{i},1\n"));
    }
    let problems = ratings::parse("r.csv", &text).unwrap_err();
    let last = problems.last().unwrap().to_string();
    assert!(
        last.contains("20000 subjects by 20000 raters; expected at most 500 raters"),
        "{last}"
    );
}

#[test]
fn a_line_without_end_on_standard_input_takes_no_memory() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let shell = format!(
        "ulimit -v {SMALL_KB}; head -c 400000000 /dev/zero | timeout 100 \"$0\" record \"$1\" --port sim --level L3 --seconds 2"
    );
    let output = Command::new("sh")
        .args([
            "-c",
            &shell,
            env!("CARGO_BIN_EXE_tautpoint"),
            root.to_str().unwrap(),
        ])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
}

#[test]
fn a_calibration_on_a_full_disk_leaves_certificate_and_page_or_neither() {
    let dir = tempfile::tempdir().unwrap();
    let readings = dir.path().join("readings.csv");
    let mut text = "applied_n,indicated\n".to_owned();
    for run in 0..3 {
        for n in 0..=10 {
            text.push_str(&format!("{},{}\n", 10 * n, 100 * n + (run * n) % 3));
        }
    }
    std::fs::write(&readings, text).unwrap();
    let out = dir.path().join("cell.toml");
    // A limit on the size of files stands for the disk: a write beyond it fails as on a full one.
    let calibrate = |limit: &str| {
        Command::new("sh")
            .args([
                "-c",
                &format!("trap '' XFSZ; {limit} exec \"$@\""),
                "sh",
                env!("CARGO_BIN_EXE_tautpoint"),
            ])
            .args([
                "calibrate",
                readings.to_str().unwrap(),
                "--name",
                "cell",
                "--out",
                out.to_str().unwrap(),
            ])
            .output()
            .unwrap()
    };
    let there = || {
        let mut names: Vec<String> = std::fs::read_dir(dir.path())
            .unwrap()
            .map(|f| f.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    };
    let full = calibrate("ulimit -f 8;");
    assert_eq!(full.status.code(), Some(2), "{}", said(&full));
    assert!(said(&full).contains("the disk is not full"), "{}", said(&full));
    assert_eq!(there(), ["readings.csv"]);
    let whole = calibrate("");
    assert_eq!(whole.status.code(), Some(0), "{}", said(&whole));
    assert_eq!(there(), ["cell.html", "cell.toml", "readings.csv"]);
    // A later one that fails leaves the earlier certificate as it was.
    let before = std::fs::read(&out).unwrap();
    std::fs::write(
        &readings,
        std::fs::read_to_string(&readings)
            .unwrap()
            .replace(",100", ",101"),
    )
    .unwrap();
    assert_eq!(calibrate("ulimit -f 8;").status.code(), Some(2));
    assert_eq!(std::fs::read(&out).unwrap(), before);
    assert_eq!(there(), ["cell.html", "cell.toml", "readings.csv"]);
}
