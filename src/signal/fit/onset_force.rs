//! The force at the onset: the fitted law at the first passage of the knee (METHODS.md §4.10).

use super::covariance::{CONSTANT, Parts, Propagation, linear_index};
use super::misfit::RawNoise;
use super::law::{KneeShape, R1, R2, S, V, X, columns, softplus};
use super::project::{Bounds, Fitted};
use super::series::Series;
use super::{FitInput, Value};
use nalgebra::{Matrix4, Vector4};

/// Speed at the knee is the slope there of a cubic through the samples this near: the noise of two neighbours' difference
/// is several times larger, and no push bends faster than a cubic follows in that time.
const SPEED_S: f64 = 0.04;

/// Width at which the data's say on narrow knees is read off, as a share of the displacement range.
const PROBE_SHARE: f64 = 0.0018;
/// Widths are integrated up to this many standard deviations of their square.
const REACH: f64 = 2.2;
/// Knees tend to be narrower than "every width as likely" has it: the share of that mean that made intervals hold most
/// evenly over widths of 0 to 0.09 mm (300 simulated tests each).
const NARROWER: f64 = 0.85;
/// Steps of that integration.
const STEPS: u32 = 48;

/// Fitted force at the first passage of the onset, with the conditioned speed there.
pub fn onset_force(
    input: &FitInput,
    series: &Series,
    best: &Fitted,
    p: &Propagation,
    bounds: &Bounds,
    passage: f64,
) -> Value {
    let at = Passage::new(input, series, best, passage);
    let (w, gradient) = (best.shape.width_mm(), at.gradient(best, best.shape.width_mm()));
    let mut value = Value {
        value: at.force_n(best),
        parts: p.combination_beside(&gradient, &at.positions),
    };
    let probe_mm = PROBE_SHARE * bounds.range_mm;
    let narrow = if w >= probe_mm {
        NarrowKnee::read(&at, best, p, w)
    } else {
        probe(input, series, best, probe_mm).and_then(|p| NarrowKnee::read(&at, best, &p, probe_mm))
    };
    if let Some(n) = narrow.filter(|n| w * w < 2.0 * n.square_sd) {
        let (mean, sd) = n.allowed(w);
        value.value += n.own * (mean - w) + n.others * (mean * mean - w * w);
        let by_width = (n.own + 2.0 * n.others * mean) * sd;
        let parts = p.combination_beside(&gradient[..gradient.len() - 1], &at.positions);
        value.parts = scaled(parts, (n.without_width2 + by_width * by_width).sqrt());
    }
    value
}

/// What the fit's columns are at the first passage of the knee.
struct Passage {
    speed_mm_per_s: f64,
    /// The relaxing columns, when there are any.
    memories: Vec<f64>,
    /// What the damping force there takes from each displacement.
    positions: Vec<(usize, f64)>,
}

impl Passage {
    fn new(input: &FitInput, series: &Series, best: &Fitted, passage: f64) -> Passage {
        let rate = input.rate_hz / series.rate_hz;
        let at = (passage / rate).min((series.len() - 1) as f64);
        let read = |y: &[f64]| {
            let i = (at as usize).min(y.len().saturating_sub(2));
            y[i] + (at - i as f64) * (y[i + 1] - y[i])
        };
        let memories = if best.linear.coefficients.len() > R2 {
            let c = columns(series, &best.shape, false);
            vec![read(&c.linear[R1]), read(&c.linear[R2])]
        } else {
            Vec::new()
        };
        let weights = speed_weights(at, series.len(), series.rate_hz);
        let speed_of = |(i, w): &(usize, f64)| w * series.displacement_mm[*i];
        let damping = best.linear.coefficients[V];
        Passage {
            speed_mm_per_s: weights.iter().map(speed_of).sum(),
            memories,
            positions: weights.iter().map(|(i, w)| (*i, damping * w)).collect(),
        }
    }

