//! Many trials of one condition, summed up.

use super::trial::{Trial, trial, trial_of_law};
use rayon::prelude::*;
use tautpoint::columns::Measure;
use tautpoint::simulate::{Condition, UnmodelledLaw};
use tautpoint::trace::Knee;

/// All trials of one condition.
#[derive(Debug, Clone)]
pub struct Tally {
    pub condition: Condition,
    pub trials: Vec<Trial>,
}

/// One measure over the trials that gave it.
#[derive(Debug, Clone, Copy, Default)]
pub struct Spread {
    pub n: usize,
    /// Of the absolute error, in the measure's own unit.
    pub median: f64,
    pub worst: f64,
    pub worst_seed: u64,
    pub p95: f64,
    /// The same in percent of the truth.
    pub median_percent: f64,
    pub worst_percent: f64,
    /// Mean error, signed, over the root mean square error.
    pub bias_share: f64,
    /// Intervals that hold the truth.
    pub held: usize,
    /// Median half-width of the intervals.
    pub half_width: f64,
}

impl Spread {
    pub fn coverage(&self) -> f64 {
        self.held as f64 / self.n.max(1) as f64
    }

    /// Median half-width over the errors' own 95th percentile.
    pub fn width_ratio(&self) -> f64 {
        self.half_width / self.p95
    }
}

/// The `q`-th quantile of sorted values, by the nearest rank.
pub fn nearest_rank(sorted: &[f64], q: f64) -> f64 {
    let n = sorted.len();
    if n == 0 {
        return f64::NAN;
    }
    sorted[((q * n as f64).ceil() as usize).clamp(1, n) - 1]
}

/// Median; NaN for none.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    nearest_rank(&values, 0.5)
}

impl Tally {
    /// Simulates and measures `count` traces from a first seed on, on all cores.
    pub fn of(condition: Condition, count: u64, first_seed: u64) -> Tally {
        let trials = (first_seed..first_seed + count)
            .into_par_iter()
            .map(|seed| trial(condition, seed))
            .collect();
        Tally { condition, trials }
    }

    /// How one measure did.
    pub fn spread(&self, measure: Measure) -> Spread {
        spread(&self.trials, measure)
    }

    /// Traces whose springs are not those that were made.
    pub fn wrong_springs(&self) -> Vec<String> {
        let say = |t: &Trial| t.springs.as_ref().map(|s| format!("seed {}: {s}", t.seed));
        self.trials.iter().filter_map(say).collect()
    }

    /// Knees claimed although every spring stayed in the toe.
    pub fn claimed(&self) -> Vec<u64> {
        self.knees(|t| t.knee != Knee::None && t.beyond_mm.is_some_and(|b| b < 0.0))
    }

    /// Knees missed although one was crossed by half a millimetre or more.
    pub fn missed(&self) -> Vec<u64> {
        missed(&self.trials)
    }

    fn knees(&self, which: impl Fn(&Trial) -> bool) -> Vec<u64> {
        self.trials
            .iter()
            .filter(|t| t.knee != Knee::NotLooked && which(t))
            .map(|t| t.seed)
            .collect()
    }

    /// Share of the traces whose note says that the model fits poorly.
    pub fn said_poor(&self) -> f64 {
        let said = self.trials.iter().filter(|t| t.said_poor).count();
        said as f64 / self.trials.len().max(1) as f64
    }
}

/// How one measure did over these trials.
pub fn spread(trials: &[Trial], measure: Measure) -> Spread {
    let all: Vec<_> = trials
        .iter()
        .filter_map(|t| t.measures[measure as usize].map(|b| (t.seed, b)))
        .collect();
    if all.is_empty() {
        return Spread::default();
    }
    let n = all.len();
    let sorted = |of: &dyn Fn(&super::trial::Beside) -> f64| {
        let mut v: Vec<f64> = all.iter().map(|(_, b)| of(b)).collect();
        v.sort_by(f64::total_cmp);
        v
    };
    let off = sorted(&|b| b.error().abs());
    let percent = sorted(&|b| b.percent().abs());
    let widths = sorted(&|b| b.u95.unwrap_or(f64::NAN));
    let worst = all
        .iter()
        .max_by(|a, b| a.1.error().abs().total_cmp(&b.1.error().abs()));
    Spread {
        n,
        median: nearest_rank(&off, 0.5),
        worst: off[n - 1],
        worst_seed: worst.map_or(0, |w| w.0),
        p95: nearest_rank(&off, 0.95),
        median_percent: nearest_rank(&percent, 0.5),
        worst_percent: percent[n - 1],
        bias_share: {
            let mean = all.iter().map(|(_, b)| b.error()).sum::<f64>() / n as f64;
            let square = all.iter().map(|(_, b)| b.error().powi(2)).sum::<f64>() / n as f64;
            mean / square.sqrt()
        },
        held: all.iter().filter(|(_, b)| b.held()).count(),
        half_width: nearest_rank(&widths, 0.5),
    }
}

/// Seeds of the trials whose knee was missed although it was crossed by half a millimetre or more.
pub fn missed(trials: &[Trial]) -> Vec<u64> {
    let missed = |t: &&Trial| t.knee == Knee::None && t.beyond_mm.is_some_and(|b| b >= 0.5);
    trials.iter().filter(missed).map(|t| t.seed).collect()
}

/// What a law that the fit does not describe gave; traces in which no test was found are missing.
pub fn trials_of_law(law: UnmodelledLaw, count: u64, first_seed: u64) -> Vec<Trial> {
    let seeds = (first_seed..first_seed + count).into_par_iter();
    seeds.filter_map(|seed| trial_of_law(law, seed)).collect()
}
