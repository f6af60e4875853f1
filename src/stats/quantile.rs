//! Quantiles and tail probabilities of the t, normal, F and chi-square distributions.
//!
//! Degrees of freedom need not be whole (Welch–Satterthwaite gives fractions) and may be infinite. Where there are many, the
//! limiting distribution or a series about it is taken: the inverse of the finite one loses digits there.

use super::{StatsResult, StatsError};
use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

/// Degrees of freedom beyond which the limiting distribution stands in (difference below 1e-6 in t).
pub const MANY_DF: f64 = 1e6;
/// Degrees of freedom beyond which t is taken from the normal by a series, which is exact to 1e-10 there and far quicker.
const NEAR_NORMAL_DF: f64 = 1e3;
/// Smallest probability, and complement of the largest, that a quantile is given for: further out the
/// underlying series are not trustworthy, and no rule here needs them.
pub const SMALLEST_P: f64 = 1e-6;

fn check_p(p: f64) -> StatsResult<f64> {
    if (SMALLEST_P..=1.0 - SMALLEST_P).contains(&p) {
        return Ok(p);
    }
    Err(StatsError::Range {
        what: "the probability of a quantile",
        found: p,
        expected: "a number from 1e-6 to 1 - 1e-6",
    })
}

fn check_df(df: f64) -> StatsResult<f64> {
    if df > 0.0 {
        return Ok(df);
    }
    Err(StatsError::Range {
        what: "the number of degrees of freedom",
        found: df,
        expected: "a number above 0, or infinity",
    })
}

fn check_statistic(x: f64) -> StatsResult<f64> {
    if x.is_nan() {
        return Err(StatsError::NotFinite {
            what: "a test statistic",
        });
    }
    Ok(x)
}

/// The distributions refuse only parameters that `check_df` has refused before.
fn refused(found: f64) -> StatsError {
    StatsError::Range {
        what: "the number of degrees of freedom",
        found,
        expected: "a number above 0, or infinity",
    }
}

fn student(df: f64) -> StatsResult<StudentsT> {
    StudentsT::new(0.0, 1.0, df).map_err(|_| refused(df))
}

/// Quantile of the standard normal distribution.
///
/// `p` from 1e-6 to 1 − 1e-6.
///
/// ```
/// let z = tautpoint::stats::quantile::normal_quantile(0.975).unwrap();
/// assert!((z - 1.959963984540054).abs() < 1e-12);
/// ```
///
/// # Errors
/// [`StatsError::Range`] when `p` is outside.
pub fn normal_quantile(p: f64) -> StatsResult<f64> {
    Ok(Normal::standard().inverse_cdf(check_p(p)?))
}

/// Probability that a standard normal value exceeds `z`.
///
/// # Errors
/// [`StatsError::NotFinite`] when `z` is NaN.
pub fn normal_upper_tail(z: f64) -> StatsResult<f64> {
    Ok(Normal::standard().sf(check_statistic(z)?))
}

/// Quantile of Student's t with `df` degrees of freedom (above 0, not necessarily whole, may be infinite).
///
/// ```
/// let t = tautpoint::stats::quantile::t_quantile(0.975, 10.0).unwrap();
/// assert!((t - 2.228138851986274).abs() < 1e-9);
/// ```
///
/// # Errors
/// [`StatsError::Range`] when `p` is outside 1e-6 to 1 − 1e-6 or `df` is not above 0.
pub fn t_quantile(p: f64, df: f64) -> StatsResult<f64> {
    let (p, df) = (check_p(p)?, check_df(df)?);
    if df > NEAR_NORMAL_DF {
        return Ok(near_normal(normal_quantile(p)?, df));
    }
    Ok(student(df)?.inverse_cdf(p))
}

/// t from the normal z of the same probability, by the expansion in 1/df up to its fourth power.
///
/// # Source
/// Abramowitz & Stegun 1964, Handbook of Mathematical Functions, 26.7.5 (from memory); checked against the exact
/// quantile.
fn near_normal(z: f64, df: f64) -> f64 {
    let s = z * z;
    let g1 = (s + 1.0) / 4.0;
    let g2 = ((5.0 * s + 16.0) * s + 3.0) / 96.0;
    let g3 = (((3.0 * s + 19.0) * s + 17.0) * s - 15.0) / 384.0;
    let g4 = ((((79.0 * s + 776.0) * s + 1482.0) * s - 1920.0) * s - 945.0) / 92_160.0;
    z * (1.0 + (g1 + (g2 + (g3 + g4 / df) / df) / df) / df)
}

