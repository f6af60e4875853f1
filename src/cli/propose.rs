//! `check --propose`: an import profile beside each recording of another program, for a person to read.

use crate::read::import::{Looked, look, proposal};
use crate::study::door::{self, FileKind};
use crate::study::inputs::InputFile;
use crate::study::words::shown;
use crate::write::write_new;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// What was proposed, as lines for the terminal.
#[derive(Debug, Default)]
pub(super) struct Proposed {
    pub files: Vec<PathBuf>,
    pub said: Vec<String>,
}

/// Proposes a profile for each of these recordings, one for those that are written alike. Nothing that is there already is
/// written over.
pub(super) fn propose<'a>(unreadable: impl Iterator<Item = &'a InputFile>) -> Proposed {
    let mut kinds: Vec<(Looked, Vec<&InputFile>)> = Vec::new();
    let mut proposed = Proposed::default();
    for file in unreadable {
        let looked = door::read(&file.path, FileKind::Recording)
            .ok()
            .and_then(|bytes| look(&bytes));
        match looked.filter(|l| !(l.columns.is_empty() && l.unknown.is_empty())) {
            None => proposed.said.push(format!(
                "nothing proposed for {}: no table of numbers under a line of headings was seen in it; write [import] by hand, \
                 with skip_rows, units_row, delimiter, decimal and [import.columns] (docs/settings.md)",
                shown(&file.recording)
            )),
            Some(looked) => match kinds.iter_mut().find(|(kind, _)| *kind == looked) {
                Some((_, files)) => files.push(file),
                None => kinds.push((looked, vec![file])),
            },
        }
    }
    for (looked, files) in kinds {
        let Some(first) = files.first() else { continue };
        let path = beside(&first.sidecar_path);
        let names: Vec<&str> = files.iter().map(|f| f.recording.as_str()).collect();
        let text = proposal(&looked, &names, &file_name(&first.sidecar_path));
        let place = shown(&path.to_string_lossy());
        match write_new(&path, &text) {
            Ok(()) => {
                let recordings = if files.len() == 1 {
                    "recording"
                } else {
                    "recordings"
                };
                proposed.said.push(format!(
                    "proposed for {} {recordings}: {place}; nothing of it is in force: read it first, it says what to do",
                    files.len()
                ));
                proposed.files.push(path);
            }
            Err(error) => proposed.said.push(format!("not proposed: {error}")),
        }
    }
    proposed
}

fn file_name(path: &Path) -> String {
    path.file_name()
        .map_or_else(String::new, |n| n.to_string_lossy().into_owned())
}

fn beside(sidecar: &Path) -> PathBuf {
    let mut name = OsString::from(sidecar);
    name.push(".proposed");
    PathBuf::from(name)
}
