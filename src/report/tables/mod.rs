//! The result tables. Each is described once, as a list of columns with the way to fill them; CSV, Parquet, JSON
//! and the codebook are all made of that list.

use crate::error::printable;
use crate::columns::{Column, Kind, table as c};
use crate::error::{Error, Result};
use crate::results::Results;
use crate::terms::Term;
use crate::trace::Corrected;
use crate::write::OutputFolder;
use serde_json::Value;

mod of_analysis;
mod of_scans;
mod of_tests;

/// What stands in one cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Text, never empty.
    Text(String),
    /// A whole number.
    Int(i64),
    /// Always finite: see [`Cell::num`].
    Num(f64),
    /// True or false.
    Bool(bool),
    /// Several texts.
    List(Vec<String>),
    /// Nothing.
    Missing,
}

impl Cell {
    /// A text; an empty one is missing.
    pub fn text(text: &str) -> Cell {
        if text.is_empty() {
            Cell::Missing
        } else {
            Cell::Text(printable(text.to_owned()))
        }
    }

    /// A text that may be missing.
    pub fn maybe(text: Option<&str>) -> Cell {
        text.map_or(Cell::Missing, Cell::text)
    }

    /// A word out of a closed list.
    pub fn term(term: Option<impl Term>) -> Cell {
        Cell::maybe(term.map(Term::word))
    }

    /// Several words out of a closed list.
    pub fn terms(terms: &[impl Term]) -> Cell {
        Cell::List(terms.iter().map(|t| t.word().to_owned()).collect())
    }

    /// A number; one that is not finite is missing.
    pub fn num(number: impl Into<Option<f64>>) -> Cell {
        number
            .into()
            .filter(|n| n.is_finite())
            .map_or(Cell::Missing, Cell::Num)
    }

    /// A whole number.
    pub fn int(number: impl TryInto<i64>) -> Cell {
        number.try_into().map_or(Cell::Missing, Cell::Int)
    }

    /// The cell as text, as CSV and a text column of Parquet hold it; `None` when missing.
    ///
    /// A number is the shortest text that reads back to the same number. A text is left as it is, also when it
    /// begins with `=`, `+`, `-` or `@`: the tables hold the data, and a spreadsheet must be told to import
    /// such a column as text.
    pub fn as_text(&self, kind: Kind) -> Option<String> {
        match self {
            Cell::Text(text) => Some(text.clone()),
            Cell::Int(n) => Some(n.to_string()),
            Cell::Num(n) => Some(shortest(*n)),
            // The words that R reads as logical; all else reads them too.
            Cell::Bool(true) => Some("TRUE".to_owned()),
            Cell::Bool(false) => Some("FALSE".to_owned()),
            Cell::List(items) => {
                let separator = match kind {
                    Kind::List(separator) => separator,
                    _ => "; ",
                };
                (!items.is_empty()).then(|| items.join(separator))
            }
            Cell::Missing => None,
        }
    }

    /// The cell as JSON; missing is null, an empty list an empty list.
    pub fn as_json(&self) -> Value {
        match self {
            Cell::Text(text) => Value::from(text.as_str()),
            Cell::Int(n) => Value::from(*n),
            Cell::Num(n) => Value::from(*n),
            Cell::Bool(b) => Value::from(*b),
            Cell::List(items) => Value::from(items.as_slice()),
            Cell::Missing => Value::Null,
        }
    }
}

/// Shortest text that reads back to the same number; an exponent only where plain digits would be long.
fn shortest(n: f64) -> String {
    let size = n.abs();
    if size != 0.0 && !(1e-5..1e16).contains(&size) {
        format!("{n:e}")
    } else {
        format!("{n}")
    }
}

/// What a row rests on that a person put right.
fn corrected_by(corrections: &[Corrected]) -> Cell {
    Cell::List(corrections.iter().map(ToString::to_string).collect())
}

/// A column and the way to fill it from a row.
pub(super) struct Field<R: ?Sized> {
    column: Column,
    fill: Box<dyn Fn(&R) -> Cell>,
}

/// Short form, so that a table reads as a list.
pub(super) fn field<R: ?Sized>(column: Column, fill: impl Fn(&R) -> Cell + 'static) -> Field<R> {
    Field {
        column,
        fill: Box::new(fill),
    }
}

/// A filled table: every row has one cell a column.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Name, as its file has it.
    pub name: &'static str,
    /// Its columns, in order.
    pub columns: Vec<Column>,
    /// Its rows, each with a cell a column.
    pub rows: Vec<Vec<Cell>>,
}

impl Table {
    pub(super) fn fill<'a, R: 'a>(
        name: &'static str,
        fields: Vec<Field<R>>,
        rows: impl IntoIterator<Item = &'a R>,
    ) -> Table {
        let rows = rows
            .into_iter()
            .map(|row| fields.iter().map(|f| (f.fill)(row)).collect())
            .collect();
        Table {
            name,
            columns: fields.into_iter().map(|f| f.column).collect(),
            rows,
        }
    }

    /// The column of that name.
    pub fn position(&self, column: &str) -> Option<usize> {
        self.columns.iter().position(|c| c.name == column)
    }

