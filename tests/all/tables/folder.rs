//! The output folder: refusal, replacement, a kill at any moment.

use super::hostile_results;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use tautpoint::results::{Results, run};
use tautpoint::write::OutputFolder;

fn write_results(dir: &Path, results: &Results) -> tautpoint::error::Result<()> {
    let mut folder = OutputFolder::begin(dir, &[])?;
    results.write_tables(&mut folder)?;
    folder.write("figures/one.svg", b"<svg/>")?;
    folder.finish(run::record(results))
}

fn contents(dir: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    let mut open = vec![dir.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                found.push((
                    path.strip_prefix(dir).unwrap().to_owned(),
                    fs::read(&path).unwrap(),
                ));
            }
        }
    }
    found.sort();
    found
}

/// Names in a folder, those beginning with a point included.
fn listing(dir: &Path) -> Vec<String> {
    let entries = fs::read_dir(dir).unwrap();
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn a_second_run_replaces_the_first_one_whole() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("new/results");
    write_results(&dir, &hostile_results()).unwrap();
    let first = contents(&dir);
    let run: Value = serde_json::from_slice(&fs::read(dir.join("run.json")).unwrap()).unwrap();
    let listed: Vec<&str> = run["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["file"].as_str().unwrap())
        .collect();
    let there: Vec<&str> = first
        .iter()
        .map(|f| f.0.to_str().unwrap())
        .filter(|f| *f != "run.json")
        .collect();
    assert_eq!(listed, there);
    for wanted in [
        "springs.csv",
        "tests.parquet",
        "exclusions.csv",
        "codebook.csv",
        "figures/one.svg",
    ] {
        assert!(listed.contains(&wanted), "{wanted}");
    }
    write_results(&dir, &hostile_results()).unwrap();
    assert_eq!(contents(&dir), first, "same input, same bytes");
    let mut folder = OutputFolder::begin(&dir, &[]).unwrap();
    folder.write("tests.csv", b"other").unwrap();
    folder.finish(run::record(&Results::default())).unwrap();
    assert_eq!(listing(&dir), ["run.json", "tests.csv"]);
    assert_eq!(listing(dir.parent().unwrap()), ["results"]);
}

#[test]
fn a_folder_with_anything_else_in_it_is_refused_and_left_alone() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_results(&dir, &Results::default()).unwrap();
    for name in ["thesis.docx", "b.txt", "a.txt", "figures/mine.svg"] {
        fs::write(dir.join(name), "mine").unwrap();
    }
    fs::write(dir.join("tests.csv"), "edited by hand").unwrap();
    let before = contents(&dir);
    let message = write_results(&dir, &Results::default()).unwrap_err().to_string();
    assert_eq!(contents(&dir), before);
    assert_eq!(listing(place.path()), ["results"]);
    for wanted in ["a.txt, b.txt, figures/mine.svg and 2 more", "move that elsewhere"] {
        assert!(message.contains(wanted), "{message}");
    }
    for name in ["thesis.docx", "b.txt", "a.txt", "figures/mine.svg"] {
        fs::remove_file(dir.join(name)).unwrap();
    }
    let message = write_results(&dir, &Results::default()).unwrap_err().to_string();
    assert!(message.contains("tests.csv (changed since)"), "{message}");
}

#[test]
fn a_run_record_of_another_program_makes_no_folder_ours() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    fs::create_dir(&dir).unwrap();
    write_results(&dir, &Results::default()).expect("an empty folder may be used");
    let record = fs::read_to_string(dir.join("run.json")).unwrap();
    fs::write(dir.join("run.json"), record.replace("\"tautpoint\"", "\"other\"")).unwrap();
    let message = write_results(&dir, &Results::default()).unwrap_err().to_string();
    assert!(message.contains("holds what no earlier run wrote"), "{message}");
}

