//! From what is indicated back to what was applied, with its uncertainty.

use super::Calibration;
use crate::stats::quantile::t_quantile;

/// What was applied, worked out from what was indicated. All in N or mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inverse {
    pub value: f64,
    /// Standard uncertainty that comes with the curve and the loads it was made with: common to all readings.
    pub curve_u: f64,
    /// Standard uncertainty of this reading: the curve's and the scatter of a mean of as many readings as were given.
    pub standard_uncertainty: f64,
    /// 95 % interval of what was applied; `None` when the slope is too uncertain to bound it.
    pub interval95: Option<[f64; 2]>,
    /// Beyond the loads of the calibration.
    pub outside: bool,
}

/// Steps of the search for a root: each halves the bracket at least, so 200 exhaust double precision.
const STEPS: usize = 200;

impl Calibration {
    /// What would be indicated under a load; beyond the range the curve goes on as the straight line it ends with, so
    /// that it never turns back.
    pub fn indicated(&self, applied: f64) -> f64 {
        let inside = applied.clamp(self.range[0], self.range[1]);
        self.curve.at(inside) + self.curve.slope(inside) * (applied - inside)
    }

    /// Slope of the curve where it is used, in indicated units for each N or mm.
    pub fn slope(&self, applied: f64) -> f64 {
        self.curve.slope(applied.clamp(self.range[0], self.range[1]))
    }

    /// What was applied; `None` for a value that is no number.
    pub fn value(&self, indicated: f64) -> Option<f64> {
        if !indicated.is_finite() {
            return None;
        }
        let [low, high] = self.range;
        let (at_low, at_high) = (self.curve.at(low), self.curve.at(high));
        let rises = at_high > at_low;
        if (indicated < at_low) == rises && indicated != at_low {
            return Some(low + (indicated - at_low) / self.curve.slope(low));
        }
        if (indicated > at_high) == rises && indicated != at_high {
            return Some(high + (indicated - at_high) / self.curve.slope(high));
        }
        if let [b0, b1] = self.curve.coefficients[..] {
            return Some((indicated - b0) / b1);
        }
        let start = low + (indicated - at_low) / (at_high - at_low) * (high - low);
        Some(root(
            |x| self.curve.at(x) - indicated,
            |x| self.curve.slope(x),
            low,
            high,
            start,
        ))
    }

    /// What the error of a load read from the curve depends on: −(1, x, x², …)/slope. A covariance between the errors
    /// of two loads is gᵀVg'.
    pub fn sensitivities(&self, applied: f64) -> Vec<f64> {
        let slope = self.slope(applied);
        let inside = applied.clamp(self.range[0], self.range[1]);
        let mut powers = self.curve.powers(inside);
        // Beyond the range: the height at the end and its slope times the distance.
        let beyond = applied - inside;
        for (i, p) in powers.iter_mut().enumerate().skip(1) {
            *p += beyond * i as f64 * inside.powi(i as i32 - 1);
        }
        powers.into_iter().map(|p| -p / slope).collect()
    }

    /// Standard uncertainty, in N or mm, of a load as far as the curve and the loads of the calibration go.
    pub fn curve_u(&self, applied: f64) -> f64 {
        let curve = self.curve.variance_along(&self.sensitivities(applied));
        (curve + (self.load_u() * applied).powi(2)).sqrt()
    }

    /// Standard uncertainty, in N or mm, of the difference between two loads as far as the curve and the loads of the
    /// calibration go: a zero that is set anew on every trace takes the rest out.
    pub fn difference_u(&self, from: f64, to: f64) -> f64 {
        let (a, b) = (self.sensitivities(from), self.sensitivities(to));
        let difference: Vec<f64> = b.iter().zip(&a).map(|(b, a)| b - a).collect();
        let curve = self.curve.variance_along(&difference);
        (curve + (self.load_u() * (to - from)).powi(2)).sqrt()
    }

    /// Scatter of one reading, in N or mm.
    pub fn scatter(&self, applied: f64) -> f64 {
        self.curve.residual_sd / self.slope(applied).abs()
    }

