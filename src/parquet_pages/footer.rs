//! Names for the fields of Parquet's structures (`parquet.thrift`).

use super::thrift::Structure;
use super::{MAGIC, Refusal, thrift};

/// Fields of `FileMetaData`.
pub mod file {
    pub const SCHEMA: i16 = 2;
    pub const NUM_ROWS: i16 = 3;
    pub const ROW_GROUPS: i16 = 4;
    pub const KEY_VALUES: i16 = 5;
}

/// Fields of `KeyValue`.
pub mod key_value {
    pub const KEY: i16 = 1;
}

/// Fields of `SchemaElement`.
pub mod element {
    pub const TYPE: i16 = 1;
    pub const REPETITION: i16 = 3;
    pub const NUM_CHILDREN: i16 = 5;
    /// `REPEATED` of `FieldRepetitionType`.
    pub const REPEATED: i64 = 2;
}

/// Fields of `RowGroup`.
pub mod row_group {
    pub const COLUMNS: i16 = 1;
    pub const NUM_ROWS: i16 = 3;
    pub const FILE_OFFSET: i16 = 5;
    pub const TOTAL_COMPRESSED: i16 = 6;
}

/// Fields of `ColumnChunk`.
pub mod chunk {
    pub const FILE_OFFSET: i16 = 2;
    pub const META: i16 = 3;
    /// Offsets and lengths of the offset index and the column index.
    pub const INDEXES: [i16; 4] = [4, 5, 6, 7];
}

/// Fields of `ColumnMetaData`.
pub mod meta {
    pub const CODEC: i16 = 4;
    pub const NUM_VALUES: i16 = 5;
    pub const TOTAL_UNCOMPRESSED: i16 = 6;
    pub const TOTAL_COMPRESSED: i16 = 7;
    pub const DATA_PAGE: i16 = 9;
    pub const INDEX_PAGE: i16 = 10;
    pub const DICTIONARY_PAGE: i16 = 11;
    pub const BLOOM_FILTER: i16 = 14;
}

/// Fields of `PageHeader`, and of what lies within.
pub mod page {
    pub const TYPE: i16 = 1;
    pub const UNCOMPRESSED: i16 = 2;
    pub const COMPRESSED: i16 = 3;
    pub const CRC: i16 = 4;
    pub const DATA: i16 = 5;
    pub const DICTIONARY: i16 = 7;
    pub const DATA_V2: i16 = 8;
    /// `num_values` of each of the three.
    pub const NUM_VALUES: i16 = 1;
    pub const V2_NUM_NULLS: i16 = 2;
    pub const V2_NUM_ROWS: i16 = 3;
    pub const V2_DEFINITION_BYTES: i16 = 5;
    pub const V2_REPETITION_BYTES: i16 = 6;
}

/// Where a column chunk's pages begin.
pub fn first_page(of: &Structure) -> Option<u64> {
    let data = of.whole(meta::DATA_PAGE)?;
    let dictionary = of.whole(meta::DICTIONARY_PAGE).filter(|d| *d > 0 && *d < data);
    u64::try_from(dictionary.unwrap_or(data)).ok()
}

/// The end of a file, after its footer began: length of the footer.
pub fn footer_length(tail: &[u8; 8], file: u64) -> Result<u64, Refusal> {
    let [a, b, c, d, magic @ ..] = tail;
    if magic != MAGIC {
        return Err("cut off".to_owned());
    }
    let length = u64::from(u32::from_le_bytes([*a, *b, *c, *d]));
    if length + 12 > file {
        return Err(format!("a footer of {length} bytes in a file of {file}"));
    }
    Ok(length)
}

pub fn parse(footer: &[u8]) -> Result<Structure, Refusal> {
    match thrift::read(footer) {
        Some((structure, _)) => Ok(structure),
        None => Err("a damaged footer".to_owned()),
    }
}
