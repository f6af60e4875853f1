//! What people put right: applied, taken back, refused, marked; and that it never takes a force over a ceiling away.

use super::cohort::{assert_same, code, contents, err, program, run, text};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use tautpoint::study::corrections::{CorrectionEntry, file_to_toml, parse};

/// A study of one invented subject with two trials a side at two levels.
pub fn study(dir: &Path) -> PathBuf {
    let study = dir.join("study");
    let made = run(&[
        "--quiet",
        "simulate",
        "study",
        "--out",
        text(&study),
        "--seed",
        "3",
        "--subjects",
        "1",
        "--trials",
        "2",
        "--levels",
        "L3,L4",
        "--rate-hz",
        "200",
    ]);
    assert_eq!(code(&made), 0, "{}", err(&made));
    study
}

pub const LEFT: &str = "V-01_L-01_2026-09-07_L3_left_1.csv";
pub const RIGHT: &str = "V-01_L-01_2026-09-07_L3_right_1.csv";

#[track_caller]
pub fn correct(study: &Path, recording: &str, change: &[&str]) -> String {
    let args = [
        &["correct", text(study), recording][..],
        change,
        &["--who", "E1", "--why", "as seen in the curve"],
    ];
    let output = run(&args.concat());
    assert_eq!(code(&output), 0, "{change:?}: {}", err(&output));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn refused(study: &Path, recording: &str, change: &[&str]) -> String {
    let before = std::fs::read(study.join("corrections.toml")).ok();
    let args = [
        &["correct", text(study), recording][..],
        change,
        &["--who", "E1", "--why", "as seen"],
    ];
    let output = run(&args.concat());
    assert_eq!(code(&output), 2, "{change:?}: {}", err(&output));
    assert_eq!(
        std::fs::read(study.join("corrections.toml")).ok(),
        before,
        "{change:?}"
    );
    err(&output)
}

/// Results of a study, in a folder of its own.
pub fn analyzed(study: &Path, out: &str, more: &[&str]) -> PathBuf {
    let out = study.parent().unwrap().join(out);
    let output = run(&[&["--quiet", "analyze", text(study), "--out", text(&out)], more].concat());
    assert!(matches!(code(&output), 0 | 1), "{}", err(&output));
    out
}

pub type Rows = Vec<BTreeMap<String, String>>;

pub fn rows(out: &Path, table: &str) -> Rows {
    let mut reader = csv::Reader::from_path(out.join(format!("{table}.csv"))).unwrap();
    let headings = reader.headers().unwrap().clone();
    let row = |r: csv::StringRecord| {
        let pairs = headings.iter().zip(r.iter());
        pairs.map(|(h, cell)| (h.to_owned(), cell.to_owned())).collect()
    };
    reader.records().map(|r| row(r.unwrap())).collect()
}

pub fn of(rows: &Rows, recording: &str) -> Rows {
    rows.iter()
        .filter(|r| r["recording"].ends_with(recording))
        .cloned()
        .collect()
}

pub fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column]
        .parse()
        .unwrap_or_else(|_| panic!("{column}: {}", row[column]))
}

/// Everything but what tells of the run itself.
pub fn tables(out: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = contents(out);
    all.retain(|name, _| name.extension().is_some_and(|e| e == "csv" || e == "svg"));
    all
}

