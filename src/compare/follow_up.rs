//! Where to look again, segment by segment.

use super::{ComparisonKind, DECIDED, Decision, Finding};
use crate::study::anatomy::{self, Region};

/// One step of a follow-up scan: a single level, both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct FollowUpStep {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub posture: Option<String>,
    pub level: String,
    /// Always `both`.
    pub side: &'static str,
    pub contact: &'static str,
    pub landmark: &'static str,
    pub line_of_drive_deg: f64,
    /// What the first scan found there, in words.
    pub why: String,
}

/// Contact, landmark and line of drive for one level at a time: common practice, no source.
fn by_hand(level: &str) -> Option<(&'static str, &'static str, f64)> {
    Some(match (level, anatomy::region(level)?) {
        ("SI", _) => ("thenar", "PSIS", 90.0),
        (_, Region::Sacral) => ("thumb", "medial to each PSIS", 90.0),
        (_, Region::Lumbar) => ("thumb", "mammillary processes", 90.0),
        (_, Region::Thoracic) => ("thumb", "transverse processes", 60.0),
        (_, Region::Neck) => ("thumb_finger", "articular pillars", 45.0),
    })
}

/// Steps that look again at every level where a side, or a step against its neighbours, stood out or stayed
/// undecided: one level a step, both sides, scan by scan from the pelvis up.
///
/// A finding of a contact that covered several levels gives each of them its own step. Of the decided measures
/// any one that stands out counts; a level is undecided by the first of them it has (end-feel, fitted end-feel,
/// window). Levels that are none of the known ones are left out: there is no saying how to press them.
pub fn follow_up(findings: &[Finding]) -> Vec<FollowUpStep> {
    let mut steps: Vec<FollowUpStep> = Vec::new();
    for (place, rows) in by_place(findings) {
        let Some(why) = reason(&rows) else { continue };
        let key = &rows[0].key;
        let (contact, landmark, line_of_drive_deg) = place.1;
        let step = FollowUpStep {
            subject: key.subject.clone(),
            examiner: key.examiner.clone(),
            session: key.session.clone(),
            posture: key.posture.clone(),
            level: place.0,
            side: "both",
            contact,
            landmark,
            line_of_drive_deg,
            why,
        };
        match steps.iter_mut().find(|s| same_place(s, &step)) {
            Some(s) => s.why = format!("{}; {}", s.why, step.why),
            None => steps.push(step),
        }
    }
    let from_below = |s: &FollowUpStep| std::cmp::Reverse(anatomy::rank(&s.level));
    steps.sort_by(|a, b| {
        let scan = |s: &FollowUpStep| [&s.subject, &s.examiner, &s.session, &s.posture].map(Clone::clone);
        scan(a).cmp(&scan(b)).then(from_below(a).cmp(&from_below(b)))
    });
    steps
}

fn same_place(a: &FollowUpStep, b: &FollowUpStep) -> bool {
    (&a.subject, &a.examiner, &a.session, &a.posture, &a.level)
        == (&b.subject, &b.examiner, &b.session, &b.posture, &b.level)
}

type Place = (String, (&'static str, &'static str, f64));

/// The decided findings of each key and comparison, once for every level that their contact covered.
fn by_place(findings: &[Finding]) -> Vec<(Place, Vec<&Finding>)> {
    let mut kept: Vec<Vec<&Finding>> = Vec::new();
    for f in findings.iter().filter(|f| DECIDED.contains(&f.measure)) {
        let together = |rows: &&mut Vec<&Finding>| rows[0].key == f.key && rows[0].comparison == f.comparison;
        match kept.iter_mut().find(together) {
            Some(rows) => rows.push(f),
            None => kept.push(vec![f]),
        }
    }
    let mut places = Vec::new();
    for rows in kept {
        let covers = &rows[0].covers;
        let own = rows[0].key.level.iter().filter(|_| covers.is_empty());
        for level in covers.iter().chain(own) {
            if let Some(how) = by_hand(level) {
                places.push(((level.clone(), how), rows.clone()));
            }
        }
    }
    places
}

/// Why a level is looked at again, in words; `None` when it need not be.
fn reason(rows: &[&Finding]) -> Option<String> {
    let mut rows = rows.to_vec();
    rows.sort_by_key(|f| DECIDED.iter().position(|m| *m == f.measure));
    let stands_out = |f: &&&Finding| {
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
    let what = match (chosen.side_of_resistance?, chosen.comparison) {
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
