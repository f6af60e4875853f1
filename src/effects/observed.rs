//! Tests with who, where and in which session, as numbers.

use crate::columns::Measure;
use crate::compare::ComparisonScale;
use crate::format::counted;
use crate::study::roster::Roster;
use crate::terms::{Contact, Level, LineOfDrive, Posture, Role, Side};
use crate::trace::{Test, order};
use std::collections::{BTreeMap, BTreeSet};

/// What is pressed on, whoever's it is.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct PressedSpot {
    pub level: Level,
    pub side: Side,
    pub posture: Option<Posture>,
    pub contact: Option<Contact>,
    pub line_of_drive: Option<LineOfDrive>,
}

impl PressedSpot {
    /// Posture, contact and line of drive in words.
    pub fn manner(&self) -> Option<String> {
        let drive = self.line_of_drive.map(|l| format!("line of drive {l}°"));
        let words: Vec<&str> = [self.posture.as_ref().map(Posture::as_str), self.contact.map(Contact::word), drive.as_deref()]
            .into_iter()
            .flatten()
            .collect();
        (!words.is_empty()).then(|| words.join(", "))
    }
}

/// A test by numbers that are equal for the same.
#[derive(Debug, Clone, Copy)]
pub(super) struct PlacedTest<'a> {
    pub test: &'a Test,
    /// Its number among the tests of the study.
    pub at: usize,
    pub subject: usize,
    pub examiner: usize,
    pub spot: usize,
    /// A spot of a subject.
    pub place: usize,
    /// Which session it is: of the study where somebody went through all of them, else of the subject.
    pub visit: usize,
    /// The same for the examiner.
    pub day: usize,
    /// Groups of subject and examiner.
    pub subject_group: Option<usize>,
    pub examiner_group: Option<usize>,
}

/// The tests of a study that can be placed.
pub(super) struct ObservedTests<'a> {
    pub tests: Vec<PlacedTest<'a>>,
    pub subjects: Vec<String>,
    pub examiners: Vec<String>,
    pub spots: Vec<PressedSpot>,
    /// In the order of the roster.
    pub groups: Vec<String>,
    /// Names of sessions by subject or examiner and number.
    visits: BTreeMap<(usize, usize), String>,
    days: BTreeMap<(usize, usize), String>,
    pub notes: Vec<String>,
}

/// A test with what it must name.
struct Named<'a> {
    test: &'a Test,
    subject: &'a str,
    examiner: &'a str,
    session: &'a str,
    spot: PressedSpot,
}

const NOT_NAMED: &str = "not named";

impl<'a> ObservedTests<'a> {
    pub fn new(tests: &'a [Test], roster: &Roster) -> ObservedTests<'a> {
        let mut notes = Vec::new();
        let named = named(tests, &mut notes);
        let order = order::sessions(named.iter().map(|n| n.test));
        let (visit_of, common) = numbered(&named, &order, |n| n.subject);
        let (day_of, _) = numbered(&named, &order, |n| n.examiner);
        session_notes(&named, &order, common, &mut notes);
        let (mut subjects, mut examiners) = (Vec::new(), Vec::new());
        let (mut spots, mut places, mut groups) = (Vec::new(), Vec::new(), Vec::new());
        let all = named.iter().map(|n| n.spot.clone()).collect::<BTreeSet<PressedSpot>>();
        spots.extend(all);
        let known: BTreeMap<(bool, &str), &str> = roster
            .people
            .iter()
            .filter_map(|p| Some(((p.role == Role::Subject, p.code.as_str()), p.group.as_deref()?)))
            .collect();
        for person in &roster.people {
            groups.extend(person.group.iter().filter(|g| !groups.contains(*g)).cloned().collect::<Vec<_>>());
        }
        let (mut visits, mut days) = (BTreeMap::new(), BTreeMap::new());
        let mut placed = Vec::new();
        for n in &named {
            let subject = number(&mut subjects, n.subject);
            let examiner = number(&mut examiners, n.examiner);
            let spot = spots.binary_search(&n.spot).unwrap_or(0);
            let visit = visit_of[&(n.subject, n.session)];
            let day = day_of[&(n.examiner, n.session)];
            visits.entry((subject, visit)).or_insert_with(|| n.session.to_owned());
            days.entry((examiner, day)).or_insert_with(|| n.session.to_owned());
            let group = |is_subject, code: &str| {
                let name = known.get(&(is_subject, code))?;
                groups.iter().position(|g| g == name)
            };
            placed.push(PlacedTest {
                test: n.test,
                at: placed.len(),
                subject,
                examiner,
                spot,
                place: index(&mut places, (subject, spot)),
                visit,
                day,
                subject_group: group(true, n.subject),
                examiner_group: group(false, n.examiner),
            });
        }
        ObservedTests {
            tests: placed,
            subjects,
            examiners,
            spots,
            groups,
            visits,
            days,
            notes,
        }
    }

    /// The tests that have the measure, with their values on its scale.
    pub fn values(&self, measure: Measure) -> Vec<(PlacedTest<'a>, f64)> {
        let scale = ComparisonScale::of(measure);
        let value = |t: &PlacedTest<'a>| Some((*t, scale.value(t.test.finding(measure)?)?));
        self.tests.iter().filter_map(value).collect()
    }

    /// Name of a subject's session.
    pub fn visit(&self, subject: usize, visit: usize) -> Option<String> {
        self.visits.get(&(subject, visit)).cloned()
    }

    /// Name of an examiner's session.
    pub fn day(&self, examiner: usize, day: usize) -> Option<String> {
        self.days.get(&(examiner, day)).cloned()
    }

    /// Name of a session of all: the one that everybody calls so, else its number.
    pub fn shared_visit(&self, visit: usize) -> String {
        let names: BTreeSet<&String> = self.visits.iter().filter(|(k, _)| k.1 == visit).map(|(_, n)| n).collect();
        match names.first() {
            Some(name) if names.len() == 1 => (*name).clone(),
            _ => format!("session {}", visit + 1),
        }
    }
}

fn named<'a>(tests: &'a [Test], notes: &mut Vec<String>) -> Vec<Named<'a>> {
    let sessions = tests.iter().any(|t| t.about.session.is_some());
    let (mut unplaced, mut without_session) = (0, 0);
    let mut all = Vec::new();
    for test in tests {
        let about = &test.about;
        let (Some(level), Some(side), Some(subject)) = (about.level, about.side, about.subject.as_deref()) else {
            unplaced += 1;
            continue;
        };
        if sessions && about.session.is_none() {
            without_session += 1;
            continue;
        }
        all.push(Named {
            test,
            subject,
            examiner: about.examiner.as_deref().unwrap_or(NOT_NAMED),
            session: about.session.as_deref().unwrap_or(NOT_NAMED),
            spot: PressedSpot {
                level,
                side,
                posture: about.posture.clone(),
                contact: about.contact,
                line_of_drive: about.line_of_drive,
            },
        });
    }
    if unplaced > 0 {
        let what = counted(unplaced, "test");
        notes.push(format!("left out: {what} without subject, level or side: name them in the sidecar or the plan"));
    }
    if without_session > 0 {
        let what = counted(without_session, "test");
        notes.push(format!("left out: {what} without a session, where others have one: name it in the sidecar"));
    }
    all
}

