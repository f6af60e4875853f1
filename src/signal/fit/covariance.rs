//! What noise does to the fit: exact propagation through the known low pass, widened where the law fits poorly.
//!
//! Every parameter is a weighted sum of the residual, so its variance is that of a weighted sum of filtered noise
//! (a sandwich; JCGM 100:2008, 5.2.2). Residual noise is e = δF − F'(x)·δx − c·δv with δv the speed of δx.

use super::super::noise::FilteredNoise;
use super::law::{Columns, R1, R2, S, V, X, logistic};
use super::project::{Fitted, solve_scaled};
use super::series::{Series, speed_transposed};
use nalgebra::DMatrix;

/// Residual memory allowed for when the law fits poorly, in s (Newey & West 1987, Econometrica 55:703-708).
const MISFIT_MEMORY_S: f64 = 0.4;
/// Misfit is claimed when the residual variance exceeds the expected by this many of its standard deviations.
const MISFIT_SDS: f64 = 4.0;

/// White noise of the raw channels and the low pass they went through.
#[derive(Debug, Clone, Copy)]
pub struct RawNoise<'a> {
    pub force_n: f64,
    pub displacement_mm: f64,
    pub filtered: &'a FilteredNoise,
}

/// Estimator weights of all parameters: constant, linear columns, xk, ln w[, ln τ].
pub struct Propagation<'a> {
    series: &'a Series,
    noise: RawNoise<'a>,
    /// One row a parameter, one column a sample.
    weights: DMatrix<f64>,
    /// F'(x) at each sample.
    slope: Vec<f64>,
    damping: f64,
    residual: Vec<f64>,
    /// Residual variance over the one that noise explains.
    pub misfit: f64,
    /// Whether the misfit is beyond chance.
    pub poor: bool,
}

/// Index of the constant, and of the non-linear parameters after `linear` columns.
pub const CONSTANT: usize = 0;

/// Parameter index of a linear column.
pub fn linear_index(column: usize) -> usize {
    column + 1
}

impl<'a> Propagation<'a> {
    /// Prepares the weights at a fitted shape. `None` when the system cannot be solved.
    pub fn new(series: &'a Series, c: &Columns, fit: &Fitted, noise: RawNoise<'a>) -> Option<Self> {
        let n = series.len();
        let k = &fit.linear.coefficients;
        let nonlinear = c.nonlinear(k);
        let ones = vec![1.0; n];
        let mut all: Vec<&[f64]> = vec![&ones];
        all.extend(c.linear.iter().map(Vec::as_slice));
        all.extend(nonlinear.iter().map(Vec::as_slice));
        let p = all.len();
        let gram = DMatrix::from_fn(p, p, |i, j| all[i].iter().zip(all[j]).map(|(a, b)| a * b).sum());
        let j_t = DMatrix::from_fn(p, n, |i, t| all[i][t]);
        let weights = solve_scaled(&gram, &j_t)?;
        let residual: Vec<f64> = (0..n)
            .map(|i| {
                let fitted: f64 = c.linear.iter().zip(k).map(|(col, k)| col[i] * k).sum();
                series.force_n[i] - fit.linear.constant - fitted
            })
            .collect();
        let w = fit.shape.width_mm();
        let slope: Vec<f64> = series
            .displacement_mm
            .iter()
            .map(|x| {
                let share = logistic((x - fit.shape.onset_mm) / w);
                let fast = if k.len() > R2 { k[R1] + k[R2] * share } else { 0.0 };
                k[X] + k[S] * share + fast
            })
            .collect();
        let mut made = Propagation {
            series,
            noise,
            weights,
            slope,
            damping: k[V],
            residual,
            misfit: 1.0,
            poor: false,
        };
        made.judge(p);
        Some(made)
    }