    fn load_u(&self) -> f64 {
        self.load_u_percent.unwrap_or(0.0) / 100.0
    }

    /// What was applied when the mean of `readings` readings indicated this, with its uncertainty.
    ///
    /// # Formula
    /// x = f⁻¹(y); u² = (gᵀVg + s²/m)/f'(x)² + (load_u·x)²; the interval holds every x with
    /// (y − f(x))² ≤ t²(s²/m + gᵀVg), g = (1, x, x², …), which for a straight line is Fieller's; the loads' own
    /// uncertainty widens it in quadrature.
    ///
    /// # Source
    /// Draper & Smith 1998, Applied Regression Analysis, 3rd ed., 3.2 (inverse regression; from memory); JCGM 100:2008,
    /// 5.1.2 and H.3.
    pub fn invert(&self, indicated: f64, readings: usize) -> Option<Inverse> {
        let value = self.value(indicated)?;
        let scatter = self.scatter(value) / (readings.max(1) as f64).sqrt();
        let curve_u = self.curve_u(value);
        let outside =
            value < self.range[0] - 1e-9 * self.span() || value > self.range[1] + 1e-9 * self.span();
        Some(Inverse {
            value,
            curve_u,
            standard_uncertainty: curve_u.hypot(scatter),
            interval95: self.interval95(indicated, value, readings),
            outside,
        })
    }

    fn interval95(&self, indicated: f64, value: f64, readings: usize) -> Option<[f64; 2]> {
        let t = t_quantile(0.975, self.curve.degrees_of_freedom as f64).ok()?;
        let own = self.curve.residual_sd.powi(2) / readings.max(1) as f64;
        // Below 0 inside the interval.
        let off = |x: f64| {
            let inside = x.clamp(self.range[0], self.range[1]);
            let height = self.curve.variance_along(&self.sensitivities(x)) * self.slope(inside).powi(2);
            (indicated - self.indicated(x)).powi(2) - t * t * (own + height)
        };
        let scale = (t * self.scatter(value)).max(1e-9 * self.span());
        let end = |sign: f64| -> Option<f64> {
            let (mut inner, mut step) = (value, scale);
            // Out to ten spans: a slope that cannot bound the load within that bounds nothing of use.
            while step < 10.0 * self.span() {
                let outer = value + sign * step;
                if off(outer) > 0.0 {
                    return Some(bisect(off, inner, outer));
                }
                inner = outer;
                step *= 2.0;
            }
            None
        };
        let (low, high) = (end(-1.0)?, end(1.0)?);
        let loads = t * self.load_u() * value.abs();
        Some([
            value - (value - low).hypot(loads),
            value + (high - value).hypot(loads),
        ])
    }
}

/// Newton's method kept inside a bracket that holds exactly one root.
fn root(f: impl Fn(f64) -> f64, slope: impl Fn(f64) -> f64, low: f64, high: f64, start: f64) -> f64 {
    let rises = f(high) > f(low);
    let (mut low, mut high, mut x) = (low, high, start.clamp(low, high));
    for _ in 0..STEPS {
        let y = f(x);
        if y == 0.0 {
            return x;
        }
        if (y > 0.0) == rises {
            high = x;
        } else {
            low = x;
        }
        let newton = x - y / slope(x);
        let next = if newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        if (next - x).abs() <= f64::EPSILON * x.abs().max(next.abs()) || next <= low || next >= high {
            return next;
        }
        x = next;
    }
    x
}

/// Halves an interval whose inner end is below 0 and whose outer end is above.
fn bisect(f: impl Fn(f64) -> f64, inner: f64, outer: f64) -> f64 {
    let (mut inner, mut outer) = (inner, outer);
    for _ in 0..STEPS {
        let middle = 0.5 * (inner + outer);
        if middle == inner || middle == outer {
            break;
        }
        if f(middle) > 0.0 {
            outer = middle;
        } else {
            inner = middle;
        }
    }
    0.5 * (inner + outer)
}
