//! What a fit tells of its fixed effects and variances.

#![allow(clippy::needless_range_loop, reason = "indices are those of the formulas")]

use super::fit::{FixedEffect, VarianceInformation, MixedFit};
use super::sparse::Factor;
use super::system::{LikelihoodPoint, Response, System};
use nalgebra::{DMatrix, DVector};

/// Products that all inference is made of, on the scale of the residual: H = V/σ², P likewise. Index k of `terms` is
/// the residual.
struct Products {
    /// tr(PG_iPG_j), or what stands for it with very many levels.
    traces: DMatrix<f64>,
    /// yᵀPG_iPG_jPy.
    observed: DMatrix<f64>,
    /// XᵀH⁻¹G_iH⁻¹X.
    once: Vec<DMatrix<f64>>,
    /// XᵀH⁻¹G_iH⁻¹G_jH⁻¹X.
    twice: Vec<Vec<DMatrix<f64>>>,
}

/// With more levels in all than this, traces are not summed level by level: the average information stands for the
/// expected one (Gilmour, Thompson & Cullis 1995, Biometrics 51:1440–1450), from which it differs by the chance of many
/// values.
const MOST_LEVELS: usize = 600;

/// ZᵀH⁻¹Z by columns.
struct Weighing<'a> {
    system: &'a System,
    theta: &'a [f64],
    term: &'a [usize],
    factor: Factor<'a>,
    near: Vec<Vec<(usize, f64)>>,
}

impl Weighing<'_> {
    /// ZᵀZ times a vector, of which many entries may be 0.
    fn times(&self, x: &[f64]) -> Vec<f64> {
        let mut y = vec![0.0; x.len()];
        for (i, x) in x.iter().enumerate().filter(|(_, x)| **x != 0.0) {
            y[i] += self.system.diagonal[i] * x;
            for (other, value) in &self.near[i] {
                y[*other] += value * x;
            }
        }
        y
    }

    /// What ZᵀH⁻¹Z makes of a vector whose ZᵀZ is `y`: ZᵀZ − ZᵀZΛA⁻¹ΛZᵀZ, sound where θ is 0 too.
    fn weigh(&self, y: Vec<f64>) -> Vec<f64> {
        let place = &self.system.pattern.place;
        let mut x = vec![0.0; y.len()];
        for i in 0..y.len() {
            x[place[i]] = self.theta[self.term[i]] * y[i];
        }
        self.factor.solve_lower(&mut x);
        self.factor.solve_upper(&mut x);
        let back: Vec<f64> = (0..y.len()).map(|i| self.theta[self.term[i]] * x[place[i]]).collect();
        y.iter().zip(self.times(&back)).map(|(y, less)| y - less).collect()
    }
}

fn products(system: &System, response: &Response, theta: &[f64], point: &LikelihoodPoint) -> Option<Products> {
    let (k, p, q) = (system.terms(), system.fixed(), system.columns());
    let term = system.term_of();
    let mut near: Vec<Vec<(usize, f64)>> = vec![Vec::new(); q];
    for e in &system.entries {
        near[e.row].push((e.column, e.value));
        near[e.column].push((e.row, e.value));
    }
    let h = Weighing { system, theta, term: &term, factor: system.factor(theta)?, near };
    // ZᵀH⁻¹X and ZᵀH⁻¹(y − Xβ).
    let columns: Vec<Vec<f64>> = (0..p).map(|c| h.weigh(system.z_fixed.column(c).iter().copied().collect())).collect();
    let b = DMatrix::from_fn(q, p, |i, c| columns[c][i]);
    let fitted = &b * &point.fixed;
    let weighed = h.weigh(response.z_values.clone());
    let w: Vec<f64> = (0..q).map(|i| weighed[i] - fitted[i]).collect();
    let inverse = &point.fixed_inverse;
    let mut all = Products {
        traces: DMatrix::zeros(k + 1, k + 1),
        observed: DMatrix::zeros(k + 1, k + 1),
        once: vec![DMatrix::zeros(p, p); k + 1],
        twice: vec![vec![DMatrix::zeros(p, p); k + 1]; k + 1],
    };
    let of_term = |t: usize| system.starts[t]..system.starts[t + 1];
    for u in 0..k {
        let only = |x: &dyn Fn(usize) -> f64| {
            let mut own = vec![0.0; q];
            of_term(u).for_each(|i| own[i] = x(i));
            h.weigh(h.times(&own))
        };
        let part = b.rows(system.starts[u], of_term(u).len());
        all.once[u] = part.tr_mul(&part);
        for c in 0..p {
            let seen = only(&|i| b[(i, c)]);
            for t in 0..k {
                for a in 0..p {
                    all.twice[t][u][(a, c)] = of_term(t).map(|i| b[(i, a)] * seen[i]).sum();
                }
            }
        }
        let seen = DVector::from_vec(only(&|i| w[i]));
        let own = DVector::from_fn(p, |c, _| of_term(u).map(|i| b[(i, c)] * w[i]).sum());
        let seen = seen - &b * (inverse * own);
        for t in 0..k {
            all.observed[(t, u)] = of_term(t).map(|i| w[i] * seen[i]).sum();
        }
    }
    // What belongs to the residual follows from V itself: PHP = P.
    let phi: Vec<f64> = theta.iter().map(|t| t * t).collect();
    let free = system.free();
    let squares: Vec<f64> = (0..k).map(|t| of_term(t).map(|i| w[i] * w[i]).sum()).collect();
    with_residual(&mut all.observed, &phi, &squares, point.residual * free);
    if q <= MOST_LEVELS {
        let trace = level_by_level(&h, &b, &(&b * inverse), &mut all.traces);
        with_residual(&mut all.traces, &phi, &trace, free);
    } else {
        all.traces = &all.observed / point.residual;
    }
    let mut rest = inverse.clone().try_inverse()?;
    for j in 0..k {
        rest -= phi[j] * &all.once[j];
    }
    all.once[k] = rest;
    for t in 0..=k {
        let mut rest = all.once[t].clone();
        for j in 0..k {
            rest -= phi[j] * if t < k { &all.twice[t][j] } else { &all.twice[k][j] };
        }
        all.twice[k][t] = rest.transpose();
        all.twice[t][k] = rest;
    }
    Some(all)
}

