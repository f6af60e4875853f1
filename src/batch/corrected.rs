//! Corrections of a recording's tests: which hold, which no longer fit, and what the program had found without them.

use super::{Job, sums};
use crate::study::inputs::InputFile;
use crate::error::Problem;
use crate::signal::FoundTests;
use crate::study::corrections::{Correction, FILE_NAME};
use crate::compare::Comparison;
use crate::technique::TechniqueFinding;
use crate::terms::{ScanKey, SessionKey};
use crate::trace::{Corrected, Test};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

const OTHER_BYTES: &str = "the recording is not the one that was corrected: its bytes differ";

/// An error for each recording that is corrected and not `there`, among the study's by their paths in it.
pub fn without_recording(
    corrections: &[Correction],
    there: &BTreeSet<String>,
    refused: &mut BTreeSet<u32>,
) -> Vec<Problem> {
    let mut names: BTreeMap<&str, Vec<u32>> = BTreeMap::new();
    for c in corrections.iter().filter(|c| !there.contains(&c.recording)) {
        refused.insert(c.number);
        names.entry(&c.recording).or_default().push(c.number);
    }
    let gone = names.into_iter().map(|(name, numbers)| {
        let numbers: Vec<String> = numbers.iter().map(u32::to_string).collect();
        Problem::error(
            FILE_NAME,
            format!("{name}, which is not among the recordings (entry {})", numbers.join(", ")),
            "the recording that was corrected",
            "put it back, or take the entry back with `tautpoint correct STUDY --undo N`",
        )
    });
    gone.collect()
}

impl Job {
    /// What holds for a recording.
    pub fn corrections_of(&self, file: &InputFile) -> Vec<&Correction> {
        if self.corrections.is_empty() || self.as_detected {
            return Vec::new();
        }
        let Some(name) = sums::path_from_root(&self.study.root, &file.path) else {
            return Vec::new();
        };
        self.corrections.iter().filter(|c| c.recording == name).collect()
    }

    /// Those made for exactly these bytes; the others are told and kept from use.
    pub(super) fn corrections_for<'a>(
        &'a self,
        file: &InputFile,
        sha256: &str,
        refused: &mut Refused<'_>,
    ) -> Vec<&'a Correction> {
        let mut kept = Vec::new();
        for correction in self.corrections_of(file) {
            if correction.sha256 != sha256 {
                refused.add(correction, OTHER_BYTES);
            } else if correction.change.names_place() && self.hidden {
                refused.add(correction, "sides and levels are not put right while the study is blind");
            } else {
                kept.push(correction);
            }
        }
        kept
    }

    /// Also where the recording could not be read, none of those made for other bytes counts as used.
    pub(super) fn refuse_of_other_bytes(&self, file: &InputFile, sha256: &str, refused: &mut Refused<'_>) {
        for correction in self.corrections_of(file) {
            let told = refused.refused.iter().any(|r| r.number == correction.number);
            if correction.sha256 != sha256 && !told {
                refused.add(correction, OTHER_BYTES);
            }
        }
    }
}

/// A correction that is not used, and why, in words that name neither recording nor side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RefusedCorrection {
    pub number: u32,
    pub why: String,
}

/// Where corrections that are not used are told.
pub struct Refused<'a> {
    pub problems: &'a mut Vec<Problem>,
    pub refused: &'a mut Vec<RefusedCorrection>,
}

impl Refused<'_> {
    /// Tells of one.
    pub fn add(&mut self, correction: &Correction, why: &str) {
        let (number, word, recording) = (correction.number, correction.change.word(), &correction.recording);
        self.refused.push(RefusedCorrection {
            number,
            why: why.to_owned(),
        });
        self.problems.push(
            Problem::error(
                FILE_NAME,
                format!("a correction that is not used, {} of {recording}: {why}", word.word().replace('_', " ")),
                "an entry that fits its recording",
                format!("look at the recording; `tautpoint correct STUDY --undo {number} …` takes the entry back"),
            )
            .in_column(format!("entry {number}")),
        );
    }
}

/// Applies them in their order.
pub fn apply(found: &mut FoundTests<'_>, corrections: &[&Correction], refused: &mut Refused<'_>) {
    for correction in corrections {
        if let Err(why) = found.correct(correction) {
            refused.add(correction, &why.to_string());
        }
    }
}

/// What was put right in each scan and session: of tests that are in it, or were before a correction.
#[derive(Default)]
pub struct OfScans {
    scans: BTreeMap<ScanKey, Vec<Corrected>>,
    sessions: BTreeMap<SessionKey, Vec<Corrected>>,
}

impl OfScans {
    /// Takes the corrections of one recording, those refused left out.
    pub fn add(&mut self, outcome_tests: [&[Test]; 2], corrections: &[Corrected]) {
        let tests = || outcome_tests.into_iter().flatten();
        let scans: BTreeSet<ScanKey> = tests().map(|t| t.about.key().scan()).collect();
        let sessions: BTreeSet<SessionKey> = tests().map(|t| t.about.session()).collect();
        for scan in scans {
            self.scans.entry(scan).or_default().extend_from_slice(corrections);
        }
        for session in sessions {
            self.sessions.entry(session).or_default().extend_from_slice(corrections);
        }
    }

    /// Marks every comparison, and what is said of a scan as a whole.
    pub fn mark(&self, comparisons: &mut [Comparison], findings: &mut [TechniqueFinding]) {
        for comparison in comparisons {
            if let Some(behind) = self.scans.get(&comparison.key.scan()) {
                comparison.corrections = in_order(behind);
            }
        }
        for finding in findings.iter_mut().filter(|f| f.recording.is_none()) {
            let session = SessionKey {
                subject: finding.subject.clone(),
                examiner: finding.examiner.clone(),
                session: finding.session.clone(),
            };
            if let Some(behind) = self.sessions.get(&session) {
                finding.corrections = in_order(behind);
            }
        }
    }
}

fn in_order(corrections: &[Corrected]) -> Vec<Corrected> {
    let mut all = corrections.to_vec();
    all.sort_by_key(|c| c.entry);
    all.dedup_by_key(|c| c.entry);
    all
}
