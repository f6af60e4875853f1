//! The whole-trace fit: onset, toe and end-feel from all samples of a test at once (METHODS.md §4).
//!
//! A knee read from the take-up limb alone is off by tenths of a millimetre: the limb is short, its speed changes
//! and tissue is viscous.

pub mod series;
mod soft;
pub mod law;
pub mod project;
pub mod misfit;
pub mod covariance;
mod covarying;
pub mod onset_force;
pub mod knee;
mod doubt;
pub mod family;
mod rules;
#[cfg(test)]
pub mod made;

use super::noise::FilteredNoise;
use crate::error::Result;
use crate::stats::moments::extremes;
use crate::stats::quantile::f_upper_tail;
use crate::trace::{AgainstKnee, LawShare, OtherRules};
use family::{Averaged, DAMPING, END_FEEL, ONSET, ONSET_FORCE, Press, TAKE_UP, average};
use doubt::in_doubt;
use covariance::{CONSTANT, Parts, Propagation, linear_index};
use knee::Evidence;
use misfit::RawNoise;
use law::{Columns, R1, R2, S, V, X, columns, softplus};
use onset_force::onset_force;
use project::{Bounds, Fitted, linear, search, search_relaxing};
use series::Series;
use std::ops::Range;

/// Relaxation must lower the residual sum of squares by this share …
const RELAXATION_GAIN: f64 = 0.20;
/// … and its F test must give less than this.
const RELAXATION_P: f64 = 1e-4;
/// Below this residual, in units of what noise explains, nothing can fall by [`RELAXATION_GAIN`].
const RELAXATION_FROM: f64 = 1.1;
/// A departure from the law, however sure, is worth a word only when it may move the onset by this share of the
/// displacement's range or the end-feel by this share of itself (standard uncertainties).
const MOVED_ONSET: f64 = 3e-4;
const MOVED_END_FEEL: f64 = 1e-3;
/// A residual under this share of the range of force is no doubt, however sure.
const TRIFLE: f64 = 1e-4;
/// Beyond a knee the push is this many times as stiff as before …
const STIFFENED: f64 = 1.5;
/// … and beyond a curved toe, as its best line has it: a toe that went with the power 1.5 ends 1.46 times as stiff.
const STIFFENED_FROM_CURVE: f64 = 1.3;

/// One test's conditioned signals from first contact to the end of the last spring (or the peak).
#[derive(Debug, Clone, Copy)]
pub struct FitInput<'a> {
    pub rate_hz: f64,
    pub cutoff_hz: f64,
    /// Conditioned, zeroed force and conditioned displacement, equally long.
    pub force_n: &'a [f64],
    pub displacement_mm: &'a [f64],
    /// White noise of one raw sample.
    pub force_noise_n: f64,
    pub displacement_noise_mm: f64,
    pub noise: &'a FilteredNoise,
    /// Standard uncertainty of the force zero.
    pub zero_sd_n: f64,
    /// Springs, as ranges into the signals.
    pub springs: &'a [Range<usize>],
    /// Where a person wants the onset looked for. The plain law alone then answers: the family has its own ways to a knee.
    pub onset_within_mm: Option<[f64; 2]>,
}

/// A number with its standard uncertainties.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Value {
    pub value: f64,
    pub parts: Parts,
}

/// The fitted law with what noise does to it.
#[derive(Debug, Clone)]
pub struct Fit {
    pub onset_mm: Value,
    pub onset_n: Value,
    pub take_up_n_per_mm: Value,
    pub end_feel_n_per_mm: Value,
    pub damping_n_s_per_mm: Value,
    /// Where the toe at rest has no force, and damping there.
    pub unloaded_mm: f64,
    pub first_damping_n_s_per_mm: Value,
    pub knee_width_mm: f64,
    pub relaxation_time_s: Option<f64>,
    /// First passage of the onset, in samples of the input.
    pub passage: f64,
    /// Root mean square residual over the springs, over their range of force, in percent; `None` without springs.
    pub residual_percent: Option<f64>,
    /// The tissue departs from the law by more than noise explains, and so that a result moves.
    pub poor: bool,
    /// Why there is no knee; empty when there is one.
    pub against_knee: Vec<AgainstKnee>,
    /// The laws that were averaged, the one that weighs most first; empty where the plain law was not in doubt.
    pub laws: Vec<LawShare>,
    /// Where other rules put the onset.
    pub rules: OtherRules,
}

