//! Words and what stands beside them.

use super::effect::{Adjustment, Effect, EffectRule, EffectWord, margin};
use crate::settings::Settings;
use crate::stats::decide::{equivalence_p, minimum_effect_p};
use crate::stats::multiple::benjamini_hochberg;
use crate::stats::quantile::{t_quantile, t_upper_tail};

/// Standard errors that the smallest detectable change is.
const MDC: f64 = 1.96;

/// Interval, detectable change and p of each; then the p of the whole family adjusted, and the words.
pub(super) fn decide(family: &mut [Effect], settings: &Settings) {
    family.iter_mut().for_each(|e| look_at(e, settings));
    let with_p: Vec<usize> = (0..family.len()).filter(|i| family[*i].p.is_some()).collect();
    let p: Vec<f64> = with_p.iter().filter_map(|i| family[*i].p).collect();
    let Ok(adjusted) = benjamini_hochberg(&p) else { return };
    for (i, adjusted) in with_p.into_iter().zip(adjusted) {
        let effect = &mut family[i];
        (effect.p_adjusted, effect.family) = (Some(adjusted), p.len());
        effect.adjustment = Some(Adjustment::FalseDiscovery);
        word(effect, settings);
    }
}

/// The same for one that is not corrected for others.
pub(super) fn decide_alone(effect: &mut Effect, settings: &Settings) {
    look_at(effect, settings);
    (effect.p_adjusted, effect.family) = (effect.p, 1);
    effect.adjustment = Some(Adjustment::Primary).filter(|_| effect.p.is_some());
    word(effect, settings);
}

fn look_at(effect: &mut Effect, settings: &Settings) {
    effect.margin = margin(settings, effect.measure);
    let Some(d) = effect.difference() else { return };
    effect.rule = match effect.margin {
        Some(_) => EffectRule::MinimumEffect,
        None => EffectRule::NoMargin,
    };
    effect.interval = d.interval(settings.compare.confidence).ok();
    effect.detectable = Some(MDC * d.se);
    effect.p = minimum_effect_p(&d, effect.margin.unwrap_or(0.0)).ok();
    if let Some(margin) = effect.margin {
        effect.p_within = equivalence_p(&d, margin).ok();
        effect.power_unchanged = power_unchanged(d.se, d.df, margin, settings.compare.confidence);
    }
}

/// How probable it is that the interval of two one-sided tests lies inside the margin when there is no change, the error
/// being what it is.
fn power_unchanged(se: f64, df: f64, margin: f64, confidence: f64) -> Option<f64> {
    let room = margin / se - t_quantile(confidence, df).ok()?;
    if room <= 0.0 || MDC * se > margin {
        return Some(0.0);
    }
    Some((1.0 - 2.0 * t_upper_tail(room, df).ok()?).max(0.0))
}

/// As findings are decided: beyond the margin by the adjusted p; inside it by two one-sided tests, and only where the
/// smallest detectable change is no larger than the margin.
fn word(effect: &mut Effect, settings: &Settings) {
    let (Some(margin), Some(adjusted), Some(d)) = (effect.margin, effect.p_adjusted, effect.difference()) else {
        return;
    };
    let of_groups = effect.term.is_of_groups();
    let (beyond, within) = match of_groups {
        true => (EffectWord::Different, EffectWord::Alike),
        false => (EffectWord::Changed, EffectWord::Unchanged),
    };
    let inside = effect.p_within.is_some_and(|p| p <= 1.0 - settings.compare.confidence);
    effect.word = Some(if adjusted <= settings.compare.false_discovery_rate {
        beyond
    } else if inside && MDC * d.se <= margin {
        within
    } else {
        EffectWord::Undecided
    });
}