    fn force_n(&self, best: &Fitted) -> f64 {
        let k = &best.linear.coefficients;
        let relaxing: f64 = self.memories.iter().zip(&k[V + 1..]).map(|(m, k)| m * k).sum();
        let soft = softened(best.shape.width_mm(), best.shape.onset_mm);
        best.linear.constant
            + k[X] * best.shape.onset_mm
            + k[S] * soft
            + k[V] * self.speed_mm_per_s
            + relaxing
    }

    /// By parameter, that of ln w last.
    fn gradient(&self, best: &Fitted, width_mm: f64) -> Vec<(usize, f64)> {
        let k = &best.linear.coefficients;
        let soft = softened(width_mm, best.shape.onset_mm);
        let onset = linear_index(k.len());
        let mut gradient = vec![
            (CONSTANT, 1.0),
            (linear_index(X), best.shape.onset_mm),
            (linear_index(S), soft),
            (linear_index(V), self.speed_mm_per_s),
            (onset, k[X]),
        ];
        let memories = self.memories.iter().enumerate();
        gradient.extend(memories.map(|(i, m)| (linear_index(R1 + i), *m)));
        gradient.push((onset + 1, k[S] * soft));
        gradient
    }
}

/// Weights on displacements that give the speed at `at` samples: the slope of a cubic through those within [`SPEED_S`],
/// by least squares; fewer than five samples give the straight line's slope.
fn speed_weights(at: f64, len: usize, rate_hz: f64) -> Vec<(usize, f64)> {
    let reach = (SPEED_S * rate_hz).max(2.0);
    let first = (at - reach).ceil().max(0.0) as usize;
    let last = ((at + reach).floor() as usize).min(len.saturating_sub(1));
    let times = (first..=last).map(|i| (i, (i as f64 - at) / reach));
    let powers = |t: f64| Vector4::new(1.0, t, t * t, t * t * t);
    let gram: Matrix4<f64> = times
        .clone()
        .map(|(_, t)| powers(t) * powers(t).transpose())
        .sum();
    let per_s = rate_hz / reach;
    if last >= first + 4
        && let Some(inverse) = gram.try_inverse()
    {
        let slope = inverse.row(1).into_owned();
        return times.map(|(i, t)| (i, per_s * (slope * powers(t))[0])).collect();
    }
    let mean = times.clone().map(|(_, t)| t).sum::<f64>() / (last + 1 - first) as f64;
    let square: f64 = times.clone().map(|(_, t)| (t - mean).powi(2)).sum();
    let slope = |t: f64| {
        if square > 0.0 {
            per_s * (t - mean) / square
        } else {
            0.0
        }
    };
    times.map(|(i, t)| (i, slope(t))).collect()
}

/// The knee's own term at the knee, in mm.
fn softened(width_mm: f64, onset_mm: f64) -> f64 {
    width_mm * (2.0_f64.ln() - softplus(-onset_mm / width_mm))
}

/// The fit's weights as they would be for a wider knee at the same place.
fn probe<'a>(
    input: &FitInput<'a>,
    series: &'a Series,
    best: &Fitted,
    width_mm: f64,
) -> Option<Propagation<'a>> {
    let wider = Fitted {
        shape: KneeShape {
            ln_width: width_mm.ln(),
            ..best.shape
        },
        linear: best.linear.clone(),
    };
    let noise = RawNoise {
        force_n: input.force_noise_n,
        displacement_mm: input.displacement_noise_mm,
        filtered: input.noise,
        zero_sd_n: input.zero_sd_n,
    };
    Propagation::new(series, &columns(series, &wider.shape, true), &wider, noise)
}

/// A narrow knee, whose width the data hardly tell from none.
///
/// The low-passed push shows a narrow width by its square, ŵ² ± s with s the same whatever w. The force at the knee
/// depends on w in its own term, (k2 − k1)·ln 2·w, and through what w² does to the other parameters.
struct NarrowKnee {
    square_sd: f64,
    own: f64,
    others: f64,
    /// Variance of the force if the width were known.
    without_width2: f64,
}

