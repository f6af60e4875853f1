//! Measures of one spring on the conditioned signals, each with what noise does to it (methods §3, §5).

use super::feet::{Foot, Peak, Way, foot, read_peak};
use super::noise::FilteredNoise;
use std::ops::Range;

/// Part of the excursion that end-feel stiffness is taken over.
const LIMB_SHARE: [f64; 2] = [0.2, 0.8];
/// Both limbs are cut this share of the excursion above their higher foot.
const CUT_SHARE: f64 = 0.05;
/// Fewest samples a slope is taken from.
const FEWEST: usize = 4;
/// The limb is refined to at least this rate, so that which samples fall into it does not matter.
const LIMB_HZ: f64 = 400.0;

/// One side's conditioned signals, zeroed, with their noise.
#[derive(Debug, Clone, Copy)]
pub struct SideView<'a> {
    pub rate_hz: f64,
    pub force_n: &'a [f64],
    pub displacement_mm: Option<&'a [f64]>,
    /// White noise of one raw sample.
    pub force_noise_n: f64,
    pub displacement_noise_mm: f64,
    pub noise: &'a FilteredNoise,
}

/// A number with the standard uncertainties that force noise and displacement noise give it, and its slope with
/// respect to the force zero.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Noisy {
    pub value: f64,
    pub from_force: f64,
    pub from_displacement: f64,
    pub per_zero_n: f64,
}

/// Where a spring is on the refined signals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    pub peak: Peak,
    pub before: Foot,
    /// `None` when the recording or the contact ends on the recoil.
    pub after: Option<Foot>,
}

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
    let y = side.displacement_mm.unwrap_or(side.force_n);
    let near = ((0.06 * side.rate_hz).round() as usize).max(2);
    let peak = read_peak(
        y,
        mark.saturating_sub(near).max(bounds.start),
        (mark + near + 1).min(bounds.end),
        side.rate_hz,
    )?;
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
    let force_peak = read_peak(f, start, end + 1, side.rate_hz).unwrap_or(shape.peak);
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

/// Level of a signal over the rest before the foot (median), or at the foot where there is no rest.
fn level(side: &SideView, y: &[f64], noise_sd: f64, foot: Foot, per_zero_n: f64) -> Noisy {
    let (value, from_force) = match foot.rest {
        Some((a, b)) => {
            let mut rest = y[a..=b.min(y.len() - 1)].to_vec();
            (
                super::feet::median(&mut rest),
                side.noise.median_sd(noise_sd, rest.len()),
            )
        }
        None => (at(y, foot.at), side.noise.sample_sd(noise_sd)),
    };
    Noisy {
        value,
        from_force,
        from_displacement: 0.0,
        per_zero_n,
    }
}

fn at(y: &[f64], place: f64) -> f64 {
    let i = (place.floor().max(0.0) as usize).min(y.len().saturating_sub(2));
    y[i] + (place - i as f64) * (y[i + 1] - y[i])
}

fn peak_time_sd_s(side: &SideView, peak: Peak) -> f64 {
    let (y, noise) = match side.displacement_mm {
        Some(x) => (x, side.displacement_noise_mm),
        None => (side.force_n, side.force_noise_n),
    };
    // Curvature from a point 0.05 s away on either side: wide against noise, narrow against a spring.
    let k = ((0.05 * side.rate_hz).round() as usize).max(1);
    if peak.index < k || peak.index + k >= y.len() {
        return 0.0;
    }
    let h = k as f64 / side.rate_hz;
    let curvature = (2.0 * y[peak.index] - y[peak.index - k] - y[peak.index + k]) / (h * h);
    if curvature <= 0.0 {
        0.0
    } else {
        side.noise.rate_of_change_sd(noise, side.rate_hz) / curvature
    }
}

