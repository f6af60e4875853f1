//! A spring's limbs in the plane of force and displacement: slopes and areas, with what noise does to them.

use super::view::{SideView, SpringShape, UncertainValue};
use crate::stats::sums::dot;
use std::ops::Range;

/// Fewest samples a slope is taken from.
const FEWEST: usize = 4;
/// The limb is refined to at least this rate, so that which samples fall into it does not matter.
const LIMB_HZ: f64 = 400.0;
/// How far beyond a limb start's time a limb may reach: down to the cut, or to 10 % of the force rise; in s.
pub const LIMB_START_SLACK_S: f64 = 0.1;

/// Which samples of a limb count.
#[derive(Debug, Clone)]
pub struct Between<'a> {
    pub limb: Range<usize>,
    /// Samples count where this lies between `low` and `high`.
    pub key: &'a [f64],
    pub low: f64,
    pub high: f64,
}

/// Slope of force on displacement over the samples of a limb where a signal lies between two values.
///
/// On limbs sampled slower than 400 Hz the line is fitted to straight-line refinements of the samples.
///
/// # Formula
/// b = Σ (xᵢ − x̄)Fᵢ/Sxx; ∂b/∂Fᵢ = (xᵢ − x̄)/Sxx, ∂b/∂xᵢ = (eᵢ − b(xᵢ − x̄))/Sxx with residual eᵢ.
pub fn slope_between(side: &SideView, x: &[f64], between: &Between) -> Option<UncertainValue> {
    let f = side.force_n;
    let Between { limb, key, low, high } = between;
    let (low, high) = (*low, *high);
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
    let [spread_f, spread_x] = side.noise.spread([&by_force, &by_x]);
    let from_force = side.force_noise_n * norm(&spread_f);
    let from_displacement = side.displacement_noise_mm * norm(&spread_x);
    Some(UncertainValue::of_noise(slope, from_force, from_displacement))
}

fn norm(weights: &[f64]) -> f64 {
    dot(weights, weights).sqrt()
}

/// Loading work, loss and loss ratio, both limbs cut at exactly `cut` by interpolation.
///
/// # Formula
/// W = ∫F dx up, loss = ∮F dx, by the trapezoid rule along the recorded path; weights by its derivatives.
pub fn work_and_loss(
    side: &SideView,
    x: &[f64],
    shape: SpringShape,
    cut: f64,
) -> Option<[UncertainValue; 3]> {
    let f = side.force_n;
    let p = shape.peak.index;
    let after = shape.after?;
    // The times of the limb starts belong to the levels one step earlier: the final cut may lie a little beyond them.
    let slack = (LIMB_START_SLACK_S * side.rate_hz).ceil() as usize;
    let from = (shape.before.at.floor().max(0.0) as usize).saturating_sub(slack);
    let to = (after.at.ceil() as usize + slack).min(x.len() - 1);
    let first = (from..p).rev().find(|i| x[*i] < cut)? + 1;
    let last = (p..=to).find(|i| x[*i] < cut)? - 1;
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
    let [loss_f, loss_x, work_f, work_x] = side.noise.spread([&loss_f, &loss_x, &work_f, &work_x]);
    let ratio = loss / work;
    let mix = |l: &[f64], w: &[f64]| {
        l.iter()
            .zip(w)
            .map(|(l, w)| (l - ratio * w) / work)
            .collect::<Vec<_>>()
    };
    // The cut itself moves with the limb starts: their noise moves the ends of both integrals.
    let cut_sd = side
        .noise
        .median_sd(side.displacement_noise_mm, (0.2 * side.rate_hz) as usize);
    let length = path[peak].0 - cut;
    let noisy = |value, f: &[f64], x: &[f64], per_cut: f64, per_zero_n| UncertainValue {
        value,
        from_force: side.force_noise_n * norm(f),
        from_displacement: (side.displacement_noise_mm * norm(x)).hypot(per_cut * cut_sd),
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

#[cfg(test)]
mod tests {
    use super::super::fit::made::{noise, press, series, smears};
    use super::super::springs::{Near, shape};
    use super::*;

    const RATE_HZ: f64 = 100.0;
    const NOISE: f64 = 0.05;

    /// Work, loss and their ratio move with each raw sample's noise, with the cut and with the zero as differences say.
    #[test]
    fn uncertainties_of_work_and_loss_are_those_of_disturbed_samples() {
        let (x, springs) = press(RATE_HZ, 1);
        let made = series(x, Vec::new(), RATE_HZ);
        let (x, v) = (&made.displacement_mm, &made.speed_mm_per_s);
        let f: Vec<f64> = x.iter().zip(v).map(|(x, v)| 3.0 * x + 0.3 * v).collect();
        let filtered = noise(RATE_HZ);
        let view = |f: &[f64], x: &[f64], cut: f64| {
            let side = SideView {
                rate_hz: RATE_HZ,
                force_n: f,
                displacement_mm: Some(x),
                force_noise_n: NOISE,
                displacement_noise_mm: NOISE,
                force_times_white: 1.0,
                displacement_times_white: 1.0,
                noise: &filtered,
            };
            let mark = springs[0].start + springs[0].len() / 2;
            let found = shape(&side, mark, Near::About, springs[0].start..made.displacement_mm.len(), 0.1).unwrap();
            work_and_loss(&side, x, found, cut).unwrap()
        };
        let own = view(&f, x, 7.4);
        // Work of the elastic part is that of a straight line; what is lost comes of damping alone: c·∮v dx.
        let elastic = 1.5 * (10.0_f64.powi(2) - 7.4_f64.powi(2));
        assert!(own[0].value > elastic && own[0].value - elastic < 0.6 * own[1].value, "{own:?}");
        assert!((own[2].value - own[1].value / own[0].value).abs() < 1e-12);
        let h = 1e-3;
        let moved = |y: &[f64], smear: &[f64]| y.iter().zip(smear).map(|(y, s)| y + h * s).collect::<Vec<f64>>();
        let (mut of_force, mut of_displacement) = ([0.0; 3], [0.0; 3]);
        for smear in smears(&made) {
            let (by_f, by_x) = (view(&moved(&f, &smear), x, 7.4), view(&f, &moved(x, &smear), 7.4));
            for k in 0..3 {
                of_force[k] += (NOISE * (by_f[k].value - own[k].value) / h).powi(2);
                of_displacement[k] += (NOISE * (by_x[k].value - own[k].value) / h).powi(2);
            }
        }
        let higher = view(&f, x, 7.4 + h);
        let lifted: Vec<f64> = f.iter().map(|f| f + h).collect();
        let lifted = view(&lifted, x, 7.4);
        let cut_sd = filtered.median_sd(NOISE, 20);
        for k in 0..3 {
            assert!((own[k].from_force / of_force[k].sqrt() - 1.0).abs() < 0.05, "{k}: {own:?} {of_force:?}");
            let by_cut = (higher[k].value - own[k].value) / h * cut_sd;
            let whole = of_displacement[k].sqrt().hypot(by_cut);
            assert!((own[k].from_displacement / whole - 1.0).abs() < 0.05, "{k}: {own:?} {whole}");
            let by_zero = (lifted[k].value - own[k].value) / h;
            assert!((own[k].per_zero_n - by_zero).abs() < 0.01 * by_zero.abs().max(0.1), "{k}: {own:?} {by_zero}");
        }
    }
}
