//! `springs` and `tests`.

use super::{Cell, Field, Table, corrected_by, field};
use crate::columns::{Measure, table as c};
use crate::terms::{Landmark, LineOfDrive, Posture};
use crate::trace::{Knee, LawShare, Spring, Test};

/// A spring with the test it is of.
type SpringRow<'a> = (&'a Test, &'a Spring);

/// One row a spring, in the order of the tests.
pub fn springs(tests: &[Test]) -> Table {
    let rows: Vec<SpringRow<'_>> = tests
        .iter()
        .flat_map(|t| t.springs.iter().map(move |s| (t, s)))
        .collect();
    Table::fill("springs", spring_fields(), &rows)
}

fn spring_fields<'a>() -> Vec<Field<SpringRow<'a>>> {
    vec![
        field(c::RECORDING, |r: &SpringRow<'_>| Cell::text(&r.0.recording)),
        field(c::TEST, |r: &SpringRow<'_>| Cell::int(r.0.test)),
        field(c::SIDE, |r: &SpringRow<'_>| Cell::term(r.0.side())),
        field(c::SPRING, |r: &SpringRow<'_>| Cell::int(r.1.number)),
        field(c::COUNTED, |r: &SpringRow<'_>| Cell::Bool(r.1.counted)),
        field(c::START_S, |r: &SpringRow<'_>| Cell::num(r.1.start_s)),
        field(c::PEAK_S, |r: &SpringRow<'_>| Cell::num(r.1.peak_s)),
        field(c::END_S, |r: &SpringRow<'_>| Cell::num(r.1.end_s)),
        field(c::SPRING_PRELOAD, |r: &SpringRow<'_>| Cell::num(r.1.preload_n)),
        field(c::SPRING_PEAK, |r: &SpringRow<'_>| Cell::num(r.1.peak_n)),
        field(c::START_MM, |r: &SpringRow<'_>| Cell::num(r.1.start_mm)),
        field(c::PEAK_MM, |r: &SpringRow<'_>| Cell::num(r.1.peak_mm)),
        field(c::END_MM, |r: &SpringRow<'_>| Cell::num(r.1.end_mm)),
        field(c::SPRING_EXCURSION, |r: &SpringRow<'_>| Cell::num(r.1.excursion_mm)),
        field(c::SPRING_END_FEEL, |r: &SpringRow<'_>| Cell::num(r.1.end_feel_n_per_mm)),
        field(c::SPRING_SECANT, |r: &SpringRow<'_>| Cell::num(r.1.secant_n_per_mm)),
        field(c::LOADING_WORK, |r: &SpringRow<'_>| Cell::num(r.1.loading_work_mj)),
        field(c::SPRING_LOSS, |r: &SpringRow<'_>| Cell::num(r.1.loss_mj)),
        field(c::SPRING_LOSS_RATIO, |r: &SpringRow<'_>| Cell::num(r.1.loss_ratio)),
        field(c::SPRING_RECOIL, |r: &SpringRow<'_>| Cell::num(r.1.recoil_ratio)),
        field(c::SPRING_TIME_TO_PEAK, |r: &SpringRow<'_>| {
            Cell::num(r.1.time_to_peak_s)
        }),
        field(c::LOADING_RATE, |r: &SpringRow<'_>| Cell::num(r.1.loading_rate_n_per_s)),
        field(c::DROPPED, |r: &SpringRow<'_>| {
            r.1.dropped.map_or(Cell::Missing, |d| Cell::text(&d.to_string()))
        }),
        field(c::CORRECTED_BY, |r: &SpringRow<'_>| corrected_by(&r.0.corrections)),
    ]
}

/// One row a test and side.
pub fn tests(tests: &[Test]) -> Table {
    let mut fields = about_fields();
    fields.extend(Measure::ALL.into_iter().flat_map(measure_fields));
    fields.extend(knee_and_notes());
    fields.extend(further_fields());
    Table::fill("tests", fields, tests)
}

fn about_fields() -> Vec<Field<Test>> {
    vec![
        field(c::RECORDING, |t: &Test| Cell::text(&t.recording)),
        field(c::TEST, |t: &Test| Cell::int(t.test)),
        field(c::SUBJECT, |t: &Test| Cell::maybe(t.about.subject.as_deref())),
        field(c::EXAMINER, |t: &Test| Cell::maybe(t.about.examiner.as_deref())),
        field(c::SESSION, |t: &Test| Cell::maybe(t.about.session.as_deref())),
        field(c::LEVEL, |t: &Test| Cell::term(t.about.level)),
        field(c::SIDE, |t: &Test| Cell::term(t.side())),
        field(c::CONTACT, |t: &Test| Cell::term(t.about.contact)),
        field(c::POSTURE, |t: &Test| {
            Cell::maybe(t.about.posture.as_ref().map(Posture::as_str))
        }),
        field(c::LINE_OF_DRIVE, |t: &Test| {
            Cell::num(t.about.line_of_drive.map(LineOfDrive::degrees))
        }),
        field(c::TRIAL, |t: &Test| {
            t.about.trial.map_or(Cell::Missing, Cell::int)
        }),
        field(c::RATE, |t: &Test| Cell::num(t.rate_hz)),
        // A test without samples is one of a blind study, whose numbers are hidden.
        field(c::SAMPLES, |t: &Test| match t.samples {
            0 => Cell::Missing,
            n => Cell::int(n),
        }),
        field(c::SPRINGS, |t: &Test| Cell::int(t.springs.len())),
    ]
}

/// A measure's value, its interval and, for a mean over springs, the spread between them.
fn measure_fields(measure: Measure) -> Vec<Field<Test>> {
    let estimate = move |t: &Test| t.measures.get(measure);
    let mut fields = vec![
        field(measure.column(), move |t: &Test| {
            Cell::num(estimate(t).map(|e| e.value))
        }),
        field(measure.u95_column(), move |t: &Test| {
            Cell::num(estimate(t).and_then(|e| e.u95()))
        }),
    ];
    if let Some(column) = measure.sd_column() {
        fields.push(field(column, move |t: &Test| {
            Cell::num(estimate(t).and_then(|e| e.spread))
        }));
    }
    if measure == Measure::Window {
        // The stiffness depends on the window, so the window stands beside it, measured or not.
        fields.push(field(c::WINDOW, |t: &Test| {
            Cell::Text(format!("{}-{} N", t.window_n[0], t.window_n[1]))
        }));
    }
    fields
}

fn knee_and_notes() -> Vec<Field<Test>> {
    vec![
        field(c::KNEE_FOUND, |t: &Test| match t.knee {
            Knee::Fitted | Knee::TwoLines => Cell::Bool(true),
            Knee::None => Cell::Bool(false),
            Knee::NotLooked => Cell::Missing,
        }),
        field(c::NOTES, |t: &Test| {
            Cell::List(t.remarks().iter().map(ToString::to_string).collect())
        }),
    ]
}

fn further_fields() -> Vec<Field<Test>> {
    vec![
        field(c::KNEE_METHOD, |t: &Test| match t.knee {
            Knee::Fitted => Cell::text("whole_trace_fit"),
            Knee::TwoLines => Cell::text("two_lines"),
            Knee::None | Knee::NotLooked => Cell::Missing,
        }),
        field(c::FIT_RESIDUAL, |t: &Test| {
            Cell::num(t.fit.as_ref().and_then(|f| f.residual_percent))
        }),
        field(c::FIT_LAW, |t: &Test| {
            let law = t.fit.as_ref().and_then(|f| f.laws.first());
            Cell::maybe(law.map(LawShare::law).as_deref())
        }),
        field(c::FIT_LAW_WEIGHT, |t: &Test| {
            Cell::num(t.fit.as_ref().and_then(|f| f.laws.first()).map(|l| l.weight))
        }),
        field(c::ONSET_BY_LAW, |t: &Test| {
            Cell::List(t.fit.iter().flat_map(|f| &f.laws).map(ToString::to_string).collect())
        }),
        field(c::TOTAL_PEAK, |t: &Test| Cell::num(t.total_peak_n)),
        field(c::DRIVE, |t: &Test| Cell::num(t.drive_deg)),
        field(c::LANDMARK, |t: &Test| {
            Cell::maybe(t.about.landmark.as_ref().map(Landmark::as_str))
        }),
        field(c::COVERS, |t: &Test| Cell::terms(&t.about.covers)),
        field(c::FEEDBACK, |t: &Test| Cell::term(t.about.feedback)),
        field(c::FEEDBACK_GIVEN, |t: &Test| Cell::term(t.about.given)),
        field(c::SITE, |t: &Test| Cell::maybe(t.about.site.as_deref())),
        field(c::RECORDED_AT, |t: &Test| {
            Cell::maybe(t.about.recorded_at.as_deref())
        }),
        field(c::CORRECTED_BY, |t: &Test| corrected_by(&t.corrections)),
    ]
}
