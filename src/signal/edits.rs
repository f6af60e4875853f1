//! What a person put right on one side of a test (METHODS.md §2.11).

use super::condition::Conditioned;
use super::limb_starts::LimbStart;
use super::view::SpringShape;
use crate::terms::{Level, Side};
use crate::trace::{Corrected, Note};
use std::ops::Range;

/// A spring's peak lies within so much, in s, of where a correction says that it was.
pub(super) const SAME_PEAK_S: f64 = 0.1;

/// What a person put right on one side of an episode, beside its contact and springs themselves.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Edits {
    /// The contact begins where a person set it.
    pub begin_fixed: bool,
    /// The contact ends where a person set it.
    pub end_fixed: bool,
    /// Contacts as detected, where a person set an end: the hand was on there, so none of it may serve as a zero.
    pub loaded: Vec<Range<usize>>,
    /// Springs that a person set something of.
    pub springs: Vec<SpringEdit>,
    /// Peaks of springs that a person took out: the hand moved there all the same, so that no hold reaches over them.
    pub removed: Vec<usize>,
    /// The onset is looked for between these displacements; an open side is endless.
    pub onset_within_mm: Option<[f64; 2]>,
    /// What the numbers rest on.
    pub by: Vec<Corrected>,
    pub(super) side: Option<Side>,
    pub(super) level: Option<Level>,
    pub(super) left_out: Option<String>,
    pub(super) words: Vec<(f64, String)>,
}

/// What a person set of one spring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpringEdit {
    /// Sample of its mark.
    pub peak: usize,
    /// The peak is that sample, not the highest one near it.
    pub exact: bool,
    pub(super) start: Option<usize>,
    pub(super) end: Option<usize>,
}

impl SpringEdit {
    /// Puts the limb starts where they were set.
    pub fn set_limbs(&self, y: &[f64], shape: &mut SpringShape) {
        let limb = |at: usize| LimbStart {
            at: at as f64,
            level: y[at],
            rest: None,
            lowest: at,
        };
        if let Some(start) = self.start.filter(|s| *s < shape.peak.index) {
            shape.before = limb(start);
        }
        if let Some(end) = self.end.filter(|e| *e > shape.peak.index && *e < y.len()) {
            shape.after = Some(limb(end));
        }
    }
}

impl Edits {
    /// What was set of the spring with this mark.
    pub fn spring_at(&self, mark: usize) -> Option<&SpringEdit> {
        self.springs.iter().find(|s| s.peak == mark)
    }

    pub(super) fn spring(&mut self, mark: usize) -> &mut SpringEdit {
        let at = self.springs.iter().position(|s| s.peak == mark).unwrap_or_else(|| {
            self.springs.push(SpringEdit {
                peak: mark,
                exact: false,
                start: None,
                end: None,
            });
            self.springs.len() - 1
        });
        &mut self.springs[at]
    }

    /// Notes on words that were set, and on springs that were marked where none can be measured.
    /// `peaks` are the samples of the springs that can be measured.
    pub fn describe(&self, c: &Conditioned, peaks: &[usize], notes: &mut Vec<Note>) {
        let near = c.grid.samples(SAME_PEAK_S);
        for edit in &self.springs {
            if !peaks.iter().any(|peak| peak.abs_diff(edit.peak) <= near) {
                notes.push(Note::NoSpringThere { at_s: c.grid.time_s(edit.peak as f64) });
            }
        }
        let words = self.words.iter();
        notes.extend(words.map(|(at_s, word)| Note::Annotated { at_s: *at_s, word: word.clone() }));
    }

    /// Those of a piece of the contact, or of what became of two.
    pub(super) fn add(&mut self, other: Edits) {
        self.loaded.extend(other.loaded);
        self.springs.extend(other.springs);
        self.removed.extend(other.removed);
        self.onset_within_mm = other.onset_within_mm.or(self.onset_within_mm);
        for by in other.by {
            if !self.by.contains(&by) {
                self.by.push(by);
            }
        }
        self.side = other.side.or(self.side);
        self.level = other.level.or(self.level);
        self.left_out = other.left_out.or(self.left_out.take());
        self.words.extend(other.words);
    }
}
