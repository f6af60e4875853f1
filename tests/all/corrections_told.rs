//! What of corrections is counted, told and held against each other: words, reasons, departures, ceilings, two people.

use super::cohort::{code, err, run, text};
use super::corrections::{LEFT, RIGHT, analyzed, correct, number, of, rows, study};
use serde_json::{Value, json};
use std::path::Path;

fn run_json(out: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(out.join("run.json")).unwrap()).unwrap()
}

#[test]
fn words_and_corrections_are_counted_and_words_are_a_reason() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let none = run_json(&analyzed(&study, "none", &[]))["corrections"].clone();
    assert_eq!(
        (&none["corrections"], &none["annotations"], &none["not_used"]),
        (&json!(0), &json!(0), &json!(0))
    );
    correct(&study, LEFT, &["--annotate", "coughed", "--at", "4"]);
    correct(&study, LEFT, &["--annotate", "moved", "--at", "5"]);
    let words = analyzed(&study, "words", &[]);
    let report = std::fs::read_to_string(words.join("report.html")).unwrap();
    assert!(report.contains("Marked with a word by hand: 2 moments."));
    assert!(!report.contains("Corrected by hand"));
    let without_why = run(&["correct", text(&study), LEFT, "--leave-out", "--who", "E2"]);
    assert_eq!(code(&without_why), 0, "{}", err(&without_why));
    let needs_one = run(&["correct", text(&study), RIGHT, "--leave-out", "--who", "E2"]);
    assert!(
        code(&needs_one) == 2 && err(&needs_one).contains("the reason is needed"),
        "{}",
        err(&needs_one)
    );
    let out = analyzed(&study, "left-out", &[]);
    let by_person: Vec<_> = rows(&out, "exclusions")
        .into_iter()
        .filter(|r| r["by"] == "person")
        .collect();
    assert_eq!(
        (by_person.len(), by_person[0]["reason"].as_str()),
        (1, "coughed, moved")
    );
    let counts = &run_json(&out)["corrections"];
    assert_eq!(
        (
            &counts["corrections"],
            &counts["annotations"],
            &counts["people"],
            &counts["tests"]
        ),
        (&json!(1), &json!(2), &json!(1), &json!(1))
    );
}

#[test]
fn a_spring_that_was_taken_out_is_no_hold() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let before = of(&rows(&analyzed(&study, "before", &[]), "tests"), LEFT);
    assert!(number(&before[0], "steadiness_n") < 3.0);
    correct(&study, LEFT, &["--spring", "1", "--remove"]);
    let out = analyzed(&study, "after", &[]);
    let after = of(&rows(&out, "tests"), LEFT);
    assert_eq!(after[0]["steadiness_n"], "");
    let unsteady = rows(&out, "technique")
        .into_iter()
        .filter(|r| r["finding"].contains("unsteady"));
    assert_eq!(unsteady.filter(|r| r["recording"].ends_with(LEFT)).count(), 0);
}

#[test]
fn corrections_made_after_the_registration_are_departures() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let settings = study.join("study.toml");
    let of_settings = std::fs::read_to_string(&settings).unwrap();
    let hash = "0".repeat(64);
    std::fs::write(
        &settings,
        format!("{of_settings}\n[registered]\ndate = \"2026-09-01\"\nsettings_sha256 = \"{hash}\"\n"),
    )
    .unwrap();
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    correct(&study, LEFT, &["--annotate", "coughed", "--at", "4"]);
    let out = analyzed(&study, "out", &[]);
    let report = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(report.contains("Departs from the registration (2026-09-01): 1 correction made by hand since."));
}

