//! Measures of one spring on the conditioned signals, each with what noise does to it (METHODS.md §3, METHODS.md §5).

use super::feet::{Foot, Peak, Way, foot, median, read_peak};
use super::limbs::{Between, FOOT_SLACK_S, slope_between, work_and_loss};
use super::view::{Noisy, Shape, SideView};
use std::ops::Range;

/// Part of the excursion that end-feel stiffness is taken over.
const LIMB_SHARE: [f64; 2] = [0.2, 0.8];
/// Both limbs are cut this share of the excursion above their higher foot.
const CUT_SHARE: f64 = 0.05;

/// Everything measured of one spring; what cannot be said is `None`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpringMeasures {
    pub shape: Shape,
    pub peak_force: Noisy,
    pub preload: Noisy,
    pub excursion: Option<Noisy>,
    pub end_feel: Option<Noisy>,
    pub secant: Option<Noisy>,
    pub loading_work: Option<Noisy>,
    pub loss: Option<Noisy>,
    pub loss_ratio: Option<Noisy>,
    pub recoil_ratio: Option<Noisy>,
    pub time_to_peak: Option<Noisy>,
    pub loading_rate_n_per_s: Option<f64>,
    /// Standard uncertainty of the peak's time, in s.
    pub peak_time_sd_s: f64,
}

/// Finds the spring's feet around a peak marked by the detector. `bounds` are the neighbouring peaks or the ends
/// of contact.
pub fn shape(side: &SideView, mark: usize, bounds: Range<usize>, least: f64) -> Option<Shape> {
    let (y, noise_sd) = match side.displacement_mm {
        Some(x) => (x, side.displacement_noise_mm),
        None => (side.force_n, side.force_noise_n),
    };
    let near = ((0.06 * side.rate_hz).round() as usize).max(2);
    let mut peak = read_peak(
        y,
        mark.saturating_sub(near).max(bounds.start),
        (mark + near + 1).min(bounds.end),
        side.rate_hz,
    )?;
    peak.value -= side.gained_by_noise(y, peak.index, noise_sd);
    let before = foot(y, peak, bounds.start, Way::Before, side.rate_hz, least)?;
    let after = foot(y, peak, bounds.end, Way::After, side.rate_hz, least);
    Some(Shape { peak, before, after })
}

/// Measures one spring. `onset_mm` is the fitted onset, when there is one.
pub fn measure_spring(side: &SideView, shape: Shape, onset_mm: Option<f64>) -> SpringMeasures {
    let f = side.force_n;
    let start = shape.before.at.floor().max(0.0) as usize;
    let end = shape
        .after
        .map_or(shape.peak.index, |a| a.at.ceil() as usize)
        .min(f.len() - 1);
    let mut force_peak = read_peak(f, start, end + 1, side.rate_hz).unwrap_or(shape.peak);
    force_peak.value -= side.gained_by_noise(f, force_peak.index, side.force_noise_n);
    let preload = level(side, f, side.force_noise_n, shape.before, 1.0);
    let sample_n = side.noise.sample_sd(side.force_noise_n);
    let peak_force = Noisy {
        value: force_peak.value,
        from_force: sample_n,
        from_displacement: 0.0,
        per_zero_n: 1.0,
    };
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

/// Level of a signal over the rest before the foot (median), or where the spring is lowest when there is none.
fn level(side: &SideView, y: &[f64], noise_sd: f64, foot: Foot, per_zero_n: f64) -> Noisy {
    let (value, from_force) = match foot.rest {
        Some((a, b)) => {
            let stretch = &y[a..=b.min(y.len() - 1)];
            let value = median(&mut stretch.to_vec());
            (value, side.noise.median_of_moving_sd(noise_sd, stretch, value))
        }
        None => (y[foot.lowest], side.noise.sample_sd(noise_sd)),
    };
    Noisy {
        value,
        from_force,
        from_displacement: 0.0,
        per_zero_n,
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
    // Damping lifts force ahead of displacement: 10 % of its rise is often passed before the foot.
    let from = start.saturating_sub((FOOT_SLACK_S * side.rate_hz).ceil() as usize);
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
            m.time_to_peak = Some(Noisy {
                value: seconds,
                from_force: low.hypot(high),
                ..Noisy::default()
            });
            m.loading_rate_n_per_s = Some(0.8 * rise / seconds);
        }
    }
}

fn with_displacement(side: &SideView, x: &[f64], m: &mut SpringMeasures, onset_mm: Option<f64>) {
    let shape = m.shape;
    let sample_mm = side.noise.sample_sd(side.displacement_noise_mm);
    let rest_mm = level(side, x, side.displacement_noise_mm, shape.before, 0.0).from_force;
    let excursion = shape.peak.value - shape.before.level;
    if excursion <= 0.0 {
        return;
    }
    let excursion_sd = sample_mm.hypot(rest_mm);
    m.excursion = Some(Noisy {
        value: excursion,
        from_displacement: excursion_sd,
        ..Noisy::default()
    });
    let secant = (m.peak_force.value - m.preload.value) / excursion;
    m.secant = Some(Noisy {
        value: secant,
        from_force: m.peak_force.from_force.hypot(m.preload.from_force) / excursion,
        from_displacement: secant.abs() * excursion_sd / excursion,
        per_zero_n: 0.0,
    });
    m.end_feel = end_feel(side, x, shape, excursion, onset_mm);
    let Some(after) = shape.after else { return };
    let recoil = (shape.peak.value - after.level) / excursion;
    let end_mm = level(side, x, side.displacement_noise_mm, after, 0.0).from_force;
    let spread = ((1.0 - recoil) * sample_mm).hypot(end_mm).hypot(recoil * rest_mm) / excursion;
    m.recoil_ratio = Some(Noisy {
        value: recoil,
        from_displacement: spread,
        ..Noisy::default()
    });
    let cut = shape.before.level.max(after.level) + CUT_SHARE * excursion;
    if let Some([work, loss, ratio]) = work_and_loss(side, x, shape, cut) {
        (m.loading_work, m.loss, m.loss_ratio) = (Some(work), Some(loss), Some(ratio));
    }
}

/// Least-squares slope of force on displacement over 20 to 80 % of the excursion, at or beyond the onset.
fn end_feel(
    side: &SideView,
    x: &[f64],
    shape: Shape,
    excursion: f64,
    onset_mm: Option<f64>,
) -> Option<Noisy> {
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
