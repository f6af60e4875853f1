//! Findings on how a test was done: each says what was measured, the band, and what to try next time.
//!
//! A finding is about the doing of a test, never about a person.

mod as_detected;
mod band;
mod ceiling;
pub mod learning;
mod execution;
mod judged;
mod outside;
mod plan;
pub mod reference;
mod rule;
mod slack;

pub use as_detected::over_as_detected;
pub use band::{Aspect, BandCheck, BandStatus, band_check, band_checks};
pub use ceiling::ceiling_of;
pub use outside::{ForceOver, UntoldForce, lone_samples_problem, untold_forces, untold_problems};
pub use plan::{PlanCoverage, PlanStep};
pub use rule::TechniqueRule;

use crate::settings::Settings;
use crate::terms::{Level, Side};
use crate::trace::{Corrected, Test};
use std::collections::HashMap;

/// One row of `technique`: a rule that a test, or a scan, did not keep.
#[derive(Debug, Clone, PartialEq)]
pub struct TechniqueFinding {
    /// Empty for a finding about a whole scan (a level missed).
    pub recording: Option<String>,
    pub test: Option<u32>,
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub level: Option<Level>,
    pub side: Option<Side>,
    pub rule: TechniqueRule,
    pub value: Option<f64>,
    pub unit: &'static str,
    pub low: Option<f64>,
    pub high: Option<f64>,
    /// What was seen, in plain words; where stands apart.
    pub observed: String,
    /// What to try, as it follows "Next time".
    pub next_time: &'static str,
    /// What a person put right in the test.
    pub corrections: Vec<Corrected>,
}

/// What a rule may look at.
#[derive(Debug, Clone, Copy)]
pub struct RuleInput<'a> {
    pub tests: &'a [Test],
    pub plans: &'a [PlanCoverage],
    /// Forces over a ceiling that no test holds.
    pub untold: &'a [UntoldForce],
    pub settings: &'a Settings,
}

