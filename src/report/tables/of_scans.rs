//! `findings`, `technique`, `reference`, `unpaired` and `exclusions`.

use super::{Cell, Field, Table, corrected_by, field};
use crate::columns::table as c;
use crate::compare::{Comparison, ComparisonKind, TrialsToDecide, Unpaired};
use crate::results::Exclusion;
use crate::technique::TechniqueFinding;
use crate::technique::reference::{ReferenceDifference, Reference, differences};
use crate::terms::{LineOfDrive, Posture, Side};
use crate::trace::Test;

/// The word of a comparison in tables.
pub fn comparison_word(kind: ComparisonKind) -> &'static str {
    match kind {
        ComparisonKind::LeftRight => "left_right",
        ComparisonKind::Neighbours => "neighbours",
    }
}

/// What stands in `trials_to_decide` when no number of trials does.
pub const NOT_IN_ONE_SESSION: &str = "not decidable in one session";

/// One row a comparison and measure.
pub fn comparisons(comparisons: &[Comparison]) -> Table {
    let mut fields = comparison_key();
    fields.extend(comparison_numbers());
    fields.extend(comparison_words());
    fields.extend(comparison_statistics());
    Table::fill("findings", fields, comparisons)
}

fn comparison_key() -> Vec<Field<Comparison>> {
    vec![
        field(c::SUBJECT, |f: &Comparison| Cell::maybe(f.key.subject.as_deref())),
        field(c::EXAMINER, |f: &Comparison| Cell::maybe(f.key.examiner.as_deref())),
        field(c::SESSION, |f: &Comparison| Cell::maybe(f.key.session.as_deref())),
        field(c::LEVEL, |f: &Comparison| Cell::term(f.key.level)),
        field(c::POSTURE, |f: &Comparison| {
            Cell::maybe(f.key.posture.as_ref().map(Posture::as_str))
        }),
        field(c::CONTACT, |f: &Comparison| Cell::term(f.key.contact)),
        field(c::LINE_OF_DRIVE, |f: &Comparison| {
            Cell::num(f.key.line_of_drive.map(LineOfDrive::degrees))
        }),
        field(c::COMPARISON, |f: &Comparison| {
            Cell::text(comparison_word(f.kind))
        }),
        field(c::MEASURE, |f: &Comparison| Cell::text(f.measure.info().name)),
        field(c::UNIT, |f: &Comparison| Cell::text(f.measure.info().unit)),
    ]
}

fn comparison_numbers() -> Vec<Field<Comparison>> {
    vec![
        field(c::LEFT, |f: &Comparison| Cell::num(f.left)),
        field(c::RIGHT, |f: &Comparison| Cell::num(f.right)),
        field(c::LEFT_TRIALS, |f: &Comparison| Cell::int(f.left_trials)),
        field(c::RIGHT_TRIALS, |f: &Comparison| Cell::int(f.right_trials)),
        field(c::ASYMMETRY, |f: &Comparison| Cell::num(f.asymmetry_percent)),
        field(c::LOW, |f: &Comparison| Cell::num(f.low_percent)),
        field(c::HIGH, |f: &Comparison| Cell::num(f.high_percent)),
        field(c::THRESHOLD, |f: &Comparison| Cell::num(f.threshold_percent)),
        field(c::MDC, |f: &Comparison| Cell::num(f.mdc_percent)),
    ]
}

fn comparison_words() -> Vec<Field<Comparison>> {
    let difference = |f: &Comparison, i: usize| Cell::num(f.difference.map(|d| d[i]));
    vec![
        field(c::SPREAD_SOURCE, |f: &Comparison| {
            Cell::maybe(f.spread_source.map(|s| s.word()))
        }),
        field(c::SIDE_OF_RESISTANCE, |f: &Comparison| {
            Cell::maybe(f.side_of_resistance.map(|d| d.word()))
        }),
        // A number in JSON, a text in the tables: the column is of kind text.
        field(c::TRIALS_TO_DECIDE, |f: &Comparison| match f.trials_to_decide {
            Some(TrialsToDecide::Trials(n)) => Cell::int(n),
            Some(TrialsToDecide::NotInOneSession) => Cell::text(NOT_IN_ONE_SESSION),
            None => Cell::Missing,
        }),
        field(c::CALL, |f: &Comparison| Cell::term(f.call)),
        field(c::CALL_AGREES, |f: &Comparison| {
            f.call_agrees.map_or(Cell::Missing, Cell::Bool)
        }),
        field(c::COVERS, |f: &Comparison| Cell::terms(&f.covers)),
        field(c::DIFFERENCE, move |f: &Comparison| difference(f, 0)),
        field(c::DIFFERENCE_LOW, move |f: &Comparison| difference(f, 1)),
        field(c::DIFFERENCE_HIGH, move |f: &Comparison| difference(f, 2)),
    ]
}

