//! Findings on how a test was done: each says what was measured, the band, and what to try next time.
//!
//! A remark is about the doing of a test, never about a person. [`RULES`] is the one place where rules are added.

mod ceiling;
mod held;
pub mod learning;
mod manner;
mod plan;
pub mod reference;
mod slack;

pub use ceiling::ceiling_n;
pub use held::{Aspect, Held, Stand, held, hold};
pub use plan::{PlanCoverage, PlanStep};

use crate::settings::Settings;
use crate::terms::{Level, Side};
use crate::trace::Test;
use std::collections::HashMap;

/// One row of `technique`: a rule that a test, or a scan, did not keep.
#[derive(Debug, Clone, PartialEq)]
pub struct Remark {
    /// Empty for a finding about a whole scan (a level missed).
    pub recording: Option<String>,
    pub test: Option<u32>,
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub level: Option<Level>,
    pub side: Option<Side>,
    /// Short fixed name (`sprung_before_slack_out`, `over_ceiling`, `level_missed`).
    pub finding: &'static str,
    pub value: Option<f64>,
    pub unit: &'static str,
    pub low: Option<f64>,
    pub high: Option<f64>,
    /// What was seen, in plain words.
    pub text: String,
    /// What to try next time.
    pub advice: String,
}

/// What a rule may look at.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    pub tests: &'a [Test],
    pub plans: &'a [PlanCoverage],
    pub settings: &'a Settings,
}

/// One rule of technique.
#[derive(Debug, Clone, Copy)]
pub struct Rule {
    /// The `finding` of its remarks.
    pub finding: &'static str,
    /// The rule in words, for the methods paragraph.
    pub rule: &'static str,
    /// Looks at everything and gives a remark for each breach, in the order of the tests. It leaves
    /// [`Remark::finding`] to [`remarks`].
    pub look: fn(&Seen<'_>) -> Vec<Remark>,
}

/// Every rule. A further one is added here and nowhere else.
pub const RULES: &[Rule] = &[
    Rule {
        finding: "over_ceiling",
        rule: "peak force, summed over all contacts at the level, is over the region's ceiling; without any allowance for \
               noise",
        look: ceiling::over_ceiling,
    },
    Rule {
        finding: "sprung_before_slack_out",
        rule: "displacement at the start of the first spring is short of the onset by more than the onset's 95 % interval",
        look: slack::sprung_before_slack_out,
    },
    Rule {
        finding: "slack_not_shown_out",
        rule: "the push shows no knee: it is not shown to have gone past the toe",
        look: slack::slack_not_shown_out,
    },
    Rule {
        finding: "spring_too_small",
        rule: "mean excursion of the springs is under its band by more than its 95 % interval",
        look: manner::spring_too_small,
    },
    Rule {
        finding: "spring_too_deep",
        rule: "mean excursion of the springs is over its band by more than its 95 % interval",
        look: manner::spring_too_deep,
    },
    Rule {
        finding: "quick_spring",
        rule: "mean time from 10 to 90 % of a spring's force rise is under the limit by more than its 95 % interval",
        look: manner::quick_spring,
    },
    Rule {
        finding: "unsteady_hold",
        rule: "standard deviation of force over the hold, its trend taken out, is over the share of preload by more than \
               its 95 % interval",
        look: manner::unsteady_hold,
    },
    Rule {
        finding: "came_off_between_springs",
        rule: "lowest force between springs is under the share of preload by more than its 95 % interval",
        look: manner::came_off,
    },
    Rule {
        finding: "uneven_hands",
        rule: "with both hands on, one's share of the preload is outside its band, the whole 95 % interval too",
        look: manner::uneven_hands,
    },
    Rule {
        finding: "uneven_springs",
        rule: "coefficient of variation of the peak forces of the counted springs is over the limit by more than its 95 % interval",
        look: manner::uneven_springs,
    },
    Rule {
        finding: "off_line_of_drive",
        rule: "mean measured line of drive over the springs departs from the planned one by more than the limit; a tilt \
               sensor gives no interval, so it is taken as it stands",
        look: manner::off_line_of_drive,
    },
    Rule {
        finding: "level_missed",
        rule: "a step of the scan plan has no test",
        look: plan::missed,
    },
    Rule {
        finding: "level_doubled",
        rule: "more tests of one trial at a level and side than the scan plan has steps",
        look: plan::doubled,
    },
    Rule {
        finding: "level_out_of_order",
        rule: "a test stands elsewhere in the scan than its step in the scan plan",
        look: plan::out_of_order,
    },
];

/// Every breach of every rule: first those of tests, in the order of the tests, then those of whole scans.
///
/// `plans` holds the plan that each scan was to follow; a scan without one is held against none.
pub fn remarks(tests: &[Test], plans: &[PlanCoverage], settings: &Settings) -> Vec<Remark> {
    let seen = Seen {
        tests,
        plans,
        settings,
    };
    let mut all: Vec<Remark> = RULES
        .iter()
        .flat_map(|rule| {
            (rule.look)(&seen).into_iter().map(|remark| Remark {
                finding: rule.finding,
                ..remark
            })
        })
        .collect();
    let mut places: HashMap<(&str, u32), usize> = HashMap::new();
    for (i, test) in tests.iter().enumerate() {
        places.entry((&test.recording, test.test)).or_insert(i);
    }
    // Stable: within one test the order of the rules stays.
    all.sort_by_key(|remark| {
        let of_test = remark.recording.as_deref().zip(remark.test);
        of_test
            .and_then(|key| places.get(&key))
            .copied()
            .unwrap_or(usize::MAX)
    });
    all
}

impl Remark {
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

    /// A remark on a test, with nothing measured yet.
    fn on(test: &Test, text: String, advice: impl Into<String>) -> Remark {
        Remark {
            recording: Some(test.recording.clone()),
            test: Some(test.test),
            subject: test.about.subject.clone(),
            examiner: test.about.examiner.clone(),
            session: test.about.session.clone(),
            level: test.about.level,
            side: test.side(),
            finding: "",
            value: None,
            unit: "",
            low: None,
            high: None,
            text,
            advice: advice.into(),
        }
    }
}

/// Where a test was, for the beginning of a sentence: `L3 left`, or the recording when nobody named the level.
fn place(test: &Test) -> String {
    let at = match test.about.level {
        Some(level) => level.label().to_owned(),
        None => format!("{}, test {}", test.recording, test.test),
    };
    match test.side() {
        Some(side) => format!("{at} {side}"),
        None => at,
    }
}
