//! Counts, shares and coverage against what was put into the class, and against the tables they are made of.

use super::{FIRST, PLAIN, SECOND, SPOILED, THIRD, page};
use std::collections::{BTreeMap, BTreeSet};
use tautpoint::columns::Measure;
use tautpoint::report::debrief::{Debrief, Share, Shown};
use tautpoint::report::tables::Table;
use tautpoint::results::Results;
use tautpoint::stats::agreement::psychometric::share_interval;

/// Rows of a table as texts by column.
fn rows(table: &Table) -> Vec<BTreeMap<String, String>> {
    let csv = table.to_csv().unwrap();
    let mut reader = csv::Reader::from_reader(csv.as_slice());
    let heads = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|r| {
            let row = r.unwrap();
            heads
                .iter()
                .zip(row.iter())
                .map(|(h, c)| (h.to_owned(), c.to_owned()))
                .collect()
        })
        .collect()
}

/// Episodes of contact that a table's rows are about.
fn episodes<'a>(rows: impl Iterator<Item = &'a BTreeMap<String, String>>) -> usize {
    rows.map(|r| (&r["recording"], &r["test"]))
        .collect::<BTreeSet<_>>()
        .len()
}

fn share<'a>(shares: &'a [Share], learner: Option<&str>, session: Option<&str>, finding: &str) -> &'a Share {
    let of = |s: &&Share| {
        (s.learner.as_deref(), s.session.as_deref(), s.rule.word()) == (learner, session, finding)
    };
    shares.iter().find(of).unwrap()
}

/// Each share again, from the tables of an analysis alone.
fn recount(results: &Results, share: &Share) -> (usize, usize) {
    let of = |r: &&BTreeMap<String, String>| {
        share.learner.as_ref().is_none_or(|l| r["examiner"] == *l)
            && share.session.as_ref().is_none_or(|s| r["session"] == *s)
    };
    let tests = rows(&results.table("tests").unwrap());
    let technique = rows(&results.table("technique").unwrap());
    let made = technique
        .iter()
        .filter(of)
        .filter(|r| r["finding"] == share.rule.word());
    let scan = |r: &BTreeMap<String, String>| ["subject", "examiner", "session"].map(|c| r[c].clone());
    match share.of {
        "scans" => {
            let scans: BTreeSet<_> = tests.iter().filter(of).map(scan).collect();
            let hit: BTreeSet<_> = made.map(scan).collect();
            (hit.len(), scans.len())
        }
        _ => (episodes(made), episodes(tests.iter().filter(of))),
    }
}

#[test]
fn shares_are_the_counts_of_the_tables_and_find_the_faults_that_were_made() {
    let (results, study) = &*SPOILED;
    let debrief = Debrief::of(results, study);
    assert_eq!(results.tests.len(), 48);
    assert!(!debrief.shares.is_empty());
    for share in &debrief.shares {
        assert_eq!(
            (share.with_finding, share.total),
            recount(results, share),
            "{share:?}"
        );
        if share.judged == 0 {
            assert_eq!(share.percent, None, "{share:?}");
            continue;
        }
        let wilson = share_interval(share.with_finding, share.total, 0.95)
            .unwrap()
            .unwrap();
        assert_eq!(share.percent.unwrap()[0], 100.0 * wilson.value);
    }
    let early = |learner, session| share(&debrief.shares, learner, session, "sprung_before_slack_out");
    assert_eq!((early(None, None).with_finding, early(None, None).total), (3, 48));
    let own = early(Some("L-02"), Some(FIRST));
    assert_eq!((own.with_finding, own.total), (2, 4));
    assert_eq!(early(Some("L-01"), None).with_finding, 0);
    let over = share(&debrief.shares, Some("L-03"), None, "over_ceiling");
    // Its twelve tests, and the one that was made again.
    assert_eq!((over.with_finding, over.total), (1, 13));
    // Newcombe 1998, Stat Med 17:857-872, table I, method 3: 15 of 148 gives 0.0624 to 0.1605, 0 of 20 gives 0 to 0.1611.
    for (hits, n, low, high) in [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ] {
        let found = share_interval(hits, n, 0.95).unwrap().unwrap();
        assert!(
            (found.low.unwrap() - low).abs() < 5e-5 && (found.high.unwrap() - high).abs() < 5e-5,
            "{found:?}"
        );
    }
}

