//! What an analysis reads in a study's folder besides recordings and sidecars.

use super::recording::input_of;
use super::sums;
use crate::calibrate::drift;
use crate::read::{calibrations, sha256_hex};
use crate::results::{InputKind, InputRecord};
use crate::study::{corrections, draws, estimates, opened, study_file};
use crate::{agreement, instrument};
use std::path::{Path, PathBuf};

/// The files by their names in the study, with forward slashes, and what each is.
pub fn study_files(root: &Path) -> Vec<(String, InputKind)> {
    let named = |name: PathBuf| name.to_string_lossy().replace('\\', "/");
    let mut files: Vec<(String, InputKind)> = [
        study_file::FILE_NAME,
        instrument::FILE_NAME,
        agreement::spread::FILE_NAME,
        opened::FILE_NAME,
        draws::FILE_NAME,
        corrections::FILE_NAME,
        estimates::FILE_NAME,
        "roster.csv",
        "calls.csv",
    ]
    .map(|name| (name.to_owned(), InputKind::Study))
    .to_vec();
    files.push((named(Path::new("recordings").join(sums::FILE_NAME)), InputKind::Study));
    let checks = Path::new(calibrations::FOLDER).join(drift::HISTORY);
    files.push((named(checks), InputKind::Calibration));
    for (folder, kind) in [
        ("plans", InputKind::Plan),
        (calibrations::FOLDER, InputKind::Calibration),
    ] {
        let entries = std::fs::read_dir(root.join(folder));
        let names = entries.into_iter().flatten().flatten().map(|e| PathBuf::from(e.file_name()));
        let toml = names.filter(|n| {
            let hidden = n.to_string_lossy().starts_with('.');
            !hidden && n.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml"))
        });
        files.extend(toml.map(|name| (named(Path::new(folder).join(name)), kind)));
    }
    files.retain(|(name, _)| root.join(name).is_file());
    files.sort_by(|a, b| a.0.cmp(&b.0));
    files
}

/// Hash and size of each.
pub(super) fn inputs(root: &Path) -> Vec<InputRecord> {
    let files = study_files(root).into_iter();
    files
        .filter_map(|(name, kind)| input_of(kind, &root.join(&name), &name))
        .collect()
}

/// The record of a plan's file whose text was read already. Of its path the last part is kept.
pub fn given_plan(path: &Path, text: &str) -> InputRecord {
    let name = path.file_name().unwrap_or(path.as_os_str());
    InputRecord {
        kind: InputKind::Plan,
        file: name.to_string_lossy().into_owned(),
        sha256: sha256_hex(text.as_bytes()),
        bytes: text.len() as u64,
    }
}
