//! Result tables in their formats, the run record, the terminal text and the output folder.

use polars::prelude::{AnyValue, DataFrame, ParquetReader, SerReader};
use proptest::prelude::*;
use serde_json::Value;
use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};
use tautpoint::columns::{Column, Kind, Measure};
use tautpoint::compare::*;
use tautpoint::error::Problem;
use tautpoint::report::tables::{Cell, Table, codebook};
use tautpoint::report::{Exclusion, InputFile, Results, budget_text, json, run, summary_text};
use tautpoint::technique;
use tautpoint::trace::*;
use tautpoint::write::OutputFolder;

/// An invented test with three springs, which the tests below change as they need.
pub fn test_of(recording: &str, level: &str, side: Side) -> Test {
    let mut measures = Measures::default();
    for (i, measure) in Measure::ALL.into_iter().enumerate() {
        let value = 1.0 + i as f64 / 3.0;
        let sd = measure.info().over_springs.then_some(0.01);
        let estimate = Estimate {
            value,
            u95: Some(0.1 + 0.2),
            sd,
        };
        let line = |source, standard_uncertainty| BudgetLine {
            source,
            standard_uncertainty,
            degrees_of_freedom: Some(12.0),
        };
        let budget = vec![line("noise of force", 0.09), line("calibration", 0.12)];
        measures.set(measure, Measured { estimate, budget });
    }
    let spring = |number: u32| Spring {
        number,
        counted: number > 1,
        start_s: 0.7 + f64::from(number),
        start_mm: Some(9.0),
        peak_n: 66.9,
        loss_mj: Some(7.9),
        ..Spring::default()
    };
    Test {
        recording: recording.to_owned(),
        test: 1,
        about: About {
            subject: Some("V-07".to_owned()),
            examiner: Some("L-12".to_owned()),
            session: Some("2026-09-14".to_owned()),
            level: Some(level.to_owned()),
            side: Some(side),
            contact: Some("thumb".to_owned()),
            posture: Some("prone".to_owned()),
            line_of_drive_deg: Some(90.0),
            trial: Some(1),
            ..About::default()
        },
        rate_hz: 1000.0,
        samples: 9366,
        phases: Phases::default(),
        springs: (1..=3).map(spring).collect(),
        measures,
        window_n: [30.0, 100.0],
        knee: Knee::Fitted,
        fit: None,
        total_peak_n: 66.9,
        drive_deg: None,
        notes: vec![],
        curve: Curve::default(),
    }
}

fn finding(level: &str) -> Finding {
    Finding {
        key: Key {
            subject: Some("V-07".to_owned()),
            examiner: Some("L-12".to_owned()),
            session: Some("2026-09-14".to_owned()),
            level: Some(level.to_owned()),
            posture: Some("prone".to_owned()),
            contact: Some("thumb".to_owned()),
            line_of_drive_deg: Some(90.0),
        },
        comparison: ComparisonKind::LeftRight,
        measure: Measure::EndFeel,
        left: Some(11.0),
        right: Some(15.6),
        left_trials: 3,
        right_trials: 3,
        asymmetry_percent: Some(34.6),
        low_percent: Some(26.2),
        high_percent: Some(42.6),
        difference: None,
        threshold_percent: Some(15.0),
        mdc_percent: Some(9.1),
        spread_source: Some(SpreadSource::Trials),
        side_of_resistance: Some(Decision::Right),
        trials_to_decide: None,
        call: Some("right".to_owned()),
        call_agrees: Some(true),
        covers: vec![],
    }
}

/// Texts that break careless writers: markup, quotes, separators, line ends, formulas, terminal and direction controls.
const HOSTILE: [&str; 9] = [
    "<script>alert(1)</script>",
    "say \"no\", twice",
    "one\ntwo\r\nthree",
    "=HYPERLINK(\"http://x\")",
    "+1; -1; @x",
    "\u{1b}[31mred",
    "\u{202e}txet",
    " spaced ",
    "Łódź ± µ 脊",
];

