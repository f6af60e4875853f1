//! Differences between groups, and how differently groups changed.

use super::decide::{decide, decide_alone};
use super::model::{EffectModel, EffectPart};
use super::observed::{ObservedTests, PlacedTest};
use super::effect::{Effect, EffectTerm, Effects, measures, primary};
use crate::columns::Measure;
use crate::settings::Settings;
use crate::stats::quantile::t_quantile;
use crate::study::roster::Roster;
use crate::terms::closed_terms;
use crate::trace::Test;
use std::collections::{BTreeMap, BTreeSet};

closed_terms! {
    /// Whose groups are compared.
    pub enum GroupedUnit {
        Volunteers = "volunteers",
        Learners = "learners",
    }
}

impl GroupedUnit {
    fn group(self, t: &PlacedTest<'_>) -> Option<usize> {
        match self {
            GroupedUnit::Volunteers => t.subject_group,
            GroupedUnit::Learners => t.examiner_group,
        }
    }

    fn person(self, t: &PlacedTest<'_>) -> usize {
        match self {
            GroupedUnit::Volunteers => t.subject,
            GroupedUnit::Learners => t.examiner,
        }
    }

    fn session(self, t: &PlacedTest<'_>) -> usize {
        match self {
            GroupedUnit::Volunteers => t.visit,
            GroupedUnit::Learners => t.day,
        }
    }

    /// Random terms, then the one of a person and that of a person's session.
    fn parts(self) -> (&'static [EffectPart], EffectPart, EffectPart) {
        use EffectPart::{Day, Examiner, Place, PlaceAtVisit, Sitting, Spot, Subject, Visit};
        match self {
            GroupedUnit::Volunteers => (&[Spot, Subject, Place, Examiner, Visit, PlaceAtVisit, Sitting], Subject, Visit),
            GroupedUnit::Learners => (&[Spot, Subject, Place, Examiner, Day, Sitting], Examiner, Day),
        }
    }
}

/// Groups of the roster against each other: volunteers' and learners'.
pub fn between_groups(tests: &[Test], roster: &Roster, settings: &Settings) -> Effects {
    between_groups_in(tests, roster, settings, &measures(settings))
}

/// The same in these measures.
pub fn between_groups_in(tests: &[Test], roster: &Roster, settings: &Settings, measures: &[Measure]) -> Effects {
    let observed = ObservedTests::new(tests, roster);
    let mut found = Effects {
        notes: observed.notes.clone(),
        ..Effects::default()
    };
    if primary(settings).is_none() {
        found.note(
            "no primary measure is set, so every p is corrected for all measures: before you look at the data, write into \
             study.toml which one the study was planned for, such as [groups] primary = \"end_feel_n_per_mm\""
                .to_owned(),
        );
    }
    if settings.change.is_empty() {
        found.note(
            "no margin is set, so no difference gets a word: [change] in study.toml says how large one must be to matter"
                .to_owned(),
        );
    }
    let mut told = false;
    for unit in GroupedUnit::ALL {
        told |= of_unit(&observed, *unit, measures, settings, &mut found);
    }
    if !told && !observed.tests.is_empty() {
        found.note(
            "no two groups: give the people in roster.csv a group each, in the column group, and at least two groups"
                .to_owned(),
        );
    }
    found.told()
}

