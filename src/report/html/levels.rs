//! The tests of a scan, level by level: figures and measures.

use super::mats;
use super::scans::Scan;
use super::tables;
use super::technique;
use super::{Drawn, Of};
use crate::compare::depth_difference;
use crate::format;
use crate::plot::PanelOptions;
use crate::report::frame::PageTable;
use crate::results::Results;
use crate::technique::ceiling_of;
use crate::terms::{Posture, Side, TestKey, covered_label};
use crate::trace::Test;
use serde::Serialize;
use std::collections::HashMap;

/// What a test's figure takes from the tests beside it and from the settings.
pub struct Context<'a> {
    results: &'a Results,
    trials: HashMap<(TestKey, Option<Side>), u32>,
    top_n: HashMap<TestKey, f64>,
}

impl<'a> Context<'a> {
    pub fn new(results: &'a Results) -> Context<'a> {
        let mut trials = HashMap::new();
        let mut top_n: HashMap<TestKey, f64> = HashMap::new();
        for test in &results.tests {
            let group = test.about.key();
            let peak = test
                .curve
                .force_n
                .iter()
                .map(|f| f64::from(*f))
                .fold(0.0, f64::max);
            let top = top_n.entry(group.clone()).or_insert(peak);
            *top = top.max(peak);
            *trials.entry((group, test.side())).or_insert(0) += 1;
        }
        Context {
            results,
            trials,
            top_n,
        }
    }

    /// Ceiling, number of trials and common force axis for one test.
    pub fn panel_options(&self, test: &Test) -> PanelOptions {
        let group = test.about.key();
        PanelOptions {
            ceiling: Some(ceiling_of(test, &self.results.settings)),
            trials: self.trials.get(&(group.clone(), test.side())).copied(),
            force_top_n: self.top_n.get(&group).copied(),
        }
    }
}

/// One level of a scan.
#[derive(Debug, Serialize)]
pub struct LevelView {
    pub heading: String,
    pub svgs: Vec<String>,
    /// Figures of tests on a pressure mat.
    pub mats: Vec<String>,
    pub tables: Vec<PageTable>,
    /// Notes of the analysis, each with the test it belongs to.
    pub notes: Vec<String>,
}

/// The levels of a scan, from the neck down, that have at least one figure, or all of them when `all` is asked.
pub fn levels(results: &Results, scan: &Scan<'_>, drawn: &[Drawn], all: bool) -> Vec<LevelView> {
    let figures: HashMap<usize, &Drawn> = drawn
        .iter()
        .filter_map(|d| match d.of {
            Of::Test(i) => Some((i, d)),
            Of::Scan(_) | Of::Overlay(_) | Of::Mat(_) => None,
        })
        .collect();
    let overlays: HashMap<usize, &Drawn> = drawn
        .iter()
        .filter_map(|d| match d.of {
            Of::Overlay(i) => Some((i, d)),
            Of::Scan(_) | Of::Test(_) | Of::Mat(_) => None,
        })
        .collect();
    let mut groups: Vec<(TestKey, Vec<usize>)> = Vec::new();
    let mut place: HashMap<TestKey, usize> = HashMap::new();
    for &i in &scan.tests {
        let group = results.tests[i].about.key();
        let at = *place.entry(group.clone()).or_insert_with(|| {
            groups.push((group, Vec::new()));
            groups.len() - 1
        });
        groups[at].1.push(i);
    }
    groups.sort_by_key(|(_, tests)| {
        let level = tests.first().and_then(|i| results.tests[*i].about.level);
        (level.is_none(), level)
    });
    let mut levels = Vec::new();
    for (_, mut members) in groups {
        if !all && !members.iter().any(|i| figures.contains_key(i)) {
            continue;
        }
        // Left and right of the same trial stand together.
        members.sort_by_key(|&i| {
            let t = &results.tests[i];
            (t.about.trial, t.recording.as_str(), t.test, t.side())
        });
        let svgs = members
            .iter()
            .flat_map(|i| [figures.get(i), overlays.get(i)])
            .flatten()
            .map(|d| d.figure.svg.clone())
            .collect();
        // In the table each side stands together.
        let mut by_side: Vec<&Test> = members.iter().map(|i| &results.tests[*i]).collect();
        by_side.sort_by_key(|t| t.side());
        let heading = heading(by_side[0]);
        let hidden = by_side.iter().any(|t| results.hides(t));
        let depth = depth_difference(&by_side).filter(|_| !hidden);
        levels.push(LevelView {
            svgs,
            mats: mats::of_tests(results, &members, drawn),
            tables: tables(results, &by_side, &heading),
            notes: by_side
                .iter()
                .filter(|t| !results.hides(t))
                .flat_map(|t| t.remarks().into_iter().map(|n| format!("{}: {n}", tables::test_name(t))))
                .chain(depth.map(|depth| depth.to_string()))
                .collect(),
            heading,
        });
    }
    levels
}

/// What was measured, how it was done, and how far that is from the reference.
fn tables(results: &Results, tests: &[&Test], heading: &str) -> Vec<PageTable> {
    let mut all = tables::measures(tests, heading);
    all.extend(technique::bands(tests, &results.settings, heading));
    all.extend(technique::beside_reference(tests, results, heading));
    all
}

/// The level and what else only these tests share.
pub fn heading(test: &Test) -> String {
    let a = &test.about;
    let level = covered_label(&a.covers, a.level).unwrap_or_else(|| "level not named".to_owned());
    let drive = a
        .line_of_drive
        .map(|d| format!("line of drive {}°", format::number(d.degrees(), 0)));
    let contact = a.contact.map(|c| format!("{c} contact"));
    let rest: Vec<String> = [a.posture.as_ref().map(Posture::to_string), contact, drive]
        .into_iter()
        .flatten()
        .collect();
    match rest.is_empty() {
        true => level,
        false => format!("{level}: {}", rest.join(", ").replace('_', " ")),
    }
}
