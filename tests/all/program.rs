//! The program as a user runs it: files in, report out, exit codes, nothing lost.

use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn run(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(args)
        .output()
        .unwrap()
}

fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn json(args: &[&str]) -> Value {
    let output = run(args);
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {}", err(&output)))
}

fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path));
        } else {
            found.insert(path.clone(), std::fs::read(&path).unwrap());
        }
    }
    found
}

fn simulate(dir: &Path, name: &str, more: &[&str]) -> PathBuf {
    let path = dir.join(name);
    let mut args = vec!["--quiet", "simulate", "trace", "--out", path.to_str().unwrap()];
    args.extend_from_slice(more);
    let output = run(&args);
    assert_eq!(code(&output), 0, "{}", err(&output));
    path
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn the_demo_finds_what_was_put_into_it_and_runs_twice_with_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let demo = dir.path().join("a folder with spaces");
    let first = run(&["demo", text(&demo)]);
    assert_eq!(code(&first), 0, "{}", err(&first));
    assert!(String::from_utf8_lossy(&first.stdout).contains("report.html in a browser"));
    let before = files(&demo);
    assert_eq!(code(&run(&["demo", text(&demo)])), 0);
    assert!(before == files(&demo), "a second run differs");

    let found = json(&["analyze", text(&demo), "--json"]);
    let word = |level: &str| {
        let rows = found["findings"].as_array().unwrap();
        let row = rows.iter().find(|f| {
            f["level"] == level && f["comparison"] == "left_right" && f["measure"] == "end_feel_n_per_mm"
        });
        row.unwrap_or_else(|| panic!("no finding at {level}"))["side_of_resistance"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    // What sample-data/README.md says was put in.
    assert_eq!(word("L3"), "right");
    assert_eq!(word("L4"), "undecided");
    assert_eq!(word("L5"), "even");
    let technique = found["technique"].as_array().unwrap();
    let remark = |finding: &str, level: &str| {
        technique
            .iter()
            .any(|r| r["finding"] == finding && r["level"] == level)
    };
    assert!(remark("sprung_before_slack_out", "L2"));
    assert!(remark("over_ceiling", "L5"));
    assert!(remark("level_missed", "L1"));
    assert_eq!(technique.len(), 4, "{technique:#?}");
}

#[test]
fn results_do_not_depend_on_the_order_of_paths_or_the_number_of_cores() {
    let dir = tempfile::tempdir().unwrap();
    let a = simulate(dir.path(), "a.csv", &["--level", "L3", "--side", "left"]);
    let b = simulate(
        dir.path(),
        "b.csv",
        &["--seed", "2", "--level", "L3", "--side", "right"],
    );
    let one = run(&["analyze", text(&a), text(&b), "--json", "--jobs", "1"]);
    let two = run(&["analyze", text(&b), text(&a), "--json", "--jobs", "2"]);
    assert_eq!(one.stdout, two.stdout);
    assert_eq!(code(&one), 0);
}

#[test]
fn one_bad_file_never_stops_the_batch() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "good.csv", &[]);
    std::fs::write(dir.path().join("empty.csv"), "").unwrap();
    std::fs::write(dir.path().join("binary.csv"), [0_u8, 159, 146, 150]).unwrap();
    let good = std::fs::read_to_string(dir.path().join("good.csv")).unwrap();
    let bad: Vec<String> = good
        .lines()
        .enumerate()
        .map(|(i, l)| {
            if i == 499 {
                l.split(',').next().unwrap().to_owned() + ",abc,0"
            } else {
                l.to_owned()
            }
        })
        .collect();
    std::fs::write(dir.path().join("text.csv"), bad.join("\n")).unwrap();
    let before = files(dir.path());
    let output = run(&["analyze", text(dir.path()), "--json"]);
    assert_eq!(code(&output), 1);
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(found["tests"].as_array().unwrap().len(), 1);
    let problems = found["problems"].as_array().unwrap();
    assert_eq!(problems.len(), 3, "{problems:#?}");
    let text_problem = problems.iter().find(|p| p["file"] == "text.csv").unwrap();
    assert_eq!(text_problem["line"], 500);
    assert_eq!(text_problem["column"], "force_n");
    assert_eq!(text_problem["found"], "abc");
    assert!(before == files(dir.path()), "inputs were touched");
}

#[test]
fn with_nothing_usable_the_exit_code_is_two_and_the_reason_is_given() {
    let dir = tempfile::tempdir().unwrap();
    let empty = run(&["analyze", text(dir.path())]);
    assert_eq!(code(&empty), 2);
    assert!(err(&empty).contains("no recordings"), "{}", err(&empty));
    let missing = run(&["analyze", text(&dir.path().join("nope"))]);
    assert_eq!(code(&missing), 2);
    std::fs::write(dir.path().join("empty.csv"), "").unwrap();
    assert_eq!(code(&run(&["analyze", text(dir.path())])), 2);
    assert_eq!(code(&run(&["analyze"])), 2);
    assert_eq!(code(&run(&["analyze", "x.csv", "--threshold", "abc"])), 2);
    assert_eq!(code(&run(&["--help"])), 0);
}

#[test]
fn nothing_is_overwritten_that_the_tool_did_not_write() {
    let dir = tempfile::tempdir().unwrap();
    let trace = simulate(dir.path(), "press.csv", &[]);
    let out = dir.path().join("thesis");
    std::fs::create_dir(&out).unwrap();
    std::fs::write(out.join("chapter.txt"), "years of work").unwrap();
    let refused = run(&["analyze", text(&trace), "--out", text(&out)]);
    assert_eq!(code(&refused), 2);
    assert!(err(&refused).contains("chapter.txt"), "{}", err(&refused));
    assert_eq!(
        std::fs::read_to_string(out.join("chapter.txt")).unwrap(),
        "years of work"
    );
    assert_eq!(std::fs::read_dir(&out).unwrap().count(), 1);
    // The folder of the recording itself is no place for results either.
    assert_eq!(
        code(&run(&["analyze", text(dir.path()), "--out", text(dir.path())])),
        2
    );
}