#[test]
fn every_change_is_made_where_it_was_asked_for_and_marked_in_every_table() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let before = analyzed(&study, "before", &[]);
    let springs = of(&rows(&before, "springs"), LEFT);
    assert!(springs.len() >= 4);
    assert!(
        rows(&before, "tests")
            .iter()
            .all(|r| r["corrected_by"].is_empty())
    );
    let peak_s = number(&springs[2], "peak_s");
    correct(&study, LEFT, &["--spring", "2", "--remove"]);
    let at = format!("{}", peak_s - 0.03);
    correct(&study, LEFT, &["--spring", "2", "--peaks", &at]);
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    correct(&study, LEFT, &["--annotate", "coughed", "--at", "4"]);
    let after = analyzed(&study, "after", &[]);
    let (test, spring) = (
        &of(&rows(&after, "tests"), LEFT)[0],
        &of(&rows(&after, "springs"), LEFT),
    );
    assert_eq!(spring.len(), springs.len() - 1);
    // The spring that was the third one, its peak where it was set to the step of the time base.
    assert!((number(&spring[1], "peak_s") - (peak_s - 0.03)).abs() < 0.0051);
    assert!(number(&spring[1], "peak_n") <= number(&springs[2], "peak_n") + 0.5);
    assert_eq!(test["corrected_by"], "1 (E1); 2 (E1); 3 (E1)");
    assert!(
        test["notes"].contains("marked at 4.00 s: coughed"),
        "{}",
        test["notes"]
    );
    assert!(spring.iter().all(|r| r["corrected_by"] == test["corrected_by"]));
    // Every comparison of the scan rests on it: one spread, one correction for many levels.
    assert!(
        rows(&after, "findings")
            .iter()
            .all(|r| r["corrected_by"] == "1 (E1); 2 (E1); 3 (E1)")
    );
    let others = rows(&after, "tests")
        .into_iter()
        .filter(|r| !r["recording"].ends_with(LEFT));
    assert!(others.clone().count() == 7 && others.clone().all(|r| r["corrected_by"].is_empty()));
    let report = std::fs::read_to_string(after.join("report.html")).unwrap();
    assert!(report.contains("Corrected by hand: 3 corrections by E1; 1 test left out or resting on one."));
    assert!(report.contains("Marks were put right by hand: 3 corrections by one person"));
    let figure = format!("figures/test-{}-1-left.svg", LEFT.trim_end_matches(".csv"));
    let figure = std::fs::read_to_string(after.join(figure)).unwrap();
    assert!(
        figure.contains("corrected by hand: remove spring, spring peak, contact begin by E1")
            && figure.contains("coughed")
    );
    // Left out on request, every number is the program's.
    let detected = analyzed(&study, "detected", &["--as-detected"]);
    assert_eq!(tables(&detected), tables(&before));
    let report = std::fs::read_to_string(detected.join("report.html")).unwrap();
    assert!(report.contains(
        "As detected, on request: without 3 corrections made by hand and 1 moment marked with a word."
    ));
}

#[test]
fn taken_back_it_is_as_if_it_had_never_been() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let before = tables(&analyzed(&study, "before", &[]));
    let changes: [&[&str]; 6] = [
        &["--contact-end", "8.9"],
        &["--spring", "1", "--starts", "4.3"],
        &["--split", "5.2"],
        &["--test", "1", "--join"],
        &["--leave-out"],
        &["--onset-within", "7", "9"],
    ];
    for (k, change) in changes.iter().enumerate() {
        let recording = if k == 5 { RIGHT } else { LEFT };
        let output = run(&[
            &["correct", text(&study), recording, "--who", "E1", "--why", "try"][..],
            change,
        ]
        .concat());
        assert_eq!(code(&output), 0, "{change:?}: {}", err(&output));
    }
    assert_ne!(tables(&analyzed(&study, "corrected", &[])), before);
    for number in (1..=6).rev().map(|n: u32| n.to_string()) {
        let output = run(&[
            "correct",
            text(&study),
            "--undo",
            &number,
            "--who",
            "E2",
            "--why",
            "it was right",
        ]);
        assert_eq!(code(&output), 0, "{}", err(&output));
    }
    assert_eq!(tables(&analyzed(&study, "undone", &[])), before);
    let listed = run(&["correct", text(&study), "--list"]);
    let listed = String::from_utf8_lossy(&listed.stdout).into_owned();
    assert_eq!(listed.lines().count(), 12, "{listed}");
    assert_eq!(listed.matches("taken back").count(), 6, "{listed}");
}

#[test]
fn independent_entries_may_come_in_any_order() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    correct(&study, LEFT, &["--spring", "4", "--remove"]);
    correct(&study, RIGHT, &["--onset-within", "7", "9"]);
    correct(&study, LEFT, &["--spring", "1", "--ends", "4.8"]);
    let file = study.join("corrections.toml");
    let written = std::fs::read_to_string(&file).unwrap();
    let (entries, problems) = parse("corrections.toml", &written);
    assert_eq!(problems, []);
    let values = |out: &Path| -> Vec<String> {
        let drop = |mut r: BTreeMap<String, String>| {
            r.remove("corrected_by");
            format!("{r:?}")
        };
        ["tests", "springs", "findings"]
            .iter()
            .flat_map(|t| rows(out, t))
            .map(drop)
            .collect()
    };
    let expected = values(&analyzed(&study, "as-written", &[]));
    for (k, order) in [[3, 2, 1, 0], [1, 3, 0, 2], [2, 0, 3, 1]].iter().enumerate() {
        let entries = (1..)
            .zip(order)
            .map(|(number, of)| match entries.entries[*of].clone() {
                CorrectionEntry::Correction(mut c) => {
                    c.number = number;
                    CorrectionEntry::Correction(c)
                }
                undo @ CorrectionEntry::Undo { .. } => undo,
            });
        let text = file_to_toml(&entries.collect::<Vec<_>>());
        std::fs::write(&file, text).unwrap();
        assert_eq!(
            values(&analyzed(&study, &format!("order-{k}"), &[])),
            expected,
            "{order:?}"
        );
    }
}

