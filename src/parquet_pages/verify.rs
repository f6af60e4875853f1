//! Counts and sizes of a Parquet file held against the file, and the checksums of its pages.

use super::footer::{self, chunk, element, file, first_page, meta, page, row_group};
use super::thrift::{self, Structure};
use super::{MAGIC, Refusal};
use std::io::{Read, Seek, SeekFrom};

/// What a file's columns may take once unpacked: this many times its size …
const UNPACKED_PER_BYTE: u64 = 100;
/// … and so much more. A column of one number packs to nearly nothing.
const UNPACKED_AT_LEAST: u64 = 64 << 20;
/// Longest page header looked at: statistics of a page stand in it.
const LONGEST_HEADER: usize = 1 << 20;
/// Most of it needs only this much.
const USUAL_HEADER: usize = 512;
/// A page of a recording is a megabyte; none may be larger than this.
const LONGEST_PAGE: u64 = 1 << 30;

/// Checksum of the bytes of a page, by the gzip polynomial that Parquet's checksums use.
pub(super) fn checksum(bytes: &[u8]) -> u32 {
    crc32fast::hash(bytes)
}

/// What was found of a file that may be handed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Verified {
    pub pages: usize,
    /// Pages whose checksum was there and right.
    pub checksums: usize,
}

/// Holds a file's counts and sizes against the file, and its pages against their checksums.
///
/// # Errors
/// The error of the system; within, why the file is not to be handed on.
pub fn verify(from: &mut (impl Read + Seek)) -> std::io::Result<Result<Verified, Refusal>> {
    match (Verification { from, size: 0, page: Vec::new() }).run() {
        Ok(done) => Ok(Ok(done)),
        Err(Stop::Refused(why)) => Ok(Err(why)),
        Err(Stop::Io(error)) if error.kind() == std::io::ErrorKind::UnexpectedEof => Ok(Err("cut off".to_owned())),
        Err(Stop::Io(error)) => Err(error),
    }
}

enum Stop {
    Refused(Refusal),
    Io(std::io::Error),
}

impl From<std::io::Error> for Stop {
    fn from(error: std::io::Error) -> Stop {
        Stop::Io(error)
    }
}

impl From<Refusal> for Stop {
    fn from(why: Refusal) -> Stop {
        Stop::Refused(why)
    }
}

fn refuse<T>(why: impl Into<Refusal>) -> Result<T, Stop> {
    Err(Stop::Refused(why.into()))
}

struct Verification<'f, F> {
    from: &'f mut F,
    size: u64,
    page: Vec<u8>,
}

/// A count of the file, which may hold anything.
fn count(of: &Structure, field: i16, name: &str) -> Result<u64, Stop> {
    match of.whole(field).map(u64::try_from) {
        Some(Ok(n)) => Ok(n),
        Some(Err(_)) => refuse(format!("a count of {name} below zero")),
        None => refuse(format!("no count of {name}")),
    }
}

