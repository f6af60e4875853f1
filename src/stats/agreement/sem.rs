//! Standard error of measurement, both ways, and the minimal detectable change.

use super::Interval;
use super::anova::MeanSquares;
use crate::stats::StatsResult;
use crate::stats::quantile::chi_square_quantile;

/// MDC95 of a difference over its standard error, as it is printed everywhere, not the exact normal quantile.
pub const MDC95_PER_SE: f64 = 1.96;
/// MDC95 over SEM: 1.96·√2, as it is printed everywhere, not the exact normal quantile.
pub const MDC95_PER_SEM: f64 = MDC95_PER_SE * std::f64::consts::SQRT_2;

/// Standard errors of measurement of a single rating, in the unit of the ratings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sem {
    /// √MSE: what is left when each rater's own level is taken off.
    pub consistency: Interval,
    /// Its degrees of freedom.
    pub consistency_df: f64,
    /// √(σ²_rater + MSE): differences between raters count as error.
    pub agreement: Interval,
    /// Its degrees of freedom.
    pub agreement_df: f64,
}

impl Sem {
    /// MDC95 of a single rating by [`Sem::agreement`].
    pub fn mdc95_agreement(&self) -> Interval {
        self.agreement.map(|s| MDC95_PER_SEM * s)
    }

    /// MDC95 of a single rating by [`Sem::consistency`].
    pub fn mdc95_consistency(&self) -> Interval {
        self.consistency.map(|s| MDC95_PER_SEM * s)
    }
}

/// Standard errors of measurement with intervals; `confidence` between 0 and 1.
///
/// # Formula
/// Consistency √MSE, interval √(ν·MSE/χ²) with ν = (n − 1)(k − 1). Agreement √(MSJ/n + MSE(n − 1)/n), where
/// MSJ < MSE √MSE (a variance is not below 0); its interval by chi-square with Satterthwaite's degrees of freedom.
///
/// # Errors
/// A confidence that cannot be meant.
///
/// # Source
/// Weir 2005, J Strength Cond Res 19:231–240; Satterthwaite 1946, Biometrics Bull 2:110–114 (from memory).
pub fn sem(m: &MeanSquares, confidence: f64) -> StatsResult<Sem> {
    let n = m.subjects as f64;
    let (raters, rest) = (m.rater / n, m.error * (n - 1.0) / n);
    let (variance, df) = if m.rater > m.error {
        let sum = raters + rest;
        let df = sum * sum / (raters * raters / m.df_rater() + rest * rest / m.df_error());
        (sum, df)
    } else {
        (m.error, m.df_error())
    };
    Ok(Sem {
        consistency: sd_interval(m.error, m.df_error(), confidence)?,
        consistency_df: m.df_error(),
        agreement: sd_interval(variance, df, confidence)?,
        agreement_df: df,
    })
}

/// Standard deviation of a variance with its degrees of freedom, and its chi-square interval. No interval for a
/// variance of 0.
///
/// # Errors
/// A confidence that cannot be meant, degrees of freedom that are not above 0.
pub fn sd_interval(variance: f64, df: f64, confidence: f64) -> StatsResult<Interval> {
    let upper = 0.5 + confidence / 2.0;
    let end = |p: f64| -> StatsResult<f64> { Ok((df * variance / chi_square_quantile(p, df)?).sqrt()) };
    let (low, high) = (end(upper)?, end(1.0 - upper)?);
    if variance > 0.0 {
        Ok(Interval::finite(variance.sqrt(), low, high).unwrap_or(Interval::bare(variance.sqrt())))
    } else {
        Ok(Interval::bare(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::super::anova::mean_squares;
    use super::*;

    #[test]
    fn raters_that_differ_less_than_chance_add_nothing() {
        // MSJ = 0 by construction: columns have equal means.
        let m = mean_squares(&[[1.0, 2.0], [4.0, 3.0], [6.0, 6.0]]).unwrap();
        let s = sem(&m, 0.95).unwrap();
        assert_eq!(s.agreement, s.consistency);
    }

    #[test]
    fn two_equal_parts_of_a_variance_share_their_degrees_of_freedom() {
        // Satterthwaite, two equal parts: ν = 4/(1/ν₁ + 1/ν₂); here with 2 and 4 degrees of freedom.
        let m = MeanSquares {
            subjects: 3,
            raters: 3,
            mean: 0.0,
            between: 50.0,
            rater: 12.0,
            error: 6.0,
            within: 8.0,
        };
        let s = sem(&m, 0.95).unwrap();
        assert!((s.agreement_df - 16.0 / 3.0).abs() < 1e-12, "{}", s.agreement_df);
        assert!((s.agreement.value - 8.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn the_interval_of_one_sd_is_that_of_chi_square() {
        // chi-square with 2 degrees of freedom is exponential: the p quantile is -2 ln(1 - p) (exact).
        let i = sd_interval(9.0, 2.0, 0.9).unwrap();
        assert!((i.low.unwrap() - (18.0 / (-2.0 * 0.05_f64.ln())).sqrt()).abs() < 1e-9);
        assert!((i.high.unwrap() - (18.0 / (-2.0 * 0.95_f64.ln())).sqrt()).abs() < 1e-7);
    }

    #[test]
    fn ratings_that_always_agree_have_an_error_of_nought_without_interval() {
        let m = mean_squares(&[[1.0, 1.0], [2.0, 2.0]]).unwrap();
        assert_eq!(sem(&m, 0.95).unwrap().agreement, Interval::bare(0.0));
    }
}
