//! Columns in memory: the same headings and units as a file's.

use super::assemble::{AssembledTrace, ReadContext, assemble};
use super::headings::{ColumnLayout, column_layout, no_rows};
use crate::error::{Problem, Result};
use crate::study::mapping::ColumnMapping;

/// A recording in memory: columns under the headings that a file would have. A missing number is NaN.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RecordedColumns {
    columns: Vec<(String, Vec<f64>)>,
}

impl RecordedColumns {
    /// Takes columns with their headings (`time_s`, `force_n`, `displacement_mm`, …), as a recording's file has them.
    ///
    /// # Errors
    /// A [`Problem`] that names the column which is not as long as the first one, or the number that is infinite; `name` is
    /// the recording's.
    pub fn new(name: &str, columns: Vec<(String, Vec<f64>)>) -> Result<RecordedColumns> {
        let rows = columns.first().map_or(0, |(_, values)| values.len());
        let first = columns.first().map_or("", |(heading, _)| heading.as_str()).to_owned();
        for (heading, values) in &columns {
            if values.len() != rows {
                let found = format!("{} values", values.len());
                let expected = format!("as many as {first} has, {rows}");
                let advice = "give every column one value a sample; a missing one is NaN";
                return Err(Problem::error(name, found, expected, advice).in_column(heading).into());
            }
            if let Some(row) = values.iter().position(|v| v.is_infinite()) {
                let found = format!("{} at index {row}", values[row]);
                let advice = "correct the value, or put NaN where it is missing";
                return Err(Problem::error(name, found, "a number", advice).in_column(heading).into());
            }
        }
        Ok(RecordedColumns { columns })
    }

    /// What they take in memory.
    pub(super) fn bytes(&self) -> u64 {
        self.columns.iter().map(|(_, values)| size_of_val(values.as_slice()) as u64).sum()
    }
}

/// Reads a trace from columns in memory.
pub(super) fn read(held: &RecordedColumns, name: &str, context: ReadContext<'_>) -> Result<AssembledTrace> {
    let (layout, values) = columns(held, name, context.mapping)?;
    assemble(name, context, layout, values, &|_| None)
}

/// The columns of a trace as they stand in memory.
///
/// # Errors
/// A problem: no such columns, no rows.
pub(super) fn columns(
    held: &RecordedColumns,
    name: &str,
    mapping: &ColumnMapping,
) -> Result<(ColumnLayout, Vec<Vec<f64>>)> {
    let headings: Vec<String> = held.columns.iter().map(|(heading, _)| heading.clone()).collect();
    let layout = column_layout(name, &headings, None, mapping)?;
    let values: Vec<Vec<f64>> = layout.columns.iter().map(|c| held.columns[c.index].1.clone()).collect();
    if values.iter().all(Vec::is_empty) {
        return Err(no_rows(name).into());
    }
    Ok((layout, values))
}