#[test]
fn no_correction_takes_a_force_over_the_ceiling_away() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let settings = study.join("study.toml");
    let mut text_of = std::fs::read_to_string(&settings).unwrap();
    text_of.push_str("\n[ceiling_n]\nneck = 30\nthoracic = 30\nlumbar = 45\nsacral = 400\n");
    std::fs::write(&settings, text_of).unwrap();
    let over = |out: &Path| -> Vec<(String, f64)> {
        let found = rows(out, "technique")
            .into_iter()
            .filter(|r| r["finding"].contains("ceiling"));
        found
            .map(|r| (r["recording"].clone(), number(&r, "value")))
            .collect()
    };
    let peak = |found: &[(String, f64)], recording: &str| {
        let of_it = found
            .iter()
            .filter(|(r, _)| r.ends_with(recording))
            .map(|(_, n)| *n);
        of_it.fold(0.0_f64, f64::max)
    };
    let before = over(&analyzed(&study, "before", &[]));
    let (left, right) = (peak(&before, LEFT), peak(&before, RIGHT));
    assert!(left > 45.0 && right > 45.0, "{before:?}");
    correct(&study, LEFT, &["--leave-out"]);
    correct(&study, RIGHT, &["--to-level", "sacral_base"]);
    let third = "V-01_L-01_2026-09-07_L4_left_1.csv";
    let of_third = peak(&before, third);
    assert!(of_third > 45.0);
    // All that was pressed hard is cut off the contact.
    correct(&study, third, &["--contact-end", "3.0"]);
    let out = analyzed(&study, "corrected", &[]);
    let after = over(&out);
    for (recording, newtons) in [(LEFT, left), (RIGHT, right), (third, of_third)] {
        let now = peak(&after, recording);
        assert!(
            now >= 0.98 * newtons,
            "{recording}: {newtons} before, {now} now: {after:?}"
        );
    }
    let exclusions = rows(&out, "exclusions");
    let left_out: Vec<_> = exclusions.iter().filter(|r| r["by"] == "person").collect();
    assert_eq!(left_out.len(), 1);
    assert_eq!(left_out[0]["reason"], "as seen in the curve");
}

#[test]
fn what_does_not_fit_is_refused_and_named() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    for (recording, change, expected) in [
        ("nobody.csv", &["--leave-out"][..], "no recording nobody.csv"),
        (LEFT, &["--test", "7", "--leave-out"], "it has 1 left"),
        (LEFT, &["--spring", "9", "--remove"], "no spring 9"),
        (LEFT, &["--contact-begin", "99"], "outside the test"),
        (LEFT, &["--contact-begin", "NaN"], "number of seconds"),
        (LEFT, &["--split", "1.35"], "outside the test"),
        (LEFT, &["--join"], "no test follows"),
        (LEFT, &["--spring", "1", "--starts", "7"], "beyond another mark"),
        (LEFT, &["--onset-within", "5", "2"], "the smaller first"),
        (LEFT, &[], "say what is put right"),
    ] {
        let said = refused(&study, recording, change);
        assert!(said.contains(expected), "{change:?}: {said}");
    }
    // A recording that is another one now.
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    correct(&study, RIGHT, &["--contact-begin", "1.9"]);
    let changed = study.join("recordings").join(LEFT);
    let mut bytes = std::fs::read(&changed).unwrap();
    bytes.extend_from_slice(b"\n");
    std::fs::write(&changed, bytes).unwrap();
    std::fs::remove_file(study.join("recordings").join(RIGHT)).unwrap();
    let out = dir.path().join("out");
    let output = run(&["analyze", text(&study), "--out", text(&out)]);
    let said = err(&output) + &String::from_utf8_lossy(&output.stdout);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(code(&output), 1, "{said}");
    assert!(
        said.contains("entry 1") && said.contains("its bytes differ"),
        "{said}"
    );
    assert!(said.contains("not among the recordings (entry 2)"), "{said}");
    assert!(of(&rows(&out, "tests"), LEFT)[0]["corrected_by"].is_empty());
    let report = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(report.contains("Not used: 2 corrections, named among the problems."));
}