impl NarrowKnee {
    fn read(at: &Passage, best: &Fitted, p: &Propagation, width_mm: f64) -> Option<NarrowKnee> {
        let gradient = at.gradient(best, width_mm);
        let ln_width = gradient.last()?.0;
        let variance = |g: &[(usize, f64)]| p.noise_alone(g, &at.positions).total().powi(2);
        let of_force = variance(&gradient);
        let of_width = p.noise_alone(&[(ln_width, 1.0)], &[]).total().powi(2);
        if of_force <= 0.0 || of_width <= 0.0 {
            return None;
        }
        let scale = (of_force / of_width).sqrt();
        let mut both = gradient;
        both.push((ln_width, scale));
        let covariance = (variance(&both) - of_force - scale * scale * of_width) / (2.0 * scale);
        let own = best.linear.coefficients[S] * 2.0_f64.ln();
        let by_width = covariance / of_width / width_mm;
        Some(NarrowKnee {
            square_sd: 2.0 * width_mm * width_mm * of_width.sqrt(),
            own,
            others: (by_width - own) / (2.0 * width_mm),
            without_width2: (of_force - covariance * covariance / of_width).max(0.0),
        })
    }

    /// Mean and standard deviation of the widths that the data allow, every width as likely beforehand:
    /// weights exp(−(w² − ŵ²)²/(2s²)) over w ≥ 0.
    fn allowed(&self, width_mm: f64) -> (f64, f64) {
        let step = REACH * self.square_sd.sqrt() / f64::from(STEPS);
        let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
        for k in 0..=STEPS {
            let w = f64::from(k) * step;
            let weight = (-0.5 * ((w * w - width_mm * width_mm) / self.square_sd).powi(2)).exp();
            total += weight;
            first += weight * w;
            second += weight * w * w;
        }
        let mean = first / total;
        let sd = (second / total - mean * mean).max(0.0).sqrt();
        (NARROWER * mean, sd)
    }
}

/// The same shares of the channels in another total: a width that noise hides is an effect of noise.
fn scaled(parts: Parts, total_n: f64) -> Parts {
    let both = parts.force.hypot(parts.displacement);
    if both <= 0.0 {
        return parts;
    }
    Parts {
        force: parts.force * total_n / both,
        displacement: parts.displacement * total_n / both,
        ..parts
    }
}

#[cfg(test)]
mod tests {
    use super::super::first_passage;
    use super::super::made::{CUTOFF_HZ, by_the_law, noise};
    use super::super::project::at;
    use super::*;
    use crate::signal::noise::FilteredNoise;
    use std::f64::consts::PI;

    #[test]
    fn the_speed_of_a_cubic_is_exact_anywhere_and_of_a_line_at_the_ends_too() {
        let rate_hz = 200.0;
        let cubic = |i: usize| {
            let t = i as f64 / rate_hz;
            3.0 + 8.0 * t - 11.0 * t * t + 5.0 * t.powi(3)
        };
        for at in [0.0, 7.25, 60.0, 99.0] {
            let t = at / rate_hz;
            let exact = 8.0 - 22.0 * t + 15.0 * t * t;
            let speed: f64 = speed_weights(at, 100, rate_hz)
                .iter()
                .map(|(i, w)| w * cubic(*i))
                .sum();
            assert!((speed - exact).abs() < 1e-9, "{at}: {speed} {exact}");
        }
        let short: f64 = speed_weights(1.0, 3, rate_hz)
            .iter()
            .map(|(i, w)| w * *i as f64)
            .sum();
        assert!((short - rate_hz).abs() < 1e-9, "{short}");
        assert_eq!(speed_weights(0.0, 1, rate_hz), [(0, 0.0)]);
    }

