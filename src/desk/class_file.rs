//! desk.toml: the tables of a room, who works in pairs, and how the class is recorded. The program writes it, from the page.

use super::access::TableId;
use crate::error::{Error, Result};
use crate::study::door::{self, FileKind};
use crate::terms::Feedback;
use crate::write::{refuse_link, write_file_whole};
use serde::{Deserialize, Serialize};
use std::io::ErrorKind;
use std::path::Path;

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = "desk.toml";
/// Tables that one computer serves.
pub const MOST_TABLES: usize = 16;

/// What the file holds.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ClassFile {
    pub class: ClassWay,
    #[serde(rename = "table")]
    pub tables: Vec<TableEntry>,
    #[serde(rename = "pair")]
    pub pairs: Vec<PressingPair>,
}

/// How the class is recorded.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ClassWay {
    /// Scan plan of every table; the study's own when left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan: Option<String>,
    /// Name of the session; the day when left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<String>,
    /// When measured values are shown.
    pub feedback: Feedback,
    /// After each level the examiner says which side felt more resistant, before anything of it is shown.
    pub calls: bool,
    /// After each test the learner says what its peak force was, before its numbers are shown.
    pub estimates: bool,
}

/// A table and its station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TableEntry {
    pub id: TableId,
    pub name: String,
    /// As `record --port` takes it.
    pub port: String,
    /// Scan plan of this table, instead of the class's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan: Option<String>,
}

/// Two who press one another in turn.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PressingPair {
    pub a: String,
    pub b: String,
}

impl ClassFile {
    /// Reads it; one that is not there is an empty one.
    ///
    /// # Errors
    /// [`Error::Io`] when it cannot be read, [`Error::Refused`] when it is no such file.
    pub fn read(root: &Path) -> Result<ClassFile> {
        let path = root.join(FILE_NAME);
        let text = match door::read_to_string(&path, FileKind::Settings) {
            Ok(text) => text,
            Err(e) if e.kind() == ErrorKind::NotFound => return Ok(ClassFile::default()),
            Err(e) => return Err(Error::io(&path, e, "check that it is a file that may be read")),
        };
        toml::from_str(&text).map_err(|e| Error::Refused {
            found: format!("{FILE_NAME} cannot be used: {}", e.message()),
            advice: "put it right, or move it away: the tables are then set up anew".to_owned(),
        })
    }

    /// Writes it, whole or not at all.
    ///
    /// # Errors
    /// [`Error::Io`] when the disk will not take it.
    pub fn write(&self, root: &Path) -> Result<()> {
        let text = toml::to_string(self).map_err(|e| Error::Refused {
            found: format!("{FILE_NAME} cannot be written: {e}"),
            advice: "this is a fault of the program; please report it".to_owned(),
        })?;
        let head = "# Tables, pairs and the way of the class. `tautpoint desk` writes this file; change it in the page.\n\n";
        let path = root.join(FILE_NAME);
        refuse_link(&path)?;
        write_file_whole(&path, format!("{head}{text}").as_bytes())
    }

    /// The least number that no table has or, in this file, had before one that is still there.
    pub fn next_id(&self) -> TableId {
        let highest = self.tables.iter().map(|t| t.id.0).max().unwrap_or(0);
        TableId(highest.saturating_add(1))
    }

    /// The other one of a pair.
    pub fn partner(&self, code: &str) -> Option<&str> {
        self.pairs.iter().find_map(|pair| match code {
            _ if pair.a == code => Some(pair.b.as_str()),
            _ if pair.b == code => Some(pair.a.as_str()),
            _ => None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_and_a_spoiled_file_is_named() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(ClassFile::read(dir.path()).unwrap(), ClassFile::default());
        let file = ClassFile {
            class: ClassWay {
                plan: Some("class-lumbar".to_owned()),
                feedback: Feedback::After,
                calls: true,
                ..ClassWay::default()
            },
            tables: vec![TableEntry {
                id: TableId(2),
                name: "by the \"window\"".to_owned(),
                port: "sim".to_owned(),
                plan: None,
            }],
            pairs: vec![PressingPair {
                a: "L-01".to_owned(),
                b: "L-02".to_owned(),
            }],
        };
        file.write(dir.path()).unwrap();
        let read = ClassFile::read(dir.path()).unwrap();
        assert_eq!(read, file);
        assert_eq!((read.next_id(), read.partner("L-02")), (TableId(3), Some("L-01")));
        assert_eq!(read.partner("L-03"), None);
        std::fs::write(dir.path().join(FILE_NAME), "[class]\nfeedbak = \"live\"\n").unwrap();
        let error = ClassFile::read(dir.path()).unwrap_err().to_string();
        assert!(error.contains("feedbak"), "{error}");
    }
}