/// Fits the law to one test. `None` when there are too few samples or the displacement does not move.
///
/// # Errors
/// When the cut-off does not suit the rate.
pub fn fit(input: &FitInput) -> Result<Option<Fit>> {
    let series = Series::new(
        input.force_n,
        input.displacement_mm,
        input.rate_hz,
        input.cutoff_hz,
    )?;
    if series.len() < 40 {
        return Ok(None);
    }
    let coarse = series.coarse(input.cutoff_hz)?;
    let Some(bounds) = Bounds::of(&series.displacement_mm).and_then(|b| b.within(input.onset_within_mm)) else {
        return Ok(None);
    };
    let Some(plain) = search(&series, &coarse, &bounds) else {
        return Ok(None);
    };
    let noise = RawNoise {
        force_n: input.force_noise_n,
        displacement_mm: input.displacement_noise_mm,
        filtered: input.noise,
        zero_sd_n: input.zero_sd_n,
    };
    let c = columns(&series, &plain.shape, true);
    let Some(propagation) = Propagation::new(&series, &c, &plain, noise) else {
        return Ok(None);
    };
    let independent = series.len() as f64 * input.noise.independent_share(series.every);
    let relaxing = (propagation.misfit.ratio > RELAXATION_FROM)
        .then(|| search_relaxing(&series, &coarse, &plain, &bounds))
        .flatten()
        .filter(|r| relaxation_pays(&plain, r, independent));
    let (best, c, propagation) = match relaxing {
        None => (plain, c, propagation),
        Some(r) => {
            let own = columns(&series, &r.shape, true);
            match Propagation::new(&series, &own, &r, noise) {
                Some(p) => (r, own, p),
                None => (plain, c, propagation),
            }
        }
    };
    let springs: Vec<Range<usize>> = input
        .springs
        .iter()
        .map(|s| s.start / series.every..(s.end / series.every).min(series.len()))
        .collect();
    let hangs = !is_trifle(&series, &best) && in_doubt(&series, &c, &best, &propagation, &springs);
    let best = bias_corrected(best, &propagation.attenuation);
    let mut fit = describe(input, &series, &bounds, &best, &c, &propagation, independent);
    let doubt = hangs || (propagation.misfit.clear && (fit.poor || !fit.against_knee.is_empty()));
    if doubt && input.onset_within_mm.is_none() {
        fit.by_family(input, &series, &propagation, &springs, &bounds);
    }
    fit.rules = rules::other_rules(&coarse, fit.damping_n_s_per_mm.value);
    Ok(Some(fit))
}

/// Whether the residual is so small that no law could say more of the tissue: only force without noise leaves as little.
fn is_trifle(series: &Series, best: &Fitted) -> bool {
    let (low, high) = extremes(&series.force_n);
    (best.linear.rss / series.len() as f64).sqrt() < TRIFLE * (high - low)
}

impl Fit {
    /// Asks the family of laws about the same samples, and takes its results over where it has any.
    fn by_family(
        &mut self,
        input: &FitInput,
        series: &Series,
        propagation: &Propagation,
        springs: &[Range<usize>],
        bounds: &Bounds,
    ) {
        let press = Press::new(series, &propagation.expected, springs, input.noise);
        if let Some(averaged) = average(&press, input.noise, input.displacement_noise_mm) {
            self.take_over(input, &press, &averaged, bounds);
        }
    }

