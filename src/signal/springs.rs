//! Measures of one spring on the conditioned signals, each with what noise does to it (METHODS.md §3, METHODS.md §5).

use super::limb_starts::{Limb, LimbStart, Peak, limb_start, read_peak};
use super::limbs::{Between, LIMB_START_SLACK_S, slope_between, work_and_loss};
use super::view::{SideView, SpringShape, UncertainValue};
use crate::stats::moments::median_in_place;
use std::ops::Range;

/// Part of the excursion that end-feel stiffness is taken over.
const LIMB_SHARE: [f64; 2] = [0.2, 0.8];
/// Both limbs are cut this share of the excursion above their higher start.
const CUT_SHARE: f64 = 0.05;

/// Everything measured of one spring; what cannot be said is `None`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpringMeasures {
    pub shape: SpringShape,
    pub peak_force: UncertainValue,
    pub preload: UncertainValue,
    pub excursion: Option<UncertainValue>,
    pub end_feel: Option<UncertainValue>,
    pub secant: Option<UncertainValue>,
    pub loading_work: Option<UncertainValue>,
    pub loss: Option<UncertainValue>,
    pub loss_ratio: Option<UncertainValue>,
    pub recoil_ratio: Option<UncertainValue>,
    pub time_to_peak: Option<UncertainValue>,
    pub loading_rate_n_per_s: Option<f64>,
    /// Standard uncertainty of the peak's time, in s.
    pub peak_time_sd_s: f64,
}

/// How near its mark a peak is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Near {
    /// Within 0.06 s, as the detector marks it.
    About,
    /// Where a person set it.
    Exactly,
}

/// A peak that a person sets lies at least at this share of the rise of the push that it belongs to: no part of the other limb
/// then enters end-feel stiffness.
const TOP_SHARE: f64 = LIMB_SHARE[1];
/// From a peak that a person set, the way to the highest point of its push goes in steps of at most this, in s.
const CLIMB_S: f64 = 0.02;

/// Finds the spring's limb starts around a marked peak. `bounds` are the neighbouring peaks or the ends of contact.
pub fn shape(side: &SideView, mark: usize, near: Near, bounds: Range<usize>, least: f64) -> Option<SpringShape> {
    let (y, noise_sd) = match side.displacement_mm {
        Some(x) => (x, side.displacement_noise_mm / side.displacement_times_white),
        None => (side.force_n, side.force_noise_n / side.force_times_white),
    };
    let reach = ((0.06 * side.rate_hz).round() as usize).max(2);
    let mut peak = match near {
        Near::About => {
            let from = mark.saturating_sub(reach).max(bounds.start);
            read_peak(y, from, (mark + reach + 1).min(bounds.end), side.rate_hz)?
        }
        Near::Exactly => exact_peak(y, mark)?,
    };
    peak.value -= side.peak_noise_bias(y, peak.index, noise_sd);
    // The limbs of a peak that was set are those of its push, which may be highest beside it.
    let highest = match near {
        Near::About => peak,
        Near::Exactly => {
            let mut highest = exact_peak(y, climb(y, peak.index, &bounds, side.rate_hz))?;
            highest.value -= side.peak_noise_bias(y, highest.index, noise_sd);
            highest
        }
    };
    let off_the_lowest = |mut start: LimbStart| {
        if start.rest.is_none() {
            start.level += side.trough_noise_bias(y, start.lowest, noise_sd);
        }
        start
    };
    let before = off_the_lowest(limb_start(y, highest, bounds.start, Limb::Loading, side.rate_hz, least)?);
    let after = limb_start(y, highest, bounds.end, Limb::Recoil, side.rate_hz, least).map(off_the_lowest);
    let on_top = peak.value - before.level >= TOP_SHARE * (highest.value - before.level);
    (near == Near::About || on_top).then_some(SpringShape { peak, before, after })
}

fn exact_peak(y: &[f64], index: usize) -> Option<Peak> {
    Some(Peak {
        index,
        at: index as f64,
        value: *y.get(index)?,
    })
}

/// The highest sample of the push that a sample lies on.
fn climb(y: &[f64], from: usize, bounds: &Range<usize>, rate_hz: f64) -> usize {
    let step = ((CLIMB_S * rate_hz).round() as usize).max(1);
    let mut at = from;
    loop {
        let low = at.saturating_sub(step).max(bounds.start);
        let around = low..(at + step + 1).min(bounds.end).min(y.len());
        let Some(next) = around.max_by(|a, b| y[*a].total_cmp(&y[*b])) else {
            return at;
        };
        if y[next] <= y[at] {
            return at;
        }
        at = next;
    }
}

