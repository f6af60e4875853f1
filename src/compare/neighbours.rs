//! Midline steps against the steps on either side of them.

use super::asymmetry::percent_of_log;
use super::contrast::{Contrast, Rule};
use super::groups::{Group, Trials};
use super::scale::ComparisonScale;
use super::pairs::{empty, part, put_interval, put_words};
use super::spread::common_spread;
use super::{CompareContext, Comparison, ComparisonKind, DECIDED, Unpaired, UnpairedSide};
use crate::columns::Measure;
use crate::terms::Side;

/// Steps on each side that count as neighbours.
const EACH_SIDE: usize = 2;
/// Levels beyond which a step is no neighbour: two steps that cover three levels each.
const FARTHEST: usize = 6;

/// A midline step with its trials of one measure.
struct MidlineStep {
    group: usize,
    rank: usize,
    trials: Trials,
}

/// Findings of the midline steps of one scan, contact by contact; steps with too few neighbours are listed.
pub(super) fn against_neighbours(
    groups: &[Group],
    scan: &[usize],
    context: &CompareContext,
    unpaired: &mut Vec<Unpaired>,
) -> Vec<(usize, Comparison)> {
    let midline: Vec<usize> = scan
        .iter()
        .copied()
        .filter(|&i| !groups[i].midline.is_empty())
        .collect();
    let mut rows = Vec::new();
    // Groups of a scan are sorted by contact first, so one contact is one run.
    for run in midline.chunk_by(|&a, &b| groups[a].key.contact == groups[b].key.contact) {
        for measure in DECIDED {
            rows.extend(one_measure(groups, run, measure, context));
        }
    }
    for i in midline {
        if !rows.iter().any(|(group, _)| *group == i) {
            unpaired.push(alone(&groups[i]));
        }
    }
    rows
}

fn alone(group: &Group) -> Unpaired {
    let reason = format!(
        "fewer than two neighbouring midline steps with a stiffness, same contact and posture, within {FARTHEST} levels"
    );
    Unpaired {
        key: group.key.clone(),
        side: UnpairedSide::Midline,
        trials: group.midline.len() as u32,
        reason,
    }
}

fn one_measure(
    groups: &[Group],
    run: &[usize],
    measure: Measure,
    context: &CompareContext,
) -> Vec<(usize, Comparison)> {
    let mut steps: Vec<MidlineStep> = run
        .iter()
        .filter_map(|&group| step(groups, group, measure))
        .collect();
    steps.sort_by_key(|s| (s.rank, s.group));
    let levels: Vec<Vec<Trials>> = steps.iter().map(|s| vec![s.trials.clone()]).collect();
    let Some(known) = common_spread(&levels, measure, ComparisonScale::Log, context) else {
        return vec![];
    };
    let (mut comparisons, mut contrasts, mut at) = (vec![], vec![], vec![]);
    for (i, own) in steps.iter().enumerate() {
        let near = near(&steps, i);
        let Some((median, middle)) = median_of(&steps, &near) else {
            continue;
        };
        let Some(mean) = own.trials.mean() else { continue };
        let variance = known.levels[i];
        let mut parts = vec![part(&own.trials, variance.value, 1.0)];
        let mut df = variance.df;
        for &(j, weight) in &middle {
            parts.push(part(&steps[j].trials, known.levels[j].value, -weight));
            df = df.min(known.levels[j].df);
        }
        let contrast = Contrast {
            estimate: mean - median,
            parts,
            df,
        };
        let mut comparison = Comparison {
            left: Some(median.exp()),
            right: Some(mean.exp()),
            left_trials: near.iter().map(|&j| steps[j].trials.n() as u32).sum(),
            right_trials: own.trials.n() as u32,
            asymmetry_percent: Some(percent_of_log(contrast.estimate)),
            ..empty(&groups[own.group], ComparisonKind::Neighbours, measure)
        };
        put_interval(&mut comparison, &contrast, ComparisonScale::Log, &known, i, context);
        comparisons.push(comparison);
        contrasts.push(contrast);
        at.push(own.group);
    }
    put_words(&mut comparisons, &contrasts, Rule::Neighbours, context);
    at.into_iter().zip(comparisons).collect()
}

fn step(groups: &[Group], group: usize, measure: Measure) -> Option<MidlineStep> {
    let tests = groups[group].side(Side::Midline);
    let trials = Trials::of(tests, measure, ComparisonScale::Log);
    (trials.n() > 0).then_some(MidlineStep {
        group,
        rank: groups[group].key.level?.rank(),
        trials,
    })
}

/// Up to two steps above and two below, near enough to be neighbours. The same level under another line of
/// drive is no neighbour of itself.
fn near(steps: &[MidlineStep], i: usize) -> Vec<usize> {
    let own = &steps[i];
    let fits = |s: &MidlineStep| (1..=FARTHEST).contains(&s.rank.abs_diff(own.rank));
    let above = (0..i).rev().filter(|&j| fits(&steps[j])).take(EACH_SIDE);
    let below = (i + 1..steps.len()).filter(|&j| fits(&steps[j])).take(EACH_SIDE);
    above.chain(below).collect()
}

/// Median of the neighbours' means, and the one or two of them that it is made of, with their weights.
///
/// The variance of the median is taken as that of these: right where neighbours differ by more than their
/// errors, and on the wide side (at most 1.5 for 1.3 parts with four neighbours) where they do not.
fn median_of(steps: &[MidlineStep], near: &[usize]) -> Option<(f64, Vec<(usize, f64)>)> {
    if near.len() < 2 {
        return None;
    }
    let mut means: Vec<(f64, usize)> = near
        .iter()
        .filter_map(|&j| Some((steps[j].trials.mean()?, j)))
        .collect();
    means.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = means.len() / 2;
    let middle = if means.len() % 2 == 1 {
        vec![(means[half].1, 1.0)]
    } else {
        vec![(means[half - 1].1, 0.5), (means[half].1, 0.5)]
    };
    let median = middle
        .iter()
        .filter_map(|&(j, w)| Some(w * steps[j].trials.mean()?))
        .sum();
    Some((median, middle))
}
