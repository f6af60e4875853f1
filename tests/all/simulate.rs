//! Simulated data: the same bytes for the same seed, and a truth that is true.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use tautpoint::simulate::*;
use tautpoint::terms::Side;
use tautpoint::write::write_new;

/// Every file under a folder, by its path within it.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(here) = open.pop() {
        for entry in std::fs::read_dir(here).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path
                    .strip_prefix(folder)
                    .unwrap()
                    .to_string_lossy()
                    .replace('\\', "/");
                found.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    found
}

fn program(args: &[&str], folder: &Path) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(args)
        .current_dir(folder)
        .output()
        .unwrap();
    (out.status.code().unwrap(), String::from_utf8(out.stderr).unwrap())
}

#[test]
fn the_sample_study_is_made_again_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("again");
    sample_study(SAMPLE_SEED).unwrap().write(&out).unwrap();
    let shipped = files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data"));
    let again = files(&out);
    assert_eq!(
        shipped.keys().collect::<Vec<_>>(),
        again.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &shipped {
        assert!(
            again[name] == *bytes,
            "{name} differs from the command in sample-data/README.md"
        );
    }
    let total: usize = shipped.values().map(Vec::len).sum();
    assert!(
        total < 1_500_000,
        "{total} bytes are too many to ship inside the program"
    );
}

#[test]
fn the_sample_study_holds_what_its_readme_says() {
    let study = sample_study(SAMPLE_SEED).unwrap();
    let truths: BTreeMap<_, _> = study
        .recordings
        .iter()
        .map(|p| {
            let a = &p.about;
            let key = (a.level.unwrap().word(), a.side.unwrap(), a.trial.unwrap());
            (key, p.simulate().truth)
        })
        .collect();
    let at = |level: &'static str, side, trial| &truths[&(level, side, trial)];
    let early = at("L2", Side::Left, 1);
    assert!(early.preload_mm < early.onset_mm && early.crossed());
    for (key, truth) in &truths {
        assert_eq!(truth.peak_n > 120.0, *key == ("L5", Side::Right, 2), "{key:?}");
    }
    assert!(!truths.keys().any(|(level, ..)| *level == "L1"));
    let log_mean = |level: &str, side| {
        let own = truths.iter().filter(|(k, _)| k.0 == level && k.1 == side);
        let logs: Vec<f64> = own.map(|(_, t)| t.end_feel_n_per_mm.unwrap().ln()).collect();
        logs.iter().sum::<f64>() / logs.len() as f64
    };
    let asymmetry = |level: &str| {
        let d = log_mean(level, Side::Right) - log_mean(level, Side::Left);
        200.0 * (d / 2.0).tanh()
    };
    assert!((30.0..50.0).contains(&asymmetry("L3")), "{}", asymmetry("L3"));
    assert!((8.0..22.0).contains(&asymmetry("L4")), "{}", asymmetry("L4"));
    for level in ["sacral_base", "L5", "L2", "T12"] {
        assert!(asymmetry(level).abs() < 7.0, "{level} {}", asymmetry(level));
    }
}

#[test]
fn the_same_seed_gives_the_same_study_and_another_seed_does_not() {
    let folder = tempfile::tempdir().unwrap();
    for (name, seed) in [("a", "4"), ("b", "4"), ("c", "5")] {
        let args = [
            "-q",
            "simulate",
            "study",
            "--levels",
            "L4,L3",
            "--trials",
            "2",
            "--rate-hz",
            "100",
        ];
        let args = [
            &args[..],
            &["--asymmetry", "L3=40", "--out", name, "--seed", seed],
        ]
        .concat();
        assert_eq!(program(&args, folder.path()), (0, String::new()));
    }
    let [a, b, c] = ["a", "b", "c"].map(|n| files(&folder.path().join(n)));
    assert_eq!(a.len(), 4 + 2 * 8);
    assert!(a == b);
    assert!(a != c);
}

