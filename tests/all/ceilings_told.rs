//! What `analyze` says of ceilings `check` says too; whose ceilings hold is said; and one that can hardly be meant is doubted
//! wherever it is read.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tautpoint::batch::{Options, run};
use tautpoint::report::html::{self, PageOptions};
use tautpoint::settings::CeilingOrigin;
use tautpoint::study::study_file::StudyFile;
use tautpoint::terms::Region;

/// A hold of `peak_n` from 1 to 4 s and a jab of `jab_n` for 60 ms at 5 s, at 1 kHz, force alone.
fn recording(peak_n: f64, jab_n: f64) -> String {
    let mut text = "time_s,force_n\n".to_owned();
    for i in 0..7000_usize {
        let press = (i as f64 / 1000.0 - 1.0) / 3.0;
        let press = if (0.0..1.0).contains(&press) {
            (press * std::f64::consts::PI).sin() * peak_n
        } else {
            0.0
        };
        let jab = if (5000..5060).contains(&i) { jab_n } else { 0.0 };
        let noise = 0.1 * ((i * 7919 % 11) as f64 - 5.0);
        writeln!(text, "{:.3},{:.2}", i as f64 / 1000.0, press + jab + noise).unwrap();
    }
    text
}

fn tautpoint(args: &[&str], paths: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tautpoint"));
    command.args(args).args(paths).output().unwrap()
}

fn said(output: &Output) -> String {
    let all = [&output.stdout, &output.stderr].map(|b| String::from_utf8_lossy(b).into_owned());
    all.concat().replace("\n    ", " ")
}

/// A study with these recordings, each its name, sidecar and text.
fn study(dir: &Path, study_toml: &str, recordings: &[(&str, &str, &str)]) -> PathBuf {
    let root = dir.join("class");
    std::fs::create_dir_all(root.join("recordings")).unwrap();
    std::fs::write(root.join("study.toml"), study_toml).unwrap();
    for (name, sidecar, text) in recordings {
        let at = root.join("recordings").join(name);
        std::fs::write(at.with_extension("csv"), text).unwrap();
        std::fs::write(at.with_extension("toml"), sidecar).unwrap();
    }
    root
}

#[test]
fn check_says_of_ceilings_what_analyze_says() {
    let dir = tempfile::tempdir().unwrap();
    let (held, jab, fine) = (recording(90.0, 0.0), recording(40.0, 120.0), recording(40.0, 0.0));
    let root = study(
        dir.path(),
        "title = \"T\"\n",
        &[
            (
                "held",
                "level = \"C5\"\nsubject = \"V-01\"\nexaminer = \"L-11\"\n",
                &held,
            ),
            (
                "jab",
                "level = \"C5\"\nsubject = \"V-01\"\nexaminer = \"L-12\"\n",
                &jab,
            ),
            (
                "refused",
                "level = \"C5\"\nexaminer = \"L-13\"\nrecorded_at = \"28.08.2026\"\n",
                &jab,
            ),
            ("empty", "level = \"C5\"\nexaminer = \"L-14\"\n", ""),
            ("nowhere", "subject = \"V-01\"\nexaminer = \"L-15\"\n", &fine),
        ],
    );
    let (check, analyze) = (tautpoint(&["check"], &[&root]), tautpoint(&["analyze"], &[&root]));
    assert_eq!(check.status.code(), Some(1), "{}", said(&check));
    let (check, analyze) = (said(&check), said(&analyze));
    for words in [
        "C5: peak force 90.0 N, over the neck ceiling of 60 N",
        "(recordings/held.csv, test 1, subject V-01, examiner L-11)",
        "at 5.00 s for 59 ms, outside every test (recordings/jab.csv, subject V-01, examiner L-12)",
        "(recordings/refused.csv, examiner L-13)",
        "1 recording could not be looked at for ceilings: recordings/empty.csv (an empty file)",
        "Level not given in 1 test: held against the lowest ceiling, neck 60\u{a0}N: recordings/nowhere.csv",
        "all of them defaults; the lab must set its own",
    ] {
        let plain = |text: &str| text.replace('\u{a0}', " ");
        assert!(
            plain(&check).contains(&plain(words)),
            "check lacks {words}:\n{check}"
        );
        assert!(
            plain(&analyze).contains(&plain(words)),
            "analyze lacks {words}:\n{analyze}"
        );
    }
    // The hardest first, before anything else.
    assert!(analyze.find("refused.csv").unwrap() < analyze.find("held.csv").unwrap());
    let json = tautpoint(&["check", "--json"], &[&root]);
    let json: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    let count = |what: &str| json["ceilings"][what].as_array().unwrap().len();
    assert_eq!(
        (count("pushes"), count("warnings"), count("notes")),
        (3, 1, 2),
        "{json}"
    );
    // However little else is wanted.
    let out = dir.path().join("out");
    let quiet = tautpoint(&["analyze", "--quiet", "--out", out.to_str().unwrap()], &[&root]);
    assert!(
        said(&quiet).contains("over the ceiling: C5: peak force 90.0 N"),
        "{}",
        said(&quiet)
    );
    let json = tautpoint(&["analyze", "--json"], &[&root]);
    let json: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(json["not_looked_at"][0]["recording"], "recordings/empty.csv");
}

