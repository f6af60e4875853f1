//! `learners`, `closeness`, `learning-curves`, `findings-share`, `coverage`, `feedback` and `objective`.

use super::coverage::ScanCoverage;
use super::points::ProgressPoint;
use super::{Band, Closeness, Debrief, GivenInSession, GoalSoFar, Learner, MeasureCurve, Share};
use crate::columns::table as c;
use crate::columns::table::debrief as d;
use crate::report::tables::{Cell, Field, Table, codebook_of, field};
use crate::technique::learning::LearningCurve;

/// A mark with whose it is and the band it lies beside.
type Mark<'a> = (&'a Learner, &'a ProgressPoint, Option<Band>);

impl Debrief {
    /// The tables of the debrief, then the codebook of them all.
    pub fn tables(&self) -> Vec<Table> {
        let mut all = vec![
            learners(self),
            closeness(&self.learners),
            curves(&self.learners),
            shares(&self.shares),
            coverage(&self.coverage),
            given(&self.given),
            goals(&self.goals),
        ];
        all.push(codebook_of(
            all.iter()
                .map(|t| Table {
                    rows: Vec::new(),
                    ..t.clone()
                })
                .collect(),
        ));
        all
    }
}

fn learners(debrief: &Debrief) -> Table {
    let marks: Vec<Mark<'_>> = debrief
        .learners
        .iter()
        .flat_map(|l| l.points.iter().map(move |p| (l, p)))
        .map(|(l, p)| (l, p, debrief.band(&p.place, p.measure)))
        .collect();
    let mut fields = mark_fields();
    fields.extend(spot_fields());
    Table::fill("learners", fields, &marks)
}

