//! What stands between the pages of a Parquet file: counts and sizes held against the file before the table library, which
//! trusts them, sees it; and checksums of pages, which it neither writes nor verifies.
//!
//! The structures are those of the Apache Parquet format, `parquet.thrift` and `README.md` ("Data Pages", "Checksumming").

mod finish;
mod footer;
mod thrift;
mod verify;

pub use finish::finished;
pub use verify::{Verified, verify, verify_bytes};

/// How every Parquet file begins and ends.
pub const MAGIC: &[u8] = b"PAR1";

/// Why a file is not handed on.
pub type Refusal = String;
