//! opened.toml: that a blind study was opened, when, and with which settings.
//!
//! A study with `blind = true` hides which side was measured stiffer until this file stands in it. A file that cannot be
//! read opens nothing: what was hidden stays hidden.

use super::door;
use super::study_file::{self, StudyFile};
use super::toml_doc::{Doc, Section, read_text};
use super::words::shown;
use crate::error::Problem;
use crate::terms::Day;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Name of the file in a study's folder.
pub const FILE_NAME: &str = "opened.toml";

/// What opened.toml says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opened {
    /// The day, as 2026-09-01.
    pub date: String,
    /// Hash of the settings at the opening.
    pub settings_sha256: String,
}

impl Opened {
    /// Reads the text of opened.toml. `None`, with a problem, when it does not say when and with which settings the
    /// study was opened.
    pub fn parse(file: &str, text: &str) -> (Option<Opened>, Vec<Problem>) {
        let doc = Doc::new(file, text);
        let opened = doc.parse().and_then(|table| {
            read(&Section {
                doc: &doc,
                table: &table,
                path: "",
            })
        });
        let problems = doc.into_problems();
        let faulty = super::sidecar::any_error(&problems);
        (opened.filter(|_| !faulty), problems)
    }

    /// The file's text, which [`Opened::parse`] reads back.
    pub fn to_toml(&self) -> String {
        format!(
            "# Written by `tautpoint open`: from this day on the study shows which side was measured stiffer.\n\
             format = 1\ndate = \"{}\"\nsettings_sha256 = \"{}\"\n",
            self.date, self.settings_sha256
        )
    }
}

/// 64 hexadecimal digits.
pub fn is_sha256(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| b.is_ascii_hexdigit())
}

fn read(top: &Section<'_, '_>) -> Option<Opened> {
    top.warn_unknown(&["format", "date", "settings_sha256"]);
    top.whole("format", 1, 1);
    let advice = "remove opened.toml and run `tautpoint open` again; until then the study stays blinded";
    let field = |key: &str, expected: &str, sound: &dyn Fn(&str) -> bool| {
        let found = top.text(key);
        let span = top.get(key).map_or(0..0, toml::Spanned::span);
        match found {
            Some(text) if sound(&text) => return Some(text),
            Some(text) => top.doc.error(span, key, &shown(&text), expected, advice),
            // A value of another type has its own message.
            None if top.get(key).is_none_or(|v| v.get_ref().as_str().is_some()) => {
                top.doc.error(span, key, "nothing", expected, advice);
            }
            None => {}
        }
        None
    };
    let date = field("date", "a day such as 2026-09-01", &Day::is_day);
    let hash = field(
        "settings_sha256",
        "the hash of the settings, 64 hexadecimal digits",
        &is_sha256,
    );
    Some(Opened {
        date: date?,
        settings_sha256: hash?.to_ascii_lowercase(),
    })
}

/// Reads opened.toml of a study; `None` when there is none or it cannot be used.
pub fn read_opened(root: &Path, problems: &mut Vec<Problem>) -> Option<Opened> {
    let path = root.join(FILE_NAME);
    path.symlink_metadata().ok()?;
    let (opened, mut found) = match read_text(&path, FILE_NAME) {
        Ok(text) => Opened::parse(FILE_NAME, &text),
        Err(problem) => (None, vec![problem]),
    };
    problems.append(&mut found);
    opened
}

/// Whether any of these files lies in a study that is blind and not opened, named as a study or not: a recording must
/// not tell more by itself than within its study.
pub fn any_hidden<'a>(files: impl IntoIterator<Item = &'a Path>) -> bool {
    let folders: BTreeSet<PathBuf> = files
        .into_iter()
        .filter_map(|f| f.canonicalize().ok()?.parent().map(Path::to_owned))
        .collect();
    let studies: BTreeSet<&Path> = folders
        .iter()
        .flat_map(|folder| folder.ancestors())
        .filter(|folder| door::is_there(&folder.join(study_file::FILE_NAME)))
        .collect();
    studies.into_iter().any(is_hidden)
}

fn is_hidden(root: &Path) -> bool {
    let Ok(text) = read_text(&root.join(study_file::FILE_NAME), study_file::FILE_NAME) else {
        return false;
    };
    StudyFile::parse(study_file::FILE_NAME, &text).0.blind && read_opened(root, &mut Vec::new()).is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_reads_back() {
        let opened = Opened {
            date: "2026-12-01".to_owned(),
            settings_sha256: "0f".repeat(32),
        };
        assert_eq!(
            Opened::parse(FILE_NAME, &opened.to_toml()),
            (Some(opened), vec![])
        );
    }

    #[test]
    fn a_file_made_by_hand_opens_nothing_unless_it_says_when_and_with_what() {
        let hash = "0f".repeat(32);
        for (text, column) in [
            (String::new(), Some("date")),
            ("date = \"2026-12-01\"".to_owned(), Some("settings_sha256")),
            (format!("date = 7\nsettings_sha256 = \"{hash}\""), Some("date")),
            (
                format!("date = \"soon\"\nsettings_sha256 = \"{hash}\""),
                Some("date"),
            ),
            (
                format!("date = \"2026-02-30\"\nsettings_sha256 = \"{hash}\""),
                Some("date"),
            ),
            (
                "date = \"2026-12-01\"\nsettings_sha256 = \"abc\"".to_owned(),
                Some("settings_sha256"),
            ),
            (
                format!("format = 2\ndate = \"2026-12-01\"\nsettings_sha256 = \"{hash}\""),
                Some("format"),
            ),
            ("date = ".to_owned(), None),
            ("\u{0}\u{1}".to_owned(), None),
        ] {
            let (opened, problems) = Opened::parse(FILE_NAME, &text);
            assert_eq!(opened, None, "{text}");
            assert_eq!(problems[0].column.as_deref(), column, "{text}: {problems:?}");
        }
    }
}
