//! What noise does to the fit: exact propagation through the known low pass, widened where the law fits poorly.
//!
//! Every parameter is a weighted sum of the residual, so its variance is that of a weighted sum of filtered noise
//! (a sandwich; JCGM 100:2008, 5.2.2). Residual noise is e = δF − F'(x)·δx − c·δv with δv the speed of δx.

use super::covarying::Covarying;
use super::law::{Columns, R1, R2, S, V, X};
use super::misfit::{Misfit, RawNoise};
use super::project::{Fitted, solve_scaled};
use super::series::{Series, speed_of_five_transposed, speed_of_five_variance};
use super::soft::softplus_and_slope;
use crate::stats::sums::{add_scaled, dot};
use nalgebra::DMatrix;

/// Estimator weights of all parameters: constant, linear columns, xk, ln w[, ln τ].
pub struct Propagation<'a> {
    series: &'a Series,
    noise: RawNoise<'a>,
    covarying: Covarying,
    /// By parameter, one a sample.
    weights: Vec<Vec<f64>>,
    /// F'(x) at each sample.
    slope: Vec<f64>,
    damping: f64,
    /// Variance that noise gives each sample of the residual.
    pub expected: Vec<f64>,
    /// Force less the law, sample by sample.
    pub residual: Vec<f64>,
    pub misfit: Misfit,
    /// What noise in displacement has moved each parameter by, on average: to be taken off.
    pub attenuation: Vec<f64>,
    /// How noise in displacement pulls at each column, and at each sample, on average.
    pull: Vec<f64>,
    curvature: Vec<f64>,
    /// How far each sample is past the knee.
    pub sigmoid: Vec<f64>,
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
        all.extend(c.linear.iter().map(|c| &**c));
        all.extend(nonlinear.iter().map(Vec::as_slice));
        let p = all.len();
        let mut gram = DMatrix::zeros(p, p);
        for i in 0..p {
            for j in 0..=i {
                let g = dot(all[i], all[j]);
                (gram[(i, j)], gram[(j, i)]) = (g, g);
            }
        }
        let sigmoid = sigmoid(series, fit);
        let pull = attenuation(series, c, fit, &sigmoid, noise);
        let curvature = curvature_bias(series, fit, &sigmoid, noise);
        let bent = all.iter().zip(&pull).map(|(column, pull)| pull + dot(column, &curvature));
        let attenuation = -solve_scaled(&gram, &DMatrix::from_iterator(p, 1, bent))?;
        let inverse = solve_scaled(&gram, &DMatrix::identity(p, p))?;
        let weight = |parameter: usize| {
            let mut weight = vec![0.0; n];
            all.iter().enumerate().for_each(|(i, column)| add_scaled(&mut weight, inverse[(parameter, i)], column));
            weight
        };
        let weights = (0..p).map(weight).collect();
        let mut residual: Vec<f64> = series.force_n.iter().map(|f| f - fit.linear.constant).collect();
        c.linear.iter().zip(k).for_each(|(column, k)| add_scaled(&mut residual, -k, column));
        let slope: Vec<f64> = sigmoid
            .iter()
            .map(|sigmoid| {
                let fast = if k.len() > R2 {
                    k[R1] + k[R2] * sigmoid
                } else {
                    0.0
                };
                k[X] + k[S] * sigmoid + fast
            })
            .collect();
        let expected = expected(series, &slope, k[V], noise);
        let misfit = Misfit::judge(series, &residual, &expected, noise, p);
        Some(Propagation {
            series,
            noise,
            covarying: Covarying::new(noise.filtered, series.every),
            weights,
            slope,
            damping: k[V],
            residual,
            misfit,
            expected,
            attenuation: attenuation.column(0).iter().copied().collect(),
            pull,
            curvature,
            sigmoid,
        })
    }

    /// Standard uncertainties of Σ gᵢ·parameterᵢ from force noise, displacement noise and poor fit.
    pub fn combination(&self, gradient: &[(usize, f64)]) -> Parts {
        self.combination_beside(gradient, &[])
    }

    /// The same of Σ gᵢ·parameterᵢ + Σ pₜ·xₜ: a result that also reads displacements off by themselves.
    pub fn combination_beside(&self, gradient: &[(usize, f64)], positions: &[(usize, f64)]) -> Parts {
        let m = self.weight_of(gradient);
        let noise = self.of_noise(&m, positions);
        let seen = self.misfit.spread(&m, &self.residual, self.series.rate_hz);
        let by_noise = noise.force.powi(2) + noise.displacement.powi(2);
        Parts {
            misfit: (seen * seen - by_noise).max(0.0).sqrt(),
            attenuated: gradient.iter().filter_map(|(i, g)| Some(g * self.attenuation.get(*i)?)).sum(),
            ..noise
        }
    }

    /// The same without the part that a poor fit adds.
    pub fn noise_alone(&self, gradient: &[(usize, f64)], positions: &[(usize, f64)]) -> Parts {
        self.of_noise(&self.weight_of(gradient), positions)
    }

    /// What each sample of the residual weighs in Σ gᵢ·parameterᵢ.
    fn weight_of(&self, gradient: &[(usize, f64)]) -> Vec<f64> {
        let mut m = vec![0.0; self.residual.len()];
        for (parameter, g) in gradient {
            if let Some(weights) = self.weights.get(*parameter) {
                add_scaled(&mut m, *g, weights);
            }
        }
        m
    }

    fn of_noise(&self, m: &[f64], positions: &[(usize, f64)]) -> Parts {
        let back = speed_of_five_transposed(m, self.series.rate_hz);
        let mut q: Vec<f64> = (0..m.len())
            .map(|t| self.slope[t] * m[t] + self.damping * back[t])
            .collect();
        // The residual takes −F'(x)·δx − c·δv; what is read off directly takes +δx.
        for (t, p) in positions {
            if let Some(q) = q.get_mut(*t) {
                *q -= p;
            }
        }
        Parts {
            force: self.noise.force_n * self.covarying.norm(m),
            displacement: self.noise.displacement_mm * self.covarying.norm(&q),
            ..Parts::default()
        }
    }

    /// What noise in displacement makes of Σ z·e on average, for weights that are a column less `own` of each of the law's, when
    /// the column goes with displacement and with speed by these.
    pub fn pulled(&self, z: &[f64], own: &[f64], by_x: &[f64], by_v: &[f64]) -> f64 {
        let (position, speed) = noise_variances(self.series, self.noise);
        let column = position * dot(by_x, &self.slope) + speed * self.damping * by_v.iter().sum::<f64>();
        dot(own, &self.pull) - column - dot(z, &self.curvature)
    }

    /// Standard uncertainty of the force zero.
    pub fn zero_sd_n(&self) -> f64 {
        self.noise.zero_sd_n
    }

    /// Weights on the residual as what noise of both channels does to them: products of two are covariances.
    pub fn noise_through(&self, m: &[f64]) -> NoiseThrough {
        let back = speed_of_five_transposed(m, self.series.rate_hz);
        let q = (0..m.len()).map(|t| self.slope[t] * m[t] + self.damping * back[t]).collect();
        let weights = [m.to_vec(), q];
        let sds = [self.noise.force_n, self.noise.displacement_mm];
        let mut covarying = self.covarying.with([&weights[0], &weights[1]]);
        for (w, sd) in covarying.iter_mut().zip(sds) {
            w.iter_mut().for_each(|w| *w *= sd * sd);
        }
        NoiseThrough { weights, covarying }
    }
}