fn hostile_results() -> Results {
    let mut results = Results {
        title: Some(HOSTILE[0].to_owned()),
        findings: vec![finding("L3")],
        ..Results::default()
    };
    for (i, text) in HOSTILE.iter().enumerate() {
        let mut test = test_of(&format!("recordings/{i}{text}.csv"), text, Side::Left);
        test.about.examiner = Some((*text).to_owned());
        test.about.contact = (i % 2 == 0).then(|| (*text).to_owned());
        test.notes = HOSTILE.iter().map(|s| (*s).to_owned()).take(i).collect();
        test.knee = [Knee::Fitted, Knee::TwoLines, Knee::None, Knee::NotLooked][i % 4];
        test.springs[0].dropped = Some((*text).to_owned());
        test.about.covers = vec!["L2".to_owned(), "L3".to_owned()];
        results.tests.push(test);
        let mut found = finding(text);
        found.call = Some((*text).to_owned());
        found.trials_to_decide = [
            Some(TrialsToDecide::Trials(4)),
            Some(TrialsToDecide::NotInOneSession),
            None,
        ][i % 3];
        found.difference = (i == 0).then_some([-0.5, -0.75, 0.1 + 0.2]);
        results.findings.push(found);
        results.unpaired.push(Unpaired {
            key: Key::default(),
            side: "left".to_owned(),
            trials: 2,
            reason: (*text).to_owned(),
        });
        results.exclusions.push(Exclusion {
            recording: (*text).to_owned(),
            test: (i > 3).then_some(2),
            side: None,
            spring: None,
            what: if i > 3 { "test" } else { "file" },
            by: "person",
            reason: (*text).to_owned(),
        });
        results
            .problems
            .push(Problem::warning(*text, *text, *text, *text));
    }
    results.remarks = technique::remarks(&results.tests, &[], &results.settings);
    results
}

fn all_tables(results: &Results) -> Vec<Table> {
    let mut tables = results.tables();
    tables.push(codebook());
    tables
}

fn read_csv(table: &Table) -> (Vec<String>, Vec<Vec<String>>) {
    let bytes = table.to_csv().unwrap();
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    let headings = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows = reader
        .records()
        .map(|r| r.unwrap().iter().map(str::to_owned).collect());
    (headings, rows.collect())
}

fn read_parquet(table: &Table) -> DataFrame {
    ParquetReader::new(Cursor::new(table.to_parquet().unwrap()))
        .finish()
        .unwrap()
}

/// Asserts that CSV and Parquet of a table both hold exactly its cells.
fn assert_written_alike(table: &Table) {
    let (headings, rows) = read_csv(table);
    let frame = read_parquet(table);
    let names: Vec<String> = table.columns.iter().map(|c| c.name.to_string()).collect();
    assert_eq!(headings, names, "{}", table.name);
    let stored: Vec<String> = frame.get_column_names().iter().map(|n| n.to_string()).collect();
    assert_eq!(stored, names, "{}", table.name);
    assert_eq!(rows.len(), table.rows.len(), "{}", table.name);
    assert_eq!(frame.height(), table.rows.len(), "{}", table.name);
    for (at, column) in table.columns.iter().enumerate() {
        let stored = frame.column(&column.name).unwrap();
        for (i, row) in table.rows.iter().enumerate() {
            let text = &rows[i][at];
            let place = format!("{} row {i} column {}", table.name, column.name);
            match (&row[at], stored.get(i).unwrap()) {
                (Cell::Num(n), AnyValue::Float64(m)) => {
                    assert_eq!(n.to_bits(), m.to_bits(), "{place}");
                    assert_eq!(text.parse::<f64>().unwrap().to_bits(), n.to_bits(), "{place}");
                }
                (Cell::Int(n), AnyValue::Int64(m)) => {
                    assert_eq!(*n, m, "{place}");
                    assert_eq!(text.parse::<i64>().unwrap(), *n, "{place}");
                }
                (Cell::Bool(b), AnyValue::Boolean(m)) => {
                    assert_eq!(*b, m, "{place}");
                    assert_eq!(text, if m { "true" } else { "false" }, "{place}");
                }
                (Cell::Missing, AnyValue::Null) => assert_eq!(text, "", "{place}"),
                (Cell::List(items), AnyValue::Null) => {
                    assert!(items.is_empty(), "{place}");
                    assert_eq!(text, "", "{place}");
                }
                (cell, value) => {
                    let stored = value
                        .get_str()
                        .unwrap_or_else(|| panic!("{place}: {cell:?}, {value:?}"));
                    assert_eq!(stored, text, "{place}");
                    assert_eq!(Some(stored.to_owned()), cell.as_text(column.kind), "{place}");
                }
            }
        }
    }
}