/// The number of each person's sessions, and whether sessions are the study's: somebody went through all of them.
fn numbered<'n>(
    named: &[Named<'n>],
    order: &[String],
    who: impl Fn(&Named<'n>) -> &'n str,
) -> (BTreeMap<(&'n str, &'n str), usize>, bool) {
    let rank = |session: &str| order.iter().position(|o| o == session).unwrap_or(0);
    let mut by_person: BTreeMap<&str, BTreeSet<(usize, &str)>> = BTreeMap::new();
    for n in named {
        by_person.entry(who(n)).or_default().insert((rank(n.session), n.session));
    }
    let common = by_person.values().any(|s| s.len() == order.len().max(1));
    let mut all = BTreeMap::new();
    for (person, sessions) in by_person {
        for (own, (rank, session)) in sessions.into_iter().enumerate() {
            all.insert((person, session), if common { rank } else { own });
        }
    }
    (all, common)
}

/// Said when the order of sessions is not what their names suggest, or not everybody's.
fn session_notes(named: &[Named<'_>], order: &[String], common: bool, notes: &mut Vec<String>) {
    let mut by_name = order.to_vec();
    by_name.sort_by(|a, b| order::natural(a, b));
    if by_name != order {
        notes.push(format!(
            "sessions are taken in the order of their recordings, which is not that of their names: {}",
            order.join(", ")
        ));
    }
    if !common {
        notes.push(
            "nobody went through all sessions of the study, so each person's sessions are counted from that person's first"
                .to_owned(),
        );
        return;
    }
    let subjects: BTreeSet<&str> = named.iter().map(|n| n.subject).collect();
    for subject in subjects {
        let own = order::sessions(named.iter().filter(|n| n.subject == subject).map(|n| n.test));
        let expected: Vec<&String> = order.iter().filter(|s| own.contains(s)).collect();
        if own.iter().collect::<Vec<_>>() != expected {
            notes.push(format!(
                "sessions out of order: {subject} went through them as {}, the study as {}; its order stands: check \
                 recorded_at and session in the sidecars",
                own.join(", "),
                order.join(", ")
            ));
        }
    }
}

fn number(seen: &mut Vec<String>, name: &str) -> usize {
    seen.iter().position(|s| s == name).unwrap_or_else(|| {
        seen.push(name.to_owned());
        seen.len() - 1
    })
}

fn index<K: PartialEq>(seen: &mut Vec<K>, key: K) -> usize {
    seen.iter().position(|s| *s == key).unwrap_or_else(|| {
        seen.push(key);
        seen.len() - 1
    })
}