/// Weights on force and on displacement, and their products with the covariance of noise.
pub struct NoiseThrough {
    weights: [Vec<f64>; 2],
    covarying: [Vec<f64>; 2],
}

impl NoiseThrough {
    /// Covariance of two weighted residuals.
    pub fn product(&self, other: &NoiseThrough) -> f64 {
        dot(&self.weights[0], &other.covarying[0]) + dot(&self.weights[1], &other.covarying[1])
    }
}

/// −E[δJᵀ·e]: noise that stands in a column and, through slope and damping, in the residual as well pulls the column's
/// parameter towards nothing (errors in variables; Fuller 1987, Measurement Error Models, section 1.1).
///
/// One entry a parameter: constant, linear columns, xk, ln w[, ln τ].
fn attenuation(series: &Series, c: &Columns, fit: &Fitted, sigmoid: &[f64], noise: RawNoise) -> Vec<f64> {
    let k = &fit.linear.coefficients;
    let (position_variance, speed) = noise_variances(series, noise);
    let w = fit.shape.width_mm();
    let relaxing = k.len() > R2;
    let knee = k[S] + if relaxing { k[R2] } else { 0.0 };
    let mut attenuation = vec![0.0; 1 + c.linear.len() + fit.shape.count()];
    let onset = linear_index(c.linear.len());
    for (x, sigmoid) in series.displacement_mm.iter().zip(sigmoid) {
        let u = (x - fit.shape.onset_mm) / w;
        let sigmoid_slope = sigmoid * (1.0 - sigmoid) / w;
        let fast = if relaxing { k[R1] + k[R2] * sigmoid } else { 0.0 };
        let by = position_variance * (k[X] + k[S] * sigmoid + fast);
        attenuation[linear_index(X)] += by;
        attenuation[linear_index(S)] += sigmoid * by;
        attenuation[linear_index(V)] += speed * k[V];
        if relaxing {
            attenuation[linear_index(R1)] += by;
            attenuation[linear_index(R2)] += sigmoid * by;
        }
        attenuation[onset] -= knee * sigmoid_slope * by;
        attenuation[onset + 1] -= knee * sigmoid_slope * w * u * by;
    }
    attenuation
}