/// How a rule is stated and checked.
#[derive(Debug, Clone, Copy)]
pub struct RuleCheck {
    pub rule: TechniqueRule,
    /// The rule in words, for the methods paragraph.
    pub statement: &'static str,
    /// Looks at everything and gives a finding for each breach, in the order of the tests.
    look: fn(&RuleInput<'_>) -> Vec<TechniqueFinding>,
}

/// Every rule, in the order of pages.
pub const RULES: &[RuleCheck] = &[
    RuleCheck {
        rule: TechniqueRule::OverCeiling,
        statement: "peak force, summed over all contacts at the level, is over the region's ceiling, in a test or outside every \
               test; without any allowance for noise",
        look: ceiling::over_ceiling,
    },
    RuleCheck {
        rule: TechniqueRule::SprungBeforeSlackOut,
        statement: "displacement at the start of the first spring is short of the onset by more than the onset's 95 % interval",
        look: slack::sprung_before_slack_out,
    },
    RuleCheck {
        rule: TechniqueRule::SlackNotShownOut,
        statement: "the push shows no knee: it is not shown to have gone past the toe",
        look: slack::slack_not_shown_out,
    },
    RuleCheck {
        rule: TechniqueRule::SpringTooSmall,
        statement: "mean excursion of the springs is under its band by more than its 95 % interval",
        look: |seen| execution::breaches(seen, &execution::SPRING_TOO_SMALL),
    },
    RuleCheck {
        rule: TechniqueRule::SpringTooDeep,
        statement: "mean excursion of the springs is over its band by more than its 95 % interval",
        look: |seen| execution::breaches(seen, &execution::SPRING_TOO_DEEP),
    },
    RuleCheck {
        rule: TechniqueRule::QuickSpring,
        statement: "mean time from 10 to 90 % of a spring's force rise is under the limit by more than its 95 % interval",
        look: |seen| execution::breaches(seen, &execution::QUICK_SPRING),
    },
    RuleCheck {
        rule: TechniqueRule::UnsteadyHold,
        statement: "standard deviation of force over the hold, its trend taken out, is over the share of preload by more than \
               its 95 % interval",
        look: |seen| execution::breaches(seen, &execution::UNSTEADY_HOLD),
    },
    RuleCheck {
        rule: TechniqueRule::CameOffBetweenSprings,
        statement: "lowest force between springs is under the share of preload by more than its 95 % interval",
        look: |seen| execution::breaches(seen, &execution::CAME_OFF),
    },
    RuleCheck {
        rule: TechniqueRule::UnevenHands,
        statement: "with both hands on, one's share of the preload is outside its band, the whole 95 % interval too",
        look: execution::uneven_hands,
    },
    RuleCheck {
        rule: TechniqueRule::UnevenSprings,
        statement: "coefficient of variation of the peak forces of the counted springs is over the limit by more than its 95 % interval",
        look: |seen| execution::breaches(seen, &execution::UNEVEN_SPRINGS),
    },
    RuleCheck {
        rule: TechniqueRule::OffLineOfDrive,
        statement: "mean measured line of drive over the springs departs from the planned one by more than the limit; a tilt \
               sensor gives no interval, so it is taken as it stands",
        look: execution::off_line_of_drive,
    },
    RuleCheck {
        rule: TechniqueRule::LevelMissed,
        statement: "a step of the scan plan has no test",
        look: plan::missed,
    },
    RuleCheck {
        rule: TechniqueRule::LevelDoubled,
        statement: "more tests of one trial at a level and side than the scan plan has steps",
        look: plan::doubled,
    },
    RuleCheck {
        rule: TechniqueRule::LevelOutOfOrder,
        statement: "a test stands elsewhere in the scan than its step in the scan plan",
        look: plan::out_of_order,
    },
];

/// Every breach of every rule by some tests: first those of tests, in the order of the tests, then those of whole scans.
///
/// `plans` holds the plan that each scan was to follow; a scan without one is held against none.
pub fn technique_findings(
    tests: &[Test],
    plans: &[PlanCoverage],
    settings: &Settings,
) -> Vec<TechniqueFinding> {
    findings_of(&RuleInput {
        tests,
        plans,
        untold: &[],
        settings,
    })
}

/// The same of everything that the rules look at; forces that no test holds come after the tests.
pub fn findings_of(seen: &RuleInput<'_>) -> Vec<TechniqueFinding> {
    let mut all: Vec<TechniqueFinding> = RULES.iter().flat_map(|check| (check.look)(seen)).collect();
    let mut positions: HashMap<(&str, u32), usize> = HashMap::new();
    for (i, test) in seen.tests.iter().enumerate() {
        positions.entry((&test.recording, test.test)).or_insert(i);
    }
    // Stable: within one test the order of the rules stays.
    all.sort_by_key(|finding| {
        let of_test = finding.recording.as_deref().zip(finding.test);
        of_test
            .and_then(|key| positions.get(&key))
            .copied()
            .unwrap_or(usize::MAX)
    });
    all
}

impl TechniqueFinding {
    /// How far the value lies outside its band, for ordering findings of different units: |ln(value/end of the band)|,
    /// 0 where there is no band. Values and ends of bands are compared by size, at least a thousandth of the end.
    pub fn beyond(&self) -> f64 {
        let Some(value) = self.value else { return 0.0 };
        let end = match (self.low, self.high) {
            (Some(low), _) if value < low => low,
            (_, Some(high)) if value > high => high,
            _ => return 0.0,
        };
        let end = end.abs();
        if end > 0.0 {
            (value.abs().max(1e-3 * end) / end).ln().abs()
        } else {
            0.0
        }
    }

    /// Where it was, for the beginning of a sentence: `L3 left`, or the recording when nobody named the level.
    fn place(&self) -> String {
        let at = match (self.level, &self.recording, self.test) {
            (Some(level), ..) => level.label().to_owned(),
            (None, Some(recording), Some(test)) => format!("{recording}, test {test}"),
            (None, Some(recording), None) => recording.clone(),
            _ => "level not named".to_owned(),
        };
        match self.side {
            Some(side) => format!("{at} {side}"),
            None => at,
        }
    }

    /// Where it was and what was seen.
    pub fn text(&self) -> String {
        format!("{}: {}", self.place(), self.observed)
    }

    /// What to try next time.
    pub fn advice(&self) -> String {
        format!("Next time {}", self.next_time)
    }

    /// A finding on a test, with nothing measured yet.
    fn on(rule: TechniqueRule, test: &Test, observed: String, next_time: &'static str) -> TechniqueFinding {
        TechniqueFinding {
            recording: Some(test.recording.clone()),
            test: Some(test.test),
            subject: test.about.subject.clone(),
            examiner: test.about.examiner.clone(),
            session: test.about.session.clone(),
            level: test.about.level,
            side: test.side(),
            rule,
            value: None,
            unit: "",
            low: None,
            high: None,
            observed,
            next_time,
            corrections: test.corrections.clone(),
        }
    }
}
