//! Kills at any moment, a disk that fills, files that cannot be read, two runs into one folder.

use super::{analyze, assert_same, code, contents, err, names, program, recordings, run, study, text};
use std::path::Path;
use std::time::Duration;
use tautpoint::simulate::Rng;

#[test]
fn killed_twenty_times_at_random_moments_the_results_are_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 4, 3);
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &[]);
    let out = dir.path().join("results");
    let mut rng = Rng::new(20);
    let (mut kills, mut ends) = (0, 0);
    while kills < 20 {
        let mut child = program()
            .args(["--quiet", "analyze", text(&study), "--out", text(&out)])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        // Skewed to short waits, so that kills fall into every part of the work.
        let wait = 300.0 * rng.uniform().powi(2);
        std::thread::sleep(Duration::from_micros((1000.0 * wait) as u64));
        if child.try_wait().unwrap().is_some() {
            // It ended first: what it made must be whole, and the next one begins anew.
            ends += 1;
            assert_same(&whole, &out);
            std::fs::remove_dir_all(&out).unwrap();
            continue;
        }
        child.kill().unwrap();
        child.wait().unwrap();
        kills += 1;
        assert!(!out.exists() || contents(&out) == contents(&whole));
        assert!(ends < 200, "it always ends before it can be killed");
    }
    analyze(&study, &out, &[]);
    assert_same(&whole, &out);
    assert_eq!(names(dir.path()), ["results", "study", "whole"]);
}

/// Runs with files of at most `blocks` × 512 bytes (or 1,024, as the shell counts): a write beyond fails as on a full disk.
#[cfg(unix)]
fn with_small_files(blocks: u32, args: &[&str]) -> std::process::Output {
    std::process::Command::new("sh")
        .arg("-c")
        .arg(format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\""))
        .arg(env!("CARGO_BIN_EXE_tautpoint"))
        .args(args)
        .output()
        .unwrap()
}

#[cfg(unix)]
#[test]
fn a_disk_that_fills_stops_the_run_with_words_and_what_was_done_counts_later() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 3, 3);
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &[]);
    let out = dir.path().join("results");
    let args = ["analyze", text(&study), "--out", text(&out), "--jobs", "2"];
    let full = with_small_files(200, &args);
    assert_eq!(code(&full), 2, "{}", err(&full));
    assert!(
        err(&full).contains("free some space and run the same command again"),
        "{}",
        err(&full)
    );
    assert!(!out.exists());
    assert_eq!(
        names(dir.path()),
        [".results.tautpoint-records", "study", "whole"]
    );
    let again = run(&args);
    assert!(err(&again).contains("taken up: "), "{}", err(&again));
    assert_same(&whole, &out);
    // Earlier results stand when a later run fills the disk.
    let before = contents(&out);
    let full = with_small_files(200, &args);
    assert_eq!(code(&full), 2);
    assert_eq!(contents(&out), before);
}

#[test]
fn the_second_of_two_runs_into_one_folder_refuses_and_the_first_ends_well() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 4, 3);
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &[]);
    let out = dir.path().join("results");
    let mut first = program()
        .args([
            "--quiet",
            "analyze",
            text(&study),
            "--out",
            text(&out),
            "--jobs",
            "1",
        ])
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let records = dir.path().join(".results.tautpoint-records");
    while std::fs::metadata(&records).map_or(0, |m| m.len()) == 0 {
        std::thread::sleep(Duration::from_millis(1));
    }
    for more in [&[][..], &["--fresh"], &["--shard", "1/2"]] {
        let mut args = vec!["analyze", text(&study), "--out", text(&out)];
        args.extend_from_slice(more);
        let second = run(&args);
        assert_eq!(code(&second), 2);
        assert!(
            err(&second).contains("another run is writing to"),
            "{}",
            err(&second)
        );
    }
    assert!(first.wait().unwrap().code().is_some());
    assert_same(&whole, &out);
}

#[test]
fn a_folder_that_holds_something_else_is_refused_before_the_work_and_nothing_is_left() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 1);
    let out = dir.path().join("results");
    std::fs::create_dir(&out).unwrap();
    std::fs::write(out.join("letter.txt"), "mine").unwrap();
    for more in [&[][..], &["--shard", "1/2"]] {
        let mut args = vec!["analyze", text(&study), "--out", text(&out)];
        args.extend_from_slice(more);
        assert_eq!(code(&run(&args)), 2);
        assert_eq!(names(dir.path()), ["results", "study"]);
    }
}

#[test]
fn files_that_cannot_be_read_or_change_between_runs_cost_only_themselves() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 2, 2);
    let gone = recordings(&study)[3].clone();
    let name = gone.file_name().unwrap().to_string_lossy().into_owned();
    let bytes = std::fs::read(&gone).unwrap();
    let out = dir.path().join("results");
    // A link to nowhere is listed by nobody; a folder of that name is no recording; a text that is none is one.
    std::fs::write(&gone, b"\xFF\xFEh\0e\0l\0l\0o\0").unwrap();
    let done = analyze(&study, &out, &[]);
    assert_eq!(code(&done), 1);
    assert!(err(&done).contains(&name), "{}", err(&done));
    let tests = |dir: &Path| String::from_utf8(std::fs::read(dir.join("tests.csv")).unwrap()).unwrap();
    assert!(!tests(&out).contains(&name));
    std::fs::write(&gone, bytes).unwrap();
    analyze(&study, &out, &[]);
    assert!(tests(&out).contains(&name));
    let fresh = dir.path().join("fresh");
    analyze(&study, &fresh, &["--fresh"]);
    assert_same(&fresh, &out);
}