#[test]
fn recordings_that_are_named_without_their_study_are_held_against_its_ceilings() {
    let dir = tempfile::tempdir().unwrap();
    let sidecar = "level = \"C5\"\n";
    let press = recording(50.0, 0.0);
    let root = study(
        dir.path(),
        "[ceiling_n]\nneck = 45\n",
        &[("a", sidecar, &press), ("b", sidecar, &press)],
    );
    let folder = root.join("recordings");
    let whole = run(std::slice::from_ref(&root), &Options::default()).unwrap();
    for (path, files) in [(folder.clone(), 2), (folder.join("a.csv"), 1)] {
        let results = run(std::slice::from_ref(&path), &Options::default()).unwrap();
        let neck = results.settings.ceiling(Region::Neck);
        assert_eq!(
            (neck.newtons, neck.origin),
            (45.0, CeilingOrigin::Lab),
            "{path:?}"
        );
        assert_eq!(results.recordings_read(), files);
        assert_eq!(results.tests[0].recording, whole.tests[0].recording);
        for command in ["analyze", "check"] {
            let told = said(&tautpoint(&[command], &[&path]));
            assert!(
                told.contains("its study.toml is used, and with it its ceilings"),
                "{command}: {told}"
            );
            assert!(
                told.contains("over the neck ceiling of 45 N (set by this lab)"),
                "{command}: {told}"
            );
        }
    }
    // Named itself, nothing needs to be said; and what lies beside the recordings is no part of them.
    assert!(!said(&tautpoint(&["analyze"], &[&root])).contains("its study.toml is used"));
    let beside = root.join("elsewhere");
    std::fs::create_dir(&beside).unwrap();
    std::fs::write(beside.join("c.csv"), &press).unwrap();
    let results = run(&[beside], &Options::default()).unwrap();
    assert_eq!(
        results.settings.ceiling(Region::Neck).origin,
        CeilingOrigin::Shipped
    );
    // Of two studies neither is meant for both.
    let other = study(
        &dir.path().join("second"),
        "title = \"U\"\n",
        &[("a", sidecar, &press)],
    );
    let refused = run(&[folder, other.join("recordings")], &Options::default()).unwrap_err();
    assert!(
        refused.to_string().contains("two studies were named"),
        "{refused}"
    );
}

#[test]
fn a_ceiling_that_can_hardly_be_meant_is_warned_of_wherever_it_is_read() {
    let dir = tempfile::tempdir().unwrap();
    let press = recording(90.0, 0.0);
    for (toml, words) in [
        (
            "[ceiling_n]\nneck = 400\n",
            "a neck ceiling of 400 N, 6.7 times the one that is shipped",
        ),
        (
            "[ceiling_n]\nneck = 110\n",
            "a neck ceiling of 110 N, above the thoracic ceiling of 105 N",
        ),
        (
            "[ceiling_n]\nneck = 6\n",
            "a neck ceiling of 6 N, which looks like kgf",
        ),
    ] {
        let (_, problems) = StudyFile::parse("study.toml", toml);
        assert_eq!((problems.len(), problems[0].line), (1, Some(2)), "{problems:?}");
        assert!(problems[0].found.contains(words), "{problems:?}");
        let root = study(
            dir.path(),
            toml,
            &[("a", "level = \"C5\"\nexaminer = \"L-11\"\n", &press)],
        );
        let results = run(std::slice::from_ref(&root), &Options::default()).unwrap();
        let report = html::page(&results, &PageOptions::default()).unwrap();
        assert!(
            report[..report.find("<main>").unwrap()].contains(words),
            "{words}"
        );
        for command in [
            &["analyze"][..],
            &["check"],
            &["debrief", "--out", dir.path().join("d").to_str().unwrap()],
        ] {
            let told = said(&tautpoint(command, &[&root]));
            assert!(told.contains(words), "{command:?}: {told}");
        }
        let root = root.to_str().unwrap();
        let recorded = said(&tautpoint(
            &["record", root, "--port", "sim", "--practice", "--seconds", "0.2"],
            &[],
        ));
        assert!(recorded.contains(words), "{recorded}");
    }
    for value in ["0", "-60", "nan", "inf", "0.5"] {
        let (_, problems) = StudyFile::parse("study.toml", &format!("[ceiling_n]\nneck = {value}\n"));
        let error = problems
            .first()
            .unwrap_or_else(|| panic!("{value} passes"))
            .to_string();
        assert!(
            error.contains("write the most force allowed in N, such as neck = 60"),
            "{error}"
        );
    }
}

