//! `learners`, `findings-share` and `coverage`.

use super::coverage::ScanCoverage;
use super::points::Point;
use super::{Band, Debrief, Learner, Share};
use crate::columns::table as c;
use crate::columns::table::debrief as d;
use crate::report::tables::{Cell, Field, Table, codebook_of, field};

/// A mark with whose it is and the band it lies beside.
type Mark<'a> = (&'a Learner, &'a Point, Option<Band>);

impl Debrief {
    /// The tables of the debrief, then the codebook of them all.
    pub fn tables(&self) -> Vec<Table> {
        let mut all = vec![learners(self), shares(&self.shares), coverage(&self.coverage)];
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
            let at = m.0.sessions.iter().position(|s| Some(s) == m.1.session.as_ref());
            at.map_or(Cell::Missing, |i| Cell::int(i + 1))
        }),
        field(d::RETENTION, |m: &Mark<'_>| Cell::Bool(m.1.retention)),
        field(d::REGION, |m: &Mark<'_>| {
            Cell::maybe(m.1.place.region.map(|r| r.word()))
        }),
        field(c::CONTACT, |m: &Mark<'_>| {
            Cell::maybe(m.1.place.contact.as_deref())
        }),
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

fn shares(shares: &[Share]) -> Table {
    let percent = |s: &Share, i: usize| Cell::num(s.percent.map(|p| p[i]));
    let fields = vec![
        field(d::LEARNER, |s: &Share| Cell::maybe(s.learner.as_deref())),
        field(c::SESSION, |s: &Share| Cell::maybe(s.session.as_deref())),
        field(c::FINDING, |s: &Share| Cell::text(s.finding)),
        field(d::COUNTED, |s: &Share| Cell::text(s.of)),
        field(d::TOTAL, |s: &Share| Cell::int(s.total)),
        field(d::WITH_FINDING, |s: &Share| Cell::int(s.with_finding)),
        field(d::SHARE, move |s: &Share| percent(s, 0)),
        field(d::SHARE_LOW, move |s: &Share| percent(s, 1)),
        field(d::SHARE_HIGH, move |s: &Share| percent(s, 2)),
    ];
    Table::fill("findings-share", fields, shares)
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
