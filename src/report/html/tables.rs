//! Tables of the page, as text cells.

use super::scans::Scan;
use crate::format;
use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind, Decision, SpreadSource};
use crate::plot::level_label;
use crate::report::frame::PageTable;
use crate::results::Results;
use crate::terms::{Contact, Posture};
use crate::trace::Test;

/// Tests side by side in one table; more continue in the next.
const TESTS_IN_A_TABLE: usize = 6;

/// Side and trial of a test, as its column is headed.
pub fn test_name(test: &Test) -> String {
    let side = test.side().map_or("side not named", |s| s.word());
    match test.about.trial {
        Some(trial) => format!("{side}, trial {trial}"),
        None => format!("{side}, test {}", test.test),
    }
}

/// A measure of a test with its interval, as a cell.
fn cell(test: &Test, measure: Measure) -> String {
    match (test.measures.finding(measure), test.value(measure)) {
        (Some(e), _) => format::plus_minus(e.value, e.u95(), measure.info().decimals),
        (None, Some(_)) => format::NOT_DETERMINED.to_owned(),
        (None, None) => String::new(),
    }
}

/// Measures of the tests of one level, one column a test.
pub fn measures(tests: &[&Test], heading: &str) -> Vec<PageTable> {
    let parts = tests.len().div_ceil(TESTS_IN_A_TABLE);
    tests
        .chunks(TESTS_IN_A_TABLE)
        .enumerate()
        .map(|(part, tests)| {
            let mut heads = vec!["measure".to_owned(), "unit".to_owned()];
            heads.extend(tests.iter().map(|t| test_name(t)));
            let mut rows = vec![row("springs", "", tests, |t| t.springs.len().to_string())];
            for measure in Measure::ALL {
                if tests.iter().any(|t| t.value(measure).is_some()) {
                    let info = measure.info();
                    rows.push(row(info.label, info.unit, tests, |t| cell(t, measure)));
                }
            }
            let of = match parts {
                1 => String::new(),
                _ => format!(" (part {} of {parts})", part + 1),
            };
            let caption = format!("Measures at {heading}{of}; ± is the half-width of the 95 % interval");
            PageTable::of_numbers(caption, heads, rows)
        })
        .collect()
}

fn row(label: &str, unit: &str, tests: &[&Test], cell: impl Fn(&Test) -> String) -> Vec<String> {
    let mut row = vec![label.to_owned(), unit.to_owned()];
    row.extend(tests.iter().map(|t| cell(t)));
    row
}

/// All tests of a scan, one row each, with the few measures that matter first.
pub fn compact(results: &Results, scan: &Scan<'_>) -> PageTable {
    const SHOWN: [Measure; 5] = [
        Measure::Preload,
        Measure::Peak,
        Measure::Onset,
        Measure::EndFeel,
        Measure::LossRatio,
    ];
    let mut heads: Vec<String> = ["recording", "test", "level", "side", "springs"]
        .map(str::to_owned)
        .to_vec();
    heads.extend(SHOWN.iter().map(|m| {
        let info = m.info();
        match info.unit {
            "" => info.label.to_owned(),
            unit => format!("{} ({unit})", info.label),
        }
    }));
    let mut order = scan.tests.clone();
    order.sort_by_key(|&i| {
        let t = &results.tests[i];
        (t.about.level.is_none(), t.about.level, t.side(), t.about.trial, i)
    });
    let rows = order.into_iter().map(|i| {
        let t = &results.tests[i];
        let mut row = vec![
            t.recording.clone(),
            t.test.to_string(),
            t.about.level.map_or(String::new(), |l| l.label().to_owned()),
            t.side().map_or(String::new(), |s| s.word().to_owned()),
            t.springs.len().to_string(),
        ];
        row.extend(SHOWN.iter().map(|m| cell(t, *m)));
        row
    });
    PageTable::of_numbers(format!("Every test of {}", scan.about()), heads, rows)
}

/// Every comparison of a scan, all measures; `None` without any.
pub fn comparisons(scan: &Scan<'_>, confidence: f64, blinded: bool) -> Option<PageTable> {
    if scan.comparisons.is_empty() {
        return None;
    }
    let heads = [
        "level",
        "measure",
        "left",
        "right",
        "tests",
        &format!("right against left ({} interval)", format::coverage(confidence)),
        "threshold",
        "MDC95",
        "spread from",
        "side of resistance",
        "call",
    ];
    let mut sorted = scan.comparisons.clone();
    sorted.sort_by_key(|f| (f.kind, f.key.level.is_none(), f.key.level, f.measure));
    let rows = sorted.into_iter().map(|f| comparison_row(f, blinded));
    Some(PageTable::of_text(format!("Every comparison of {}", scan.about()), heads, rows))
}

fn comparison_row(f: &Comparison, blinded: bool) -> Vec<String> {
    let info = f.measure.info();
    let number = |v: Option<f64>| v.map_or(String::new(), |v| format::number(v, info.decimals));
    let percent = |v: Option<f64>| v.map_or(String::new(), |v| format!("{} %", format::number(v, 0)));
    let difference = match (f.asymmetry_percent, f.difference) {
        (Some(at), _) => interval([Some(at), f.low_percent, f.high_percent], "%", 0),
        (None, Some([at, low, high])) => {
            interval([Some(at), Some(low), Some(high)], info.unit, info.decimals)
        }
        (None, None) => String::new(),
    };
    let neighbours = f.kind == ComparisonKind::Neighbours;
    let mut level = level_label(f);
    let posture = f.key.posture.as_ref().map(Posture::as_str);
    for part in [posture, f.key.contact.map(Contact::word)].into_iter().flatten() {
        level = format!("{level}, {part}");
    }
    vec![
        level.replace('_', " "),
        match info.unit {
            "" => info.label.to_owned(),
            unit => format!("{} ({unit})", info.label),
        },
        match neighbours {
            true => format!("neighbours {}", number(f.left)),
            false => number(f.left),
        },
        match neighbours {
            true => format!("level {}", number(f.right)),
            false => number(f.right),
        },
        match neighbours {
            true => f.right_trials.to_string(),
            false => format!("{}\u{a0}+\u{a0}{}", f.left_trials, f.right_trials),
        },
        difference,
        percent(f.threshold_percent),
        percent(f.mdc_percent),
        match (f.spread_source, f.variance_rule) {
            (Some(source), Some(rule)) if source == SpreadSource::Trials => format!("{}, {}", source.word(), rule.word()),
            (source, _) => source.map_or(String::new(), |s| s.word().to_owned()),
        },
        match f.side_of_resistance {
            Some(Decision::Undecided) if neighbours => "undecided against neighbours".to_owned(),
            Some(word) => word.word().replace('_', " "),
            None if blinded && !neighbours => "hidden".to_owned(),
            None => "shown without a word".to_owned(),
        },
        f.call.map_or(String::new(), |c| c.to_string()),
    ]
}

fn interval([at, low, high]: [Option<f64>; 3], unit: &str, decimals: usize) -> String {
    let number = |v: f64| format::number(v, decimals);
    let at = at.map_or(String::new(), number);
    match (low, high) {
        (Some(low), Some(high)) => format!("{at} {unit} ({} to {})", number(low), number(high)),
        _ => format!("{at} {unit}"),
    }
    .replace("  ", " ")
}
