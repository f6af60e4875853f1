//! A recording that was closed and is taken back: its sidecar says that it is left out. The trace stays as it is.

use super::disk::Disk;
use crate::error::{Error, Result};
use crate::study::door::{self, FileKind};
use std::path::Path;

/// Why such a recording is left out, in its sidecar.
pub const REASON: &str = "taken back while recording";

/// Writes it into the sidecar of a trace, whole or not at all.
///
/// # Errors
/// [`Error::Io`] when the sidecar cannot be read or written; [`Error::Refused`] when somebody made it unreadable meanwhile.
pub fn take_back(disk: &dyn Disk, trace: &Path) -> Result<()> {
    let path = trace.with_extension("toml");
    let text = door::read_to_string(&path, FileKind::Settings)
        .map_err(|e| Error::io(&path, e, "check that the sidecar is there and may be read"))?;
    let unreadable = |what: String| Error::Refused {
        found: format!("{} cannot be read as TOML: {what}", path.display()),
        advice: format!("put it right and write excluded = \"{REASON}\" into it"),
    };
    let mut sidecar: toml::Table = text.parse().map_err(|e: toml::de::Error| unreadable(e.message().to_owned()))?;
    sidecar.insert("excluded".to_owned(), REASON.into());
    let text = toml::to_string(&sidecar).map_err(|e| unreadable(e.to_string()))?;
    disk.replace(&path, text.as_bytes())?;
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
        let text = "format = 1\nsubject = \"V-07\"\ntrial = 2\n\n[line]\nrows = 10\ntests_seen = 1\n";
        std::fs::write(&path, text).unwrap();
        take_back(&FileDisk, &dir.path().join("a.csv")).unwrap();
        let now = std::fs::read_to_string(&path).unwrap();
        assert_eq!(now, text.replace("\n[line]", "excluded = \"taken back while recording\"\n\n[line]").replacen("\n\nexcl", "\nexcl", 1));
        let (sidecar, problems) = Sidecar::read(&path, "a.toml");
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!(sidecar.about.excluded.as_deref(), Some(REASON));
        std::fs::write(&path, "format = ").unwrap();
        let error = take_back(&FileDisk, &dir.path().join("a.csv")).unwrap_err();
        assert!(error.to_string().contains("a.toml"), "{error}");
    }
}
