//! The Cramér–Rao bound: how far off even the best unbiased estimate of onset and end-feel must be.
//!
//! Model: F = F0 + k1·x + (k2 − k1)·s(x; xk, w) + c·dx/dt (+ a1·r1 + a2·r2 with one time τ), every parameter
//! unknown, and the path x(t) unknown but for its own noisy samples. Eliminating the path leaves residual noise
//! δF − L·δx with L = diag(F'(x)) + c·D, D the central difference; so Σ = σF²·I + σx²·L·Lᵀ and the information is
//! Jᵀ Σ⁻¹ J (Kay 1993, Fundamentals of Statistical Signal Processing: Estimation Theory, section 3.9; from memory).
//! The samples are those that the fit is given: from first contact to the end of the last spring.

use super::tally::Tally;
use super::trial::Trial;
use nalgebra::DMatrix;
use tautpoint::columns::Measure;
use tautpoint::simulate::{Elastic, Sensor, Simulated, TraceSpec};

/// Parameters in this order: F0, k1, k2, xk, ln w, c [, a1, a2, ln τ].
const END_FEEL: usize = 2;
const ONSET: usize = 3;

/// Standard deviations of onset (mm) and end-feel (N/mm); `None` for tissue outside the law or without a fit.
pub fn bound(spec: &TraceSpec, made: &Simulated) -> Option<[f64; 2]> {
    let truth = parameters(spec)?;
    let t = &made.truth;
    let (from, to) = (t.contact_begin_s, t.springs.last()?.end_s);
    let x_all = made.noise_free.channels[0].displacement_mm.as_ref()?;
    let (mut time, mut x) = (Vec::new(), Vec::new());
    for (s, x_mm) in made.noise_free.time_s.iter().zip(x_all) {
        if (from..=to).contains(s) && x_mm.is_finite() {
            time.push(*s);
            x.push(*x_mm);
        }
    }
    let columns = jacobian(&truth, &time, &x);
    let [force_sd, place_sd] = noise(&spec.sensor);
    let whitened = Banded::new(&truth, &time, &x, force_sd, place_sd)?;
    let white: Vec<Vec<f64>> = columns.iter().map(|c| whitened.solve(c)).collect();
    let p = white.len();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let scale: Vec<f64> = white.iter().map(|c| dot(c, c).sqrt()).collect();
    let information = DMatrix::from_fn(p, p, |i, j| dot(&white[i], &white[j]) / scale[i] / scale[j]);
    let covariance = information.try_inverse()?;
    let sd = |i: usize| covariance[(i, i)].sqrt() / scale[i];
    Some([sd(ONSET), sd(END_FEEL)])
}

/// Errors of a tally over what the bound allows, for onset and end-feel.
pub fn over_bound(tally: &Tally) -> [Vec<f64>; 2] {
    let ratios = |k: usize, m: Measure| {
        let of = |t: &Trial| Some(t.measures[m as usize]?.error() / t.bound?[k]);
        tally.trials.iter().filter_map(of).collect()
    };
    [ratios(0, Measure::Onset), ratios(1, Measure::FittedEndFeel)]
}

/// Root mean square.
pub fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// White noise of one sample, rounding included.
fn noise(sensor: &Sensor) -> [f64; 2] {
    let rounding = |step: f64| step / 12.0_f64.sqrt();
    [
        sensor.force_noise_n.hypot(rounding(sensor.force_resolution_n)),
        sensor
            .displacement_noise_mm
            .hypot(rounding(sensor.displacement_resolution_mm)),
    ]
}

fn parameters(spec: &TraceSpec) -> Option<Vec<f64>> {
    let Elastic::Knee {
        take_up_n_per_mm,
        end_feel_n_per_mm,
        onset_mm,
        width_mm,
    } = spec.tissue.elastic
    else {
        return None;
    };
    if spec.tissue.friction_n > 0.0 || spec.tissue.relaxation.len() > 1 {
        return None;
    }
    let mut p = vec![
        0.0,
        take_up_n_per_mm,
        end_feel_n_per_mm,
        onset_mm,
        width_mm.ln(),
        spec.tissue.damping_n_s_per_mm,
    ];
    if let Some(m) = spec.tissue.relaxation.first() {
        p.extend([m.on_displacement_n_per_mm, m.on_knee_n_per_mm, m.time_s.ln()]);
    }
    Some(p)
}