    /// Compares the residual with what noise explains.
    fn judge(&mut self, parameters: usize) {
        let n = self.residual.len() as f64;
        let force = self.noise.filtered.sample_sd(self.noise.force_n);
        let place = self.noise.filtered.sample_sd(self.noise.displacement_mm);
        let raw_rate = self.series.rate_hz * self.series.every as f64;
        let speed = self
            .noise
            .filtered
            .rate_of_change_sd(self.noise.displacement_mm, raw_rate);
        let expected: f64 = self
            .slope
            .iter()
            .map(|s| force * force + (s * place).powi(2) + (self.damping * speed).powi(2))
            .sum::<f64>();
        let seen: f64 = self.residual.iter().map(|r| r * r).sum::<f64>();
        let independent = (n * self.independent_share()).max(parameters as f64 + 1.0);
        let lost = 1.0 - parameters as f64 / independent;
        self.misfit = if expected > 0.0 {
            seen / (expected * lost.max(0.05))
        } else {
            f64::INFINITY
        };
        self.poor = self.misfit > 1.0 + MISFIT_SDS * (2.0 / independent).sqrt();
    }

    /// Share of the samples that are worth an independent one.
    pub fn independent_share(&self) -> f64 {
        let r = self.noise.filtered.autocovariance();
        let r0 = r.first().copied().unwrap_or(1.0);
        let sum: f64 = r
            .iter()
            .skip(self.series.every)
            .step_by(self.series.every)
            .map(|v| (v / r0).powi(2))
            .sum();
        1.0 / (1.0 + 2.0 * sum)
    }

    /// Standard uncertainties of Σ gᵢ·parameterᵢ from force noise, displacement noise and poor fit.
    pub fn combination(&self, gradient: &[(usize, f64)]) -> Parts {
        let n = self.residual.len();
        let mut m = vec![0.0; n];
        for (parameter, g) in gradient {
            for (t, v) in m.iter_mut().enumerate() {
                *v += g * self.weights[(*parameter, t)];
            }
        }
        let back = speed_transposed(&m, self.series.rate_hz);
        let q: Vec<f64> = (0..n)
            .map(|t| self.slope[t] * m[t] + self.damping * back[t])
            .collect();
        let force = self.noise.force_n * self.filtered_norm(&m);
        let displacement = self.noise.displacement_mm * self.filtered_norm(&q);
        let misfit = if self.poor {
            let seen = self.residual_variance(&m);
            (seen - force * force - displacement * displacement)
                .max(0.0)
                .sqrt()
        } else {
            0.0
        };
        Parts {
            force,
            displacement,
            misfit,
        }
    }

    /// √(Σᵢⱼ wᵢwⱼ r(every·|i − j|)).
    fn filtered_norm(&self, w: &[f64]) -> f64 {
        let r = self.noise.filtered.autocovariance();
        let mut total = 0.0;
        for (k, r) in r.iter().step_by(self.series.every).enumerate() {
            if k >= w.len() {
                break;
            }
            let s: f64 = w[k..].iter().zip(w).map(|(a, b)| a * b).sum();
            total += if k == 0 { r * s } else { 2.0 * r * s };
        }
        total.max(0.0).sqrt()
    }

    /// Σ over lags of the weighted residual's own products, tapered.
    fn residual_variance(&self, m: &[f64]) -> f64 {
        let z: Vec<f64> = m.iter().zip(&self.residual).map(|(m, r)| m * r).collect();
        let most = ((MISFIT_MEMORY_S * self.series.rate_hz) as usize).min(z.len().saturating_sub(1));
        let mut total: f64 = z.iter().map(|v| v * v).sum();
        for k in 1..=most {
            let s: f64 = z[k..].iter().zip(&z).map(|(a, b)| a * b).sum();
            total += 2.0 * (1.0 - k as f64 / (most + 1) as f64) * s;
        }
        total.max(0.0)
    }
}

/// Standard uncertainties by source.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Parts {
    pub force: f64,
    pub displacement: f64,
    pub misfit: f64,
}

impl Parts {
    /// All together.
    pub fn total(&self) -> f64 {
        self.force.hypot(self.displacement).hypot(self.misfit)
    }
}