/// Probability that Student's t with `df` degrees of freedom exceeds `t`; `t` may be infinite.
///
/// # Errors
/// [`StatsError::Range`] when `df` is not above 0, [`StatsError::NotFinite`] when `t` is NaN.
pub fn t_upper_tail(t: f64, df: f64) -> StatsResult<f64> {
    let (t, df) = (check_statistic(t)?, check_df(df)?);
    if t.is_infinite() {
        return Ok(if t > 0.0 { 0.0 } else { 1.0 });
    }
    if df > MANY_DF {
        return normal_upper_tail(t);
    }
    Ok(student(df)?.sf(t))
}

/// Quantile of chi-square with `df` degrees of freedom (above 0, at most 1e6).
///
/// # Errors
/// [`StatsError::Range`] when `p` or `df` is outside.
pub fn chi_square_quantile(p: f64, df: f64) -> StatsResult<f64> {
    let p = check_p(p)?;
    Ok(chi_square(df)?.inverse_cdf(p))
}

/// Probability that chi-square with `df` degrees of freedom exceeds `x`.
///
/// # Errors
/// [`StatsError::Range`] when `df` is not from 0 to 1e6, [`StatsError::NotFinite`] when `x` is NaN.
pub fn chi_square_upper_tail(x: f64, df: f64) -> StatsResult<f64> {
    let x = check_statistic(x)?;
    let distribution = chi_square(df)?;
    if x <= 0.0 {
        return Ok(1.0);
    }
    if x.is_infinite() {
        return Ok(0.0);
    }
    Ok(distribution.sf(x))
}

fn chi_square(df: f64) -> StatsResult<ChiSquared> {
    if check_df(df)? > MANY_DF {
        return Err(StatsError::Range {
            what: "the number of degrees of freedom of chi-square",
            found: df,
            expected: "at most 1e6",
        });
    }
    ChiSquared::new(df).map_err(|_| refused(df))
}

/// Quantile of F with `df1` and `df2` degrees of freedom; either may be fractional, one of them infinite.
///
/// # Formula
/// For df2 → ∞ chi-square(df1)/df1; for df1 → ∞ the inverse of the opposite quantile of chi-square(df2)/df2.
///
/// # Errors
/// [`StatsError::Range`] when `p` is outside 1e-6 to 1 − 1e-6 or a `df` is not above 0.
pub fn f_quantile(p: f64, df1: f64, df2: f64) -> StatsResult<f64> {
    let (p, df1, df2) = (check_p(p)?, check_df(df1)?, check_df(df2)?);
    if df2 > MANY_DF {
        return Ok(chi_square_quantile(p, df1)? / df1);
    }
    if df1 > MANY_DF {
        return Ok(df2 / chi_square_quantile(1.0 - p, df2)?);
    }
    let f = FisherSnedecor::new(df1, df2).map_err(|_| refused(df1))?;
    Ok(f.inverse_cdf(p))
}

