//! The sheet of an assessment: one scan against its plan, beside what was put into it.

use super::{FIRST, SECOND, SPOILED, THIRD, class};
use std::path::Path;
use std::process::{Command, Output};
use tautpoint::report::debrief::{Request, Sheet, SheetRow};
use tautpoint::terms::{Level, SessionKey, Side};

fn sheet(examiner: &str, session: &str) -> Sheet {
    let (results, study) = &*SPOILED;
    let request = Request {
        scan: SessionKey {
            subject: Some("V-01".to_owned()),
            examiner: Some(examiner.to_owned()),
            session: Some(session.to_owned()),
        },
        plan: study.default_plan.clone(),
        minutes_allowed: Some(4.0),
        attempt: Some(2),
        ..Request::default()
    };
    Sheet::of(results, &study.calls, request)
}

fn places(rows: &[SheetRow]) -> Vec<(Option<usize>, String, Option<usize>)> {
    let one = |r: &SheetRow| {
        let place = r.test.as_ref().and_then(|t| t.place);
        (r.step, format!("{} {}", r.level.unwrap(), r.side.unwrap()), place)
    };
    rows.iter().map(one).collect()
}

#[test]
fn each_planned_test_has_its_row_and_early_springs_are_counted() {
    // L-02 made L3 first, and sprang L4 left and L3 right before the slack was out.
    let sheet = sheet("L-02", FIRST);
    let found = places(&sheet.rows);
    let expected = [
        (Some(1), "L4 left", Some(3)),
        (Some(1), "L4 right", Some(4)),
        (Some(2), "L3 left", Some(1)),
        (Some(2), "L3 right", Some(2)),
    ];
    let expected: Vec<_> = expected.map(|(s, w, p)| (s, w.to_owned(), p)).to_vec();
    assert_eq!(found, expected);
    for row in &sheet.rows {
        let [out, all] = row.test.as_ref().unwrap().pre_tension.unwrap();
        assert!(
            (3..=5).contains(&all),
            "simulated examiners spring three to five times"
        );
        let early = matches!(
            (row.level, row.side),
            (Some(Level::L4), Some(Side::Left)) | (Some(Level::L3), Some(Side::Right))
        );
        // A spring that starts at the lean's displacement, 1.2 mm short of the onset, every time.
        assert_eq!(out, if early { 0 } else { all }, "{:?} {:?}", row.level, row.side);
    }
    assert_eq!(sheet.out_of_order.as_ref().map(Vec::len), Some(2));
}

#[test]
fn a_missed_step_has_an_empty_row_and_a_test_too_many_stands_last() {
    let missed = sheet("L-01", SECOND);
    let row = missed.rows.last().unwrap();
    assert_eq!(
        (row.level, row.side, row.test.is_none()),
        (Some(Level::L3), Some(Side::Right), true)
    );
    assert_eq!(missed.out_of_order, Some(Vec::new()));
    let html = missed.page().unwrap();
    assert!(html.contains("3 of 4") && html.contains("no test"));
    let again = sheet("L-03", THIRD);
    assert_eq!(again.rows.len(), 5);
    assert_eq!((again.rows[4].step, again.rows[4].level), (None, Some(Level::L4)));
}

#[test]
fn a_peak_over_the_ceiling_says_by_how_much() {
    let sheet = sheet("L-03", FIRST);
    let row = sheet
        .rows
        .iter()
        .find(|r| r.level == Some(Level::L3) && r.side == Some(Side::Left))
        .unwrap();
    let test = row.test.as_ref().unwrap();
    // The fault leans so heavily that springs peak about a tenth over 175 N.
    let peak = test.total_peak_n.unwrap();
    assert!((1.03..1.25).contains(&(peak / 175.0)), "{peak}");
    assert_eq!(test.ceiling_n, 175.0);
    let html = sheet.page().unwrap();
    assert!(html.contains(&format!("{peak:.1}, over 175 by {:.1}", peak - 175.0)));
}

#[test]
fn calls_stand_beside_measured_sides() {
    let (results, study) = &*SPOILED;
    let sheet = sheet("L-04", FIRST);
    let levels: Vec<&str> = sheet.calls.iter().map(|c| c.level.word()).collect();
    assert_eq!(levels, ["L3", "L4"]);
    for call in &sheet.calls {
        let said = study
            .calls
            .iter()
            .find(|c| c.examiner == "L-04" && c.session == FIRST && c.level == call.level)
            .unwrap();
        assert_eq!(call.calls, [said.call]);
        let found = results.comparisons.iter().find(|f| {
            f.key.examiner.as_deref() == Some("L-04")
                && f.key.session.as_deref() == Some(FIRST)
                && f.key.level == Some(call.level)
                && f.measure == tautpoint::columns::Measure::EndFeel
        });
        let percent = found.unwrap().asymmetry_percent.unwrap();
        let number = tautpoint::format::number(percent, 0);
        assert!(call.measured.as_ref().unwrap().contains(&number), "{call:?}");
    }
}

#[test]
fn the_marks_have_a_row_an_item_and_two_empty_columns() {
    let table = sheet("L-03", FIRST).marks();
    let at = |name: &str| table.position(name).unwrap();
    let text = |row: &[tautpoint::report::tables::Cell], name: &str| {
        row[at(name)]
            .as_text(table.columns[at(name)].kind)
            .unwrap_or_default()
    };
    let items: Vec<String> = table.rows.iter().map(|r| text(r, "item")).collect();
    let count = |item: &str| items.iter().filter(|i| *i == item).count();
    for (item, times) in [
        ("time", 1),
        ("coverage", 4),
        ("order", 4),
        ("pre-tension before each spring", 4),
        ("excursion", 4),
        ("peak force", 4),
        ("call", 2),
        ("landmark found", 1),
        ("stance and use of body weight", 1),
        // No tilt was recorded, so people must see it.
        ("line of drive", 1),
        ("the subject's comfort", 1),
        ("communication with the subject", 1),
    ] {
        assert_eq!(count(item), times, "{item}");
    }
    for row in &table.rows {
        assert_eq!(text(row, "assessor_1") + &text(row, "assessor_2"), "");
        assert_eq!(text(row, "candidate"), "L-03");
        assert_eq!(text(row, "attempt"), "2");
    }
    let time = &table.rows[0];
    assert_eq!(text(time, "high"), "240");
    assert!((125.0..135.0).contains(&text(time, "value").parse::<f64>().unwrap()));
}

