//! What the templates print, already in words.

use crate::format::counted;
use super::shares::in_no_test_words;
use super::words::{minutes, rule_words, try_next};
use super::{Closeness, ErrorOf, GivenInSession, MeasureCurve, ProgressPoint, Debrief, Learner, ScanCoverage, Share, WorkOn};
use crate::format::number;
use crate::report::followed::FollowedView;
use crate::report::frame::{PageCell, PageTable};
use crate::results::Results;
use crate::technique::learning::NoCurve;
use crate::terms::Feedback;
use serde::Serialize;
use std::collections::BTreeMap;

/// One thing to work on.
#[derive(Debug, Clone, Serialize)]
pub struct WorkOnView {
    pub heading: String,
    pub times: String,
    pub example: String,
    pub advice: String,
}

/// A share as people read it: `25 % (9 to 53 %)`.
pub fn percent(share: &Share) -> String {
    match share.percent {
        Some([at, low, high]) => {
            let n = |v: f64| number(v, 0);
            format!("{}\u{a0}% ({} to {}\u{a0}%)", n(at), n(low), n(high))
        }
        None => format!("not measured: {}", share.rule.lacks()),
    }
}

/// In how many tests or scans; empty where nothing was measured.
fn made_in(share: &Share) -> String {
    let tests = match share.percent {
        Some(_) => share.with_finding.to_string(),
        None => String::new(),
    };
    format!("{tests}{}", in_no_test_words(share.in_no_test)).trim_start_matches(", and ").to_owned()
}

/// `48 tests`, `1 scan`.
fn total(share: &Share) -> String {
    counted(share.total, share.of.trim_end_matches('s'))
}

/// How often each finding was made: of the class, or of a learner in all sessions.
pub fn share_table(debrief: &Debrief, learner: Option<&str>) -> PageTable {
    let own = debrief
        .shares
        .iter()
        .filter(|s| s.learner.as_deref() == learner && s.session.is_none());
    let rows = own.map(|s| {
        vec![
            PageCell::from(rule_words(s.rule)),
            PageCell::sorted_by(made_in(s), s.with_finding as f64),
            PageCell::from(total(s)),
            PageCell::sorted_by(percent(s), s.percent.map_or(-1.0, |p| p[0])),
        ]
    });
    PageTable::of_text(
        "Findings on how it was done: in how many tests or scans each was made, with the 95 % interval of the share",
        ["finding", "made in", "of", "share (95 % interval)"],
        rows,
    )
}

/// Findings learner by learner and session by session, without those that were not made.
pub fn share_by_learner(debrief: &Debrief) -> PageTable {
    let own = debrief
        .shares
        .iter()
        .filter(|s| s.session.is_some() && s.with_finding + s.in_no_test > 0);
    let group = |code: &str| {
        debrief
            .learners
            .iter()
            .find(|l| l.code == code)
            .and_then(|l| l.group.clone())
    };
    let rows = own.map(|s| {
        let code = s.learner.clone().unwrap_or_default();
        vec![
            PageCell::from(code.clone()),
            PageCell::from(group(&code).unwrap_or_default()),
            PageCell::from(s.session.clone().unwrap_or_default()),
            PageCell::from(rule_words(s.rule)),
            PageCell::sorted_by(made_in(s), s.with_finding as f64),
            PageCell::from(total(s)),
            PageCell::sorted_by(percent(s), s.percent.map_or(-1.0, |p| p[0])),
        ]
    });
    PageTable::of_text(
        "Findings by learner and session; what was not made in a session has no row",
        [
            "learner",
            "group",
            "session",
            "finding",
            "made in",
            "of",
            "share (95 % interval)",
        ],
        rows,
    )
}

/// Who may see which columns of a table of scans.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Audience {
    /// No code of a person.
    Nobody,
    /// The learner's own page: the subjects, not the learner.
    Own,
    /// Learners and subjects.
    Codes,
}

