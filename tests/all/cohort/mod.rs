//! Many recordings: runs cut short and taken up, parts on many machines, what a fault in the middle leaves.

mod canary;
mod convert;
mod curves;
mod dataset;
mod faults;
mod merge;
mod page;
mod resume;
mod shards;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

pub fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_tautpoint"))
}

pub fn run(args: &[&str]) -> Output {
    program().args(args).output().unwrap()
}

pub fn code(output: &Output) -> i32 {
    output.status.code().unwrap_or(-1)
}

pub fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

pub fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Everything in a folder by its relative name.
pub fn contents(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![dir.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(dir).unwrap().to_owned();
                found.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    found
}

/// The same files with the same bytes; says which differ, not how.
pub fn assert_same(a: &Path, b: &Path) {
    let (a, b) = (contents(a), contents(b));
    let names = |c: &BTreeMap<PathBuf, Vec<u8>>| c.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&a), names(&b));
    let differ: Vec<_> = a
        .iter()
        .filter(|(name, bytes)| b[*name] != **bytes)
        .map(|f| f.0)
        .collect();
    assert!(differ.is_empty(), "{differ:?}");
}

pub fn names(dir: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(dir).unwrap();
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// An invented study of `subjects` × 2 levels × 2 sides × `trials`, with calls, a plan and sums, and three recordings that
/// something is wrong with.
pub fn study(dir: &Path, subjects: u32, trials: u32) -> PathBuf {
    let study = dir.join("study");
    let (subjects, trials) = (subjects.to_string(), trials.to_string());
    let made = run(&[
        "--quiet",
        "simulate",
        "study",
        "--out",
        text(&study),
        "--seed",
        "7",
        "--subjects",
        &subjects,
        "--trials",
        &trials,
        "--levels",
        "L5,L4",
        "--rate-hz",
        "200",
        "--asymmetry",
        "L4=40",
    ]);
    assert_eq!(code(&made), 0, "{}", err(&made));
    let recordings = study.join("recordings");
    std::fs::write(recordings.join("broken.csv"), "time_s,force_n\n0,1\n1,abc\n").unwrap();
    std::fs::write(recordings.join("cut.csv"), "").unwrap();
    std::fs::write(recordings.join("cut.toml"), "excluded = \"the phone rang\"\n").unwrap();
    let first = names(&recordings)
        .into_iter()
        .find(|n| n.ends_with(".csv"))
        .unwrap();
    let sums = format!("{}  {first}\n", "0".repeat(64));
    std::fs::write(recordings.join("SHA256SUMS"), sums).unwrap();
    study
}

/// The recordings of a study, sorted.
pub fn recordings(study: &Path) -> Vec<PathBuf> {
    let folder = study.join("recordings");
    let csv = names(&folder).into_iter().filter(|n| n.ends_with(".csv"));
    csv.map(|n| folder.join(n)).collect()
}

/// Analyses into a folder; done, or done in part.
pub fn analyze(study: &Path, out: &Path, more: &[&str]) -> Output {
    let mut args = vec!["--quiet", "analyze", text(study), "--out", text(out)];
    args.extend_from_slice(more);
    let output = run(&args);
    assert!(matches!(code(&output), 0 | 1), "{}", err(&output));
    output
}
