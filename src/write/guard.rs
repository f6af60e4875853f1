//! What a result folder may not be: other people's work, or the recordings.

use crate::study::door::{self, FileKind};
use super::sha256_hex;
use crate::error::{Error, Result};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::io::ErrorKind;
use std::path::{Component, Path, PathBuf};

/// Name of the file that makes a folder recognisable as results.
pub(super) const RUN_FILE: &str = "run.json";
/// What `program` says in it.
pub(super) const PROGRAM: &str = "tautpoint";
/// Folders of a study that are never written by an analysis.
const KEPT_APART: [&str; 2] = ["recordings", "calibrations"];

fn refused(found: String, advice: &str) -> Error {
    Error::Refused {
        found,
        advice: advice.to_owned(),
    }
}

/// The folder by its full name, links followed; the last parts need not exist yet.
pub(super) fn resolve(dir: &Path) -> Result<PathBuf> {
    let unreadable = |e| Error::io(dir, e, "give a folder that can be reached");
    let full = std::path::absolute(dir).map_err(unreadable)?;
    let mut rest: Vec<std::ffi::OsString> = Vec::new();
    let mut known = full.as_path();
    let mut resolved = loop {
        match fs::canonicalize(known) {
            Ok(path) => break path,
            Err(e) if e.kind() == ErrorKind::NotFound && known.symlink_metadata().is_err() => {}
            Err(e) => return Err(unreadable(e)),
        }
        match (known.components().next_back(), known.parent()) {
            (Some(Component::Normal(name)), Some(parent)) => {
                rest.push(name.to_owned());
                known = parent;
            }
            _ => {
                return Err(refused(
                    format!("{} goes up from a folder that does not exist", dir.display()),
                    "write the path without '..'",
                ));
            }
        }
    };
    resolved.extend(rest.iter().rev());
    if resolved.parent().is_none() {
        return Err(refused(
            format!("{} is the root of the file system", dir.display()),
            "give a folder of its own for the results",
        ));
    }
    Ok(resolved)
}

/// Refuses a folder that is, contains or lies inside what is to be analysed, so that no run can touch raw data or
/// read its own results. Inside a study every folder but the kept-apart ones may hold results.
pub(super) fn apart_from_inputs(shown: &Path, target: &Path, inputs: &[PathBuf]) -> Result<()> {
    let advice = "give a folder of its own, such as `results` in the study or beside the recordings";
    let no = |why: String| Err(refused(format!("{} {why}", shown.display()), advice));
    if std::env::current_dir().is_ok_and(|here| here.starts_with(target)) {
        return no("is the folder this was started in, or holds it".to_owned());
    }
    for folder in target.ancestors().filter(|f| f.join("study.toml").is_file()) {
        match target.strip_prefix(folder).ok().and_then(|p| p.iter().next()) {
            None => return no("is a study".to_owned()),
            Some(first) if KEPT_APART.iter().any(|k| first == *k) => {
                return no(format!("lies in the {} of a study", first.display()));
            }
            Some(_) => {}
        }
    }
    for input in inputs {
        // What cannot be found is the reader's to complain of.
        let Ok(path) = fs::canonicalize(input) else {
            continue;
        };
        if path.starts_with(target) {
            return no(format!("is or holds the input {}", input.display()));
        }
        let whole_folder = path.is_dir() && !path.join("study.toml").is_file();
        if whole_folder && target.starts_with(&path) {
            return no(format!(
                "lies inside the input {}, where the next run would take results for recordings",
                input.display()
            ));
        }
    }
    Ok(())
}

/// Refuses a folder that holds anything an earlier run did not write, or wrote otherwise than it now stands there.
pub(super) fn only_ours(shown: &Path, target: &Path) -> Result<()> {
    match fs::symlink_metadata(target) {
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(()),
        Err(e) => return Err(Error::io(shown, e, "give a folder that can be read")),
        Ok(found) if !found.is_dir() => {
            return Err(refused(
                format!("{} is not a folder", shown.display()),
                "give the name of a folder",
            ));
        }
        Ok(_) => {}
    }
    let found = entries(target).map_err(|e| Error::io(shown, e, "give a folder that can be read"))?;
    if found.is_empty() {
        return Ok(());
    }
    let listed = listed_files(target);
    let mut foreign = Vec::new();
    for entry in &found {
        let ours = match &listed {
            None => false,
            Some(listed) => match entry.strip_suffix('/') {
                Some(_) => listed.keys().any(|file| file.starts_with(entry.as_str())),
                None => entry == RUN_FILE || is_as_written(target, entry, listed.get(entry)),
            },
        };
        if !ours {
            foreign.push(match &listed {
                Some(listed) if listed.contains_key(entry) => format!("{entry} (changed since)"),
                _ => entry.clone(),
            });
        }
    }
    if foreign.is_empty() {
        return Ok(());
    }
    let more = foreign.len().saturating_sub(3);
    foreign.truncate(3);
    let and_more = if more > 0 {
        format!(" and {more} more")
    } else {
        String::new()
    };
    Err(refused(
        format!(
            "{} holds what no earlier run wrote: {}{and_more}",
            shown.display(),
            foreign.join(", ")
        ),
        "move that elsewhere, or give an empty or new folder",
    ))
}

/// Hash of each file that the run which wrote this folder lists; `None` when no run of this program did.
fn listed_files(target: &Path) -> Option<BTreeMap<String, String>> {
    let run: Value = serde_json::from_slice(&door::read(&target.join(RUN_FILE), FileKind::Record).ok()?).ok()?;
    if run.get("program")? != PROGRAM {
        return None;
    }
    let file = |f: &Value| {
        let name = f.get("file")?.as_str()?;
        Some((name.to_owned(), f.get("sha256")?.as_str()?.to_owned()))
    };
    run.get("files")?.as_array()?.iter().map(file).collect()
}

fn is_as_written(target: &Path, entry: &str, sha256: Option<&String>) -> bool {
    let path = target.join(entry);
    let plain_file = fs::symlink_metadata(&path).is_ok_and(|m| m.is_file());
    plain_file && sha256.is_some_and(|sha256| door::read(&path, FileKind::Record).is_ok_and(|b| sha256_hex(&b) == *sha256))
}

/// Everything in a folder, relative, with forward slashes, folders ending in one; sorted. Links are not followed.
fn entries(root: &Path) -> std::io::Result<Vec<String>> {
    let mut found = Vec::new();
    let mut open = vec![(root.to_owned(), String::new())];
    while let Some((folder, prefix)) = open.pop() {
        for entry in fs::read_dir(folder)? {
            let entry = entry?;
            let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
            if entry.file_type()?.is_dir() {
                open.push((entry.path(), format!("{name}/")));
                found.push(format!("{name}/"));
            } else {
                found.push(name);
            }
        }
    }
    found.sort();
    Ok(found)
}