#[test]
fn nothing_that_exists_is_replaced() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("mine.toml"), "mine").unwrap();
    std::fs::create_dir(folder.path().join("study")).unwrap();
    for args in [
        ["simulate", "trace", "--seed", "1", "--out", "mine.csv"],
        ["simulate", "study", "--seed", "1", "--out", "study"],
    ] {
        let (code, message) = program(&args, folder.path());
        assert_eq!(code, 2);
        assert!(
            message.contains("is there already") && message.contains("remove it first"),
            "{message}"
        );
    }
    assert_eq!(files(folder.path()).len(), 1);
    assert_eq!(std::fs::read(folder.path().join("mine.toml")).unwrap(), b"mine");
}

#[test]
fn mistakes_on_the_command_line_are_named_with_what_was_expected() {
    let folder = tempfile::tempdir().unwrap();
    for (args, words) in [
        (
            vec!["trace", "--out", "a.csv", "--condition", "wet"],
            ["wet", "expected one of clean"],
        ),
        (
            vec!["trace", "--out", "a.csv", "--rate-hz", "nan"],
            ["--rate-hz is NaN", "from 10 to 10000"],
        ),
        (vec!["trace", "--out", "a.toml"], ["a.toml", "another ending"]),
        (
            vec!["trace", "--out", "no/a.csv"],
            ["no folder no", "make it first"],
        ),
        (
            vec!["study", "--out", "s", "--seed", "1", "--levels", "L9"],
            ["L9", "possible values: C2, C3"],
        ),
        (
            vec!["study", "--out", "s", "--seed", "1", "--asymmetry", "L3:4"],
            ["LEVEL=PERCENT", "L3=40"],
        ),
        (
            vec!["study", "--out", "s", "--seed", "1", "--asymmetry", "L3=400"],
            ["400", "-150 to 150"],
        ),
        (
            vec!["study", "--out", "s", "--seed", "1", "--trials", "0"],
            ["trials is 0", "from 1 to 999"],
        ),
    ] {
        let (code, message) = program(&[&["simulate"], &args[..]].concat(), folder.path());
        assert_eq!(code, 2, "{args:?}");
        assert!(words.iter().all(|w| message.contains(w)), "{args:?}: {message}");
    }
    assert!(files(folder.path()).is_empty());
}

#[test]
fn a_trace_file_holds_the_trace_and_its_truth() {
    let folder = tempfile::tempdir().unwrap();
    let args = [
        "-q", "simulate", "trace", "--out", "a.csv", "--seed", "3", "--level", "L3", "--side", "left",
    ];
    assert_eq!(program(&args, folder.path()), (0, String::new()));
    let made = Condition::Clean.simulate(3);
    let text = std::fs::read_to_string(folder.path().join("a.csv")).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("time_s,force_n,displacement_mm"));
    let trace = &made.trace;
    let x = trace.channels[0].displacement_mm.as_ref().unwrap();
    let mut count = 0;
    for (i, line) in lines.enumerate() {
        let cells: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
        assert_eq!(
            cells,
            [trace.time_s[i], trace.channels[0].force_n[i], x[i]],
            "row {i}"
        );
        count += 1;
    }
    assert_eq!(count, trace.time_s.len());
    let sidecar = std::fs::read_to_string(folder.path().join("a.toml")).unwrap();
    let sidecar: toml::Table = sidecar.parse().unwrap();
    assert_eq!(sidecar["level"].as_str(), Some("L3"));
    let onset_mm = sidecar["truth"]["onset_mm"].as_float().unwrap();
    assert!((onset_mm - made.truth.onset_mm.unwrap()).abs() < 1e-6);
}

#[test]
#[cfg(unix)]
fn a_written_file_can_be_read_by_others() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.csv");
    write_new(&path, "text\n").unwrap();
    assert_eq!(
        std::fs::metadata(&path).unwrap().permissions().mode() & 0o777,
        0o644
    );
}