fn mark_fields<'a>() -> Vec<Field<Mark<'a>>> {
    vec![
        field(d::LEARNER, |m: &Mark<'_>| Cell::text(&m.0.code)),
        field(d::GROUP, |m: &Mark<'_>| Cell::maybe(m.0.group.as_deref())),
        field(c::SESSION, |m: &Mark<'_>| Cell::maybe(m.1.session.as_deref())),
        field(d::SESSION_NUMBER, |m: &Mark<'_>| {
            session_number(m.0, m.1.session.as_ref())
        }),
        field(d::RETENTION, |m: &Mark<'_>| Cell::Bool(m.1.retention)),
        field(d::REGION, |m: &Mark<'_>| Cell::term(m.1.place.region)),
        field(c::CONTACT, |m: &Mark<'_>| Cell::term(m.1.place.contact)),
        field(d::BOTH_HANDS, |m: &Mark<'_>| Cell::Bool(m.1.place.both_hands)),
        field(d::SHOWN_MEASURE, |m: &Mark<'_>| Cell::text(m.1.measure.name())),
        field(d::SHOWN_UNIT, |m: &Mark<'_>| Cell::text(m.1.measure.unit())),
    ]
}

fn spot_fields<'a>() -> Vec<Field<Mark<'a>>> {
    vec![
        field(d::SPOT_TESTS, |m: &Mark<'_>| Cell::int(m.1.spot.tests)),
        field(d::MEAN, |m: &Mark<'_>| Cell::num(m.1.spot.mean)),
        field(d::MEAN_LOW, |m: &Mark<'_>| {
            Cell::num(m.1.spot.interval.map(|i| i[0]))
        }),
        field(d::MEAN_HIGH, |m: &Mark<'_>| {
            Cell::num(m.1.spot.interval.map(|i| i[1]))
        }),
        field(d::BAND_FROM, |m: &Mark<'_>| {
            Cell::maybe(m.2.as_ref().map(Band::word))
        }),
        field(d::SHOWN_LOW, |m: &Mark<'_>| Cell::num(m.2.and_then(|b| b.low))),
        field(d::SHOWN_HIGH, |m: &Mark<'_>| Cell::num(m.2.and_then(|b| b.high))),
    ]
}

/// A session's number among the learner's.
fn session_number(learner: &Learner, session: Option<&String>) -> Cell {
    let at = learner.sessions.iter().position(|s| Some(s) == session);
    at.map_or(Cell::Missing, |i| Cell::int(i + 1))
}

fn closeness(learners: &[Learner]) -> Table {
    type Row<'a> = (&'a Learner, &'a Closeness);
    let rows: Vec<Row<'_>> = learners
        .iter()
        .flat_map(|l| l.closeness.iter().map(move |c| (l, c)))
        .collect();
    let fields = vec![
        field(d::LEARNER, |r: &Row<'_>| Cell::text(&r.0.code)),
        field(c::SESSION, |r: &Row<'_>| Cell::maybe(r.1.session.as_deref())),
        field(d::SESSION_NUMBER, |r: &Row<'_>| {
            session_number(r.0, r.1.session.as_ref())
        }),
        field(d::RETENTION, |r: &Row<'_>| Cell::Bool(r.1.retention)),
        field(d::ERROR_MEASURE, |r: &Row<'_>| {
            Cell::text(r.1.of.name())
        }),
        field(d::TRIES, |r: &Row<'_>| Cell::int(r.1.accuracy.tries)),
        field(d::CONSTANT, |r: &Row<'_>| Cell::num(r.1.accuracy.constant)),
        field(d::CONSTANT_U95, |r: &Row<'_>| {
            Cell::num(r.1.accuracy.constant_u95)
        }),
        field(d::ABSOLUTE, |r: &Row<'_>| Cell::num(r.1.accuracy.absolute)),
        field(d::ABSOLUTE_LOW, |r: &Row<'_>| {
            Cell::num(r.1.size.interval.map(|i| i[0].max(0.0)))
        }),
        field(d::ABSOLUTE_HIGH, |r: &Row<'_>| {
            Cell::num(r.1.size.interval.map(|i| i[1]))
        }),
        field(d::VARIABLE, |r: &Row<'_>| Cell::num(r.1.accuracy.variable)),
        field(d::TOTAL_ERROR, |r: &Row<'_>| Cell::num(r.1.accuracy.total)),
    ];
    Table::fill("closeness", fields, &rows)
}

fn curves(learners: &[Learner]) -> Table {
    type Row<'a> = (&'a Learner, &'a MeasureCurve);
    let rows: Vec<Row<'_>> = learners
        .iter()
        .flat_map(|l| l.curves.iter().map(move |c| (l, c)))
        .collect();
    let of = |r: &Row<'_>, pick: fn(&LearningCurve) -> Option<f64>| {
        Cell::num(r.1.curve.as_ref().ok().and_then(pick))
    };
    let fields = vec![
        field(d::LEARNER, |r: &Row<'_>| Cell::text(&r.0.code)),
        field(d::ERROR_MEASURE, |r: &Row<'_>| {
            Cell::text(r.1.of.name())
        }),
        field(d::LAW, |r: &Row<'_>| {
            Cell::maybe(r.1.curve.as_ref().ok().map(|c| c.law.word()))
        }),
        field(d::CURVE_A, move |r: &Row<'_>| of(r, |c| Some(c.a))),
        field(d::CURVE_A_U95, move |r: &Row<'_>| of(r, |c| c.u95[0])),
        field(d::CURVE_B, move |r: &Row<'_>| of(r, |c| Some(c.b))),
        field(d::CURVE_B_U95, move |r: &Row<'_>| of(r, |c| c.u95[1])),
        field(d::CURVE_C, move |r: &Row<'_>| of(r, |c| Some(c.c))),
        field(d::CURVE_C_U95, move |r: &Row<'_>| of(r, |c| c.u95[2])),
        field(d::NO_CURVE, |r: &Row<'_>| {
            r.1.curve
                .as_ref()
                .err()
                .map_or(Cell::Missing, |why| Cell::text(&why.to_string()))
        }),
    ];
    Table::fill("learning-curves", fields, &rows)
}

fn shares(shares: &[Share]) -> Table {
    let percent = |s: &Share, i: usize| Cell::num(s.percent.map(|p| p[i]));
    let fields = vec![
        field(d::LEARNER, |s: &Share| Cell::maybe(s.learner.as_deref())),
        field(c::SESSION, |s: &Share| Cell::maybe(s.session.as_deref())),
        field(c::FINDING, |s: &Share| Cell::text(s.rule.word())),
        field(d::COUNTED, |s: &Share| Cell::text(s.of)),
        field(d::TOTAL, |s: &Share| Cell::int(s.total)),
        field(d::JUDGED, |s: &Share| Cell::int(s.judged)),
        field(d::WITH_FINDING, |s: &Share| Cell::int(s.with_finding)),
        field(d::IN_NO_TEST, |s: &Share| Cell::int(s.in_no_test)),
        field(d::SHARE, move |s: &Share| percent(s, 0)),
        field(d::SHARE_LOW, move |s: &Share| percent(s, 1)),
        field(d::SHARE_HIGH, move |s: &Share| percent(s, 2)),
    ];
    Table::fill("findings-share", fields, shares)
}

fn given(sessions: &[GivenInSession]) -> Table {
    let fields = vec![
        field(d::LEARNER, |g: &GivenInSession| Cell::text(&g.learner)),
        field(c::SESSION, |g: &GivenInSession| Cell::maybe(g.session.as_deref())),
        field(d::GIVEN_TESTS, |g: &GivenInSession| Cell::int(g.tests)),
        field(d::SHOWN_DURING, |g: &GivenInSession| Cell::int(g.during)),
        field(d::SHOWN_AFTER, |g: &GivenInSession| Cell::int(g.after)),
        field(d::SHOWN_IN_SUMMARY, |g: &GivenInSession| Cell::int(g.summary)),
        field(d::NOT_SHOWN, |g: &GivenInSession| Cell::int(g.nothing)),
        field(d::NOT_NOTED, |g: &GivenInSession| Cell::int(g.not_noted)),
        field(d::RETENTION_TESTS, |g: &GivenInSession| Cell::int(g.retention)),
    ];
    Table::fill("feedback", fields, sessions)
}

fn goals(goals: &[GoalSoFar]) -> Table {
    let fields = vec![
        field(d::LEARNER, |g: &GoalSoFar| Cell::text(&g.learner)),
        field(d::GOAL_MEASURE, |g: &GoalSoFar| Cell::text(g.goal.measure.info().name)),
        field(d::GOAL_TESTS, |g: &GoalSoFar| Cell::int(g.goal.tests as usize)),
        field(d::GOAL_IN_BAND, |g: &GoalSoFar| Cell::int(g.goal.in_band as usize)),
        field(d::TESTS_SO_FAR, |g: &GoalSoFar| Cell::int(g.tests)),
        field(d::IN_BAND_SO_FAR, |g: &GoalSoFar| Cell::int(g.in_band)),
        field(d::NOT_JUDGED, |g: &GoalSoFar| Cell::int(g.not_judged)),
        field(d::OVER_CEILING_SO_FAR, |g: &GoalSoFar| Cell::int(g.over_ceiling)),
    ];
    Table::fill("objective", fields, goals)
}

fn coverage(scans: &[ScanCoverage]) -> Table {
    let count = |n: Option<usize>| n.map_or(Cell::Missing, Cell::int);
    let fields = vec![
        field(c::SUBJECT, |s: &ScanCoverage| Cell::maybe(s.subject.as_deref())),
        field(d::LEARNER, |s: &ScanCoverage| Cell::maybe(s.examiner.as_deref())),
        field(c::SESSION, |s: &ScanCoverage| Cell::maybe(s.session.as_deref())),
        field(d::PLAN, |s: &ScanCoverage| Cell::maybe(s.plan.as_deref())),
        field(d::RETENTION, |s: &ScanCoverage| Cell::Bool(s.retention)),
        field(d::SCAN_TESTS, |s: &ScanCoverage| Cell::int(s.tests)),
        field(d::PLANNED, move |s: &ScanCoverage| count(s.planned)),
        field(d::DONE, move |s: &ScanCoverage| count(s.done)),
        field(d::MISSED, |s: &ScanCoverage| Cell::List(s.missed.clone())),
        field(d::DOUBLED, |s: &ScanCoverage| Cell::List(s.doubled.clone())),
        field(d::OUT_OF_ORDER, |s: &ScanCoverage| {
            Cell::List(s.out_of_order.clone())
        }),
        field(d::SCAN_S, |s: &ScanCoverage| Cell::num(s.time.map(|t| t.seconds))),
        field(d::SCAN_S_FROM, |s: &ScanCoverage| {
            Cell::maybe(s.time.map(|t| t.from))
        }),
    ];
    Table::fill("coverage", fields, scans)
}