#[test]
fn something_added_while_a_run_is_at_work_is_not_lost() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_results(&dir, &Results::default()).unwrap();
    let folder = OutputFolder::begin(&dir, &[]).unwrap();
    fs::write(dir.join("late.txt"), "mine").unwrap();
    let message = folder
        .finish(run::record(&Results::default()))
        .unwrap_err()
        .to_string();
    assert!(message.contains("late.txt"), "{message}");
    assert!(dir.join("tests.csv").is_file());
    assert_eq!(listing(place.path()), ["results"]);
}

#[test]
fn recordings_are_never_written_to() {
    let place = tempfile::tempdir().unwrap();
    let study = place.path().join("study");
    let recordings = study.join("recordings");
    fs::create_dir_all(&recordings).unwrap();
    fs::write(study.join("study.toml"), "title = \"x\"").unwrap();
    fs::write(recordings.join("a.csv"), "time_s,force_n").unwrap();
    let plain = place.path().join("plain");
    fs::create_dir(&plain).unwrap();
    fs::write(plain.join("a.csv"), "time_s,force_n").unwrap();
    let before = contents(place.path());
    let begin = |dir: &Path, input: &Path| OutputFolder::begin(dir, &[input.to_owned()]).map(|_| ());
    for (dir, input) in [
        (&recordings, &recordings),
        (&recordings.join("results"), &study),
        (&recordings.join("results"), &plain),
        (&recordings.join("deep/results"), &recordings.join("a.csv")),
        (&study.join("calibrations/x"), &study),
        (&study, &study),
        (&place.path().to_owned(), &study),
        (&plain, &plain),
        (&plain.join("results"), &plain),
        (&study.join("results/../recordings/x"), &study),
    ] {
        let error = begin(dir, input).expect_err(&dir.display().to_string());
        assert!(
            matches!(error, tautpoint::error::Error::Refused { .. }),
            "{error}"
        );
    }
    assert_eq!(contents(place.path()), before);
    begin(&study.join("results"), &study).unwrap();
    begin(&study.join("results-second"), &study).unwrap();
    begin(&place.path().join("results"), &plain).unwrap();
    // A single recording of a folder is not the folder.
    begin(&plain.join("results"), &plain.join("a.csv")).unwrap();
}

#[test]
fn paths_inside_a_folder_stay_inside_it_and_are_written_once() {
    let place = tempfile::tempdir().unwrap();
    let mut folder = OutputFolder::begin(&place.path().join("results"), &[]).unwrap();
    folder.write("a/b.csv", b"1").unwrap();
    for bad in [
        "../x",
        "/etc/x",
        "a//b",
        "",
        "./x",
        "a/../../x",
        "run.json",
        "a/b.csv",
        "a\\b",
    ] {
        assert!(folder.write(bad, b"x").is_err(), "{bad}");
    }
    assert_eq!(folder.files().collect::<Vec<_>>(), ["a/b.csv"]);
}

#[test]
fn two_runs_into_one_folder_at_once_are_refused() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    let first = OutputFolder::begin(&dir, &[]).unwrap();
    let message = write_results(&dir, &Results::default()).unwrap_err().to_string();
    assert!(message.contains("another run is writing"), "{message}");
    drop(first);
    write_results(&dir, &Results::default()).unwrap();
    assert_eq!(listing(place.path()), ["results"]);
}

const KILLED_IN: &str = "TAUTPOINT_TEST_KILLED_IN";

/// This very program again, running only the named test of this file, told to write results into `dir` and die.
fn again(name: &str, dir: &Path) -> std::process::Command {
    let mut command = std::process::Command::new(std::env::current_exe().unwrap());
    command
        .args(["--exact", &format!("tables::folder::{name}")])
        .env(KILLED_IN, dir)
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null());
    command
}

/// A run that dies in the middle of writing results into `dir`.
fn kill_a_run(dir: &Path) {
    let name = "a_killed_run_leaves_whole_results_and_the_next_one_clears_up";
    assert!(!again(name, dir).status().unwrap().success());
}