/// Changes of all kinds at places that a small generator of numbers chooses (Numerical Recipes' constants, from memory).
#[test]
fn whatever_is_corrected_no_force_over_the_ceiling_is_lost() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let settings = study.join("study.toml");
    let mut text_of = std::fs::read_to_string(&settings).unwrap();
    text_of.push_str("\n[ceiling_n]\nneck = 30\nthoracic = 30\nlumbar = 45\nsacral = 400\n");
    std::fs::write(&settings, text_of).unwrap();
    let hardest = |out: &Path, recording: &str| {
        let over = rows(out, "technique")
            .into_iter()
            .filter(|r| r["finding"].contains("ceiling"));
        let here = over
            .filter(|r| r["recording"].ends_with(recording))
            .map(|r| number(&r, "value"));
        here.fold(0.0_f64, f64::max)
    };
    let before = analyzed(&study, "before", &[]);
    let mut state = 7_u32;
    let mut next = |most: u32| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) % most
    };
    let mut made = 0;
    for _ in 0..10 {
        let at = format!("{:.2}", 1.0 + 0.01 * f64::from(next(800)));
        let spring = (1 + next(4)).to_string();
        let change = match next(8) {
            0 => vec!["--contact-begin", &at],
            1 => vec!["--contact-end", &at],
            2 => vec!["--spring", &spring, "--remove"],
            3 => vec!["--spring", &spring, "--peaks", &at],
            4 => vec!["--split", &at],
            5 => vec!["--to-level", "sacral_base"],
            6 => vec!["--add-spring", &at],
            _ => vec!["--leave-out"],
        };
        let recording = if next(2) == 0 { LEFT } else { RIGHT };
        let mut all = vec![
            "--quiet",
            "correct",
            text(&study),
            recording,
            "--test",
            "1",
            "--who",
            "E1",
            "--why",
            "by chance",
        ];
        all.extend(change);
        made += usize::from(code(&run(&all)) == 0);
    }
    assert!(made >= 3, "{made}");
    let after = analyzed(&study, "after", &[]);
    for recording in [LEFT, RIGHT] {
        let (was, is) = (hardest(&before, recording), hardest(&after, recording));
        assert!(
            was > 45.0 && is >= 0.98 * was,
            "{recording}: {was} before, {is} now"
        );
    }
}

#[test]
fn two_people_and_the_program_are_held_against_each_other() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let copy = dir.path().join("copy.toml");
    correct(&study, LEFT, &["--spring", "2", "--remove"]);
    correct(&study, RIGHT, &["--annotate", "checked", "--at", "4"]);
    std::fs::rename(study.join("corrections.toml"), &copy).unwrap();
    let by_second = |recording: &str, change: &[&str]| {
        let args = [
            &[
                "correct",
                text(&study),
                recording,
                "--who",
                "E2",
                "--why",
                "as seen",
            ][..],
            change,
        ]
        .concat();
        let output = run(&args);
        assert_eq!(code(&output), 0, "{}", err(&output));
    };
    by_second(LEFT, &["--contact-begin", "1.0"]);
    by_second(RIGHT, &["--onset-within", "7", "9"]);
    let out = dir.path().join("agreement");
    let output = run(&[
        "agree",
        text(&study),
        "--corrections",
        text(&copy),
        "--out",
        text(&out),
    ]);
    assert!(matches!(code(&output), 0 | 1), "{}", err(&output));
    let table = rows(&out, "correctors");
    let pairs: Vec<[&str; 5]> = table
        .iter()
        .map(|r| ["first", "second", "recordings", "springs", "springs_second_only"].map(|c| r[c].as_str()))
        .collect();
    let all: usize = pairs[1][3].parse::<usize>().unwrap();
    let less = (all - 1).to_string();
    assert_eq!(pairs.len(), 3);
    assert_eq!(pairs[0], ["E2", "E1", "2", less.as_str(), "0"]);
    assert_eq!(pairs[1], ["E2", "program", "2", pairs[1][3], "0"]);
    assert_eq!(pairs[2], ["E1", "program", "2", less.as_str(), "1"]);
    assert_eq!(table[0]["springs_first_only"], "1");
    // The one who set a word alone left every onset where the program has it.
    let onsets: Vec<f64> = table.iter().map(|r| number(r, "onsets_apart_mm")).collect();
    assert!(onsets[2] < 0.02 && onsets.iter().all(|d| *d < 0.5), "{onsets:?}");
    let page = std::fs::read_to_string(out.join("agreement.html")).unwrap();
    assert!(page.contains("Put right by hand") && page.contains("E2 and E1"));
    // Without corrections nothing of it is there.
    std::fs::remove_file(study.join("corrections.toml")).unwrap();
    let plain = dir.path().join("plain");
    let output = run(&["agree", text(&study), "--out", text(&plain)]);
    assert!(matches!(code(&output), 0 | 1), "{}", err(&output));
    assert!(!plain.join("correctors.csv").exists());
}
