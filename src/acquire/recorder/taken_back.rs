//! A recording that was closed and is taken back: its sidecar says that it is left out. The trace stays as it is.

use super::disk::Disk;
use crate::error::{Error, Result};
use crate::study::door::{self, FileKind};
use std::path::Path;

/// Why such a recording is left out, in its sidecar.
pub const REASON: &str = "taken back while recording";
/// Key of the sidecar.
const KEY: &str = "excluded";

/// Writes it into the sidecar of a trace, whole or not at all; everything else in it, by whomever, stays as it is.
///
/// # Errors
/// [`Error::Io`] when the sidecar cannot be read or written; [`Error::Refused`] when somebody made it unreadable meanwhile.
pub fn take_back(disk: &dyn Disk, trace: &Path) -> Result<()> {
    let path = trace.with_extension("toml");
    let text = door::read_to_string(&path, FileKind::Settings)
        .map_err(|e| Error::io(&path, e, "check that the sidecar is there and may be read"))?;
    let of_key = |line: &&str| line.split_once('=').is_some_and(|(key, _)| key.trim() == KEY);
    let lines: Vec<&str> = text.split_inclusive('\n').collect();
    // A key stands before the first table.
    let tables = lines.iter().position(|l| l.trim_start().starts_with('[')).unwrap_or(lines.len());
    let (keys, rest) = lines.split_at(tables);
    let mut new: String = keys.iter().copied().filter(|l| !of_key(l)).collect();
    if !new.is_empty() && !new.ends_with('\n') {
        new.push('\n');
    }
    new.push_str(&format!("{KEY} = \"{REASON}\"\n"));
    new.extend(rest.iter().copied());
    if let Err(error) = new.parse::<toml::Table>() {
        return Err(Error::Refused {
            found: format!("{} cannot be read as TOML: {}", path.display(), error.message()),
            advice: format!("put it right and write {KEY} = \"{REASON}\" into it"),
        });
    }
    disk.replace(&path, new.as_bytes())?;
    path.parent().iter().for_each(|folder| disk.sync_folder(folder));
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::disk::FileDisk;
    use super::*;
    use crate::study::sidecar::Sidecar;

    #[test]
    fn a_sidecar_keeps_everything_else_and_its_order() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.toml");
        let trace = dir.path().join("a.csv");
        std::fs::write(&path, "subject = \"V-07\" # ours\nexcluded = \"before\"\ntrial = 2\n[line]\nrows = 10\n").unwrap();
        take_back(&FileDisk, &trace).unwrap();
        let now = std::fs::read_to_string(&path).unwrap();
        assert_eq!(now, "subject = \"V-07\" # ours\ntrial = 2\nexcluded = \"taken back while recording\"\n[line]\nrows = 10\n");
        let (sidecar, _) = Sidecar::read(&path, "a.toml");
        assert_eq!(sidecar.about.excluded.as_deref(), Some(REASON));
        std::fs::write(&path, "trial = ").unwrap();
        let error = take_back(&FileDisk, &trace).unwrap_err();
        assert!(error.to_string().contains("a.toml"), "{error}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "trial = ");
    }
}