/// Measures one spring. `onset_mm` is the fitted onset, when there is one.
pub fn measure_spring(side: &SideView, shape: SpringShape, onset_mm: Option<f64>) -> SpringMeasures {
    let f = side.force_n;
    let start = shape.before.at.floor().max(0.0) as usize;
    let end = shape
        .after
        .map_or(shape.peak.index, |a| a.at.ceil() as usize)
        .min(f.len() - 1);
    let mut force_peak = read_peak(f, start, end + 1, side.rate_hz).unwrap_or(shape.peak);
    force_peak.value -= side.peak_noise_bias(f, force_peak.index, side.force_noise_n / side.force_times_white);
    let (mut preload_n, preload_sd_n) = level(side, f, side.force_noise_n, shape.before);
    if shape.before.rest.is_none() {
        preload_n -= side.beside_the_trough(f, shape.before.lowest);
    }
    let preload = UncertainValue::force(preload_n, preload_sd_n);
    let sample_n = side.noise.sample_sd(side.force_noise_n);
    let peak_force = UncertainValue::force(force_peak.value, sample_n);
    let mut m = SpringMeasures {
        shape,
        peak_force,
        preload,
        excursion: None,
        end_feel: None,
        secant: None,
        loading_work: None,
        loss: None,
        loss_ratio: None,
        recoil_ratio: None,
        time_to_peak: None,
        loading_rate_n_per_s: None,
        peak_time_sd_s: peak_time_sd_s(side, shape.peak),
    };
    rise_time(side, &mut m, start, force_peak);
    if let Some(x) = side.displacement_mm {
        with_displacement(side, x, &mut m, onset_mm);
    }
    m
}

/// Level of a signal over the rest before the limb start (median), or where the spring is lowest when there is none, with
/// its standard uncertainty.
fn level(side: &SideView, y: &[f64], noise_sd: f64, start: LimbStart) -> (f64, f64) {
    match start.rest {
        Some((a, b)) => {
            let stretch = &y[a..=b];
            let value = median_in_place(&mut stretch.to_vec()).unwrap_or(0.0);
            (value, side.noise.median_of_moving_sd(noise_sd, stretch, value))
        }
        None => (y[start.lowest], side.noise.sample_sd(noise_sd)),
    }
}

fn peak_time_sd_s(side: &SideView, peak: Peak) -> f64 {
    let (y, noise) = match side.displacement_mm {
        Some(x) => (x, side.displacement_noise_mm),
        None => (side.force_n, side.force_noise_n),
    };
    side.curvature(y, peak.index).map_or(0.0, |bend| {
        side.noise.rate_of_change_sd(noise, side.rate_hz) / bend
    })
}

fn rise_time(side: &SideView, m: &mut SpringMeasures, start: usize, peak: Peak) {
    let f = side.force_n;
    let rise = m.peak_force.value - m.preload.value;
    // Damping lifts force ahead of displacement: 10 % of its rise is often passed before the start.
    let from = start.saturating_sub((LIMB_START_SLACK_S * side.rate_hz).ceil() as usize);
    let pass = |share: f64| {
        let mark = m.preload.value + share * rise;
        let i = (from..peak.index).rev().find(|i| f[*i] <= mark)?;
        let slope = f[i + 1] - f[i];
        (slope > 0.0).then(|| (i as f64 + (mark - f[i]) / slope, slope * side.rate_hz))
    };
    if rise <= 0.0 {
        return;
    }
    if let (Some((t10, s10)), Some((t90, s90))) = (pass(0.1), pass(0.9)) {
        let seconds = (t90 - t10) / side.rate_hz;
        if seconds > 0.0 {
            let (p, l) = (m.peak_force.from_force, m.preload.from_force);
            let low = p.hypot(0.9 * l) / s10;
            let high = p.hypot(0.9 * p) / s90;
            m.time_to_peak = Some(UncertainValue::of_noise(seconds, low.hypot(high), 0.0));
            m.loading_rate_n_per_s = Some(0.8 * rise / seconds);
        }
    }
}