/// Scans against their plans.
pub fn scan_table(scans: &[&ScanCoverage], seen: Audience) -> PageTable {
    let mut heads = match seen {
        Audience::Nobody => vec!["session"],
        Audience::Own => vec!["session", "subject"],
        Audience::Codes => vec!["learner", "subject", "session"],
    };
    heads.extend(["plan", "done", "missed", "made twice", "out of order", "time"]);
    let mut scans: Vec<&ScanCoverage> = scans.to_vec();
    if seen == Audience::Nobody {
        // Not by code, which would tell whose scan it is.
        scans.sort_by(|a, b| {
            (&a.session, &a.plan, a.done, a.tests).cmp(&(&b.session, &b.plan, b.done, b.tests))
        });
    }
    let code = |v: &Option<String>| PageCell::from(v.clone().unwrap_or_default());
    let rows = scans.into_iter().map(|s| {
        let mut row = match seen {
            Audience::Nobody => vec![code(&s.session)],
            Audience::Own => vec![code(&s.session), code(&s.subject)],
            Audience::Codes => vec![code(&s.examiner), code(&s.subject), code(&s.session)],
        };
        row.push(PageCell::from(s.plan.clone().unwrap_or_else(|| "none".to_owned())));
        row.push(match (s.done, s.planned) {
            (Some(done), Some(planned)) => PageCell::sorted_by(
                format!("{done} of {}", counted(planned, "test")),
                done as f64 / planned.max(1) as f64,
            ),
            _ => PageCell::from(format!("{}, no plan", counted(s.tests, "test"))),
        });
        for list in [&s.missed, &s.doubled, &s.out_of_order] {
            row.push(PageCell::sorted_by(list.join(", "), list.len() as f64));
        }
        row.push(match s.time {
            Some(time) => PageCell::sorted_by(minutes(time.seconds), time.seconds),
            None => PageCell::sorted_by("not known", -1.0),
        });
        row
    });
    PageTable::of_text("Scans against their plans", heads, rows)
}

/// All scans in a sentence.
pub fn scans_in_short(scans: &[&ScanCoverage]) -> String {
    let planned: Vec<&&ScanCoverage> = scans.iter().filter(|s| s.plan.is_some()).collect();
    let with = |of: fn(&ScanCoverage) -> bool| planned.iter().filter(|s| of(s)).count();
    let parts = [
        (with(|s| s.missed.is_empty() && s.doubled.is_empty() && s.out_of_order.is_empty()), "as planned"),
        (with(|s| !s.missed.is_empty()), "with tests missed"),
        (with(|s| !s.doubled.is_empty()), "with tests made twice"),
        (with(|s| !s.out_of_order.is_empty()), "out of order"),
        (scans.len() - planned.len(), "without a plan"),
    ];
    let parts: Vec<String> = parts.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")).collect();
    format!("{}: {}.", counted(scans.len(), "scan"), parts.join(", "))
}

/// What time is counted from, where it is not the same for all: `from …`.
pub fn time_words(scans: &[&ScanCoverage]) -> Vec<&'static str> {
    let mut all: Vec<&'static str> = scans.iter().filter_map(|s| s.time.map(|t| t.from)).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// Things to work on, in words.
pub fn work_on(things: &[WorkOn]) -> Vec<WorkOnView> {
    let one = |w: &WorkOn| {
        let of = if w.rule.is_of_the_plan() {
            "tests of the plan"
        } else {
            "tests of the session"
        };
        WorkOnView {
            heading: try_next(w.rule).to_owned(),
            times: format!(
                "{}: in {} of {} {of}{}",
                rule_words(w.rule),
                w.made_in,
                w.of,
                in_no_test_words(w.in_no_test)
            ),
            example: w.example.clone(),
            advice: w.advice.clone(),
        }
    };
    things.iter().map(one).collect()
}

/// Means of the learner's last session that lie outside their band, each with how sure that is.
pub fn means_outside(debrief: &Debrief, learner: &Learner) -> Vec<String> {
    let last = learner.points.iter().filter(|p| p.session == learner.last_session);
    let one = |p: &ProgressPoint| {
        let band = debrief.band(&p.place, p.measure)?;
        let n = |v: f64| number(v, p.measure.decimals());
        let (unit, mean) = (p.measure.unit(), p.spot.mean);
        let (side, reaches) = match (band.low, band.high) {
            (_, Some(high)) if mean > high => ("over", p.spot.interval.is_some_and(|i| i[0] <= high)),
            (Some(low), _) if mean < low => ("under", p.spot.interval.is_some_and(|i| i[1] >= low)),
            _ => return None,
        };
        let range = match (band.low, band.high) {
            (Some(low), Some(high)) => format!("its band of {} to {}\u{a0}{unit}", n(low), n(high)),
            (None, Some(end)) | (Some(end), None) => format!("the end of its band, {}\u{a0}{unit}", n(end)),
            (None, None) => return None,
        };
        let sure = match (p.spot.interval, reaches) {
            (None, _) => "; one test has no interval",
            (_, true) => "; its interval reaches into the band",
            (_, false) => "",
        };
        let open = if p.retention { ", without feedback on a later day" } else { "" };
        Some(format!(
            "{}: mean {} {}\u{a0}{unit}{open}, {side} {range} ({}){sure}.",
            p.place.label(),
            p.measure.label(),
            n(mean),
            band.words()
        ))
    };
    last.filter_map(one).collect()
}

