//! What people put right, as reports tell it.

use crate::agreement::registered::Registration;
use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind, Decision};
use crate::format::counted;
use crate::study::corrections::Correction;
use crate::terms::TestKey;
use crate::trace::Test;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// A comparison that ends in another word because of corrections.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangedWord {
    pub key: TestKey,
    pub kind: ComparisonKind,
    pub measure: Measure,
    /// `None` where there was no such comparison.
    pub detected: Option<Decision>,
    /// `None` where there is none any more.
    pub corrected: Option<Decision>,
}

/// What became of a study's corrections.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CorrectionsUsed {
    /// The file is there and cannot be read.
    pub faulty: bool,
    /// They were left out on request.
    pub as_detected: bool,
    /// Days of those that hold, annotations apart.
    days: Vec<String>,
    /// Annotations that hold.
    pub annotations: usize,
    /// Those that no longer fit.
    pub refused: usize,
    /// Tests that rest on one, and tests that were left out.
    pub tests: usize,
    /// Codes of who made them.
    who: BTreeSet<String>,
    pub changed_words: Vec<ChangedWord>,
}

impl CorrectionsUsed {
    /// Counts those of a study; `refused` are the numbers of those that did not fit.
    pub fn of(active: &[Correction], as_detected: bool, faulty: bool, refused: &BTreeSet<u32>) -> CorrectionsUsed {
        let changes = || active.iter().filter(|c| !c.change.is_annotation() && !refused.contains(&c.number));
        CorrectionsUsed {
            faulty,
            as_detected,
            days: changes().map(|c| c.by.when.chars().take(10).collect()).collect(),
            annotations: active
                .iter()
                .filter(|c| c.change.is_annotation() && !refused.contains(&c.number))
                .count(),
            refused: refused.len(),
            who: changes().map(|c| c.by.who.clone()).collect(),
            ..CorrectionsUsed::default()
        }
    }

    /// How many corrections hold, annotations apart.
    pub fn corrections(&self) -> usize {
        self.days.len()
    }

    /// How many people made them.
    pub fn people(&self) -> usize {
        self.who.len()
    }

    /// What a report says at its top, a sentence each; nothing where nobody put anything right.
    pub fn words(&self, registration: Option<&Registration>) -> Vec<String> {
        if self.faulty {
            return vec!["corrections.toml cannot be used: every result is as detected.".to_owned()];
        }
        let n = self.corrections();
        if n == 0 && self.refused == 0 && self.annotations == 0 {
            return Vec::new();
        }
        let corrections = counted(n, "correction");
        let marked = counted(self.annotations, "moment");
        if self.as_detected {
            let and = match self.annotations {
                0 => String::new(),
                _ => format!(" and {marked} marked with a word"),
            };
            return vec![format!("As detected, on request: without {corrections} made by hand{and}.")];
        }
        let who: Vec<&str> = self.who.iter().map(String::as_str).collect();
        let rest_on = counted(self.tests, "test");
        let mut words = Vec::new();
        if n > 0 {
            words.push(format!(
                "Corrected by hand: {corrections} by {}; {rest_on} left out or resting on one.",
                who.join(", ")
            ));
        }
        if self.annotations > 0 {
            words.push(format!("Marked with a word by hand: {marked}."));
        }
        if self.refused > 0 {
            words.push(match self.refused {
                1 => "Not used: one correction, named among the problems.".to_owned(),
                n => format!("Not used: {n} corrections, named among the problems."),
            });
        }
        if let Some(registration) = registration {
            let after = self.days.iter().filter(|day| **day >= registration.date).count();
            if after > 0 {
                words.push(format!(
                    "Departs from the registration ({}): {} made by hand since.",
                    registration.date,
                    counted(after, "correction")
                ));
            }
        }
        words.extend(self.changed_words.iter().map(ChangedWord::words));
        words
    }

    /// As run.json has it. Always there, so that a study without corrections and one whose last was taken back differ by their
    /// inputs alone.
    pub fn record(&self) -> Value {
        json!({
            "file_used": !self.faulty,
            "as_detected": self.as_detected,
            "corrections": self.corrections(),
            "people": self.people(),
            "annotations": self.annotations,
            "not_used": self.refused,
            "tests": self.tests,
            "words_changed": self.changed_words.len(),
        })
    }

    /// Counts the tests that rest on a correction or were left out by one.
    pub fn count(&mut self, tests: &[Test], left_out: usize) {
        self.tests = left_out + tests.iter().filter(|t| !t.corrections.is_empty()).count();
    }
}

impl ChangedWord {
    /// Comparisons whose word is another one than as detected.
    pub fn between(detected: &[Comparison], corrected: &[Comparison]) -> Vec<ChangedWord> {
        let word = |all: &[Comparison], c: &Comparison| {
            let same = |o: &&Comparison| (&o.key, o.kind, o.measure) == (&c.key, c.kind, c.measure);
            all.iter().find(same).and_then(|o| o.side_of_resistance)
        };
        let is_new = |c: &&Comparison| {
            let same = |o: &Comparison| (&o.key, o.kind, o.measure) == (&c.key, c.kind, c.measure);
            !detected.iter().any(same)
        };
        let all = detected.iter().chain(corrected.iter().filter(is_new));
        let changed = all.map(|c| ChangedWord {
            key: c.key.clone(),
            kind: c.kind,
            measure: c.measure,
            detected: word(detected, c),
            corrected: word(corrected, c),
        });
        changed.filter(|w| w.detected != w.corrected).collect()
    }

    fn words(&self) -> String {
        let word = |w: Option<Decision>| w.map_or("no comparison", Decision::word).replace('_', " ");
        let level = self.key.level.map_or_else(String::new, |l| format!("{}, ", l.label()));
        let subject = self.key.subject.as_deref().map_or_else(String::new, |s| format!("{s}, "));
        format!(
            "Corrections change a word: {subject}{level}{}: {}; as detected: {}.",
            self.measure.info().label,
            word(self.corrected),
            word(self.detected)
        )
    }
}
