//! The straight line by least squares.

use super::{StatsResult, StatsError, check_pairs};

/// A least-squares line y = intercept + slope·x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Points.
    pub n: usize,
    /// Where x is 0.
    pub intercept: f64,
    /// Rise of y over x.
    pub slope: f64,
    /// Mean of x.
    pub mean_x: f64,
    /// Mean of y.
    pub mean_y: f64,
    /// Σ(x − x̄)².
    pub sxx: f64,
    /// Residual sum of squares.
    pub rss: f64,
    /// √(RSS/(n − 2)); `None` for two points.
    pub residual_sd: Option<f64>,
    /// Standard error of the slope.
    pub slope_se: Option<f64>,
    /// Standard error of the intercept.
    pub intercept_se: Option<f64>,
}

impl Line {
    /// Height of the line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }

    /// Standard error of the line's height at `x`: s·√(1/n + (x − x̄)²/Sxx).
    pub fn se_at(&self, x: f64) -> Option<f64> {
        let leverage = 1.0 / self.n as f64 + (x - self.mean_x).powi(2) / self.sxx;
        Some(self.residual_sd? * leverage.sqrt())
    }
}

/// Fits a straight line by least squares, centred so that digits survive a large mean.
///
/// `x` and `y` of equal length, at least two values, in any units.
///
/// # Formula
/// slope = Sxy/Sxx, s² = Σr²/(n − 2), se(slope) = s/√Sxx, se(intercept) = s·√(1/n + x̄²/Sxx).
///
/// # Errors
/// Lengths that differ, fewer than two values, a value that is not finite, or all `x` equal.
///
/// # Source
/// Draper & Smith 1998, Applied Regression Analysis, 3rd ed., ch. 1 (from memory); checked on NIST Norris.
pub fn line(x: &[f64], y: &[f64]) -> StatsResult<Line> {
    check_pairs("a straight line", x, y, 2)?;
    let n = x.len() as f64;
    let mean_x = super::moments::mean(x)?;
    let mean_y = super::moments::mean(y)?;
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for (x, y) in x.iter().zip(y) {
        sxx += (x - mean_x).powi(2);
        sxy += (x - mean_x) * (y - mean_y);
    }
    if sxx <= 0.0 {
        return Err(StatsError::Undetermined {
            what: "a straight line",
            why: "all x are equal; spread them out",
        });
    }
    let slope = sxy / sxx;
    let residual = |(x, y): (&f64, &f64)| y - mean_y - slope * (x - mean_x);
    let rss = x.iter().zip(y).map(residual).map(|r| r * r).sum::<f64>();
    let residual_sd = (x.len() > 2).then(|| (rss / (n - 2.0)).sqrt());
    Ok(Line {
        n: x.len(),
        intercept: mean_y - slope * mean_x,
        slope,
        mean_x,
        mean_y,
        sxx,
        rss,
        residual_sd,
        slope_se: residual_sd.map(|s| s / sxx.sqrt()),
        intercept_se: residual_sd.map(|s| s * (1.0 / n + mean_x * mean_x / sxx).sqrt()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_points_give_a_line_without_an_error() {
        let l = line(&[1.0, 3.0], &[2.0, 8.0]).unwrap();
        assert_eq!((l.slope, l.intercept, l.slope_se), (3.0, -1.0, None));
        assert_eq!(l.at(2.0), 5.0);
    }

    #[test]
    fn the_error_of_the_height_is_least_at_the_mean() {
        // By hand: x̄ = 1.5, Sxx = 5, slope 0.9, residuals 0.1, 0.2, -0.7, 0.4, hence s² = 0.35.
        let l = line(&[0.0, 1.0, 2.0, 3.0], &[1.0, 2.0, 2.0, 4.0]).unwrap();
        for (x, leverage) in [(1.5, 0.25), (0.0, 0.7), (3.0, 0.7), (6.5, 5.25)] {
            let se = l.se_at(x).unwrap();
            assert!((se * se - 0.35 * leverage).abs() < 1e-12, "{x}: {se}");
        }
        assert!((l.intercept_se.unwrap().powi(2) - 0.245).abs() < 1e-12);
    }

    #[test]
    fn equal_x_are_refused() {
        let said = line(&[1.0, 1.0], &[2.0, 8.0]).unwrap_err().to_string();
        assert!(said.contains("all x are equal"), "{said}");
    }

    #[test]
    fn four_points_by_hand() {
        // x 0 1 2 3, y 1 3 2 6: slope 7/5, intercept 9/10, RSS 14 - 49/5 = 4.2, s^2 = 2.1, se(slope)^2 = 0.42.
        let l = line(&[0.0, 1.0, 2.0, 3.0], &[1.0, 3.0, 2.0, 6.0]).unwrap();
        assert!((l.slope - 1.4).abs() < 1e-14 && (l.intercept - 0.9).abs() < 1e-14);
        assert!((l.rss - 4.2).abs() < 1e-13);
        assert!((l.slope_se.unwrap() - 0.42_f64.sqrt()).abs() < 1e-14);
    }
}
