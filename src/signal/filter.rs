//! temporary
use crate::error::{Error, Result};
#[derive(Debug, Clone)]
pub struct LowPass {
    b: [f64; 3],
    a: [f64; 2],
}
impl LowPass {
    pub fn zero_phase(cutoff_hz: f64, rate_hz: f64) -> Result<Self> {
        if !(cutoff_hz > 0.0 && cutoff_hz < 0.5 * rate_hz) {
            return Err(Error::Setting {
                what: "low pass".into(),
                found: cutoff_hz.to_string(),
                expected: "below half the rate".into(),
            });
        }
        let u = (std::f64::consts::PI * cutoff_hz / rate_hz).tan() / 0.8022432629231502;
        let k = u;
        let q = std::f64::consts::SQRT_2;
        let d = 1.0 + q * k + k * k;
        Ok(LowPass {
            b: [k * k / d, 2.0 * k * k / d, k * k / d],
            a: [2.0 * (k * k - 1.0) / d, (1.0 - q * k + k * k) / d],
        })
    }
    pub fn apply(&self, y: &[f64]) -> Vec<f64> {
        let n = y.len();
        if n < 2 {
            return y.to_vec();
        }
        let pad = (n - 1).min(3000);
        let mut e = Vec::with_capacity(n + 2 * pad);
        for i in (1..=pad).rev() {
            e.push(2.0 * y[0] - y[i]);
        }
        e.extend_from_slice(y);
        for i in 1..=pad {
            e.push(2.0 * y[n - 1] - y[n - 1 - i]);
        }
        for _ in 0..2 {
            let [b0, b1, b2] = self.b;
            let [a1, a2] = self.a;
            let x0 = e[0];
            let mut z2 = (b2 - a2) * x0;
            let mut z1 = (b1 - a1) * x0 + z2;
            for v in e.iter_mut() {
                let x = *v;
                let o = b0 * x + z1;
                z1 = b1 * x - a1 * o + z2;
                z2 = b2 * x - a2 * o;
                *v = o;
            }
            e.reverse();
        }
        e[pad..pad + n].to_vec()
    }
    fn impulse(&self, half: usize) -> Vec<f64> {
        let mut y = vec![0.0; 2 * half + 1];
        y[half] = 1.0;
        self.apply(&y)
    }
    pub fn autocovariance(&self, lags: usize) -> Vec<f64> {
        let h = self.impulse(2 * lags + 50);
        (0..lags)
            .map(|k| h[k..].iter().zip(&h).map(|(a, b)| a * b).sum())
            .collect()
    }
}
