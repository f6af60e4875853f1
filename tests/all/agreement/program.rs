//! `agree` as a program: files of ratings and studies, sound and broken.

use super::{SHROUT_FLEISS, close, number};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};
use tautpoint::stats::agreement::sem::MDC95_PER_SEM;
use tautpoint::stats::mixed::{MixedDesign, RandomTerm};

fn agree(args: &[&str], dir: &Path) -> Output {
    let program = env!("CARGO_BIN_EXE_tautpoint");
    Command::new(program)
        .arg("agree")
        .args(args)
        .current_dir(dir)
        .output()
        .unwrap()
}

fn ratings_file(dir: &Path, text: &str) {
    std::fs::write(dir.join("r.csv"), text).unwrap();
}

fn shrout_fleiss_csv() -> String {
    let mut text = "subject,rater,value\n".to_owned();
    for (s, row) in SHROUT_FLEISS.iter().enumerate() {
        for (r, v) in row.iter().enumerate() {
            text.push_str(&format!("V-0{s},L-{r},{v}\n"));
        }
    }
    text
}

#[test]
fn a_file_of_ratings_gives_the_published_numbers_by_name() {
    let dir = tempfile::tempdir().unwrap();
    ratings_file(dir.path(), &shrout_fleiss_csv());
    let out = agree(&["--ratings", "r.csv", "--json", "--out", "res"], dir.path());
    assert_eq!(
        out.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    for place in [&found["ratings"], &found["measures"]["value"]] {
        close(number(&place["icc_1"]), 0.165_741_768, 1e-8);
        close(number(&place["icc_a1"]), 0.289_763_780, 1e-8);
        close(number(&place["icc_c1"]), 0.714_840_715, 1e-8);
        close(number(&place["icc_1k"]), 0.442_797_134, 1e-8);
        close(number(&place["icc_ak"]), 0.620_050_548, 1e-8);
        close(number(&place["icc_ck"]), 0.909_315_542, 1e-8);
        close(number(&place["icc_c1_low"]), 0.342_464_8, 1e-6);
        close(number(&place["sem_consistency"]), 1.009_675_415, 1e-8);
        close(number(&place["sem_agreement"]), 2.502_776_236, 1e-8);
        close(number(&place["mdc95"]), MDC95_PER_SEM * 2.502_776_236, 1e-8);
        close(number(&place["mdc95_consistency"]), 2.798_677_465, 1e-8);
    }
    let page = std::fs::read_to_string(dir.path().join("res/agreement.html")).unwrap();
    assert!(
        page.contains("0.29 (0.02 to 0.76)") && page.contains("<svg"),
        "{page}"
    );
    let table = std::fs::read_to_string(dir.path().join("res/agreement.csv")).unwrap();
    assert!(
        table
            .lines()
            .nth(1)
            .unwrap()
            .starts_with("value,ratings,,6,4,24,mean_squares,"),
        "{table}"
    );
    // Again into the same folder: replaced whole, same bytes.
    let before = std::fs::read(dir.path().join("res/agreement.json")).unwrap();
    assert_eq!(
        agree(&["--ratings", "r.csv", "--out", "res"], dir.path())
            .status
            .code(),
        Some(0)
    );
    assert_eq!(
        std::fs::read(dir.path().join("res/agreement.json")).unwrap(),
        before
    );
}

#[test]
fn ratings_with_holes_are_all_used() {
    let dir = tempfile::tempdir().unwrap();
    let text = shrout_fleiss_csv()
        .replace("V-02,L-3,8\n", "")
        .replace("V-04,L-0,10\n", "V-04,L-0,\n");
    ratings_file(dir.path(), &text);
    let out = agree(&["--ratings", "r.csv", "--json", "--out", "res"], dir.path());
    assert_eq!(out.status.code(), Some(0));
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    let r = &found["ratings"];
    assert_eq!((&r["subjects"], &r["raters"]), (&6.into(), &4.into()));
    assert_eq!(
        (&r["ratings_given"], &r["basis"]),
        (&22.into(), &"variance_model".into())
    );
    assert!(
        r["notes"][0].as_str().unwrap().contains("22 of 24 ratings"),
        "{r}"
    );
    // R 4.2.2, lme4 1.1.31: y ~ 1 + (1 | subject) + (1 | rater), and without rater.
    let [subject, rater, error] = [2.355_344, 4.999_255, 1.180_411];
    close(number(&r["icc_a1"]), subject / (subject + rater + error), 1e-4);
    close(number(&r["icc_c1"]), subject / (subject + error), 1e-4);
    close(number(&r["sem_agreement"]), (rater + error).sqrt(), 1e-4);
    close(number(&r["sem_consistency"]), error.sqrt(), 1e-4);
    let [subject, error] = [0.212_247, 6.337_021];
    close(number(&r["icc_1"]), subject / (subject + error), 1e-4);
    let components = std::fs::read_to_string(dir.path().join("res/components.csv")).unwrap();
    assert!(components.contains("\nvalue,ratings,rater,4,"), "{components}");
    assert!(
        components.contains("not_told,goes together with another effect everywhere"),
        "{components}"
    );
}

#[test]
fn ratings_that_give_no_coefficient_say_what_is_missing_and_never_nan() {
    let dir = tempfile::tempdir().unwrap();
    for (text, code, said) in [
        ("subject,rater,value\nA,x,1\nB,x,2\n", 1, "one rater only"),
        ("subject,rater,value\nA,x,1\nA,y,2\n", 1, "one subject only"),
        (
            "subject,rater,value\nA,x,1\nB,y,2\n",
            1,
            "no two subjects were rated by the same two raters",
        ),
        ("subject,rater,value\nA,x,\nB,x,\n", 1, "no ratings"),
        (
            "subject,rater,value\nA,x,2\nA,y,2\nB,x,2\nB,y,2\n",
            0,
            "constant ratings",
        ),
        (
            "subject,rater,value\nA,x,1\nA,y,1\nB,x,2\nB,y,2\n",
            0,
            "raters never disagree",
        ),
        (
            "subject,rater,value\nA,x,1\nA,y,hard\nB,x,2\nB,y,2\nC,x,2\nC,y,4\n",
            1,
            "line 3, column value: found hard",
        ),
        (
            "subject,rater,value\nA,x,1\nA,x,7\n",
            1,
            "1 in line 2, 7 in line 3",
        ),
    ] {
        ratings_file(dir.path(), text);
        let out = agree(&["--ratings", "r.csv", "--json", "--out", "res"], dir.path());
        let (json, err) = (
            String::from_utf8(out.stdout).unwrap(),
            String::from_utf8(out.stderr).unwrap(),
        );
        assert_eq!(out.status.code(), Some(code), "{text}: {err}");
        assert!(format!("{json}{err}").contains(said), "{said}: {json}{err}");
        let found: Value = serde_json::from_str(&json).unwrap();
        assert!(found["ratings"].get("icc_1").is_some());
        for file in ["agreement.csv", "limits.csv", "trials.csv", "agreement.html"] {
            let written = std::fs::read_to_string(dir.path().join("res").join(file)).unwrap();
            assert!(
                !written.contains("NaN") && !written.contains("inf,"),
                "{text}: {file}: {written}"
            );
        }
    }
    for (text, said) in [
        ("", "an empty file"),
        ("subject,rater,value\n", "no usable rows"),
        ("subject,value\nA,1\n", "column rater: found no such column"),
    ] {
        ratings_file(dir.path(), text);
        let out = agree(&["--ratings", "r.csv", "--json"], dir.path());
        let err = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(2), "{err}");
        assert!(err.contains(said) && out.stdout.is_empty(), "{err}");
    }
    let out = agree(&["--ratings", "nowhere.csv"], dir.path());
    assert!(String::from_utf8_lossy(&out.stderr).contains("cannot be read"));
}