/// Probability that F with `df1` and `df2` degrees of freedom exceeds `f`.
///
/// # Errors
/// [`StatsError::Range`] when a `df` is not above 0, [`StatsError::NotFinite`] when `f` is NaN.
pub fn f_upper_tail(f: f64, df1: f64, df2: f64) -> StatsResult<f64> {
    let (f, df1, df2) = (check_statistic(f)?, check_df(df1)?, check_df(df2)?);
    if f <= 0.0 {
        return Ok(1.0);
    }
    if f.is_infinite() {
        return Ok(0.0);
    }
    if df2 > MANY_DF {
        return chi_square_upper_tail(f * df1, df1);
    }
    if df1 > MANY_DF {
        return Ok(1.0 - chi_square_upper_tail(df2 / f, df2)?);
    }
    let distribution = FisherSnedecor::new(df1, df2).map_err(|_| refused(df1))?;
    Ok(distribution.sf(f))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against scipy.stats.t.ppf, scipy 1.17.1. (statrs' own inverse is off by 7e-6 at 100,000 degrees of freedom.)
    #[test]
    fn near_the_normal_the_series_is_the_exact_quantile() {
        let known = [
            (1000.5, 1e-6, -4.781_594_462_640_221),
            (1000.5, 0.025, -1.962_337_892_459_348),
            (1000.5, 0.4, -0.253_414_482_144_665_44),
            (3000.0, 0.001, -3.092_951_205_237_391),
            (3000.0, 0.95, 1.645_361_707_837_407_6),
            (100_000.0, 0.025, -1.959_987_707_534_61),
            (900_000.0, 0.95, 1.644_855_320_030_056_6),
        ];
        for (df, p, exact) in known {
            let quick = t_quantile(p, df).unwrap();
            assert!((quick - exact).abs() < 1e-10, "{df} {p}: {quick} {exact}");
            let below = 1.0 - t_upper_tail(exact, df).unwrap();
            assert!((below - p).abs() < 1e-9, "{df} {exact}: {below} {p}");
        }
        assert_eq!(t_quantile(0.975, f64::INFINITY), normal_quantile(0.975));
    }

    #[test]
    fn t_with_two_degrees_of_freedom_has_a_closed_form() {
        // p = 1/2 + t / (2 sqrt(2 + t^2)), hence t = a sqrt(2 / (1 - a^2)) with a = 2p - 1 (exact).
        for p in [0.6, 0.8, 0.975, 0.999] {
            let a: f64 = 2.0 * p - 1.0;
            let exact = a * (2.0 / (1.0 - a * a)).sqrt();
            assert!((t_quantile(p, 2.0).unwrap() / exact - 1.0).abs() < 1e-9);
            assert!((t_upper_tail(exact, 2.0).unwrap() - (1.0 - p)).abs() < 1e-12);
        }
    }

    #[test]
    fn infinite_degrees_of_freedom_are_the_normal() {
        assert_eq!(t_quantile(0.975, f64::INFINITY), normal_quantile(0.975));
        assert_eq!(t_upper_tail(1.2, 2e6), normal_upper_tail(1.2));
        // F with one and infinite degrees of freedom is a squared normal.
        let z = normal_quantile(0.975).unwrap();
        assert!((f_quantile(0.95, 1.0, f64::INFINITY).unwrap() - z * z).abs() < 1e-6);
    }

    #[test]
    fn f_with_infinite_degrees_above_and_two_below_has_a_closed_form() {
        // Chi-square with two degrees of freedom is exponential: F = 2/(-2 ln p) = -1/ln p (exact).
        for p in [0.05_f64, 0.5, 0.975] {
            let exact = -1.0 / p.ln();
            assert!((f_quantile(p, f64::INFINITY, 2.0).unwrap() / exact - 1.0).abs() < 1e-7, "{p}");
            assert!((f_upper_tail(exact, f64::INFINITY, 2.0).unwrap() - (1.0 - p)).abs() < 1e-9, "{p}");
        }
    }

    #[test]
    fn f_with_two_degrees_above_and_infinite_below_is_exponential() {
        // Chi-square with two degrees of freedom over two: P(F > f) = exp(-f) (exact).
        for f in [0.1_f64, 1.0, 7.5] {
            let tail = f_upper_tail(f, 2.0, f64::INFINITY).unwrap();
            assert!((tail / (-f).exp() - 1.0).abs() < 1e-9, "{f}: {tail}");
            assert!((f_quantile(1.0 - tail, 2.0, f64::INFINITY).unwrap() / f - 1.0).abs() < 1e-6, "{f}");
        }
    }

    #[test]
    fn out_of_range_is_refused_by_name() {
        assert!(t_quantile(1e-7, 5.0).is_err());
        assert!(t_quantile(1.0, 5.0).is_err());
        assert!(t_quantile(0.5, 0.0).is_err());
        assert!(t_upper_tail(f64::NAN, 5.0).is_err());
        let said = f_quantile(0.5, -1.0, 3.0).unwrap_err().to_string();
        assert!(said.contains("degrees of freedom is -1"), "{said}");
    }

    #[test]
    fn an_infinite_statistic_has_no_tail() {
        assert_eq!(t_upper_tail(f64::INFINITY, 4.0), Ok(0.0));
        assert_eq!(t_upper_tail(f64::NEG_INFINITY, 4.0), Ok(1.0));
        assert_eq!(f_upper_tail(f64::INFINITY, 2.0, 4.0), Ok(0.0));
    }
}
