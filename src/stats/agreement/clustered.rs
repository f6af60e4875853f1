//! Agreement of ratings with holes, and of targets that belong together: by one variance model.

use super::Interval;
use super::icc::Icc;
use super::sem::Sem;
use crate::stats::mixed::{Identified, MixedDesign, MixedError, MixedFit, RandomTerm, VarianceDraws};

/// What a part of the variance belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum VariancePart {
    /// Who was rated.
    Subject,
    /// One of several places of a subject.
    Place,
    /// All rows of a subject at one visit.
    Visit,
    /// A row of the table of ratings: what is rated once by each rater.
    Target,
    /// Raters: examiners, tests or days in their order.
    Rater,
    /// What a rater finds in one subject beyond what it finds in others.
    SubjectByRater,
    /// What is left.
    Residual,
}

impl VariancePart {
    /// The word in tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            VariancePart::Subject => "subject",
            VariancePart::Place => "place",
            VariancePart::Visit => "visit",
            VariancePart::Target => "target",
            VariancePart::Rater => "rater",
            VariancePart::SubjectByRater => "subject_by_rater",
            VariancePart::Residual => "residual",
        }
    }

    /// In words, for pages.
    pub fn label(self) -> &'static str {
        match self {
            VariancePart::Visit => "subject at a visit",
            VariancePart::Target => "row",
            VariancePart::SubjectByRater => "subject by rater",
            plain => plain.word(),
        }
    }

    /// Whether ratings of one target share it.
    fn of_target(self) -> bool {
        matches!(
            self,
            VariancePart::Subject | VariancePart::Place | VariancePart::Visit | VariancePart::Target
        )
    }
}

/// How a part came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PartState {
    /// Estimated above 0.
    Estimated,
    /// Estimated at its bound of 0.
    AtBound,
    /// The design cannot tell it.
    NotTold(Identified),
}

impl PartState {
    /// The word in tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            PartState::Estimated => "estimated",
            PartState::AtBound => "at_bound",
            PartState::NotTold(_) => "not_told",
        }
    }
}

/// A part of the variance of ratings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VarianceComponent {
    pub part: VariancePart,
    pub levels: usize,
    pub state: PartState,
    /// In the unit of the ratings squared; missing where the design cannot tell it.
    pub variance: Option<Interval>,
    /// Its share of all parts together, from 0 to 1.
    pub share: Option<f64>,
}

/// One rating: whom and what it is of, by numbers that are equal for the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacedRating {
    pub value: f64,
    pub subject: usize,
    pub place: usize,
    pub visit: usize,
    pub target: usize,
    pub rater: usize,
}

/// What the model tells of ratings.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelAgreement {
    pub components: Vec<VarianceComponent>,
    pub icc: Icc,
    pub sem: Sem,
    /// Ratings that an average form is of: the harmonic mean over targets.
    pub ratings: f64,
}

/// Whether more than the targets themselves makes ratings alike: several places of a subject, several rows of a visit.
pub fn belong_together(ratings: &[PlacedRating]) -> bool {
    let term = |of: fn(&PlacedRating) -> usize| RandomTerm::new(&ratings.iter().map(of).collect::<Vec<_>>());
    let targets = term(|r| r.target).count();
    [term(|r| r.subject), term(|r| r.place), term(|r| r.visit)]
        .iter()
        .any(|t| t.count() < targets)
}

/// Agreement of any ratings, complete or not, by restricted maximum likelihood; `confidence` between 0 and 1.
///
/// # Formula
/// METHODS.md §7.3 and §13.
///
/// # Errors
/// Where the model cannot be fitted: nothing differs, or no error is left.
pub fn model_agreement(ratings: &[PlacedRating], confidence: f64) -> Result<ModelAgreement, MixedError> {
    let whole = Model::fit(ratings, true)?;
    let one = Model::fit(ratings, false)?;
    let k = harmonic_mean(ratings);
    let target = |m: &Model, v: &[f64]| m.sum(v, VariancePart::of_target);
    let rater = |v: &[f64]| whole.sum(v, |p| p == VariancePart::Rater);
    let error = |m: &Model, v: &[f64]| m.sum(v, |p| !p.of_target() && p != VariancePart::Rater);
    let ratio = |m: &Model, of: &dyn Fn(&[f64]) -> [f64; 2]| {
        let reliability = |v: &[f64]| {
            let [t, e] = of(v);
            t / (t + e)
        };
        m.interval(confidence, reliability, Some(1.0))
    };
    let icc = Icc {
        one: ratio(&one, &|v| [target(&one, v), error(&one, v)]),
        agreement: ratio(&whole, &|v| [target(&whole, v), rater(v) + error(&whole, v)]),
        consistency: ratio(&whole, &|v| [target(&whole, v), error(&whole, v)]),
        one_average: ratio(&one, &|v| [target(&one, v), error(&one, v) / k]),
        agreement_average: ratio(&whole, &|v| [target(&whole, v), (rater(v) + error(&whole, v)) / k]),
        consistency_average: ratio(&whole, &|v| [target(&whole, v), error(&whole, v) / k]),
    };
    let bare = Interval::bare(0.0);
    let root = |v: f64| v.max(0.0).sqrt();
    let sem = Sem {
        consistency: whole
            .interval(confidence, |v| root(error(&whole, v)), None)
            .unwrap_or(bare),
        consistency_df: whole.df(|p| !p.of_target() && p != VariancePart::Rater),
        agreement: whole
            .interval(confidence, |v| root(rater(v) + error(&whole, v)), None)
            .unwrap_or(bare),
        agreement_df: whole.df(|p| !p.of_target()),
    };
    Ok(ModelAgreement {
        components: whole.components(confidence),
        icc,
        sem,
        ratings: k,
    })
}