fn run(args: &[&str], dir: &Path) -> Output {
    let program = env!("CARGO_BIN_EXE_tautpoint");
    Command::new(program)
        .args(args)
        .current_dir(dir)
        .output()
        .unwrap()
}

#[test]
fn a_study_gets_the_coefficients_of_its_own_tests_and_keeps_its_spread_for_single_trials() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let made = run(
        &[
            "simulate",
            "study",
            "--out",
            "s",
            "--seed",
            "6",
            "--subjects",
            "2",
            "--examiners",
            "2",
            "--trials",
            "2",
            "--levels",
            "L4",
        ],
        dir,
    );
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let out = agree(&["s", "--json", "--out", "s/agreement"], dir);
    assert_eq!(
        out.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(
        found["measures"].as_object().unwrap().len(),
        tautpoint::columns::Measure::ALL.len()
    );

    // The same coefficients from the rows of `tests`: first trials, one row a place, one column an examiner, and the
    // subject's variance told apart from that of its places.
    let tests: Value = serde_json::from_slice(&run(&["analyze", "s", "--json"], dir).stdout).unwrap();
    let mut rows: Vec<([String; 3], f64)> = Vec::new();
    for t in tests["tests"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|t| t["trial"] == 1)
    {
        let place = format!("{} {} {} {}", t["subject"], t["level"], t["side"], t["session"]);
        let is = [t["subject"].to_string(), place, t["examiner"].to_string()];
        rows.push((is, number(&t["end_feel_n_per_mm"])));
    }
    assert_eq!(rows.len(), 8);
    let term = |of: &dyn Fn(&[String; 3]) -> String| {
        RandomTerm::new(&rows.iter().map(|r| of(&r.0)).collect::<Vec<_>>())
    };
    let terms = [
        term(&|r| r[0].clone()),
        term(&|r| r[1].clone()),
        term(&|r| r[2].clone()),
        term(&|r| format!("{} {}", r[0], r[2])),
    ];
    let values: Vec<f64> = rows.iter().map(|r| r.1).collect();
    let fit = MixedDesign::new(8, &[vec![1.0; 8]], &terms)
        .unwrap()
        .fit(&values)
        .unwrap();
    let [subject, place, rater, across, error] = fit.variances[..] else {
        panic!("five variances")
    };
    let between = &found["measures"]["end_feel_n_per_mm"]["between_examiners"];
    let target = subject + place;
    close(
        number(&between["icc_a1"]),
        target / (target + rater + across + error),
        1e-6,
    );
    close(
        number(&between["sem_agreement"]),
        (rater + across + error).sqrt(),
        1e-6,
    );
    assert_eq!(between["bland_altman"].as_array().unwrap().len(), 1);

    // One trial a side left: decisions rest on what agree wrote, and say so.
    for entry in std::fs::read_dir(dir.join("s/recordings")).unwrap() {
        let path = entry.unwrap().path();
        if path.to_string_lossy().contains("_2.") {
            std::fs::remove_file(path).unwrap();
        }
    }
    let single: Value = serde_json::from_slice(&run(&["analyze", "s", "--json"], dir).stdout).unwrap();
    let comparisons = single["findings"].as_array().unwrap();
    assert!(!comparisons.is_empty());
    assert!(
        comparisons.iter().all(|f| f["spread_source"] == "agreement"),
        "{comparisons:#?}"
    );
    let page = std::fs::read_to_string(dir.join("s/agreement/agreement.html")).unwrap();
    assert!(!page.contains("NaN") && page.contains("Agreement between examiners"));

    // Now every design lacks repetitions but that between examiners.
    let out = agree(&["s", "--json"], dir);
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    let within = &found["measures"]["end_feel_n_per_mm"]["within_examiner"];
    assert!(within["icc_1"].is_null() && within["reason"].as_str().unwrap().contains("one trial only"));
}

#[test]
fn a_call_of_another_word_and_calls_that_conflict_are_named_and_the_rest_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let made = run(
        &[
            "simulate", "study", "--out", "s", "--seed", "6", "--trials", "2", "--levels", "L4,L3",
        ],
        dir,
    );
    assert!(made.status.success());
    std::fs::write(
        dir.join("s/calls.csv"),
        "subject,examiner,session,level,trial,call,confidence\n\
         V-01,L-01,1,L3,1,rihgt,2\nV-01,L-01,1,L4,1,left,2\nV-01,L-01,1,L4,1,right,2\n",
    )
    .unwrap();
    let out = agree(&["s", "--json"], dir);
    let err = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(1), "{err}");
    assert!(
        err.contains("calls.csv, line 2, column call") && err.contains("write right"),
        "{err}"
    );
    assert!(err.contains("left in line 3, right in line 4"), "{err}");
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert!(number(&found["measures"]["end_feel_n_per_mm"]["icc_1"]).is_finite());
    assert_eq!(found["problems"].as_array().unwrap().len(), 2);
}