#[test]
fn a_sheet_gives_no_verdict() {
    let html = sheet("L-03", FIRST).page().unwrap().to_lowercase();
    for word in [
        "passed",
        "failed",
        "pass/fail",
        "total",
        "score",
        "grade",
        "normal",
        "dysfunction",
        "lesion",
    ] {
        assert!(!html.contains(word), "{word}");
    }
    assert!(html.contains("first assessor") && html.contains("second assessor"));
}

fn run(args: &[&str]) -> (i32, String) {
    let output: Output = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(args)
        .output()
        .unwrap();
    let text =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    (output.status.code().unwrap(), text)
}

fn words(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn a_draw_is_kept_stands_and_heads_the_sheet() {
    let (dir, root) =
        class(|p| p.about.examiner.as_deref() == Some("L-01") && p.about.session.as_deref() == Some(FIRST));
    let study = words(&root);
    let draw = |plans: &str, session: &str| {
        run(&[
            "debrief",
            study,
            "--draw",
            plans,
            "--examiner",
            "L-01,L-02",
            "--session",
            session,
            "--seed",
            "4711",
            "--minutes",
            "12",
        ])
    };
    let (code, text) = draw("no-such-plan,seated", FIRST);
    assert_eq!(code, 2, "{text}");
    assert!(
        text.contains("found no-such-plan, a plan that is neither in plans/ nor built in")
            && !root.join("draws.toml").exists(),
        "{text}"
    );
    let (code, text) = draw("simulated-scan,simulated-scan", FIRST);
    assert_eq!(code, 0, "{text}");
    let kept = std::fs::read_to_string(root.join("draws.toml")).unwrap();
    assert!(
        kept.contains("seed = 4711") && kept.contains("minutes = 12.0"),
        "{kept}"
    );
    let (code, text) = draw("seated", FIRST);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("a draw stands"), "{text}");
    assert_eq!(std::fs::read_to_string(root.join("draws.toml")).unwrap(), kept);

    let out = dir.path().join("sheet");
    let sheet = |session: &str| {
        run(&[
            "debrief",
            study,
            "--sheet",
            "--examiner",
            "L-01",
            "--session",
            session,
            "--out",
            words(&out),
        ])
    };
    let (code, text) = sheet("2026-01-01");
    assert_eq!(code, 2, "{text}");
    assert!(
        text.contains(&format!("the sessions of L-01 are {FIRST}")),
        "{text}"
    );
    let (code, text) = sheet(FIRST);
    assert_eq!(code, 0, "{text}");
    let html = std::fs::read_to_string(out.join("sheet.html")).unwrap();
    for part in ["by seed 4711", "12\u{a0}min", "4 of 4"] {
        assert!(html.contains(part), "{part}");
    }
    let marks = std::fs::read_to_string(out.join("marks.csv")).unwrap();
    let head = marks.lines().next().unwrap();
    let book = std::fs::read_to_string(out.join("codebook.csv")).unwrap();
    for column in head.split(',') {
        assert!(book.contains(&format!("marks,{column},")), "{column}");
    }
    // The same again replaces its own results; a folder with something else in it is refused.
    assert_eq!(sheet(FIRST).0, 0);
    std::fs::write(out.join("mine.txt"), "x").unwrap();
    let (code, text) = sheet(FIRST);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("mine.txt"), "{text}");
}

#[test]
fn the_program_writes_every_page_and_table_of_a_debrief() {
    let (dir, root) = class(|p| p.about.session.as_deref() == Some(FIRST));
    let out = dir.path().join("debrief");
    let (code, text) = run(&["debrief", words(&root), "--out", words(&out)]);
    assert_eq!(code, 0, "{text}");
    for file in [
        "class.html",
        "learners/L-01.html",
        "learners/L-04.html",
        "learners.csv",
        "learners.parquet",
        "findings-share.csv",
        "findings-share.parquet",
        "coverage.csv",
        "coverage.parquet",
        "closeness.csv",
        "learning-curves.csv",
        "feedback.csv",
        "objective.csv",
        "codebook.csv",
        "run.json",
    ] {
        assert!(out.join(file).is_file(), "{file}");
    }
    // Every page lets in its own style and, the class's, its own script; nothing else.
    let class = std::fs::read_to_string(out.join("class.html")).unwrap();
    assert!(class.contains("script-src &#x27;sha256-") || class.contains("script-src 'sha256-"));
    assert!(
        !class.contains("http://")
            || class.matches("http://").count() == class.matches("http://www.w3.org/2000/svg").count()
    );
    let learner = std::fs::read_to_string(out.join("learners/L-01.html")).unwrap();
    assert!(!learner.contains("<script"));
}

#[test]
fn a_study_without_recordings_is_refused_and_nothing_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("empty");
    std::fs::create_dir_all(root.join("recordings")).unwrap();
    std::fs::write(root.join("study.toml"), "title = \"nothing yet\"\n").unwrap();
    let out = dir.path().join("out");
    let (code, text) = run(&["debrief", words(&root), "--out", words(&out)]);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("no recordings") && !out.exists(), "{text}");
}