    /// The table as CSV (RFC 4180, but with line feeds), UTF-8, headings first, full precision.
    ///
    /// # Errors
    /// Only when memory runs out; the writer's error is passed on.
    pub fn to_csv(&self) -> Result<Vec<u8>> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        let failed = |e: csv::Error| unwritten(self.name, "csv", &e);
        writer
            .write_record(self.columns.iter().map(|c| c.name.as_bytes()))
            .map_err(failed)?;
        for row in &self.rows {
            let cells = row
                .iter()
                .zip(&self.columns)
                .map(|(cell, column)| cell.as_text(column.kind).unwrap_or_default());
            writer.write_record(cells).map_err(failed)?;
        }
        writer
            .into_inner()
            .map_err(|e| unwritten(self.name, "csv", e.error()))
    }

    /// One JSON object a row, with the columns' names in their order.
    pub fn to_json(&self) -> Value {
        let object = |row: &Vec<Cell>| {
            let pairs = self.columns.iter().zip(row);
            Value::Object(
                pairs
                    .map(|(c, cell)| (c.name.to_string(), cell.as_json()))
                    .collect(),
            )
        };
        Value::Array(self.rows.iter().map(object).collect())
    }
}

/// A table that could not be put into its file format.
pub(super) fn unwritten(table: &str, format: &str, error: &dyn std::fmt::Display) -> Error {
    Error::Refused {
        found: format!("the table {table} could not be written as {format}: {error}"),
        advice: "free some memory or analyse fewer recordings at once".to_owned(),
    }
}

impl Results {
    /// Names of the tables that hold rows of this analysis, in the order of the report.
    pub const TABLES: [&str; 7] = [
        "springs",
        "tests",
        "findings",
        "technique",
        "reference",
        "unpaired",
        "exclusions",
    ];

    /// The table of that name: one of [`Results::TABLES`], `problems`, `budget` or `codebook`.
    pub fn table(&self, name: &str) -> Option<Table> {
        Some(match name {
            "springs" => of_tests::springs(&self.tests),
            "tests" => of_tests::tests(&self.tests),
            "findings" => of_scans::comparisons(&self.comparisons),
            "technique" => of_scans::technique(&self.technique),
            "reference" => of_scans::reference(&self.tests, &self.reference),
            "unpaired" => of_scans::unpaired(&self.unpaired),
            "exclusions" => of_scans::exclusions(&self.exclusions),
            "problems" => of_analysis::problems(&self.problems),
            "budget" => of_analysis::budget(&self.tests),
            "codebook" => codebook(),
            _ => return None,
        })
    }

    /// Every one of [`Results::TABLES`].
    pub fn tables(&self) -> Vec<Table> {
        Results::TABLES
            .iter()
            .filter_map(|name| self.table(name))
            .collect()
    }

    /// Writes every table as `.csv` and `.parquet`, the exclusions and the codebook as `.csv` only.
    ///
    /// # Errors
    /// As [`OutputFolder::write`].
    pub fn write_tables(&self, folder: &mut OutputFolder) -> Result<()> {
        // One at a time: at ten thousand recordings they do not all fit beside the results.
        for table in Results::TABLES.iter().filter_map(|name| self.table(name)) {
            let too = table.name != "exclusions" && table.name != "unpaired";
            let (csv, parquet) = rayon::join(|| table.to_csv(), || too.then(|| table.to_parquet()));
            folder.write(&format!("{}.csv", table.name), &csv?)?;
            if let Some(parquet) = parquet {
                folder.write(&format!("{}.parquet", table.name), &parquet?)?;
            }
        }
        folder.write("codebook.csv", &codebook().to_csv()?)
    }
}

/// Every column of every table, with its kind, unit, meaning and section of METHODS.md; itself included.
pub fn codebook() -> Table {
    codebook_of(Results::default().tables())
}

/// Every column of these tables, and of the codebook itself.
pub fn codebook_with(tables: &[&Table]) -> Table {
    codebook_of(tables.iter().map(|t| (*t).clone()).collect())
}

/// The same of tables at hand.
pub(super) fn codebook_of(mut tables: Vec<Table>) -> Table {
    tables.push(Table::fill("codebook", codebook_fields(), []));
    let entries: Vec<(&'static str, Column)> = tables
        .into_iter()
        .flat_map(|t| t.columns.into_iter().map(move |c| (t.name, c)))
        .collect();
    Table::fill("codebook", codebook_fields(), &entries)
}

type Entry = (&'static str, Column);

fn codebook_fields() -> Vec<Field<Entry>> {
    vec![
        field(c::TABLE, |e: &Entry| Cell::text(e.0)),
        field(c::COLUMN, |e: &Entry| Cell::text(&e.1.name)),
        field(c::KIND, |e: &Entry| Cell::text(e.1.kind.word())),
        field(c::COLUMN_UNIT, |e: &Entry| Cell::text(e.1.unit)),
        field(c::MEANING, |e: &Entry| Cell::text(&e.1.meaning)),
        field(c::SECTION, |e: &Entry| Cell::text(&e.1.reference())),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_as_short_as_they_can_be_and_still_read_back() {
        for (n, text) in [
            (11.0, "11"),
            (0.1 + 0.2, "0.30000000000000004"),
            (1e-300, "1e-300"),
            (0.0, "0"),
            (-2.5, "-2.5"),
            (1e17, "1e17"),
            (f64::MIN_POSITIVE, "2.2250738585072014e-308"),
        ] {
            assert_eq!(shortest(n), text);
            assert_eq!(text.parse::<f64>().unwrap().to_bits(), n.to_bits());
        }
    }

    #[test]
    fn what_is_not_finite_or_empty_is_missing() {
        assert_eq!(Cell::num(f64::NAN), Cell::Missing);
        assert_eq!(Cell::num(f64::INFINITY), Cell::Missing);
        assert_eq!(Cell::num(None), Cell::Missing);
        assert_eq!(Cell::text(""), Cell::Missing);
        assert_eq!(Cell::List(vec![]).as_text(Kind::List(" ")), None);
    }
}