impl<F: Read + Seek> Verification<'_, F> {
    fn run(mut self) -> Result<Verified, Stop> {
        self.size = self.from.seek(SeekFrom::End(0))?;
        if self.size < 12 || self.bytes::<4>(0)? != MAGIC {
            return refuse("cut off");
        }
        let length = footer::footer_length(&self.bytes(self.size - 8)?, self.size)?;
        let mut bytes = vec![0; usize::try_from(length).unwrap_or(usize::MAX)];
        self.from.seek(SeekFrom::Start(self.size - 8 - length))?;
        self.from.read_exact(&mut bytes)?;
        let whole = footer::parse(&bytes)?;
        let leaves = leaves(&whole)?;
        let rows = count(&whole, file::NUM_ROWS, "rows")?;
        let (mut of_groups, mut unpacked, mut done) = (0_u64, 0_u64, Verified::default());
        for group in whole.structures(file::ROW_GROUPS) {
            let rows_of_group = count(group, row_group::NUM_ROWS, "rows of a group")?;
            of_groups = of_groups.saturating_add(rows_of_group);
            let columns: Vec<&Structure> = group.structures(row_group::COLUMNS).collect();
            if columns.len() != leaves.len() {
                return refuse(format!("{} columns where the footer names {}", columns.len(), leaves.len()));
            }
            for (column, leaf) in columns.into_iter().zip(&leaves) {
                let Some(meta) = column.structure(chunk::META) else {
                    return refuse("a column without a description");
                };
                let values = count(meta, meta::NUM_VALUES, "values")?;
                if !leaf.repeated && values != rows_of_group {
                    return refuse(format!("{values} values in a column of {rows_of_group} rows"));
                }
                let size = values.saturating_mul(leaf.width);
                unpacked = unpacked.saturating_add(size.max(count(meta, meta::TOTAL_UNCOMPRESSED, "bytes")?));
                self.check_unpacked(unpacked, rows)?;
                self.pages(meta, values, &mut done)?;
            }
        }
        if of_groups != rows {
            return refuse(format!("{rows} rows where its parts hold {of_groups}"));
        }
        Ok(done)
    }

    fn check_unpacked(&self, unpacked: u64, rows: u64) -> Result<(), Stop> {
        let most = UNPACKED_AT_LEAST.saturating_add(UNPACKED_PER_BYTE.saturating_mul(self.size));
        if unpacked > most {
            return refuse(format!(
                "{rows} rows that unpack to {unpacked} bytes from a file of {}: more than {UNPACKED_PER_BYTE} times its size \
                 and {} MB",
                self.size,
                UNPACKED_AT_LEAST >> 20
            ));
        }
        Ok(())
    }

    /// Every page of a column chunk.
    fn pages(&mut self, of: &Structure, values: u64, done: &mut Verified) -> Result<(), Stop> {
        let Some(mut at) = first_page(of) else {
            return refuse("a column without a first page");
        };
        let total = count(of, meta::TOTAL_COMPRESSED, "bytes of a column")?;
        let end = at.saturating_add(total);
        if end > self.size {
            return refuse(format!("a column that ends at byte {end} of a file of {}", self.size));
        }
        if of.whole(meta::CODEC).is_none() {
            return refuse("a column without a codec");
        }
        let (mut seen, mut unpacked) = (0_u64, 0_u64);
        while at < end {
            let (header, length) = self.header(at, end)?;
            let compressed = count(&header, page::COMPRESSED, "bytes of a page")?;
            let begin = at + length;
            if compressed > end - begin || compressed > LONGEST_PAGE {
                return refuse(format!("a page of {compressed} bytes at byte {at}"));
            }
            unpacked = unpacked.saturating_add(page_sizes(&header, compressed)?);
            seen = seen.saturating_add(values_of(&header, values)?);
            self.checksum(&header, begin, compressed, done)?;
            done.pages += 1;
            at = begin + compressed;
        }
        let told = count(of, meta::TOTAL_UNCOMPRESSED, "bytes")?;
        // What the total counts differs between writers by the headers, so only a large excess is a lie.
        if unpacked > told.saturating_add(UNPACKED_AT_LEAST) {
            return refuse(format!("pages that unpack to {unpacked} bytes where the footer says {told}"));
        }
        if seen != values {
            return refuse(format!("{seen} values in the pages of a column of {values}"));
        }
        Ok(())
    }

    fn header(&mut self, at: u64, end: u64) -> Result<(Structure, u64), Stop> {
        for most in [USUAL_HEADER, LONGEST_HEADER] {
            let length = usize::try_from(end - at).unwrap_or(usize::MAX).min(most);
            self.page.resize(length, 0);
            self.from.seek(SeekFrom::Start(at))?;
            self.from.read_exact(&mut self.page)?;
            if let Some((header, length)) = thrift::read(&self.page) {
                return Ok((header, length as u64));
            }
        }
        refuse(format!("a damaged page at byte {at}"))
    }

    fn checksum(&mut self, header: &Structure, begin: u64, bytes: u64, done: &mut Verified) -> Result<(), Stop> {
        let Some(stated) = header.whole(page::CRC) else {
            return Ok(());
        };
        self.page.resize(usize::try_from(bytes).unwrap_or(usize::MAX), 0);
        self.from.seek(SeekFrom::Start(begin))?;
        self.from.read_exact(&mut self.page)?;
        if stated as u32 != checksum(&self.page) {
            return refuse(format!("a page at byte {begin} whose bytes have changed since it was written"));
        }
        done.checksums += 1;
        Ok(())
    }

    fn bytes<const N: usize>(&mut self, at: u64) -> std::io::Result<[u8; N]> {
        let mut bytes = [0; N];
        self.from.seek(SeekFrom::Start(at))?;
        self.from.read_exact(&mut bytes)?;
        Ok(bytes)
    }
}