/// Fills tr(PG_iPG_j) of the random terms and gives tr(PG_i).
fn level_by_level(h: &Weighing, b: &DMatrix<f64>, b_inverse: &DMatrix<f64>, traces: &mut DMatrix<f64>) -> Vec<f64> {
    let (q, p) = b.shape();
    let mut trace = vec![0.0; h.system.terms()];
    for j in 0..q {
        let mut one = vec![0.0; q];
        one[j] = 1.0;
        let column = h.weigh(h.times(&one));
        for (i, m) in column.iter().enumerate() {
            let own = m - (0..p).map(|c| b_inverse[(i, c)] * b[(j, c)]).sum::<f64>();
            traces[(h.term[i], h.term[j])] += own * own;
            if i == j {
                trace[h.term[i]] += own;
            }
        }
    }
    trace
}

/// Row and column of the residual, from those of the terms and each one's own with P alone.
fn with_residual(all: &mut DMatrix<f64>, phi: &[f64], own: &[f64], whole: f64) {
    let k = phi.len();
    let mut last = whole;
    for t in 0..k {
        let rest = own[t] - (0..k).map(|j| phi[j] * all[(t, j)]).sum::<f64>();
        all[(t, k)] = rest;
        all[(k, t)] = rest;
        last -= phi[t] * (own[t] + rest);
    }
    all[(k, k)] = last;
}

pub(super) fn fitted(system: &System, response: &Response, theta: &[f64], point: &LikelihoodPoint) -> Option<MixedFit> {
    let mut variances: Vec<f64> = theta.iter().map(|t| t * t * point.residual).collect();
    variances.push(point.residual);
    let products = products(system, response, theta, point)?;
    let squared = point.residual * point.residual;
    let k = variances.len();
    let information = VarianceInformation {
        products: (0..k)
            .map(|i| (0..k).map(|j| products.traces[(i, j)] / squared).collect())
            .collect(),
    };
    Some(MixedFit {
        rows: system.rows,
        deviance: point.deviance,
        fixed: fixed_effects(system, response, theta, point, &products),
        variances,
        information,
    })
}

fn fixed_effects(
    system: &System,
    response: &Response,
    theta: &[f64],
    point: &LikelihoodPoint,
    products: &Products,
) -> Vec<FixedEffect> {
    let (k, p) = (system.terms(), system.fixed());
    let Some(back) = system.triangle.clone().try_inverse() else {
        return Vec::new();
    };
    let estimates = &back * (&response.least_squares + &point.fixed);
    let inverse = &point.fixed_inverse;
    let expected = products.traces.clone().try_inverse();
    // A variance at its bound moves no further: its row is no part of the observed curvature.
    let free: Vec<usize> = (0..=k).filter(|t| *t == k || theta[*t] > 0.0).collect();
    let curvature = DMatrix::from_fn(free.len(), free.len(), |a, b| {
        let (i, j) = (free[a], free[b]);
        2.0 * products.observed[(i, j)] / point.residual - products.traces[(i, j)]
    });
    let curvature = curvature.try_inverse();
    let mut widened = inverse.clone();
    if let Some(w) = &expected {
        let mut inner = DMatrix::<f64>::zeros(p, p);
        for i in 0..=k {
            for j in 0..=k {
                let across = &products.once[i] * inverse * &products.once[j];
                inner += 2.0 * w[(i, j)] * (&products.twice[i][j] - across);
            }
        }
        widened += 2.0 * inverse * inner * inverse;
    }
    let effect = |c: usize| {
        let m = back.row(c).transpose();
        let v = m.dot(&(inverse * &m));
        let g: Vec<f64> = products
            .once
            .iter()
            .map(|f| (inverse * &m).dot(&(f * (inverse * &m))))
            .collect();
        let g_free = DVector::from_iterator(free.len(), free.iter().map(|t| g[*t]));
        let g_all = DVector::from_vec(g);
        let df = |spread: f64| (spread > 0.0 && spread.is_finite()).then(|| v * v / spread);
        FixedEffect {
            estimate: estimates[c],
            standard_error: (point.residual * v).sqrt(),
            satterthwaite_df: curvature.as_ref().and_then(|h| df(g_free.dot(&(h * &g_free)))),
            kenward_roger_error: (point.residual * m.dot(&(&widened * &m))).max(0.0).sqrt(),
            kenward_roger_df: expected.as_ref().and_then(|w| df(g_all.dot(&(w * &g_all)))),
        }
    };
    (0..p).map(effect).collect()
}