    /// A narrow knee's allowed widths against their integrals by a fine sum.
    #[test]
    fn allowed_widths_have_the_mean_and_spread_of_their_density() {
        for (square_sd, width_mm) in [(0.04_f64, 0.0), (0.04, 0.2), (0.01, 0.12)] {
            let narrow = NarrowKnee { square_sd, own: 0.0, others: 0.0, without_width2: 0.0 };
            let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
            let step = 1e-4 * square_sd.sqrt();
            for k in 0..40_000 {
                let w = (f64::from(k) + 0.5) * step;
                let weight = (-(w * w - width_mm * width_mm).powi(2) / (2.0 * square_sd * square_sd)).exp();
                (total, first, second) = (total + weight, first + weight * w, second + weight * w * w);
            }
            let mean = first / total;
            let sd = (second / total - mean * mean).sqrt();
            let (allowed, spread) = narrow.allowed(width_mm);
            assert!((allowed / (0.85 * mean) - 1.0).abs() < 0.03, "{allowed} {mean}");
            assert!((spread / sd - 1.0).abs() < 0.03, "{spread} {sd}");
        }
    }

    const RATE_HZ: f64 = 100.0;

    fn input<'a>(series: &'a Series, noise: &'a FilteredNoise) -> FitInput<'a> {
        FitInput {
            rate_hz: RATE_HZ,
            cutoff_hz: CUTOFF_HZ,
            force_n: &series.force_n,
            displacement_mm: &series.displacement_mm,
            force_noise_n: 0.1,
            displacement_noise_mm: 0.01,
            noise,
            zero_sd_n: 0.0,
            springs: &[],
            onset_within_mm: None,
        }
    }

    #[test]
    fn the_force_at_the_onset_is_the_laws_own_and_its_gradient_that_of_differences() {
        let shape = KneeShape { onset_mm: 4.0, ln_width: 0.3_f64.ln(), ln_time: Some(0.4_f64.ln()) };
        let (constant, k) = (0.3, [1.2, 5.0, 0.4, 1.5, 2.5]);
        let (made, _) = by_the_law(RATE_HZ, 1, &shape, constant, &k);
        let filtered = noise(RATE_HZ);
        let fitted = at(&made, &shape).unwrap();
        let passage = first_passage(&made.displacement_mm, 4.0);
        let there = Passage::new(&input(&made, &filtered), &made, &fitted, passage);
        // A knee's term where u = 0 is w·ln 2 less its value at 0; the rest is read off the press itself.
        let i = passage as usize;
        let read = |y: &[f64]| y[i] + (passage - i as f64) * (y[i + 1] - y[i]);
        let soft = 0.3 * (2.0_f64.ln() - (-4.0_f64 / 0.3).exp().ln_1p());
        let c = columns(&made, &shape, false);
        let speed = 3.5 * PI * (2.0 * 4.0 / 7.0 * (1.0 - 4.0 / 7.0) * 2.0_f64).sqrt();
        let law = constant + k[0] * 4.0 + k[1] * soft + k[2] * speed + k[3] * read(&c.linear[R1]) + k[4] * read(&c.linear[R2]);
        let force = there.force_n(&fitted);
        assert!((force / law - 1.0).abs() < 1e-4, "{force} {law}");
        let gradient = there.gradient(&fitted, 0.3);
        assert_eq!(gradient.iter().map(|g| g.0).collect::<Vec<usize>>(), [0, 1, 2, 3, 6, 4, 5, 7]);
        for (parameter, slope) in gradient {
            let h = 1e-5;
            let mut moved = fitted.clone();
            match parameter {
                0 => moved.linear.constant += h,
                6 => moved.shape.onset_mm += h,
                7 => moved.shape.ln_width += h,
                i => moved.linear.coefficients[i - 1] += h,
            }
            let by_difference = (there.force_n(&moved) - force) / h;
            assert!((slope - by_difference).abs() < 1e-3 * slope.abs().max(0.1), "{parameter}: {slope} {by_difference}");
        }
    }

