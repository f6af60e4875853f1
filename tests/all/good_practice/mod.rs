//! Good practice: registered settings, blind studies, kept hashes of recordings, shuffled plans.
//!
//! What is claimed here is the program's own promise, so the checks are logical: two studies that are each other's mirror
//! image must give the same bytes while blind, and different ones once opened. Hashes are checked against the published
//! example of FIPS 180-4 where the hash is computed (`write`), and against coreutils' `sha256sum` where it is installed.

use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

mod blind;
mod kept;
mod registered;

const TOP: &str = "title = \"A study\"\n";

fn run(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tautpoint"));
    command.args(args).output().unwrap()
}

fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn json(args: &[&str]) -> Value {
    let output = run(args);
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {}", err(&output)))
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Everything in a folder, by its name in it.
fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    fn collect(root: &Path, dir: &Path, found: &mut BTreeMap<PathBuf, Vec<u8>>) {
        for entry in std::fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                collect(root, &path, found);
            } else {
                let name = path.strip_prefix(root).unwrap().to_owned();
                found.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    let mut found = BTreeMap::new();
    collect(dir, dir, &mut found);
    found
}

/// A study of one level, two trials a side, both over a low ceiling; the sides have these end-feels in N/mm.
fn study(dir: &Path, name: &str, top: &str, left: &str, right: &str) -> PathBuf {
    let root = dir.join(name);
    std::fs::create_dir_all(root.join("recordings")).unwrap();
    std::fs::write(
        root.join("study.toml"),
        format!("{top}\n[ceiling_n]\nlumbar = 40.0\n"),
    )
    .unwrap();
    for (side, end_feel) in [("left", left), ("right", right)] {
        for trial in ["1", "2"] {
            let path = root.join(format!("recordings/L3_{side}_{trial}.csv"));
            let output = run(&[
                "--quiet",
                "simulate",
                "trace",
                "--out",
                text(&path),
                "--seed",
                trial,
                "--springs",
                "3",
                "--level",
                "L3",
                "--side",
                side,
                "--end-feel-n-per-mm",
                end_feel,
                "--take-up-n-per-mm",
                "1.5",
                "--onset-mm",
                "8",
                "--rate-hz",
                "200",
            ]);
            assert_eq!(code(&output), 0, "{}", err(&output));
            let sidecar = format!(
                "subject = \"V-01\"\nexaminer = \"L-01\"\nsession = \"s1\"\nlevel = \"L3\"\nside = \"{side}\"\n\
                 trial = {trial}\n"
            );
            std::fs::write(path.with_extension("toml"), sidecar).unwrap();
        }
    }
    let calls = "subject,examiner,session,level,trial,call,confidence\nV-01,L-01,s1,L3,1,right,4\n";
    std::fs::write(root.join("calls.csv"), calls).unwrap();
    root
}

fn small(dir: &Path, top: &str) -> PathBuf {
    study(dir, "study", top, "9", "14")
}

fn analysed(study: &Path) -> (Output, BTreeMap<PathBuf, Vec<u8>>) {
    let results = study.join("results");
    let output = run(&["analyze", text(study), "--out", text(&results)]);
    let found = if results.is_dir() {
        files(&results)
    } else {
        BTreeMap::new()
    };
    (output, found)
}