/// Whether there are two groups of them.
fn of_unit(
    observed: &ObservedTests<'_>,
    unit: GroupedUnit,
    measures: &[Measure],
    settings: &Settings,
    found: &mut Effects,
) -> bool {
    let mut people: BTreeMap<usize, BTreeSet<usize>> = BTreeMap::new();
    let mut without = BTreeSet::new();
    for t in &observed.tests {
        match unit.group(t) {
            Some(group) => _ = people.entry(group).or_default().insert(unit.person(t)),
            None => _ = without.insert(unit.person(t)),
        }
    }
    if people.is_empty() {
        return false;
    }
    if people.len() < 2 {
        found.note(format!(
            "one group of {unit} only, {}: nothing to compare it with",
            people.keys().map(|g| observed.groups[*g].as_str()).collect::<String>()
        ));
        return true;
    }
    if !without.is_empty() {
        found.note(format!("left out: {} {unit} without a group in roster.csv", without.len()));
    }
    for (group, people) in people.iter().filter(|(_, p)| p.len() < 2) {
        found.note(format!(
            "group {} has {} of the {unit}: what that person is like cannot be told from what the group is like, so its rows \
             rest on the spread of the other groups",
            observed.groups[*group],
            people.len()
        ));
    }
    let mut each = Effects::over(measures, |measure, own| {
        let mut rows = Vec::new();
        of_measure(observed, unit, measure, settings, &mut rows, own);
        own.rows = rows;
    });
    let mut all = std::mem::take(&mut each.rows);
    found.extend(each);
    let first = primary(settings);
    let of_term = |e: &Effect| (e.term, e.group.clone(), e.reference_group.clone(), e.from.clone(), e.to.clone());
    let mut families: Vec<_> = Vec::new();
    for effect in &all {
        if !families.contains(&of_term(effect)) {
            families.push(of_term(effect));
        }
    }
    for key in families {
        let (own, rest): (Vec<Effect>, Vec<Effect>) = all.into_iter().partition(|e| of_term(e) == key);
        all = rest;
        let (mut main, mut others): (Vec<Effect>, Vec<Effect>) =
            own.into_iter().partition(|e| Some(e.measure) == first);
        main.iter_mut().for_each(|e| decide_alone(e, settings));
        decide(&mut others, settings);
        found.rows.extend(main);
        found.rows.extend(others);
    }
    true
}

/// A fixed column and what it is.
struct FixedColumn {
    term: EffectTerm,
    group: Option<usize>,
    session: Option<usize>,
    values: Vec<f64>,
}

fn of_measure(
    observed: &ObservedTests<'_>,
    unit: GroupedUnit,
    measure: Measure,
    settings: &Settings,
    all: &mut Vec<Effect>,
    found: &mut Effects,
) {
    let mut rows = observed.values(measure);
    rows.retain(|(t, _)| unit.group(t).is_some());
    let groups: BTreeSet<usize> = rows.iter().filter_map(|(t, _)| unit.group(t)).collect();
    if groups.len() < 2 {
        return;
    }
    let mut sessions: BTreeSet<usize> = rows.iter().map(|(t, _)| unit.session(t)).collect();
    let has = |group: usize, session: usize, rows: &[(PlacedTest<'_>, f64)]| {
        rows.iter().any(|(t, _)| unit.group(t) == Some(group) && unit.session(t) == session)
    };
    let before = sessions.len();
    sessions.retain(|s| groups.iter().all(|g| has(*g, *s, &rows)));
    if sessions.len() < before {
        found.note_of(measure, format!(
            "{unit}: {} of {before} sessions are not there in every group and are left out",
            before - sessions.len()
        ));
        rows.retain(|(t, _)| sessions.contains(&unit.session(t)));
    }
    if sessions.is_empty() {
        found.note_of(measure, format!(
            "{unit}: no session is there in every group, so groups cannot be compared"));
        return;
    }
    let groups: Vec<usize> = groups.into_iter().collect();
    let sessions: Vec<usize> = sessions.into_iter().collect();
    let columns = fixed_columns(&rows, unit, &groups, &sessions);
    let fixed: Vec<Vec<f64>> =
        std::iter::once(vec![1.0; rows.len()]).chain(columns.iter().map(|c| c.values.clone())).collect();
    let (parts, person, visit) = unit.parts();
    let model = match EffectModel::fit(&rows, &fixed, parts) {
        Ok(model) => model,
        Err(error) => {
            found.note_of(measure, format!(
            "{unit}: {error}; nothing is told of it"));
            return;
        }
    };
    if !model.tells(person) {
        found.note_of(measure, format!(
            "every group has one of the {unit}, so that groups cannot be told from people; estimates stand without \
             interval and word"
        ));
    }
    let count = |group: usize, session: Option<usize>| {
        let of = |t: &PlacedTest<'_>| {
            unit.group(t) == Some(group) && session.is_none_or(|s| unit.session(t) == s)
        };
        rows.iter().filter(|(t, _)| of(t)).count()
    };
    for (i, column) in columns.iter().enumerate() {
        let Some(effect) = model.fixed(i + 1) else { continue };
        let told = model.tells(person) && (column.session.is_none() || model.tells(visit));
        let error = effect.kenward_roger_df.map(|df| (effect.kenward_roger_error, df)).filter(|_| told);
        let name = |g: usize| observed.groups[g].clone();
        let (from, to) = (column.session.map(|_| sessions[0]), column.session);
        let tests = match column.group {
            Some(group) => [count(groups[0], to), count(group, to)],
            None => [from, to].map(|s| groups.iter().map(|g| count(*g, s)).sum()),
        };
        let mut row = Effect {
            group: column.group.map(name),
            reference_group: column.group.map(|_| name(groups[0])),
            from: from.map(|s| observed.shared_visit(s)),
            to: to.map(|s| observed.shared_visit(s)),
            tests,
            ..Effect::new(column.term, measure, effect.estimate, error)
        };
        row.standardised = standardised(&row, &model, settings.compare.confidence);
        all.push(row);
    }
}

