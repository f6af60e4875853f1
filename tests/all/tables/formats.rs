//! Each table in CSV, Parquet and JSON, and the codebook.

use super::{HOSTILE, comparison, hostile_results, test_of};
use polars::prelude::{AnyValue, DataFrame, ParquetReader, SerReader};
use proptest::prelude::*;
use serde_json::Value;
use std::io::Cursor;
use tautpoint::columns::{Column, Kind, Measure};
use tautpoint::error::Problem;
use tautpoint::report::json;
use tautpoint::report::tables::{Cell, Table, codebook};
use tautpoint::results::{Results, run};
use tautpoint::terms::Side;

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
                    assert_eq!(text, if m { "TRUE" } else { "FALSE" }, "{place}");
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

/// Parquet's own schema says all there is to say. What else a writer puts beside it (how Arrow held the columns) names types
/// that older readers refuse the file for: pyarrow 12 and R's arrow of its time know no `string_view`.
#[test]
fn parquet_holds_types_that_every_reader_knows_and_no_others() {
    // Long enough for several groups of rows.
    let force = (0..600_000).map(|i| (i % 7 > 0).then_some(f64::from(i)));
    let recording = tautpoint::cohort::parquet::recording(
        &[("force_n".to_owned(), force.collect())],
        &[("about".to_owned(), "a text".to_owned())],
    );
    let mut files = vec![(recording.unwrap(), vec!["about".to_owned()])];
    files.extend(
        all_tables(&hostile_results())
            .iter()
            .map(|t| (t.to_parquet().unwrap(), vec![])),
    );
    for (bytes, texts) in files {
        let mut reader = ParquetReader::new(Cursor::new(bytes));
        let about = reader.get_metadata().unwrap();
        let pairs = about.key_value_metadata.iter().flatten();
        assert_eq!(pairs.map(|p| p.key.clone()).collect::<Vec<_>>(), texts);
        for column in about.schema_descr.columns() {
            let kind = &column.descriptor.primitive_type;
            // Parquet format, LogicalTypes.md: STRING annotates a byte array; int64, double and boolean need none.
            let said = (
                format!("{:?}", kind.physical_type),
                format!("{:?}", kind.logical_type),
            );
            let known = match said.0.as_str() {
                "ByteArray" => said.1 == "Some(String)",
                "Int64" | "Double" | "Boolean" => said.1 == "None",
                _ => false,
            };
            assert!(known, "{}: {said:?}", kind.field_info.name);
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
        difference_low, difference_high, standard_error, degrees_of_freedom, p_value, p_adjusted, variance_rule, \
        raised_to_measurement, corrected_by";
    assert_eq!(names("findings").join(", "), findings);
    let springs = "recording, test, side, spring, counted, start_s, peak_s, end_s, preload_n, peak_n, start_mm, peak_mm, \
        end_mm, excursion_mm, end_feel_n_per_mm, secant_n_per_mm, loading_work_mj, loss_mj, loss_ratio, recoil_ratio, \
        time_to_peak_s, loading_rate_n_per_s, dropped, corrected_by";
    assert_eq!(names("springs").join(", "), springs);
    let technique = "recording, test, subject, examiner, session, level, side, finding, value, unit, low, high, text, advice, \
        corrected_by";
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
        // That the section is there is checked beside METHODS.md itself.
        let section = text(row, 5);
        assert!(
            section.is_empty() || section.starts_with("METHODS.md §"),
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
    let agreed: Value = serde_json::from_str(include_str!("../../reference/analyze/analyze.json")).unwrap();
    let mut results = Results {
        tests: vec![test_of("recordings/a.csv", "L3", Side::Left)],
        comparisons: vec![comparison("L3")],
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
    let springs: Vec<&String> = ours["springs"][0].as_object().unwrap().keys().collect();
    assert_eq!(springs, names("springs").iter().collect::<Vec<_>>());
    assert_eq!(ours["springs"].as_array().unwrap().len(), 3);
    assert_eq!(ours["version"], env!("CARGO_PKG_VERSION"));
    assert_eq!(ours["settings"], run::record(&results)["settings"]);
    let finding = &ours["findings"][0];
    assert_eq!(finding["variance_rule"], "pooled");
    assert_eq!(finding["p_adjusted"], 0.004);
}

#[test]
fn the_build_is_named_with_its_compiler_and_platform() {
    let named = tautpoint::write::build();
    // As the compiler that runs this test says it, and as Cargo names the platform that it builds for.
    let compiler = std::process::Command::new(option_env!("RUSTC").unwrap_or("rustc"))
        .arg("-vV")
        .output()
        .unwrap();
    let told = String::from_utf8(compiler.stdout).unwrap();
    assert_eq!(named["compiler"], told.lines().next().unwrap());
    let host = told.lines().find_map(|l| l.strip_prefix("host: ")).unwrap();
    assert_eq!(named["platform"], host);
    let fingerprint = named["fingerprint"].as_str().unwrap();
    assert!(fingerprint.len() == 32 && fingerprint.bytes().all(|b| b.is_ascii_hexdigit()));
}

#[test]
fn json_keeps_hostile_texts_lists_and_the_trials_to_decide() {
    let results = hostile_results();
    let ours: Value = serde_json::from_str(&json::analysis_text(&results)).unwrap();
    for (i, text) in HOSTILE.iter().enumerate() {
        // A control character is no part of a name, and could speak to a terminal.
        assert_eq!(
            ours["tests"][i]["examiner"],
            text.replace(['\r', '\u{1b}', '\u{202e}'], "\u{fffd}")
        );
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
