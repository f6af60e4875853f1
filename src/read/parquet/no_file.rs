//! What stands for a Parquet file in a build without the feature `parquet`: none can be opened.

use crate::error::{Problem, Result};
use std::convert::Infallible;
use std::marker::PhantomData;
use std::ops::Range;
use std::path::Path;

pub(in crate::read) struct ParquetFile<'a>(Infallible, PhantomData<&'a ()>);

pub(in crate::read) struct ParquetRows(Infallible);

impl<'a> ParquetFile<'a> {
    pub fn of_bytes(_: &'a [u8], name: &str) -> Result<ParquetFile<'a>> {
        Err(Problem::error(
            name,
            "a Parquet file, which this build does not read",
            "delimited text",
            "export it as CSV, or use a tautpoint that was built with its feature \"parquet\"",
        )
        .into())
    }

    pub fn at(_: &Path, name: &str) -> Result<ParquetFile<'static>> {
        ParquetFile::of_bytes(&[], name)
    }

    pub fn names(&self) -> Vec<&str> {
        match self.0 {}
    }

    pub fn headings(&self) -> Vec<String> {
        match self.0 {}
    }

    pub fn check_numbers(&self, _: &[usize]) -> Result<(), Problem> {
        match self.0 {}
    }

    pub fn text(&self, _: &str) -> Option<String> {
        match self.0 {}
    }

    pub fn row_groups(&self) -> Vec<Range<usize>> {
        match self.0 {}
    }

    pub fn all_rows(&self, _: &[usize]) -> Result<ParquetRows> {
        match self.0 {}
    }

    pub fn rows_of_group(&self, _: usize, _: Range<usize>) -> Result<ParquetRows> {
        match self.0 {}
    }

    pub fn f64s(&self, rows: &ParquetRows, _: usize) -> Result<Vec<f64>, Problem> {
        match rows.0 {}
    }

    pub fn options(&self, rows: &ParquetRows, _: usize) -> Result<Vec<Option<f64>>, Problem> {
        match rows.0 {}
    }

    pub fn f32s(&self, rows: &ParquetRows, _: usize) -> Result<Vec<f32>, Problem> {
        match rows.0 {}
    }

    pub fn unreadable(&self, _: &str) -> Problem {
        match self.0 {}
    }
}
