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
            .all(|(code, text)| *code == Some(2) && text.contains("blind")),
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
        "-q plan-size side --effect 40 --subjects 1 --trials 2,4 --levels 2 --draws 20 --out plan",
    );
    assert_eq!(
        out.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let csv = read(dir.path(), "plan/plan-size.csv");
    assert_eq!(csv.lines().count(), 3);
    assert!(read(dir.path(), "plan/plan-size.html").contains("Methods, to paste"));
    assert!(dir.path().join("plan/figures/plan-size.svg").exists());
}