/// The learner's sessions, numbered as in the figures.
pub fn session_table(debrief: &Debrief, learner: &Learner, results: &Results) -> PageTable {
    let rows = learner.sessions.iter().enumerate().map(|(i, session)| {
        let own = results.tests.iter().filter(|t| {
            t.about.examiner.as_ref() == Some(&learner.code) && t.about.session.as_ref() == Some(session)
        });
        let own: Vec<_> = own.collect();
        let mut feedback: Vec<&str> = own
            .iter()
            .map(|t| match (t.about.feedback, debrief.stays.holds(t)) {
                (Some(Feedback::None), true) => "none (retention)",
                (Some(mode), _) => mode.word(),
                (None, _) => "not said",
            })
            .collect();
        feedback.sort_unstable();
        feedback.dedup();
        let given = debrief.given.iter().find(|g| g.learner == learner.code && g.session.as_ref() == Some(session));
        vec![
            PageCell::from((i + 1).to_string()),
            PageCell::from(session.clone()),
            PageCell::from(own.len().to_string()),
            PageCell::from(feedback.join(", ")),
            PageCell::from(given.map_or_else(String::new, GivenInSession::words)),
        ]
    });
    PageTable::of_text(
        "Sessions as they are numbered above",
        ["number", "session", "tests", "feedback", "what was shown of the tests"],
        rows,
    )
}

/// What the class was shown, session by session; `None` where nobody noted it.
pub fn given_table(debrief: &Debrief) -> Option<PageTable> {
    let mut sessions: BTreeMap<Option<&String>, [usize; 6]> = BTreeMap::new();
    for g in debrief.given.iter().filter(|g| g.not_noted < g.tests) {
        let all = sessions.entry(g.session.as_ref()).or_default();
        let own = [g.tests, g.during, g.after, g.summary, g.nothing, g.retention];
        all.iter_mut().zip(own).for_each(|(sum, n)| *sum += n);
    }
    let rows = sessions.iter().map(|(session, counts)| {
        let name = session.map_or_else(|| "not named".to_owned(), Clone::clone);
        let numbers = counts.iter().map(|n| PageCell::sorted_by(n.to_string(), *n as f64));
        std::iter::once(PageCell::from(name)).chain(numbers).collect::<Vec<_>>()
    });
    (!sessions.is_empty()).then(|| {
        PageTable::of_text(
            "What learners were shown of their tests",
            [
                "session",
                "tests",
                "shown during",
                "shown after",
                "shown in a summary",
                "not shown",
                "retention tests",
            ],
            rows,
        )
    })
}

/// Retention tests in rows of their own: what stays, beside the last session with feedback before it. `None` without one.
pub fn retention_table(learner: &Learner) -> Option<PageTable> {
    let number_of = |c: &Closeness| learner.sessions.iter().position(|s| Some(s) == c.session.as_ref());
    let percent = |c: &Closeness| {
        let n = |v: f64| number(v, 0);
        let interval = c.size.interval.map_or_else(String::new, |i| format!(" ({} to {})", n(i[0].max(0.0)), n(i[1])));
        format!("{}\u{a0}%{interval}", n(c.size.mean))
    };
    let kept = learner.closeness.iter().filter(|c| c.retention);
    let rows: Vec<Vec<PageCell>> = kept
        .map(|c| {
            let before = learner.closeness.iter().filter(|b| b.of == c.of && !b.retention);
            let before = before.filter(|b| number_of(b) < number_of(c)).max_by_key(|b| number_of(b));
            vec![
                PageCell::from(c.session.clone().unwrap_or_else(|| "not named".to_owned())),
                PageCell::from(c.of.label().to_owned()),
                PageCell::from(c.accuracy.tries.to_string()),
                PageCell::from(percent(c)),
                PageCell::from(before.map_or_else(|| "no session before it".to_owned(), percent)),
            ]
        })
        .collect();
    (!rows.is_empty()).then(|| {
        PageTable::of_text(
            "Retention: tests without feedback on another day than the last feedback, which no learning curve goes through",
            [
                "session",
                "of what",
                "tests",
                "off by, mean size (95 % interval)",
                "in the last session with feedback before it",
            ],
            rows,
        )
    })
}