#[test]
fn csv_and_parquet_hold_the_same_cells_whatever_the_texts_are() {
    let results = hostile_results();
    for table in all_tables(&results) {
        assert!(!table.rows.is_empty(), "{}", table.name);
        assert_written_alike(&table);
    }
}

#[test]
fn tables_without_rows_keep_their_columns_and_kinds() {
    for table in Results::default().tables() {
        assert_written_alike(&table);
        let frame = read_parquet(&table);
        for column in &table.columns {
            let kind = frame.column(&column.name).unwrap().dtype().to_string();
            let wanted = match column.kind {
                Kind::Text | Kind::List(_) => "str",
                Kind::Int => "i64",
                Kind::Num => "f64",
                Kind::Bool => "bool",
            };
            assert_eq!(kind, wanted, "{}.{}", table.name, column.name);
        }
    }
}

fn column(name: &'static str, kind: Kind) -> Column {
    Column {
        name: name.into(),
        kind,
        unit: "",
        meaning: "any".into(),
        section: "",
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_and_any_number_come_back_as_they_were(
        rows in prop::collection::vec((any::<String>(), any::<f64>(), any::<i64>(), any::<Option<bool>>()), 0..8)
    ) {
        let rows = rows
            .iter()
            .map(|(t, n, i, b)| vec![
                Cell::text(t),
                Cell::num(*n),
                Cell::Int(*i),
                b.map_or(Cell::Missing, Cell::Bool),
            ])
            .collect();
        let columns = vec![
            column("text", Kind::Text),
            column("number", Kind::Num),
            column("whole", Kind::Int),
            column("yes", Kind::Bool),
        ];
        assert_written_alike(&Table { name: "any", columns, rows });
    }
}

#[test]
fn csv_is_quoted_as_rfc_4180_says() {
    // RFC 4180, section 2, rules 5 to 7: fields with line breaks, quotes or commas are quoted, quotes doubled.
    let rows = ["a\"b", "a,b", "a\nb", "=1+1"]
        .map(|t| vec![Cell::text(t), Cell::Int(1)])
        .to_vec();
    let columns = vec![column("text", Kind::Text), column("whole", Kind::Int)];
    let csv = Table {
        name: "any",
        columns,
        rows,
    }
    .to_csv()
    .unwrap();
    assert_eq!(
        String::from_utf8(csv).unwrap(),
        "text,whole\n\"a\"\"b\",1\n\"a,b\",1\n\"a\nb\",1\n=1+1,1\n"
    );
}

/// Whether `wanted` are all in `names`, in this order.
fn in_order(names: &[String], wanted: &str) -> Result<(), String> {
    let mut left = names.iter();
    for word in wanted.split(',').map(str::trim) {
        if !left.any(|n| n == word) {
            return Err(word.to_owned());
        }
    }
    Ok(())
}

fn names(table: &str) -> Vec<String> {
    let table = Results::default().table(table).unwrap();
    table.columns.iter().map(|c| c.name.to_string()).collect()
}

#[test]
fn the_tables_have_the_agreed_columns_in_the_agreed_order() {
    let tests = "recording, test, subject, examiner, session, level, side, contact, posture, line_of_drive_deg, trial, \
        rate_hz, samples, springs, preload_n, peak_n, spring_peak_n, excursion_mm, onset_mm, onset_travel_mm, onset_n, \
        take_up_n_per_mm, end_feel_n_per_mm, fitted_end_feel_n_per_mm, window_n_per_mm, window, secant_n_per_mm, \
        displacement_at_30_n_mm, damping_n_s_per_mm, loss_mj, loss_ratio, recoil_ratio, time_to_peak_s, spring_rate_hz, \
        steadiness_n, hand_share_percent, zero_drift_n, knee_found, notes";
    in_order(&names("tests"), tests).unwrap();
    let findings = "subject, examiner, session, level, posture, contact, line_of_drive_deg, comparison, measure, unit, \
        left, right, left_trials, right_trials, asymmetry_percent, low_percent, high_percent, threshold_percent, \
        mdc_percent, spread_source, side_of_resistance, trials_to_decide, call, call_agrees, covers, difference, \
        difference_low, difference_high";
    assert_eq!(names("findings").join(", "), findings);
    let springs = "recording, test, side, spring, counted, start_s, peak_s, end_s, preload_n, peak_n, start_mm, peak_mm, \
        end_mm, excursion_mm, end_feel_n_per_mm, secant_n_per_mm, loading_work_mj, loss_mj, loss_ratio, recoil_ratio, \
        time_to_peak_s, loading_rate_n_per_s, dropped";
    assert_eq!(names("springs").join(", "), springs);
    let technique = "recording, test, subject, examiner, session, level, side, finding, value, unit, low, high, text, advice";
    assert_eq!(names("technique").join(", "), technique);
}

#[test]
fn each_measure_is_followed_by_its_interval_and_a_mean_over_springs_by_its_spread() {
    let names = names("tests");
    for measure in Measure::ALL {
        let info = measure.info();
        let at = names.iter().position(|n| n == info.name).unwrap();
        assert_eq!(names[at + 1], format!("{}_u95", info.name));
        assert_eq!(names[at + 2] == format!("{}_sd", info.name), info.over_springs);
    }
}

#[test]
fn the_codebook_describes_every_column_once() {
    let book = Results::default().table("codebook").unwrap();
    let text = |row: &[Cell], i: usize| row[i].as_text(Kind::Text).unwrap_or_default();
    let mut described: Vec<(String, String)> = Vec::new();
    for row in &book.rows {
        described.push((text(row, 0), text(row, 1)));
        assert!(text(row, 4).len() > 10, "{row:?}");
        let section = text(row, 5);
        assert!(
            section.is_empty() || (1..=10).any(|n: u8| n.to_string() == section),
            "{row:?}"
        );
    }
    let mut wanted: Vec<(String, String)> = Vec::new();
    for table in all_tables(&Results::default()) {
        wanted.extend(
            table
                .columns
                .iter()
                .map(|c| (table.name.to_owned(), c.name.to_string())),
        );
    }
    assert_eq!(described, wanted);
    described.sort();
    described.dedup();
    assert_eq!(described.len(), wanted.len(), "a name stands twice in one table");
}

#[test]
fn a_unit_in_a_columns_name_is_the_unit_it_is_described_with() {
    let suffixes = [
        ("_n_s_per_mm", "N·s/mm"),
        ("_n_per_mm", "N/mm"),
        ("_n_per_s", "N/s"),
        ("_percent", "%"),
        ("_deg", "deg"),
        ("_mj", "mJ"),
        ("_mm", "mm"),
        ("_hz", "Hz"),
        ("_n", "N"),
        ("_s", "s"),
    ];
    let mut checked = 0;
    for table in Results::default().tables() {
        for column in table.columns.iter().filter(|c| c.kind == Kind::Num) {
            let name = column.name.trim_end_matches("_u95").trim_end_matches("_sd");
            if let Some((_, unit)) = suffixes.iter().find(|(suffix, _)| name.ends_with(suffix)) {
                assert_eq!(column.unit, *unit, "{}.{}", table.name, column.name);
                checked += 1;
            }
        }
    }
    assert!(checked > 60, "{checked}");
}

#[test]
fn the_json_has_the_agreed_names_and_kinds_of_values() {
    let agreed: Value = serde_json::from_str(include_str!("../reference/analyze/analyze.json")).unwrap();
    let mut results = Results {
        tests: vec![test_of("recordings/a.csv", "L3", Side::Left)],
        findings: vec![finding("L3")],
        ..Results::default()
    };
    let problem = Problem::error("recordings/b.csv", "abc", "a number", "correct or empty the cell");
    results.problems = vec![problem.at_line(500).in_column("force_n")];
    let ours: Value = serde_json::from_str(&json::analysis_text(&results)).unwrap();
    for (part, rows) in agreed.as_object().unwrap() {
        let row = ours[part][0].as_object().unwrap();
        for (name, value) in rows[0].as_object().unwrap() {
            let found = row.get(name).unwrap_or_else(|| panic!("{part} has no {name}"));
            let kind = |v: &Value| std::mem::discriminant(v);
            assert_eq!(kind(found), kind(value), "{part}.{name}: {found} for {value}");
        }
    }
    // The object's columns are those of the table, in the same order.
    let keys: Vec<&String> = ours["tests"][0].as_object().unwrap().keys().collect();
    assert_eq!(keys, names("tests").iter().collect::<Vec<_>>());
    for extra in ["technique", "unpaired", "exclusions"] {
        assert!(ours[extra].is_array(), "{extra}");
    }
}

#[test]
fn json_keeps_hostile_texts_lists_and_the_trials_to_decide() {
    let results = hostile_results();
    let ours: Value = serde_json::from_str(&json::analysis_text(&results)).unwrap();
    for (i, text) in HOSTILE.iter().enumerate() {
        assert_eq!(ours["tests"][i]["examiner"], **text);
        assert_eq!(ours["tests"][i]["notes"].as_array().unwrap().len(), i);
    }
    assert_eq!(ours["tests"][0]["knee_found"], true);
    assert_eq!(ours["tests"][2]["knee_found"], false);
    assert_eq!(ours["tests"][3]["knee_found"], Value::Null);
    assert_eq!(ours["tests"][0]["window"], "30-100 N");
    assert_eq!(ours["findings"][0]["trials_to_decide"], Value::Null);
    assert_eq!(ours["findings"][1]["trials_to_decide"], 4);
    assert_eq!(
        ours["findings"][2]["trials_to_decide"],
        "not decidable in one session"
    );
    assert_eq!(ours["findings"][1]["difference_high"], 0.1 + 0.2);
}

#[test]
fn the_same_results_give_the_same_bytes() {
    let (one, two) = (hostile_results(), hostile_results());
    for (a, b) in all_tables(&one).iter().zip(&all_tables(&two)) {
        assert_eq!(a.to_csv().unwrap(), b.to_csv().unwrap());
        assert!(a.to_parquet().unwrap() == b.to_parquet().unwrap(), "{}", a.name);
    }
    assert_eq!(json::analysis_text(&one), json::analysis_text(&two));
    assert_eq!(run::record(&one), run::record(&two));
}

#[test]
fn the_counts_add_up() {
    let mut results = hostile_results();
    results.recordings_given = Some(20);
    let c = results.counts();
    let r = c.recordings;
    assert_eq!((r.given, r.used, r.left_out), (20, 9, 4));
    assert_eq!(r.given, r.used + r.left_out + r.without_a_test);
    assert_eq!((c.tests.found, c.tests.reported, c.tests.left_out), (14, 9, 5));
    let s = c.springs;
    assert_eq!(
        (s.found, s.in_means, s.preconditioning, s.dropped),
        (27, 18, 0, 9)
    );
    let e = c.exclusions;
    assert_eq!((e.all, e.files, e.tests, e.springs), (9, 4, 5, 0));
    assert_eq!((e.by_rule, e.by_person), (0, 9));
    // A caller who counted too few cannot break the sums.
    results.recordings_given = Some(1);
    let r = results.counts().recordings;
    assert_eq!(r.given, r.used + r.left_out + r.without_a_test);
}

#[test]
fn the_run_record_names_no_place_on_the_machine() {
    let mut results = hostile_results();
    results.inputs = vec![InputFile {
        file: "/home/somebody/study/recordings/a.csv".to_owned(),
        sha256: "00".repeat(32),
        bytes: 12,
    }];
    results.problems = vec![Problem::error("/home/somebody/b.csv", "x", "y", "z")];
    let text = Value::Object(run::record(&results)).to_string();
    assert!(!text.contains("somebody"), "{text}");
    assert!(text.contains("\"a.csv\"") && text.contains("\"b.csv\""), "{text}");
}

#[test]
fn the_summary_keeps_to_100_columns_and_cannot_steer_a_terminal() {
    let mut results = hostile_results();
    for test in &mut results.tests {
        test.total_peak_n = 500.0;
        test.about.covers = vec!["C2".to_owned()];
        test.notes = vec![
            format!("no zero: {}", "a long story ".repeat(30)),
            "a further note ".repeat(9),
        ];
    }
    results.remarks = technique::remarks(&results.tests, &[], &results.settings);
    results.findings[2].side_of_resistance = Some(Decision::Undecided);
    let text = summary_text(&results);
    for line in text.lines() {
        assert!(line.chars().count() <= 100, "{line}");
        assert!(!line.chars().any(char::is_control), "{line:?}");
        assert!(!line.contains('\u{202e}'), "{line:?}");
    }
    for wanted in [
        "over the neck ceiling of 60 N",
        "side of resistance right",
        "not decidable in one session",
    ] {
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(wanted), "{wanted}: {text}");
    }
    for verdict in ["normal", "dysfunction", "lesion"] {
        assert!(!text.to_lowercase().contains(verdict), "{verdict}");
    }
}

