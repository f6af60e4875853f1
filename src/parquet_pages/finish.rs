//! What is put into a Parquet file, and taken out of it, after the table library wrote it.

use super::footer::{self, chunk, file, first_page, key_value, meta, page, row_group};
use super::thrift::{self, I32, Structure, ThriftValue};
use super::{MAGIC, verify};

/// Key of the text in a file's footer that holds the schema of Apache Arrow, Base64 within.
const ARROW_SCHEMA: &[u8] = b"ARROW:schema";

/// The same file with a checksum in each page header, without an index of its pages, and with Parquet's own types only. A
/// file that this program's writer does not make (with filters between its pages) comes back as it was.
pub fn finished(bytes: Vec<u8>) -> Vec<u8> {
    match rewritten(&bytes) {
        Some(rewritten) if verify::verify_bytes(&rewritten).is_ok_and(|v| v.checksums == v.pages) => rewritten,
        _ => bytes,
    }
}

fn rewritten(bytes: &[u8]) -> Option<Vec<u8>> {
    let (_, tail) = bytes.split_last_chunk::<8>()?;
    let length = usize::try_from(footer::footer_length(tail, bytes.len() as u64).ok()?).ok()?;
    let mut whole = footer::parse(bytes.get(bytes.len() - 8 - length..)?).ok()?;
    take_out_arrow_schema(&mut whole);
    let mut made = MAGIC.to_vec();
    for group in structures_mut(&mut whole, file::ROW_GROUPS) {
        let (begin, mut grown) = (made.len(), 0);
        for column in structures_mut(group, row_group::COLUMNS) {
            // An index of a page or two serves nobody, and would have to be made anew.
            column.0.retain(|(field, _)| !chunk::INDEXES.contains(field));
            let place = made.len();
            let meta = match column.get_mut(chunk::META)? {
                ThriftValue::Struct(meta) => meta,
                _ => return None,
            };
            grown += copy_chunk(bytes, meta, &mut made)?;
            set(column, chunk::FILE_OFFSET, place as i64);
        }
        if group.get(row_group::FILE_OFFSET).is_some() {
            set(group, row_group::FILE_OFFSET, begin as i64);
        }
        if let Some(total) = group.whole(row_group::TOTAL_COMPRESSED) {
            set(group, row_group::TOTAL_COMPRESSED, total + grown);
        }
    }
    let begin = made.len();
    thrift::write(&whole, &mut made);
    made.extend(u32::try_from(made.len() - begin).ok()?.to_le_bytes());
    made.extend(MAGIC);
    Some(made)
}

/// Takes out how the columns lay in the writer's memory. It names types that readers of some years ago do not know, who
/// then refuse the file, though text is text in Parquet's own schema.
fn take_out_arrow_schema(whole: &mut Structure) {
    let Some(ThriftValue::List(_, _, pairs)) = whole.get_mut(file::KEY_VALUES) else {
        return;
    };
    let is_schema = |pair: &ThriftValue| match pair {
        ThriftValue::Struct(pair) => {
            let key = pair.get(key_value::KEY);
            matches!(key, Some(ThriftValue::Binary(key)) if key == ARROW_SCHEMA)
        }
        _ => false,
    };
    pairs.retain(|pair| !is_schema(pair));
    if pairs.is_empty() {
        whole.0.retain(|(field, _)| *field != file::KEY_VALUES);
    }
}

/// Copies the pages of a column chunk, each with its checksum, and sets the chunk's offsets and sizes; gives by how much
/// it grew.
fn copy_chunk(bytes: &[u8], of: &mut Structure, made: &mut Vec<u8>) -> Option<i64> {
    if of.get(meta::INDEX_PAGE).is_some() || of.get(meta::BLOOM_FILTER).is_some() {
        return None;
    }
    let total = of.whole(meta::TOTAL_COMPRESSED)?;
    let mut at = usize::try_from(first_page(of)?).ok()?;
    let end = at.checked_add(usize::try_from(total).ok()?)?;
    let begin = made.len();
    while at < end {
        let place = made.len() as i64;
        let (mut header, length) = thrift::read(bytes.get(at..end)?)?;
        let from = at + length;
        let size = usize::try_from(header.whole(page::COMPRESSED)?).ok()?;
        let body = bytes.get(from..from.checked_add(size)?)?;
        for (field, of_kind) in [(meta::DATA_PAGE, None), (meta::DICTIONARY_PAGE, Some(page::DICTIONARY))] {
            let is = of_kind.is_none_or(|kind| header.get(kind).is_some());
            if is && of.whole(field) == Some(at as i64) {
                set(of, field, place);
            }
        }
        header.0.retain(|(field, _)| *field != page::CRC);
        let after = header.0.iter().position(|(field, _)| *field > page::CRC).unwrap_or(header.0.len());
        let crc = i64::from(verify::checksum(body) as i32);
        header.0.insert(after, (page::CRC, ThriftValue::Whole(I32, crc)));
        thrift::write(&header, made);
        made.extend(body);
        at = from + size;
    }
    let grown = (made.len() - begin) as i64 - total;
    set(of, meta::TOTAL_COMPRESSED, total + grown);
    let unpacked = of.whole(meta::TOTAL_UNCOMPRESSED)?;
    set(of, meta::TOTAL_UNCOMPRESSED, unpacked + grown);
    Some(grown)
}

fn set(of: &mut Structure, field: i16, to: i64) {
    if let Some(ThriftValue::Whole(_, value)) = of.get_mut(field) {
        *value = to;
    }
}

fn structures_mut(of: &mut Structure, field: i16) -> impl Iterator<Item = &mut Structure> {
    let all = match of.get_mut(field) {
        Some(ThriftValue::List(_, _, all)) => all.as_mut_slice(),
        _ => &mut [],
    };
    all.iter_mut().filter_map(|v| match v {
        ThriftValue::Struct(s) => Some(s),
        _ => None,
    })
}