fn harmonic_mean(ratings: &[PlacedRating]) -> f64 {
    let mut counts = std::collections::BTreeMap::new();
    for r in ratings {
        *counts.entry(r.target).or_insert(0.0) += 1.0;
    }
    counts.len() as f64 / counts.values().map(|c: &f64| 1.0 / c).sum::<f64>()
}

/// A fitted model with its parts.
struct Model {
    /// Every part looked at, with its levels and whether the design can tell it.
    looked_at: Vec<(VariancePart, usize, Identified)>,
    /// Parts of `fit.variances`, the residual last.
    parts: Vec<VariancePart>,
    fit: MixedFit,
    draws: Option<VarianceDraws>,
}

impl Model {
    fn fit(ratings: &[PlacedRating], with_raters: bool) -> Result<Model, MixedError> {
        let term = |of: fn(&PlacedRating) -> (usize, usize)| {
            RandomTerm::new(&ratings.iter().map(of).collect::<Vec<_>>())
        };
        let mut all = vec![
            (VariancePart::Subject, term(|r| (r.subject, 0))),
            (VariancePart::Place, term(|r| (r.place, 0))),
            (VariancePart::Visit, term(|r| (r.visit, 0))),
            (VariancePart::Target, term(|r| (r.target, 0))),
        ];
        if with_raters {
            all.push((VariancePart::Rater, term(|r| (r.rater, 0))));
            all.push((VariancePart::SubjectByRater, term(|r| (r.subject, r.rater))));
        }
        let ones = [vec![1.0; ratings.len()]];
        let terms: Vec<RandomTerm> = all.iter().map(|(_, t)| t.clone()).collect();
        let design = MixedDesign::new(ratings.len(), &ones, &terms)?;
        let identified = design.identified.clone();
        let looked_at: Vec<_> = all
            .iter()
            .zip(&identified)
            .map(|((part, term), told)| (*part, term.count(), *told))
            .collect();
        let kept = |i: &usize| identified[*i] == Identified::Yes;
        let kept: Vec<usize> = (0..all.len()).filter(kept).collect();
        let design = match kept.len() == all.len() {
            true => design,
            false => {
                let terms: Vec<RandomTerm> = kept.iter().map(|i| all[*i].1.clone()).collect();
                MixedDesign::new(ratings.len(), &ones, &terms)?
            }
        };
        let values: Vec<f64> = ratings.iter().map(|r| r.value).collect();
        let fit = design.fit(&values)?;
        Ok(Model {
            looked_at,
            parts: kept.iter().map(|i| all[*i].0).chain([VariancePart::Residual]).collect(),
            draws: VarianceDraws::of(&fit),
            fit,
        })
    }

    fn sum(&self, variances: &[f64], which: impl Fn(VariancePart) -> bool) -> f64 {
        let parts = self.parts.iter().zip(variances);
        parts.filter(|(p, _)| which(**p)).map(|(_, v)| v).sum()
    }

    /// What is made of the variances, with its interval cut to 0 and `most`.
    fn interval(&self, confidence: f64, what: impl Fn(&[f64]) -> f64, most: Option<f64>) -> Option<Interval> {
        let value = what(&self.fit.variances);
        let ends = self.draws.as_ref().and_then(|d| d.interval(confidence, &what));
        let [low, high] = ends.unwrap_or([f64::NAN; 2]);
        let most = most.unwrap_or(f64::INFINITY);
        // The value itself may be cut off by the bound of a variance: the interval holds it.
        Interval::finite(value, low.max(0.0).min(value), high.min(most).max(value))
    }

    /// Degrees of freedom of a sum of variances: those of a mean square as uncertain as it is.
    fn df(&self, which: impl Fn(VariancePart) -> bool) -> f64 {
        let weights: Vec<f64> = self.parts.iter().map(|p| f64::from(which(*p))).collect();
        self.fit.sum_df(&weights).unwrap_or(f64::NAN)
    }

