//! Recordings that give no result, or whose level nobody gave, are held against a ceiling all the same; and where that cannot
//! be, no page says that nothing went over.

use std::fmt::Write as _;
use std::path::Path;
use tautpoint::batch::{Options, run};
use tautpoint::report::html::{self, PageOptions};
use tautpoint::report::summary_text;
use tautpoint::results::{LookedAt, Results};
use tautpoint::technique::{TechniqueFinding, TechniqueRule};

/// A hold of `peak_n` from 1 to 4 s and a jab of `jab_n` for 60 ms at 5 s, at 1 kHz, force alone; rows under the heading.
fn rows(peak_n: f64, jab_n: f64) -> Vec<String> {
    let force = |i: usize| {
        let press = (i as f64 / 1000.0 - 1.0) / 3.0;
        let press = if (0.0..1.0).contains(&press) {
            (press * std::f64::consts::PI).sin() * peak_n
        } else {
            0.0
        };
        let jab = if (5000..5060).contains(&i) { jab_n } else { 0.0 };
        press + jab + 0.1 * ((i * 7919 % 11) as f64 - 5.0)
    };
    (0..7000)
        .map(|i| format!("{:.3},{:.2}", i as f64 / 1000.0, force(i)))
        .collect()
}

fn text(rows: &[String]) -> String {
    rows.iter().fold("time_s,force_n\n".to_owned(), |mut text, row| {
        writeln!(text, "{row}").unwrap();
        text
    })
}

fn analysed(dir: &Path, sidecar: &str, text: &str) -> Results {
    std::fs::write(dir.join("press.csv"), text).unwrap();
    std::fs::write(dir.join("press.toml"), sidecar).unwrap();
    run(&[dir.join("press.csv")], &Options::default()).unwrap()
}

fn over(results: &Results) -> Vec<&TechniqueFinding> {
    results
        .technique
        .iter()
        .filter(|f| f.rule == TechniqueRule::OverCeiling)
        .collect()
}

#[test]
fn a_test_without_a_level_is_held_against_the_lowest_ceiling_and_says_so() {
    let dir = tempfile::tempdir().unwrap();
    // A test of 90 N, a jab of 120 N in no test, and a test over every ceiling with a jab beside it.
    for (peak_n, jab_n, pushes) in [
        (90.0, 0.0, 1),
        (40.0, 120.0, 1),
        (200.0, 0.0, 1),
        (200.0, 300.0, 2),
        (40.0, 0.0, 0),
    ] {
        let results = analysed(dir.path(), "", &text(&rows(peak_n, jab_n)));
        let found = over(&results);
        assert_eq!(found.len(), pushes, "{peak_n} {jab_n}: {found:?}");
        for finding in found {
            assert_eq!(finding.high, Some(60.0));
            assert!(
                finding
                    .observed
                    .contains("level not given: held against the lowest ceiling"),
                "{}",
                finding.observed
            );
        }
        let summary = summary_text(&results).replace("\n    ", " ");
        assert!(
            summary
                .contains("Level not given in 1 test: held against the lowest ceiling, neck 60 N: press.csv"),
            "{summary}"
        );
        let page = html::page(&results, &PageOptions::default()).unwrap();
        assert_eq!(page.contains("No push went over its ceiling"), pushes == 0);
        assert!(page.contains("held against the lowest ceiling"));
    }
}

#[test]
fn a_stretch_outside_every_test_has_the_lowest_ceiling_of_where_it_may_have_been() {
    let dir = tempfile::tempdir().unwrap();
    // A plan of lumbar and neck: the test is the lumbar step's, and nobody knows where the jab of 90 N was.
    let plan = "name = \"two\"\n[[step]]\nlevel = \"L3\"\nside = \"left\"\n[[step]]\nlevel = \"C5\"\nside = \"left\"\n";
    let (plan, problems) = tautpoint::study::plan::Plan::parse("two.toml", plan);
    assert!(problems.is_empty(), "{problems:?}");
    // After the lumbar test and the jab a test of 40 N, the neck's.
    let mut all = rows(100.0, 90.0);
    let second = rows(40.0, 0.0);
    all.extend(
        (7000..)
            .zip(&second)
            .map(|(i, row)| format!("{:.3},{}", f64::from(i) / 1000.0, row.split_once(',').unwrap().1)),
    );
    std::fs::write(dir.path().join("press.csv"), text(&all)).unwrap();
    let options = Options {
        plan,
        ..Options::default()
    };
    let results = run(&[dir.path().join("press.csv")], &options).unwrap();
    let found = over(&results);
    assert_eq!(
        (results.tests.len(), found.len()),
        (2, 1),
        "{found:?} {:?}",
        results.problems
    );
    assert!(
        (found[0].value.unwrap() - 90.0).abs() < 1.0 && found[0].high == Some(60.0),
        "{found:?}"
    );
    // Where the sidecar says the level, it is known.
    let results = analysed(dir.path(), "level = \"L3\"\n", &text(&rows(100.0, 90.0)));
    assert!(over(&results).is_empty());
}

