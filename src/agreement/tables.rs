//! Tests to tables of ratings.

use super::Design;
use super::rating_table::{RatingTable, RowGroups};
use crate::columns::Measure;
use crate::terms::{Contact, Level, LineOfDrive, Posture, Side};
use crate::trace::Test;
use std::collections::{BTreeMap, BTreeSet};

/// What stays the same when a test is repeated.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct RepeatedTarget {
    subject: Option<String>,
    level: Level,
    side: Side,
    posture: Option<Posture>,
    contact: Option<Contact>,
    line_of_drive: Option<LineOfDrive>,
}

impl RepeatedTarget {
    fn of(test: &Test) -> Option<RepeatedTarget> {
        let about = &test.about;
        Some(RepeatedTarget {
            subject: about.subject.clone(),
            level: about.level?,
            side: about.side?,
            posture: about.posture.clone(),
            contact: about.contact,
            line_of_drive: about.line_of_drive,
        })
    }

    fn label(&self) -> String {
        let subject = self.subject.as_deref().unwrap_or("subject not named");
        let mut label = format!("{subject}, {} {}", self.level.label(), self.side);
        let posture = self.posture.as_ref().map(Posture::as_str);
        for more in [posture, self.contact.map(Contact::word)].into_iter().flatten() {
            label.push_str(", ");
            label.push_str(more);
        }
        label
    }
}

/// RepeatedTarget, examiner and session.
type RepeatKey = (RepeatedTarget, Option<String>, Option<String>);
/// A row's values with the session each comes from.
type Days<'a> = Vec<(&'a Option<String>, f64)>;

/// The tests of a study, sorted into targets.
pub(super) struct Repeats<'a> {
    /// By target, examiner and session, each in the order of trials.
    by_session: BTreeMap<RepeatKey, Vec<&'a Test>>,
    /// When each session began, for their order.
    began: BTreeMap<Option<String>, Option<String>>,
    unplaced: usize,
}

