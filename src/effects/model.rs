//! A mixed model with the random terms that the design can tell, and errors of weighted sums of its rows.

use super::observed::PlacedTest;
use crate::stats::mixed::{FixedEffect, Identified, MixedDesign, MixedError, MixedFit, RandomTerm};
use std::collections::BTreeSet;

/// A part of the variance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum EffectPart {
    /// A level and side, whoever's it is.
    Spot,
    Subject,
    Place,
    Examiner,
    /// All tests of a subject in a session.
    Visit,
    /// A place in a session.
    PlaceAtVisit,
    /// A subject with an examiner in a session.
    Sitting,
    /// All tests of an examiner in a session of the examiner's.
    Day,
    /// What an examiner finds in everybody's session of that number.
    ExaminerAtVisit,
}

impl EffectPart {
    fn label(self, t: &PlacedTest<'_>) -> [usize; 3] {
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
        }
    }
}

/// A weighted sum of rows.
pub(super) type RowWeights = Vec<(usize, f64)>;

/// A fitted model that knows its terms.
pub(super) struct EffectModel {
    terms: Vec<(EffectPart, RandomTerm, Identified)>,
    fit: MixedFit,
}

impl EffectModel {
    /// Fits the values with the fixed columns and those of the terms that the design can tell.
    pub fn fit(
        rows: &[(PlacedTest<'_>, f64)],
        fixed: &[Vec<f64>],
        parts: &[EffectPart],
    ) -> Result<EffectModel, MixedError> {
        let of = |part: &EffectPart| {
            RandomTerm::new(&rows.iter().map(|(t, _)| part.label(t)).collect::<Vec<_>>())
        };
        let all: Vec<RandomTerm> = parts.iter().map(of).collect();
        let mut design = MixedDesign::new(rows.len(), fixed, &all)?;
        let told = design.identified.clone();
        if told.iter().any(|i| *i != Identified::Yes) {
            let kept = all.iter().zip(&told).filter(|(_, i)| **i == Identified::Yes);
            let kept: Vec<RandomTerm> = kept.map(|(t, _)| t.clone()).collect();
            design = MixedDesign::new(rows.len(), fixed, &kept)?;
        }
        let values: Vec<f64> = rows.iter().map(|(_, v)| *v).collect();
        let fit = design.fit(&values)?;
        let terms = parts.iter().zip(all).zip(told).map(|((p, t), i)| (*p, t, i)).collect();
        Ok(EffectModel { terms, fit })
    }

    /// Standard error and degrees of freedom of a weighted sum. `None` where a part of it cannot be told from what is
    /// estimated.
    pub fn error(&self, weights: &RowWeights) -> Option<(f64, f64)> {
        let mut loads = Vec::new();
        for (_, term, told) in &self.terms {
            let load = term.load(weights);
            match told {
                Identified::Yes => loads.push(if load < 1e-12 { 0.0 } else { load }),
                Identified::InFixed | Identified::OneLevel if load > 1e-12 => return None,
                _ => {}
            }
        }
        loads.push(weights.iter().map(|(_, w)| w * w).sum());
        let variance: f64 = loads.iter().zip(&self.fit.variances).map(|(l, v)| l * v).sum();
        let df = self.fit.sum_df(&loads)?;
        (variance > 0.0 && variance.is_finite()).then(|| (variance.sqrt(), df))
    }

    /// Whether what these levels differ by is told, or carried by another term.
    pub fn tells(&self, part: EffectPart) -> bool {
        let found = self.terms.iter().find(|(p, ..)| *p == part);
        !found.is_some_and(|(_, _, told)| matches!(told, Identified::InFixed | Identified::OneLevel))
    }

    /// Variance of a term; `None` where the design cannot tell it.
    pub fn variance(&self, part: EffectPart) -> Option<f64> {
        let mut told = self.terms.iter().filter(|(_, _, told)| *told == Identified::Yes);
        self.fit.variances.get(told.position(|(p, ..)| *p == part)?).copied()
    }

    /// Variance of a single test.
    pub fn residual(&self) -> f64 {
        self.fit.residual()
    }

    /// A fixed effect.
    pub fn fixed(&self, column: usize) -> Option<FixedEffect> {
        self.fit.fixed.get(column).copied()
    }

    /// The sum of all variances but those of these parts, with its degrees of freedom.
    pub fn total_without(&self, out: &[EffectPart]) -> (f64, Option<f64>) {
        let told = self.terms.iter().filter(|(_, _, told)| *told == Identified::Yes);
        let mut weights: Vec<f64> = told.map(|(p, ..)| if out.contains(p) { 0.0 } else { 1.0 }).collect();
        weights.push(1.0);
        let sum = weights.iter().zip(&self.fit.variances).map(|(w, v)| w * v).sum();
        (sum, self.fit.sum_df(&weights))
    }
}

/// A column for each combination that occurs: the fixed effects that take out what groups, examiners and sessions share.
pub(super) fn cells<K: Ord>(rows: &[(PlacedTest<'_>, f64)], of: impl Fn(&PlacedTest<'_>) -> K) -> Vec<Vec<f64>> {
    let all: BTreeSet<K> = rows.iter().map(|(t, _)| of(t)).collect();
    let one = |cell: &K| rows.iter().map(|(t, _)| f64::from(of(t) == *cell)).collect();
    all.iter().map(one).collect()
}

/// The mean of these rows, as weights times `factor`.
pub(super) fn mean_of(rows: &[usize], factor: f64) -> impl Iterator<Item = (usize, f64)> {
    let each = factor / rows.len() as f64;
    rows.iter().map(move |r| (*r, each))
}

/// The sum itself.
pub(super) fn sum_of(rows: &[(PlacedTest<'_>, f64)], weights: &RowWeights) -> f64 {
    weights.iter().map(|(r, w)| w * rows[*r].1).sum()
}
