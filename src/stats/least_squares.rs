//! General linear least squares.

use super::{StatsResult, StatsError, check_values};
use nalgebra::{DMatrix, DVector};

/// A least-squares fit of y on columns.
#[derive(Debug, Clone, PartialEq)]
pub struct LeastSquares {
    /// One for each column, in order.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients: s²·(XᵀX)⁻¹; `None` without degrees of freedom left.
    pub covariance: Option<DMatrix<f64>>,
    /// (XᵀX)⁻¹, for those who know the error of y themselves.
    pub unscaled_covariance: DMatrix<f64>,
    /// Residual sum of squares.
    pub rss: f64,
    /// Values less columns.
    pub df: usize,
    /// √(RSS/df); `None` without degrees of freedom left.
    pub residual_sd: Option<f64>,
}

impl LeastSquares {
    /// Standard error of a coefficient.
    pub fn se(&self, column: usize) -> Option<f64> {
        let c = self.covariance.as_ref()?;
        (column < c.nrows()).then(|| c[(column, column)].sqrt())
    }
}

/// A column whose part independent of those before it is below this share of its length adds nothing that
/// double precision could tell.
const INDEPENDENT: f64 = 1e-13;

/// Fits y = Σ βⱼ·columnⱼ by QR, each column scaled to unit length first.
///
/// `columns` holds the regressors (a constant needs a column of ones), each as long as `y`, at most as many as
/// values; any units.
///
/// # Formula
/// X = QR, β = R⁻¹Qᵀy, covariance = s²·R⁻¹R⁻ᵀ, s² = RSS/(n − p).
///
/// # Errors
/// Lengths that differ, fewer values than columns, a value that is not finite, or columns that depend on each
/// other.
///
/// # Source
/// Golub & Van Loan 2013, Matrix Computations, 4th ed., 5.3.2; checked on NIST Pontius, Longley, Wampler.
pub fn least_squares<C: AsRef<[f64]>>(columns: &[C], y: &[f64]) -> StatsResult<LeastSquares> {
    const WHAT: &str = "a least-squares fit";
    let (n, p) = (y.len(), columns.len());
    check_values(WHAT, y, p.max(1))?;
    let mut scales = Vec::with_capacity(p);
    for column in columns.iter().map(AsRef::as_ref) {
        if column.len() != n {
            return Err(StatsError::Lengths {
                what: WHAT,
                left: column.len(),
                right: n,
            });
        }
        check_values(WHAT, column, 1)?;
        scales.push(column.iter().map(|v| v * v).sum::<f64>().sqrt());
    }
    let dependent = StatsError::Undetermined {
        what: WHAT,
        why: "one column depends on the others; leave one out or spread the readings",
    };
    if p == 0 || scales.contains(&0.0) {
        return Err(dependent);
    }
    let x = DMatrix::from_fn(n, p, |i, j| columns[j].as_ref()[i] / scales[j]);
    let y = DVector::from_column_slice(y);
    let qr = x.clone().qr();
    let r = qr.r();
    if (0..p).any(|j| r[(j, j)].abs() < INDEPENDENT) {
        return Err(dependent);
    }
    let (Some(first), Some(inverse)) = (
        r.solve_upper_triangular(&(qr.q().transpose() * &y)),
        r.solve_upper_triangular(&DMatrix::identity(p, p)),
    ) else {
        return Err(dependent);
    };
    // One step of refinement takes back most of the rounding of ill-conditioned columns.
    let again = qr.q().transpose() * (&y - &x * &first);
    let beta = match r.solve_upper_triangular(&again) {
        Some(step) => first + step,
        None => first,
    };
    let rss = (&y - &x * &beta).norm_squared();
    let unscaled = &inverse * inverse.transpose();
    let unscaled = DMatrix::from_fn(p, p, |i, j| unscaled[(i, j)] / (scales[i] * scales[j]));
    let df = n - p;
    let variance = (df > 0).then(|| rss / df as f64);
    Ok(LeastSquares {
        coefficients: beta.iter().zip(&scales).map(|(b, s)| b / s).collect(),
        covariance: variance.map(|v| &unscaled * v),
        unscaled_covariance: unscaled,
        rss,
        df,
        residual_sd: variance.map(f64::sqrt),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_many_values_as_columns_leave_no_error() {
        let fit = least_squares(&[vec![1.0, 1.0], vec![0.0, 2.0]], &[1.0, 5.0]).unwrap();
        assert!((fit.coefficients[0] - 1.0).abs() < 1e-14);
        assert!((fit.coefficients[1] - 2.0).abs() < 1e-14);
        assert_eq!((fit.df, fit.residual_sd, fit.se(1)), (0, None, None));
    }

    #[test]
    fn dependent_columns_are_refused() {
        let x = [vec![1.0, 1.0, 1.0], vec![1.0, 2.0, 3.0], vec![2.0, 3.0, 4.0]];
        let said = least_squares(&x, &[1.0, 2.0, 4.0]).unwrap_err().to_string();
        assert!(said.contains("depends on the others"), "{said}");
    }

    #[test]
    fn a_line_agrees_with_the_closed_form() {
        let (x, y) = ([0.0, 1.0, 2.0, 3.5], [1.0, 3.0, 2.0, 6.0]);
        let l = crate::stats::line::line(&x, &y).unwrap();
        let fit = least_squares(&[&[1.0; 4], &x], &y).unwrap();
        assert!((fit.coefficients[0] - l.intercept).abs() < 1e-13);
        assert!((fit.coefficients[1] - l.slope).abs() < 1e-13);
        assert!((fit.se(0).unwrap() - l.intercept_se.unwrap()).abs() < 1e-13);
        assert!((fit.se(1).unwrap() - l.slope_se.unwrap()).abs() < 1e-13);
    }
}
