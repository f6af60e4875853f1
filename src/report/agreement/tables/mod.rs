//! Agreement as tables, with their codebook.

use super::numbers::numbers;
use crate::agreement::{Agreement, AgreementBasis, MeasureAgreement, Summary, WANTED_PERCENT};
use crate::columns::{Column, Kind};
use crate::report::tables::{Cell, Table};
use crate::stats::agreement::Interval;
use crate::stats::agreement::clustered::PartState;

mod of_calls;
mod of_correctors;

/// Name, kind, unit and meaning of a column.
pub(super) type Head = (&'static str, Kind, &'static str, &'static str);

const MEASURE: Head = (
    "measure",
    Kind::Text,
    "",
    "column of the tests, or value for a file of ratings",
);
const DESIGN: Head = ("design", Kind::Text, "", "what was repeated");
const FIRST: Head = ("first", Kind::Text, "", "the first of the two");
const SECOND: Head = ("second", Kind::Text, "", "the second of the two");
const REASON: Head = ("reason", Kind::Text, "", "why numbers are missing");

/// Every table, then the codebook of them all.
pub fn tables(agreement: &Agreement) -> Vec<Table> {
    let mut all = vec![
        main_table(agreement),
        limits(agreement),
        trials(agreement),
        trials_for(agreement),
        components(agreement),
    ];
    if let Some(calls) = &agreement.calls {
        all.extend(of_calls::tables(calls));
    }
    if !agreement.correctors.is_empty() {
        all.push(of_correctors::table_of(&agreement.correctors));
    }
    all.push(codebook(&all));
    all
}

pub(super) fn table(name: &'static str, heads: &[Head], rows: Vec<Vec<Cell>>) -> Table {
    let column = |(name, kind, unit, meaning): &Head| Column {
        name: (*name).into(),
        kind: *kind,
        unit,
        meaning: (*meaning).into(),
        section: "7",
    };
    Table {
        name,
        columns: heads.iter().map(column).collect(),
        rows,
    }
}

fn summaries(agreement: &Agreement) -> impl Iterator<Item = (&MeasureAgreement, &Summary)> {
    agreement
        .measures
        .iter()
        .flat_map(|m| m.designs.iter().map(move |s| (m, s)))
}

fn names(m: &MeasureAgreement, s: &Summary) -> Vec<Cell> {
    vec![Cell::text(&m.name), Cell::text(s.design.word())]
}

pub(super) fn ends(interval: Option<Interval>) -> [Cell; 3] {
    [
        Cell::num(interval.map(|i| i.value)),
        Cell::num(interval.and_then(|i| i.low)),
        Cell::num(interval.and_then(|i| i.high)),
    ]
}

fn main_table(agreement: &Agreement) -> Table {
    let heads = [
        MEASURE,
        DESIGN,
        (
            "unit",
            Kind::Text,
            "",
            "unit of the mean, the errors and the changes; empty for a ratio or ratings",
        ),
        (
            "subjects",
            Kind::Int,
            "",
            "what was rated: one subject, or one place of one",
        ),
        ("raters", Kind::Int, "", "raters, examiners, tests or days"),
        ("ratings_given", Kind::Int, "", "ratings there were; all are used"),
        (
            "basis",
            Kind::Text,
            "",
            "mean_squares of a complete table of unrelated rows, else variance_model",
        ),
    ];
    let mut all = table("agreement", &heads, Vec::new());
    for (m, s) in summaries(agreement) {
        let found = numbers(s);
        if all.columns.len() == heads.len() {
            all.columns.extend(found.iter().map(|n| Column {
                name: n.name.clone().into(),
                kind: Kind::Num,
                unit: if n.in_unit { "as in unit" } else { "" },
                meaning: n.meaning.clone().into(),
                section: "7",
            }));
            all.columns
                .push(table("", &[REASON], Vec::new()).columns.remove(0));
        }
        let mut row = names(m, s);
        row.push(Cell::text(&m.unit));
        row.extend([s.subjects.len(), s.raters.len(), s.given].map(Cell::int));
        row.push(Cell::maybe(s.basis.map(AgreementBasis::word)));
        row.extend(found.iter().map(|n| Cell::num(n.value)));
        row.push(Cell::maybe(s.reason.as_deref()));
        all.rows.push(row);
    }
    all
}

fn limits(agreement: &Agreement) -> Table {
    let heads = [
        MEASURE,
        DESIGN,
        FIRST,
        SECOND,
        ("pairs", Kind::Int, "", "pairs of ratings"),
        ("bias", Kind::Num, "as the measure", "mean of first less second"),
        (
            "bias_low",
            Kind::Num,
            "as the measure",
            "low end of the 95 % interval of bias",
        ),
        (
            "bias_high",
            Kind::Num,
            "as the measure",
            "high end of the 95 % interval of bias",
        ),
        (
            "sd",
            Kind::Num,
            "as the measure",
            "standard deviation of the differences",
        ),
        (
            "lower",
            Kind::Num,
            "as the measure",
            "lower limit of agreement: bias less 1.96 sd",
        ),
        (
            "lower_low",
            Kind::Num,
            "as the measure",
            "low end of the 95 % interval of lower",
        ),
        (
            "lower_high",
            Kind::Num,
            "as the measure",
            "high end of the 95 % interval of lower",
        ),
        (
            "upper",
            Kind::Num,
            "as the measure",
            "upper limit of agreement: bias and 1.96 sd",
        ),
        (
            "upper_low",
            Kind::Num,
            "as the measure",
            "low end of the 95 % interval of upper",
        ),
        (
            "upper_high",
            Kind::Num,
            "as the measure",
            "high end of the 95 % interval of upper",
        ),
    ];
    let mut rows = Vec::new();
    for (m, s) in summaries(agreement) {
        for pair in &s.pairs {
            let mut row = names(m, s);
            row.extend([
                Cell::text(&pair.first),
                Cell::text(&pair.second),
                Cell::int(pair.limits.n),
            ]);
            row.extend(ends(Some(pair.limits.bias)));
            row.push(Cell::num(pair.limits.sd));
            row.extend(ends(Some(pair.limits.lower)));
            row.extend(ends(Some(pair.limits.upper)));
            rows.push(row);
        }
    }
    table("limits", &heads, rows)
}

fn trials(agreement: &Agreement) -> Table {
    let heads = [
        MEASURE,
        DESIGN,
        ("trials", Kind::Int, "", "trials whose mean is taken"),
        ("icc_1", Kind::Num, "", "ICC(1) of that mean, by Spearman-Brown"),
        (
            "icc_a1",
            Kind::Num,
            "",
            "ICC(A,1) of that mean, by Spearman-Brown",
        ),
        (
            "icc_c1",
            Kind::Num,
            "",
            "ICC(C,1) of that mean, by Spearman-Brown",
        ),
        (
            "mdc95",
            Kind::Num,
            "as the measure",
            "MDC95 of that mean, by the agreement SEM",
        ),
        ("mdc95_percent", Kind::Num, "%", "the same in percent of the mean"),
    ];
    let mut rows = Vec::new();
    for (m, s) in summaries(agreement) {
        for t in &s.trials {
            let mut row = names(m, s);
            row.push(Cell::int(t.trials));
            row.extend([t.icc_1, t.icc_a, t.icc_c, Some(t.mdc95), t.mdc95_percent].map(Cell::num));
            rows.push(row);
        }
    }
    table("trials", &heads, rows)
}

fn trials_for(agreement: &Agreement) -> Table {
    let heads = [
        MEASURE,
        DESIGN,
        (
            "wanted_mdc95_percent",
            Kind::Num,
            "%",
            "MDC95 that is wanted, in percent of the mean",
        ),
        ("trials", Kind::Int, "", "trials whose mean reaches it"),
    ];
    let mut rows = Vec::new();
    for (m, s) in summaries(agreement).filter(|(_, s)| s.sem.is_some()) {
        for (percent, trials) in WANTED_PERCENT.iter().zip(&s.trials_for) {
            let mut row = names(m, s);
            row.extend([Cell::num(*percent), trials.map_or(Cell::Missing, Cell::int)]);
            rows.push(row);
        }
    }
    table("trials_for", &heads, rows)
}

fn components(agreement: &Agreement) -> Table {
    let heads = [
        MEASURE,
        DESIGN,
        ("term", Kind::Text, "", "what the variance belongs to"),
        ("levels", Kind::Int, "", "how many of them there are"),
        ("variance", Kind::Num, "unit of the measure, squared", "variance component"),
        (
            "variance_low",
            Kind::Num,
            "unit of the measure, squared",
            "low end of the 95 % interval of variance",
        ),
        (
            "variance_high",
            Kind::Num,
            "unit of the measure, squared",
            "high end of the 95 % interval of variance",
        ),
        ("share", Kind::Num, "", "its share of all components together"),
        (
            "state",
            Kind::Text,
            "",
            "estimated, at_bound (0: the levels differ no more than chance lets them), or not_told by this design",
        ),
        REASON,
    ];
    let mut rows = Vec::new();
    for (m, s) in summaries(agreement) {
        for c in &s.components {
            let mut row = names(m, s);
            row.extend([Cell::text(c.part.word()), Cell::int(c.levels)]);
            row.extend(ends(c.variance));
            row.extend([Cell::num(c.share), Cell::text(c.state.word())]);
            row.push(match c.state {
                PartState::NotTold(why) => Cell::text(&why.to_string()),
                _ => Cell::Missing,
            });
            rows.push(row);
        }
    }
    table("components", &heads, rows)
}

pub(super) fn codebook(all: &[Table]) -> Table {
    let heads = [
        ("table", Kind::Text, "", "table that the column stands in"),
        ("column", Kind::Text, "", "name of the column"),
        ("kind", Kind::Text, "", "what its cells are"),
        ("unit", Kind::Text, "", "unit, where there is one"),
        ("meaning", Kind::Text, "", "what it says"),
        ("section", Kind::Text, "", "section of METHODS.md that defines it"),
    ];
    let of = |t: &Table| -> Vec<Vec<Cell>> {
        let row = |c: &Column| {
            [t.name, &c.name, c.kind.word(), c.unit, &c.meaning, &c.reference()]
                .map(Cell::text)
                .to_vec()
        };
        t.columns.iter().map(row).collect()
    };
    let rows = all.iter().flat_map(of).collect();
    let own = table("codebook", &heads, Vec::new());
    let mut book = table("codebook", &heads, rows);
    book.rows.extend(of(&own));
    book
}