/// What spoils a recording: its sidecar and its rows.
fn spoilt() -> Vec<(&'static str, String, String)> {
    let good = || rows(40.0, 120.0);
    let sidecar = |more: &str| format!("level = \"C5\"\nexaminer = \"L-11\"\n{more}");
    let with_row = |i: usize, row: &str| {
        let mut all = good();
        row.clone_into(&mut all[i]);
        text(&all)
    };
    let mut back = good();
    for row in &mut back[6000..] {
        let (time, force) = row.split_once(',').unwrap();
        *row = format!("{:.3},{force}", time.parse::<f64>().unwrap() - 5.5);
    }
    let mut kilo = good();
    for row in &mut kilo[6500..6600] {
        *row = row.replace(',', ",71000");
    }
    vec![
        (
            "an unknown level",
            "level = \"C55\"\nexaminer = \"L-11\"\n".to_owned(),
            text(&good()),
        ),
        (
            "a day in another form",
            sidecar("recorded_at = \"28.08.2026\"\n"),
            text(&good()),
        ),
        (
            "an exclusion without a reason",
            sidecar("excluded = \"\"\n"),
            text(&good()),
        ),
        (
            "a cell that is no number",
            sidecar(""),
            with_row(200, "0.200,much"),
        ),
        (
            "a row that is not whole",
            sidecar(""),
            with_row(200, "0.200,1.0,7"),
        ),
        ("time that runs back", sidecar(""), text(&back)),
        (
            "a plan that is not there",
            sidecar("").replace("level = \"C5\"\n", "plan = \"nowhere\"\n"),
            text(&good()),
        ),
        ("a force that no hand gives", sidecar(""), text(&kilo)),
        (
            "a sidecar that is no TOML",
            "level = C5\n".to_owned(),
            text(&good()),
        ),
        (
            "a gain that cannot be used",
            sidecar("gain = 1.5\n"),
            text(&good()),
        ),
    ]
}

#[test]
fn a_recording_that_is_refused_is_looked_at_for_ceilings() {
    let dir = tempfile::tempdir().unwrap();
    for (what, sidecar, text) in spoilt() {
        let results = analysed(dir.path(), &sidecar, &text);
        assert!(results.tests.is_empty(), "{what} is refused");
        let found = over(&results);
        assert_eq!(found.len(), 1, "{what}: {found:?} {:?}", results.problems);
        assert!((found[0].value.unwrap() - 120.0).abs() < 1.0, "{what}: {found:?}");
        assert!(
            found[0].observed.contains("at 5.00 s for 59 ms"),
            "{what}: {}",
            found[0].observed
        );
        let page = html::page(&results, &PageOptions::default()).unwrap();
        assert!(!page.contains("No push went over"), "{what}");
        let in_part = [
            "a cell that is no number",
            "a row that is not whole",
            "a force that no hand gives",
            "a sidecar that is no TOML",
            "a gain that cannot be used",
        ];
        let lacks: Vec<LookedAt> = results.not_looked_at.iter().map(|n| n.looked_at).collect();
        let expected = if in_part.contains(&what) {
            vec![LookedAt::Part]
        } else {
            vec![]
        };
        assert_eq!(lacks, expected, "{what}: {:?}", results.not_looked_at);
    }
}

#[test]
fn no_page_says_that_nothing_went_over_while_a_recording_was_not_looked_at() {
    let dir = tempfile::tempdir().unwrap();
    for (sidecar, file, why) in [
        ("", "", "an empty file"),
        ("", "time_s,torque_nm\n0,1\n1,1\n", "torque"),
        (
            "level = \"C5\"\n",
            "time_s,force_counts\n0.0,100\n0.1,5000\n0.2,100\n",
            "sensor counts",
        ),
        (
            "level = \"C5\"\n",
            "time_s,force_n\n0.0,0\n0.1,0\n0.2,0\n",
            "the sensor was dead",
        ),
        ("level = \"C5\"\n[mat]\n", "time_s,1,2\n0,1,1\n", "pressure mat"),
    ] {
        std::fs::write(dir.path().join("fine.csv"), text(&rows(40.0, 0.0))).unwrap();
        std::fs::write(dir.path().join("fine.toml"), "level = \"C5\"\n").unwrap();
        std::fs::write(dir.path().join("bad.csv"), file).unwrap();
        std::fs::write(dir.path().join("bad.toml"), sidecar).unwrap();
        let results = run(&[dir.path().to_owned()], &Options::default()).unwrap();
        assert_eq!((results.tests.len(), over(&results).len()), (1, 0), "{why}");
        assert_eq!(
            results.not_looked_at.len(),
            1,
            "{why}: {:?}",
            results.not_looked_at
        );
        let page = html::page(&results, &PageOptions::default()).unwrap();
        assert!(!page.contains("No push went over its ceiling"), "{why}");
        assert!(
            page.contains("1 recording could not be looked at for ceilings: bad.csv ("),
            "{why}"
        );
        let summary = summary_text(&results).replace("\n    ", " ");
        assert!(
            summary.contains("1 recording could not be looked at for ceilings: bad.csv ("),
            "{summary}"
        );
        assert!(
            results.not_looked_at[0].why.contains(why),
            "{:?}",
            results.not_looked_at
        );
    }
    // A check with a known weight is no push.
    let results = analysed(
        dir.path(),
        "known_weight_n = 120\nlevel = \"C55\"\n",
        &text(&rows(40.0, 120.0)),
    );
    assert!(over(&results).is_empty() && results.not_looked_at.is_empty());
}

