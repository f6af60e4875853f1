//! How the hold and the springs were made: size, speed, steadiness, hands, line of drive.

use super::band::{Aspect, BandCheck, BandStatus, band_check};
use super::{Seen, TechniqueFinding, TechniqueRule};
use crate::format::plus_minus;
use crate::terms::{LineOfDrive, Side};
use crate::trace::{Note, Test};
use std::collections::BTreeMap;

/// A rule on one aspect of single tests, and how its breach is told.
pub(super) struct BandRule {
    rule: TechniqueRule,
    aspect: Aspect,
    breach: BandStatus,
    /// What was seen, given the number beside its band.
    text: fn(&Test, &BandCheck) -> String,
    advice: &'static str,
}

pub(super) const SPRING_TOO_SMALL: BandRule = BandRule {
    rule: TechniqueRule::SpringTooSmall,
    aspect: Aspect::Excursion,
    breach: BandStatus::Below,
    text: |_, h| format!("springs of {}, smaller than {}", measured(h), band(h)),
    advice: "let each spring travel a little further past the lean, in the same easy rhythm: more \
             travel, not more weight, and below the ceiling. Where the tissue does not give that far, leave it: \
             a small spring is never a reason to press harder.",
};

pub(super) const SPRING_TOO_DEEP: BandRule = BandRule {
    rule: TechniqueRule::SpringTooDeep,
    aspect: Aspect::Excursion,
    breach: BandStatus::Above,
    text: |_, h| format!("springs of {}, deeper than {}", measured(h), band(h)),
    advice: "stop each spring sooner: lean as before, then add only a few millimetres and let go.",
};

pub(super) const QUICK_SPRING: BandRule = BandRule {
    rule: TechniqueRule::QuickSpring,
    aspect: Aspect::TimeToPeak,
    breach: BandStatus::Below,
    text: |_, h| {
        format!(
            "force rose to the peak in {}, quicker than {}",
            measured(h),
            band(h)
        )
    },
    advice: "give each spring about half a second: let it grow out of the lean and come back by itself.",
};

pub(super) const UNSTEADY_HOLD: BandRule = BandRule {
    rule: TechniqueRule::UnsteadyHold,
    aspect: Aspect::Hold,
    breach: BandStatus::Above,
    text: |_, h| {
        format!(
            "force varied by {} over the hold, more than {}",
            measured(h),
            band(h)
        )
    },
    advice: "settle before you spring: let straight arms carry your weight, breathe on quietly, and \
             hold the lean still for a second.",
};

pub(super) const CAME_OFF: BandRule = BandRule {
    rule: TechniqueRule::CameOffBetweenSprings,
    aspect: Aspect::BetweenSprings,
    breach: BandStatus::Below,
    text: |_, h| format!("force fell to {} between springs, below {}", measured(h), band(h)),
    advice: "let each spring come back only as far as the lean it began from, and stay on the tissue \
             until the last one is done.",
};

pub(super) const UNEVEN_SPRINGS: BandRule = BandRule {
    rule: TechniqueRule::UnevenSprings,
    aspect: Aspect::PeakSpread,
    breach: BandStatus::Above,
    text: |_, h| {
        format!(
            "the springs' peaks varied by {}, more than {}",
            measured(h),
            band(h)
        )
    },
    advice: "keep to one size and one rhythm: count the springs, and let each end where the last one \
             did.",
};

/// Off the line of drive; both hands of a push share the tilt sensor and so the finding.
pub(super) fn off_line_of_drive(seen: &Seen<'_>) -> Vec<TechniqueFinding> {
    let rule = |breach| BandRule {
        rule: TechniqueRule::OffLineOfDrive,
        aspect: Aspect::LineOfDrive,
        breach,
        text: |test, h| {
            let planned = test.about.line_of_drive.map_or(0.0, LineOfDrive::degrees);
            let toward = if h.value < 0.0 { "head" } else { "feet" };
            let most = h.high.unwrap_or_default();
            format!(
                "driven at {:.0}° on average, {:.0}° further toward the {toward} than the planned {planned:.0}°; up to \
                 {most:.0}° is in the band",
                planned + h.value,
                h.value.abs()
            )
        },
        advice: "set your forearm along the planned line before the slack is out, and look once more before \
                 you spring.",
    };
    let both = [BandStatus::Below, BandStatus::Above].map(|breach| breaches(seen, &rule(breach)));
    let deg = |finding| TechniqueFinding {
        unit: "deg",
        ..finding
    };
    both.into_iter().flatten().map(deg).collect()
}

