//! How probable it is that a quantity meets its limits, given what was measured (JCGM 106:2012).

use crate::stats::quantile::normal_upper_tail;
use crate::stats::{StatsResult, StatsError};

/// Probability that the quantity lies within its limits.
///
/// `estimate` and its standard uncertainty `u` (above 0) in the unit of the limits; a limit that does not exist is
/// `None`.
///
/// # Formula
/// Φ((high − η)/u) − Φ((low − η)/u), for a normal distribution about the estimate and no earlier knowledge.
///
/// # Errors
/// [`StatsError::Range`] when `u` is not above 0, [`StatsError::NotFinite`] for a value that is no number.
///
/// # Source
/// JCGM 106:2012, 7.3 and 7.4.
///
/// ```
/// use tautpoint::calibrate::conformance::conformance_probability;
/// let p = conformance_probability(-5.47, 0.05, None, Some(-5.40)).unwrap();
/// assert!((p - 0.91924).abs() < 5e-6);
/// ```
pub fn conformance_probability(estimate: f64, u: f64, low: Option<f64>, high: Option<f64>) -> StatsResult<f64> {
    if !(u > 0.0 && u.is_finite()) {
        return Err(StatsError::Range {
            what: "the standard uncertainty",
            found: u,
            expected: "a number above 0",
        });
    }
    let above = |limit: Option<f64>, none: f64| match limit {
        Some(limit) => normal_upper_tail((limit - estimate) / u),
        None => Ok(none),
    };
    // Both as upper tails: each keeps its digits where it is small.
    Ok(above(low, 1.0)? - above(high, 0.0)?)
}
