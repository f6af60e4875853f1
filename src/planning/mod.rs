//! How large a study must be: by simulating tests and putting them through the program's own rules (METHODS.md §15).

mod pilot;
mod simulated;

pub use pilot::pilot;
pub use simulated::{MEASURE, PlannedDesign, PlannedEffect, Spreads, simulated_tests};

use crate::agreement::{Design, of_study};
use crate::batch::parallel_map;
use crate::compare::{CompareContext, Decision, compare};
use crate::effects::{EffectTerm, EffectWord, between_groups_in, changes_in};
use crate::settings::Settings;
use crate::stats::moments;
use crate::terms::closed_terms;

closed_terms! {
    /// What a study is to answer.
    pub enum PlanQuestion {
        /// Width of the interval of ICC(A,1).
        Icc = "icc",
        /// Width of the interval of the standard error of measurement by agreement, in percent of it.
        Sem = "sem",
        /// Probability that the stiffer side of one level is named.
        Side = "side",
        /// Probability that a change of one volunteer is named at a level and side.
        ChangePlace = "change-place",
        /// Probability that it is named over all levels and sides.
        ChangeVolunteer = "change-volunteer",
        /// Probability that a change of all volunteers is named.
        ChangeAll = "change-all",
        /// Probability that a difference between two groups is named.
        Group = "group",
        /// Probability that two groups are found to change differently.
        GroupBySession = "group-by-session",
    }
}

impl PlanQuestion {
    /// Whether the answer is a width, which should be small, and no probability.
    pub fn is_width(self) -> bool {
        matches!(self, PlanQuestion::Icc | PlanQuestion::Sem)
    }
}

/// What one design came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlannedAnswer {
    pub design: PlannedDesign,
    /// Mean width, or probability of the word; `None` where no draw gave one.
    pub value: Option<f64>,
    /// Monte Carlo standard error of `value`.
    pub error: Option<f64>,
    /// The same with no effect at all, as a probability of the word: how often it is said wrongly. `None` for a width.
    pub without_effect: Option<f64>,
    /// Draws that gave no answer: the design cannot tell it, or a fit failed.
    pub unanswered: usize,
    /// Whether what was wanted is reached.
    pub reached: bool,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanRequest {
    pub question: PlanQuestion,
    pub spreads: Spreads,
    /// The effect to be found, as a natural logarithm.
    pub effect: f64,
    /// Wanted width or probability.
    pub wanted: f64,
    pub draws: u32,
    pub seed: u64,
}

/// Every design, in the order given.
pub fn answers(request: &PlanRequest, designs: &[PlannedDesign], settings: &Settings) -> Vec<PlannedAnswer> {
    designs.iter().map(|d| answer(request, *d, settings)).collect()
}

fn answer(request: &PlanRequest, design: PlannedDesign, settings: &Settings) -> PlannedAnswer {
    let (value, error, unanswered) = simulated(request, design, request.effect, settings);
    let none = (!request.question.is_width()).then(|| simulated(request, design, 0.0, settings).0).flatten();
    PlannedAnswer {
        design,
        value,
        error,
        without_effect: none,
        unanswered,
        reached: value.is_some_and(|v| match request.question.is_width() {
            true => v <= request.wanted,
            false => v >= request.wanted,
        }),
    }
}

/// Mean, Monte Carlo error and how many draws gave none.
fn simulated(
    request: &PlanRequest,
    design: PlannedDesign,
    effect: f64,
    settings: &Settings,
) -> (Option<f64>, Option<f64>, usize) {
    let draws: Vec<u64> = (0..u64::from(request.draws)).map(|d| request.seed.wrapping_add(d)).collect();
    let one = |(): &mut (), seed: &u64| one_draw(request, design, effect, settings, *seed);
    let found: Vec<Option<f64>> = parallel_map(&draws, || (), one);
    let values: Vec<f64> = found.iter().flatten().copied().collect();
    let error = moments::sd(&values).ok().map(|sd| sd / (values.len() as f64).sqrt());
    (moments::mean(&values).ok(), error, found.len() - values.len())
}

/// A width, or the share of words that name the effect.
fn one_draw(
    request: &PlanRequest,
    design: PlannedDesign,
    effect: f64,
    settings: &Settings,
    seed: u64,
) -> Option<f64> {
    let of = match request.question {
        PlanQuestion::Icc | PlanQuestion::Sem => PlannedEffect::None,
        PlanQuestion::Side => PlannedEffect::Side(effect),
        PlanQuestion::ChangePlace | PlanQuestion::ChangeVolunteer => PlannedEffect::OneVolunteer(effect),
        PlanQuestion::ChangeAll => PlannedEffect::AllVolunteers(effect),
        PlanQuestion::Group => PlannedEffect::Group(effect),
        PlanQuestion::GroupBySession => PlannedEffect::GroupBySession(effect),
    };
    let (tests, roster) = simulated_tests(&design, &request.spreads, of, seed);
    match request.question {
        PlanQuestion::Icc | PlanQuestion::Sem => {
            let found = of_study(&tests, &[], &[]);
            let measure = found.measures.iter().find(|m| m.name == MEASURE.info().name)?;
            let design = match design.examiners {
                1 => Design::WithinExaminer,
                _ => Design::BetweenExaminers,
            };
            let summary = measure.design(design)?;
            let (interval, whole) = match request.question {
                PlanQuestion::Icc => (summary.icc.agreement?, 1.0),
                _ => (summary.sem?.agreement, summary.sem?.agreement.value / 100.0),
            };
            Some((interval.high? - interval.low?) / whole).filter(|w| w.is_finite())
        }
        PlanQuestion::Side => {
            let context = CompareContext {
                settings,
                calls: &[],
                agreement: None,
            };
            let found = compare(&tests, &context).comparisons;
            let named = found.iter().filter(|c| c.measure == MEASURE && c.key.level == Some(PlannedDesign::LEVELS[0]));
            share(named.map(|c| c.side_of_resistance == Some(Decision::Right)))
        }
        PlanQuestion::Group | PlanQuestion::GroupBySession => {
            let term = match request.question {
                PlanQuestion::Group => EffectTerm::Group,
                _ => EffectTerm::GroupBySession,
            };
            let found = between_groups_in(&tests, &roster, settings, &[MEASURE]);
            let rows = found.rows.iter().filter(|r| r.term == term && r.word.is_some());
            share(rows.map(|r| r.word == Some(EffectWord::Different)))
        }
        _ => {
            let term = match request.question {
                PlanQuestion::ChangePlace => EffectTerm::Place,
                PlanQuestion::ChangeVolunteer => EffectTerm::Volunteer,
                _ => EffectTerm::Shared,
            };
            let found = changes_in(&tests, &roster, settings, &[MEASURE]);
            let own = |s: &Option<String>| s.as_deref().is_none_or(|s| s == simulated::FIRST);
            let rows = found.rows.iter().filter(|r| r.term == term && r.word.is_some() && own(&r.subject));
            share(rows.map(|r| r.word == Some(EffectWord::Changed)))
        }
    }
}

fn share(words: impl Iterator<Item = bool>) -> Option<f64> {
    let (mut said, mut all) = (0.0, 0.0);
    for word in words {
        said += f64::from(word);
        all += 1.0;
    }
    (all > 0.0).then(|| said / all)
}