#[test]
fn a_broken_file_is_not_used_and_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let before = tables(&analyzed(&study, "before", &[]));
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    correct(&study, LEFT, &["--annotate", "coughed", "--at", "4"]);
    let file = study.join("corrections.toml");
    let good = std::fs::read_to_string(&file).unwrap();
    for broken in [
        &good[..good.len() - 20],
        // The last entry, whole.
        &good[..good.rfind("\n[[entry]]").unwrap()],
        "",
        &good.replace("who = \"E1\"", "who = \"E2\""),
        &good.replace("contact_begin", "contact_\u{1b}[31m"),
        &good.replace("to = 1.9", "to = nan"),
        "\u{0}\u{1}\u{2}",
        "[[entry]]\nnumber = 1\nnumber = 2\n",
    ] {
        std::fs::write(&file, broken).unwrap();
        let out = dir.path().join("broken");
        let _ = std::fs::remove_dir_all(&out);
        let output = run(&["--quiet", "analyze", text(&study), "--out", text(&out)]);
        let said = err(&output);
        assert_eq!(code(&output), 1, "{said}");
        assert!(
            said.contains("corrections.toml") && said.contains("results are as detected"),
            "{said}"
        );
        assert!(!said.contains('\u{1b}'), "{said}");
        assert_eq!(tables(&out), before);
        let report = std::fs::read_to_string(out.join("report.html")).unwrap();
        assert!(report.contains("corrections.toml cannot be used: every result is as detected."));
        let refused = refused(&study, LEFT, &["--leave-out"]);
        assert!(refused.contains("put it back as it was written"), "{refused}");
    }
}

#[test]
fn while_a_study_is_blind_nobody_puts_a_side_right_nor_sees_a_number() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let settings = study.join("study.toml");
    let of_settings = std::fs::read_to_string(&settings).unwrap();
    correct(&study, RIGHT, &["--to-side", "midline"]);
    std::fs::write(&settings, format!("blind = true\n{of_settings}")).unwrap();
    for change in [["--to-side", "right"], ["--to-level", "L5"]] {
        let said = refused(&study, LEFT, &change);
        assert!(said.contains("the study is blind"), "{said}");
    }
    let said = correct(&study, LEFT, &["--contact-begin", "1.9"]);
    assert!(!said.contains("before"), "{said}");
    // One made earlier, or by another hand in the file, is refused too.
    let out = dir.path().join("out");
    let output = run(&["--quiet", "analyze", text(&study), "--out", text(&out)]);
    assert_eq!(code(&output), 1);
    assert!(
        err(&output).contains("while the study is blind"),
        "{}",
        err(&output)
    );
    assert_eq!(of(&rows(&out, "tests"), RIGHT)[0]["side"], "right");
    let report = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(!report.contains("Corrections change a word"));
}

#[test]
fn shards_and_a_run_taken_up_see_corrections_as_inputs() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    correct(&study, LEFT, &["--spring", "2", "--remove"]);
    let whole = analyzed(&study, "whole", &[]);
    let shard = |k: &str, out: &str| analyzed(&study, out, &["--shard", k]);
    let (one, two) = (shard("1/2", "one"), shard("2/2", "two"));
    let combined = dir.path().join("combined");
    let output = run(&[
        "--quiet",
        "combine",
        text(&one),
        text(&two),
        "--out",
        text(&combined),
    ]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    assert_same(&whole, &combined);
    // A shard of before the correction is none of the same run.
    correct(&study, RIGHT, &["--leave-out"]);
    let later = shard("2/2", "later");
    let output = run(&[
        "--quiet",
        "combine",
        text(&one),
        text(&later),
        "--out",
        text(&dir.path().join("mixed")),
    ]);
    assert_eq!(code(&output), 2);
    assert!(err(&output).contains("not the same"), "{}", err(&output));
    let run_json = std::fs::read_to_string(whole.join("run.json")).unwrap();
    assert!(run_json.contains("corrections.toml"));
}

