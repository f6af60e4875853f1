//! Tables as Parquet: the one file of the reports that knows polars.

use super::tables::{Cell, Table, unwritten};
use crate::columns::Kind;
use crate::error::Result;
use crate::parquet_pages::finished;
use polars::prelude::{Column, DataFrame, NamedFrom, ParquetCompression, ParquetWriter, Series};

impl Table {
    /// The table as Parquet (zstd): text, 64-bit whole numbers, 64-bit floats and booleans; missing is null.
    ///
    /// # Errors
    /// Only when memory runs out; the writer's error is passed on.
    pub fn to_parquet(&self) -> Result<Vec<u8>> {
        let all = |n: usize| (0..n).collect::<Vec<_>>();
        self.part_to_parquet(&all(self.columns.len()), &all(self.rows.len()))
    }

    /// The same for some of its columns and rows.
    ///
    /// # Errors
    /// As [`Table::to_parquet`].
    pub fn part_to_parquet(&self, columns: &[usize], rows: &[usize]) -> Result<Vec<u8>> {
        let series = columns.iter().map(|at| self.series(*at, rows)).collect();
        let failed = |e| unwritten(self.name, "parquet", &e);
        let mut frame = DataFrame::new(rows.len(), series).map_err(failed)?;
        let mut bytes = Vec::new();
        ParquetWriter::new(&mut bytes)
            .with_compression(ParquetCompression::Zstd(None))
            .finish(&mut frame)
            .map_err(failed)?;
        Ok(finished(bytes))
    }

    fn series(&self, at: usize, rows: &[usize]) -> Column {
        let column = &self.columns[at];
        let name = column.name.as_ref().into();
        let cells = rows.iter().map(|row| &self.rows[*row][at]);
        let series = match column.kind {
            Kind::Text | Kind::List(_) => {
                let texts: Vec<Option<String>> = cells.map(|c| c.as_text(column.kind)).collect();
                Series::new(name, texts)
            }
            Kind::Int => Series::new(name, cells.map(as_int).collect::<Vec<_>>()),
            Kind::Num => Series::new(name, cells.map(as_num).collect::<Vec<_>>()),
            Kind::Bool => Series::new(name, cells.map(as_bool).collect::<Vec<_>>()),
        };
        series.into()
    }
}

fn as_int(cell: &Cell) -> Option<i64> {
    match cell {
        Cell::Int(n) => Some(*n),
        _ => None,
    }
}

fn as_num(cell: &Cell) -> Option<f64> {
    match cell {
        Cell::Num(n) => Some(*n),
        _ => None,
    }
}

fn as_bool(cell: &Cell) -> Option<bool> {
    match cell {
        Cell::Bool(b) => Some(*b),
        _ => None,
    }
}
