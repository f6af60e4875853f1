//! Forces over a ceiling as the program found them, which no correction takes away.

use super::UntoldForce;
use super::outside::{ForceOver, forces_over};
use crate::settings::Settings;
use crate::terms::Level;
use crate::trace::{Test, Trace};

/// A peak is the same when it is no less than this share of it.
const SAME_SHARE: f64 = 0.98;

/// Every force over a ceiling that was found with the tests as `detected`, as far as `now`, the tests as they were put right,
/// and `untold` beside those do not tell it. Of each test detected it is the hardest.
pub fn over_as_detected(
    trace: &Trace,
    detected: &[Test],
    planned: &[Level],
    now: &[Test],
    untold: &[UntoldForce],
    settings: &Settings,
) -> Vec<UntoldForce> {
    let mut found = forces_over(trace, detected, planned, settings);
    // What the measures of a test say and no passage of the samples does.
    let of_tests = detected.iter().filter(|t| t.total_peak_n > ceiling_n(t, settings));
    for test in of_tests {
        if !found.iter().any(|f| f.beside == Some(test.test)) {
            found.push(of_test(test));
        }
    }
    found.sort_by(|a, b| b.over.peak_n.total_cmp(&a.over.peak_n));
    let mut lost: Vec<UntoldForce> = Vec::new();
    for force in found {
        let told_by_test = |t: &Test| {
            let span = [t.phases.contact_begin_s, t.phases.contact_end_s];
            let over = t.total_peak_n > ceiling_n(t, settings);
            over && meets(&force.over, span) && t.total_peak_n >= SAME_SHARE * force.over.peak_n
        };
        let told = |u: &UntoldForce| {
            let near = meets(&force.over, [u.over.begin_s, u.over.end_s]);
            (near || u.beside.is_some() && u.beside == force.beside) && u.over.peak_n >= SAME_SHARE * force.over.peak_n
        };
        let harder = |l: &UntoldForce| l.beside.is_some() && l.beside == force.beside;
        if !now.iter().any(told_by_test) && !untold.iter().any(told) && !lost.iter().any(harder) {
            lost.push(force);
        }
    }
    lost
}

fn of_test(test: &Test) -> UntoldForce {
    let peak_s = test.springs.iter().max_by(|a, b| a.peak_n.total_cmp(&b.peak_n)).map(|s| s.peak_s);
    let at_s = peak_s.unwrap_or(test.phases.lean_end_s);
    UntoldForce {
        recording: test.recording.clone(),
        beside: Some(test.test),
        about: test.about.clone(),
        levels: test.about.levels().collect(),
        over: ForceOver {
            begin_s: at_s,
            end_s: at_s,
            peak_n: test.total_peak_n,
        },
    }
}

fn ceiling_n(test: &Test, settings: &Settings) -> f64 {
    settings.ceiling_at(test.about.levels()).newtons
}

fn meets(over: &ForceOver, [begin_s, end_s]: [f64; 2]) -> bool {
    over.begin_s <= end_s && begin_s <= over.end_s
}