/// Rows of both hands, the right one given.
fn two_hands(heading: &str, right: impl Fn(usize, f64) -> String) -> String {
    let rows: Vec<String> = rows(90.0, 0.0)
        .iter()
        .enumerate()
        .map(|(i, row)| {
            let force: f64 = row.split(',').nth(1).unwrap().parse().unwrap();
            format!("{row},{}", right(i, force))
        })
        .collect();
    text(&rows).replace("time_s,force_n", heading)
}

fn changed(change: impl Fn(usize, f64) -> Option<String>) -> String {
    let rows: Vec<String> = rows(90.0, 0.0)
        .iter()
        .enumerate()
        .filter_map(|(i, row)| {
            let (time, force) = row.split_once(',').unwrap();
            Some(format!("{time},{}", change(i, force.parse().unwrap())?))
        })
        .collect();
    text(&rows)
}

#[test]
fn force_that_may_have_been_more_than_was_seen_is_looked_at_only_in_part() {
    let plain = |_: usize, n: f64| format!("{n:.2}");
    let lost = 2300..2900;
    let cases = [
        (
            "a second hand misspelt",
            two_hands("time_s,force_left_n,force_rigth_n", plain),
        ),
        (
            "a second hand by another name",
            two_hands("time_s,force_n,kraft_n", plain),
        ),
        (
            "an empty hand",
            two_hands("time_s,force_left_n,force_right_n", |_, _| String::new()),
        ),
        (
            "a stuck hand",
            two_hands("time_s,force_left_n,force_right_n", |_, _| "30".to_owned()),
        ),
        (
            "holes",
            changed(|i, n| {
                Some(if lost.contains(&i) {
                    String::new()
                } else {
                    plain(i, n)
                })
            }),
        ),
        (
            "rows left out",
            changed(|i, n| (!lost.contains(&i)).then(|| plain(i, n))),
        ),
        (
            "a code for no value",
            changed(|i, n| {
                Some(if lost.contains(&i) {
                    "-999".to_owned()
                } else {
                    plain(i, n)
                })
            }),
        ),
        (
            "a sensor at its limit",
            changed(|i, n| Some(plain(i, n.min(60.0)))),
        ),
        (
            "a load taken off as zero",
            changed(|i, n| Some(plain(i, n + 45.0))),
        ),
    ];
    for (what, text) in cases {
        let dir = tempfile::tempdir().unwrap();
        let results = analysed(dir.path(), "level = \"L3\"\n", &text);
        let told: Vec<_> = results
            .not_looked_at
            .iter()
            .map(|n| (n.looked_at, n.why.as_str()))
            .collect();
        assert!(
            matches!(told[..], [(LookedAt::Part, _)]),
            "{what}: {told:?} {:?}",
            results.problems
        );
        let page = html::page(&results, &PageOptions::default()).unwrap();
        assert!(!page.contains("No push went over its ceiling"), "{what}");
    }
}

#[test]
fn what_has_nothing_to_do_with_force_casts_no_doubt_on_it() {
    let plain = |_: usize, n: f64| format!("{n:.2}");
    let cases = [
        ("an angle", two_hands("time_s,force_n,left_knee_angle_deg", plain)),
        (
            "what was aimed at",
            two_hands("time_s,force_n,Target Force (N)", plain),
        ),
        (
            "holes with the hand off",
            changed(|i, n| Some(if i < 500 { String::new() } else { plain(i, n) })),
        ),
        (
            "single holes",
            changed(|i, n| Some(if i % 50 == 0 { String::new() } else { plain(i, n) })),
        ),
    ];
    for (what, text) in cases {
        let dir = tempfile::tempdir().unwrap();
        let results = analysed(dir.path(), "level = \"L3\"\n", &text);
        assert_eq!(results.not_looked_at, [], "{what}");
    }
}