#[test]
fn hostile_codes_are_analysed_and_escaped() {
    let dir = tempfile::tempdir().unwrap();
    let trace = simulate(dir.path(), "süß & böse.csv", &["--level", "L3", "--side", "left"]);
    let hostile = "<script>alert(1)</script>";
    let sidecar = format!("subject = \"{hostile}\"\nlevel = \"L3\"\nside = \"left\"\nlevle = \"L4\"\n");
    std::fs::write(trace.with_extension("toml"), sidecar).unwrap();
    let out = dir.path().join("results");
    let output = run(&["analyze", text(&trace), "--out", text(&out)]);
    // An unknown key is a warning: the recording is used.
    assert_eq!(code(&output), 0, "{}", err(&output));
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(!page.contains(hostile));
    assert!(page.contains("&lt;script&gt;"));
    for (path, bytes) in files(&out.join("figures")) {
        assert!(
            !String::from_utf8_lossy(&bytes).contains(hostile),
            "{}",
            path.display()
        );
    }
    let found = json(&["analyze", text(&trace), "--json"]);
    assert_eq!(found["tests"][0]["subject"], hostile);
    assert_eq!(found["problems"][0]["severity"], "warning");
    assert!(found["problems"][0]["advice"].as_str().unwrap().contains("level"));
}

#[test]
fn both_hands_give_two_tests_and_a_finding() {
    let dir = tempfile::tempdir().unwrap();
    let trace = simulate(
        dir.path(),
        "both.csv",
        &["--bilateral", "--asymmetry", "30", "--level", "L4"],
    );
    let found = json(&["analyze", text(&trace), "--json"]);
    let tests = found["tests"].as_array().unwrap();
    assert_eq!(tests.len(), 2);
    assert_eq!(
        (tests[0]["side"].as_str(), tests[1]["side"].as_str()),
        (Some("left"), Some("right"))
    );
    let share =
        tests[0]["hand_share_percent"].as_f64().unwrap() + tests[1]["hand_share_percent"].as_f64().unwrap();
    assert!((share - 100.0).abs() < 1e-9);
    let findings = found["findings"].as_array().unwrap();
    let finding = findings
        .iter()
        .find(|f| f["measure"] == "end_feel_n_per_mm")
        .unwrap();
    assert_eq!(finding["spread_source"], "published");
    let asymmetry = finding["asymmetry_percent"].as_f64().unwrap();
    assert!((asymmetry - 30.0).abs() < 4.0, "{asymmetry}");
}

#[test]
fn a_whole_scan_in_one_recording_is_matched_to_its_plan() {
    let dir = tempfile::tempdir().unwrap();
    let trace = simulate(dir.path(), "scan.csv", &["--tests", "4"]);
    let plan = dir.path().join("two-levels.toml");
    let step =
        |level: &str| format!("[[step]]\nlevel = \"{level}\"\nside = \"both\"\ncontact = \"thumb\"\n\n");
    std::fs::write(
        &plan,
        format!(
            "name = \"two-levels\"\nposture = \"prone\"\n\n{}{}",
            step("L5"),
            step("L4")
        ),
    )
    .unwrap();
    let found = json(&["analyze", text(&trace), "--plan", text(&plan), "--json"]);
    let places: Vec<String> = found["tests"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| format!("{} {}", t["level"].as_str().unwrap(), t["side"].as_str().unwrap()))
        .collect();
    assert_eq!(places, ["L5 left", "L5 right", "L4 left", "L4 right"]);
    std::fs::write(&plan, format!("name = \"one-level\"\n\n{}", step("L5"))).unwrap();
    let wrong = run(&["analyze", text(&trace), "--plan", text(&plan), "--json"]);
    assert_eq!(code(&wrong), 2);
    let problems: Value = serde_json::from_slice(&wrong.stdout).unwrap();
    let problem = problems["problems"][0].to_string();
    assert!(problem.contains('4') && problem.contains('2'), "{problem}");
}

#[test]
fn several_tests_of_one_side_are_trials_in_time_order() {
    let dir = tempfile::tempdir().unwrap();
    let trace = simulate(
        dir.path(),
        "three.csv",
        &["--tests", "3", "--level", "T7", "--side", "left"],
    );
    let found = json(&["analyze", text(&trace), "--json"]);
    let trials: Vec<i64> = found["tests"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| t["trial"].as_i64().unwrap())
        .collect();
    assert_eq!(trials, [1, 2, 3]);
}

#[test]
fn a_person_may_leave_a_recording_out_and_it_is_listed() {
    let dir = tempfile::tempdir().unwrap();
    let trace = simulate(dir.path(), "press.csv", &[]);
    std::fs::write(trace.with_extension("toml"), "excluded = \"the phone rang\"\n").unwrap();
    let out = dir.path().join("results");
    run(&["analyze", text(&trace), "--out", text(&out)]);
    let listed = std::fs::read_to_string(out.join("exclusions.csv")).unwrap();
    assert!(
        listed.contains("the phone rang") && listed.contains("person"),
        "{listed}"
    );
}

#[test]
fn every_command_has_examples_in_its_help() {
    for command in [
        "demo",
        "analyze",
        "check",
        "combine",
        "convert",
        "prepare",
        "open",
        "ports",
        "completions",
        "man",
        "simulate",
    ] {
        let output = run(&[command, "--help"]);
        let help = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(help.contains("Examples:"), "{command}: {help}");
    }
}
