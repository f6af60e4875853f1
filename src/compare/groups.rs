//! Which tests belong together.

use super::Unpaired;
use super::scale::ComparisonScale;
use crate::columns::Measure;
use crate::terms::{Level, ScanKey, Side, TestKey};
use crate::trace::Test;
use std::cmp::Ordering;
use std::collections::BTreeMap;

/// The tests of one key, by side, in the order of their trials.
pub(super) struct Group<'a> {
    pub key: TestKey,
    pub left: Vec<&'a Test>,
    pub right: Vec<&'a Test>,
    pub midline: Vec<&'a Test>,
}

impl Group<'_> {
    pub fn side(&self, side: Side) -> &[&Test] {
        match side {
            Side::Left => &self.left,
            Side::Right => &self.right,
            Side::Midline => &self.midline,
        }
    }

    /// Levels the contact covered, when several: as the first test that names them has it.
    pub fn covers(&self) -> Vec<Level> {
        let all = self.left.iter().chain(&self.right).chain(&self.midline);
        all.map(|t| &t.about.covers)
            .find(|c| !c.is_empty())
            .cloned()
            .unwrap_or_default()
    }
}

/// Variance of a test's own part of the measurement uncertainty: what both sides share is a factor on both and
/// leaves no trace in the logarithm of their ratio. `None` without a budget.
fn own_variance(test: &Test, measure: Measure) -> Option<f64> {
    let budget = test.measures.budget(measure);
    let own = budget.iter().filter(|l| !l.source.is_common_to_both_sides());
    (!budget.is_empty()).then(|| own.map(|l| l.u.powi(2)).sum())
}

/// The trials of one side on the scale of comparison.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Trials {
    pub values: Vec<f64>,
    /// Mean over trials of the measurement's own variance; 0 where no test knows its uncertainty.
    pub measurement_variance: f64,
}

impl Trials {
    /// Values of the tests that have the measure. One that is zero or less has no logarithm, and that of one whose
    /// interval is wider than itself has no size: both count as missing.
    pub fn of(tests: &[&Test], measure: Measure, scale: ComparisonScale) -> Trials {
        let mut trials = Trials::default();
        let mut variances = Vec::new();
        for test in tests {
            let Some(estimate) = test.measures.get(measure) else {
                continue;
            };
            if scale == ComparisonScale::Log
                && (estimate.value <= 0.0 || test.measures.finding(measure).is_none())
            {
                continue;
            }
            match scale {
                ComparisonScale::Log => {
                    trials.values.push(estimate.value.ln());
                    let own = own_variance(test, measure).or(estimate.u.map(|u| u * u));
                    variances.extend(own.map(|v| v / estimate.value.powi(2)));
                }
                ComparisonScale::Plain => {
                    trials.values.push(estimate.value);
                    variances.extend(estimate.u.map(|u| u * u));
                }
            }
        }
        if !variances.is_empty() {
            trials.measurement_variance = variances.iter().sum::<f64>() / variances.len() as f64;
        }
        trials
    }

    pub fn n(&self) -> usize {
        self.values.len()
    }

    pub fn mean(&self) -> Option<f64> {
        crate::stats::moments::mean(&self.values).ok()
    }

    /// Sum of squares about the mean, with its degrees of freedom. Equal values give exactly 0.
    pub fn scatter(&self) -> (f64, f64) {
        if self.values.windows(2).all(|w| w[0] == w[1]) {
            return (0.0, self.n().saturating_sub(1) as f64);
        }
        match crate::stats::moments::variance(&self.values) {
            Ok(variance) => {
                let df = (self.n() - 1) as f64;
                (variance * df, df)
            }
            Err(_) => (0.0, 0.0),
        }
    }
}

/// The order of the list of tests without a partner: that of findings, those without a level last.
pub(super) fn by_key_then_side(a: &Unpaired, b: &Unpaired) -> Ordering {
    let scan = |u: &Unpaired| (u.key.scan(), u.key.contact, u.key.level.is_none());
    (scan(a), &a.key, a.side, &a.reason).cmp(&(scan(b), &b.key, b.side, &b.reason))
}

/// Groups by key in the order of findings, and what cannot be compared at all.
pub(super) fn group(tests: &[Test]) -> (Vec<Group<'_>>, Vec<Unpaired>) {
    // In the order of trials, so that sums do not depend on the order of files.
    let mut in_order: Vec<&Test> = tests.iter().collect();
    in_order.sort_by(|a, b| trial_order(a).cmp(&trial_order(b)));
    let mut groups: BTreeMap<TestKey, Group> = BTreeMap::new();
    let mut ungrouped: BTreeMap<(TestKey, Option<Side>, &str), Unpaired> = BTreeMap::new();
    for test in in_order {
        let key = test.about.key();
        let reason = match (key.level, test.side()) {
            (None, None) => "neither level nor side is named: name them in the sidecar or the plan",
            (None, Some(_)) => "its level is not named: name it in the sidecar or the plan",
            (Some(_), None) => "its side is not named: name it in the sidecar or the plan",
            (Some(_), Some(side)) => {
                let group = groups.entry(key.clone()).or_insert_with(|| Group {
                    key,
                    left: vec![],
                    right: vec![],
                    midline: vec![],
                });
                match side {
                    Side::Left => group.left.push(test),
                    Side::Right => group.right.push(test),
                    Side::Midline => group.midline.push(test),
                }
                continue;
            }
        };
        let side = test.side();
        let entry = ungrouped
            .entry((key.clone(), side, reason))
            .or_insert_with(|| Unpaired {
                key,
                side: side.into(),
                trials: 0,
                reason: reason.to_owned(),
            });
        entry.trials += 1;
    }
    (groups.into_values().collect(), ungrouped.into_values().collect())
}

fn trial_order(t: &Test) -> (Option<u32>, &str, u32) {
    (t.about.trial, &t.recording, t.test)
}

/// Indices of the groups of each scan.
pub(super) fn scans(groups: &[Group]) -> Vec<Vec<usize>> {
    let mut scans: BTreeMap<ScanKey, Vec<usize>> = BTreeMap::new();
    for (i, g) in groups.iter().enumerate() {
        scans.entry(g.key.scan()).or_default().push(i);
    }
    scans.into_values().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::{Measured, UncertaintySource as Source};

    #[test]
    fn an_error_that_both_sides_share_does_not_count_between_them() {
        let mut test = crate::compare::tests::stiff("L3", Side::Left, 1, 10.0);
        let budget = [
            Source::ForceNoise.line(0.1, f64::INFINITY),
            Source::ForceCalibration.line(0.5, f64::INFINITY),
        ];
        test.measures.set(Measure::EndFeel, Measured::new(10.0, budget));
        let trials = Trials::of(&[&test], Measure::EndFeel, ComparisonScale::Log);
        assert!((trials.measurement_variance - 1e-4).abs() < 1e-12);
    }
}
