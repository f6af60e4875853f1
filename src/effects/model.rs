//! A fitted mixed model with the random terms that the design can tell, and errors of weighted sums of its rows.

use super::designs::{EffectDesign, EffectPart, SharedDesigns, cells};
use super::observed::PlacedTest;
use crate::stats::agreement::clustered::PartState;
use crate::stats::mixed::{FixedEffect, Identified, MixedError, MixedFit};
use std::sync::Arc;

/// A weighted sum of rows.
pub(super) type RowWeights = Vec<(usize, f64)>;

/// A fitted model that knows its terms.
pub(super) struct EffectModel {
    made: Arc<EffectDesign>,
    fit: MixedFit,
}

/// An estimate that moves by more than this of what moves all tests of some people beside those of others rests on
/// differences between these people.
const RESTS_ON: f64 = 0.25;
/// So many must they be, in effect, that what they differ by can be told from the estimate.
const ENOUGH_PEOPLE: f64 = 6.0;

impl EffectModel {
    /// Fits the values with the fixed columns and those of the terms that the design can tell.
    pub fn fit(
        designs: &SharedDesigns,
        rows: &[(PlacedTest<'_>, f64)],
        fixed: &[Vec<f64>],
        parts: &[EffectPart],
    ) -> Result<EffectModel, MixedError> {
        let made = designs.of(rows, fixed, parts)?;
        let values: Vec<f64> = rows.iter().map(|(_, v)| *v).collect();
        let fit = made.design.fit(&values)?;
        Ok(EffectModel { made, fit })
    }

    /// Standard error and degrees of freedom of a weighted sum. `None` where a part of it cannot be told from what is
    /// estimated.
    pub fn error(&self, weights: &RowWeights) -> Option<(f64, f64)> {
        let mut loads = Vec::new();
        for (_, term, told) in &self.made.terms {
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
        let found = self.made.terms.iter().find(|(p, ..)| *p == part);
        !found.is_some_and(|(_, _, told)| matches!(told, Identified::InFixed | Identified::OneLevel))
    }

    /// For each fixed effect, whether it rests on differences between a few people: whether it would move when all tests
    /// with one label are shifted, and labels are too few for what they differ by to be known.
    pub fn rests_on<K: Ord>(
        &self,
        rows: &[(PlacedTest<'_>, f64)],
        label: impl Fn(&PlacedTest<'_>) -> K,
    ) -> Option<Vec<bool>> {
        let moved = self.made.design.shifts(&self.fit, &cells(rows, label))?;
        let of_effect = |effect: usize| {
            let by = || moved.iter().map(|m| m[effect].abs());
            let (sum, squares) = (by().sum::<f64>(), by().map(|m| m * m).sum::<f64>());
            sum > 2.0 * RESTS_ON && sum * sum < ENOUGH_PEOPLE * squares
        };
        Some((0..self.fit.fixed.len()).map(of_effect).collect())
    }

    /// Variance of a term; `None` where the design cannot tell it.
    pub fn variance(&self, part: EffectPart) -> Option<f64> {
        let mut told = self.made.terms.iter().filter(|(_, _, told)| *told == Identified::Yes);
        self.fit.variances.get(told.position(|(p, ..)| *p == part)?).copied()
    }

    /// Every part with how it came out and its variance, that of a single test last.
    pub fn parts(&self) -> Vec<(EffectPart, PartState, Option<f64>)> {
        let mut all = Vec::new();
        let mut at = 0;
        for (part, _, told) in &self.made.terms {
            if *told != Identified::Yes {
                all.push((*part, PartState::NotTold(*told), None));
                continue;
            }
            let state = if self.fit.on_bound(at) { PartState::AtBound } else { PartState::Estimated };
            all.push((*part, state, self.fit.variances.get(at).copied()));
            at += 1;
        }
        all.push((EffectPart::Residual, PartState::Estimated, Some(self.fit.residual())));
        all
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
        let told = self.made.terms.iter().filter(|(_, _, told)| *told == Identified::Yes);
        let mut weights: Vec<f64> = told.map(|(p, ..)| if out.contains(p) { 0.0 } else { 1.0 }).collect();
        weights.push(1.0);
        let sum = weights.iter().zip(&self.fit.variances).map(|(w, v)| w * v).sum();
        (sum, self.fit.sum_df(&weights))
    }
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
