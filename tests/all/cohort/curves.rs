//! The conditioned curves of tests as files of their own, and those that figures are drawn from.

use super::dataset::python;
use super::{analyze, code, contents, err, recordings, run, study, text};
use polars::prelude::{ParquetReader, SerReader};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use tautpoint::batch;
use tautpoint::report::datapackage::TableFormat;
use tautpoint::report::output::{OutputOptions, write_run};

type Row = BTreeMap<String, String>;

fn rows(path: &Path) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

#[test]
fn each_test_has_its_whole_curve_with_marks_that_lie_in_it() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let out = dir.path().join("results");
    analyze(&study, &out, &["--curves", "csv"]);
    let folder = out.join("curves");
    let (tests, springs, marks) = (
        rows(&out.join("tests.csv")),
        rows(&out.join("springs.csv")),
        rows(&folder.join("marks.csv")),
    );
    assert_eq!(tests.len(), 8);
    for test in &tests {
        let own = |row: &&Row| row["recording"] == test["recording"] && row["test"] == test["test"];
        let marked: Vec<&Row> = marks.iter().filter(own).collect();
        let curve = rows(&folder.join(&marked[0]["file"]));
        let step = 1.0 / number(test, "rate_hz");
        for pair in curve.windows(2) {
            let between = number(&pair[1], "time_s") - number(&pair[0], "time_s");
            assert!((between / step - 1.0).abs() < 1e-6);
        }
        let top = curve.iter().map(|s| number(s, "force_n")).fold(0.0, f64::max);
        // The table's peak lies between samples and is freed of what noise adds to a maximum.
        assert!(
            (top / number(test, "peak_n") - 1.0).abs() < 0.01,
            "{top} {}",
            test["peak_n"]
        );
        let of = |word: &str| -> Vec<&Row> { marked.iter().copied().filter(|m| m["mark"] == word).collect() };
        for (word, column) in [
            ("spring_start", "start_s"),
            ("spring_peak", "peak_s"),
            ("spring_end", "end_s"),
        ] {
            let told: Vec<&str> = of(word).iter().map(|m| m["time_s"].as_str()).collect();
            let wanted: Vec<&str> = springs.iter().filter(own).map(|s| s[column].as_str()).collect();
            assert_eq!(told, wanted, "{word}");
        }
        assert_eq!((of("first_contact").len(), of("last_contact").len()), (1, 1));
        assert_eq!(of("onset").len(), usize::from(!test["onset_mm"].is_empty()));
        for mark in marked {
            assert!(
                !mark["force_n"].is_empty() && !mark["displacement_mm"].is_empty(),
                "{mark:?}"
            );
        }
    }
    let listed: Value = serde_json::from_slice(&std::fs::read(out.join("run.json")).unwrap()).unwrap();
    let listed = listed["files"].to_string();
    for name in contents(&folder).keys() {
        assert!(
            listed.contains(&format!("curves/{}", name.display())),
            "{}",
            name.display()
        );
    }
    match std::process::Command::new("sha256sum")
        .args(["--check", "--strict", "--quiet", "SHA256SUMS"])
        .current_dir(&folder)
        .output()
    {
        Ok(told) => assert!(told.status.success(), "{told:?}"),
        Err(e) => println!("skipped the check by sha256sum: {e}"),
    }
}

#[test]
fn curves_as_parquet_hold_the_same_numbers_and_both_packages_are_valid() {
    const VALIDATE: &str = r#"
import json, sys
from frictionless import validate
reports = [validate(path) for path in sys.argv[1:]]
print(json.dumps([{"valid": r.valid, "errors": r.flatten(["type", "message"])[:3], "files": len(r.tasks)} for r in reports]))
"#;
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 1);
    // By force alone: a column without a number.
    let first = recordings(&study)
        .into_iter()
        .find(|p| text(p).contains("L4"))
        .unwrap();
    let whole = std::fs::read_to_string(&first).unwrap();
    let cut = |line: &str| match line.starts_with('#') {
        true => line.to_owned(),
        false => line.split(',').take(2).collect::<Vec<_>>().join(","),
    };
    assert!(
        whole.contains("time_s,force_n,displacement_mm"),
        "the third column is displacement"
    );
    let force_only: Vec<String> = whole.lines().map(cut).collect();
    std::fs::write(&first, force_only.join("\n")).unwrap();
    let [csv, parquet] = ["csv", "parquet"].map(|n| dir.path().join(n));
    analyze(&study, &csv, &["--curves", "csv"]);
    analyze(&study, &parquet, &["--curves", "parquet"]);
    let mut compared = 0;
    for (name, bytes) in contents(&parquet.join("curves")) {
        if name.extension().is_none_or(|e| e != "parquet") {
            continue;
        }
        let frame = ParquetReader::new(std::io::Cursor::new(bytes)).finish().unwrap();
        let rows = rows(&csv.join("curves").join(name.with_extension("csv")));
        assert_eq!(frame.height(), rows.len());
        for column in ["time_s", "force_n", "displacement_mm"] {
            let stored = frame.column(column).unwrap().f64().unwrap();
            for (value, row) in stored.iter().zip(&rows) {
                assert_eq!(value, row[column].parse().ok(), "{} {column}", name.display());
            }
        }
        compared += 1;
    }
    assert_eq!(compared, 5);
    let packages = [&csv, &parquet].map(|out| out.join("curves/datapackage.json"));
    let Some(found) = python(
        VALIDATE,
        &[text(&packages[0]), text(&packages[1])],
        "frictionless",
    ) else {
        return;
    };
    for report in found.as_array().unwrap() {
        assert_eq!(
            (&report["valid"], &report["files"]),
            (&true.into(), &5.into()),
            "{report}"
        );
    }
}

