//! A number whose interval is wider than itself is not printed as a finding, and the reader is told why.
//!
//! The press is our own: a tissue that gives way under the hold has more than one stiffness at one displacement, which no
//! fit can tell apart.

use std::fmt::Write as _;
use std::path::Path;
use tautpoint::batch::{Options, run};
use tautpoint::columns::Measure;
use tautpoint::report::output::{OutputOptions, write};
use tautpoint::report::{budget_text, summary_text};
use tautpoint::results::Results;
use tautpoint::trace::Measured;

/// A lean over 9.5 mm of slack into stiff tissue that gives way by six tenths under the hold, without springs, at 500 Hz.
fn leaned_and_held() -> String {
    let rise = |t: f64, from: f64, to: f64| ((t - from) / (to - from)).clamp(0.0, 1.0);
    let ease = |share: f64| (share * std::f64::consts::FRAC_PI_2).sin().powi(2);
    let mut state = 2_u64;
    // The sum of twelve uniform numbers is nearly normal.
    let mut noise = || {
        let mut sum = -6.0;
        for _ in 0..12 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            sum += (state >> 33) as f64 / (1_u64 << 31) as f64;
        }
        sum
    };
    let mut text = "time_s,force_n,displacement_mm\n".to_owned();
    for i in 0..4000 {
        let t = f64::from(i) / 500.0;
        let mm = (10.0 * ease(rise(t, 1.0, 3.0)) - 10.0 * ease(rise(t, 5.0, 6.0))).max(0.0);
        let n = (3.0 * mm + 300.0 * (mm - 9.5).max(0.0)) * (1.0 - 0.6 * rise(t, 3.0, 5.0));
        let (n, mm) = (n + 0.1 * noise(), mm + 0.05 * noise());
        writeln!(text, "{t:.4},{n:.4},{mm:.5}").unwrap();
    }
    text
}

fn analysed(dir: &Path) -> Results {
    let path = dir.join("press.csv");
    std::fs::write(&path, leaned_and_held()).unwrap();
    std::fs::write(dir.join("press.toml"), "level = \"L3\"\nside = \"left\"\n").unwrap();
    run(&[path], &Options::default()).unwrap()
}

#[test]
fn pages_figures_and_summary_say_why_instead_and_the_table_keeps_both() {
    let dir = tempfile::tempdir().unwrap();
    let results = analysed(dir.path());
    let test = &results.tests[0];
    let lost = test.measures.get(Measure::FittedEndFeel).unwrap();
    assert!(lost.u95().unwrap() > lost.value, "{lost:?}");
    let note = test.remarks().last().unwrap().to_string();
    assert!(
        note.starts_with("not determined: ")
            && note.contains("fitted end-feel stiffness")
            && note
                .ends_with("the 95 % interval is wider than the number itself, so the number is not shown"),
        "{note}"
    );

    let printed = format!("{:.2}", lost.value);
    assert!(!summary_text(&results).contains(&printed));
    // The summary has no column for this measure; one that it shows stands there in words.
    let mut of_summary = results.clone();
    let measured = Measured::new(lost.value, test.measures.budget(Measure::FittedEndFeel).to_vec());
    of_summary.tests[0].measures.set(Measure::EndFeel, measured);
    let summary = summary_text(&of_summary);
    assert!(
        summary.contains(" not determined ") && !summary.contains(&printed),
        "{summary}"
    );
    let budget = budget_text(&results);
    assert!(
        budget.contains(&format!("{printed} ± ")) && budget.contains("N/mm (not determined"),
        "{budget}"
    );

    let out = dir.path().join("out");
    write(&results, &out, &[], &OutputOptions::default()).unwrap();
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(
        page.contains("not determined") && page.contains(&note),
        "the page says why"
    );
    assert!(!page.contains(&printed), "the page prints {printed}");
    let table = std::fs::read_to_string(out.join("tests.csv")).unwrap();
    assert!(
        table.contains(&lost.value.to_string()) && table.contains("not determined: "),
        "{table}"
    );
}

#[test]
fn a_press_without_springs_has_no_share_of_the_springs_force() {
    let dir = tempfile::tempdir().unwrap();
    let results = analysed(dir.path());
    let test = &results.tests[0];
    assert!(test.springs.is_empty());
    assert_eq!(test.fit.as_ref().map(|fit| fit.residual_percent), Some(None));
    let words: Vec<String> = test.notes.iter().map(ToString::to_string).collect();
    assert!(!words.iter().any(|w| w.contains("springs' force")), "{words:?}");
    let poor = tautpoint::trace::Note::PoorFit {
        residual_percent: None,
    };
    assert_eq!(
        poor.to_string(),
        "poor fit: the tissue departs from the fitted law by more than noise explains; the intervals are widened for it"
    );
}