/// ½·F''(x)·σ²: what noise in displacement adds to the law's own curvature, on average.
fn curvature_bias(series: &Series, fit: &Fitted, sigmoid: &[f64], noise: RawNoise) -> Vec<f64> {
    let k = &fit.linear.coefficients;
    let (position_variance, _) = noise_variances(series, noise);
    let w = fit.shape.width_mm();
    let knee = k[S] + if k.len() > R2 { k[R2] } else { 0.0 };
    let sigmoid_slope = |sigmoid: &f64| 0.5 * position_variance * knee * sigmoid * (1.0 - sigmoid) / w;
    sigmoid.iter().map(sigmoid_slope).collect()
}

/// How far each sample is past the knee, from 0 to 1: the slope of the softplus.
fn sigmoid(series: &Series, fit: &Fitted) -> Vec<f64> {
    let w = fit.shape.width_mm();
    let x = series.displacement_mm.iter();
    let u: Vec<f64> = x.map(|x| (x - fit.shape.onset_mm) / w).collect();
    let (mut soft, mut sigmoid) = (vec![0.0; u.len()], vec![0.0; u.len()]);
    softplus_and_slope(&u, &mut soft, &mut sigmoid);
    sigmoid
}

/// Variance of a conditioned displacement and of the speed taken from it.
fn noise_variances(series: &Series, noise: RawNoise) -> (f64, f64) {
    let position = noise.filtered.sample_sd(noise.displacement_mm);
    let lags = noise.filtered.autocovariance();
    let lag = |i: usize| lags.get(i * series.every).copied().unwrap_or(0.0);
    let speed = speed_of_five_variance(lag).max(0.0).sqrt() * noise.displacement_mm * series.rate_hz;
    (position * position, speed * speed)
}

/// Variance that noise gives each sample of the residual.
fn expected(series: &Series, slope: &[f64], damping: f64, noise: RawNoise) -> Vec<f64> {
    let force = noise.filtered.sample_sd(noise.force_n);
    let (position_variance, speed) = noise_variances(series, noise);
    let flat = force * force + damping * damping * speed;
    slope.iter().map(|s| flat + s * s * position_variance).collect()
}

/// Standard uncertainties by source.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Parts {
    pub force: f64,
    pub displacement: f64,
    pub misfit: f64,
    /// What noise in displacement moved the value by, and was taken off. How far is known to first order only: it is as
    /// uncertain as it is large.
    pub attenuated: f64,
}

impl Parts {
    /// The noise of both channels in the same shares, in another total.
    pub fn noise_share(&self, total: f64) -> Parts {
        let both = self.force.hypot(self.displacement);
        if both <= 0.0 {
            return Parts { force: total, ..Parts::default() };
        }
        Parts {
            force: self.force * total / both,
            displacement: self.displacement * total / both,
            ..Parts::default()
        }
    }

    /// All together.
    pub fn total(&self) -> f64 {
        self.force.hypot(self.displacement).hypot(self.misfit).hypot(self.attenuated)
    }
}

#[cfg(test)]
mod tests {
    use super::super::law::{KneeShape, columns};
    use super::super::made::{by_the_law, noise, smears};
    use super::super::project::{Bounds, at, improve};
    use super::super::series::speed_of_five;
    use super::*;

    const RATE_HZ: f64 = 50.0;
    const NO_STEP: f64 = 1e-12;

    /// Constant, coefficients, onset and ln width as the search finds them.
    fn found(series: &Series, shape: KneeShape) -> Vec<f64> {
        let bounds = Bounds::of(&series.displacement_mm).unwrap();
        let fit = improve(series, shape, &bounds, NO_STEP).unwrap();
        let mut all = vec![fit.linear.constant];
        all.extend(&fit.linear.coefficients);
        all.extend([fit.shape.onset_mm, fit.shape.ln_width]);
        all
    }

    fn moved(y: &[f64], by: f64, smear: &[f64]) -> Vec<f64> {
        y.iter().zip(smear).map(|(y, s)| y + by * s).collect()
    }