#[test]
fn the_summary_shows_each_test_with_its_intervals() {
    let results = Results {
        tests: vec![test_of("recordings/a.csv", "sacral_base", Side::Right)],
        ..Results::default()
    };
    let text = summary_text(&results);
    let line = text.lines().find(|l| l.contains("sacral base")).unwrap();
    // Onset is the fifth measure (1 + 4/3), end-feel the ninth (1 + 8/3), peak the second (1 + 1/3).
    for cell in ["right", "2.33 ± 0.30", "3.67 ± 0.30", "1.3 ± 0.3"] {
        assert!(line.contains(cell), "{cell}: {line}");
    }
    assert!(
        text.contains("Scan: subject V-07, examiner L-12, session 2026-09-14"),
        "{text}"
    );
    assert!(text.contains("never a reason to press harder"), "{text}");
}

#[test]
fn the_budget_gives_each_line_its_share_of_the_variance() {
    let results = Results {
        tests: vec![test_of("recordings/a.csv", "L3", Side::Left)],
        ..Results::default()
    };
    let text = budget_text(&results);
    // 0.09² : 0.12² = 9 : 16, together 0.15²; 0.3 = 2 × 0.15.
    for wanted in [
        "36.0 %",
        "64.0 %",
        "combined 0.1500, times 2.00 for 95 %",
        "noise of force",
        "12",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    assert_eq!(text.matches("36.0 %").count(), Measure::ALL.len());
    assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
}

fn write_results(dir: &Path, results: &Results) -> tautpoint::error::Result<()> {
    let mut folder = OutputFolder::begin(dir, &[])?;
    results.write_tables(&mut folder)?;
    folder.write("figures/one.svg", b"<svg/>")?;
    folder.finish(run::record(results))
}

fn contents(dir: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    let mut open = vec![dir.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                found.push((
                    path.strip_prefix(dir).unwrap().to_owned(),
                    fs::read(&path).unwrap(),
                ));
            }
        }
    }
    found.sort();
    found
}

