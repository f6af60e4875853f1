//! Blind studies: nothing tells the side until `open`.

use super::{TOP, analysed, code, err, json, out, run, small, study, text};
use polars::prelude::{ParquetReader, SerReader};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use tautpoint::columns::Measure;

/// Adds a level at which one side was recorded without displacement, so that it has no stiffness.
fn add_level_without_displacement(root: &Path, lacking: &str) {
    for side in ["left", "right"] {
        let path = root.join(format!("recordings/L4_{side}.csv"));
        let mut args = vec![
            "--quiet",
            "simulate",
            "trace",
            "--out",
            text(&path),
            "--seed",
            "3",
            "--springs",
            "3",
        ];
        args.extend(["--rate-hz", "200"]);
        args.extend((side == lacking).then_some("--force-only"));
        let output = run(&args);
        assert_eq!(code(&output), 0, "{}", err(&output));
        let sidecar = format!(
            "subject = \"V-01\"\nexaminer = \"L-01\"\nsession = \"s1\"\nlevel = \"L4\"\nside = \"{side}\"\n"
        );
        std::fs::write(path.with_extension("toml"), sidecar).unwrap();
    }
}

/// Without the recordings' own hashes and sizes, which tell what a recording is and nothing that was measured in it.
fn without_inputs(mut files: BTreeMap<PathBuf, Vec<u8>>) -> BTreeMap<PathBuf, Vec<u8>> {
    let run = files.get_mut(Path::new("run.json")).unwrap();
    let mut record: Value = serde_json::from_slice(run).unwrap();
    for input in record["inputs"].as_array_mut().unwrap() {
        *input = input["file"].clone();
    }
    *run = record.to_string().into_bytes();
    files
}

#[test]
fn a_blind_study_and_its_mirror_image_give_the_same_bytes_until_they_are_opened() {
    let dir = tempfile::tempdir().unwrap();
    let top = format!("blind = true\n{TOP}");
    let one = study(dir.path(), "one", &top, "9", "14");
    let mirror = study(dir.path(), "mirror", &top, "14", "9");
    add_level_without_displacement(&one, "left");
    add_level_without_displacement(&mirror, "right");
    let (first, of_one) = analysed(&one);
    let (_, of_mirror) = analysed(&mirror);
    assert_eq!(code(&first), 0, "{}", err(&first));
    assert!(of_one.len() > 10);
    let (of_one, of_mirror) = (without_inputs(of_one), without_inputs(of_mirror));
    assert_eq!(
        of_one.keys().collect::<Vec<_>>(),
        of_mirror.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &of_one {
        assert!(*bytes == of_mirror[name], "{} tells the side", name.display());
    }
    for more in [&["--json"][..], &["--budget"], &["--threshold", "5"], &[]] {
        let told = |study: &Path| out(&run(&[&["analyze", text(study)], more].concat()));
        assert_eq!(told(&one), told(&mirror), "{more:?}");
        assert!(told(&one).to_lowercase().contains("blinded"), "{more:?}");
    }
    for study in [&one, &mirror] {
        assert_eq!(code(&run(&["open", text(study), "--date", "2026-12-01"])), 0);
    }
    let side = |study: &Path| {
        let found = json(&["analyze", text(study), "--json"]);
        let findings = found["findings"].as_array().unwrap();
        let end_feel = findings.iter().find(|f| f["measure"] == "end_feel_n_per_mm");
        end_feel.unwrap()["side_of_resistance"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    assert_eq!(
        (side(&one), side(&mirror)),
        ("right".to_owned(), "left".to_owned())
    );
    let (_, opened) = analysed(&one);
    assert!(opened.keys().any(|name| name.starts_with("figures")));
    let page = String::from_utf8_lossy(&opened[Path::new("report.html")]).into_owned();
    assert!(page.contains("Blind until it was opened (2026-12-01)."));
    assert!(page.contains("the right side resisted more"));
}

#[test]
fn a_blinded_result_holds_no_measured_number_but_that_over_the_ceiling() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), "blind = true\n");
    let (_, found) = analysed(&study);
    assert!(
        found.keys().all(|name| !name.starts_with("figures")),
        "figures are hidden"
    );
    let table = |name: &str| {
        let bytes = std::io::Cursor::new(found[Path::new(name)].clone());
        ParquetReader::new(bytes).finish().unwrap()
    };
    let tests = table("tests.parquet");
    assert_eq!(tests.height(), 4);
    for measure in Measure::ALL {
        for name in [
            measure.info().name.to_owned(),
            format!("{}_u95", measure.info().name),
        ] {
            assert_eq!(tests.column(&name).unwrap().null_count(), 4, "{name}");
        }
    }
    let springs = table("springs.parquet");
    assert_eq!(springs.height(), 12);
    for column in springs.columns() {
        let told = ["recording", "test", "side", "spring", "counted"].contains(&column.name().as_str());
        assert_eq!(
            column.null_count(),
            if told { 0 } else { 12 },
            "{}",
            column.name()
        );
    }
    let findings = table("findings.parquet");
    assert!(findings.height() > 0);
    for name in [
        "left",
        "right",
        "asymmetry_percent",
        "low_percent",
        "high_percent",
        "side_of_resistance",
        "trials_to_decide",
        "p_value",
        "p_adjusted",
        "call_agrees",
        "difference",
        "difference_low",
        "difference_high",
    ] {
        assert_eq!(
            findings.column(name).unwrap().null_count(),
            findings.height(),
            "{name}"
        );
    }
    let technique = String::from_utf8_lossy(&found[Path::new("technique.csv")]).into_owned();
    assert_eq!(technique.matches("over_ceiling").count(), 4, "{technique}");
    assert!(
        !technique.contains("left") && !technique.contains("right"),
        "{technique}"
    );
    let page = String::from_utf8_lossy(&found[Path::new("report.html")]).into_owned();
    assert!(page.contains("over the lumbar ceiling of 40 N"));
    assert!(page.contains("blinded: measured sides are hidden until"));
    assert!(!page.contains("<svg"));
    let run: Value = serde_json::from_slice(&found[Path::new("run.json")]).unwrap();
    assert_eq!(run["blinded"], true);
}

