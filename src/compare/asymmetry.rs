//! The asymmetry index: percent of the mean of both sides.

/// Asymmetry in percent of the log ratio d = ln(right/left): 200·tanh(d/2).
///
/// The same as 100·(R − L)/((R + L)/2), the symmetry index (Robinson et al. 1987, JMPT 10:172–176); bounded by
/// ±200, and it changes only its sign when the sides change places.
///
/// ```
/// let percent = tautpoint::compare::percent_of_log((10.0_f64 / 8.0).ln());
/// assert!((percent - 200.0 / 9.0).abs() < 1e-12);
/// ```
pub fn percent_of_log(d: f64) -> f64 {
    200.0 * (d / 2.0).tanh()
}

/// The log ratio that an asymmetry in percent stands for: 2·artanh(percent/200).
///
/// Infinite at ±200 and NaN beyond, where no ratio has that asymmetry; settings keep thresholds at most 100.
pub fn log_of_percent(percent: f64) -> f64 {
    2.0 * (percent / 200.0).atanh()
}