/// One finding for both hands, naming the one that carried more. No other hand, no share, no finding.
pub(super) fn uneven_hands(seen: &Seen<'_>) -> Vec<TechniqueFinding> {
    let mut findings = Vec::new();
    for tests in pushes(seen.tests) {
        let shares = tests.iter().filter_map(|t| {
            let check = band_check(t, Aspect::HandShare, seen.settings)?;
            (check.status() != BandStatus::Within).then_some((*t, check))
        });
        let Some((test, check)) = shares.max_by(|a, b| a.1.value.total_cmp(&b.1.value)) else {
            continue;
        };
        let hand = test.side().map_or("one", Side::word);
        let more = if check.status() == BandStatus::Above {
            ""
        } else {
            "only "
        };
        let tissue = if shares_displacement(test) {
            " Both hands share one displacement here, so a stiffer side carries more by itself."
        } else {
            ""
        };
        let both = sideless(test);
        let text = format!(
            "the {hand} hand carried {more}{} of the preload, outside {}.{tissue}",
            measured(&check),
            band(&check)
        );
        let advice = "stand with your weight over the middle and let both arms take the same before you \
                      spring.";
        findings.push(TechniqueFinding {
            value: Some(check.value),
            unit: Aspect::HandShare.unit(),
            low: check.low,
            high: check.high,
            ..TechniqueFinding::on(TechniqueRule::UnevenHands, &both, text, advice)
        });
    }
    findings
}

/// A finding for each test whose number stands so; one without side where both hands of a push share the number.
pub(super) fn breaches(seen: &Seen<'_>, rule: &BandRule) -> Vec<TechniqueFinding> {
    let mut findings = Vec::new();
    for tests in pushes(seen.tests) {
        let mut told: Vec<(&Test, BandCheck)> = tests
            .iter()
            .filter_map(|t| Some((*t, band_check(t, rule.aspect, seen.settings)?)))
            .filter(|(_, check)| check.status() == rule.breach)
            .collect();
        let shared = rule.aspect.of_both_hands()
            || (rule.aspect == Aspect::Excursion && told.iter().all(|(t, _)| shares_displacement(t)));
        let together = shared && told.len() > 1;
        if together {
            told.truncate(1);
        }
        for (test, check) in told {
            let at = if together { sideless(test) } else { test.clone() };
            let text = format!("{}.", (rule.text)(test, &check));
            findings.push(TechniqueFinding {
                value: Some(check.value),
                unit: rule.aspect.unit(),
                low: check.low,
                high: check.high,
                ..TechniqueFinding::on(rule.rule, &at, text, rule.advice)
            });
        }
    }
    findings
}

/// Tests by push: both sides of a bilateral trace together.
pub(super) fn pushes(tests: &[Test]) -> impl Iterator<Item = Vec<&Test>> {
    let mut sides: BTreeMap<(&str, u32), Vec<&Test>> = BTreeMap::new();
    for test in tests {
        sides.entry((&test.recording, test.test)).or_default().push(test);
    }
    sides.into_values()
}

fn sideless(test: &Test) -> Test {
    let mut both = test.clone();
    both.about.side = None;
    both
}

fn shares_displacement(test: &Test) -> bool {
    test.notes.contains(&Note::SharedDisplacement)
}

/// The number with its interval: `5.21 ± 0.02 mm`.
fn measured(check: &BandCheck) -> String {
    let number = plus_minus(check.value, check.u95, check.aspect.decimals());
    format!("{number} {}", check.aspect.unit())
}

/// The band: `2 to 4.4 mm`, `0.1 s`.
fn band(check: &BandCheck) -> String {
    let unit = format!(" {}", check.aspect.unit());
    match (check.low, check.high) {
        (Some(low), Some(high)) => format!("the band of {low} to {high}{unit}"),
        (Some(end), None) | (None, Some(end)) => format!("{end}{unit}"),
        (None, None) => "any band".to_owned(),
    }
}