/// Groups against the first one, sessions against the first one and their products, all centred, so that each effect is
/// the mean over the other.
fn fixed_columns(
    rows: &[(PlacedTest<'_>, f64)],
    unit: GroupedUnit,
    groups: &[usize],
    sessions: &[usize],
) -> Vec<FixedColumn> {
    let (of_groups, of_sessions) = (1.0 / groups.len() as f64, 1.0 / sessions.len() as f64);
    let column = |is: &dyn Fn(&PlacedTest<'_>) -> bool, share: f64| -> Vec<f64> {
        rows.iter().map(|(t, _)| f64::from(is(t)) - share).collect()
    };
    let mut all = Vec::new();
    for group in &groups[1..] {
        all.push(FixedColumn {
            term: EffectTerm::Group,
            group: Some(*group),
            session: None,
            values: column(&|t| unit.group(t) == Some(*group), of_groups),
        });
    }
    for session in &sessions[1..] {
        all.push(FixedColumn {
            term: EffectTerm::Session,
            group: None,
            session: Some(*session),
            values: column(&|t| unit.session(t) == *session, of_sessions),
        });
    }
    for group in &groups[1..] {
        for session in &sessions[1..] {
            let g = column(&|t| unit.group(t) == Some(*group), of_groups);
            let s = column(&|t| unit.session(t) == *session, of_sessions);
            all.push(FixedColumn {
                term: EffectTerm::GroupBySession,
                group: Some(*group),
                session: Some(*session),
                values: g.iter().zip(&s).map(|(g, s)| g * s).collect(),
            });
        }
    }
    all
}

/// The effect in standard deviations of a single test: of all that varies but levels and examiners' own.
fn standardised(effect: &Effect, model: &EffectModel, confidence: f64) -> Option<[f64; 3]> {
    let (se, df) = effect.error?;
    let (variance, sd_df) = model.total_without(&[EffectPart::Spot]);
    let sd = variance.sqrt();
    let d = effect.estimate / sd;
    let own = sd_df.map_or(0.0, |df| d * d / (2.0 * df));
    let half = t_quantile(0.5 + confidence / 2.0, df).ok()? * (se * se / variance + own).sqrt();
    [d, half].iter().all(|v| v.is_finite()).then_some([d, d - half, d + half])
}
