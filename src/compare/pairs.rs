//! Left against right at every level of a scan.

use super::asymmetry::{log_of_percent, percent_of_log};
use super::calls::{agrees, call_of};
use super::contrast::{Contrast, DecisionLimits, ContrastTerm, Rule};
use super::groups::{Group, Trials};
use super::scale::ComparisonScale;
use super::spread::{TrialSpread, spread};
use super::{CompareContext, Comparison, ComparisonKind, DECIDED, SHOWN, Unpaired};
use crate::columns::Measure;
use crate::terms::{Contact, LineOfDrive, Side};

/// A mean of trials on the scale of comparison, as it enters a contrast.
///
/// The variance of a trial is never below that of its measurement: repetitions that happen to agree do not make
/// the instrument better than it is.
pub(super) fn part(trials: &Trials, variance: f64, weight: f64) -> ContrastTerm {
    ContrastTerm {
        variance: variance.max(trials.measurement_variance),
        trials: trials.n(),
        weight,
        raised: trials.measurement_variance > variance,
    }
}

/// Findings of one scan, each with the index of its group; sides without a partner are listed.
pub(super) fn left_right(
    groups: &[Group],
    scan: &[usize],
    context: &CompareContext,
    unpaired: &mut Vec<Unpaired>,
) -> Vec<(usize, Comparison)> {
    list_unpaired(groups, scan, unpaired);
    let mut rows = Vec::new();
    for measure in DECIDED.into_iter().chain(SHOWN) {
        rows.extend(one_measure(groups, scan, measure, context));
    }
    for &i in scan {
        list_uncompared(
            &groups[i],
            rows.iter().filter(|r| r.0 == i).map(|r| &r.1),
            unpaired,
        );
    }
    rows
}

/// A level with both sides measured.
struct Pair {
    group: usize,
    /// Index among the levels that the spread was taken over.
    level: usize,
    left: Trials,
    right: Trials,
}

fn one_measure(
    groups: &[Group],
    scan: &[usize],
    measure: Measure,
    context: &CompareContext,
) -> Vec<(usize, Comparison)> {
    let scale = ComparisonScale::of(measure);
    let sided = |i: &usize| !(groups[*i].left.is_empty() && groups[*i].right.is_empty());
    let members: Vec<usize> = scan.iter().copied().filter(sided).collect();
    let levels: Vec<Vec<Trials>> = members
        .iter()
        .map(|&i| {
            let trials = |side| Trials::of(groups[i].side(side), measure, scale);
            vec![trials(Side::Left), trials(Side::Right)]
        })
        .collect();
    let known = spread(&levels, measure, scale, context);
    let pairs: Vec<Pair> = (members.iter().zip(levels).enumerate())
        .filter_map(|(level, (&group, sides))| {
            let [left, right] = <[Trials; 2]>::try_from(sides).ok()?;
            (left.n() > 0 && right.n() > 0).then_some(Pair {
                group,
                level,
                left,
                right,
            })
        })
        .collect();
    let mut comparisons: Vec<Comparison> = pairs.iter().map(|p| bare(groups, p, measure, scale)).collect();
    if let Some(known) = known {
        add_intervals(&mut comparisons, &pairs, &known, scale, context);
    }
    pairs.iter().map(|p| p.group).zip(comparisons).collect()
}

/// The finding without anything that needs a spread.
fn bare(groups: &[Group], pair: &Pair, measure: Measure, scale: ComparisonScale) -> Comparison {
    let group = &groups[pair.group];
    let means = (pair.left.mean(), pair.right.mean());
    let d = means.0.zip(means.1).map(|(left, right)| right - left);
    Comparison {
        left: means.0.map(|m| scale.back(m)),
        right: means.1.map(|m| scale.back(m)),
        left_trials: pair.left.n() as u32,
        right_trials: pair.right.n() as u32,
        asymmetry_percent: d.filter(|_| scale == ComparisonScale::Log).map(percent_of_log),
        ..empty(group, ComparisonKind::LeftRight, measure)
    }
}

/// A finding that says nothing yet.
pub(super) fn empty(group: &Group, kind: ComparisonKind, measure: Measure) -> Comparison {
    Comparison {
        key: group.key.clone(),
        kind,
        measure,
        left: None,
        right: None,
        left_trials: 0,
        right_trials: 0,
        asymmetry_percent: None,
        low_percent: None,
        high_percent: None,
        difference: None,
        threshold_percent: None,
        mdc_percent: None,
        spread_source: None,
        variance_rule: None,
        raised_to_measurement: None,
        standard_error: None,
        degrees_of_freedom: None,
        p_value: None,
        p_adjusted: None,
        side_of_resistance: None,
        trials_to_decide: None,
        call: None,
        call_agrees: None,
        covers: group.covers(),
        corrections: Vec::new(),
    }
}

fn add_intervals(
    comparisons: &mut [Comparison],
    pairs: &[Pair],
    known: &TrialSpread,
    scale: ComparisonScale,
    context: &CompareContext,
) {
    let contrasts: Vec<Contrast> = pairs.iter().filter_map(|p| contrast(p, known)).collect();
    if contrasts.len() != comparisons.len() {
        return;
    }
    for ((comparison, contrast), pair) in comparisons.iter_mut().zip(&contrasts).zip(pairs) {
        put_interval(comparison, contrast, scale, known, pair.level, context);
    }
    if comparisons.first().is_some_and(|f| DECIDED.contains(&f.measure)) {
        put_words(comparisons, &contrasts, Rule::Sides, context);
    }
    for comparison in comparisons.iter_mut().filter(|f| f.measure == Measure::EndFeel) {
        comparison.call = call_of(context.calls, &comparison.key);
        comparison.call_agrees = comparison
            .call
            .zip(comparison.side_of_resistance)
            .and_then(|(call, word)| agrees(call, word));
    }
}

