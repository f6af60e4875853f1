//! Which recordings a shard takes: by their content, so that any machine that sees the same files deals them out alike.

use crate::study::door::{self, FileKind};
use crate::error::{Error, Result};
use sha2::{Digest, Sha256};
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// One of several equal parts of the recordings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// From 1 to `of`.
    pub number: u32,
    pub of: u32,
}

/// How much of the beginning and of the end of a file decides which shard takes it. A shard must look at every file;
/// with whole files a thousand shards would read everything a thousand times.
const LOOKED_AT: u64 = 4096;

impl Shard {
    /// Reads `K/N`.
    ///
    /// # Errors
    /// [`Error::Setting`] for anything but two whole numbers with 1 ≤ K ≤ N.
    pub fn parse(text: &str) -> Result<Shard> {
        let parsed = text.split_once('/').and_then(|(number, of)| {
            let (number, of) = (number.parse().ok()?, of.parse().ok()?);
            (1 <= number && number <= of).then_some(Shard { number, of })
        });
        parsed.ok_or_else(|| Error::Setting {
            what: "--shard".to_owned(),
            found: format!("{text:?}"),
            expected: "K/N with whole numbers, K from 1 to N, as in 3/64".to_owned(),
        })
    }

    /// Whether this shard takes the file: by SHA-256 of its length, its first and its last 4,096 bytes. One that
    /// cannot be read goes by `recording`, its name, so that some shard says so.
    pub fn takes(self, path: &Path, recording: &str) -> bool {
        let hash = content_hash(path).unwrap_or_else(|_| Sha256::digest(recording.as_bytes()).into());
        let mut start = [0; 8];
        start.copy_from_slice(&hash[..8]);
        u64::from_le_bytes(start) % u64::from(self.of) == u64::from(self.number - 1)
    }
}

fn content_hash(path: &Path) -> std::io::Result<[u8; 32]> {
    let mut file = door::open(path, FileKind::Streamed)?;
    let length = file.metadata()?.len();
    let mut hash = Sha256::new();
    hash.update(length.to_le_bytes());
    let mut part = Vec::new();
    file.by_ref().take(LOOKED_AT).read_to_end(&mut part)?;
    hash.update(&part);
    if length > LOOKED_AT {
        part.clear();
        file.seek(SeekFrom::Start((length - LOOKED_AT).max(LOOKED_AT)))?;
        file.take(LOOKED_AT).read_to_end(&mut part)?;
        hash.update(&part);
    }
    Ok(hash.finalize().into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shard_is_a_number_of_a_number() {
        assert_eq!(Shard::parse("3/64").unwrap(), Shard { number: 3, of: 64 });
        for text in ["0/4", "5/4", "1/0", "1", "a/b", "1/2/3", "-1/2", ""] {
            assert!(Shard::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn every_file_is_taken_by_exactly_one_shard_whatever_its_name() {
        let dir = tempfile::tempdir().unwrap();
        for (i, length) in [0_usize, 1, 4095, 4096, 4097, 8192, 9000, 100_000]
            .iter()
            .enumerate()
        {
            let bytes: Vec<u8> = (0..*length).map(|k| (k * 7 + i) as u8).collect();
            let (a, b) = (dir.path().join(format!("a{i}")), dir.path().join(format!("b{i}")));
            std::fs::write(&a, &bytes).unwrap();
            std::fs::write(&b, &bytes).unwrap();
            for of in 1..8 {
                let takers = |path: &Path| -> Vec<u32> {
                    let all = (1..=of).map(|number| Shard { number, of });
                    all.filter(|s| s.takes(path, "x")).map(|s| s.number).collect()
                };
                assert_eq!(takers(&a).len(), 1);
                assert_eq!(takers(&a), takers(&b));
            }
        }
    }

    #[test]
    fn a_file_that_cannot_be_read_has_its_shard_too() {
        let gone = Path::new("no such file");
        let takers = (1..=5).filter(|n| Shard { number: *n, of: 5 }.takes(gone, "a.csv"));
        assert_eq!(takers.count(), 1);
    }
}