#[test]
fn a_recording_tells_no_more_by_itself_than_within_its_blind_study() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), "blind = true\n");
    for path in [
        study.join("recordings/L3_left_1.csv"),
        study.join("recordings"),
        dir.path().to_owned(),
    ] {
        let found = json(&["analyze", text(&path), "--json"]);
        assert_eq!(found["blinded"], true);
        assert_eq!(
            found["tests"][0]["end_feel_n_per_mm"],
            Value::Null,
            "{}",
            path.display()
        );
    }
}

#[test]
fn a_study_is_opened_once_and_only_by_a_file_that_says_when_and_with_what() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), "blind = true\n");
    let file = study.join("opened.toml");
    for by_hand in [
        "",
        "date = \"2026-12-01\"\n",
        "\u{0}\u{1}",
        "date = 3\nsettings_sha256 = [1]\n",
    ] {
        std::fs::write(&file, by_hand).unwrap();
        let output = run(&["analyze", text(&study), "--json"]);
        let found: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(found["blinded"], true, "{by_hand}");
        assert_eq!(code(&output), 1, "{by_hand}");
        assert!(found["problems"].to_string().contains("opened.toml"), "{found}");
        let refused = run(&["open", text(&study)]);
        assert_eq!(code(&refused), 2);
        assert!(err(&refused).contains("remove it"), "{}", err(&refused));
        assert_eq!(std::fs::read_to_string(&file).unwrap(), by_hand);
    }
    std::fs::remove_file(&file).unwrap();
    assert_eq!(code(&run(&["open", text(&study), "--date", "2026-02-30"])), 2);
    assert!(!file.exists());
    assert_eq!(code(&run(&["open", text(&study)])), 0);
    let today = std::fs::read_to_string(&file).unwrap();
    assert!(today.contains("settings_sha256"), "{today}");
    let again = run(&["open", text(&study)]);
    assert!(
        code(&again) == 2 && err(&again).contains("opened already"),
        "{}",
        err(&again)
    );
    // Settings that change after the opening are told.
    let toml = std::fs::read_to_string(study.join("study.toml")).unwrap();
    assert!(!out(&run(&["analyze", text(&study)])).contains("after the study was opened"));
    std::fs::write(
        study.join("study.toml"),
        toml + "[compare]\nthreshold_percent = 5.0\n",
    )
    .unwrap();
    assert!(
        out(&run(&["analyze", text(&study)]))
            .replace("\n    ", " ")
            .contains("after the study was opened")
    );
}

#[test]
fn only_a_blind_study_can_be_opened_and_blind_is_yes_or_no() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), TOP);
    let refused = run(&["open", text(&study)]);
    assert!(
        code(&refused) == 2 && err(&refused).contains("is not blind"),
        "{}",
        err(&refused)
    );
    assert_eq!(code(&run(&["open", text(dir.path())])), 2);
    std::fs::write(study.join("study.toml"), "blind = \"yes\"\n").unwrap();
    // Nothing is shown by mistake.
    let output = run(&["analyze", text(&study)]);
    assert!(
        code(&output) == 2 && err(&output).contains("blind"),
        "{}",
        err(&output)
    );
}

#[test]
fn agreement_is_told_while_blind_and_calls_against_measured_sides_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), "blind = true\n");
    let output = run(&["agree", text(&study), "--json"]);
    assert!(
        err(&output).contains("calls against the measured side: blinded"),
        "{}",
        err(&output)
    );
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(found["calls"]["against_measured"].as_array().unwrap().len(), 0);
    assert_eq!(found["calls"]["measure"], Value::Null);
    assert!(
        found["calls"]["notes"].to_string().contains("blinded"),
        "{}",
        found["calls"]
    );
    assert_eq!(code(&run(&["open", text(&study)])), 0);
    let found = json(&["agree", text(&study), "--json"]);
    assert_eq!(found["calls"]["against_measured"].as_array().unwrap().len(), 1);
}