/// Names in a folder, those beginning with a point included.
fn listing(dir: &Path) -> Vec<String> {
    let entries = fs::read_dir(dir).unwrap();
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn a_second_run_replaces_the_first_one_whole() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("new/results");
    write_results(&dir, &hostile_results()).unwrap();
    let first = contents(&dir);
    let run: Value = serde_json::from_slice(&fs::read(dir.join("run.json")).unwrap()).unwrap();
    let listed: Vec<&str> = run["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["file"].as_str().unwrap())
        .collect();
    let there: Vec<&str> = first
        .iter()
        .map(|f| f.0.to_str().unwrap())
        .filter(|f| *f != "run.json")
        .collect();
    assert_eq!(listed, there);
    for wanted in [
        "springs.csv",
        "tests.parquet",
        "exclusions.csv",
        "codebook.csv",
        "figures/one.svg",
    ] {
        assert!(listed.contains(&wanted), "{wanted}");
    }
    write_results(&dir, &hostile_results()).unwrap();
    assert_eq!(contents(&dir), first, "same input, same bytes");
    let mut folder = OutputFolder::begin(&dir, &[]).unwrap();
    folder.write("tests.csv", b"other").unwrap();
    folder.finish(run::record(&Results::default())).unwrap();
    assert_eq!(listing(&dir), ["run.json", "tests.csv"]);
    assert_eq!(listing(dir.parent().unwrap()), ["results"]);
}

#[test]
fn a_folder_with_anything_else_in_it_is_refused_and_left_alone() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_results(&dir, &Results::default()).unwrap();
    for name in ["thesis.docx", "b.txt", "a.txt", "figures/mine.svg"] {
        fs::write(dir.join(name), "mine").unwrap();
    }
    fs::write(dir.join("tests.csv"), "edited by hand").unwrap();
    let before = contents(&dir);
    let message = write_results(&dir, &Results::default()).unwrap_err().to_string();
    assert_eq!(contents(&dir), before);
    assert_eq!(listing(place.path()), ["results"]);
    for wanted in ["a.txt, b.txt, figures/mine.svg and 2 more", "move that elsewhere"] {
        assert!(message.contains(wanted), "{message}");
    }
    for name in ["thesis.docx", "b.txt", "a.txt", "figures/mine.svg"] {
        fs::remove_file(dir.join(name)).unwrap();
    }
    let message = write_results(&dir, &Results::default()).unwrap_err().to_string();
    assert!(message.contains("tests.csv (changed since)"), "{message}");
}

