//! The commands `change`, `groups` and `plan-size`.

use std::path::Path;
use std::process::{Command, Output};

fn run(folder: &Path, words: &str) -> Output {
    let words: Vec<&str> = words.split_whitespace().collect();
    Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(words)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn read(folder: &Path, name: &str) -> String {
    std::fs::read_to_string(folder.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// Four volunteers in two groups, two sessions.
fn study(folder: &Path, top: &str) {
    let made = run(
        folder,
        "-q simulate study --out s --seed 4 --subjects 4 --sessions 2 --trials 2 --levels L4",
    );
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let path = folder.join("s/study.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let more =
        "[change]\nend_feel_n_per_mm = 37.5\npeak_n = 41.5\n[groups]\nprimary = \"end_feel_n_per_mm\"\n";
    std::fs::write(path, format!("{top}{text}{more}")).unwrap();
    let roster = "code,role,group\nV-01,subject,=SUM(A1)\nV-02,subject,\"<b>late, \"\"x\"\"\"\nV-03,subject,=SUM(A1)\n\
                  V-04,subject,\"<b>late, \"\"x\"\"\"\nL-01,examiner,\n";
    std::fs::write(folder.join("s/roster.csv"), roster).unwrap();
}

#[test]
fn tables_pages_and_json_tell_the_same_and_a_margin_gives_words() {
    let dir = tempfile::tempdir().unwrap();
    study(dir.path(), "");
    for (command, term, paragraph) in [
        ("change", "volunteer", "session of the subject"),
        ("groups", "group", "Kenward-Roger"),
    ] {
        let out = run(dir.path(), &format!("-q {command} s --out {command}"));
        assert_eq!(
            out.status.code(),
            Some(0),
            "{}",
            String::from_utf8_lossy(&out.stderr)
        );
        let folder = dir.path().join(command);
        let csv = read(&folder, "estimates.csv");
        let json: serde_json::Value =
            serde_json::from_str(&read(&folder, &format!("{command}.json"))).unwrap();
        let rows = json["estimates"].as_array().unwrap();
        assert!(csv.lines().count() > 20);
        let of_term = rows
            .iter()
            .filter(|r| r["term"] == term && r["measure"] == "end_feel_n_per_mm");
        for row in of_term {
            assert!(
                row["word"].is_string() && row["margin"].as_f64().unwrap() > 37.4,
                "{row}"
            );
            assert!(
                row["se"].as_f64().unwrap() > 0.0 && row["df"].as_f64().unwrap() > 0.0,
                "{row}"
            );
        }
        let page = read(&folder, &format!("{command}.html"));
        assert!(
            page.contains(paragraph) && page.contains("Methods, to paste") && !page.contains("<b>late"),
            "{command}"
        );
        assert!(folder.join("estimates.parquet").exists());
        // The paragraph says which terms the design could not tell; the table says why.
        assert!(
            page.contains("could not tell were left out: in the model of"),
            "{command}"
        );
        assert!(read(&folder, "parts.csv").contains(",not_told,"), "{command}");
        assert!(
            json["parts"]
                .as_array()
                .unwrap()
                .iter()
                .any(|p| p["state"] == "not_told")
        );
        // Every column is in the codebook, and every section is one of METHODS.md.
        let book = read(&folder, "codebook.csv");
        let methods = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/METHODS.md")).unwrap();
        for column in csv.lines().next().unwrap().split(',') {
            let line = book
                .lines()
                .find(|l| l.starts_with(&format!("estimates,{column},")))
                .unwrap();
            let section = line.rsplit('§').next().unwrap().trim_end_matches('"');
            assert!(methods.contains(&format!("\n### {section} ")), "{line}");
        }
    }
    let figures = std::fs::read_dir(dir.path().join("change/figures"))
        .unwrap()
        .count();
    assert!(figures >= 8, "{figures}");
}

#[test]
fn a_blind_study_gives_the_same_bytes_whichever_side_is_stiffer() {
    let dir = tempfile::tempdir().unwrap();
    study(dir.path(), "blind = true\n");
    let told = |dir: &Path| {
        ["change", "groups"].map(|c| {
            let out = run(dir, &format!("{c} s --json"));
            (out.status.code(), String::from_utf8(out.stdout).unwrap())
        })
    };
    let before = told(dir.path());
    assert!(
        before
            .iter()
            .all(|(code, text)| *code == Some(1) && text.contains("blind")),
        "{before:?}"
    );
    // Left and right change places.
    for entry in std::fs::read_dir(dir.path().join("s/recordings")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "toml") {
            let text = std::fs::read_to_string(&path).unwrap();
            let (left, right) = ("side = \"left\"", "side = \"right\"");
            let turned = if text.contains(left) {
                text.replace(left, right)
            } else {
                text.replace(right, left)
            };
            std::fs::write(path, turned).unwrap();
        }
    }
    assert_eq!(told(dir.path()), before);
    let pilot = run(dir.path(), "plan-size icc --from s --draws 20");
    assert_eq!(pilot.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&pilot.stderr).contains("blind and not opened"));
}

#[test]
fn a_shared_copy_holds_neither_margins_nor_names_of_groups() {
    let dir = tempfile::tempdir().unwrap();
    study(dir.path(), "");
    let out = run(dir.path(), "-q convert s --share key --out shared");
    assert_eq!(
        out.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let (settings, roster) = (
        read(dir.path(), "shared/study.toml"),
        read(dir.path(), "shared/roster.csv"),
    );
    for secret in ["37.5", "41.5", "change", "primary", "groups"] {
        assert!(!settings.contains(secret), "{secret}: {settings}");
    }
    assert!(!roster.contains("SUM") && !roster.contains("late"), "{roster}");
}

#[test]
fn what_cannot_be_planned_is_refused_by_name() {
    let dir = tempfile::tempdir().unwrap();
    for (words, message) in [
        ("side", "--effect is missing"),
        ("change-place --effect 20", "--margin is missing"),
        ("group --effect 5 --margin 10", "lies within the margin"),
        (
            "change-all --effect 20 --margin 5 --sessions 1",
            "--sessions 1: for change-all expected whole numbers from 2",
        ),
        ("icc --subjects 0", "--subjects 0"),
        ("side --effect nan", "--effect is NaN"),
        ("icc --subjects 2000 --examiners 100", "a design of"),
        ("icc --wanted 7", "--wanted is 7"),
    ] {
        let out = run(dir.path(), &format!("plan-size {words}"));
        let told = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(2), "{words}: {told}");
        assert!(told.contains(message), "{words}: {told}");
    }
    let out = run(
        dir.path(),
        "-q plan-size side --effect 40.5 --subjects 1 --trials 2,4,2 --levels 2,2 --trial-sd 0.05 --draws 20 --out plan",
    );
    assert_eq!(
        out.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let csv = read(dir.path(), "plan/plan-size.csv");
    // Numbers given twice are one design.
    assert_eq!(csv.lines().count(), 3, "{csv}");
    let page = read(dir.path(), "plan/plan-size.html");
    assert!(
        page.contains("Methods, to paste")
            && page.contains("of 40.5 %")
            && page.contains("check --trial-sd 0.05: it is in percent"),
        "{page}"
    );
    assert!(dir.path().join("plan/figures/plan-size.svg").exists());
}

#[test]
fn a_margin_in_another_unit_is_refused_where_it_cannot_be() {
    let dir = tempfile::tempdir().unwrap();
    study(dir.path(), "");
    let path = dir.path().join("s/study.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    for (given, message) in [
        (
            "loss_ratio = 20",
            "change.loss_ratio: found 20; expected a number from 0.000000001 to 1, a share of 1: 20 % of it is written 0.2",
        ),
        ("recoil_ratio = 15.0", "a share of 1"),
        // 2 N/mm in N/m.
        (
            "window_n_per_mm = 2000",
            "percent of what it was, and in no other unit: 20 % is written 20",
        ),
        ("hand_share_percent = 150", "percent, so that 20 % is written 20"),
    ] {
        std::fs::write(&path, text.replace("peak_n = 41.5", given)).unwrap();
        let out = run(dir.path(), "change s");
        let told = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(2), "{given}: {told}");
        assert!(told.contains(message), "{given}: {told}");
    }
}

#[test]
fn a_report_that_answers_nothing_is_written_with_exit_code_1_and_none_without_input() {
    let dir = tempfile::tempdir().unwrap();
    let made = run(
        dir.path(),
        "-q simulate study --out s --seed 4 --subjects 2 --sessions 1 --trials 1 --levels L4",
    );
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    for command in ["change", "groups"] {
        let out = run(dir.path(), &format!("{command} s --out {command}"));
        let told = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(1), "{command}: {told}");
        assert!(
            dir.path().join(command).join("run.json").exists(),
            "{command}: {told}"
        );
    }
    let out = run(
        dir.path(),
        "plan-size icc --subjects 1 --examiners 1 --trials 1 --levels 1 --draws 20 --out size",
    );
    let told = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(1), "{told}");
    assert!(
        told.contains("no design gave an answer") && dir.path().join("size/plan-size.html").exists(),
        "{told}"
    );
    // Not one recording that can be read: nothing done, and nothing written.
    for entry in std::fs::read_dir(dir.path().join("s/recordings")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "csv") {
            std::fs::write(path, "no recording").unwrap();
        }
    }
    for command in ["change", "groups", "agree"] {
        let out = run(dir.path(), &format!("{command} s --out {command}-2"));
        let told = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(2), "{command}: {told}");
        assert!(told.contains("no input could be used"), "{command}: {told}");
        assert!(!dir.path().join(format!("{command}-2")).exists(), "{command}");
    }
}
