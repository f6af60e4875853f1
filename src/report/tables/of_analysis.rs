//! `problems` and `budget`: what stands beside the rows of an analysis.

use super::{Cell, Field, Table, field};
use crate::columns::{Measure, table as c};
use crate::error::{Problem, Severity};
use crate::trace::{BudgetLine, Test};

/// One row a problem.
pub fn problems(problems: &[Problem]) -> Table {
    let fields: Vec<Field<Problem>> = vec![
        field(c::SEVERITY, |p: &Problem| {
            Cell::text(match p.severity {
                Severity::Warning => "warning",
                Severity::Error => "error",
            })
        }),
        field(c::PROBLEM_FILE, |p: &Problem| Cell::text(&p.file)),
        field(c::PROBLEM_LINE, |p: &Problem| p.line.map_or(Cell::Missing, Cell::int)),
        field(c::PROBLEM_COLUMN, |p: &Problem| Cell::maybe(p.column.as_deref())),
        field(c::FOUND, |p: &Problem| Cell::text(&p.found)),
        field(c::EXPECTED, |p: &Problem| Cell::text(&p.expected)),
        field(c::PROBLEM_ADVICE, |p: &Problem| Cell::text(&p.advice)),
    ];
    Table::fill("problems", fields, problems)
}

/// A line of the budget of a measure of a test, and what all lines of it come to.
type BudgetRow<'a> = (&'a Test, Measure, &'a BudgetLine, f64);

/// One row a line of the budget of each measure, in the order of the tests.
pub fn budget(tests: &[Test]) -> Table {
    let mut rows: Vec<BudgetRow<'_>> = Vec::new();
    for test in tests {
        for measure in Measure::ALL {
            let lines = test.measures.budget(measure);
            let variance: f64 = lines.iter().map(|l| l.u.powi(2)).sum();
            rows.extend(lines.iter().map(|line| (test, measure, line, variance)));
        }
    }
    let fields: Vec<Field<BudgetRow<'_>>> = vec![
        field(c::RECORDING, |r: &BudgetRow<'_>| Cell::text(&r.0.recording)),
        field(c::TEST, |r: &BudgetRow<'_>| Cell::int(r.0.test)),
        field(c::SIDE, |r: &BudgetRow<'_>| Cell::term(r.0.side())),
        field(c::BUDGET_MEASURE, |r: &BudgetRow<'_>| Cell::text(r.1.info().name)),
        field(c::SOURCE, |r: &BudgetRow<'_>| Cell::text(&r.2.source.to_string())),
        field(c::STANDARD_UNCERTAINTY, |r: &BudgetRow<'_>| Cell::num(r.2.u)),
        field(c::BUDGET_DF, |r: &BudgetRow<'_>| Cell::num(r.2.df)),
        field(c::VARIANCE_SHARE, |r: &BudgetRow<'_>| Cell::num(r.2.u.powi(2) / r.3)),
    ];
    Table::fill("budget", fields, &rows)
}