#[test]
fn a_run_record_of_another_program_makes_no_folder_ours() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    fs::create_dir(&dir).unwrap();
    write_results(&dir, &Results::default()).expect("an empty folder may be used");
    let record = fs::read_to_string(dir.join("run.json")).unwrap();
    fs::write(dir.join("run.json"), record.replace("\"tautpoint\"", "\"other\"")).unwrap();
    let message = write_results(&dir, &Results::default()).unwrap_err().to_string();
    assert!(message.contains("holds what no earlier run wrote"), "{message}");
}

#[test]
fn something_added_while_a_run_is_at_work_is_not_lost() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_results(&dir, &Results::default()).unwrap();
    let folder = OutputFolder::begin(&dir, &[]).unwrap();
    fs::write(dir.join("late.txt"), "mine").unwrap();
    let message = folder
        .finish(run::record(&Results::default()))
        .unwrap_err()
        .to_string();
    assert!(message.contains("late.txt"), "{message}");
    assert!(dir.join("tests.csv").is_file());
    assert_eq!(listing(place.path()), ["results"]);
}

#[test]
fn recordings_are_never_written_to() {
    let place = tempfile::tempdir().unwrap();
    let study = place.path().join("study");
    let recordings = study.join("recordings");
    fs::create_dir_all(&recordings).unwrap();
    fs::write(study.join("study.toml"), "title = \"x\"").unwrap();
    fs::write(recordings.join("a.csv"), "time_s,force_n").unwrap();
    let plain = place.path().join("plain");
    fs::create_dir(&plain).unwrap();
    fs::write(plain.join("a.csv"), "time_s,force_n").unwrap();
    let before = contents(place.path());
    let begin = |dir: &Path, input: &Path| OutputFolder::begin(dir, &[input.to_owned()]).map(|_| ());
    for (dir, input) in [
        (&recordings, &recordings),
        (&recordings.join("results"), &study),
        (&recordings.join("results"), &plain),
        (&recordings.join("deep/results"), &recordings.join("a.csv")),
        (&study.join("calibrations/x"), &study),
        (&study, &study),
        (&place.path().to_owned(), &study),
        (&plain, &plain),
        (&plain.join("results"), &plain),
        (&study.join("results/../recordings/x"), &study),
    ] {
        let error = begin(dir, input).expect_err(&dir.display().to_string());
        assert!(
            matches!(error, tautpoint::error::Error::Refused { .. }),
            "{error}"
        );
    }
    assert_eq!(contents(place.path()), before);
    begin(&study.join("results"), &study).unwrap();
    begin(&study.join("results-second"), &study).unwrap();
    begin(&place.path().join("results"), &plain).unwrap();
    // A single recording of a folder is not the folder.
    begin(&plain.join("results"), &plain.join("a.csv")).unwrap();
}

