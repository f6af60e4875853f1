//! Settings registered beforehand.

use super::{TOP, analysed, code, err, json, out, run, small, text};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// What is done to a printed block before it is pasted.
type Change = fn(&str) -> String;

fn hash_of(block: &str) -> &str {
    block.split('"').nth(3).unwrap()
}

/// The study with the block that `prepare --register` prints pasted at its end.
fn registered(dir: &Path, change: impl Fn(&str) -> String) -> PathBuf {
    let study = small(dir, TOP);
    let path = study.join("study.toml");
    let before = std::fs::read_to_string(&path).unwrap();
    let output = run(&["prepare", text(&study), "--register", "--date", "2026-09-01"]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    assert_eq!(
        std::fs::read_to_string(&path).unwrap(),
        before,
        "study.toml was written"
    );
    std::fs::write(&path, format!("{before}\n{}", change(&out(&output)))).unwrap();
    study
}

#[test]
fn settings_are_as_registered_or_each_departure_is_listed() {
    let dir = tempfile::tempdir().unwrap();
    let study = registered(dir.path(), str::to_owned);
    let checked = run(&["check", text(&study)]);
    assert_eq!(code(&checked), 0, "{}", out(&checked));
    let (output, found) = analysed(&study);
    assert_eq!(code(&output), 0, "{}", err(&output));
    assert!(
        out(&output).starts_with("Settings: as registered (2026-09-01)."),
        "{}",
        out(&output)
    );
    let page = String::from_utf8_lossy(&found[Path::new("report.html")]).into_owned();
    assert_eq!(
        page.matches("as registered (2026-09-01)").count(),
        2,
        "at the top and in the methods"
    );
    let record: Value = serde_json::from_slice(&found[Path::new("run.json")]).unwrap();
    assert_eq!(record["registered"]["standing"], "as registered");
    let departed = ["analyze", text(&study), "--low-pass", "15", "--threshold", "12"];
    let summary = out(&run(&departed));
    assert!(
        summary.starts_with("Settings depart from those registered (2026-09-01):"),
        "{summary}"
    );
    assert!(
        summary.contains("filter.low_pass_hz: registered 20.0, now 15.0"),
        "{summary}"
    );
    assert!(
        summary.contains("compare.threshold_percent: registered 15.0, now 12.0"),
        "{summary}"
    );
    let found = json(&[&departed[..], &["--json"]].concat());
    let departures = &found["registered"]["departures"];
    assert_eq!(departures.as_array().unwrap().len(), 2);
    assert_eq!(departures[1]["key"], "filter.low_pass_hz");
    assert_eq!(
        (&departures[1]["registered"], &departures[1]["now"]),
        (&"20.0".into(), &"15.0".into())
    );
}

#[test]
fn a_registration_that_was_tampered_with_is_told_and_never_called_as_registered() {
    let cases: [(&str, Change, i32); 4] = [
        (
            "do not give the registered hash",
            |b| b.replace(hash_of(b), &"0".repeat(64)),
            0,
        ),
        ("registered.settings_sha256", |b| b.replace(hash_of(b), "abc"), 1),
        ("registered.date", |b| b.replace("2026-09-01", "some day"), 1),
        (
            "unknown key",
            |b| b.replace("[registered]\n", "[registered]\nwitness = \"L-09\"\n"),
            0,
        ),
    ];
    for (told, change, expected) in cases {
        let dir = tempfile::tempdir().unwrap();
        let study = registered(dir.path(), change);
        let output = run(&["analyze", text(&study), "--json"]);
        let found: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert!(
            found["problems"].to_string().contains(told),
            "{told}: {}",
            found["problems"]
        );
        assert_eq!(code(&output), expected, "{told}");
        let standing = &found["registered"]["standing"];
        assert_eq!(
            standing == "as registered",
            told == "unknown key",
            "{told}: {standing}"
        );
        let checked = run(&["check", text(&study)]);
        assert!(
            code(&checked) == 1 && out(&checked).contains(told),
            "{}",
            out(&checked)
        );
    }
}

#[test]
fn registering_twice_is_said_and_needs_a_study() {
    let dir = tempfile::tempdir().unwrap();
    let study = registered(dir.path(), str::to_owned);
    let again = run(&["prepare", text(&study), "--register"]);
    assert!(
        code(&again) == 0 && err(&again).contains("holds a registration of 2026-09-01"),
        "{}",
        err(&again)
    );
    assert_eq!(code(&run(&["prepare", text(dir.path()), "--register"])), 2);
    assert_eq!(
        code(&run(&["prepare", text(&study), "--register", "--date", "soon"])),
        2
    );
    assert_eq!(code(&run(&["prepare", text(&study), "--date", "2026-09-01"])), 2);
}

#[test]
fn what_instrument_toml_gives_is_registered_with_the_rest() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), TOP);
    let instrument = "format = 1\nforce_delay_ms = 2.5\nforce_delay_u_ms = 0.1\nloop_ratio = 0.01\n\
                      loop_ratio_u = 0.001\nloop_mj = 0.5\nsprings = 5\n";
    std::fs::write(study.join("instrument.toml"), instrument).unwrap();
    let block = out(&run(&[
        "prepare",
        text(&study),
        "--register",
        "--date",
        "2026-09-01",
    ]));
    assert!(
        block.contains("\"instrument.force_delay_ms\" = \"2.5\""),
        "{block}"
    );
    let path = study.join("study.toml");
    let before = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, format!("blind = true\n{before}\n{block}")).unwrap();
    assert_eq!(code(&run(&["open", text(&study)])), 0);
    let found = json(&["analyze", text(&study), "--json"]);
    assert_eq!(
        found["registered"]["standing"], "as registered",
        "{}",
        found["registered"]
    );
    assert_eq!(
        found["problems"].as_array().unwrap().len(),
        0,
        "{}",
        found["problems"]
    );
    std::fs::remove_file(study.join("instrument.toml")).unwrap();
    let found = json(&["analyze", text(&study), "--json"]);
    assert_eq!(
        found["registered"]["departures"][0]["key"],
        "instrument.force_delay_ms"
    );
    assert!(
        found["problems"]
            .to_string()
            .contains("after the study was opened"),
        "{}",
        found["problems"]
    );
}