fn contrast(pair: &Pair, known: &TrialSpread) -> Option<Contrast> {
    let variance = known.levels.get(pair.level)?;
    Some(Contrast {
        estimate: pair.right.mean()? - pair.left.mean()?,
        parts: vec![
            part(&pair.left, variance.value, -1.0),
            part(&pair.right, variance.value, 1.0),
        ],
        df: variance.df,
    })
}

/// The interval, and what it rests on: the spread of a level.
pub(super) fn put_interval(
    comparison: &mut Comparison,
    contrast: &Contrast,
    scale: ComparisonScale,
    known: &TrialSpread,
    level: usize,
    context: &CompareContext,
) {
    let confidence = context.settings.compare.confidence;
    let difference = contrast.difference();
    let Ok([low, high]) = difference.interval(confidence) else {
        return;
    };
    comparison.spread_source = Some(known.source);
    comparison.variance_rule = known.rules.get(level).copied();
    comparison.raised_to_measurement = Some(contrast.parts.iter().any(|part| part.raised));
    comparison.standard_error = Some(difference.se);
    comparison.degrees_of_freedom = Some(difference.df);
    match scale {
        ComparisonScale::Log => {
            comparison.low_percent = Some(percent_of_log(low));
            comparison.high_percent = Some(percent_of_log(high));
        }
        ComparisonScale::Plain => comparison.difference = Some([contrast.estimate, low, high]),
    }
}

/// Margin, smallest detectable change, word and trials still needed, for all levels of a scan at once.
pub(super) fn put_words(
    comparisons: &mut [Comparison],
    contrasts: &[Contrast],
    rule: Rule,
    context: &CompareContext,
) {
    let settings = &context.settings.compare;
    let limits = DecisionLimits {
        settings,
        margin: log_of_percent(settings.threshold_percent),
        rule,
    };
    let decided = limits.decide(contrasts);
    for ((comparison, contrast), level) in comparisons.iter_mut().zip(contrasts).zip(decided) {
        comparison.threshold_percent = Some(settings.threshold_percent);
        comparison.mdc_percent = Some(percent_of_log(contrast.mdc95()));
        comparison.side_of_resistance = Some(level.word);
        comparison.trials_to_decide = level.trials_to_decide;
        comparison.p_value = Some(level.p);
        comparison.p_adjusted = Some(level.adjusted_p);
    }
}

/// Lists sides whose other side was not tested in the same way.
fn list_unpaired(groups: &[Group], scan: &[usize], unpaired: &mut Vec<Unpaired>) {
    for &i in scan {
        let g = &groups[i];
        for (side, other) in [(Side::Left, Side::Right), (Side::Right, Side::Left)] {
            if g.side(side).is_empty() || !g.side(other).is_empty() {
                continue;
            }
            unpaired.push(Unpaired {
                key: g.key.clone(),
                side: Some(side).into(),
                trials: g.side(side).len() as u32,
                reason: why_alone(groups, scan, i, other),
            });
        }
    }
}

/// Says whether the other side is missing or was tested in another way.
fn why_alone(groups: &[Group], scan: &[usize], alone: usize, other: Side) -> String {
    let key = &groups[alone].key;
    let differently = scan
        .iter()
        .map(|&i| &groups[i])
        .find(|g| g.key.level == key.level && !g.side(other).is_empty());
    let Some(found) = differently.map(|g| &g.key) else {
        return format!("no test of the {other} side in this scan and posture");
    };
    if found.contact != key.contact {
        return format!(
            "the {other} side was tested with another contact: {}, here {}",
            found.contact.map_or("not named", Contact::word),
            key.contact.map_or("not named", Contact::word)
        );
    }
    let degrees = |v: Option<LineOfDrive>| v.map_or_else(|| "not named".to_owned(), |d| format!("{d}°"));
    format!(
        "the {other} side was tested along another line of drive: {}, here {}",
        degrees(found.line_of_drive),
        degrees(key.line_of_drive)
    )
}

/// Lists levels tested on both sides whose end-feel could not be compared for want of a value on one side.
fn list_uncompared<'a>(
    group: &Group,
    rows: impl Iterator<Item = &'a Comparison>,
    unpaired: &mut Vec<Unpaired>,
) {
    if group.left.is_empty() || group.right.is_empty() {
        return;
    }
    let measures: Vec<Measure> = rows.map(|f| f.measure).collect();
    if measures.contains(&Measure::EndFeel) {
        return;
    }
    let label = Measure::EndFeel.info().label;
    let count = |side| Trials::of(group.side(side), Measure::EndFeel, ComparisonScale::Log).n();
    let (side, reason) = match (count(Side::Left) > 0, count(Side::Right) > 0) {
        (true, _) => (Side::Left, format!("the right side has no {label} that is told from zero")),
        (_, true) => (Side::Right, format!("the left side has no {label} that is told from zero")),
        // Force alone has no stiffness: that is said with the tests, and what force gives is compared.
        _ if !measures.is_empty() => return,
        _ => (Side::Left, "no measure that both sides share".to_owned()),
    };
    unpaired.push(Unpaired {
        key: group.key.clone(),
        side: Some(side).into(),
        trials: group.side(side).len() as u32,
        reason,
    });
}
