//! An open Parquet file: the only reader that knows polars.

use crate::study::door::{self, FileKind};
use super::MAGIC;
use crate::error::{Error, Problem, Result};
use crate::fault::isolated;
use crate::parquet_pages::{verify, verify_bytes};
use crate::study::words::shown;
use polars::error::PolarsError;
use polars::io::mmap::MmapBytesReader;
use polars::io::parquet::metadata::{FileMetadata, FileMetadataRef};
use polars::prelude::{
    ArrowDataType, Column, DataFrame, DataType, Float64Chunked, ParallelStrategy, ParquetReader, SerReader,
};
use std::io::Cursor;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// A Parquet file whose footer was read.
pub(in crate::read) struct ParquetFile<'a> {
    place: ParquetSource<'a>,
    name: String,
    /// Name and type of each column.
    fields: Vec<(String, ArrowDataType)>,
    metadata: FileMetadataRef,
    /// The same without its row groups: with one of them alone, the others cost nothing when it is read.
    bare: FileMetadata,
}

enum ParquetSource<'a> {
    Bytes(&'a [u8]),
    Path(PathBuf),
}

/// Rows that were read.
pub(in crate::read) struct ParquetRows(DataFrame);

type Reader<'a> = ParquetReader<Box<dyn MmapBytesReader + 'a>>;

impl<'a> ParquetFile<'a> {
    /// A file held in memory; `name` is what problems call it.
    pub fn of_bytes(bytes: &'a [u8], name: &str) -> Result<ParquetFile<'a>> {
        if bytes.len() < 12 || !bytes.starts_with(MAGIC) || !bytes.ends_with(MAGIC) {
            return Err(unreadable(name, "cut off").into());
        }
        ParquetFile::open(ParquetSource::Bytes(bytes), name)
    }

    /// A file that is read piece by piece.
    pub fn at(path: &Path, name: &str) -> Result<ParquetFile<'static>> {
        ParquetFile::open(ParquetSource::Path(path.to_owned()), name)
    }

