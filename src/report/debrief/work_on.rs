//! What a learner may work on next: over the ceiling first, then what lies farthest outside its band.

use super::shares::Made;
use crate::settings::Settings;
use crate::technique::{RULES, TechniqueFinding, TechniqueRule};
use crate::terms::Level;

/// How many things a learner is given at once.
pub const AT_ONCE: usize = 2;

/// One thing to work on.
#[derive(Debug, Clone, PartialEq)]
pub struct WorkOn {
    pub rule: TechniqueRule,
    /// In how many of the session's tests, or at how many of the plan's.
    pub made_in: usize,
    pub of: usize,
    /// Pushes over a ceiling that no test holds.
    pub in_no_test: usize,
    /// How far outside its band a test of the session lies on average, in half-widths of the band, a test inside it
    /// counting nought.
    pub outside: f64,
    /// The finding that lies farthest outside, in its own words.
    pub example: String,
    pub advice: String,
}

/// How far a finding's value lies outside its band, in half-widths of the band.
///
/// A limit with one end has no half-width. The limit's own size stands for it; for displacement short of the onset,
/// the half-width of the excursion's band, since that is how far a good spring goes. A finding without a number
/// counts as one half-width.
pub fn outside(finding: &TechniqueFinding, settings: &Settings) -> f64 {
    let Some(value) = finding
        .value
        .filter(|_| finding.low.is_some() || finding.high.is_some())
    else {
        return 1.0;
    };
    let short = finding.low.map_or(0.0, |low| low - value);
    let over = finding.high.map_or(0.0, |high| value - high);
    let [low, high] = settings
        .technique
        .bands(finding.level.map(Level::region))
        .excursion_mm;
    let half_width = match (finding.low, finding.high) {
        (Some(low), Some(high)) => (high - low) / 2.0,
        _ if finding.rule == TechniqueRule::SprungBeforeSlackOut => (high - low) / 2.0,
        (Some(limit), None) | (None, Some(limit)) => limit.abs(),
        (None, None) => 0.0,
    };
    let beyond = short.max(over).max(0.0);
    if half_width > 0.0 && beyond.is_finite() {
        beyond / half_width
    } else {
        1.0
    }
}

/// What to work on after a session, at most [`AT_ONCE`]: from the session's findings, its number of tests and the
/// number of tests that its plans ask for.
pub fn work_on(
    findings: &[&TechniqueFinding],
    tests: usize,
    planned: usize,
    settings: &Settings,
) -> Vec<WorkOn> {
    let mut all: Vec<WorkOn> = RULES
        .iter()
        .filter_map(|check| {
            let own: Vec<&&TechniqueFinding> = findings.iter().filter(|r| r.rule == check.rule).collect();
            let of = if check.rule.is_of_the_plan() {
                planned
            } else {
                tests
            };
            of_rule(check.rule, &own, of, settings)
        })
        .collect();
    // Stable: what lies equally far stays in the order of the rules.
    all.sort_by(|a, b| {
        let heavy = |w: &WorkOn| w.rule == TechniqueRule::OverCeiling;
        heavy(b).cmp(&heavy(a)).then(b.outside.total_cmp(&a.outside))
    });
    all.truncate(AT_ONCE);
    all
}

fn of_rule(
    rule: TechniqueRule,
    own: &[&&TechniqueFinding],
    of: usize,
    settings: &Settings,
) -> Option<WorkOn> {
    let farthest = own
        .iter()
        .max_by(|a, b| outside(a, settings).total_cmp(&outside(b, settings)))?;
    let total: f64 = own.iter().map(|r| outside(r, settings)).sum();
    let Made {
        tests: made_in,
        in_no_test,
    } = Made::of(own.iter().map(|r| **r));
    Some(WorkOn {
        rule,
        made_in,
        of: of.max(made_in),
        in_no_test,
        outside: total / of.max(made_in).max(1) as f64,
        example: farthest.text(),
        advice: farthest.advice(),
    })
}