/// Writes results of many files, each saying `generation`.
fn write_generation(dir: &Path, generation: u32) {
    let mut folder = OutputFolder::begin(dir, &[]).unwrap();
    for i in 0..12 {
        folder
            .write(&format!("figures/{i}.svg"), generation.to_string().as_bytes())
            .unwrap();
    }
    folder.finish(serde_json::Map::new()).unwrap();
}

#[test]
fn runs_killed_at_any_moment_leave_results_of_one_generation() {
    if let Some(dir) = std::env::var_os(KILLED_IN) {
        for generation in 1.. {
            write_generation(Path::new(&dir), generation);
        }
    }
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_generation(&dir, 0);
    let mut latest = 0;
    for round in 0..12u64 {
        let name = "runs_killed_at_any_moment_leave_results_of_one_generation";
        let mut run = again(name, &dir).spawn().unwrap();
        // The first round waits for a run that is surely at work; the others meet it at any moment.
        while round == 0 && fs::read(dir.join("figures/0.svg")).is_ok_and(|text| text == b"0") {
            std::thread::yield_now();
        }
        std::thread::sleep(std::time::Duration::from_micros(15_000 + 1_700 * round));
        run.kill().unwrap();
        run.wait().unwrap();
        drop(OutputFolder::begin(&dir, &[]).unwrap());
        let figures = contents(&dir.join("figures"));
        assert_eq!(figures.len(), 12);
        assert!(figures.iter().all(|f| f.1 == figures[0].1));
        let generation = std::str::from_utf8(&figures[0].1).unwrap();
        latest = latest.max(generation.parse::<u32>().unwrap());
        let left: Vec<_> = listing(place.path())
            .into_iter()
            .filter(|n| n != "results")
            .collect();
        // A run killed before it had marked its folder leaves an empty one, or one with an empty marker.
        for name in left {
            assert_eq!(
                contents(&place.path().join(&name))
                    .iter()
                    .map(|f| f.1.len())
                    .sum::<usize>(),
                0
            );
            fs::remove_dir_all(place.path().join(name)).unwrap();
        }
    }
    assert!(latest > 0, "no killed run ever finished a generation");
}

#[test]
fn a_killed_run_leaves_whole_results_and_the_next_one_clears_up() {
    if let Some(dir) = std::env::var_os(KILLED_IN) {
        let mut folder = OutputFolder::begin(Path::new(&dir), &[]).unwrap();
        folder.write("tests.csv", b"half").unwrap();
        std::process::abort();
    }
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_results(&dir, &hostile_results()).unwrap();
    let first = contents(&dir);

    // Killed while building: the old results are untouched, the leftover goes with the next run.
    kill_a_run(&dir);
    assert_eq!(contents(&dir), first);
    assert_eq!(listing(place.path()).len(), 2);
    write_results(&dir, &hostile_results()).unwrap();
    assert_eq!(listing(place.path()), ["results"]);

    // Killed between the two renames: the next run puts the old results back before it begins, even if it fails then.
    kill_a_run(&dir);
    let leftover = place.path().join(&listing(place.path())[0]);
    fs::rename(&dir, leftover.join("old")).unwrap();
    drop(OutputFolder::begin(&dir, &[]).unwrap());
    assert_eq!(contents(&dir), first);
    assert_eq!(listing(place.path()), ["results"]);

    // What only looks like a leftover is left alone.
    let other = place.path().join(".results.tautpoint-notes");
    fs::create_dir(&other).unwrap();
    fs::write(other.join("mine.txt"), "mine").unwrap();
    write_results(&dir, &hostile_results()).unwrap();
    assert!(other.join("mine.txt").is_file());
}

#[cfg(unix)]
#[test]
fn results_may_be_read_by_everybody() {
    use std::os::unix::fs::PermissionsExt;
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_results(&dir, &Results::default()).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&dir), 0o755);
    assert_eq!(mode(&dir.join("figures")), 0o755);
    assert_eq!(mode(&dir.join("figures/one.svg")), 0o644);
    assert_eq!(mode(&dir.join("run.json")), 0o644);
}
