//! Forces over a ceiling as the program found them, which no correction takes away.

use super::UntoldForce;
use super::outside::ForceOver;
use crate::settings::Settings;
use crate::trace::Test;

/// A peak is the same when it is no less than this share of it.
const SAME_SHARE: f64 = 0.98;

/// What the tests as detected tell of forces over a ceiling, and what was untold beside them, as far as `now`, the tests as
/// they were put right, and `untold` beside those do not tell it any more.
pub fn over_as_detected(
    detected: &[Test],
    untold_as_detected: Vec<UntoldForce>,
    now: &[Test],
    untold: &[UntoldForce],
    settings: &Settings,
) -> Vec<UntoldForce> {
    let of_tests = detected.iter().filter(|t| t.total_peak_n > ceiling_n(t, settings)).map(|t| UntoldForce {
        recording: t.recording.clone(),
        beside: None,
        about: t.about.clone(),
        levels: t.about.levels().collect(),
        over: ForceOver {
            begin_s: t.phases.contact_begin_s,
            end_s: t.phases.contact_end_s,
            peak_n: t.total_peak_n,
        },
    });
    let mut lost: Vec<UntoldForce> = Vec::new();
    for force in of_tests.chain(untold_as_detected) {
        let told_by_test = |t: &Test| {
            let span = [t.phases.contact_begin_s, t.phases.contact_end_s];
            let over = t.total_peak_n > ceiling_n(t, settings);
            over && meets(&force.over, span) && t.total_peak_n >= SAME_SHARE * force.over.peak_n
        };
        let told = |u: &UntoldForce| {
            meets(&force.over, [u.over.begin_s, u.over.end_s]) && u.over.peak_n >= SAME_SHARE * force.over.peak_n
        };
        if !now.iter().any(told_by_test) && !untold.iter().chain(&lost).any(told) {
            let span = |t: &&Test| meets(&force.over, [t.phases.contact_begin_s, t.phases.contact_end_s]);
            let beside = now.iter().find(span).map(|t| t.test);
            lost.push(UntoldForce { beside, ..force });
        }
    }
    lost
}

fn ceiling_n(test: &Test, settings: &Settings) -> f64 {
    settings.ceiling_at(test.about.levels()).newtons
}

fn meets(over: &ForceOver, [begin_s, end_s]: [f64; 2]) -> bool {
    over.begin_s <= end_s && begin_s <= over.end_s
}