    fn open(place: ParquetSource<'a>, name: &str) -> Result<ParquetFile<'a>> {
        place.verify(name)?;
        let mut reader = place.reader()?;
        let (fields, metadata) = guarded(name, || {
            let bad = |_: PolarsError| unreadable(name, REFUSED);
            let schema = reader.schema().map_err(bad)?;
            let fields = schema
                .iter_values()
                .map(|field| (field.name.to_string(), field.dtype.clone()));
            Ok((fields.collect(), reader.get_metadata().map_err(bad)?.clone()))
        })?;
        drop(reader);
        let mut bare = FileMetadata::clone(&metadata);
        bare.row_groups = Vec::new();
        Ok(ParquetFile {
            place,
            name: name.to_owned(),
            fields,
            metadata,
            bare,
        })
    }

    /// Names of all columns.
    pub fn names(&self) -> Vec<&str> {
        self.fields.iter().map(|(name, _)| name.as_str()).collect()
    }

    /// The same without blanks around them.
    pub fn headings(&self) -> Vec<String> {
        self.names().iter().map(|n| n.trim().to_owned()).collect()
    }

    /// Refuses a column that holds no numbers.
    pub fn check_numbers(&self, columns: &[usize]) -> Result<(), Problem> {
        use ArrowDataType::{Float32, Float64, Int32, Int64, Null, UInt32, UInt64};
        let of_numbers =
            |kind: &ArrowDataType| matches!(kind, Int32 | Int64 | UInt32 | UInt64 | Float32 | Float64 | Null);
        let mut fields = columns.iter().filter_map(|c| self.fields.get(*c));
        match fields.find(|(_, kind)| !of_numbers(kind)) {
            None => Ok(()),
            Some((name, kind)) => Err(Problem::error(
                &self.name,
                format!("a column of type {kind:?}"),
                "a column of numbers: floating point or whole, of 32 or 64 bits",
                "write the column as float64",
            )
            .in_column(name.trim())),
        }
    }

    /// A text that the file holds about itself.
    pub fn text(&self, key: &str) -> Option<String> {
        let texts = self.metadata.key_value_metadata().as_ref()?;
        texts.iter().find(|t| t.key == key)?.value.clone()
    }

    /// Rows of each row group, counted through the file.
    pub fn row_groups(&self) -> Vec<Range<usize>> {
        let mut from = 0;
        let groups = self.metadata.row_groups.iter().map(|group| {
            let rows = from..from + group.num_rows();
            from = rows.end;
            rows
        });
        groups.collect()
    }

    /// Every row of some columns.
    pub fn all_rows(&self, columns: &[usize]) -> Result<ParquetRows> {
        let names = columns.iter().map(|c| self.fields[*c].0.clone()).collect();
        self.read(|reader| {
            reader
                .with_columns(Some(names))
                .read_parallel(ParallelStrategy::None)
        })
    }

    /// Some rows of one row group, counted from its first, with all columns.
    pub fn rows_of_group(&self, group: usize, rows: Range<usize>) -> Result<ParquetRows> {
        let mut alone = self.bare.clone();
        alone.row_groups = self.metadata.row_groups.get(group).cloned().into_iter().collect();
        alone.num_rows = alone.row_groups.iter().map(|g| g.num_rows()).sum();
        self.read(|mut reader| {
            reader.set_metadata(FileMetadataRef::new(alone));
            reader
                .with_slice(Some((rows.start, rows.len())))
                .read_parallel(ParallelStrategy::Columns)
        })
    }

    fn read<'s>(&'s self, ask: impl FnOnce(Reader<'s>) -> Reader<'s>) -> Result<ParquetRows> {
        let reader = self.place.reader()?;
        let frame = guarded(&self.name, || {
            ask(reader).finish().map_err(|_| self.unreadable(REFUSED))
        })?;
        Ok(ParquetRows(frame))
    }

    /// A column of what was read; a missing number is NaN.
    pub fn f64s(&self, rows: &ParquetRows, column: usize) -> Result<Vec<f64>, Problem> {
        // In one piece where nothing is missing, which is the rule.
        self.doubles(rows, column, |numbers| match numbers.cont_slice() {
            Ok(whole) => whole.to_vec(),
            Err(_) => numbers.iter().map(|value| value.unwrap_or(f64::NAN)).collect(),
        })
    }

    /// The same with a missing number told from NaN.
    pub fn options(&self, rows: &ParquetRows, column: usize) -> Result<Vec<Option<f64>>, Problem> {
        self.doubles(rows, column, |numbers| numbers.iter().collect())
    }

    fn doubles<T>(
        &self,
        rows: &ParquetRows,
        column: usize,
        take: impl FnOnce(&Float64Chunked) -> T,
    ) -> Result<T, Problem> {
        self.cast(rows, column, &DataType::Float64, |cast| Ok(take(cast.f64()?)))
    }

    /// A column as single precision; a missing number is NaN.
    pub fn f32s(&self, rows: &ParquetRows, column: usize) -> Result<Vec<f32>, Problem> {
        self.cast(rows, column, &DataType::Float32, |cast| {
            let numbers = cast.f32()?;
            Ok(numbers.iter().map(|value| value.unwrap_or(f32::NAN)).collect())
        })
    }

    fn cast<T>(
        &self,
        rows: &ParquetRows,
        column: usize,
        kind: &DataType,
        take: impl FnOnce(Column) -> Result<T, PolarsError>,
    ) -> Result<T, Problem> {
        let name = self.fields[column].0.as_str();
        let in_place = rows.0.columns().get(column).filter(|c| c.name() == name);
        guarded(&self.name, || {
            let column = in_place.map_or_else(|| rows.0.column(name), Ok);
            let cast = column.and_then(|c| c.cast(kind)).and_then(take);
            cast.map_err(|_| self.unreadable(REFUSED))
        })
    }

    /// The problem of a damaged file.
    pub fn unreadable(&self, why: &str) -> Problem {
        unreadable(&self.name, why)
    }
}

impl ParquetSource<'_> {
    /// Holds counts, sizes and checksums against the file: the table library trusts them, and an allocation that fails
    /// cannot be caught.
    fn verify(&self, name: &str) -> Result<()> {
        let verified = match self {
            ParquetSource::Bytes(bytes) => verify_bytes(bytes),
            ParquetSource::Path(path) => {
                let file = door::open(path, FileKind::Streamed);
                let verified = file.and_then(|mut file| verify(&mut file));
                verified.map_err(|e| Error::unreadable(path, e))?
            }
        };
        verified.map(|_| ()).map_err(|why| unreadable(name, &why).into())
    }

    fn reader(&self) -> Result<Reader<'_>> {
        let reader: Box<dyn MmapBytesReader + '_> = match self {
            ParquetSource::Bytes(bytes) => Box::new(Cursor::new(*bytes)),
            ParquetSource::Path(path) => {
                let file = door::open(path, FileKind::Streamed);
                Box::new(file.map_err(|e| Error::unreadable(path, e))?)
            }
        };
        Ok(ParquetReader::new(reader))
    }
}

/// Why a file is refused that the table library could not read: its own words are for programmers.
const REFUSED: &str = "damaged, or of a kind that is not read";

fn unreadable(name: &str, why: &str) -> Problem {
    Problem::error(
        name,
        format!("Parquet that cannot be read ({})", shown(why)),
        "a whole Parquet file",
        "write or copy it again",
    )
}

/// polars panics on some damaged files; a damaged file is one file's fault and must not end a batch.
fn guarded<T>(name: &str, read: impl FnOnce() -> Result<T, Problem>) -> Result<T, Problem> {
    isolated(read)
        .unwrap_or_else(|_| Err(unreadable(name, "damaged")))
}
