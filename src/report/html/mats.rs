//! Figures of tests on a pressure mat: in the page they stand below the panels of their level.

use super::choose::UniqueNames;
use super::{Drawn, Of};
use crate::plot::mat_figures;
use crate::results::Results;
use std::collections::BTreeSet;

/// The figures of every mat test of which at least one side is chosen.
pub fn drawn(results: &Results, chosen: &[usize], names: &mut UniqueNames) -> Vec<Drawn> {
    let chosen: BTreeSet<(&str, u32)> = chosen
        .iter()
        .map(|i| (results.tests[*i].recording.as_str(), results.tests[*i].test))
        .collect();
    let mut all = Vec::new();
    for (i, mat) in results.mats.iter().enumerate() {
        if !chosen.contains(&(mat.recording.as_str(), mat.test)) {
            continue;
        }
        let file = mat.recording.rsplit('/').next().unwrap_or("");
        let stem = file.split('.').next().unwrap_or("");
        for (word, figure) in mat_figures(mat) {
            all.push(Drawn {
                of: Of::Mat(i),
                name: names.take(&format!("mat-{stem}-{}-{word}", mat.test)),
                figure,
            });
        }
    }
    all
}

/// The mat figures of some tests, each episode once.
pub fn of_tests(results: &Results, tests: &[usize], drawn: &[Drawn]) -> Vec<String> {
    let of = |i: usize| {
        let mat = &results.mats[i];
        let own =
            |t: &usize| results.tests[*t].recording == mat.recording && results.tests[*t].test == mat.test;
        tests.iter().any(own)
    };
    drawn
        .iter()
        .filter(|d| matches!(d.of, Of::Mat(i) if of(i)))
        .map(|d| d.figure.svg.clone())
        .collect()
}
