//! How the hold and the springs were made: size, speed, steadiness, hands, line of drive.

use super::held::{Aspect, Held, Stand, hold};
use super::{Remark, Seen, place};
use crate::terms::{LineOfDrive, Side};
use crate::trace::Test;
use std::collections::BTreeMap;

/// How a finding on single tests is told.
struct Telling {
    aspect: Aspect,
    stand: Stand,
    /// What was seen, given the number beside its band.
    text: fn(&Test, &Held) -> String,
    advice: &'static str,
}

pub(super) fn spring_too_small(seen: &Seen<'_>) -> Vec<Remark> {
    tell(
        seen,
        &Telling {
            aspect: Aspect::Excursion,
            stand: Stand::Below,
            text: |_, h| format!("springs of {}, smaller than {}", measured(h), band(h)),
            advice: "Next time let each spring travel a little further past the lean, in the same easy rhythm: more \
                     travel, not more weight, and below the ceiling. Where the tissue does not give that far, leave it: \
                     a small spring is never a reason to press harder.",
        },
    )
}

pub(super) fn spring_too_deep(seen: &Seen<'_>) -> Vec<Remark> {
    tell(
        seen,
        &Telling {
            aspect: Aspect::Excursion,
            stand: Stand::Above,
            text: |_, h| format!("springs of {}, deeper than {}", measured(h), band(h)),
            advice: "Next time stop each spring sooner: lean as before, then add only a few millimetres and let go.",
        },
    )
}

pub(super) fn quick_spring(seen: &Seen<'_>) -> Vec<Remark> {
    tell(
        seen,
        &Telling {
            aspect: Aspect::TimeToPeak,
            stand: Stand::Below,
            text: |_, h| {
                format!(
                    "force rose to the peak in {}, quicker than {}",
                    measured(h),
                    band(h)
                )
            },
            advice: "Next time give each spring about half a second: let it grow out of the lean and come back by itself.",
        },
    )
}

pub(super) fn unsteady_hold(seen: &Seen<'_>) -> Vec<Remark> {
    tell(
        seen,
        &Telling {
            aspect: Aspect::Hold,
            stand: Stand::Above,
            text: |_, h| {
                format!(
                    "force varied by {} over the hold, more than {}",
                    measured(h),
                    band(h)
                )
            },
            advice: "Next time settle before you spring: let straight arms carry your weight, breathe on quietly, and \
                     hold the lean still for a second.",
        },
    )
}

pub(super) fn came_off(seen: &Seen<'_>) -> Vec<Remark> {
    tell(
        seen,
        &Telling {
            aspect: Aspect::BetweenSprings,
            stand: Stand::Below,
            text: |_, h| format!("force fell to {} between springs, below {}", measured(h), band(h)),
            advice: "Next time let each spring come back only as far as the lean it began from, and stay on the tissue \
                     until the last one is done.",
        },
    )
}

pub(super) fn uneven_springs(seen: &Seen<'_>) -> Vec<Remark> {
    tell(
        seen,
        &Telling {
            aspect: Aspect::PeakSpread,
            stand: Stand::Above,
            text: |_, h| {
                format!(
                    "the springs' peaks varied by {}, more than {}",
                    measured(h),
                    band(h)
                )
            },
            advice: "Next time keep to one size and one rhythm: count the springs, and let each end where the last one \
                     did.",
        },
    )
}

/// Off the line of drive; both hands of a push share the tilt sensor and so the remark.
pub(super) fn off_line_of_drive(seen: &Seen<'_>) -> Vec<Remark> {
    let telling = |stand| Telling {
        aspect: Aspect::LineOfDrive,
        stand,
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
        advice: "Next time set your forearm along the planned line before the slack is out, and look once more before \
                 you spring.",
    };
    let both = [Stand::Below, Stand::Above].map(|stand| tell(seen, &telling(stand)));
    let deg = |remark| Remark {
        unit: "deg",
        ..remark
    };
    both.into_iter().flatten().map(deg).collect()
}

/// One remark for both hands, naming the one that carried more. No other hand, no share, no remark.
pub(super) fn uneven_hands(seen: &Seen<'_>) -> Vec<Remark> {
    let mut remarks = Vec::new();
    for tests in pushes(seen.tests) {
        let shares = tests.iter().filter_map(|t| {
            let held = hold(t, Aspect::HandShare, seen.settings)?;
            (held.stand() != Stand::Within).then_some((*t, held))
        });
        let Some((test, held)) = shares.max_by(|a, b| a.1.value.total_cmp(&b.1.value)) else {
            continue;
        };
        let hand = test.side().map_or("one", Side::word);
        let more = if held.stand() == Stand::Above { "" } else { "only " };
        let tissue = if shares_displacement(test) {
            " Both hands share one displacement here, so a stiffer side carries more by itself."
        } else {
            ""
        };
        let both = sideless(test);
        let text = format!(
            "{}: the {hand} hand carried {more}{} of the preload, outside {}.{tissue}",
            place(&both),
            measured(&held),
            band(&held)
        );
        let advice = "Next time stand with your weight over the middle and let both arms take the same before you \
                      spring.";
        remarks.push(Remark {
            value: Some(held.value),
            unit: Aspect::HandShare.unit(),
            low: held.low,
            high: held.high,
            ..Remark::on(&both, text, advice)
        });
    }
    remarks
}

/// A remark for each test whose number stands so; one without side where both hands of a push share the number.
fn tell(seen: &Seen<'_>, telling: &Telling) -> Vec<Remark> {
    let mut remarks = Vec::new();
    for tests in pushes(seen.tests) {
        let mut told: Vec<(&Test, Held)> = tests
            .iter()
            .filter_map(|t| Some((*t, hold(t, telling.aspect, seen.settings)?)))
            .filter(|(_, held)| held.stand() == telling.stand)
            .collect();
        let shared = telling.aspect.of_both_hands()
            || (telling.aspect == Aspect::Excursion && told.iter().all(|(t, _)| shares_displacement(t)));
        let together = shared && told.len() > 1;
        if together {
            told.truncate(1);
        }
        for (test, held) in told {
            let at = if together { sideless(test) } else { test.clone() };
            let text = format!("{}: {}.", place(&at), (telling.text)(test, &held));
            remarks.push(Remark {
                value: Some(held.value),
                unit: telling.aspect.unit(),
                low: held.low,
                high: held.high,
                ..Remark::on(&at, text, telling.advice)
            });
        }
    }
    remarks
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
    test.notes.iter().any(|n| n.starts_with("shared displacement"))
}

/// The number with its interval: `5.21 ± 0.02 mm`.
fn measured(held: &Held) -> String {
    let least = held.aspect.decimals();
    let unit = spaced(held.aspect);
    match held.u95 {
        // Up to two more decimals when the half-width would print as nought.
        Some(u) => {
            let shows = |d: &usize| u >= 0.5 * 10f64.powi(-(*d as i32));
            let d = (least..least + 2).find(shows).unwrap_or(least + 2);
            format!("{:.d$} ± {u:.d$}{unit}", held.value)
        }
        None => format!("{:.least$}{unit}", held.value),
    }
}

/// The band: `2 to 4.4 mm`, `0.1 s`.
fn band(held: &Held) -> String {
    let unit = spaced(held.aspect);
    match (held.low, held.high) {
        (Some(low), Some(high)) => format!("the band of {low} to {high}{unit}"),
        (Some(end), None) | (None, Some(end)) => format!("{end}{unit}"),
        (None, None) => "any band".to_owned(),
    }
}

fn spaced(aspect: Aspect) -> String {
    format!(" {}", aspect.unit())
}
