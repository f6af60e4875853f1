//! What changed in volunteers between sessions, and what an examiner changed by beside others.

use super::decide::decide;
use super::designs::{EffectPart, SharedDesigns, cells};
use super::model::{EffectModel, RowWeights, mean_of, sum_of};
use super::observed::{ObservedTests, PlacedTest};
use super::effect::{Course, CoursePoint, Effect, EffectRule, EffectTerm, Effects, ModelOf};
use crate::columns::Measure;
use crate::settings::Settings;
use crate::stats::mixed::MixedError;
use crate::stats::quantile::t_upper_tail;
use std::collections::{BTreeMap, BTreeSet};

const PARTS: [EffectPart; 6] = [
    EffectPart::Spot,
    EffectPart::Subject,
    EffectPart::Place,
    EffectPart::Visit,
    EffectPart::PlaceAtVisit,
    EffectPart::Sitting,
];

/// Rows of a measure by place, then by session and examiner.
type ByPlace = BTreeMap<(usize, usize), BTreeMap<(usize, usize), Vec<usize>>>;

/// A subject with its change as a whole, the error of that and its degrees of freedom.
type WholeChange = (usize, f64, f64, f64);

/// A weighted sum of tests with what it is of.
struct ChangeContrast {
    weights: RowWeights,
    tests: [usize; 2],
    examiners: usize,
}

