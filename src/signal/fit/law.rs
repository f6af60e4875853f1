//! The law of tissue under the hand, and the columns of its fit (METHODS.md §4.2).
//!
//! F(t) = F0 + k1·x + (k2 − k1)·s(x) + c·v + a1·r1 + a2·r2,
//! s(x) = w·[softplus((x − xk)/w) − softplus(−xk/w)],
//! r1, r2: one Maxwell element's memory of x and of s(x), with one time τ.

use super::series::Series;
use super::soft::softplus_and_slope;
use std::borrow::Cow;

/// ln(1 + eᵘ), without overflow.
pub fn softplus(u: f64) -> f64 {
    u.max(0.0) + (-u.abs()).exp().ln_1p()
}

/// The non-linear parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KneeShape {
    pub onset_mm: f64,
    /// ln of the knee width in mm.
    pub ln_width: f64,
    /// ln of the relaxation time in s, when there is relaxation.
    pub ln_time: Option<f64>,
}

impl KneeShape {
    /// Knee width in mm.
    pub fn width_mm(&self) -> f64 {
        self.ln_width.exp()
    }

    /// Relaxation time in s.
    pub fn time_s(&self) -> Option<f64> {
        self.ln_time.map(f64::exp)
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        if self.ln_time.is_some() { 3 } else { 2 }
    }
}

/// Linear columns after the constant: x, s, v and, with relaxation, r1 and r2; and their derivatives.
#[derive(Debug, Clone)]
pub struct Columns<'s> {
    /// As above.
    pub linear: Vec<Cow<'s, [f64]>>,
    /// ∂s/∂xk, ∂s/∂ln w (low-passed like s).
    pub ds: [Vec<f64>; 2],
    /// ∂r2/∂xk, ∂r2/∂ln w, ∂r1/∂ln τ, ∂r2/∂ln τ; empty without relaxation.
    pub dr: Vec<Vec<f64>>,
}

/// Index of the columns.
pub const X: usize = 0;
pub const S: usize = 1;
pub const V: usize = 2;
pub const R1: usize = 3;
pub const R2: usize = 4;

/// s(x) of several shapes at once, through the data's low pass: each sample of a low pass waits for the one before it.
pub fn knees<const N: usize>(series: &Series, shapes: [&KneeShape; N]) -> [Vec<f64>; N] {
    let bent = shapes.map(|shape| {
        let (w, xk) = (shape.width_mm(), shape.onset_mm);
        let at_zero = w * softplus(-xk / w);
        let u: Vec<f64> = series.displacement_mm.iter().map(|x| (x - xk) / w).collect();
        let (mut s, mut slope) = (vec![0.0; u.len()], vec![0.0; u.len()]);
        softplus_and_slope(&u, &mut s, &mut slope);
        s.iter_mut().for_each(|s| *s = w * *s - at_zero);
        s
    });
    series.low_pass.apply_all(bent.each_ref().map(Vec::as_slice))
}

/// s(x) and, when asked, its derivatives with respect to xk and ln w, all through the data's low pass.
fn knee_columns(series: &Series, shape: &KneeShape, derivatives: bool) -> (Vec<f64>, [Vec<f64>; 2]) {
    if !derivatives {
        let [s] = knees(series, [shape]);
        return (s, [Vec::new(), Vec::new()]);
    }
    let (w, xk) = (shape.width_mm(), shape.onset_mm);
    let at_zero = w * softplus(-xk / w);
    let u: Vec<f64> = series.displacement_mm.iter().map(|x| (x - xk) / w).collect();
    let (mut s, mut dx) = (vec![0.0; u.len()], vec![0.0; u.len()]);
    softplus_and_slope(&u, &mut s, &mut dx);
    let mut dw = vec![0.0; u.len()];
    for (((s, dx), dw), u) in s.iter_mut().zip(&mut dx).zip(&mut dw).zip(u) {
        let (soft, slope) = (*s, *dx);
        *s = w * soft - at_zero;
        *dx = -slope;
        *dw = w * (soft - u * slope);
    }
    let [s, dx, dw] = series.low_pass.apply_all([&s, &dx, &dw]);
    (s, [dx, dw])
}

/// A Maxwell element's memory of a signal: r' = y' − r/τ, from rest.
pub fn memory(y: &[f64], rate_hz: f64, time_s: f64) -> Vec<f64> {
    let keep = (-1.0 / (rate_hz * time_s)).exp();
    // Exact for straight lines between samples.
    let gain = (1.0 - keep) * rate_hz * time_s;
    let mut remembered = vec![0.0; y.len()];
    let r = remembered.as_mut_slice();
    let mut state = 0.0;
    // Counted for the same reason as the loops of `stats::sums`.
    let mut i = 1;
    while i < y.len() {
        state = keep * state + gain * (y[i] - y[i - 1]);
        r[i] = state;
        i += 1;
    }
    remembered
}