#[test]
fn means_and_intervals_are_those_of_the_tests() {
    let (plain, study) = &*PLAIN;
    let mut results = plain.clone();
    results.tests.truncate(3);
    let debrief = Debrief::of(&results, study);
    let points = &debrief.learners[0].points;
    let point = points.iter().find(|p| p.measure == Shown::Excursion).unwrap();
    let x: Vec<f64> = results
        .tests
        .iter()
        .map(|t| t.value(Measure::Excursion).unwrap())
        .collect();
    let mean = x.iter().sum::<f64>() / 3.0;
    let sd = (x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 2.0).sqrt();
    // t(0.975, 2) = 4.302653 (NIST/SEMATECH e-Handbook, 1.3.6.7.2: 4.303).
    let half = 4.302_652_729_911_275 * sd / 3f64.sqrt();
    let [low, high] = point.spot.interval.unwrap();
    assert!((point.spot.mean - mean).abs() < 1e-12);
    assert!((low - (mean - half)).abs() < 1e-9 && (high - (mean + half)).abs() < 1e-9);
    // Amplitude is peak less preload, spring by spring.
    let amplitude = points.iter().find(|p| p.measure == Shown::Amplitude).unwrap();
    for (value, test) in amplitude.values.iter().zip(&results.tests) {
        let rises: Vec<f64> = test
            .counted_springs()
            .map(|s| s.peak_n - s.preload_n.unwrap())
            .collect();
        assert!((value - rises.iter().sum::<f64>() / rises.len() as f64).abs() < 1e-9);
    }
}

#[test]
fn what_was_missed_doubled_and_out_of_order_is_told_scan_by_scan() {
    let (results, study) = &*SPOILED;
    let debrief = Debrief::of(results, study);
    assert_eq!(debrief.coverage.len(), 12);
    for scan in &debrief.coverage {
        let who = (
            scan.examiner.as_deref().unwrap(),
            scan.session.as_deref().unwrap(),
        );
        let expected: [&[&str]; 3] = match who {
            ("L-01", SECOND) => [&["L3 right"], &[], &[]],
            ("L-02", FIRST) => [&[], &[], &["L4 left", "L4 right"]],
            ("L-03", THIRD) => [&[], &["L4 left"], &[]],
            _ => [&[], &[], &[]],
        };
        let found = [&scan.missed, &scan.doubled];
        assert_eq!(found, [expected[0], expected[1]], "{who:?}");
        // Two steps swapped: either pair may be called the one that is out of order.
        assert_eq!(
            scan.out_of_order.len(),
            expected[2].len(),
            "{who:?} {:?}",
            scan.out_of_order
        );
        assert_eq!(scan.planned, Some(4));
        assert_eq!(scan.done, Some(if who == ("L-01", SECOND) { 3 } else { 4 }));
        // Recordings follow each other by 40 s and hold 7 to 14 s of contact.
        let seconds = scan.time.unwrap().seconds;
        let last = match who {
            ("L-01", SECOND) => 80.0,
            ("L-02", FIRST) => 2.0 * 3600.0 - 40.0,
            _ => 120.0,
        };
        assert!((last + 5.0..last + 15.0).contains(&seconds), "{who:?} {seconds}");
    }
}

#[test]
fn over_the_ceiling_comes_first_then_what_lies_farthest_outside() {
    let (results, study) = &*SPOILED;
    let debrief = Debrief::of(results, study);
    let learner = &debrief.learners[0];
    let names: Vec<&str> = learner.work_on.iter().map(|w| w.rule.word()).collect();
    assert_eq!(names[0], "over_ceiling");
    assert_eq!(names.len(), 2, "{names:?}");
    assert!(learner.work_on[0].advice.contains("less weight"));
    let html = page(&debrief, results, false, "learners/L-01.html");
    assert!(html.contains("Stay under the ceiling"));
    let quiet = page(&debrief, results, false, "learners/L-04.html");
    assert!(!quiet.contains("Stay under the ceiling"));
}