fn with_displacement(side: &SideView, x: &[f64], m: &mut SpringMeasures, onset_mm: Option<f64>) {
    let shape = m.shape;
    let sample_mm = side.noise.sample_sd(side.displacement_noise_mm);
    let (_, rest_mm) = level(side, x, side.displacement_noise_mm, shape.before);
    let excursion = shape.peak.value - shape.before.level;
    if excursion <= 0.0 {
        return;
    }
    let excursion_sd = sample_mm.hypot(rest_mm);
    m.excursion = Some(UncertainValue::of_noise(excursion, 0.0, excursion_sd));
    let secant = (m.peak_force.value - m.preload.value) / excursion;
    let from_force = m.peak_force.from_force.hypot(m.preload.from_force) / excursion;
    let from_displacement = secant.abs() * excursion_sd / excursion;
    m.secant = Some(UncertainValue::of_noise(secant, from_force, from_displacement));
    m.end_feel = end_feel(side, x, shape, excursion, onset_mm);
    let Some(after) = shape.after else { return };
    let recoil = (shape.peak.value - after.level) / excursion;
    let (_, end_mm) = level(side, x, side.displacement_noise_mm, after);
    let spread = ((1.0 - recoil) * sample_mm).hypot(end_mm).hypot(recoil * rest_mm) / excursion;
    m.recoil_ratio = Some(UncertainValue::of_noise(recoil, 0.0, spread));
    let cut = shape.before.level.max(after.level) + CUT_SHARE * excursion;
    if let Some([work, loss, ratio]) = work_and_loss(side, x, shape, cut) {
        (m.loading_work, m.loss, m.loss_ratio) = (Some(work), Some(loss), Some(ratio));
    }
}

/// Least-squares slope of force on displacement over 20 to 80 % of the excursion, at or beyond the onset.
fn end_feel(
    side: &SideView,
    x: &[f64],
    shape: SpringShape,
    excursion: f64,
    onset_mm: Option<f64>,
) -> Option<UncertainValue> {
    let base = shape.before.level;
    let low = (base + LIMB_SHARE[0] * excursion).max(onset_mm.unwrap_or(f64::NEG_INFINITY));
    let high = base + LIMB_SHARE[1] * excursion;
    let between = Between {
        limb: shape.before.at.floor().max(0.0) as usize..shape.peak.index,
        key: x,
        low,
        high,
    };
    slope_between(side, x, &between)
}

#[cfg(test)]
mod tests {
    use super::super::fit::made::{noise, press, series};
    use super::*;

    const RATE_HZ: f64 = 200.0;

    #[test]
    fn noise_lifts_peaks_by_its_slope_over_their_curvature_and_damping_brings_force_forward() {
        let (x, springs) = press(RATE_HZ, 1);
        let made = series(x, Vec::new(), RATE_HZ);
        let (x, v) = (&made.displacement_mm, &made.speed_mm_per_s);
        let f: Vec<f64> = x.iter().zip(v).map(|(x, v)| 3.0 * x + 0.4 * v).collect();
        let filtered = noise(RATE_HZ);
        let measured = |sd: f64, times_white: f64| {
            let side = SideView {
                rate_hz: RATE_HZ,
                force_n: &f,
                displacement_mm: Some(x),
                force_noise_n: sd,
                displacement_noise_mm: sd,
                force_times_white: times_white,
                displacement_times_white: times_white,
                noise: &filtered,
            };
            let mark = springs[0].start + springs[0].len() / 2;
            let found = super::shape(&side, mark, Near::About, springs[0].start - 30..x.len(), 0.1).unwrap();
            measure_spring(&side, found, None)
        };
        let (clean, noisy) = (measured(0.0, 1.0), measured(0.2, 2.0));
        // Half of the spring's way is 1.5 mm at 2 pi / 0.6 s; force leads by its damping, and bends as much more.
        let omega = std::f64::consts::TAU / 0.6;
        let (bend_mm, bend_n) = (1.5 * omega * omega, 1.5 * omega * omega * 3.0_f64.hypot(0.4 * omega));
        let slope2 = filtered.rate_of_change_sd(0.1, RATE_HZ).powi(2);
        let lifted_mm = clean.shape.peak.value - noisy.shape.peak.value;
        assert!((lifted_mm / (slope2 / (2.0 * bend_mm)) - 1.0).abs() < 0.05, "{lifted_mm}");
        let lifted_n = clean.peak_force.value - noisy.peak_force.value;
        assert!((lifted_n / (slope2 / (2.0 * bend_n)) - 1.0).abs() < 0.1, "{lifted_n}");
        // From 10 to 90 % of the rise of 21 + 4.5·(1 − cos) + 0.4·1.5·omega·sin, found on its own curve; force passes
        // 10 % before displacement starts.
        let start = springs[0].start as f64 / RATE_HZ;
        let force = |t: f64| 21.0 + 4.5 * (1.0 - (omega * t).cos()) + 0.6 * omega * (omega * t).sin();
        let top = 25.5 + 4.5_f64.hypot(0.6 * omega);
        let pass = |share: f64| (0..100_000).map(|i| f64::from(i) * 6e-6).find(|t| force(*t) >= 21.0 + share * (top - 21.0)).unwrap();
        assert!(pass(0.1) + start < clean.shape.before.at / RATE_HZ, "{:?}", clean.shape);
        let seconds = pass(0.9) - pass(0.1);
        let found = clean.time_to_peak.unwrap().value;
        assert!((found / seconds - 1.0).abs() < 0.03, "{found} {seconds}");
    }
}
