//! Statistics on slices: least squares with covariance, two-line knees, quantiles, decisions, multiple tests, mixed models.
//!
//! Pure numbers: nothing here knows a file, a table or a test of the spine.

pub mod agreement;
pub mod decide;
pub mod expanded;
pub mod least_squares;
pub mod line;
pub mod mixed;
pub mod moments;
pub mod multiple;
pub mod quantile;
pub mod sums;
pub mod two_lines;
pub mod variance;

/// Why a statistic cannot be had from these numbers.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum StatsError {
    /// More numbers are needed.
    #[error("{what} needs at least {needed} values and got {found}; add readings")]
    TooFew {
        what: &'static str,
        needed: usize,
        found: usize,
    },
    /// Two slices that belong together differ in length.
    #[error("{what}: {left} values against {right}; both must be equally many")]
    Lengths {
        what: &'static str,
        left: usize,
        right: usize,
    },
    /// A value is NaN or infinite.
    #[error("{what} holds a value that is not finite; leave missing values out first")]
    NotFinite { what: &'static str },
    /// The numbers do not determine the answer.
    #[error("{what}: {why}")]
    Undetermined { what: &'static str, why: &'static str },
    /// An argument outside the range that can be answered.
    #[error("{what} is {found}; expected {expected}")]
    Range {
        what: &'static str,
        found: f64,
        expected: &'static str,
    },
}

/// Result of a statistic.
pub type StatsResult<T, E = StatsError> = std::result::Result<T, E>;

/// Refuses slices of different length, shorter than `needed`, or holding a value that is not finite.
pub(crate) fn check_pairs(what: &'static str, x: &[f64], y: &[f64], needed: usize) -> StatsResult<()> {
    if x.len() != y.len() {
        return Err(StatsError::Lengths {
            what,
            left: x.len(),
            right: y.len(),
        });
    }
    check_values(what, x, needed)?;
    check_values(what, y, needed)
}

/// Refuses a slice shorter than `needed` or holding a value that is not finite.
pub(crate) fn check_values(what: &'static str, values: &[f64], needed: usize) -> StatsResult<()> {
    if values.len() < needed {
        return Err(StatsError::TooFew {
            what,
            needed,
            found: values.len(),
        });
    }
    if values.iter().any(|v| !v.is_finite()) {
        return Err(StatsError::NotFinite { what });
    }
    Ok(())
}