fn softplus(u: f64) -> f64 {
    u.max(0.0) + (-u.abs()).exp().ln_1p()
}

fn law(p: &[f64], time: &[f64], x: &[f64]) -> Vec<f64> {
    let w = p[4].exp();
    let knee: Vec<f64> = x
        .iter()
        .map(|x| w * (softplus((x - p[3]) / w) - softplus(-p[3] / w)))
        .collect();
    let last = x.len() - 1;
    let mut f: Vec<f64> = (0..x.len())
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(last));
            let v = (x[b] - x[a]) / (time[b] - time[a]);
            p[0] + p[1] * x[i] + (p[2] - p[1]) * knee[i] + p[5] * v
        })
        .collect();
    if let [a1, a2, ln_time] = p[6..] {
        for (y, a) in [(x, a1), (&knee[..], a2)] {
            let mut r = 0.0;
            for i in 1..y.len() {
                let dt = time[i] - time[i - 1];
                let (keep, tau) = ((-dt / ln_time.exp()).exp(), ln_time.exp());
                r = keep * r + (1.0 - keep) * tau / dt * (y[i] - y[i - 1]);
                f[i] += a * r;
            }
        }
    }
    f
}

fn jacobian(p: &[f64], time: &[f64], x: &[f64]) -> Vec<Vec<f64>> {
    (0..p.len())
        .map(|k| {
            let h = 1e-5 * p[k].abs().max(1.0);
            let moved = |by: f64| {
                let mut q = p.to_vec();
                q[k] += by;
                law(&q, time, x)
            };
            let (up, down) = (moved(h), moved(-h));
            up.iter().zip(&down).map(|(u, d)| (u - d) / (2.0 * h)).collect()
        })
        .collect()
}

/// Cholesky factor of the residual covariance, which reaches two samples either way.
struct Banded {
    /// Row i holds the factor at columns i − 2, i − 1 and i.
    rows: Vec<[f64; 3]>,
}

impl Banded {
    fn new(p: &[f64], time: &[f64], x: &[f64], force_sd: f64, place_sd: f64) -> Option<Banded> {
        let n = x.len();
        let w = p[4].exp();
        let (fast1, fast2) = match p[6..] {
            [a1, a2, _] => (a1, a2),
            _ => (0.0, 0.0),
        };
        // What the residual takes from the displacement noise of samples i − 1, i and i + 1.
        let takes: Vec<[f64; 3]> = (0..n)
            .map(|i| {
                let share = 1.0 / (1.0 + (-(x[i] - p[3]) / w).exp());
                let slope = p[1] + fast1 + (p[2] - p[1] + fast2) * share;
                let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
                let g = p[5] / (time[b] - time[a]);
                let mut row = [0.0, slope, 0.0];
                row[if a < i { 0 } else { 1 }] -= g;
                row[if b > i { 2 } else { 1 }] += g;
                row
            })
            .collect();
        let entry = |i: usize, j: usize| {
            let lag = i - j;
            let shared: f64 = (lag..3).map(|k| takes[i][k - lag] * takes[j][k]).sum();
            place_sd * place_sd * shared + if lag == 0 { force_sd * force_sd } else { 0.0 }
        };
        let mut rows: Vec<[f64; 3]> = Vec::with_capacity(n);
        for i in 0..n {
            let mut row = [0.0; 3];
            if i >= 2 {
                row[0] = entry(i, i - 2) / rows[i - 2][2];
            }
            if i >= 1 {
                row[1] = (entry(i, i - 1) - row[0] * rows[i - 1][1]) / rows[i - 1][2];
            }
            let rest = entry(i, i) - row[0] * row[0] - row[1] * row[1];
            if rest <= 0.0 {
                return None;
            }
            row[2] = rest.sqrt();
            rows.push(row);
        }
        Some(Banded { rows })
    }

    /// Solves L·z = y: whitens a column.
    fn solve(&self, y: &[f64]) -> Vec<f64> {
        let mut z: Vec<f64> = Vec::with_capacity(y.len());
        for (i, row) in self.rows.iter().enumerate() {
            let mut v = y[i];
            if i >= 1 {
                v -= row[1] * z[i - 1];
            }
            if i >= 2 {
                v -= row[0] * z[i - 2];
            }
            z.push(v / row[2]);
        }
        z
    }
}
