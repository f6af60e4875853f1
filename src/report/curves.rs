//! The conditioned curve of each test as a table of its own, and the marks in all of them.
//!
//! `curves/NAME.csv` (or `.parquet`), `curves/marks.csv`, their codebook, `SHA256SUMS` as the common `sha256sum` checks it,
//! and a Data Package.

use super::datapackage::{DataPackage, TableFormat, ResourceFile};
use super::html::choose::UniqueNames;
use super::tables::{Cell, Field, Table, codebook_with, field};
use crate::batch::SavedCurves;
use crate::columns::table::{self as c, curves as cc};
use crate::error::Result;
use crate::results::Results;
use crate::terms::closed_terms;
use crate::trace::{ConditionedSignals, Test};
use crate::write::{OutputFolder, sha256_hex};
use serde_json::json;

const FOLDER: &str = "curves";
const OF_CURVE: &str = "Conditioned force and displacement of one test, with 0.4 s of the open before and after it.";
const OF_MARKS: &str = "One row a mark: where contact, onset and springs begin and end in the curve of a test.";

closed_terms! {
    /// What a mark marks.
    enum CurveMark {
        FirstContact = "first_contact",
        Onset = "onset",
        HoldBegin = "hold_begin",
        HoldEnd = "hold_end",
        LeanEnd = "lean_end",
        SpringStart = "spring_start",
        SpringPeak = "spring_peak",
        SpringEnd = "spring_end",
        LastContact = "last_contact",
    }
}

/// A mark in the curve of a test.
struct MarkRow {
    file: String,
    recording: String,
    test: u32,
    side: Option<crate::terms::Side>,
    mark: CurveMark,
    spring: Option<u32>,
    time_s: f64,
    force_n: Option<f64>,
    displacement_mm: Option<f64>,
}

/// Writes the curves of all tests that nothing hides into a folder of results.
///
/// # Errors
/// As [`SavedCurves::whole`] and [`OutputFolder::write`].
pub fn write(results: &Results, curves: &SavedCurves<'_>, format: TableFormat, folder: &mut OutputFolder) -> Result<()> {
    let mut package = DataPackage::new(FOLDER, "palpation-curves");
    package.add(
        "description",
        json!("What the measures of each test were taken from. Left and right are the subject's."),
    );
    let none = |_: &_| false;
    let schema = package.schema("curve", curve(&ConditionedSignals::default()).columns.iter(), &none, folder)?;
    let (ending, _) = format.words();
    let (mut names, mut marked, mut sums) = (UniqueNames::default(), Vec::new(), Vec::new());
    let make = |test: &Test, signals: &ConditionedSignals| {
        let table = curve(signals);
        let bytes = in_format(&table, format)?;
        Ok((bytes, table.rows.len(), marks(test, signals)))
    };
    curves.whole(results, &make, &mut |test, (bytes, rows, mut marks)| {
        let name = names.take(&format!("test-{}", test.file_stem()));
        let path = format!("{name}.{ending}");
        marks.iter_mut().for_each(|m| m.file.clone_from(&path));
        marked.append(&mut marks);
        sums.push((path.clone(), sha256_hex(&bytes)));
        let file = ResourceFile {
            name: format!("curve-{}", sums.len()),
            path,
            description: OF_CURVE,
            format,
            rows,
            more: vec![
                ("recording", json!(test.recording)),
                ("test", json!(test.test)),
                ("side", json!(test.side().map(|s| s.word()))),
            ],
        };
        package.write(file, &bytes, &schema, folder)
    })?;
    let marks = Table::fill("marks", mark_fields(), &marked);
    let gaps = |column: &crate::columns::Column| format == TableFormat::Parquet && column.name == cc::MARK_SPRING.name;
    let schema = package.schema("marks", marks.columns.iter(), &gaps, folder)?;
    let path = format!("marks.{ending}");
    let bytes = in_format(&marks, format)?;
    sums.push((path.clone(), sha256_hex(&bytes)));
    let file = ResourceFile {
        name: "marks".to_owned(),
        path,
        description: OF_MARKS,
        format,
        rows: marks.rows.len(),
        more: Vec::new(),
    };
    package.write(file, &bytes, &schema, folder)?;
    let codebook = codebook_with(&[&curve(&ConditionedSignals::default()), &marks]).to_csv()?;
    sums.push(("codebook.csv".to_owned(), sha256_hex(&codebook)));
    folder.write(&format!("{FOLDER}/codebook.csv"), &codebook)?;
    let sums: String = sums.iter().map(|(name, hash)| format!("{hash}  {name}\n")).collect();
    folder.write(&format!("{FOLDER}/SHA256SUMS"), sums.as_bytes())?;
    package.finish(folder)
}

fn in_format(table: &Table, format: TableFormat) -> Result<Vec<u8>> {
    match format {
        TableFormat::Csv => table.to_csv(),
        TableFormat::Parquet => table.to_parquet(),
    }
}