/// Size of a page once unpacked.
fn page_sizes(header: &Structure, compressed: u64) -> Result<u64, Stop> {
    let unpacked = count(header, page::UNCOMPRESSED, "bytes of a page")?;
    if unpacked > LONGEST_PAGE {
        return refuse(format!("a page that unpacks to {unpacked} bytes"));
    }
    if let Some(v2) = header.structure(page::DATA_V2) {
        let levels = count(v2, page::V2_DEFINITION_BYTES, "bytes of levels")?
            .saturating_add(count(v2, page::V2_REPETITION_BYTES, "bytes of levels")?);
        if levels > compressed || levels > unpacked {
            return refuse("levels longer than their page");
        }
    }
    Ok(unpacked)
}

/// Values of a data page; none of a dictionary.
fn values_of(header: &Structure, of_column: u64) -> Result<u64, Stop> {
    let unpacked = count(header, page::UNCOMPRESSED, "bytes of a page")?;
    if let Some(dictionary) = header.structure(page::DICTIONARY) {
        // Each entry takes a byte of the page at least, but for empty texts, of which one is enough.
        if count(dictionary, page::NUM_VALUES, "values of a dictionary")? > unpacked.max(1) {
            return refuse("a dictionary with more values than bytes");
        }
        return Ok(0);
    }
    let data = header.structure(page::DATA).or_else(|| header.structure(page::DATA_V2));
    let Some(data) = data else {
        return match header.whole(page::TYPE) {
            // An index page, which nobody reads.
            Some(1) => Ok(0),
            _ => refuse("a page of no known kind"),
        };
    };
    let values = count(data, page::NUM_VALUES, "values of a page")?;
    if values > of_column {
        return refuse(format!("{values} values in a page of a column of {of_column}"));
    }
    if header.structure(page::DATA_V2).is_some() {
        let nulls = count(data, page::V2_NUM_NULLS, "missing values")?;
        if nulls > values || count(data, page::V2_NUM_ROWS, "rows of a page")? > values {
            return refuse("more missing values or rows than values in a page");
        }
    }
    Ok(values)
}

/// A column of the schema that holds values.
struct Leaf {
    /// It, or something that it lies in, is repeated: its values are not its rows.
    repeated: bool,
    /// Bytes of a value once unpacked.
    width: u64,
}

/// Columns that hold values, in the order of the schema, which is a tree laid out depth first.
fn leaves(whole: &Structure) -> Result<Vec<Leaf>, Stop> {
    let mut elements = whole.structures(file::SCHEMA);
    let Some(root) = elements.next() else {
        return refuse("no columns named");
    };
    let mut found = Vec::new();
    // Children still to come of each open element, and whether it is repeated.
    let mut open = vec![(root.whole(element::NUM_CHILDREN).unwrap_or(0), false)];
    for e in elements {
        while open.last().is_some_and(|(left, _)| *left <= 0) {
            open.pop();
        }
        let Some((left, within)) = open.last_mut() else {
            return refuse("more columns than the footer counts");
        };
        *left -= 1;
        let repeated = *within || e.whole(element::REPETITION) == Some(element::REPEATED);
        match e.whole(element::NUM_CHILDREN) {
            Some(children) if children > 0 => open.push((children, repeated)),
            _ => found.push(Leaf {
                repeated,
                // Truth values become bytes, single precision double.
                width: if e.whole(element::TYPE) == Some(0) { 1 } else { 8 },
            }),
        }
    }
    if open.iter().any(|(left, _)| *left > 0) {
        return refuse("fewer columns than the footer counts");
    }
    Ok(found)
}

/// [`verify`] for bytes in memory.
///
/// # Errors
/// As there; the memory itself never fails.
pub fn verify_bytes(bytes: &[u8]) -> Result<Verified, Refusal> {
    verify(&mut std::io::Cursor::new(bytes)).unwrap_or_else(|e| Err(e.to_string()))
}
