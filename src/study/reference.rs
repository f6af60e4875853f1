//! The recordings that study.toml names as the reference.

use super::folder::Study;
use super::study_file;
use super::words::{nearest, shown};
use crate::error::Problem;

/// Whether a recording is the one named, with `recordings/` before it or not.
pub fn is_named(recording: &str, name: &str) -> bool {
    let name = name.replace('\\', "/");
    let bare = |path: &str| path.strip_prefix("recordings/").unwrap_or(path).to_owned();
    bare(recording) == bare(&name)
}

/// A problem for each recording that `[technique] reference` names and the study does not have: others would silently be
/// held against less.
pub fn missing<'a>(study: &Study, recordings: impl Iterator<Item = &'a str> + Clone) -> Vec<Problem> {
    let absent = study
        .reference
        .iter()
        .filter(|name| !recordings.clone().any(|r| is_named(r, name)));
    absent
        .map(|name| {
            let advice = match nearest(name, recordings.clone()) {
                Some(near) => format!("write {near} if that is meant; until then it serves as no reference"),
                None => "correct the name or take it out; until then it serves as no reference".to_owned(),
            };
            Problem::warning(
                study_file::FILE_NAME,
                format!("{}, which is no recording of this study", shown(name)),
                "a recording of this study, such as recordings/teacher-1.csv",
                advice,
            )
            .in_column("technique.reference")
        })
        .collect()
}
