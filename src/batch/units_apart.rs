//! Recordings whose forces stand to those of the same place as pound-forces or kilogram-forces to newtons (METHODS.md §1.12).

use crate::columns::Measure;
use crate::error::Problem;
use crate::format::number;
use crate::stats::moments::median_in_place;
use crate::terms::TestKey;
use crate::trace::Test;
use crate::units::{N_PER_KGF, N_PER_LBF};
use std::collections::BTreeMap;

/// Stiffnesses stand to each other as the units within this share; peaks, which the hand decides, within the other.
const STIFFNESS_SHARE: f64 = 0.15;
const PEAK_SHARE: f64 = 0.4;
/// From so many tests on the many say which one is odd.
const ENOUGH: usize = 3;

/// A test with what a wrong unit multiplies.
struct Pressed<'a> {
    test: &'a Test,
    end_feel: f64,
    peak: f64,
}

/// A question for each recording that may be in another unit than the others of the same person, level and contact.
pub(super) fn units_apart(tests: &[Test], hidden: bool) -> Vec<Problem> {
    let mut places: BTreeMap<TestKey, Vec<Pressed>> = BTreeMap::new();
    for test in tests {
        let values = test.value(Measure::EndFeel).zip(test.value(Measure::Peak));
        if let Some((end_feel, peak)) = values.filter(|(k, p)| *k > 0.0 && *p > 0.0) {
            places.entry(test.about.key()).or_default().push(Pressed { test, end_feel, peak });
        }
    }
    let mut asked: BTreeMap<&str, Problem> = BTreeMap::new();
    for place in places.values() {
        for (k, own) in place.iter().enumerate() {
            let others = || place.iter().enumerate().filter(|(i, _)| *i != k).map(|(_, p)| p);
            let median = |of: fn(&Pressed) -> f64| median_in_place(&mut others().map(of).collect::<Vec<f64>>());
            let Some((end_feel, peak)) = median(|p| p.end_feel).zip(median(|p| p.peak)) else { continue };
            let lower = is_unit(end_feel / own.end_feel, peak / own.peak);
            let higher = is_unit(own.end_feel / end_feel, own.peak / peak).filter(|_| place.len() >= ENOUGH);
            let Some((unit, is_lower)) = lower.map(|u| (u, true)).or_else(|| higher.map(|u| (u, false))) else { continue };
            let first = others().next().map_or("", |p| p.test.recording.as_str());
            asked.entry(&own.test.recording).or_insert_with(|| question(own, first, end_feel, unit, is_lower, hidden));
        }
    }
    asked.into_values().collect()
}

/// A unit of force by its name and its newtons.
type ForceUnit = (&'static str, f64);

/// The unit that both ratios are that of.
fn is_unit(stiffness: f64, peak: f64) -> Option<ForceUnit> {
    let like = |ratio: f64, newtons: f64, share: f64| (ratio / newtons).ln().abs() <= (1.0 + share).ln();
    let units = [("lbf", N_PER_LBF), ("kgf", N_PER_KGF)];
    units.into_iter().find(|(_, n)| like(stiffness, *n, STIFFNESS_SHARE) && like(peak, *n, PEAK_SHARE))
}

fn question(own: &Pressed, other: &str, end_feel: f64, (unit, newtons): ForceUnit, is_lower: bool, hidden: bool) -> Problem {
    let numbers = match hidden {
        true => String::new(),
        false => format!(
            " (end-feel {} N/mm against {})",
            number(own.end_feel, 2),
            number(end_feel, 2)
        ),
    };
    let (found, advice) = match is_lower {
        true => (
            format!("forces about {newtons:.2} times smaller than in {other}{numbers}"),
            format!("check whether the sensor gave {unit} here: then the heading is force_{unit}, or unit = \"{unit}\" under [columns]"),
        ),
        false => (
            format!("forces about {newtons:.2} times larger than in {other} and the others there{numbers}"),
            format!("check whether the sensor gave N where heading or sidecar say {unit}, and correct the unit if so"),
        ),
    };
    let expected = "forces of one person, level and contact in one unit";
    Problem::warning(&own.test.recording, found, expected, advice)
}
