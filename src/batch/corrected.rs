//! Corrections of a recording's tests: which hold, which no longer fit, and what the program had found without them.

use super::{Job, sums};
use crate::study::inputs::InputFile;
use crate::error::Problem;
use crate::signal::FoundTests;
use crate::study::corrections::{Correction, FILE_NAME};
use std::collections::{BTreeMap, BTreeSet};

/// An error for each recording that is corrected and not `there`, among the study's by their paths in it.
pub fn without_recording(corrections: &[Correction], there: &BTreeSet<String>) -> Vec<Problem> {
    let mut names: BTreeMap<&str, Vec<u32>> = BTreeMap::new();
    for c in corrections.iter().filter(|c| !there.contains(&c.recording)) {
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
                refused.add(correction, "the recording is not the one that was corrected: its bytes differ");
            } else if correction.change.names_place() && self.study.hidden() {
                refused.add(correction, "sides and levels are not put right while the study is blind");
            } else {
                kept.push(correction);
            }
        }
        kept
    }
}

/// Where corrections that are not used are told.
pub struct Refused<'a> {
    pub problems: &'a mut Vec<Problem>,
    pub numbers: &'a mut Vec<u32>,
}

impl Refused<'_> {
    /// Tells of one.
    pub fn add(&mut self, correction: &Correction, why: &str) {
        self.numbers.push(correction.number);
        let (number, word, recording) = (correction.number, correction.change.word(), &correction.recording);
        self.problems.push(
            Problem::error(
                FILE_NAME,
                format!("{word} of {recording}, which is not used: {why}"),
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