/// A sample: time, force, displacement.
type CurvePoint = (f64, f64, Option<f64>);

/// The curve of a test.
pub(crate) fn curve(signals: &ConditionedSignals) -> Table {
    let displacement = |i: usize| signals.displacement_mm.as_ref().and_then(|x| x.get(i).copied());
    let samples = signals.time_s.iter().zip(&signals.force_n).enumerate();
    let rows: Vec<CurvePoint> = samples.map(|(i, (t, f))| (*t, *f, displacement(i))).collect();
    let fields: Vec<Field<CurvePoint>> = vec![
        field(cc::CURVE_TIME, |s: &CurvePoint| Cell::num(s.0)),
        field(cc::CURVE_FORCE, |s: &CurvePoint| Cell::num(s.1)),
        field(cc::CURVE_DISPLACEMENT, |s: &CurvePoint| Cell::num(s.2)),
    ];
    Table::fill("curve", fields, &rows)
}

/// The marks in the curve of one test.
pub(crate) fn marks_of(test: &Test, signals: &ConditionedSignals) -> Table {
    Table::fill("marks", mark_fields(), &marks(test, signals))
}

fn mark_fields() -> Vec<Field<MarkRow>> {
    vec![
        field(cc::CURVE_FILE, |m: &MarkRow| Cell::text(&m.file)),
        field(c::RECORDING, |m: &MarkRow| Cell::text(&m.recording)),
        field(c::TEST, |m: &MarkRow| Cell::int(m.test)),
        field(c::SIDE, |m: &MarkRow| Cell::term(m.side)),
        field(cc::MARK, |m: &MarkRow| Cell::text(m.mark.word())),
        field(cc::MARK_SPRING, |m: &MarkRow| m.spring.map_or(Cell::Missing, Cell::int)),
        field(cc::MARK_TIME, |m: &MarkRow| Cell::num(m.time_s)),
        field(cc::MARK_FORCE, |m: &MarkRow| Cell::num(m.force_n)),
        field(cc::MARK_DISPLACEMENT, |m: &MarkRow| Cell::num(m.displacement_mm)),
    ]
}

/// The marks of a test in the order of time; the file of its curve is put in later.
fn marks(test: &Test, signals: &ConditionedSignals) -> Vec<MarkRow> {
    let p = &test.phases;
    let mut all = vec![
        (CurveMark::FirstContact, None, Some(p.contact_begin_s)),
        (CurveMark::Onset, None, p.onset_s),
        (CurveMark::HoldBegin, None, p.hold_s.map(|h| h[0])),
        (CurveMark::HoldEnd, None, p.hold_s.map(|h| h[1])),
        (CurveMark::LeanEnd, None, Some(p.lean_end_s)),
        (CurveMark::LastContact, None, Some(p.contact_end_s)),
    ];
    for s in &test.springs {
        let of_spring = [
            (CurveMark::SpringStart, s.start_s),
            (CurveMark::SpringPeak, s.peak_s),
            (CurveMark::SpringEnd, s.end_s),
        ];
        all.extend(of_spring.map(|(mark, at)| (mark, Some(s.number), Some(at))));
    }
    let there = all.into_iter().filter_map(|(mark, spring, at)| Some((mark, spring, at.filter(|t| t.is_finite())?)));
    let mut there: Vec<_> = there.collect();
    there.sort_by(|a, b| a.2.total_cmp(&b.2));
    let row = |(mark, spring, time_s): (CurveMark, Option<u32>, f64)| MarkRow {
        file: String::new(),
        recording: test.recording.clone(),
        test: test.test,
        side: test.side(),
        mark,
        spring,
        time_s,
        force_n: at_time(&signals.time_s, &signals.force_n, time_s),
        displacement_mm: signals.displacement_mm.as_ref().and_then(|x| at_time(&signals.time_s, x, time_s)),
    };
    there.into_iter().map(row).collect()
}

/// The value of a curve at a time, on the line between two samples; `None` outside it.
fn at_time(time_s: &[f64], values: &[f64], at: f64) -> Option<f64> {
    let after = time_s.partition_point(|t| *t < at);
    if time_s.get(after) == Some(&at) {
        return values.get(after).copied();
    }
    let before = after.checked_sub(1)?;
    let (t0, t1) = (time_s[before], *time_s.get(after)?);
    let (v0, v1) = (*values.get(before)?, *values.get(after)?);
    Some(v0 + (at - t0) / (t1 - t0) * (v1 - v0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_between_two_samples_lies_on_their_line_and_outside_there_is_none() {
        let (t, v) = ([1.0, 2.0, 4.0], [10.0, 20.0, 0.0]);
        for (at, value) in [
            (1.0, Some(10.0)),
            (1.5, Some(15.0)),
            (3.0, Some(10.0)),
            (4.0, Some(0.0)),
            (0.9, None),
            (4.1, None),
        ] {
            assert_eq!(at_time(&t, &v, at), value, "{at}");
        }
        assert_eq!(at_time(&[], &[], 1.0), None);
    }
}
