//! What a study already holds: unfinished scans, trials to count on from, recordings that were never closed.

use crate::study::door::{self, FileKind};
use super::disk::Disk;
use super::sums::{FOLDER, SUMS, add_sum_of};
use super::plan_cursor::{RecordingKind, kind};
use crate::acquire::control::TestsMade;
use crate::error::Result;
use crate::study::inputs::InputFile;
use crate::study::sidecar::Sidecar;
use crate::terms::RecordingStatus;
use crate::trace::About;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Recordings of one kind by one examiner on one subject.
type RecordingOwner = (Option<String>, Option<String>, RecordingKind);

/// Recordings of one session.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PriorRecordings {
    /// Highest trial, and how many good recordings.
    kinds: BTreeMap<RecordingOwner, (u32, u32)>,
    examiners: BTreeSet<String>,
    /// Tests that were seen, those of recordings that were cut off included.
    made: TestsMade,
}

impl PriorRecordings {
    /// Of the recordings of a study, those of a session.
    pub fn of_session(files: &[InputFile], session: &str) -> PriorRecordings {
        let mut prior = PriorRecordings::default();
        for file in files {
            let (sidecar, _) = Sidecar::read(&file.sidecar_path, &file.sidecar);
            if sidecar.about.session.as_deref() == Some(session) {
                let seen = tests_seen(&file.sidecar_path);
                let good = sidecar.status != Some(RecordingStatus::Open)
                    && sidecar.about.excluded.is_none()
                    && seen != Some(0);
                prior.add(&sidecar.about, good);
                // One that was left open has no count, but what was shown of each test until then.
                let made = seen.unwrap_or(0).max(i64::try_from(sidecar.given.len()).unwrap_or(0));
                *prior.made.entry(sidecar.about.examiner).or_default() += u32::try_from(made).unwrap_or(0);
            }
        }
        prior
    }

    /// How many tests each examiner has made.
    pub fn tests_made(&self) -> &TestsMade {
        &self.made
    }

    /// Adds a recording; a good one was closed in order, was not left out, and has a test.
    pub fn add(&mut self, about: &About, good: bool) {
        self.examiners.extend(about.examiner.clone());
        let entry = self.kinds.entry(owner_of(about)).or_default();
        entry.0 = entry.0.max(about.trial.unwrap_or(1));
        entry.1 += u32::from(good);
    }

    /// The trial that a further recording of this kind has.
    pub fn next_trial(&self, about: &About) -> u32 {
        self.kinds.get(&owner_of(about)).map_or(1, |(trial, _)| trial + 1)
    }

    /// How many good recordings of a kind there are.
    pub fn good(&self, subject: Option<&str>, examiner: Option<&str>, kind: &RecordingKind) -> u32 {
        let owner = (
            subject.map(str::to_owned),
            examiner.map(str::to_owned),
            kind.clone(),
        );
        self.kinds.get(&owner).map_or(0, |(_, good)| *good)
    }

    /// Whether an examiner has a recording.
    pub fn has(&self, examiner: &str) -> bool {
        self.examiners.contains(examiner)
    }
}

fn owner_of(a: &About) -> RecordingOwner {
    (a.subject.clone(), a.examiner.clone(), kind(a))
}

/// How many tests the recorder saw while it recorded.
fn tests_seen(sidecar: &Path) -> Option<i64> {
    let text = door::read_to_string(sidecar, FileKind::Settings).ok()?;
    let table: toml::Table = text.parse().ok()?;
    table.get("line")?.get("tests_seen")?.as_integer()
}

/// Recordings that a recorder left open because it was killed, by name within the folder of recordings: `open`, and
/// not in SHA256SUMS yet. Each gets its line there, so that it is told of once and can be seen to stay as it was
/// found. Nothing else is changed: that it says `open` is what warns whoever analyses it.
///
/// # Errors
/// [`crate::error::Error::Io`] when the sums cannot be written.
pub fn settle_left_open(disk: &dyn Disk, root: &Path, files: &[InputFile]) -> Result<Vec<String>> {
    let sums = door::read(&root.join(FOLDER).join(SUMS), FileKind::Hashes).unwrap_or_default();
    let sums = String::from_utf8_lossy(&sums);
    let listed: BTreeSet<&str> = sums
        .lines()
        .filter_map(|l| l.split_once("  "))
        .map(|(_, n)| n)
        .collect();
    let mut left = Vec::new();
    for file in files {
        let Some(name) = file.recording.strip_prefix(&format!("{FOLDER}/")) else {
            continue;
        };
        if listed.contains(name) {
            continue;
        }
        let (sidecar, _) = Sidecar::read(&file.sidecar_path, &file.sidecar);
        let ours = sidecar
            .recorder_version
            .is_some_and(|v| v.starts_with("tautpoint "));
        if ours && sidecar.status == Some(RecordingStatus::Open) {
            add_sum_of(disk, root, name)?;
            left.push(name.to_owned());
        }
    }
    Ok(left)
}
