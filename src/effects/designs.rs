//! What a model is made of, and designs that measures with the same tests share.

use super::observed::PlacedTest;
use crate::stats::mixed::{Identified, MixedDesign, MixedError, RandomTerm};
use crate::terms::closed_terms;
use std::collections::{BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

closed_terms! {
    /// A part of the variance.
    pub enum EffectPart {
        /// A level and side, whoever's it is.
        Spot = "spot",
        Subject = "subject",
        Place = "place",
        Examiner = "examiner",
        /// All tests of a subject in a session.
        Visit = "visit",
        /// A place in a session.
        PlaceAtVisit = "place_at_visit",
        /// A subject with an examiner in a session.
        Sitting = "sitting",
        /// All tests of an examiner in a session of the examiner's.
        Day = "day",
        /// What an examiner finds in everybody's session of that number.
        ExaminerAtVisit = "examiner_at_visit",
        /// What is left: one test beside its repetition.
        Residual = "residual",
    }
}

impl EffectPart {
    /// In words, for pages.
    pub fn label(self) -> &'static str {
        match self {
            EffectPart::Spot => "level and side",
            EffectPart::Subject => "subject",
            EffectPart::Place => "place within subject",
            EffectPart::Examiner => "examiner",
            EffectPart::Visit => "session of the subject",
            EffectPart::PlaceAtVisit => "place in a session",
            EffectPart::Sitting => "sitting",
            EffectPart::Day => "session of the examiner",
            EffectPart::ExaminerAtVisit => "examiner in a session",
            EffectPart::Residual => "residual",
        }
    }

    fn level(self, row: usize, t: &PlacedTest<'_>) -> [usize; 3] {
        match self {
            EffectPart::Spot => [t.spot, 0, 0],
            EffectPart::Subject => [t.subject, 0, 0],
            EffectPart::Place => [t.place, 0, 0],
            EffectPart::Examiner => [t.examiner, 0, 0],
            EffectPart::Visit => [t.subject, t.visit, 0],
            EffectPart::PlaceAtVisit => [t.place, t.visit, 0],
            EffectPart::Sitting => [t.subject, t.visit, t.examiner],
            EffectPart::Day => [t.examiner, t.day, 0],
            EffectPart::ExaminerAtVisit => [t.examiner, t.visit, 0],
            EffectPart::Residual => [row, 0, 0],
        }
    }
}

/// Fixed columns and random terms of some tests.
pub(super) struct EffectDesign {
    /// Every term looked at, and whether the design can tell it.
    pub terms: Vec<(EffectPart, RandomTerm, Identified)>,
    /// Of the terms that it can tell.
    pub design: MixedDesign,
}

impl EffectDesign {
    fn new(rows: &[(PlacedTest<'_>, f64)], fixed: &[Vec<f64>], parts: &[EffectPart]) -> Result<EffectDesign, MixedError> {
        let of = |part: &EffectPart| {
            RandomTerm::new(&rows.iter().enumerate().map(|(i, (t, _))| part.level(i, t)).collect::<Vec<_>>())
        };
        let all: Vec<RandomTerm> = parts.iter().map(of).collect();
        let mut design = MixedDesign::new(rows.len(), fixed, &all)?;
        let told = design.identified.clone();
        if told.iter().any(|i| *i != Identified::Yes) {
            let kept = all.iter().zip(&told).filter(|(_, i)| **i == Identified::Yes);
            let kept: Vec<RandomTerm> = kept.map(|(t, _)| t.clone()).collect();
            design = MixedDesign::new(rows.len(), fixed, &kept)?;
        }
        let terms = parts.iter().zip(all).zip(told).map(|((p, t), i)| (*p, t, i)).collect();
        Ok(EffectDesign { terms, design })
    }
}

type DesignMade = Arc<OnceLock<Result<Arc<EffectDesign>, MixedError>>>;

/// What a design depends on.
#[derive(PartialEq)]
struct DesignKey {
    tests: Vec<usize>,
    parts: Vec<EffectPart>,
    fixed: Vec<Vec<f64>>,
}

/// As many designs are kept: one of 10,000 tests takes a few megabytes.
const MOST_KEPT: usize = 16;

/// Designs made so far. Most measures are there in the same tests, and a design takes as long to make as several fits.
#[derive(Default)]
pub(super) struct SharedDesigns {
    made: Mutex<VecDeque<(DesignKey, DesignMade)>>,
}

impl SharedDesigns {
    /// The design of these rows.
    pub fn of(
        &self,
        rows: &[(PlacedTest<'_>, f64)],
        fixed: &[Vec<f64>],
        parts: &[EffectPart],
    ) -> Result<Arc<EffectDesign>, MixedError> {
        let key = DesignKey {
            tests: rows.iter().map(|(t, _)| t.at).collect(),
            parts: parts.to_vec(),
            fixed: fixed.to_vec(),
        };
        let made = self.place_of(key);
        made.get_or_init(|| EffectDesign::new(rows, fixed, parts).map(Arc::new)).clone()
    }

    fn place_of(&self, key: DesignKey) -> DesignMade {
        let mut made = self.made.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, known)) = made.iter().find(|(k, _)| *k == key) {
            return Arc::clone(known);
        }
        if made.len() >= MOST_KEPT {
            made.pop_front();
        }
        let place = DesignMade::default();
        made.push_back((key, Arc::clone(&place)));
        place
    }
}

/// A column for each combination that occurs: the fixed effects that take out what groups, examiners and sessions share.
pub(super) fn cells<K: Ord>(rows: &[(PlacedTest<'_>, f64)], of: impl Fn(&PlacedTest<'_>) -> K) -> Vec<Vec<f64>> {
    let all: BTreeSet<K> = rows.iter().map(|(t, _)| of(t)).collect();
    let one = |cell: &K| rows.iter().map(|(t, _)| f64::from(of(t) == *cell)).collect();
    all.iter().map(one).collect()
}