/// The columns for one shape.
pub fn columns<'s>(series: &'s Series, shape: &KneeShape, derivatives: bool) -> Columns<'s> {
    let (s, ds) = knee_columns(series, shape, derivatives);
    let mut linear = vec![
        Cow::Borrowed(series.displacement_mm.as_slice()),
        Cow::Owned(s),
        Cow::Borrowed(series.speed_mm_per_s.as_slice()),
    ];
    let mut dr = Vec::new();
    if let Some(time_s) = shape.time_s() {
        let rate = series.rate_hz;
        let r1 = memory(&linear[X], rate, time_s);
        let r2 = memory(&linear[S], rate, time_s);
        if derivatives {
            dr.push(memory(&ds[0], rate, time_s));
            dr.push(memory(&ds[1], rate, time_s));
            // A step of 1e-4 in ln τ is far above rounding and far below what matters.
            const STEP: f64 = 1e-4;
            for (y, r) in [(&linear[X], &r1), (&linear[S], &r2)] {
                let moved = memory(y, rate, time_s * STEP.exp());
                dr.push(moved.iter().zip(r).map(|(b, a)| (b - a) / STEP).collect());
            }
        }
        linear.push(Cow::Owned(r1));
        linear.push(Cow::Owned(r2));
    }
    Columns { linear, ds, dr }
}

impl Columns<'_> {
    /// ∂F/∂(xk, ln w[, ln τ]) for given linear coefficients.
    pub fn nonlinear(&self, coefficients: &[f64]) -> Vec<Vec<f64>> {
        let dk = coefficients[S];
        let scaled = |y: &[f64]| y.iter().map(|v| dk * v).collect::<Vec<f64>>();
        let mut d = vec![scaled(&self.ds[0]), scaled(&self.ds[1])];
        if self.dr.len() == 4 && coefficients.len() > R2 {
            let (a1, a2) = (coefficients[R1], coefficients[R2]);
            for (k, column) in d.iter_mut().enumerate() {
                for (v, r) in column.iter_mut().zip(&self.dr[k]) {
                    *v += a2 * r;
                }
            }
            d.push(
                self.dr[2]
                    .iter()
                    .zip(&self.dr[3])
                    .map(|(p, q)| a1 * p + a2 * q)
                    .collect(),
            );
        }
        d
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_softplus_has_its_closed_forms() {
        assert!((softplus(0.0) - 2.0_f64.ln()).abs() < 1e-15);
        // softplus(u) − softplus(−u) = u, its slope is the logistic: identities.
        for u in [-50.0, -3.0, -0.1, 0.2, 7.0, 80.0] {
            assert!((softplus(u) - softplus(-u) - u).abs() < 1e-12);
            let (h, logistic) = (1e-6, 1.0 / (1.0 + f64::exp(-u)));
            assert!(((softplus(u + h) - softplus(u - h)) / (2.0 * h) - logistic).abs() < 1e-8);
        }
    }

    #[test]
    fn a_maxwell_element_on_a_ramp_follows_its_closed_form() {
        // Standard linear solid under a ramp V·t: the branch carries V·τ·(1 − e^{−t/τ}); with V = 10, k = 1.
        let rate = 500.0;
        let y: Vec<f64> = (0..=500).map(|i| 10.0 * i as f64 / rate).collect();
        let r = memory(&y, rate, 0.5);
        assert!(
            (r[500] - 10.0 * 0.5 * (1.0 - (-2.0_f64).exp())).abs() < 1e-9,
            "{}",
            r[500]
        );
    }

    #[test]
    fn columns_are_the_same_with_derivatives_and_without() {
        let shape = KneeShape { onset_mm: 4.0, ln_width: 0.3_f64.ln(), ln_time: None };
        let (x, _) = super::super::made::press(50.0, 1);
        let n = x.len();
        let series = super::super::made::series(x, vec![0.0; n], 50.0);
        let [with, without] = [true, false].map(|d| columns(&series, &shape, d).linear[S].to_vec());
        assert!(with.iter().zip(&without).all(|(a, b)| (a - b).abs() < 1e-12));
        // Beyond the knee the column is x − xk, but for its value at 0.
        let last = n - 1;
        assert!((without[last] - 3.0).abs() < 1e-3, "{}", without[last]);
    }
}
