//! Files of a study that look like recordings and lie where none are read: what they hold is held against no ceiling.

use super::door::{self, FileKind};
use super::words::{list, shown};
use crate::error::Problem;
use crate::format::counted;
use std::collections::BTreeSet;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Endings of recordings that nobody saved as text.
const OTHER_KINDS: [&str; 6] = ["xlsx", "xls", "ods", "dat", "gz", "zip"];
/// Folders below the study that are looked into.
const DEPTH: usize = 5;
/// Entries looked at; a study with more beside its recordings has other troubles.
const ENTRIES: usize = 20_000;
/// Of a file's start, where its headings are.
const START_BYTES: u64 = 2048;
/// Lines among which headings are looked for.
const HEADER_LINES: usize = 20;
/// Files named.
const NAMED: usize = 3;

/// A warning that names them. `read` are the recordings found, `is_recording` tells by the name, `is_result` a folder of results.
pub(super) fn strays(
    root: &Path,
    read: &BTreeSet<PathBuf>,
    is_recording: impl Fn(&Path) -> bool,
    is_result: impl Fn(&Path) -> bool,
) -> Option<Problem> {
    let mut found = Vec::new();
    let mut left = ENTRIES;
    let mut folders = vec![(root.to_owned(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        for path in std::fs::read_dir(&folder).into_iter().flatten().flatten().map(|e| e.path()) {
            left = left.checked_sub(1)?;
            let kind = path.symlink_metadata();
            let certificates = depth == 0 && path.file_name().is_some_and(|n| n == "calibrations");
            if kind.as_ref().is_ok_and(|k| k.is_dir()) {
                if depth < DEPTH && !certificates && !is_result(&path) {
                    folders.push((path, depth + 1));
                }
            } else if kind.is_ok_and(|k| k.is_file())
                && (is_recording(&path) && has_forces(&path) || is_of_other_kind(&path))
                && !path.canonicalize().is_ok_and(|real| read.contains(&real))
            {
                found.push(path);
            }
        }
    }
    found.sort();
    let name = |path: &PathBuf| shown(&path.strip_prefix(root).unwrap_or(path).to_string_lossy());
    let mut names: Vec<String> = found.iter().take(NAMED).map(name).collect();
    if found.len() > NAMED {
        names.push(format!("{} more", found.len() - NAMED));
    }
    (!found.is_empty()).then(|| {
        Problem::warning(
            shown(&root.to_string_lossy()),
            format!("{} beside the recordings that may be recordings too: {}", counted(found.len(), "file"), list(&names)),
            "every recording in recordings/, as text or Parquet",
            "put them there, or take them out of the study: what they hold is in no result and was held against no ceiling",
        )
    })
}

/// Headings of a time and a force near the start, or Parquet.
fn has_forces(path: &Path) -> bool {
    let Ok(file) = door::open(path, FileKind::Recording) else {
        return false;
    };
    let mut start = Vec::new();
    if file.take(START_BYTES).read_to_end(&mut start).is_err() {
        return false;
    }
    let text = String::from_utf8_lossy(&start).to_lowercase();
    let headings = |line: &str| {
        let names = || line.split([',', ';', '\t']).map(|h| h.trim_matches(['"', ' ', '\u{feff}']));
        names().any(|h| h.starts_with("time")) && names().any(|h| h.starts_with("force"))
    };
    start.starts_with(b"PAR1") || text.lines().take(HEADER_LINES).any(headings)
}

fn is_of_other_kind(path: &Path) -> bool {
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    ending.is_some_and(|e| OTHER_KINDS.contains(&e.as_str()))
}

/// A file beside which study.toml was meant: `Study.toml`, `study (1).toml`, `study.toml.txt`.
pub(super) fn misnamed_study(folder: &Path) -> Option<Problem> {
    let entries = std::fs::read_dir(folder).ok()?.flatten();
    let name = entries.map(|e| e.file_name().to_string_lossy().into_owned()).find(|name| {
        let lower = name.to_lowercase();
        lower.starts_with("study") && (lower.ends_with(".toml") || lower.ends_with(".toml.txt"))
    })?;
    Some(Problem::error(
        shown(&name),
        "a file that is not read, and no study.toml beside it",
        "study.toml, in small letters",
        "rename it; until then nothing of it holds: not its ceilings, not its settings",
    ))
}