#[test]
fn a_changed_word_is_told_beside_the_one_detected() {
    let dir = tempfile::tempdir().unwrap();
    let study = dir.path().join("study");
    let made = run(&[
        "--quiet",
        "simulate",
        "study",
        "--out",
        text(&study),
        "--seed",
        "5",
        "--subjects",
        "1",
        "--trials",
        "4",
        "--levels",
        "L3",
        "--rate-hz",
        "200",
        "--asymmetry",
        "L3=60",
    ]);
    assert_eq!(code(&made), 0, "{}", err(&made));
    let words = |out: &Path| -> Vec<String> {
        let decided = rows(out, "findings")
            .into_iter()
            .filter(|r| r["measure"] == "end_feel_n_per_mm");
        decided.map(|r| r["side_of_resistance"].clone()).collect()
    };
    let before = words(&analyzed(&study, "before", &[]));
    assert!(before.iter().any(|w| w == "left" || w == "right"), "{before:?}");
    let named: Vec<String> = rows(&dir.path().join("before"), "tests")
        .into_iter()
        .map(|r| r["recording"].clone())
        .collect();
    for recording in named.iter().filter(|r| r.contains("_left_")) {
        correct(&study, recording, &["--leave-out"]);
    }
    let out = analyzed(&study, "after", &[]);
    let report = std::fs::read_to_string(out.join("report.html")).unwrap();
    let told = format!("end-feel stiffness: no comparison; as detected: {}.", before[0]);
    assert!(
        report.contains("Corrections change a word") && report.contains(&told),
        "{told}"
    );
}

#[test]
fn two_who_correct_at_once_both_stand_in_the_file_or_one_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let start = |recording: &str| {
        let args = [
            "correct",
            text(&study),
            recording,
            "--leave-out",
            "--who",
            "E1",
            "--why",
            "at once",
        ];
        program()
            .args(args)
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap()
    };
    let all: Vec<_> = (0..6)
        .map(|k| start(if k % 2 == 0 { LEFT } else { RIGHT }))
        .collect();
    let ended: Vec<_> = all.into_iter().map(|c| c.wait_with_output().unwrap()).collect();
    let kept = ended.iter().filter(|o| code(o) == 0).count();
    for output in ended.iter().filter(|o| code(o) != 0) {
        let said = err(output);
        let told = [
            "meanwhile",
            "another program",
            "exists",
            "is there already",
            "no test",
            "no such test",
        ];
        assert!(told.iter().any(|t| said.contains(t)), "{said}");
    }
    assert!(kept >= 1);
    let listed = run(&["correct", text(&study), "--list"]);
    assert_eq!(code(&listed), 0, "{}", err(&listed));
    assert_eq!(String::from_utf8_lossy(&listed.stdout).lines().count(), kept);
}

#[test]
fn nothing_is_written_that_could_not_be_read_or_would_forge_a_line() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let long = "x".repeat(301);
    for (who, why, change, expected) in [
        ("E1", "line\nfeed", &["--leave-out"][..], "one plain line"),
        ("E1", "\u{1b}[31m", &["--leave-out"], "one plain line"),
        ("E1", "bell\u{7}", &["--leave-out"], "one plain line"),
        ("E1", &long, &["--leave-out"], "write it shorter"),
        ("E1); 9 (E9", "try", &["--leave-out"], "a code of letters"),
        ("a@b.example", "try", &["--leave-out"], "a code of letters"),
        ("Anna", "try", &["--leave-out"], "looks like a name"),
        (
            "E1",
            "try",
            &["--annotate", "a\u{9b}b", "--at", "4"],
            "one plain line",
        ),
        ("E1", "try", &["--annotate", " ", "--at", "4"], "needs a word"),
        ("E1", "try", &["--onset-within", "2", "1e15"], "the smaller first"),
    ] {
        let output = run(&[
            &["correct", text(&study), LEFT, "--who", who, "--why", why][..],
            change,
        ]
        .concat());
        assert_eq!(code(&output), 2, "{who} {why:?} {change:?}");
        assert!(err(&output).contains(expected), "{expected}: {}", err(&output));
        assert!(!study.join("corrections.toml").exists());
    }
    correct(&study, LEFT, &["--leave-out"]);
    let undo = |number: &str| {
        run(&[
            "correct",
            text(&study),
            "--undo",
            number,
            "--who",
            "E1",
            "--why",
            "back",
        ])
    };
    assert_eq!(code(&undo("1")), 0);
    assert!(err(&undo("1")).contains("taken back already"));
    assert_eq!(code(&undo("2")), 0);
    assert_eq!(code(&undo("1")), 0);
}