    fn components(&self, confidence: f64) -> Vec<VarianceComponent> {
        let total: f64 = self.fit.variances.iter().sum();
        let estimated = |part: VariancePart, levels: usize| {
            let at = self.parts.iter().position(|p| *p == part)?;
            let value = self.fit.variances[at];
            Some(VarianceComponent {
                part,
                levels,
                state: if self.fit.on_bound(at) {
                    PartState::AtBound
                } else {
                    PartState::Estimated
                },
                variance: self.interval(confidence, |v| v[at], None),
                share: Some(value / total).filter(|s| s.is_finite()),
            })
        };
        let told = |(part, levels, told): &(VariancePart, usize, Identified)| {
            estimated(*part, *levels).unwrap_or(VarianceComponent {
                part: *part,
                levels: *levels,
                state: PartState::NotTold(*told),
                variance: None,
                share: None,
            })
        };
        let mut all: Vec<VarianceComponent> = self.looked_at.iter().map(told).collect();
        all.extend(estimated(VariancePart::Residual, self.fit.rows));
        all
    }
}

#[cfg(test)]
mod tests {
    use super::super::anova::mean_squares;
    use super::super::icc::icc;
    use super::super::sem::sem;
    use super::*;

    fn ratings(rows: &[[f64; 3]], kept: impl Fn(usize, usize) -> bool) -> Vec<PlacedRating> {
        let mut all = Vec::new();
        for (t, row) in rows.iter().enumerate() {
            for (r, value) in row.iter().enumerate().filter(|(r, _)| kept(t, *r)) {
                all.push(PlacedRating {
                    value: *value,
                    subject: t,
                    place: t,
                    visit: t,
                    target: t,
                    rater: r,
                });
            }
        }
        all
    }

    const ROWS: [[f64; 3]; 6] = [
        [9.0, 2.0, 5.0],
        [6.0, 1.0, 3.0],
        [8.0, 4.0, 6.0],
        [7.0, 1.0, 2.0],
        [10.0, 5.0, 6.0],
        [6.0, 2.0, 4.0],
    ];

    #[test]
    fn complete_ratings_of_unrelated_targets_have_the_closed_forms() {
        let all = ratings(&ROWS, |_, _| true);
        assert!(!belong_together(&all));
        let model = model_agreement(&all, 0.95).unwrap();
        let m = mean_squares(&ROWS).unwrap();
        let (i, s) = (icc(&m, 0.95).unwrap(), sem(&m, 0.95).unwrap());
        let close = |found: f64, expected: f64| assert!((found / expected - 1.0).abs() < 1e-6, "{found} {expected}");
        close(model.icc.agreement.unwrap().value, i.agreement.unwrap().value);
        close(model.icc.consistency.unwrap().value, i.consistency.unwrap().value);
        close(model.icc.agreement_average.unwrap().value, i.agreement_average.unwrap().value);
        close(model.icc.consistency_average.unwrap().value, i.consistency_average.unwrap().value);
        close(model.sem.agreement.value, s.agreement.value);
        close(model.sem.consistency.value, s.consistency.value);
        close(model.sem.consistency_df, s.consistency_df);
        close(model.sem.agreement_df, s.agreement_df);
        close(model.ratings, 3.0);
        // The interval of ICC(C,1) is that by F, but for the draws: 10,000 of them put an end within some hundredths.
        let (found, exact) = (model.icc.consistency.unwrap(), i.consistency.unwrap());
        assert!((found.low.unwrap() - exact.low.unwrap()).abs() < 0.03, "{found:?} {exact:?}");
        assert!((found.high.unwrap() - exact.high.unwrap()).abs() < 0.01, "{found:?} {exact:?}");
        // The subject is the row, the place too: they are told once.
        let states: Vec<_> = model.components.iter().map(|c| c.state).collect();
        assert_eq!(states[0], PartState::Estimated);
        assert_eq!(states[1], PartState::NotTold(Identified::SameAs(0)));
        assert_eq!(states[5], PartState::NotTold(Identified::IsResidual));
    }

    #[test]
    fn ratings_with_holes_are_all_used() {
        let all = ratings(&ROWS, |t, r| (t, r) != (2, 2) && (t, r) != (4, 0));
        let model = model_agreement(&all, 0.95).unwrap();
        assert!((model.ratings - 6.0 / (4.0 / 3.0 + 2.0 / 2.0)).abs() < 1e-12);
        // R 4.2.2, lme4 1.1.31: y ~ 1 + (1 | s) + (1 | r).
        let lme4 = [1.793_415, 6.541_645, 0.656_857];
        let parts = [VariancePart::Subject, VariancePart::Rater, VariancePart::Residual];
        for (part, expected) in parts.iter().zip(lme4) {
            let found = model.components.iter().find(|c| c.part == *part).unwrap();
            assert!((found.variance.unwrap().value - expected).abs() < 1e-4, "{found:?} {expected}");
        }
    }
}