    /// Puts the family's results in place of the plain law's.
    fn take_over(&mut self, input: &FitInput, press: &Press, family: &Averaged, bounds: &Bounds) {
        for (k, own) in [
            (ONSET, &mut self.onset_mm),
            (ONSET_FORCE, &mut self.onset_n),
            (TAKE_UP, &mut self.take_up_n_per_mm),
            (END_FEEL, &mut self.end_feel_n_per_mm),
            (DAMPING, &mut self.damping_n_s_per_mm),
        ] {
            let [value, u] = family.results[k];
            let noise = own.parts.noise_share(family.winner[k].by_noise.min(u));
            // The family knows nothing of noise in displacement; what that does to the plain law it does to all of them.
            let attenuated = own.parts.attenuated;
            *own = Value {
                value: value - attenuated,
                parts: Parts { misfit: (u * u - noise.total().powi(2)).max(0.0).sqrt(), attenuated, ..noise },
            };
        }
        self.unloaded_mm = family.unloaded_mm;
        self.first_damping_n_s_per_mm = Value { value: family.first_damping, ..self.damping_n_s_per_mm };
        self.passage = first_passage(input.displacement_mm, self.onset_mm.value);
        let (lowest_mm, highest_mm) = extremes(&press.series.displacement_mm);
        let (lowest_n, highest_n) = extremes(&press.series.force_n);
        let winner = |k: usize| family.winner[k].value;
        let evidence = Evidence {
            onset_mm: winner(ONSET),
            u_onset_mm: family.winner[ONSET].by_noise,
            k1: winner(TAKE_UP),
            k2: winner(END_FEEL),
            stiffening: if family.laws.first().is_some_and(|l| l.shape.has_curved_toe()) {
                STIFFENED_FROM_CURVE
            } else {
                STIFFENED
            },
            bounds: *bounds,
            highest_mm,
            lowest_mm,
            force_range_n: highest_n - lowest_n,
            force_noise_n: input.noise.sample_sd(input.force_noise_n),
            rss: family.rss,
            rss_without_knee: family.rss_without_onset,
            parameters: family.parameters,
            independent: press.independent(),
        };
        self.against_knee = evidence.against();
        self.laws = family.laws.clone();
        let kept = press.kept.iter().zip(&family.residual_n);
        let of_series = press.series;
        self.residual_percent = residual_percent(
            input.springs,
            kept.map(|(i, left)| (i * of_series.every, *left, of_series.force_n[*i])),
        );
    }
}

/// The fit with what noise in displacement takes from it put back. Width and relaxation time stay: a narrow knee's width
/// has no straight line to correct it along.
fn bias_corrected(mut best: Fitted, attenuation: &[f64]) -> Fitted {
    let linear = &mut best.linear;
    linear.constant -= attenuation[CONSTANT];
    for (i, k) in linear.coefficients.iter_mut().enumerate() {
        *k -= attenuation[linear_index(i)];
    }
    best.shape.onset_mm -= attenuation[linear_index(best.linear.coefficients.len())];
    best
}

fn relaxation_pays(plain: &Fitted, relaxing: &Fitted, independent: f64) -> bool {
    let (before, after) = (plain.linear.rss, relaxing.linear.rss);
    if after <= 0.0 || 1.0 - after / before < RELAXATION_GAIN {
        return false;
    }
    let df = (independent - 9.0).max(1.0);
    let f = (before - after) / 3.0 / (after / df);
    f_upper_tail(f, 3.0, df).is_ok_and(|p| p < RELAXATION_P)
}

