//! How the tests were done: each number beside its band, and beside the reference.

use super::tables::test_name;
use crate::format;
use crate::report::frame::PageTable;
use crate::results::Results;
use crate::settings::Settings;
use crate::technique::reference::{ReferenceDifference, differences};
use crate::technique::{Aspect, BandCheck, BandStatus, RULES, band_check};
use crate::trace::Test;
use serde::Serialize;

/// Tests side by side in one table; more continue in the next.
const TESTS_IN_A_TABLE: usize = 6;

/// What the section on technique says before the findings.
#[derive(Debug, Serialize)]
pub struct TechniqueView {
    /// Each rule: its finding in words, then the rule.
    pub rules: Vec<[String; 2]>,
    /// What the reference is, when there is one.
    pub reference: Option<String>,
}

pub fn technique(results: &Results) -> TechniqueView {
    let reference = &results.reference;
    let of = match reference.len() {
        0 => None,
        n => Some(format::counted(n, "test")),
    };
    TechniqueView {
        rules: RULES
            .iter()
            .map(|r| [r.rule.to_string(), r.statement.to_owned()])
            .collect(),
        reference: of.map(|of| match reference.source.is_empty() {
            true => of,
            false => format!("{of} of {}", reference.source),
        }),
    }
}

/// Numbers of the tests of one level beside their bands; none where nothing can be held.
pub fn bands(tests: &[&Test], settings: &Settings, heading: &str) -> Vec<PageTable> {
    chunks(tests, |tests, part| {
        let rows: Vec<Vec<String>> = Aspect::ALL
            .into_iter()
            .filter_map(|aspect| {
                let held: Vec<Option<BandCheck>> =
                    tests.iter().map(|t| band_check(t, aspect, settings)).collect();
                let first = held.iter().flatten().next()?;
                let mut row = vec![aspect.label().to_owned(), aspect.unit().to_owned(), band(first)];
                row.extend(held.iter().map(|h| h.map_or(String::new(), |h| cell(&h))));
                Some(row)
            })
            .collect();
        let caption = format!(
            "Technique at {heading}{part}; ▲ above and ▼ below the band by more than the 95 % interval (the ceiling: by \
             anything)"
        );
        let heads = heads(["measured", "unit", "band"], tests);
        (!rows.is_empty()).then(|| PageTable::of_numbers(caption, heads, rows))
    })
}

/// The tests of one level beside the reference; none for tests that have no target, or are the reference's own.
pub fn beside_reference(tests: &[&Test], results: &Results, heading: &str) -> Vec<PageTable> {
    let reference = &results.reference;
    let others: Vec<&Test> = tests.iter().copied().filter(|t| !reference.holds(t)).collect();
    chunks(&others, |tests, part| {
        let all: Vec<Vec<ReferenceDifference>> = tests
            .iter()
            .map(|t| differences(t, reference).unwrap_or_default())
            .collect();
        let scope = all.iter().flatten().next()?.scope.word();
        let rows: Vec<Vec<String>> = crate::technique::reference::COMPARED
            .into_iter()
            .filter_map(|measure| {
                let own: Vec<Option<&ReferenceDifference>> = all
                    .iter()
                    .map(|found| found.iter().find(|d| d.measure == measure))
                    .collect();
                let target = &own.iter().flatten().next()?.target;
                let info = measure.info();
                let mean = format::number(target.mean, info.decimals);
                let mut row = vec![
                    info.label.to_owned(),
                    info.unit.to_owned(),
                    match target.sd {
                        Some(sd) => format!("{mean} (SD {})", format::number(sd, info.decimals)),
                        None => mean,
                    },
                ];
                row.extend(
                    own.iter()
                        .map(|d| d.map_or(String::new(), |d| signed(d, info.decimals))),
                );
                Some(row)
            })
            .collect();
        let caption = format!(
            "Beside the reference ({scope}) at {heading}{part}: what each test did more or less, with its 95 % interval"
        );
        Some(PageTable::of_numbers(caption, heads(["measure", "unit", "reference"], tests), rows))
    })
}

fn chunks(tests: &[&Test], table: impl Fn(&[&Test], &str) -> Option<PageTable>) -> Vec<PageTable> {
    let parts = tests.len().div_ceil(TESTS_IN_A_TABLE);
    tests
        .chunks(TESTS_IN_A_TABLE)
        .enumerate()
        .filter_map(|(i, tests)| {
            let part = match parts {
                1 => String::new(),
                _ => format!(" (part {} of {parts})", i + 1),
            };
            table(tests, &part)
        })
        .collect()
}

fn heads(first: [&str; 3], tests: &[&Test]) -> Vec<String> {
    let own = tests.iter().map(|t| test_name(t));
    first.into_iter().map(str::to_owned).chain(own).collect()
}

fn cell(held: &BandCheck) -> String {
    let number = format::plus_minus(held.value, held.u95, held.aspect.decimals());
    match held.status() {
        BandStatus::Within => number,
        BandStatus::Above => format!("▲\u{a0}{number}"),
        BandStatus::Below => format!("▼\u{a0}{number}"),
    }
}

/// The band in words.
fn band(held: &BandCheck) -> String {
    let end = |v: f64| format!("{v}").replace('-', "\u{2212}");
    match (held.low, held.high) {
        (Some(low), Some(high)) => format!("{} to {}", end(low), end(high)),
        (Some(low), None) => format!("{} or more", end(low)),
        (None, Some(high)) => format!("up to {}", end(high)),
        (None, None) => String::new(),
    }
}

fn signed(d: &ReferenceDifference, decimals: usize) -> String {
    let number = format::plus_minus(d.difference, d.u95, decimals);
    if d.difference > 0.0 {
        format!("+{number}")
    } else {
        number
    }
}
