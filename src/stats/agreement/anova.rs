//! Mean squares of ratings: subjects by raters, or groups of unequal size.

use crate::stats::{StatsResult, StatsError, check_values};

/// Mean squares of a table of `subjects` rows and `raters` columns, one value a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanSquares {
    pub subjects: usize,
    pub raters: usize,
    pub mean: f64,
    /// Between subjects; n − 1 degrees of freedom.
    pub between: f64,
    /// Between raters; k − 1.
    pub rater: f64,
    /// What neither subject nor rater explains; (n − 1)(k − 1).
    pub error: f64,
    /// Within subjects, raters and error together; n(k − 1).
    pub within: f64,
}

impl MeanSquares {
    /// Degrees of freedom between subjects.
    pub fn df_between(&self) -> f64 {
        self.subjects as f64 - 1.0
    }

    /// Degrees of freedom between raters.
    pub fn df_rater(&self) -> f64 {
        self.raters as f64 - 1.0
    }

    /// Degrees of freedom of the error.
    pub fn df_error(&self) -> f64 {
        self.df_between() * self.df_rater()
    }

    /// Degrees of freedom within subjects.
    pub fn df_within(&self) -> f64 {
        self.subjects as f64 * self.df_rater()
    }

    /// Variance between raters: (MSJ − MSE)/n, never below 0.
    pub fn rater_variance(&self) -> f64 {
        ((self.rater - self.error) / self.subjects as f64).max(0.0)
    }

    /// Variance between subjects: (MSB − MSE)/k, never below 0.
    pub fn subject_variance(&self) -> f64 {
        ((self.between - self.error) / self.raters as f64).max(0.0)
    }
}

/// Mean squares of a complete table; every row as long as the first, in any unit.
///
/// # Formula
/// With x less the mean of all: MSB = k Σ x̄ᵢ²/(n − 1), MSJ = n Σ x̄ⱼ²/(k − 1),
/// MSE = Σ (x − x̄ᵢ − x̄ⱼ)²/((n − 1)(k − 1)), MSW = Σ (x − x̄ᵢ)²/(n(k − 1)). All values are centred first, so that
/// a large common part costs no digits.
///
/// # Errors
/// Fewer than two rows or columns, rows of different length, a value that is not finite.
///
/// # Source
/// Shrout & Fleiss 1979, Psychol Bull 86:420–428; checked on their table 2 and on the NIST analysis of variance sets.
pub fn mean_squares<R: AsRef<[f64]>>(rows: &[R]) -> StatsResult<MeanSquares> {
    const WHAT: &str = "an agreement of ratings";
    let too_few = |what, found| StatsError::TooFew {
        what,
        needed: 2,
        found,
    };
    let n = rows.len();
    if n < 2 {
        return Err(too_few("an agreement of ratings (subjects)", n));
    }
    let k = rows[0].as_ref().len();
    if k < 2 {
        return Err(too_few("an agreement of ratings (ratings of a subject)", k));
    }
    for row in rows.iter().map(AsRef::as_ref) {
        if row.len() != k {
            return Err(StatsError::Lengths {
                what: WHAT,
                left: k,
                right: row.len(),
            });
        }
        check_values(WHAT, row, k)?;
    }
    // Differences to the first value are exact for values close together; the mean is then taken off those.
    let origin = rows[0].as_ref()[0];
    let mut x: Vec<Vec<f64>> = rows
        .iter()
        .map(|r| r.as_ref().iter().map(|v| v - origin).collect())
        .collect();
    let mean = centre(&mut x);
    let (nf, kf) = (n as f64, k as f64);
    // Squares that rounding alone makes are none: ratings that are equal as printed must count as equal.
    let largest = rows
        .iter()
        .flat_map(|r| r.as_ref())
        .fold(0.0, |m: f64, v| m.max(v.abs()));
    let rounding = (8.0 * f64::EPSILON * largest).powi(2);
    let real = |mean_square: f64| if mean_square > rounding { mean_square } else { 0.0 };
    let of_row: Vec<f64> = x.iter().map(|r| r.iter().sum::<f64>() / kf).collect();
    let of_column: Vec<f64> = (0..k).map(|j| x.iter().map(|r| r[j]).sum::<f64>() / nf).collect();
    let squares = |v: &[f64]| v.iter().map(|a| a * a).sum::<f64>();
    let (mut error, mut within) = (0.0, 0.0);
    for (row, mean) in x.iter().zip(&of_row) {
        for (value, rater) in row.iter().zip(&of_column) {
            within += (value - mean).powi(2);
            error += (value - mean - rater).powi(2);
        }
    }
    Ok(MeanSquares {
        subjects: n,
        raters: k,
        mean: origin + mean,
        between: real(kf * squares(&of_row) / (nf - 1.0)),
        rater: real(nf * squares(&of_column) / (kf - 1.0)),
        error: real(error / ((nf - 1.0) * (kf - 1.0))),
        within: real(within / (nf * (kf - 1.0))),
    })
}

/// Takes the mean of all values off and gives it; a second pass takes back the rounding of the first.
fn centre(x: &mut [Vec<f64>]) -> f64 {
    let count = x.iter().map(Vec::len).sum::<usize>() as f64;
    let mut total = 0.0;
    for _ in 0..2 {
        let mean = x.iter().flatten().sum::<f64>() / count;
        x.iter_mut().flatten().for_each(|v| *v -= mean);
        total += mean;
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_of_two_by_two_has_its_mean_squares_by_hand() {
        // Rows 1 3 and 5 11: mean 5, rows 2 and 8, columns 3 and 7, residuals ±1.
        let m = mean_squares(&[[1.0, 3.0], [5.0, 11.0]]).unwrap();
        assert_eq!(
            (m.mean, m.between, m.rater, m.error, m.within),
            (5.0, 36.0, 16.0, 4.0, 10.0)
        );
        assert_eq!(
            (m.df_between(), m.df_rater(), m.df_error(), m.df_within()),
            (1.0, 1.0, 1.0, 2.0)
        );
        assert_eq!((m.rater_variance(), m.subject_variance()), (6.0, 16.0));
    }

    #[test]
    fn a_large_common_part_changes_nothing() {
        let far = mean_squares(&[[1.0 + 1e12, 3.0 + 1e12], [5.0 + 1e12, 11.0 + 1e12]]).unwrap();
        assert_eq!(
            (far.between, far.rater, far.error, far.within),
            (36.0, 16.0, 4.0, 10.0)
        );
    }

    #[test]
    fn one_rater_one_subject_and_ragged_rows_are_refused() {
        let one = mean_squares(&[[1.0], [2.0]]).unwrap_err().to_string();
        assert!(
            one.contains("ratings of a subject") && one.contains("got 1"),
            "{one}"
        );
        assert!(mean_squares(&[[1.0, 2.0]]).is_err());
        assert!(mean_squares(&[vec![1.0, 2.0], vec![1.0]]).is_err());
        assert!(mean_squares(&[[1.0, f64::NAN], [1.0, 2.0]]).is_err());
    }
}
