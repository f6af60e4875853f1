//! `findings`, `technique`, `reference`, `unpaired` and `exclusions`.

use super::{Cell, Field, Table, field};
use crate::columns::table as c;
use crate::compare::{ComparisonKind, Finding, TrialsToDecide, Unpaired};
use crate::report::Exclusion;
use crate::technique::Remark;
use crate::technique::reference::{Difference, Reference, differences};
use crate::terms::{LineOfDrive, Posture};
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
pub fn findings(findings: &[Finding]) -> Table {
    let mut fields = finding_key();
    fields.extend(finding_numbers());
    fields.extend(finding_words());
    Table::fill("findings", fields, findings)
}

fn finding_key() -> Vec<Field<Finding>> {
    vec![
        field(c::SUBJECT, |f: &Finding| Cell::maybe(f.key.subject.as_deref())),
        field(c::EXAMINER, |f: &Finding| Cell::maybe(f.key.examiner.as_deref())),
        field(c::SESSION, |f: &Finding| Cell::maybe(f.key.session.as_deref())),
        field(c::LEVEL, |f: &Finding| Cell::term(f.key.level)),
        field(c::POSTURE, |f: &Finding| {
            Cell::maybe(f.key.posture.as_ref().map(Posture::as_str))
        }),
        field(c::CONTACT, |f: &Finding| Cell::term(f.key.contact)),
        field(c::LINE_OF_DRIVE, |f: &Finding| {
            Cell::num(f.key.line_of_drive.map(LineOfDrive::degrees))
        }),
        field(c::COMPARISON, |f: &Finding| {
            Cell::text(comparison_word(f.comparison))
        }),
        field(c::MEASURE, |f: &Finding| Cell::text(f.measure.info().name)),
        field(c::UNIT, |f: &Finding| Cell::text(f.measure.info().unit)),
    ]
}

fn finding_numbers() -> Vec<Field<Finding>> {
    vec![
        field(c::LEFT, |f: &Finding| Cell::num(f.left)),
        field(c::RIGHT, |f: &Finding| Cell::num(f.right)),
        field(c::LEFT_TRIALS, |f: &Finding| Cell::int(f.left_trials)),
        field(c::RIGHT_TRIALS, |f: &Finding| Cell::int(f.right_trials)),
        field(c::ASYMMETRY, |f: &Finding| Cell::num(f.asymmetry_percent)),
        field(c::LOW, |f: &Finding| Cell::num(f.low_percent)),
        field(c::HIGH, |f: &Finding| Cell::num(f.high_percent)),
        field(c::THRESHOLD, |f: &Finding| Cell::num(f.threshold_percent)),
        field(c::MDC, |f: &Finding| Cell::num(f.mdc_percent)),
    ]
}

fn finding_words() -> Vec<Field<Finding>> {
    let difference = |f: &Finding, i: usize| Cell::num(f.difference.map(|d| d[i]));
    vec![
        field(c::SPREAD_SOURCE, |f: &Finding| {
            Cell::maybe(f.spread_source.map(|s| s.word()))
        }),
        field(c::SIDE_OF_RESISTANCE, |f: &Finding| {
            Cell::maybe(f.side_of_resistance.map(|d| d.word()))
        }),
        // A number in JSON, a text in the tables: the column is of kind text.
        field(c::TRIALS_TO_DECIDE, |f: &Finding| match f.trials_to_decide {
            Some(TrialsToDecide::Trials(n)) => Cell::int(n),
            Some(TrialsToDecide::NotInOneSession) => Cell::text(NOT_IN_ONE_SESSION),
            None => Cell::Missing,
        }),
        field(c::CALL, |f: &Finding| Cell::term(f.call)),
        field(c::CALL_AGREES, |f: &Finding| {
            f.call_agrees.map_or(Cell::Missing, Cell::Bool)
        }),
        field(c::COVERS, |f: &Finding| Cell::terms(&f.covers)),
        field(c::DIFFERENCE, move |f: &Finding| difference(f, 0)),
        field(c::DIFFERENCE_LOW, move |f: &Finding| difference(f, 1)),
        field(c::DIFFERENCE_HIGH, move |f: &Finding| difference(f, 2)),
    ]
}

/// One row a remark.
pub fn technique(remarks: &[Remark]) -> Table {
    let fields = vec![
        field(c::RECORDING, |r: &Remark| Cell::maybe(r.recording.as_deref())),
        field(c::TEST, |r: &Remark| r.test.map_or(Cell::Missing, Cell::int)),
        field(c::SUBJECT, |r: &Remark| Cell::maybe(r.subject.as_deref())),
        field(c::EXAMINER, |r: &Remark| Cell::maybe(r.examiner.as_deref())),
        field(c::SESSION, |r: &Remark| Cell::maybe(r.session.as_deref())),
        field(c::LEVEL, |r: &Remark| Cell::term(r.level)),
        field(c::SIDE, |r: &Remark| Cell::term(r.side)),
        field(c::FINDING, |r: &Remark| Cell::text(r.finding)),
        field(c::VALUE, |r: &Remark| Cell::num(r.value)),
        field(c::VALUE_UNIT, |r: &Remark| Cell::text(r.unit)),
        field(c::BAND_LOW, |r: &Remark| Cell::num(r.low)),
        field(c::BAND_HIGH, |r: &Remark| Cell::num(r.high)),
        field(c::TEXT, |r: &Remark| Cell::text(&r.text)),
        field(c::ADVICE, |r: &Remark| Cell::text(&r.advice)),
    ];
    Table::fill("technique", fields, remarks)
}

/// One row for each measure of each test that is held against the reference; the reference's own tests are left out.
pub fn reference(tests: &[Test], reference: &Reference) -> Table {
    type Row<'a> = (&'a Test, Difference);
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
        field(c::WHAT, |e: &Exclusion| Cell::text(e.what)),
        field(c::RECORDING, |e: &Exclusion| Cell::text(&e.recording)),
        field(c::TEST, |e: &Exclusion| e.test.map_or(Cell::Missing, Cell::int)),
        field(c::SIDE, |e: &Exclusion| Cell::maybe(e.side.as_deref())),
        field(c::SPRING, |e: &Exclusion| {
            e.spring.map_or(Cell::Missing, Cell::int)
        }),
        field(c::BY, |e: &Exclusion| Cell::text(e.by)),
        field(c::REASON, |e: &Exclusion| Cell::text(&e.reason)),
    ];
    Table::fill("exclusions", fields, exclusions)
}
