//! A difference made of means of trials, and the rule that gives it a word.

use super::{Decision, TrialsToDecide};
use crate::settings::Compare;
use crate::stats::agreement::sem::MDC95_PER_SE;
use crate::stats::decide::{Difference, above_p, equivalence_p, minimum_effect_p};
use crate::stats::multiple::benjamini_hochberg;

/// One mean of trials that enters a contrast.
#[derive(Debug, Clone, Copy)]
pub(super) struct ContrastTerm {
    /// Variance of a single trial, never below that of its measurement.
    pub variance: f64,
    pub trials: usize,
    pub weight: f64,
    /// Whether the variance is that of the measurement, which is the larger one.
    pub raised: bool,
}

/// A difference of means on the scale of comparison.
#[derive(Debug, Clone)]
pub(super) struct Contrast {
    pub estimate: f64,
    pub parts: Vec<ContrastTerm>,
    pub df: f64,
}

impl Contrast {
    /// The difference as measured.
    pub fn difference(&self) -> Difference {
        self.with_trials(0)
    }

    /// The difference as it would stand with at least `n` trials of every part, at the same spread.
    fn with_trials(&self, n: usize) -> Difference {
        let (mut variance, mut added) = (0.0, 0);
        for part in &self.parts {
            let trials = part.trials.max(n);
            added += trials - part.trials;
            variance += part.weight * part.weight * part.variance / trials as f64;
        }
        Difference {
            estimate: self.estimate,
            se: variance.sqrt(),
            df: self.df + added as f64,
        }
    }

    /// Smallest change that the means compared could tell from none, 95 % of the time: 1.96·se.
    pub fn mdc95(&self) -> f64 {
        MDC95_PER_SE * self.difference().se
    }
}

/// The words a rule may end in, and the direction it looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Rule {
    Sides,
    Neighbours,
}

/// What the rule says of one level.
#[derive(Debug, Clone, Copy)]
pub(super) struct LevelDecision {
    pub word: Decision,
    pub trials_to_decide: Option<TrialsToDecide>,
    pub p: f64,
    /// The same, corrected for the number of levels.
    pub adjusted_p: f64,
}

/// What the rule needs to know.
#[derive(Debug, Clone, Copy)]
pub(super) struct DecisionLimits<'a> {
    pub settings: &'a Compare,
    /// The threshold on the log scale.
    pub margin: f64,
    pub rule: Rule,
}

impl DecisionLimits<'_> {
    /// p that the difference is beyond the margin.
    fn beyond_p(&self, d: &Difference) -> f64 {
        let p = match self.rule {
            Rule::Sides => minimum_effect_p(d, self.margin),
            Rule::Neighbours => above_p(d, self.margin),
        };
        // Only a spread with no degrees of freedom fails, and then nothing is shown.
        p.unwrap_or(1.0)
    }

    /// Inside the margin: the two-sided interval of confidence 1 − 2α lies in it, and the means compared could
    /// have shown a difference as large as the margin.
    fn alike(&self, d: &Difference) -> bool {
        let alpha = 1.0 - self.settings.confidence;
        let able = MDC95_PER_SE * d.se <= self.margin;
        able && equivalence_p(d, self.margin).is_ok_and(|p| p <= alpha)
    }

    fn word(&self, d: &Difference, adjusted_p: f64) -> Decision {
        let beyond = adjusted_p <= self.settings.false_discovery_rate;
        match self.rule {
            Rule::Sides if beyond && d.estimate > 0.0 => Decision::Right,
            Rule::Sides if beyond => Decision::Left,
            Rule::Sides if self.alike(d) => Decision::Even,
            Rule::Neighbours if beyond => Decision::StifferThanNeighbours,
            Rule::Neighbours if self.alike(d) => Decision::LikeNeighbours,
            _ => Decision::Undecided,
        }
    }

    /// Words for all levels of a scan, corrected for their number, and for those left undecided the trials
    /// that would decide them.
    pub fn decide(&self, levels: &[Contrast]) -> Vec<LevelDecision> {
        let p: Vec<f64> = levels.iter().map(|c| self.beyond_p(&c.difference())).collect();
        let adjusted = adjust(&p);
        let decide = |(i, c): (usize, &Contrast)| {
            let word = self.word(&c.difference(), adjusted[i]);
            let open = word == Decision::Undecided;
            LevelDecision {
                word,
                trials_to_decide: open.then(|| self.trials_to_decide(c, &p, i)),
                p: p[i],
                adjusted_p: adjusted[i],
            }
        };
        levels.iter().enumerate().map(decide).collect()
    }

    /// Smallest number of trials a side that would give level `i` a word, the estimate, the spread and the
    /// other levels staying as they are. Each added trial adds a degree of freedom.
    fn trials_to_decide(&self, contrast: &Contrast, p: &[f64], i: usize) -> TrialsToDecide {
        let now = contrast.parts.iter().map(|part| part.trials).min().unwrap_or(0);
        let mut p = p.to_vec();
        for n in now + 1..=self.settings.max_trials as usize {
            let then = contrast.with_trials(n);
            p[i] = self.beyond_p(&then);
            if self.word(&then, adjust(&p)[i]) != Decision::Undecided {
                return TrialsToDecide::Trials(n as u32);
            }
        }
        TrialsToDecide::NotInOneSession
    }
}

fn adjust(p: &[f64]) -> Vec<f64> {
    benjamini_hochberg(p).unwrap_or_else(|_| vec![1.0; p.len()])
}
