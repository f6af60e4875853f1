//! Where to look again, segment by segment.

use super::{Comparison, ComparisonKind, DECIDED, Decision};
use crate::study::usual::UsualContact;
use crate::terms::{Contact, Level, Posture};
use std::cmp::Reverse;

/// One step of a follow-up scan: a single level, both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct FollowUpStep {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub posture: Option<Posture>,
    /// Both sides of it.
    pub level: Level,
    pub how: UsualContact,
    /// What the first scan found there, in words.
    pub why: String,
    /// The steps of the first scan that this one goes back to, at least one.
    pub causes: Vec<Cause>,
}

/// A step whose finding asks for a closer look.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    pub level: Option<Level>,
    /// Levels that its contact covered, when several.
    pub covers: Vec<Level>,
    pub contact: Option<Contact>,
    /// What was found there, in words.
    pub why: String,
}

/// Steps that look again at every level where a side, or a step against its neighbours, stood out or stayed
/// undecided: one level a step, both sides, scan by scan from the pelvis up.
///
/// A finding of a contact that covered several levels gives each of them its own step. Of the decided measures
/// any one that stands out counts; a level is undecided by the first of them it has (end-feel, fitted end-feel,
/// window). `comparisons` as [`compare`](super::compare) orders them.
pub fn follow_up(comparisons: &[Comparison]) -> Vec<FollowUpStep> {
    let mut steps: Vec<FollowUpStep> = by_place(comparisons).into_iter().filter_map(step).collect();
    // A stable sort: what is said of one level stays in the order of the findings.
    steps.sort_by(|a, b| order(a).cmp(&order(b)));
    steps.dedup_by(|later, kept| {
        let same = order(later) == order(kept);
        if same {
            kept.why = format!("{}; {}", kept.why, later.why);
            kept.causes.append(&mut later.causes);
        }
        same
    });
    steps
}

/// Scan by scan, from the pelvis up.
fn order(s: &FollowUpStep) -> ([&Option<String>; 3], &Option<Posture>, Reverse<Level>) {
    (
        [&s.subject, &s.examiner, &s.session],
        &s.posture,
        Reverse(s.level),
    )
}

fn step((level, rows): (Level, Vec<&Comparison>)) -> Option<FollowUpStep> {
    let key = &rows.first()?.key;
    let why = reason(&rows)?;
    let cause = Cause {
        level: key.level,
        covers: rows.first()?.covers.clone(),
        contact: key.contact,
        why: why.clone(),
    };
    Some(FollowUpStep {
        subject: key.subject.clone(),
        examiner: key.examiner.clone(),
        session: key.session.clone(),
        posture: key.posture.clone(),
        level,
        how: UsualContact::at(level),
        why,
        causes: vec![cause],
    })
}

/// The decided findings of each key and comparison, which stand together, once for every level that their
/// contact covered.
fn by_place(comparisons: &[Comparison]) -> Vec<(Level, Vec<&Comparison>)> {
    let decided: Vec<&Comparison> = comparisons
        .iter()
        .filter(|f| DECIDED.contains(&f.measure))
        .collect();
    let mut places = Vec::new();
    for rows in decided.chunk_by(|a, b| a.key == b.key && a.kind == b.kind) {
        let covers = &rows[0].covers;
        let own = rows[0].key.level.iter().filter(|_| covers.is_empty());
        places.extend(covers.iter().chain(own).map(|level| (*level, rows.to_vec())));
    }
    places
}

/// Why a level is looked at again, in words; `None` when it need not be.
fn reason(rows: &[&Comparison]) -> Option<String> {
    let mut rows = rows.to_vec();
    rows.sort_by_key(|f| DECIDED.iter().position(|m| *m == f.measure));
    let stands_out = |f: &&&Comparison| {
        matches!(
            f.side_of_resistance,
            Some(Decision::Left | Decision::Right | Decision::StifferThanNeighbours)
        )
    };
    let chosen = match rows.iter().find(stands_out) {
        Some(f) => f,
        None => rows
            .first()
            .filter(|f| f.side_of_resistance == Some(Decision::Undecided))?,
    };
    let what = match (chosen.side_of_resistance?, chosen.kind) {
        (Decision::StifferThanNeighbours, _) => "stiffer than its neighbours".to_owned(),
        (Decision::Undecided, ComparisonKind::Neighbours) => "undecided against its neighbours".to_owned(),
        (Decision::Undecided, ComparisonKind::LeftRight) => "left against right undecided".to_owned(),
        (side, _) => format!("the {side} side resists more"),
    };
    let label = chosen.measure.info().label;
    Some(
        match (chosen.asymmetry_percent, chosen.low_percent, chosen.high_percent) {
            (Some(d), Some(low), Some(high)) => {
                format!("{what}: {label} {d:+.0} % ({low:+.0} to {high:+.0} %)")
            }
            _ => format!("{what}: {label}"),
        },
    )
}
