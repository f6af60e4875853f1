//! Differences between groups, and how differently groups changed.

use super::decide::{decide, decide_alone};
use super::designs::{EffectPart, SharedDesigns};
use super::margins;
use super::model::EffectModel;
use super::observed::{ObservedTests, PlacedTest};
use super::effect::{Effect, EffectRule, EffectTerm, Effects, ModelOf, measures, primary};
use crate::columns::Measure;
use crate::format::number;
use crate::settings::Settings;
use crate::stats::moments;
use crate::stats::quantile::{f_upper_tail, t_quantile};
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
        use EffectPart::{Day, Examiner, ExaminerAtVisit, Place, PlaceAtVisit, Sitting, Spot, Subject, Visit};
        match self {
            GroupedUnit::Volunteers => {
                (&[Spot, Subject, Place, Examiner, Visit, PlaceAtVisit, Sitting, ExaminerAtVisit], Subject, Visit)
            },
            GroupedUnit::Learners => (&[Spot, Subject, Place, Examiner, Day, Sitting], Examiner, Day),
        }
    }
}

impl GroupedUnit {
    fn model(self) -> ModelOf {
        match self {
            GroupedUnit::Volunteers => ModelOf::GroupsOfVolunteers,
            GroupedUnit::Learners => ModelOf::GroupsOfLearners,
        }
    }

    /// For each column, whether it rests on differences between a few of those on the other side of the hand: of
    /// volunteers' groups on examiners, and on what each of them drifts by where it tells of a change differing; of
    /// learners' groups on the volunteers they pressed.
    fn few_people(self, model: &EffectModel, rows: &[(PlacedTest<'_>, f64)], columns: &[FixedColumn]) -> Vec<bool> {
        let (by_person, by_session) = match self {
            GroupedUnit::Volunteers => {
                (model.rests_on(rows, |t| t.examiner), model.rests_on(rows, |t| (t.examiner, t.visit)))
            }
            GroupedUnit::Learners => (model.rests_on(rows, |t| t.subject), None),
        };
        let at = |of: &Option<Vec<bool>>, i: usize| of.as_ref().and_then(|o| o.get(i + 1)).copied().unwrap_or(false);
        // What all examiners drift by is in the change that groups share, whoever they are.
        let drifts = |c: &FixedColumn| c.term == EffectTerm::GroupBySession;
        columns.iter().enumerate().map(|(i, c)| at(&by_person, i) || drifts(c) && at(&by_session, i)).collect()
    }

    /// Why such a row has no word.
    fn by_others(self, term: EffectTerm) -> String {
        let what = match term {
            EffectTerm::Session => "what groups changed by",
            EffectTerm::GroupBySession => "how differently groups changed",
            _ => "groups",
        };
        let (others, how) = match self {
            GroupedUnit::Volunteers => ("examiners", "were tested by other examiners"),
            GroupedUnit::Learners => ("volunteers", "pressed on other volunteers"),
        };
        format!(
            "groups of {self} {how}, or by others in some session, and these are too few for what {others} differ by to be known: \
             {what} cannot be told from {others}, and stands without interval and word"
        )
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
    let (mut told, designs) = (false, SharedDesigns::default());
    for unit in GroupedUnit::ALL {
        told |= of_unit(&observed, &designs, *unit, measures, settings, &mut found);
    }
    if !told && !observed.tests.is_empty() {
        found.note(
            "no two groups: give the people in roster.csv a group each, in the column group, and at least two groups"
                .to_owned(),
        );
    }
    let mut found = found.told();
    margins::doubt(&observed, measures, settings, &mut found);
    found
}

/// Whether there are two groups of them.
fn of_unit(
    observed: &ObservedTests<'_>,
    designs: &SharedDesigns,
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
    let alike = |a: &usize, b: &usize| observed.groups[*a].to_lowercase() == observed.groups[*b].to_lowercase();
    for (at, group) in people.keys().enumerate() {
        if let Some(other) = people.keys().skip(at + 1).find(|other| alike(group, other)) {
            found.note(format!(
                "groups {} and {} differ in capital letters only and are two groups: check roster.csv",
                observed.groups[*group], observed.groups[*other]
            ));
        }
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
        of_measure(observed, designs, unit, measure, settings, &mut rows, own);
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
    designs: &SharedDesigns,
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
    let model = match EffectModel::fit(designs, &rows, &fixed, parts) {
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
    found.fitted(unit.model(), measure, model.parts());
    let few = unit.few_people(&model, &rows, &columns);
    if let Some(words) = uneven(observed, unit, &rows, &groups) {
        found.note_of(measure, words);
    }
    let count = |group: usize, session: Option<usize>| {
        let of = |t: &PlacedTest<'_>| {
            unit.group(t) == Some(group) && session.is_none_or(|s| unit.session(t) == s)
        };
        rows.iter().filter(|(t, _)| of(t)).count()
    };
    for (i, column) in columns.iter().enumerate() {
        let Some(effect) = model.fixed(i + 1) else { continue };
        let by_others = few.get(i).copied().unwrap_or(false);
        if by_others {
            found.note_of(measure, unit.by_others(column.term));
        }
        let told = model.tells(person) && !by_others && (column.session.is_none() || model.tells(visit));
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
            rule: if by_others { EffectRule::PeopleDiffer } else { EffectRule::SpreadNotTold },
            ..Effect::new(column.term, measure, effect.estimate, error)
        };
        row.standardised = standardised(&row, &model, settings.compare.confidence);
        all.push(row);
    }
}

/// Chance that groups which spread alike are told to spread unevenly.
const UNEVEN_P: f64 = 0.01;

/// Said where the people of one group differ among themselves by more than those of another, by more than chance: errors
/// take all groups to spread alike.
fn uneven(
    observed: &ObservedTests<'_>,
    unit: GroupedUnit,
    rows: &[(PlacedTest<'_>, f64)],
    groups: &[usize],
) -> Option<String> {
    let mut values: BTreeMap<(usize, usize), Vec<f64>> = BTreeMap::new();
    for (t, value) in rows {
        values.entry((unit.group(t)?, unit.person(t))).or_default().push(*value);
    }
    let spread = |group: usize| {
        let means: Vec<f64> = values.range((group, 0)..(group + 1, 0)).filter_map(|(_, v)| moments::mean(v).ok()).collect();
        Some((moments::variance(&means).ok()?, means.len() as f64 - 1.0, group))
    };
    let mut all: Vec<(f64, f64, usize)> = groups.iter().filter_map(|g| spread(*g)).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let [(least, least_df, even), .., (most, most_df, wide)] = *all.as_slice() else {
        return None;
    };
    let tail = f_upper_tail(most / least, most_df, least_df).ok()?;
    // The largest of several beside the smallest: each pair could have been it.
    let pairs = (all.len() * (all.len() - 1)) as f64;
    (tail * pairs < UNEVEN_P).then(|| {
        format!(
            "{unit}: the people of group {} differ among themselves {} times as much as those of group {}; intervals and p take \
             groups to spread alike, and where the smaller group spreads more, words are wrong more often than they say",
            observed.groups[wide],
            number((most / least).sqrt(), 1),
            observed.groups[even]
        )
    })
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
