//! What a later session found that followed a follow-up plan, beside the region whose finding asked for it.

use serde::Serialize;
use crate::trace::order::sessions;
use crate::compare::{Cause, Comparison, ComparisonKind, DECIDED, Decision, FollowUpStep, follow_up};
use crate::format::number;
use crate::results::Results;
use crate::terms::{Contact, Level, SessionKey, covered_label};
use crate::trace::Test;
use std::collections::BTreeSet;

/// How the name of a plan begins that looks again at what another scan found; `analyze` writes one of that name.
pub const FOLLOW_UP: &str = "follow-up";

/// A region that was looked at again.
#[derive(Debug, Clone, PartialEq)]
pub struct Followed {
    /// The scan whose finding asked for it.
    pub scan: SessionKey,
    /// The step that caused it: `T4–T6, reinforced`.
    pub region: String,
    /// What was found there, in words.
    pub why: String,
    /// The later scan.
    pub later: SessionKey,
    /// Every level of the region, from the neck down.
    pub levels: Vec<FollowedLevel>,
}

/// One level looked at by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct FollowedLevel {
    pub level: Level,
    /// What the later session found, in words.
    pub words: String,
}

/// A region for a page: what was found there, and what each of its levels was found to be afterwards.
#[derive(Debug, Clone, Serialize)]
pub struct FollowedView {
    region: String,
    why: String,
    later: String,
    levels: Vec<String>,
}

impl Followed {
    /// For a page; `later` says where the region was looked at again.
    pub fn view(&self, later: String) -> FollowedView {
        let level = |l: &FollowedLevel| format!("{}: {}", l.level.label(), l.words);
        FollowedView {
            region: self.region.clone(),
            why: self.why.clone(),
            later,
            levels: self.levels.iter().map(level).collect(),
        }
    }
}

/// Every region that a later session looked at again by a plan whose name begins with [`FOLLOW_UP`].
///
/// The plan does not say whose findings it follows: they are those of the same subject and examiner, or failing
/// that of any examiner, in the last session before it that asked for a closer look.
pub fn followed(results: &Results) -> Vec<Followed> {
    let later: Vec<&SessionKey> = results
        .plans
        .iter()
        .filter(|p| p.plan.starts_with(FOLLOW_UP))
        .map(|p| &p.scan)
        .collect();
    if later.is_empty() {
        return Vec::new();
    }
    let steps = follow_up(&results.comparisons);
    let mut all = Vec::new();
    for scan in later {
        for (cause_scan, cause) in causes(results, &steps, scan) {
            all.push(Followed {
                region: region(&cause),
                levels: levels(results, &cause, scan),
                why: cause.why,
                scan: cause_scan,
                later: scan.clone(),
            });
        }
    }
    all
}

/// What asked for this later scan: each step once, in the order of the follow-up.
fn causes(results: &Results, steps: &[FollowUpStep], later: &SessionKey) -> Vec<(SessionKey, Cause)> {
    let of_subject = |t: &&Test| t.about.subject == later.subject;
    let order = sessions(results.tests.iter().filter(of_subject));
    let rank = |session: &Option<String>| order.iter().position(|s| Some(s) == session.as_ref());
    let now = rank(&later.session);
    // A session without a name, or without a usable test, has no place in time.
    let before = |session: &Option<String>| matches!((rank(session), now), (Some(a), Some(b)) if a < b);
    let earlier = |s: &&FollowUpStep| s.subject == later.subject && before(&s.session);
    let mut steps: Vec<&FollowUpStep> = steps.iter().filter(earlier).collect();
    if steps.iter().any(|s| s.examiner == later.examiner) {
        steps.retain(|s| s.examiner == later.examiner);
    }
    let last = steps.iter().map(|s| rank(&s.session)).max();
    steps.retain(|s| Some(rank(&s.session)) == last);
    let mut all: Vec<(SessionKey, Cause)> = Vec::new();
    for step in steps {
        let scan = SessionKey {
            subject: step.subject.clone(),
            examiner: step.examiner.clone(),
            session: step.session.clone(),
        };
        for cause in &step.causes {
            if !all.iter().any(|(s, c)| *s == scan && c == cause) {
                all.push((scan.clone(), cause.clone()));
            }
        }
    }
    all
}

/// The step as a person reads it.
fn region(cause: &Cause) -> String {
    let levels = covered_label(&cause.covers, cause.level).unwrap_or_default();
    let contact = cause.contact.map(Contact::label);
    std::iter::once(levels)
        .chain(contact)
        .collect::<Vec<_>>()
        .join(", ")
}

fn levels(results: &Results, cause: &Cause, scan: &SessionKey) -> Vec<FollowedLevel> {
    let own = cause.level.iter().filter(|_| cause.covers.is_empty());
    let mut levels: Vec<Level> = cause.covers.iter().chain(own).copied().collect();
    levels.sort_unstable();
    levels
        .into_iter()
        .map(|level| FollowedLevel {
            level,
            words: found(results, level, scan),
        })
        .collect()
}

/// What a scan found at a level, both sides against each other.
fn found(results: &Results, level: Level, scan: &SessionKey) -> String {
    let here = |f: &&Comparison| {
        let key = &f.key;
        f.kind == ComparisonKind::LeftRight && key.level == Some(level) && key.session() == *scan
    };
    let own: Vec<&Comparison> = results.comparisons.iter().filter(here).collect();
    if results.blinded && !own.is_empty() {
        return "compared; hidden while the study is blinded".to_owned();
    }
    let decided = DECIDED.iter().find_map(|m| {
        own.iter()
            .find(|f| f.measure == *m && f.asymmetry_percent.is_some())
    });
    if let Some(comparison) = decided {
        return words(comparison);
    }
    let sides: BTreeSet<&str> = results
        .tests
        .iter()
        .filter(|t| t.about.session() == *scan && t.about.level == Some(level))
        .filter_map(|t| Some(t.side()?.word()))
        .collect();
    match sides.is_empty() {
        true => "no test".to_owned(),
        false => {
            let sides: Vec<&str> = sides.into_iter().collect();
            format!("tested ({}), but not compared", sides.join(", "))
        }
    }
}

/// A finding as the rest of a sentence.
pub(super) fn words(comparison: &Comparison) -> String {
    let n = |v: f64| number(v, 0);
    let size = match (
        comparison.asymmetry_percent,
        comparison.low_percent,
        comparison.high_percent,
    ) {
        (Some(at), Some(low), Some(high)) => {
            format!(
                ", right against left {}\u{a0}% ({} to {}\u{a0}%)",
                n(at),
                n(low),
                n(high)
            )
        }
        _ => String::new(),
    };
    let word = match comparison.side_of_resistance {
        Some(Decision::Left) => "the left side resists more",
        Some(Decision::Right) => "the right side resists more",
        Some(Decision::Even) => "even",
        _ => "undecided",
    };
    format!("{word}{size}")
}
