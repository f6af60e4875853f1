//! The calibration curve: a polynomial of degree 1 to 3 with its covariance.

use crate::stats::least_squares::least_squares;
use crate::stats::quantile::f_upper_tail;
use crate::stats::{StatsResult, StatsError};

/// Highest degree that is ever fitted.
pub const HIGHEST_DEGREE: usize = 3;
/// A higher degree is taken only when its F test gives less than this: a term that is not there then slips in once
/// in a hundred tests.
pub const DEGREE_P: f64 = 0.01;

/// indicated = Σ coefficients\[i\]·applied^i, in plain units, with what is known of its error.
#[derive(Debug, Clone, PartialEq)]
pub struct Polynomial {
    /// b0, b1, … in indicated units for each applied unit to the power i.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients, square.
    pub covariance: Vec<Vec<f64>>,
    /// Standard deviation of one reading about the curve, in indicated units.
    pub residual_sd: f64,
    /// Readings less coefficients.
    pub degrees_of_freedom: usize,
}

impl Polynomial {
    /// Degree of the polynomial.
    pub fn degree(&self) -> usize {
        self.coefficients.len().saturating_sub(1)
    }

    /// What would be indicated at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.coefficients.iter().rev().fold(0.0, |sum, b| sum * x + b)
    }

    /// Slope at `x`, in indicated units for each applied unit.
    pub fn slope(&self, x: f64) -> f64 {
        let terms = self.coefficients.iter().enumerate().skip(1).rev();
        terms.fold(0.0, |sum, (i, b)| sum * x + i as f64 * b)
    }

    /// Standard error of each coefficient.
    pub fn standard_errors(&self) -> Vec<f64> {
        (0..self.coefficients.len())
            .map(|i| self.covariance[i][i].max(0.0).sqrt())
            .collect()
    }

    /// Variance of the linear combination Σ gᵢ·bᵢ: gᵀVg, never below 0.
    pub fn variance_along(&self, g: &[f64]) -> f64 {
        let rows = self.covariance.iter().zip(g);
        let sum: f64 = rows
            .map(|(row, gi)| gi * row.iter().zip(g).map(|(v, gj)| v * gj).sum::<f64>())
            .sum();
        sum.max(0.0)
    }

    /// The powers 1, x, x², … that the coefficients multiply.
    pub fn powers(&self, x: f64) -> Vec<f64> {
        std::iter::successors(Some(1.0), |p| Some(p * x))
            .take(self.coefficients.len())
            .collect()
    }

    /// Standard uncertainty of the curve's height at `x`, in indicated units.
    pub fn se_at(&self, x: f64) -> f64 {
        self.variance_along(&self.powers(x)).sqrt()
    }

    /// Whether the slope keeps one sign, and is never 0, from `low` to `high`.
    pub fn is_monotone(&self, low: f64, high: f64) -> bool {
        // The slope is at most a parabola: its ends and its own turning point say everything.
        let mut at = vec![low, high];
        if let [_, _, b2, b3] = self.coefficients[..]
            && b3 != 0.0
        {
            let turn = -b2 / (3.0 * b3);
            if (low..=high).contains(&turn) {
                at.push(turn);
            }
        }
        let slopes: Vec<f64> = at.into_iter().map(|x| self.slope(x)).collect();
        slopes.iter().all(|s| *s > 0.0) || slopes.iter().all(|s| *s < 0.0)
    }
}

/// Fits a polynomial by QR in scaled x and gives everything in plain units.
///
/// `applied` and `indicated` of equal length, more values than coefficients, at least `degree + 1` different
/// `applied`; `degree` from 1 to 3.
///
/// # Formula
/// u = (x − centre)/half-width; y = Σ cⱼuʲ by QR; bᵢ = Σⱼ cⱼ·C(j,i)(−centre)^(j−i)/half-width^j, covariance by the same
/// matrix on both sides.
///
/// # Errors
/// Lengths that differ, too few values, too few different loads, a value that is not finite.
///
/// # Source
/// Golub & Van Loan 2013, Matrix Computations, 4th ed., 5.3.2; checked on NIST Pontius and Norris.
pub fn fit(applied: &[f64], indicated: &[f64], degree: usize) -> StatsResult<Polynomial> {
    const WHAT: &str = "a calibration curve";
    if !(1..=HIGHEST_DEGREE).contains(&degree) {
        return Err(StatsError::Range {
            what: "the degree of a calibration curve",
            found: degree as f64,
            expected: "1, 2 or 3",
        });
    }
    if indicated.len() < degree + 2 {
        return Err(StatsError::TooFew {
            what: WHAT,
            needed: degree + 2,
            found: indicated.len(),
        });
    }
    let (low, high) = extent(applied);
    if different(applied) < degree + 1 || high <= low {
        return Err(StatsError::Undetermined {
            what: WHAT,
            why: "there are fewer different loads than coefficients; add loads or lower the degree",
        });
    }
    let (centre, half) = (0.5 * (low + high), 0.5 * (high - low));
    let scaled: Vec<f64> = applied.iter().map(|x| (x - centre) / half).collect();
    let columns: Vec<Vec<f64>> = (0..=degree)
        .map(|j| scaled.iter().map(|u| u.powi(j as i32)).collect())
        .collect();
    let fit = least_squares(&columns, indicated)?;
    let (Some(covariance), Some(residual_sd)) = (fit.covariance, fit.residual_sd) else {
        return Err(StatsError::TooFew {
            what: WHAT,
            needed: degree + 2,
            found: indicated.len(),
        });
    };
    let plain = to_plain(degree, centre, half);
    let p = degree + 1;
    let coefficients = (0..p)
        .map(|i| (0..p).map(|j| plain[i][j] * fit.coefficients[j]).sum())
        .collect();
    let entry = |i: usize, k: usize| -> f64 {
        let row = |j: usize| (0..p).map(|l| covariance[(j, l)] * plain[k][l]).sum::<f64>();
        (0..p).map(|j| plain[i][j] * row(j)).sum()
    };
    // Each pair is worked out once, so that the matrix is symmetric to the last digit.
    let plain_covariance: Vec<Vec<f64>> = (0..p)
        .map(|i| (0..p).map(|k| entry(i.min(k), i.max(k))).collect())
        .collect();
    Ok(Polynomial {
        coefficients,
        covariance: plain_covariance,
        residual_sd,
        degrees_of_freedom: fit.df,
    })
}