/// Four tests in one recording with a plan of four steps.
fn scan(dir: &Path) -> PathBuf {
    let study = dir.join("scan");
    std::fs::create_dir_all(study.join("recordings")).unwrap();
    std::fs::create_dir_all(study.join("plans")).unwrap();
    std::fs::write(
        study.join("study.toml"),
        "title = \"A scan\"\n\n[plan]\ndefault = \"four\"\n",
    )
    .unwrap();
    let steps = [("L4", "left"), ("L4", "right"), ("L3", "left"), ("L3", "right")];
    let steps: String = steps
        .iter()
        .map(|(l, s)| format!("\n[[step]]\nlevel = \"{l}\"\nside = \"{s}\"\n"))
        .collect();
    std::fs::write(study.join("plans/four.toml"), format!("name = \"four\"\n{steps}")).unwrap();
    let recording = study.join("recordings/scan.csv");
    let made = run(&[
        "--quiet",
        "simulate",
        "trace",
        "--out",
        text(&recording),
        "--tests",
        "4",
        "--rate-hz",
        "200",
        "--seed",
        "2",
    ]);
    assert_eq!(code(&made), 0, "{}", err(&made));
    let _ = std::fs::remove_file(recording.with_extension("toml"));
    study
}

#[test]
fn an_end_set_under_load_moves_no_zero_and_no_neighbour() {
    let dir = tempfile::tempdir().unwrap();
    let study = scan(dir.path());
    let before = rows(&analyzed(&study, "before", &[]), "tests");
    assert_eq!(before.len(), 4);
    let (begin, end) = (
        analyzed(&study, "before", &[]),
        rows(&dir.path().join("before"), "springs"),
    );
    let _ = begin;
    let second: Vec<f64> = end
        .iter()
        .filter(|r| r["test"] == "2")
        .map(|r| number(r, "end_s"))
        .collect();
    let cut = format!("{}", second[second.len() - 1] + 0.05);
    correct(&study, "scan.csv", &["--test", "2", "--contact-end", &cut]);
    let first = format!(
        "{}",
        end.iter()
            .filter(|r| r["test"] == "3")
            .map(|r| number(r, "start_s"))
            .next()
            .unwrap()
            - 0.4
    );
    correct(&study, "scan.csv", &["--test", "3", "--contact-begin", &first]);
    let out = analyzed(&study, "after", &[]);
    let after = rows(&out, "tests");
    for (old, new) in before.iter().zip(&after) {
        assert!(
            (number(old, "peak_n") - number(new, "peak_n")).abs() < 0.05,
            "{} {}",
            old["peak_n"],
            new["peak_n"]
        );
        assert!(!new["notes"].contains("zero moved"), "{}", new["notes"]);
        assert_eq!(
            new["corrected_by"].is_empty(),
            !["2", "3"].contains(&new["test"].as_str())
        );
        if new["corrected_by"].is_empty() {
            assert_eq!(old, new);
        }
    }
}

#[test]
fn a_plan_and_corrections_get_on() {
    let dir = tempfile::tempdir().unwrap();
    let study = scan(dir.path());
    // What would leave the plan without a match is not written.
    let said = refused(&study, "scan.csv", &["--test", "3", "--split", "21.0"]);
    assert!(said.contains("nothing was written"), "{said}");
    // One test less than the plan has: the others keep their places.
    correct(&study, "scan.csv", &["--test", "2", "--leave-out"]);
    let left = rows(&analyzed(&study, "three", &[]), "tests");
    let places: Vec<String> = left
        .iter()
        .map(|r| format!("{} {}", r["level"], r["side"]))
        .collect();
    assert_eq!(places, ["L4 left", "L3 left", "L3 right"]);
    // A touch too many: left out, the rest matches.
    let plan = study.join("plans/four.toml");
    let text_of = std::fs::read_to_string(&plan).unwrap();
    let three = text_of.replacen("\n[[step]]\nlevel = \"L4\"\nside = \"right\"\n", "", 1);
    assert_ne!(three, text_of);
    std::fs::write(&plan, three).unwrap();
    let fewer = rows(&analyzed(&study, "fewer", &[]), "tests");
    assert_eq!(fewer.len(), 3);
    let undone = run(&[
        "correct",
        text(&study),
        "--undo",
        "1",
        "--who",
        "E1",
        "--why",
        "try",
    ]);
    assert_eq!(code(&undone), 0);
    assert_eq!(code(&run(&["--quiet", "analyze", text(&study)])), 2);
    correct(&study, "scan.csv", &["--test", "2", "--leave-out"]);
    assert_eq!(rows(&analyzed(&study, "again", &[]), "tests"), {
        let mut expected = fewer;
        expected
            .iter_mut()
            .for_each(|r| drop(r.insert("corrected_by".to_owned(), String::new())));
        expected
    });
}
