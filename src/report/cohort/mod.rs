//! The cohort page: how measures are spread over levels, sides, examiners and sites, drawn from binned data.
//!
//! One file, no outside request. Each test is five small numbers and one bin a measure; the page counts bins, so that it
//! draws ten thousand tests at once. What it shows is this dataset's spread and no more: nothing to hold a person against.

use crate::format::counted;
use crate::columns::Measure;
use crate::error::Result;
use crate::format::number;
use crate::report::CAUTION;
use crate::report::frame::{Page, PageTable, base64};
use crate::results::Results;
use crate::terms::Level;
use crate::trace::Test;
use serde_json::{Value, json};
use std::collections::BTreeMap;

const TEMPLATE: &str = include_str!("page.html");
const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Bins of a measure; each is drawn as wide as the whole over this.
const BINS: u8 = 200;
/// What stands for a missing value.
const NONE: u8 = 255;
/// Measures offered, in this order, where any test has them.
const MEASURES: [Measure; 9] = [
    Measure::EndFeel,
    Measure::FittedEndFeel,
    Measure::Onset,
    Measure::OnsetForce,
    Measure::Excursion,
    Measure::Peak,
    Measure::LossRatio,
    Measure::RecoilRatio,
    Measure::Steadiness,
];
/// Values beyond these shares of the whole stand in the first and the last bin.
const TAILS: [f64; 2] = [0.002, 0.998];

/// The page.
///
/// # Errors
/// [`Error::Refused`] when it could not be put together; that is a fault of the program.
pub fn page(results: &Results) -> Result<String> {
    let page = Page {
        what: "the cohort page",
        templates: &[("page.html", TEMPLATE)],
        style: STYLE,
        script: Some(SCRIPT),
    };
    page.render(&json!({
        "title": results.title.as_deref().unwrap_or("Manual palpation, measured"),
        "standing": results.standing(),
        "caution": CAUTION,
        "version": env!("CARGO_PKG_VERSION"),
        "tests": counted(results.tests.len(), "test"),
        "recordings": counted(results.recordings_read(), "recording"),
        "tables": tables(results),
        // What stands in a script element ends only at `</`.
        "data": data(results).to_string().replace('<', "\\u003c"),
    }))
}

/// What tests are told apart by.
struct Facet {
    name: &'static str,
    of: fn(&Test) -> Option<&str>,
}

const FACETS: [Facet; 4] = [
    Facet {
        name: "level",
        of: |t| t.about.level.map(Level::word),
    },
    Facet {
        name: "side",
        of: |t| t.about.side.map(|s| s.word()),
    },
    Facet {
        name: "examiner",
        of: |t| t.about.examiner.as_deref(),
    },
    Facet {
        name: "site",
        of: |t| t.about.site.as_deref(),
    },
];

/// The groups of a facet: levels from the neck down, sides as they are named, the rest by name; tests without one last.
fn groups<'a>(facet: &Facet, tests: &'a [Test]) -> Vec<Option<&'a str>> {
    let mut groups: Vec<Option<&str>> = tests.iter().map(|t| (facet.of)(t)).collect();
    groups.sort_by_key(|g| (g.is_none(), g.and_then(Level::parse), *g));
    groups.dedup();
    groups
}

fn label<'a>(facet: &Facet, group: Option<&'a str>) -> &'a str {
    match group {
        None => "not named",
        Some(word) => match Level::parse(word) {
            Some(level) if facet.name == "level" => level.label(),
            _ => word,
        },
    }
}

/// Everything that the script draws from.
fn data(results: &Results) -> Value {
    let tests = &results.tests;
    let facets: Vec<Value> = FACETS
        .iter()
        .map(|facet| {
            let groups = groups(facet, tests);
            let at: BTreeMap<Option<&str>, usize> = groups.iter().enumerate().map(|(i, g)| (*g, i)).collect();
            // Two bytes a test: a study may have more than 256 examiners.
            let codes: Vec<u8> = tests
                .iter()
                .flat_map(|t| {
                    let code = at.get(&(facet.of)(t)).copied().unwrap_or(0);
                    u16::try_from(code).unwrap_or(u16::MAX).to_le_bytes()
                })
                .collect();
            let labels: Vec<&str> = groups.iter().map(|g| label(facet, *g)).collect();
            json!({ "name": facet.name, "groups": labels, "codes": base64(&codes) })
        })
        .collect();
    let measures: Vec<Value> = MEASURES.iter().filter_map(|m| measure(*m, tests)).collect();
    json!({ "tests": tests.len(), "bins": BINS, "facets": facets, "measures": measures })
}