#[test]
fn paths_inside_a_folder_stay_inside_it_and_are_written_once() {
    let place = tempfile::tempdir().unwrap();
    let mut folder = OutputFolder::begin(&place.path().join("results"), &[]).unwrap();
    folder.write("a/b.csv", b"1").unwrap();
    for bad in [
        "../x",
        "/etc/x",
        "a//b",
        "",
        "./x",
        "a/../../x",
        "run.json",
        "a/b.csv",
        "a\\b",
    ] {
        assert!(folder.write(bad, b"x").is_err(), "{bad}");
    }
    assert_eq!(folder.files().collect::<Vec<_>>(), ["a/b.csv"]);
}

#[test]
fn two_runs_into_one_folder_at_once_are_refused() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    let first = OutputFolder::begin(&dir, &[]).unwrap();
    let message = write_results(&dir, &Results::default()).unwrap_err().to_string();
    assert!(message.contains("another run is writing"), "{message}");
    drop(first);
    write_results(&dir, &Results::default()).unwrap();
    assert_eq!(listing(place.path()), ["results"]);
}

const KILLED_IN: &str = "TAUTPOINT_TEST_KILLED_IN";

/// Starts this very test in a second process, which dies in the middle of writing results into `dir`.
fn kill_a_run(dir: &Path) {
    let program = std::env::current_exe().unwrap();
    let name = "tables::a_killed_run_leaves_whole_results_and_the_next_one_clears_up";
    let ended = std::process::Command::new(program)
        .args(["--exact", name])
        .env(KILLED_IN, dir)
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .status()
        .unwrap();
    assert!(!ended.success());
}