#[test]
fn a_blind_study_gives_no_curve_of_a_side_and_shards_give_none() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 1);
    let file = study.join("study.toml");
    let own = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, format!("blind = true\n{own}")).unwrap();
    let out = dir.path().join("results");
    analyze(&study, &out, &["--curves", "csv"]);
    let names: Vec<String> = contents(&out.join("curves"))
        .keys()
        .map(|n| n.display().to_string())
        .collect();
    assert!(names.iter().all(|n| !n.starts_with("test-")), "{names:?}");
    assert_eq!(rows(&out.join("curves/marks.csv")), Vec::<Row>::new());
    let part = dir.path().join("part");
    let refused = run(&[
        "analyze",
        text(&study),
        "--out",
        text(&part),
        "--shard",
        "1/2",
        "--curves",
        "csv",
    ]);
    assert_eq!(code(&refused), 2, "{}", err(&refused));
    assert!(!part.exists());
}

#[test]
fn a_recording_that_changes_under_the_analysis_leaves_no_results() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 1);
    let out = dir.path().join("results");
    let options = OutputOptions {
        curves: Some(TableFormat::Csv),
        ..OutputOptions::default()
    };
    let changed = recordings(&study)
        .into_iter()
        .find(|p| text(p).contains("L5"))
        .unwrap();
    let sidecar = changed.with_extension("toml");
    let own = std::fs::read_to_string(&sidecar).unwrap();
    let done = batch::analyze_into(
        std::slice::from_ref(&study),
        &out,
        &batch::Options::default(),
        &|folder, results, saved| {
            std::fs::write(&sidecar, format!("# meanwhile\n{own}")).unwrap();
            write_run(folder, results, saved, &options)
        },
    );
    let said = done.err().unwrap().to_string();
    let name = changed.file_name().unwrap().to_str().unwrap();
    assert!(
        said.contains(name) && said.contains("is not what it was when it was analysed"),
        "{said}"
    );
    assert!(!out.exists());
}

/// A copy that was left out once shifted the curves of all later recordings by its tests.
#[test]
fn figures_show_their_own_test_also_behind_a_copy_that_was_left_out() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 1);
    let [plain, copied] = ["plain", "copied"].map(|n| dir.path().join(n));
    analyze(&study, &plain, &["--figures", "all"]);
    let sided = |p: &std::path::PathBuf| text(p).contains("L4") || text(p).contains("L5");
    let first = recordings(&study).into_iter().find(sided).unwrap();
    let copy = first.with_file_name(format!("{}b.csv", first.file_stem().unwrap().to_str().unwrap()));
    std::fs::copy(&first, &copy).unwrap();
    std::fs::copy(first.with_extension("toml"), copy.with_extension("toml")).unwrap();
    analyze(&study, &copied, &["--figures", "all"]);
    let figures = |out: &Path| {
        let mut all = contents(&out.join("figures"));
        all.retain(|name, _| name.to_str().unwrap().starts_with("test-"));
        all
    };
    let (plain, copied) = (figures(&plain), figures(&copied));
    assert_eq!(plain.len(), 4);
    assert_eq!(
        plain.keys().collect::<Vec<_>>(),
        copied.keys().collect::<Vec<_>>()
    );
    for (name, figure) in &plain {
        assert!(copied[name] == *figure, "{} shows another test", name.display());
    }
}
