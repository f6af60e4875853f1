//! Slips in what people type: each message says what is wrong, where, and what to write.

use std::path::Path;
use std::process::{Command, Output};
use tautpoint::error::Problem;
use tautpoint::study::plan::Plan;
use tautpoint::study::sidecar::Sidecar;
use tautpoint::study::study_file::StudyFile;

fn run(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tautpoint"));
    command.args(args).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).replace('\n', " ")
}

#[test]
fn a_decimal_comma_in_toml_is_named_with_what_to_write() {
    type Parse = fn(&str) -> Vec<Problem>;
    let kinds: [Parse; 3] = [
        |text| Sidecar::parse("a.toml", text).1,
        |text| StudyFile::parse("study.toml", text).1,
        |text| Plan::parse("plans/a.toml", text).1,
    ];
    for parse in kinds {
        let problems = parse("title = \"1,5\"\n\nforce = 3,2\nlist = [1,5]\nother = { gain = -0,75 }\n");
        let words: Vec<String> = problems.iter().map(ToString::to_string).collect();
        assert_eq!(words.len(), 2, "{words:?}");
        assert!(
            words[0].ends_with(
                ", line 3, column force: found 3,2, a number with a comma; expected a decimal point, as in every TOML file; \
                 write force = 3.2"
            ),
            "{words:?}"
        );
        assert!(
            words[1].contains("line 5, column gain") && words[1].ends_with("write gain = -0.75"),
            "{words:?}"
        );
    }
    let advice = |text: &str| Sidecar::parse("a.toml", text).1[0].advice.clone();
    assert_eq!(
        advice("a = 3,200\n"),
        "write 3.200, or 3200 if the comma parts thousands"
    );
    assert_eq!(
        advice("a = 1.234,5\n"),
        "write it with a decimal point, and without marks between thousands"
    );
    // Another fault of the file stays what it is.
    let other = Sidecar::parse("a.toml", "a = = 2\nb = 3,2\n").1;
    assert!(other.len() == 1 && !other[0].found.contains("comma"), "{other:?}");
}

fn study(dir: &Path) -> String {
    let root = dir.join("study");
    std::fs::create_dir_all(root.join("plans")).unwrap();
    std::fs::write(
        root.join("study.toml"),
        "title = \"T\"\n[plan]\ndefault = \"monday\"\n",
    )
    .unwrap();
    let plan = "name = \"monday\"\n[[step]]\nlevel = \"L3\"\nside = \"leftt\"\n";
    std::fs::write(root.join("plans/first.toml"), plan).unwrap();
    std::fs::create_dir_all(root.join("recordings")).unwrap();
    let press = root.join("recordings/press.csv");
    std::fs::write(press, "time_s,force_n\n0,1\n0.001,1\n0.002,1\n").unwrap();
    std::fs::write(root.join("recordings/press.toml"), "plan = \"monday\"\n").unwrap();
    root.to_str().unwrap().to_owned()
}

#[test]
fn a_plan_whose_file_has_a_fault_is_not_called_missing() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let fault =
        "the plan monday, which cannot be used (plans/first.toml, line 4, column step 1.side: found leftt";
    let calls: [&[&str]; 4] = [
        &["check", &root],
        &["analyze", &root, "--plan", "monday"],
        &[
            "debrief",
            &root,
            "--draw",
            "monday",
            "--examiner",
            "L-11",
            "--session",
            "2026-09-14",
        ],
        &[
            "record",
            &root,
            "--port",
            "sim",
            "--plan",
            "monday",
            "--seconds",
            "1",
        ],
    ];
    for args in calls {
        let output = run(args);
        let said = String::from_utf8_lossy(&output.stdout).replace('\n', " ") + &said(&output);
        assert!(
            said.contains(fault) || said.contains(&fault[4..]),
            "{args:?}: {said}"
        );
        assert!(
            said.contains("correct plans/first.toml") || args[0] == "analyze",
            "{args:?}: {said}"
        );
        assert!(!said.contains("neither in plans/"), "{args:?}: {said}");
    }
    // By the name of its file too; and one that is not there is called so.
    let of_file = said(&run(&[
        "record",
        &root,
        "--port",
        "sim",
        "--plan",
        "first",
        "--seconds",
        "1",
    ]));
    assert!(
        of_file.contains("the plan first, which cannot be used"),
        "{of_file}"
    );
    let none = said(&run(&[
        "record",
        &root,
        "--port",
        "sim",
        "--plan",
        "sunday",
        "--seconds",
        "1",
    ]));
    assert!(
        none.contains("sunday, a plan that is neither in plans/ nor built in"),
        "{none}"
    );
}

#[test]
fn a_port_that_is_none_is_told_what_to_do() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("study");
    std::fs::create_dir(&root).unwrap();
    std::fs::write(root.join("study.toml"), "title = \"T\"\n").unwrap();
    let root = root.to_str().unwrap();
    let record = |port: &str| {
        said(&run(&[
            "record",
            root,
            "--port",
            port,
            "--seconds",
            "1",
            "--level",
            "L3",
        ]))
    };
    let simm = record("simm");
    assert!(simm.contains("sim"), "{simm}");
    let null = record("/dev/null");
    assert!(null.contains("no serial port"), "{null}");
}

#[test]
fn one_of_a_thing_is_told_in_the_singular() {
    use tautpoint::agreement::ratings;
    use tautpoint::trace::Note;
    assert_eq!(tautpoint::format::counted(1, "other port"), "1 other port");
    assert_eq!(tautpoint::format::counted(0, "spring"), "0 springs");
    let spike = Note::Spikes {
        signal: "force".to_owned(),
        samples: 1,
    };
    assert!(
        spike.to_string().starts_with("spikes: 1 sample of force"),
        "{spike}"
    );
    let (_, ragged) = ratings::parse("r.csv", "subject,rater,value\nV-1\nV-1,A,2\n").unwrap();
    assert!(
        ragged[0].to_string().contains("found 1 cell; expected 3 cells"),
        "{ragged:?}"
    );
    let dir = tempfile::tempdir().unwrap();
    let press = dir.path().join("press.csv");
    std::fs::write(&press, "time_s,force_n\n0,1\n0.001,-999\n0.002,2\n,3\n").unwrap();
    let output = run(&["check", press.to_str().unwrap()]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        said.contains("1 sample of -999") && said.contains("1 row without a time"),
        "{said}"
    );
}
