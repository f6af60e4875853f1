//! What changed in how learners do it between their sessions.

use super::decide::decide;
use super::designs::{EffectPart, SharedDesigns, cells};
use super::model::{EffectModel, RowWeights, mean_of, sum_of};
use super::observed::{ObservedTests, PlacedTest};
use super::effect::{Effect, EffectTerm, Effects, ModelOf};
use crate::columns::Measure;
use crate::settings::Settings;
use std::collections::{BTreeMap, BTreeSet};

const PARTS: [EffectPart; 6] = [
    EffectPart::Spot,
    EffectPart::Subject,
    EffectPart::Place,
    EffectPart::Examiner,
    EffectPart::Day,
    EffectPart::Sitting,
];

pub(super) fn changes(
    observed: &ObservedTests<'_>,
    designs: &SharedDesigns,
    measure: Measure,
    settings: &Settings,
    found: &mut Effects,
) {
    let rows = observed.values(measure);
    let mut days: BTreeMap<usize, BTreeSet<usize>> = BTreeMap::new();
    for (t, _) in &rows {
        days.entry(t.examiner).or_default().insert(t.day);
    }
    if days.values().all(|d| d.len() < 2) {
        return;
    }
    let model = match EffectModel::fit(designs, &rows, &cells(&rows, |t| (t.examiner_group, t.day)), &PARTS) {
        Ok(model) => model,
        Err(error) => {
            found.note_of(measure, format!(
            "learners: {error}; nothing is told of it"));
            return;
        }
    };
    found.fitted(ModelOf::Learners, measure, model.parts());
    if !model.tells(EffectPart::Day) {
        found.note_of(measure, "with one examiner, how much that examiner's sessions differ when nothing changed cannot be told; \
             estimates stand without interval and word".to_owned());
    }
    for (examiner, days) in &days {
        let Some(first) = days.first() else { continue };
        let mut family = Vec::new();
        for day in days.iter().skip(1) {
            let (weights, tests, places) = between(&rows, *examiner, *first, *day);
            if weights.is_empty() {
                continue;
            }
            let effect = Effect::new(EffectTerm::Learner, measure, sum_of(&rows, &weights), model.error(&weights));
            family.push(Effect {
                examiner: Some(observed.examiners[*examiner].clone()),
                from: observed.day(*examiner, *first),
                to: observed.day(*examiner, *day),
                tests,
                places,
                examiners: 1,
                ..effect
            });
        }
        decide(&mut family, settings);
        found.rows.extend(family);
    }
}

/// Later less earlier over what was tested in both: the same places of the same volunteers, else the same levels and
/// sides, else everything. With the tests, and how many places were matched.
fn between(
    rows: &[(PlacedTest<'_>, f64)],
    examiner: usize,
    first: usize,
    day: usize,
) -> (RowWeights, [usize; 2], usize) {
    for of in [|t: &PlacedTest<'_>| t.place, |t: &PlacedTest<'_>| t.spot, |_: &PlacedTest<'_>| 0] {
        let mut matched: BTreeMap<usize, [Vec<usize>; 2]> = BTreeMap::new();
        for (i, (t, _)) in rows.iter().enumerate().filter(|(_, (t, _))| t.examiner == examiner) {
            let later = match t.day {
                d if d == first => 0,
                d if d == day => 1,
                _ => continue,
            };
            matched.entry(of(t)).or_default()[later].push(i);
        }
        matched.retain(|_, [before, later]| !before.is_empty() && !later.is_empty());
        if matched.is_empty() {
            continue;
        }
        let share = 1.0 / matched.len() as f64;
        let weights = matched.values().flat_map(|[before, later]| {
            let both = mean_of(later, share).chain(mean_of(before, -share));
            both.collect::<Vec<_>>()
        });
        let tests = [0, 1].map(|k| matched.values().map(|m| m[k].len()).sum());
        return (weights.collect(), tests, matched.len());
    }
    (RowWeights::new(), [0; 2], 0)
}