/// How the learner's estimates of the peak force came out, session by session.
pub fn estimate_words(learner: &Learner) -> Vec<String> {
    let own = learner.closeness.iter().filter(|c| c.of == ErrorOf::PeakEstimate);
    let one = |c: &Closeness| {
        let n = |v: f64| number(v.abs(), 0);
        let mean = c.accuracy.constant;
        let way = match () {
            () if n(mean) == "0" => "neither too high nor too low on average".to_owned(),
            () if mean > 0.0 => format!("too high by {}\u{a0}% on average", n(mean)),
            () => format!("too low by {}\u{a0}% on average", n(mean)),
        };
        format!(
            "{}{}: {way}, off by {}\u{a0}% in size, {}.",
            c.session.as_deref().unwrap_or("session not named"),
            if c.retention { ", retention tests" } else { "" },
            n(c.accuracy.absolute),
            counted(c.accuracy.tries, "test")
        )
    };
    own.map(one).collect()
}

/// Each learning curve in words, or why there is none.
pub fn curve_words(learner: &Learner, wanted: impl Fn(ErrorOf) -> bool) -> Vec<String> {
    let one = |c: &MeasureCurve| {
        let label = c.of.label();
        match &c.curve {
            Ok(curve) => {
                let n = |v: f64| number(v, 0);
                let stays = match curve.u95[0] {
                    Some(u) => format!("{} ± {}\u{a0}%", n(curve.a), n(u)),
                    None => format!("{}\u{a0}%", n(curve.a)),
                };
                format!(
                    "{label}: {}, from {}\u{a0}% in the first session towards {stays}",
                    curve.law.word(),
                    n(curve.at(1.0))
                )
            }
            // Whoever sees the dots fall is told from where to where.
            Err(why @ (NoCurve::NotFalling | NoCurve::OtherLaw)) => match first_and_last(learner, c.of) {
                Some([first, last]) => format!(
                    "{label}: {}\u{a0}% in the first session and {}\u{a0}% in the last; {why}",
                    number(first, 0),
                    number(last, 0)
                ),
                None => format!("{label}: {why}"),
            },
            Err(why) => format!("{label}: {why}"),
        }
    };
    learner.curves.iter().filter(|c| wanted(c.of)).map(one).collect()
}

/// Mean size of the error in the first and in the last session that a curve would go through.
fn first_and_last(learner: &Learner, of: ErrorOf) -> Option<[f64; 2]> {
    let own = || learner.closeness.iter().filter(|c| c.of == of && c.session.is_some());
    let practised = own().any(|c| !c.retention);
    let mut means = own().filter(|c| !(practised && c.retention)).map(|c| c.size.mean);
    let first = means.next()?;
    Some([first, means.next_back()?])
}

/// Regions looked at again. A learner's page has only those that the same learner found and looked at again.
pub fn followed_of(debrief: &Debrief, learner: Option<&str>, codes: bool) -> Vec<FollowedView> {
    let own = debrief.followed.iter().filter(|f| {
        learner.is_none_or(|l| {
            [&f.scan, &f.later]
                .iter()
                .all(|s| s.examiner.as_deref() == Some(l))
        })
    });
    own.map(|f| {
        let session = |s: &Option<String>| s.clone().unwrap_or_else(|| "not named".to_owned());
        let by = |s: &Option<String>| match s {
            Some(code) if codes => format!(" by {code}"),
            _ => String::new(),
        };
        let subject = match &f.scan.subject {
            Some(subject) if codes => format!("{subject}, "),
            _ => String::new(),
        };
        f.view(format!(
            "{subject}session {}{}; looked at again in session {}{}",
            session(&f.scan.session),
            by(&f.scan.examiner),
            session(&f.later.session),
            by(&f.later.examiner)
        ))
    })
    .collect()
}