    /// Variances of sums and differences give a covariance without the fit's own: 4·cov = var(a + b) − var(a − b).
    #[test]
    fn what_a_narrow_knees_width_does_to_the_force_is_their_covariance() {
        let shape = KneeShape { onset_mm: 4.0, ln_width: 0.15_f64.ln(), ln_time: None };
        let (made, _) = by_the_law(RATE_HZ, 1, &shape, 0.3, &[1.2, 5.0, 0.4]);
        let filtered = noise(RATE_HZ);
        let fitted = at(&made, &shape).unwrap();
        let there = Passage::new(&input(&made, &filtered), &made, &fitted, first_passage(&made.displacement_mm, 4.0));
        let p = probe(&input(&made, &filtered), &made, &fitted, 0.15).unwrap();
        let narrow = NarrowKnee::read(&there, &fitted, &p, 0.15).unwrap();
        let variance = |sign: f64, of_force: f64| {
            let mut g: Vec<(usize, f64)> = there.gradient(&fitted, 0.15).iter().map(|(i, g)| (*i, of_force * g)).collect();
            g.push((5, sign));
            let positions: Vec<(usize, f64)> = there.positions.iter().map(|(i, w)| (*i, of_force * w)).collect();
            p.noise_alone(&g, &positions).total().powi(2)
        };
        let of_width = variance(1.0, 0.0);
        let covariance = (variance(1.0, 1.0) - variance(-1.0, 1.0)) / 4.0;
        let by_width = covariance / of_width / 0.15;
        let own = 5.0 * 2.0_f64.ln();
        assert!((narrow.square_sd / (2.0 * 0.15 * 0.15 * of_width.sqrt()) - 1.0).abs() < 1e-9);
        assert!((narrow.own / own - 1.0).abs() < 1e-6);
        assert!((narrow.others / ((by_width - own) / 0.3) - 1.0).abs() < 1e-6, "{} {by_width}", narrow.others);
        let left = variance(0.0, 1.0) - covariance * covariance / of_width;
        assert!((narrow.without_width2 / left - 1.0).abs() < 1e-6, "{} {left}", narrow.without_width2);
    }

    /// With a width that noise hides the value moves to the widths that the data allow: own·(m − ŵ) + others·(m² − ŵ²).
    #[test]
    fn a_hidden_width_moves_the_force_to_what_the_data_allow() {
        let shape = KneeShape { onset_mm: 4.0, ln_width: 0.05_f64.ln(), ln_time: None };
        let (made, _) = by_the_law(RATE_HZ, 1, &shape, 0.3, &[1.2, 5.0, 0.4]);
        let filtered = noise(RATE_HZ);
        let of = FitInput { force_noise_n: 1.0, displacement_noise_mm: 0.05, ..input(&made, &filtered) };
        let fitted = at(&made, &shape).unwrap();
        let passage = first_passage(&made.displacement_mm, 4.0);
        let there = Passage::new(&of, &made, &fitted, passage);
        let p = probe(&of, &made, &fitted, 0.05).unwrap();
        let bounds = Bounds::of(&made.displacement_mm).unwrap();
        let narrow = NarrowKnee::read(&there, &fitted, &p, 0.05).unwrap();
        let (mean, sd) = narrow.allowed(0.05);
        assert!(mean > 0.06, "the width is not hidden: {mean}");
        let value = onset_force(&of, &made, &fitted, &p, &bounds, passage);
        let wanted = there.force_n(&fitted) + narrow.own * (mean - 0.05) + narrow.others * (mean * mean - 0.0025);
        assert!((value.value / wanted - 1.0).abs() < 1e-9, "{} {wanted}", value.value);
        let by_width = (narrow.own + 2.0 * narrow.others * mean) * sd;
        let u = (narrow.without_width2 + by_width * by_width).sqrt();
        let noise = value.parts.force.hypot(value.parts.displacement);
        assert!((noise / u - 1.0).abs() < 1e-9, "{noise} {u}");
    }
}