#[test]
fn a_copy_that_is_left_out_ends_with_exit_code_1() {
    let dir = tempfile::tempdir().unwrap();
    let press = recording(50.0, 0.0);
    let root = study(
        dir.path(),
        "title = \"T\"\n",
        &[
            ("a", "level = \"C5\"\n", &press),
            ("b", "level = \"C5\"\n", &press),
        ],
    );
    let copied = tautpoint(&["analyze"], &[&root]);
    assert_eq!(copied.status.code(), Some(1), "{}", said(&copied));
    std::fs::write(
        root.join("recordings/b.toml"),
        "level = \"C5\"\nexcluded = \"coughed\"\n",
    )
    .unwrap();
    assert_eq!(
        tautpoint(&["analyze"], &[&root]).status.code(),
        Some(0),
        "a person left it out"
    );
}

#[test]
fn a_sheet_holds_no_code_of_anybody_else() {
    let dir = tempfile::tempdir().unwrap();
    let (press, hard) = (recording(50.0, 0.0), recording(40.0, 120.0));
    let about = |code: &str| {
        format!(
            "level = \"C5\"\nside = \"left\"\nsubject = \"V-01\"\nexaminer = \"{code}\"\nsession = \"s1\"\n"
        )
    };
    let root = study(
        dir.path(),
        "title = \"T\"\n",
        &[
            ("L-11_C5", &about("L-11"), &press),
            ("L-77_C5", &about("L-77"), &hard),
            ("L-77_C6", &about("L-77"), ""),
        ],
    );
    let out = dir.path().join("sheet");
    let args = [
        "debrief",
        root.to_str().unwrap(),
        "--sheet",
        "--examiner",
        "L-11",
        "--session",
        "s1",
        "--out",
        out.to_str().unwrap(),
    ];
    let output = tautpoint(&args, &[]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(!said(&output).contains("L-77"), "{}", said(&output));
    assert!(
        said(&output).contains("of other recordings: `tautpoint check"),
        "{}",
        said(&output)
    );
    for entry in std::fs::read_dir(&out).unwrap() {
        let path = entry.unwrap().path();
        let text = String::from_utf8_lossy(&std::fs::read(&path).unwrap()).into_owned();
        assert!(!text.contains("L-77"), "{}", path.display());
    }
}

#[test]
fn recordings_where_none_are_read_and_a_study_file_of_another_name_are_told() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(
        dir.path(),
        "title = \"T\"\n",
        &[("a.csv", "level = \"L3\"\n", &recording(60.0, 0.0))],
    );
    std::fs::create_dir_all(root.join("recording")).unwrap();
    std::fs::write(root.join("recording/b.csv"), recording(150.0, 0.0)).unwrap();
    std::fs::write(root.join("recordings/c.xlsx"), "PK").unwrap();
    std::fs::write(root.join("notes.csv"), "day,word\n1,none\n").unwrap();
    let told = said(&tautpoint(&["check"], &[&root]));
    assert!(
        told.contains("found 2 files beside the recordings that may be recordings too: "),
        "{told}"
    );
    assert!(
        told.contains("recording/b.csv") && told.contains("recordings/c.xlsx") && !told.contains("notes.csv"),
        "{told}"
    );
    let told = said(&tautpoint(&["analyze"], &[&root]));
    assert!(told.contains("held against no ceiling"), "{told}");
    std::fs::rename(root.join("study.toml"), root.join("Study.toml")).unwrap();
    let output = tautpoint(&["check"], &[&root]);
    let told = said(&output);
    assert!(
        told.contains("Study.toml: found a file that is not read"),
        "{told}"
    );
    assert_eq!(output.status.code(), Some(1));
}