/// The matrix that turns coefficients of (x − centre)/half into those of x.
fn to_plain(degree: usize, centre: f64, half: f64) -> Vec<Vec<f64>> {
    let choose = |n: usize, k: usize| (0..k).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64);
    (0..=degree)
        .map(|i| {
            (0..=degree)
                .map(|j| match j >= i {
                    true => choose(j, i) * (-centre).powi((j - i) as i32) / half.powi(j as i32),
                    false => 0.0,
                })
                .collect()
        })
        .collect()
}

/// One step of the choice of degree.
#[derive(Debug, Clone, PartialEq)]
pub struct DegreeTest {
    /// The higher degree, tested against the one below.
    pub degree: usize,
    pub f: f64,
    /// Degrees of freedom below the line.
    pub df: usize,
    pub p: f64,
}

/// Chooses the degree: the highest whose last term lowers the sum of squares significantly.
///
/// Degrees that would leave no load over to check the curve with are not tried. Gives the fit and the tests made.
///
/// # Formula
/// F = (RSS(k−1) − RSS(k))/(RSS(k)/ν(k)) with 1 and ν(k) degrees of freedom; k is taken at p < 0.01, from 3 downwards.
///
/// # Errors
/// As [`fit`] for degree 1.
///
/// # Source
/// Draper & Smith 1998, Applied Regression Analysis, 3rd ed., ch. 6, the extra sum of squares (from memory).
pub fn choose_degree(applied: &[f64], indicated: &[f64]) -> StatsResult<(Polynomial, Vec<DegreeTest>)> {
    let mut fits = vec![fit(applied, indicated, 1)?];
    let highest = HIGHEST_DEGREE
        .min(different(applied).saturating_sub(2))
        .min(indicated.len().saturating_sub(3));
    for degree in 2..=highest {
        fits.push(fit(applied, indicated, degree)?);
    }
    let rss = |f: &Polynomial| f.residual_sd.powi(2) * f.degrees_of_freedom as f64;
    let mut tests = Vec::new();
    for pair in fits.windows(2) {
        let df = pair[1].degrees_of_freedom;
        let gain = (rss(&pair[0]) - rss(&pair[1])).max(0.0);
        // Readings that lie on the curve exactly leave nothing to divide by: any gain beyond rounding then counts.
        let floor = indicated.iter().fold(0.0, |m: f64, y| m.max(y.abs())) * 1e-14;
        let f = gain
            / pair[1]
                .residual_sd
                .max(floor)
                .max(f64::MIN_POSITIVE)
                .powi(2)
                .max(f64::MIN_POSITIVE);
        let p = f_upper_tail(f, 1.0, df as f64)?;
        tests.push(DegreeTest {
            degree: pair[1].degree(),
            f,
            df,
            p,
        });
    }
    let chosen = tests
        .iter()
        .rev()
        .find(|t| t.p < DEGREE_P)
        .map_or(1, |t| t.degree);
    Ok((fits.swap_remove(chosen - 1), tests))
}

/// Smallest and largest value.
pub fn extent(values: &[f64]) -> (f64, f64) {
    values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(*v), high.max(*v))
        })
}

/// How many different values there are.
pub fn different(values: &[f64]) -> usize {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    sorted.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cubic_through_its_own_values_is_found_in_plain_units() {
        let x: Vec<f64> = (0..12).map(|i| 100.0 + 10.0 * f64::from(i)).collect();
        let y: Vec<f64> = x
            .iter()
            .map(|x| 3.0 - 0.5 * x + 0.02 * x * x - 1e-5 * x * x * x)
            .collect();
        let p = fit(&x, &y, 3).unwrap();
        for (found, wanted) in p.coefficients.iter().zip([3.0, -0.5, 0.02, -1e-5]) {
            assert!((found / wanted - 1.0).abs() < 1e-9, "{found} {wanted}");
        }
        assert_eq!(choose_degree(&x, &y).unwrap().0.degree(), 3);
    }

    #[test]
    fn an_exact_line_stays_a_line() {
        let x = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        let y = x.map(|x| 8123.4 + 1767.91 * x);
        assert_eq!(choose_degree(&x, &y).unwrap().0.degree(), 1);
    }

    #[test]
    fn a_curve_that_turns_inside_the_range_is_seen() {
        let mut p = fit(&[0.0, 1.0, 2.0, 3.0], &[0.0, 1.0, 2.0, 3.1], 1).unwrap();
        assert!(p.is_monotone(0.0, 3.0));
        p.coefficients = vec![0.0, 1.0, -1.5, 0.6];
        assert!(!p.is_monotone(0.0, 3.0) && p.is_monotone(2.0, 3.0));
    }

    #[test]
    fn as_many_readings_as_coefficients_are_refused() {
        assert!(fit(&[0.0, 1.0], &[0.0, 1.0], 1).is_err());
        let said = fit(&[0.0, 1.0, 1.0, 0.0], &[0.0, 1.0, 1.1, 0.1], 2)
            .unwrap_err()
            .to_string();
        assert!(said.contains("fewer different loads than coefficients"), "{said}");
    }
}