fn rise_time(side: &SideView, m: &mut SpringMeasures, start: usize, peak: Peak) {
    let f = side.force_n;
    let rise = m.peak_force.value - m.preload.value;
    let pass = |share: f64| {
        let mark = m.preload.value + share * rise;
        let i = (start.saturating_sub(1)..peak.index)
            .rev()
            .find(|i| f[*i] <= mark)?;
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
    let (f, shape) = (side.force_n, m.shape);
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
    m.end_feel = end_feel(side, f, x, shape, excursion, onset_mm);
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
    if let Some([work, loss, ratio]) = work_and_loss(side, f, x, shape, cut) {
        (m.loading_work, m.loss, m.loss_ratio) = (Some(work), Some(loss), Some(ratio));
    }
}

/// Least-squares slope of force on displacement over 20 to 80 % of the excursion, at or beyond the onset.
fn end_feel(
    side: &SideView,
    f: &[f64],
    x: &[f64],
    shape: Shape,
    excursion: f64,
    onset_mm: Option<f64>,
) -> Option<Noisy> {
    let base = shape.before.level;
    let low = (base + LIMB_SHARE[0] * excursion).max(onset_mm.unwrap_or(f64::NEG_INFINITY));
    let high = base + LIMB_SHARE[1] * excursion;
    slope_between(
        side,
        f,
        x,
        shape.before.at.floor().max(0.0) as usize..shape.peak.index,
        x,
        low,
        high,
    )
}

/// Slope of force on displacement over the samples of a limb where `key` lies between two values.
///
/// On limbs sampled slower than 400 Hz the line is fitted to straight-line refinements of the samples.
///
/// # Formula
/// b = Σ (xᵢ − x̄)Fᵢ/Sxx; ∂b/∂Fᵢ = (xᵢ − x̄)/Sxx, ∂b/∂xᵢ = (eᵢ − b(xᵢ − x̄))/Sxx with residual eᵢ.
pub fn slope_between(
    side: &SideView,
    f: &[f64],
    x: &[f64],
    limb: Range<usize>,
    key: &[f64],
    low: f64,
    high: f64,
) -> Option<Noisy> {
    let begin = (limb.start..limb.end)
        .rev()
        .find(|i| key[*i] < low)
        .unwrap_or(limb.start);
    let end = (begin..=limb.end.min(key.len() - 1))
        .find(|i| key[*i] > high)
        .unwrap_or(limb.end);
    let inside: Vec<usize> = (begin..=end)
        .filter(|i| (low..=high).contains(&key[*i]))
        .collect();
    let refine = (LIMB_HZ / side.rate_hz).ceil().max(1.0) as usize;
    let mut points: Vec<(f64, f64)> = Vec::new();
    for i in begin..end {
        for k in 0..refine {
            let s = k as f64 / refine as f64;
            let mix = |y: &[f64]| y[i] + s * (y[i + 1] - y[i]);
            if (low..=high).contains(&mix(key)) {
                points.push((mix(x), mix(f)));
            }
        }
    }
    if points.len() < FEWEST * refine || inside.len() < FEWEST.min(3) {
        return None;
    }
    let n = points.len() as f64;
    let (mx, mf) = points
        .iter()
        .fold((0.0, 0.0), |(a, b), (x, f)| (a + x / n, b + f / n));
    let sxx: f64 = points.iter().map(|(x, _)| (x - mx) * (x - mx)).sum();
    let sxf: f64 = points.iter().map(|(x, f)| (x - mx) * (f - mf)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let slope = sxf / sxx;
    // The weights of the recorded samples: each stands for `refine` points of the refined limb.
    let own: f64 = inside.iter().map(|i| (x[*i] - mx) * (x[*i] - mx)).sum();
    let (first, last) = (*inside.first()?, *inside.last()?);
    let (mut by_force, mut by_x) = (vec![0.0; last - first + 1], vec![0.0; last - first + 1]);
    for i in inside {
        let w = (x[i] - mx) / own;
        by_force[i - first] = w;
        by_x[i - first] = (f[i] - mf - slope * (x[i] - mx)) / own - slope * w;
    }
    Some(Noisy {
        value: slope,
        from_force: side.noise.combination_sd(side.force_noise_n, &by_force),
        from_displacement: side.noise.combination_sd(side.displacement_noise_mm, &by_x),
        per_zero_n: 0.0,
    })
}

/// Loading work, loss and loss ratio, both limbs cut at exactly `cut` by interpolation.
///
/// # Formula
/// W = ∫F dx up, loss = ∮F dx, by the trapezoid rule along the recorded path; weights by its derivatives.
fn work_and_loss(side: &SideView, f: &[f64], x: &[f64], shape: Shape, cut: f64) -> Option<[Noisy; 3]> {
    let p = shape.peak.index;
    let after = shape.after?;
    let first = (shape.before.at.floor().max(0.0) as usize..p)
        .rev()
        .find(|i| x[*i] < cut)?
        + 1;
    let last = (p..=(after.at.ceil() as usize).min(x.len() - 1)).find(|i| x[*i] < cut)? - 1;
    if first > p || last < p {
        return None;
    }
    let force_at = |inside: usize, outside: usize| {
        f[outside] + (cut - x[outside]) / (x[inside] - x[outside]) * (f[inside] - f[outside])
    };
    let (up, down) = (force_at(first, first - 1), force_at(last, last + 1));
    let mut path: Vec<(f64, f64)> = vec![(cut, up)];
    path.extend((first..=last).map(|i| (x[i], f[i])));
    path.push((cut, down));
    let peak = p - first + 1;
    let area = |part: &[(f64, f64)]| {
        part.windows(2)
            .map(|w| 0.5 * (w[0].1 + w[1].1) * (w[1].0 - w[0].0))
            .sum::<f64>()
    };
    let work = area(&path[..=peak]);
    let loss = work + area(&path[peak..]);
    if work <= 0.0 {
        return None;
    }
    let n = path.len() - 2;
    let (mut loss_f, mut loss_x, mut work_f, mut work_x) =
        (vec![0.0; n], vec![0.0; n], vec![0.0; n], vec![0.0; n]);
    for i in 1..=n {
        let (a, b, c) = (path[i - 1], path[i], path[i + 1]);
        loss_f[i - 1] = 0.5 * (c.0 - a.0);
        loss_x[i - 1] = 0.5 * (a.1 - c.1);
        if i < peak {
            (work_f[i - 1], work_x[i - 1]) = (loss_f[i - 1], loss_x[i - 1]);
        } else if i == peak {
            (work_f[i - 1], work_x[i - 1]) = (0.5 * (b.0 - a.0), 0.5 * (a.1 + b.1));
        }
    }
    let ratio = loss / work;
    let mix = |l: &[f64], w: &[f64]| {
        l.iter()
            .zip(w)
            .map(|(l, w)| (l - ratio * w) / work)
            .collect::<Vec<_>>()
    };
    let sd_f = |w: &[f64]| side.noise.combination_sd(side.force_noise_n, w);
    let sd_x = |w: &[f64]| side.noise.combination_sd(side.displacement_noise_mm, w);
    // The cut itself moves with the feet: their noise moves the ends of both integrals.
    let cut_sd = side
        .noise
        .median_sd(side.displacement_noise_mm, (0.2 * side.rate_hz) as usize);
    let length = path[peak].0 - cut;
    let noisy = |value, f: &[f64], x: &[f64], per_cut: f64, per_zero_n| Noisy {
        value,
        from_force: sd_f(f),
        from_displacement: sd_x(x).hypot(per_cut * cut_sd),
        per_zero_n,
    };
    Some([
        noisy(work, &work_f, &work_x, up, length),
        noisy(loss, &loss_f, &loss_x, up - down, 0.0),
        noisy(
            ratio,
            &mix(&loss_f, &work_f),
            &mix(&loss_x, &work_x),
            (ratio * up - (up - down)) / work,
            -ratio * length / work,
        ),
    ])
}