/// A measure with what its errors are made of.
struct MeasureRows<'a, 't> {
    observed: &'a ObservedTests<'t>,
    designs: &'a SharedDesigns,
    settings: &'a Settings,
    measure: Measure,
    rows: Vec<(PlacedTest<'t>, f64)>,
    by_place: ByPlace,
    /// Sessions of each subject.
    visits: BTreeMap<usize, BTreeSet<usize>>,
}

pub(super) fn changes(
    observed: &ObservedTests<'_>,
    designs: &SharedDesigns,
    measure: Measure,
    settings: &Settings,
    found: &mut Effects,
) {
    let rows = observed.values(measure);
    let mut by_place: ByPlace = BTreeMap::new();
    let mut visits: BTreeMap<usize, BTreeSet<usize>> = BTreeMap::new();
    for (i, (t, _)) in rows.iter().enumerate() {
        let sessions = by_place.entry((t.subject, t.place)).or_default();
        sessions.entry((t.visit, t.examiner)).or_default().push(i);
        visits.entry(t.subject).or_default().insert(t.visit);
    }
    if visits.values().all(|v| v.len() < 2) {
        return;
    }
    let of = MeasureRows {
        observed,
        designs,
        settings,
        measure,
        rows,
        by_place,
        visits,
    };
    let model = match of.model() {
        Ok(model) => model,
        Err(error) => {
            found.note_of(measure, format!("volunteers: {error}; nothing is told of it"));
            return;
        }
    };
    found.fitted(ModelOf::Volunteers, measure, model.parts());
    if !model.tells(EffectPart::Visit) {
        found.note_of(measure, "how much sessions differ when nothing changed cannot be told from the changes themselves: at least two \
             volunteers are needed in both sessions; estimates stand without interval and word".to_owned());
    }
    for (subject, visits) in of.visits.iter().filter(|(_, v)| v.len() > 1) {
        let mut visits = visits.iter().copied();
        let Some(first) = visits.next() else { continue };
        let detectable = visits.map(|visit| of.of_subject(&model, *subject, [first, visit], found));
        let detectable = detectable.flatten().fold(0.0, f64::max);
        found.courses.push(of.course(*subject, first, Some(detectable).filter(|d| *d > 0.0)));
    }
    of.examiners(&model, found);
    of.shared(found);
}

/// More columns of examiners and sessions than this are no longer fixed.
const MOST_CELLS: usize = 60;

/// What groups, examiners and sessions share is fixed, as far as that leaves to tell what sessions differ by; otherwise what
/// groups and sessions share, or sessions alone, and what examiners drift by counts as error. Volunteers in `apart` have
/// sessions of their own: what they changed by does not count among what sessions differ by.
fn model_of(
    designs: &SharedDesigns,
    rows: &[(PlacedTest<'_>, f64)],
    apart: &BTreeSet<usize>,
) -> Result<EffectModel, MixedError> {
    let own = |t: &PlacedTest<'_>| apart.contains(&t.subject).then_some(t.subject);
    let all = cells(rows, |t| (own(t), t.subject_group, t.examiner, t.visit));
    if all.len() <= MOST_CELLS
        && let Ok(model) = EffectModel::fit(designs, rows, &all, &PARTS)
        && model.tells(EffectPart::Visit)
    {
        return Ok(model);
    }
    let mut parts = PARTS.to_vec();
    // One examiner's sessions are everybody's, and fixed.
    if rows.iter().any(|(t, _)| t.examiner != rows[0].0.examiner) {
        parts.insert(3, EffectPart::Examiner);
        parts.push(EffectPart::ExaminerAtVisit);
    }
    let model = EffectModel::fit(designs, rows, &cells(rows, |t| (own(t), t.subject_group, t.visit)), &parts)?;
    match model.tells(EffectPart::Visit) {
        true => Ok(model),
        false => EffectModel::fit(designs, rows, &cells(rows, |t| (own(t), t.visit)), &parts),
    }
}

/// Chance that anybody stands out when nobody does, and how often is looked.
const OUT_P: f64 = 0.05;
const LOOKS: usize = 3;

impl MeasureRows<'_, '_> {
    /// The model, with those who stand out from the others kept apart: a large change of one volunteer would pass for what
    /// sessions differ by, and hide itself.
    fn model(&self) -> Result<EffectModel, MixedError> {
        let mut apart = BTreeSet::new();
        let mut model = model_of(self.designs, &self.rows, &apart)?;
        for _ in 0..LOOKS {
            let more = self.standing_out(&model, &apart);
            if more.is_empty() || 3 * (apart.len() + more.len()) > self.visits.len() {
                break;
            }
            apart.extend(more);
            match model_of(self.designs, &self.rows, &apart) {
                Ok(next) if next.tells(EffectPart::Visit) => model = next,
                _ => break,
            }
        }
        Ok(model)
    }

    /// Volunteers whose change from first to any later session, less the mean of all, is too large for the others.
    fn standing_out(&self, model: &EffectModel, apart: &BTreeSet<usize>) -> Vec<usize> {
        let mut changes: BTreeMap<(usize, usize), Vec<WholeChange>> = BTreeMap::new();
        for (subject, visits) in self.visits.iter().filter(|(s, _)| !apart.contains(s)) {
            let Some(first) = visits.first() else { continue };
            for visit in visits.iter().skip(1) {
                let places = self.by_place.range((*subject, 0)..(*subject + 1, 0));
                let places: Vec<ChangeContrast> = places.filter_map(|(_, s)| between(s, *first, *visit)).collect();
                let Some(whole) = averaged(&places) else { continue };
                let Some((se, df)) = model.error(&whole.weights) else { continue };
                let d = sum_of(&self.rows, &whole.weights);
                changes.entry((*first, *visit)).or_default().push((*subject, d, se, df));
            }
        }
        let looked_at = changes.values().map(Vec::len).sum::<usize>() as f64;
        let mut out = Vec::new();
        for all in changes.values() {
            let mean = all.iter().map(|(_, d, ..)| d).sum::<f64>() / all.len() as f64;
            let own = all.iter().filter(|(_, d, se, df)| stands_out((d - mean) / se, *df, OUT_P / looked_at));
            out.extend(own.map(|(subject, ..)| *subject));
        }
        out
    }

    fn effect(&self, term: EffectTerm, model: &EffectModel, contrast: &ChangeContrast) -> Effect {
        let estimate = sum_of(&self.rows, &contrast.weights);
        Effect {
            tests: contrast.tests,
            examiners: contrast.examiners,
            ..Effect::new(term, self.measure, estimate, model.error(&contrast.weights))
        }
    }

    /// Places of a subject and the subject as a whole between two sessions; gives the detectable change of the whole.
    fn of_subject(
        &self,
        model: &EffectModel,
        subject: usize,
        [first, visit]: [usize; 2],
        found: &mut Effects,
    ) -> Option<f64> {
        let named = |effect: Effect| Effect {
            subject: Some(self.observed.subjects[subject].clone()),
            from: self.observed.visit(subject, first),
            to: self.observed.visit(subject, visit),
            ..effect
        };
        let mut family = Vec::new();
        let mut all: Vec<ChangeContrast> = Vec::new();
        for (_, sessions) in self.by_place.range((subject, 0)..(subject + 1, 0)) {
            let Some(contrast) = between(sessions, first, visit) else { continue };
            let spot = contrast.weights.first().map(|(r, _)| &self.observed.spots[self.rows[*r].0.spot]);
            family.push(Effect {
                level: spot.map(|s| s.level),
                side: spot.map(|s| s.side),
                manner: spot.and_then(|s| s.manner()),
                places: 1,
                ..named(self.effect(EffectTerm::Place, model, &contrast))
            });
            all.push(contrast);
        }
        family.sort_by_key(|e| (e.level, e.side));
        let whole = averaged(&all)?;
        let mut alone = [Effect {
            places: all.len(),
            ..named(self.effect(EffectTerm::Volunteer, model, &whole))
        }];
        decide(&mut family, self.settings);
        decide(&mut alone, self.settings);
        let detectable = alone[0].detectable;
        found.rows.extend(alone);
        found.rows.extend(family);
        detectable
    }

    /// Means over the places of the first session.
    fn course(&self, subject: usize, first: usize, detectable: Option<f64>) -> Course {
        let own = || self.rows.iter().filter(|(t, _)| t.subject == subject);
        let known: BTreeSet<usize> = own().filter(|(t, _)| t.visit == first).map(|(t, _)| t.place).collect();
        let mut by_visit: BTreeMap<usize, BTreeMap<usize, Vec<f64>>> = BTreeMap::new();
        for (t, value) in own().filter(|(t, _)| known.contains(&t.place)) {
            by_visit.entry(t.visit).or_default().entry(t.place).or_default().push(*value);
        }
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let points = by_visit.iter().map(|(visit, places)| {
            let means: Vec<f64> = places.values().map(|v| mean(v)).collect();
            CoursePoint {
                session: self.observed.visit(subject, *visit).unwrap_or_default(),
                mean: mean(&means),
                tests: places.values().map(Vec::len).sum(),
            }
        });
        Course {
            measure: self.measure,
            who: self.observed.subjects[subject].clone(),
            points: points.collect(),
            detectable,
        }
    }

    /// What each examiner changed by, less what the others changed by on the same places in the same sessions.
    fn examiners(&self, model: &EffectModel, found: &mut Effects) {
        if self.observed.examiners.len() < 2 {
            found.note(
                "one examiner: what that examiner and the instrument drift by cannot be told from what all volunteers change \
                 by; a second examiner on the same volunteers in both sessions would tell part of it"
                    .to_owned(),
            );
            return;
        }
        let visits: BTreeSet<usize> = self.rows.iter().map(|(t, _)| t.visit).collect();
        let Some(first) = visits.first().copied() else { return };
        let mut told = false;
        for visit in visits.into_iter().skip(1) {
            let mut family = Vec::new();
            for (examiner, name) in self.observed.examiners.iter().enumerate() {
                let places = self.by_place.values().filter_map(|s| beside_others(s, [first, visit], examiner));
                let places: Vec<ChangeContrast> = places.collect();
                let Some(whole) = averaged(&places) else { continue };
                family.push(Effect {
                    examiner: Some(name.clone()),
                    from: Some(self.observed.shared_visit(first)),
                    to: Some(self.observed.shared_visit(visit)),
                    places: places.len(),
                    ..self.effect(EffectTerm::Examiner, model, &whole)
                });
            }
            told |= !family.is_empty();
            decide(&mut family, self.settings);
            found.rows.extend(family);
        }
        if !told {
            found.note(
                "no two examiners tested the same places in two sessions: what an examiner drifts by cannot be told from what \
                 volunteers change by"
                    .to_owned(),
            );
        }
    }

    /// What all volunteers changed by: the fixed effect of each session beside the first.
    fn shared(&self, found: &mut Effects) {
        let rows = &self.rows;
        let visits: Vec<usize> = rows.iter().map(|(t, _)| t.visit).collect::<BTreeSet<_>>().into_iter().collect();
        let at = |visit: usize| rows.iter().filter(|(t, _)| t.visit == visit).count();
        let mut fixed = vec![vec![1.0; rows.len()]];
        fixed.extend(visits.iter().skip(1).map(|v| rows.iter().map(|(t, _)| f64::from(t.visit == *v)).collect()));
        let mut parts = PARTS.to_vec();
        parts.insert(3, EffectPart::Examiner);
        let Ok(model) = EffectModel::fit(self.designs, rows, &fixed, &parts) else { return };
        found.fitted(ModelOf::Shared, self.measure, model.parts());
        let few = model.rests_on(rows, |t| t.examiner).unwrap_or_default();
        let mut family = Vec::new();
        for (column, visit) in visits.iter().enumerate().skip(1) {
            let Some(effect) = model.fixed(column) else { continue };
            let error = effect.kenward_roger_df.map(|df| (effect.kenward_roger_error, df));
            let by_others = few.get(column).copied().unwrap_or(false);
            if by_others {
                found.note_of(
                    self.measure,
                    "other examiners tested in the later session, too few for what examiners differ by to be known: what all \
                     volunteers changed by cannot be told from that, and stands without interval and word"
                        .to_owned(),
                );
            }
            let error = error.filter(|_| model.tells(EffectPart::Visit) && !by_others);
            family.push(Effect {
                from: Some(self.observed.shared_visit(visits[0])),
                to: Some(self.observed.shared_visit(*visit)),
                tests: [at(visits[0]), at(*visit)],
                rule: if by_others { EffectRule::PeopleDiffer } else { EffectRule::SpreadNotTold },
                ..Effect::new(EffectTerm::Shared, self.measure, effect.estimate, error)
            });
        }
        decide(&mut family, self.settings);
        found.rows.extend(family);
    }
}

/// Whether a t that is part of its own error, on `df` degrees of freedom, is too large for the others: put into one whose
/// error does not hold it.
fn stands_out(t: f64, df: f64, p: f64) -> bool {
    if df <= 2.0 {
        return false;
    }
    let rest = df - t * t;
    if rest <= 0.0 {
        return true;
    }
    let outside = t.abs() * ((df - 1.0) / rest).sqrt();
    t_upper_tail(outside, df - 1.0).is_ok_and(|tail| 2.0 * tail < p)
}

/// Later less earlier at one place, over the examiners who tested it both times.
fn between(sessions: &BTreeMap<(usize, usize), Vec<usize>>, first: usize, visit: usize) -> Option<ChangeContrast> {
    let of = |at: usize| sessions.range((at, 0)..(at + 1, 0)).map(|((_, e), rows)| (*e, rows));
    let both: Vec<(&Vec<usize>, &Vec<usize>)> = of(visit)
        .filter_map(|(e, later)| Some((sessions.get(&(first, e))?, later)))
        .collect();
    let share = 1.0 / both.len() as f64;
    let mut weights = RowWeights::new();
    for (before, later) in &both {
        weights.extend(mean_of(later, share));
        weights.extend(mean_of(before, -share));
    }
    (!both.is_empty()).then(|| ChangeContrast {
        weights,
        tests: [both.iter().map(|(b, _)| b.len()).sum(), both.iter().map(|(_, l)| l.len()).sum()],
        examiners: both.len(),
    })
}

fn averaged(all: &[ChangeContrast]) -> Option<ChangeContrast> {
    let share = 1.0 / all.len() as f64;
    let weights = all.iter().flat_map(|c| c.weights.iter().map(|(r, w)| (*r, w * share)));
    (!all.is_empty()).then(|| ChangeContrast {
        weights: weights.collect(),
        tests: [0, 1].map(|k| all.iter().map(|c| c.tests[k]).sum()),
        examiners: all.iter().map(|c| c.examiners).min().unwrap_or(0),
    })
}

fn beside_others(
    sessions: &BTreeMap<(usize, usize), Vec<usize>>,
    [first, visit]: [usize; 2],
    examiner: usize,
) -> Option<ChangeContrast> {
    let pick = |own: bool| {
        let of = sessions.iter().filter(move |((_, e), _)| (*e == examiner) == own);
        between(&of.map(|(k, v)| (*k, v.clone())).collect(), first, visit)
    };
    let (own, others) = (pick(true)?, pick(false)?);
    let against = others.weights.iter().map(|(r, w)| (*r, -w));
    Some(ChangeContrast {
        weights: own.weights.iter().copied().chain(against).collect(),
        tests: own.tests,
        examiners: 1 + others.examiners,
    })
}