/// What the interval and the word rest on.
fn comparison_statistics() -> Vec<Field<Comparison>> {
    vec![
        field(c::STANDARD_ERROR, |f: &Comparison| Cell::num(f.standard_error)),
        field(c::DEGREES_OF_FREEDOM, |f: &Comparison| {
            Cell::num(f.degrees_of_freedom)
        }),
        field(c::P_VALUE, |f: &Comparison| Cell::num(f.p_value)),
        field(c::P_ADJUSTED, |f: &Comparison| Cell::num(f.p_adjusted)),
        field(c::VARIANCE_RULE, |f: &Comparison| Cell::term(f.variance_rule)),
        field(c::RAISED_TO_MEASUREMENT, |f: &Comparison| {
            f.raised_to_measurement.map_or(Cell::Missing, Cell::Bool)
        }),
        field(c::CORRECTED_BY, |f: &Comparison| corrected_by(&f.corrections)),
    ]
}

/// One row a finding.
pub fn technique(findings: &[TechniqueFinding]) -> Table {
    let fields = vec![
        field(c::RECORDING, |r: &TechniqueFinding| {
            Cell::maybe(r.recording.as_deref())
        }),
        field(c::TEST, |r: &TechniqueFinding| {
            r.test.map_or(Cell::Missing, Cell::int)
        }),
        field(c::SUBJECT, |r: &TechniqueFinding| {
            Cell::maybe(r.subject.as_deref())
        }),
        field(c::EXAMINER, |r: &TechniqueFinding| {
            Cell::maybe(r.examiner.as_deref())
        }),
        field(c::SESSION, |r: &TechniqueFinding| {
            Cell::maybe(r.session.as_deref())
        }),
        field(c::LEVEL, |r: &TechniqueFinding| Cell::term(r.level)),
        field(c::SIDE, |r: &TechniqueFinding| Cell::term(r.side)),
        field(c::FINDING, |r: &TechniqueFinding| Cell::text(r.rule.word())),
        field(c::VALUE, |r: &TechniqueFinding| Cell::num(r.value)),
        field(c::VALUE_UNIT, |r: &TechniqueFinding| Cell::text(r.unit)),
        field(c::BAND_LOW, |r: &TechniqueFinding| Cell::num(r.low)),
        field(c::BAND_HIGH, |r: &TechniqueFinding| Cell::num(r.high)),
        field(c::TEXT, |r: &TechniqueFinding| Cell::text(&r.text())),
        field(c::ADVICE, |r: &TechniqueFinding| Cell::text(&r.advice())),
        field(c::CORRECTED_BY, |r: &TechniqueFinding| corrected_by(&r.corrections)),
    ];
    Table::fill("technique", fields, findings)
}