impl<'a> Repeats<'a> {
    pub fn new(tests: &'a [Test]) -> Repeats<'a> {
        let mut repeats = Repeats {
            by_session: BTreeMap::new(),
            began: BTreeMap::new(),
            unplaced: 0,
        };
        for test in tests {
            let Some(target) = RepeatedTarget::of(test) else {
                repeats.unplaced += 1;
                continue;
            };
            let about = &test.about;
            let began = repeats.began.entry(about.session.clone()).or_default();
            if let Some(at) = &about.recorded_at
                && began.as_ref().is_none_or(|b| at < b)
            {
                *began = Some(at.clone());
            }
            let key = (target, about.examiner.clone(), about.session.clone());
            repeats.by_session.entry(key).or_default().push(test);
        }
        for tests in repeats.by_session.values_mut() {
            tests.sort_by(|a, b| order(a).cmp(&order(b)));
        }
        repeats
    }

    /// Tests that name no level or no side.
    pub fn notes(&self) -> Vec<String> {
        match self.unplaced {
            0 => Vec::new(),
            n => vec![format!(
                "{}, so nothing can be told to be a repetition of it: name both in the sidecar or the plan",
                match n {
                    1 => "1 test names no level or no side".to_owned(),
                    n => format!("{n} tests name no level or no side"),
                }
            )],
        }
    }

    /// Values of each examiner's repeated tests of one target in one session, at least two each.
    pub fn within_sessions(&self, measure: Measure) -> Vec<Vec<f64>> {
        let values = |tests: &Vec<&Test>| tests.iter().filter_map(|t| t.finding(measure)).collect();
        self.by_session
            .values()
            .map(values)
            .filter(|v: &Vec<f64>| v.len() > 1)
            .collect()
    }

    /// The tables of a measure, one a design.
    pub fn tables(&self, measure: Measure) -> [RatingTable; 3] {
        [
            self.between_examiners(measure),
            self.within_examiner(measure),
            self.between_days(measure),
        ]
    }

    fn within_examiner(&self, measure: Measure) -> RatingTable {
        let rows = self
            .by_session
            .iter()
            .map(|((target, examiner, session), tests)| {
                let values: Vec<f64> = tests.iter().filter_map(|t| t.finding(measure)).collect();
                RankedRow {
                    label: with(&target.label(), &[examiner, session]),
                    target,
                    visit: [examiner, session],
                    values,
                }
            });
        ranked(Design::WithinExaminer, "test", rows.collect())
    }

    fn between_days(&self, measure: Measure) -> RatingTable {
        let mut rows: BTreeMap<(&RepeatedTarget, &Option<String>), Days> = BTreeMap::new();
        for ((target, examiner, session), tests) in &self.by_session {
            if let Some(first) = tests.iter().find_map(|t| t.finding(measure)) {
                rows.entry((target, examiner)).or_default().push((session, first));
            }
        }
        let rows = rows.into_iter().map(|((target, examiner), mut days)| {
            days.sort_by_key(|(session, _)| (self.began.get(*session), *session));
            RankedRow {
                label: with(&target.label(), &[examiner]),
                target,
                visit: [examiner, &None],
                values: days.into_iter().map(|(_, v)| v).collect(),
            }
        });
        ranked(Design::BetweenDays, "day", rows.collect())
    }

    fn between_examiners(&self, measure: Measure) -> RatingTable {
        let same_session = self.by_examiner(measure, true);
        if same_session.has_error() {
            return same_session;
        }
        let mut any_session = self.by_examiner(measure, false);
        if any_session.has_error() {
            any_session.notes.push(
                "examiners did not test in the same session: each examiner's first session stands, so days differ too"
                    .to_owned(),
            );
            return any_session;
        }
        same_session
    }

    fn by_examiner(&self, measure: Measure, same_session: bool) -> RatingTable {
        let named = |examiner: &Option<String>| examiner.clone().unwrap_or_else(|| "not named".to_owned());
        let raters: BTreeSet<String> = self.by_session.keys().map(|(_, e, _)| named(e)).collect();
        let raters: Vec<String> = raters.into_iter().collect();
        type Row = Vec<Option<((Option<String>, Option<String>), f64)>>;
        let mut rows: BTreeMap<(RepeatedTarget, Option<String>), Row> = BTreeMap::new();
        for ((target, examiner, session), tests) in &self.by_session {
            let Some(value) = tests.iter().find_map(|t| t.finding(measure)) else {
                continue;
            };
            let key = (target.clone(), session.clone().filter(|_| same_session));
            let row = rows.entry(key).or_insert_with(|| vec![None; raters.len()]);
            let began = (self.began.get(session).cloned().flatten(), session.clone());
            if let Some(cell) = raters
                .iter()
                .position(|r| *r == named(examiner))
                .and_then(|i| row.get_mut(i))
                && cell.as_ref().is_none_or(|(first, _)| began < *first)
            {
                *cell = Some((began, value));
            }
        }
        let groups = groups(rows.keys().map(|(target, session)| (target, [session, &None])));
        let (subjects, cells) = rows
            .into_iter()
            .map(|((target, session), row)| {
                let values = row.into_iter().map(|c| c.map(|(_, v)| v)).collect::<Vec<_>>();
                (with(&target.label(), &[&session]), values)
            })
            .unzip();
        RatingTable {
            design: Design::BetweenExaminers,
            subjects,
            raters,
            cells,
            groups,
            notes: Vec::new(),
        }
    }
}

fn with(label: &str, more: &[&Option<String>]) -> String {
    let mut label = label.to_owned();
    for word in more.iter().filter_map(|m| m.as_deref()) {
        label.push_str(", ");
        label.push_str(word);
    }
    label
}

fn order(test: &Test) -> (Option<u32>, &str, u32) {
    (test.about.trial, &test.recording, test.test)
}

/// A row whose values stand in an order.
struct RankedRow<'a> {
    label: String,
    target: &'a RepeatedTarget,
    /// With the subject, what the row came about with.
    visit: [&'a Option<String>; 2],
    values: Vec<f64>,
}

/// A table whose columns are first, second, third …
fn ranked(design: Design, what: &str, rows: Vec<RankedRow>) -> RatingTable {
    let columns = rows.iter().map(|r| r.values.len()).max().unwrap_or(0);
    let fill = |values: &Vec<f64>| (0..columns).map(|i| values.get(i).copied()).collect();
    RatingTable {
        design,
        raters: (1..=columns).map(|i| format!("{what} {i}")).collect(),
        cells: rows.iter().map(|r| fill(&r.values)).collect(),
        groups: groups(rows.iter().map(|r| (r.target, r.visit))),
        subjects: rows.into_iter().map(|r| r.label).collect(),
        notes: Vec::new(),
    }
}

/// What each row belongs to.
fn groups<'a>(rows: impl Iterator<Item = (&'a RepeatedTarget, [&'a Option<String>; 2])>) -> Vec<RowGroups> {
    let (mut subjects, mut places, mut visits) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
    rows.map(|(target, visit)| RowGroups {
        subject: number(&mut subjects, &target.subject),
        place: number(&mut places, target),
        visit: number(&mut visits, (&target.subject, visit)),
    })
    .collect()
}

fn number<K: Ord>(seen: &mut BTreeMap<K, usize>, key: K) -> usize {
    let next = seen.len();
    *seen.entry(key).or_insert(next)
}