#[test]
fn a_killed_run_leaves_whole_results_and_the_next_one_clears_up() {
    if let Some(dir) = std::env::var_os(KILLED_IN) {
        let mut folder = OutputFolder::begin(Path::new(&dir), &[]).unwrap();
        folder.write("tests.csv", b"half").unwrap();
        std::process::abort();
    }
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_results(&dir, &hostile_results()).unwrap();
    let first = contents(&dir);

    // Killed while building: the old results are untouched, the leftover goes with the next run.
    kill_a_run(&dir);
    assert_eq!(contents(&dir), first);
    assert_eq!(listing(place.path()).len(), 2);
    write_results(&dir, &hostile_results()).unwrap();
    assert_eq!(listing(place.path()), ["results"]);

    // Killed between the two renames: the next run puts the old results back before it begins, even if it fails then.
    kill_a_run(&dir);
    let leftover = place.path().join(&listing(place.path())[0]);
    fs::rename(&dir, leftover.join("old")).unwrap();
    drop(OutputFolder::begin(&dir, &[]).unwrap());
    assert_eq!(contents(&dir), first);
    assert_eq!(listing(place.path()), ["results"]);

    // What only looks like a leftover is left alone.
    let other = place.path().join(".results.tautpoint-notes");
    fs::create_dir(&other).unwrap();
    fs::write(other.join("mine.txt"), "mine").unwrap();
    write_results(&dir, &hostile_results()).unwrap();
    assert!(other.join("mine.txt").is_file());
}

#[cfg(unix)]
#[test]
fn results_may_be_read_by_everybody() {
    use std::os::unix::fs::PermissionsExt;
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("results");
    write_results(&dir, &Results::default()).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&dir), 0o755);
    assert_eq!(mode(&dir.join("figures")), 0o755);
    assert_eq!(mode(&dir.join("figures/one.svg")), 0o644);
    assert_eq!(mode(&dir.join("run.json")), 0o644);
}