    /// The press is fitted again with each raw sample's noise put in: parameters move by that to first order, and what
    /// both signs together leave is the second order, which does not average out. What the law takes off is of first order itself.
    #[test]
    fn variances_and_bias_are_those_of_fits_to_disturbed_samples() {
        let shape = KneeShape { onset_mm: 4.5, ln_width: 0.5_f64.ln(), ln_time: None };
        let (made, _) = by_the_law(RATE_HZ, 1, &shape, 0.3, &[1.2, 5.0, 0.4]);
        let filtered = noise(RATE_HZ);
        let fit = at(&made, &shape).unwrap();
        let raw = RawNoise { force_n: 0.2, displacement_mm: 0.03, filtered: &filtered, zero_sd_n: 0.0 };
        let c = columns(&made, &shape, true);
        let p = Propagation::new(&made, &c, &fit, raw).unwrap();
        let parameters = found(&made, shape);
        let reads = 40;
        let (mut by_force, mut by_displacement, mut with_reading) = (vec![0.0; 6], vec![0.0; 6], 0.0);
        let mut bias = vec![0.0; 6];
        for smear in smears(&made) {
            let force_moved = Series { force_n: moved(&made.force_n, 0.01, &smear), ..made.clone() };
            let here = found(&force_moved, shape);
            let both = [0.02, -0.02].map(|by| {
                let displacement_mm = moved(&made.displacement_mm, by, &smear);
                found(&Series { speed_mm_per_s: speed_of_five(&displacement_mm, RATE_HZ), displacement_mm, ..made.clone() }, shape)
            });
            for k in 0..6 {
                by_force[k] += (0.2 * (here[k] - parameters[k]) / 0.01).powi(2);
                let slope = (both[0][k] - both[1][k]) / 0.04;
                by_displacement[k] += (0.03 * slope).powi(2);
                bias[k] += 0.5 * 0.03 * 0.03 * (both[0][k] + both[1][k] - 2.0 * parameters[k]) / (0.02 * 0.02);
                if k == 4 {
                    with_reading += (0.03 * (slope + 2.0 * smear[reads])).powi(2);
                }
            }
        }
        for k in 0..6 {
            let parts = p.noise_alone(&[(k, 1.0)], &[]);
            assert!((parts.force / by_force[k].sqrt() - 1.0).abs() < 0.03, "{k}: {parts:?} {}", by_force[k].sqrt());
            let other = by_displacement[k].sqrt();
            assert!((parts.displacement / other - 1.0).abs() < 0.08, "{k}: {parts:?} {other}");
        }
        let reading = p.noise_alone(&[(4, 1.0)], &[(reads, 2.0)]).displacement;
        assert!((reading / with_reading.sqrt() - 1.0).abs() < 0.05, "{reading} {}", with_reading.sqrt());
        for (k, near) in [(1, 0.3), (2, 0.3), (3, 0.1), (4, 0.12)] {
            let [own, seen] = [p.attenuation[k], bias[k]];
            assert!((own - seen).abs() < near * seen.abs(), "{k}: {:?} {bias:?}", p.attenuation);
        }
    }

    /// The residual takes −F'(x)·δx − c·δv + δF: the variance of that sum of five filtered samples, written out.
    #[test]
    fn noise_of_the_residual_is_that_of_force_displacement_and_speed() {
        let shape = KneeShape { onset_mm: 4.5, ln_width: 0.5_f64.ln(), ln_time: None };
        let (made, _) = by_the_law(RATE_HZ, 1, &shape, 0.3, &[1.2, 5.0, 0.4]);
        let filtered = noise(RATE_HZ);
        let raw = RawNoise { force_n: 0.2, displacement_mm: 0.03, filtered: &filtered, zero_sd_n: 0.0 };
        let r = filtered.autocovariance();
        let (slope, damping) = ([0.0, 1.2, 6.2], 3.0);
        for (variance, s) in expected(&made, &slope, damping, raw).iter().zip(slope) {
            let d = damping * RATE_HZ / 12.0;
            let w = [d, -8.0 * d, s, 8.0 * d, -d];
            let mut of_displacement = 0.0;
            for i in 0..5_usize {
                for j in 0..5 {
                    of_displacement += w[i] * w[j] * r[i.abs_diff(j)];
                }
            }
            let whole = 0.04 * r[0] + 0.0009 * of_displacement;
            assert!((variance / whole - 1.0).abs() < 1e-9, "{variance} {whole}");
        }
    }

    #[test]
    fn shares_of_the_channels_stay_in_another_total() {
        let parts = Parts { force: 3.0, displacement: 4.0, misfit: 1.0, attenuated: 2.0 };
        assert_eq!(parts.noise_share(10.0), Parts { force: 6.0, displacement: 8.0, ..Parts::default() });
        assert_eq!(Parts::default().noise_share(2.0), Parts { force: 2.0, ..Parts::default() });
    }
}
