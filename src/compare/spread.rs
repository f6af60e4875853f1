//! How much one test differs from its repetition.

use super::groups::Trials;
use super::scale::ComparisonScale;
use super::{CompareContext, DECIDED, SpreadSource, VarianceRule};
use crate::columns::Measure;
use crate::stats::quantile::f_upper_tail;
use crate::stats::variance::{Variance, bartlett, moderate, pooled};

/// Variances of the levels are taken as different, and moderated, below this p of Bartlett's test.
const UNEQUAL_P: f64 = 0.01;
/// A level stands out from the others below this p of F. Smaller leaves noisy levels with too narrow intervals, larger costs
/// even ones their words: METHODS.md §6.4 has both.
const OUT_P: f64 = 0.03;
/// How often the levels are looked through: one that stands out hides another until it is taken out.
const LOOKS: usize = 3;

/// Between-trial variance of a single test at each level of a scan.
pub(super) struct TrialSpread {
    /// One for each level given, in order, on the scale of comparison.
    pub levels: Vec<Variance>,
    /// How each was had.
    pub rules: Vec<VarianceRule>,
    pub source: SpreadSource,
}

/// The spread of a measure over the levels of a scan, each with its sides: the common one, but a level's own where that is
/// larger, and its own alone where it stands out.
pub(super) fn spread(
    levels: &[Vec<Trials>],
    measure: Measure,
    scale: ComparisonScale,
    context: &CompareContext,
) -> Option<TrialSpread> {
    let mut found = common_spread(levels, measure, scale, context)?;
    if found.source != SpreadSource::Trials {
        return Some(found);
    }
    let within: Vec<Variance> = levels.iter().map(|sides| within_sides(sides)).collect();
    let out = standing_out(&within);
    for (l, own) in within.iter().enumerate() {
        if own.value <= found.levels[l].value {
            continue;
        }
        (found.levels[l], found.rules[l]) = if out[l] {
            (*own, VarianceRule::Own)
        } else {
            let df = found.levels[l].df;
            (Variance { df, ..*own }, VarianceRule::Raised)
        };
    }
    Some(found)
}

/// The spread that the levels of a scan share.
///
/// With any repetition in the scan: pooled within sides over all levels, and moderated by level where Bartlett's
/// test finds the levels unequal. A level without repetition shares in it. With none at all: the lab's own
/// agreement, else, for stiffness only, the published value, which is a stiffness's. `None` when nothing is known.
/// Repetitions that are all equal to the last digit (one recording given twice) are none.
pub(super) fn common_spread(
    levels: &[Vec<Trials>],
    measure: Measure,
    scale: ComparisonScale,
    context: &CompareContext,
) -> Option<TrialSpread> {
    let within: Vec<Variance> = levels.iter().map(|sides| within_sides(sides)).collect();
    if let Some(all) = pooled(&within).ok().filter(|all| all.value > 0.0) {
        let unequal = bartlett(&within).is_ok_and(|b| b.p < UNEQUAL_P);
        // A prior of infinite degrees of freedom leaves nothing of the levels' own.
        let moderated = moderate(&within).ok().filter(|m| unequal && m.prior.df.is_finite());
        let common = match moderated {
            Some(_) => VarianceRule::Moderated,
            None => VarianceRule::Pooled,
        };
        return Some(TrialSpread {
            levels: moderated.map_or_else(|| vec![all; levels.len()], |m| m.groups),
            rules: vec![common; levels.len()],
            source: SpreadSource::Trials,
        });
    }
    let (variance, source) = without_repetition(measure, scale, context)?;
    Some(TrialSpread {
        levels: vec![variance; levels.len()],
        rules: vec![VarianceRule::Given; levels.len()],
        source,
    })
}

/// Levels whose spread is larger than that of the others by more than chance.
fn standing_out(within: &[Variance]) -> Vec<bool> {
    let mut out = vec![false; within.len()];
    for _ in 0..LOOKS {
        let before = out.clone();
        for l in (0..within.len()).filter(|l| !before[*l] && within[*l].df > 0.0) {
            let others: Vec<Variance> = (0..within.len())
                .filter(|o| *o != l && !before[*o])
                .map(|o| within[o])
                .collect();
            let Ok(rest) = pooled(&others) else { continue };
            out[l] = rest.value > 0.0
                && f_upper_tail(within[l].value / rest.value, within[l].df, rest.df).is_ok_and(|p| p < OUT_P);
        }
    }
    out
}

fn within_sides(sides: &[Trials]) -> Variance {
    let (squares, df) = sides
        .iter()
        .map(Trials::scatter)
        .fold((0.0, 0.0), |sum, s| (sum.0 + s.0, sum.1 + s.1));
    Variance {
        value: if df > 0.0 { squares / df } else { 0.0 },
        df,
    }
}

fn without_repetition(
    measure: Measure,
    scale: ComparisonScale,
    context: &CompareContext,
) -> Option<(Variance, SpreadSource)> {
    let own = context.agreement.and_then(|a| {
        let sem = match scale {
            ComparisonScale::Log => a.sem_log.get(&measure),
            ComparisonScale::Plain => a.sem.get(&measure),
        }?;
        Some(Variance {
            value: sem * sem,
            df: a.degrees_of_freedom.unwrap_or(f64::INFINITY),
        })
    });
    if let Some(own) = own.filter(|v| v.value.is_finite() && v.df > 0.0) {
        return Some((own, SpreadSource::Agreement));
    }
    if !DECIDED.contains(&measure) {
        return None;
    }
    // A coefficient of variation this small is the standard deviation of the logarithm.
    let sem = context.settings.compare.single_trial_sem_percent / 100.0;
    let published = Variance {
        value: sem * sem,
        df: f64::INFINITY,
    };
    Some((published, SpreadSource::Published))
}