/// One row for each measure of each test that is held against the reference; the reference's own tests are left out.
pub fn reference(tests: &[Test], reference: &Reference) -> Table {
    type Row<'a> = (&'a Test, ReferenceDifference);
    let rows: Vec<Row<'_>> = tests
        .iter()
        .filter(|t| !reference.holds(t))
        .flat_map(|t| {
            let found = differences(t, reference).unwrap_or_default();
            found.into_iter().map(move |d| (t, d))
        })
        .collect();
    let mut fields: Vec<Field<Row<'_>>> = vec![
        field(c::RECORDING, |r: &Row<'_>| Cell::text(&r.0.recording)),
        field(c::TEST, |r: &Row<'_>| Cell::int(r.0.test)),
        field(c::SUBJECT, |r: &Row<'_>| {
            Cell::maybe(r.0.about.subject.as_deref())
        }),
        field(c::EXAMINER, |r: &Row<'_>| {
            Cell::maybe(r.0.about.examiner.as_deref())
        }),
        field(c::SESSION, |r: &Row<'_>| {
            Cell::maybe(r.0.about.session.as_deref())
        }),
        field(c::LEVEL, |r: &Row<'_>| Cell::term(r.0.about.level)),
        field(c::SIDE, |r: &Row<'_>| Cell::term(r.0.side())),
    ];
    fields.extend([
        field(c::HELD_MEASURE, |r: &Row<'_>| Cell::text(r.1.measure.info().name)),
        field(c::HELD_UNIT, |r: &Row<'_>| Cell::text(r.1.measure.info().unit)),
        field(c::HELD_VALUE, |r: &Row<'_>| Cell::num(r.1.value)),
        field(c::REFERENCE_MEAN, |r: &Row<'_>| Cell::num(r.1.target.mean)),
        field(c::REFERENCE_SD, |r: &Row<'_>| Cell::num(r.1.target.sd)),
        field(c::REFERENCE_TESTS, |r: &Row<'_>| Cell::int(r.1.target.tests)),
        field(c::REFERENCE_SCOPE, |r: &Row<'_>| Cell::Text(r.1.scope.word())),
        field(c::FROM_REFERENCE, |r: &Row<'_>| Cell::num(r.1.difference)),
        field(c::FROM_REFERENCE_U95, |r: &Row<'_>| Cell::num(r.1.u95)),
        field(c::FROM_REFERENCE_PERCENT, |r: &Row<'_>| Cell::num(r.1.percent)),
        field(c::WITHIN_SPREAD, |r: &Row<'_>| {
            r.1.within_spread().map_or(Cell::Missing, Cell::Bool)
        }),
    ]);
    Table::fill("reference", fields, &rows)
}

/// One row a group of tests that found no partner.
pub fn unpaired(unpaired: &[Unpaired]) -> Table {
    let fields = vec![
        field(c::SUBJECT, |u: &Unpaired| Cell::maybe(u.key.subject.as_deref())),
        field(c::EXAMINER, |u: &Unpaired| Cell::maybe(u.key.examiner.as_deref())),
        field(c::SESSION, |u: &Unpaired| Cell::maybe(u.key.session.as_deref())),
        field(c::LEVEL, |u: &Unpaired| Cell::term(u.key.level)),
        field(c::POSTURE, |u: &Unpaired| {
            Cell::maybe(u.key.posture.as_ref().map(Posture::as_str))
        }),
        field(c::CONTACT, |u: &Unpaired| Cell::term(u.key.contact)),
        field(c::LINE_OF_DRIVE, |u: &Unpaired| {
            Cell::num(u.key.line_of_drive.map(LineOfDrive::degrees))
        }),
        field(c::SIDE, |u: &Unpaired| Cell::term(Some(u.side))),
        field(c::TRIALS, |u: &Unpaired| Cell::int(u.trials)),
        field(c::UNPAIRED_REASON, |u: &Unpaired| Cell::text(&u.reason)),
    ];
    Table::fill("unpaired", fields, unpaired)
}

/// One row a file, test or spring left out.
pub fn exclusions(exclusions: &[Exclusion]) -> Table {
    let fields = vec![
        field(c::WHAT, |e: &Exclusion| Cell::text(e.what.word())),
        field(c::RECORDING, |e: &Exclusion| Cell::text(&e.recording)),
        field(c::TEST, |e: &Exclusion| e.test.map_or(Cell::Missing, Cell::int)),
        field(c::SIDE, |e: &Exclusion| Cell::maybe(e.side.map(Side::word))),
        field(c::SPRING, |e: &Exclusion| {
            e.spring.map_or(Cell::Missing, Cell::int)
        }),
        field(c::BY, |e: &Exclusion| Cell::text(e.by())),
        field(c::REASON, |e: &Exclusion| Cell::text(&e.cause.to_string())),
    ];
    Table::fill("exclusions", fields, exclusions)
}