fn describe(
    input: &FitInput,
    series: &Series,
    bounds: &Bounds,
    best: &Fitted,
    c: &Columns,
    propagation: &Propagation,
    independent: f64,
) -> Fit {
    let k = &best.linear.coefficients;
    let onset = linear_index(k.len());
    let value = |value: f64, gradient: &[(usize, f64)]| Value {
        value,
        parts: propagation.combination(gradient),
    };
    let (k1, k2) = (k[X], k[X] + k[S]);
    let onset_mm = value(best.shape.onset_mm, &[(onset, 1.0)]);
    let end_feel = value(k2, &[(linear_index(X), 1.0), (linear_index(S), 1.0)]);
    let passage = first_passage(input.displacement_mm, best.shape.onset_mm);
    let onset_n = onset_force(input, series, best, propagation, bounds, passage);
    let (lowest_mm, highest_mm) = extremes(&series.displacement_mm);
    let (lowest_n, highest_n) = extremes(&series.force_n);
    let evidence = Evidence {
        onset_mm: best.shape.onset_mm,
        // Of noise alone: tissue that departs from the law has a knee all the same.
        u_onset_mm: propagation.noise_alone(&[(onset, 1.0)], &[]).total(),
        k1,
        k2,
        stiffening: STIFFENED,
        bounds: *bounds,
        highest_mm,
        lowest_mm,
        force_range_n: highest_n - lowest_n,
        force_noise_n: input.noise.sample_sd(input.force_noise_n),
        rss: best.linear.rss,
        rss_without_knee: without_knee(series, c),
        parameters: 1 + k.len() + best.shape.count(),
        independent,
    };
    let damping = value(k[V], &[(linear_index(V), 1.0)]);
    let toe_n = best.linear.constant + k[S] * -softplus(-best.shape.onset_mm / best.shape.width_mm()) * best.shape.width_mm();
    Fit {
        unloaded_mm: -toe_n / k1,
        first_damping_n_s_per_mm: damping,
        onset_mm,
        onset_n,
        take_up_n_per_mm: value(k1, &[(linear_index(X), 1.0)]),
        end_feel_n_per_mm: end_feel,
        damping_n_s_per_mm: damping,
        knee_width_mm: best.shape.width_mm(),
        relaxation_time_s: best.shape.time_s(),
        passage,
        residual_percent: residual_percent(
            input.springs,
            (0..series.len()).map(|i| (i * series.every, propagation.residual[i], series.force_n[i])),
        ),
        poor: moved(&onset_mm, bounds.range_mm, MOVED_ONSET)
            || moved(&end_feel, end_feel.value, MOVED_END_FEEL),
        against_knee: evidence.against(),
        laws: Vec::new(),
        rules: OtherRules::default(),
    }
}

/// Whether a departure from the law moves a value by more than a share of something.
fn moved(value: &Value, of: f64, share: f64) -> bool {
    value.parts.misfit > share * of.abs()
}

/// Residual sum of squares of a parabola with damping (and the same memory of x, when there is relaxation): a push that stiffens
/// evenly has no knee, and a wide one would pass for it.
fn without_knee(series: &Series, c: &Columns) -> f64 {
    let (low, high) = extremes(&series.displacement_mm);
    let square: Vec<f64> = series.displacement_mm.iter().map(|x| (x - 0.5 * (low + high)).powi(2)).collect();
    let mut kept: Vec<&[f64]> = vec![&c.linear[X], &square, &c.linear[V]];
    if c.linear.len() > R2 {
        kept.push(&c.linear[R1]);
    }
    linear(&series.force_n, &kept).map_or(f64::INFINITY, |s| s.linear.rss)
}

/// First position, in samples, at which x rises through a level; the end when it never does.
fn first_passage(x: &[f64], level: f64) -> f64 {
    match x.windows(2).position(|w| w[0] < level && w[1] >= level) {
        Some(i) => i as f64 + (level - x[i]) / (x[i + 1] - x[i]),
        None => x.len().saturating_sub(1) as f64,
    }
}

/// Root mean square residual over the springs, over their range of force, in percent, from (grid sample, residual, force).
fn residual_percent(
    springs: &[Range<usize>],
    samples: impl Iterator<Item = (usize, f64, f64)>,
) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0_usize);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (_, left, force) in samples.filter(|(i, ..)| springs.iter().any(|s| s.contains(i))) {
        sum += left * left;
        (low, high) = (low.min(force), high.max(force));
        n += 1;
    }
    (n > 0 && high > low).then(|| 100.0 * (sum / n as f64).sqrt() / (high - low))
}

#[cfg(test)]
mod tests;