fn measure(measure: Measure, tests: &[Test]) -> Option<Value> {
    let values: Vec<Option<f64>> = tests.iter().map(|t| t.finding(measure)).collect();
    let mut sorted: Vec<f64> = values.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let [low, high] = [quantile(&sorted, TAILS[0])?, quantile(&sorted, TAILS[1])?];
    let info = measure.info();
    let width = (high - low) / f64::from(BINS);
    let bin = |value: &Option<f64>| match value {
        None => NONE,
        Some(_) if width <= 0.0 => BINS / 2,
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        Some(v) => ((v - low) / width).floor().clamp(0.0, f64::from(BINS - 1)) as u8,
    };
    let codes: Vec<u8> = values.iter().map(bin).collect();
    Some(json!({
        "name": info.name,
        "label": info.label,
        "unit": info.unit,
        "decimals": info.decimals,
        "low": low,
        "high": high,
        "codes": base64(&codes),
    }))
}

/// The quantile at `share` of sorted values: between the two nearest, in proportion.
///
/// Definition 7 of Hyndman and Fan (1996), The American Statistician 50(4), 361-365, doi:10.1080/00031305.1996.10473566.
/// `None` without values.
pub fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let at = share.clamp(0.0, 1.0) * last as f64;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let below = (at.floor() as usize).min(last);
    let above = (below + 1).min(last);
    Some(sorted[below] + (at - below as f64) * (sorted[above] - sorted[below]))
}

/// The exact figures, for print and for readers without a script: median and 5-95 % of each measure by level.
fn tables(results: &Results) -> Vec<PageTable> {
    let facet = &FACETS[0];
    let groups = groups(facet, &results.tests);
    let figures = |m: &Measure| {
        let info = m.info();
        let mut rows: Vec<Vec<String>> = Vec::new();
        for group in &groups {
            let of_group = results.tests.iter().filter(|t| (facet.of)(t) == *group);
            let mut values: Vec<f64> = of_group.filter_map(|t| t.finding(*m)).collect();
            values.sort_by(f64::total_cmp);
            let told = |share| quantile(&values, share).map(|q| number(q, info.decimals));
            if let (Some(low), Some(median), Some(high)) = (told(0.05), told(0.5), told(0.95)) {
                let name = label(facet, *group).to_owned();
                rows.push(vec![name, values.len().to_string(), median, low, high]);
            }
        }
        let unit = if info.unit.is_empty() {
            String::new()
        } else {
            format!(", {}", info.unit)
        };
        let caption = format!("{}{unit}, by level", info.label);
        let heads = ["level", "tests", "median", "5 %", "95 %"];
        (!rows.is_empty()).then(|| PageTable::of_numbers(caption, heads, rows))
    };
    MEASURES.iter().filter_map(figures).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_the_definition() {
        // R 4.2, quantile(c(1, 2, 4, 8), c(0.05, 0.5, 0.95)), which is type 7 (by hand: 1.15, 3, 7.4).
        let values = [1.0, 2.0, 4.0, 8.0];
        for (share, expected) in [(0.05, 1.15), (0.5, 3.0), (0.95, 7.4), (0.0, 1.0), (1.0, 8.0)] {
            assert!((quantile(&values, share).unwrap() - expected).abs() < 1e-12);
        }
        assert_eq!(quantile(&[], 0.5), None);
        assert_eq!(quantile(&[3.0], 0.95), Some(3.0));
    }

    #[test]
    fn an_empty_cohort_still_makes_a_page() {
        let html = page(&Results::default()).unwrap();
        assert!(html.contains("No test has any of these measures"), "{html}");
    }
}
