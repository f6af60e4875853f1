//! Intraclass correlation, all six forms, with exact intervals.

use super::Interval;
use super::anova::MeanSquares;
use crate::stats::Result;
use crate::stats::quantile::f_quantile;

/// The six forms. `None` where the numbers leave a form undefined (no spread between subjects nor within).
///
/// `one` compares each rating with any other; `agreement` counts differences between raters as error; `consistency`
/// does not. `_average` is that of the mean of all k ratings of a subject.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Icc {
    /// ICC(1).
    pub one: Option<Interval>,
    /// ICC(A,1).
    pub agreement: Option<Interval>,
    /// ICC(C,1).
    pub consistency: Option<Interval>,
    /// ICC(k).
    pub one_average: Option<Interval>,
    /// ICC(A,k).
    pub agreement_average: Option<Interval>,
    /// ICC(C,k).
    pub consistency_average: Option<Interval>,
}

/// Intraclass correlations from mean squares; `confidence` between 0 and 1.
///
/// # Formula
/// With n subjects, k raters: ICC(1) = (MSB − MSW)/(MSB + (k − 1)MSW);
/// ICC(A,1) = (MSB − MSE)/(MSB + (k − 1)MSE + k(MSJ − MSE)/n); ICC(C,1) = (MSB − MSE)/(MSB + (k − 1)MSE);
/// averages (MSB − MSW)/MSB, (MSB − MSE)/(MSB + (MSJ − MSE)/n), (MSB − MSE)/MSB. Intervals by F; that of
/// ICC(A) with Satterthwaite's degrees of freedom. With no error at all a coefficient is 1 and has no interval.
///
/// # Errors
/// A confidence that cannot be meant.
///
/// # Source
/// McGraw & Wong 1996, Psychol Methods 1:30–46; Shrout & Fleiss 1979, Psychol Bull 86:420–428.
pub fn icc(m: &MeanSquares, confidence: f64) -> Result<Icc> {
    let upper = 0.5 + confidence / 2.0;
    // Refuses a wrong confidence even where no interval is needed.
    f_quantile(upper, m.df_between(), m.df_within())?;
    let (n, k) = (m.subjects as f64, m.raters as f64);
    let one = ratio_form(m.between, m.within, k);
    let consistency = ratio_form(m.between, m.error, k);
    let raters = (m.rater - m.error) / n;
    let agreement = finite((m.between - m.error) / (m.between + (k - 1.0) * m.error + k * raters));
    let agreement_average = finite((m.between - m.error) / (m.between + raters));
    let (one_ends, one_average_ends) = f_ends(m.between / m.within, m.df_between(), m.df_within(), k, upper)?;
    let (c_ends, c_average_ends) = f_ends(m.between / m.error, m.df_between(), m.df_error(), k, upper)?;
    let a_ends = match agreement {
        Some(rho) => agreement_ends(m, rho, upper)?,
        None => None,
    };
    let stepped = a_ends.map(|e| e.map(|r| r * k / (1.0 + r * (k - 1.0))));
    Ok(Icc {
        one: with_ends(one, one_ends),
        agreement: with_ends(agreement, a_ends),
        consistency: with_ends(consistency, c_ends),
        one_average: with_ends(finite(1.0 - m.within / m.between), one_average_ends),
        agreement_average: with_ends(agreement_average, stepped),
        consistency_average: with_ends(finite(1.0 - m.error / m.between), c_average_ends),
    })
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn ratio_form(between: f64, rest: f64, k: f64) -> Option<f64> {
    finite((between - rest) / (between + (k - 1.0) * rest))
}

fn with_ends(value: Option<f64>, ends: Option<[f64; 2]>) -> Option<Interval> {
    let [low, high] = ends.unwrap_or([f64::NAN; 2]);
    Interval::finite(value?, low, high)
}

type Ends = Option<[f64; 2]>;

/// Ends of a single and of an average form that rest on one ratio of mean squares.
fn f_ends(f: f64, df1: f64, df2: f64, k: f64, upper: f64) -> Result<(Ends, Ends)> {
    if !f.is_finite() || f <= 0.0 {
        return Ok((None, None));
    }
    let low = f / f_quantile(upper, df1, df2)?;
    let high = f * f_quantile(upper, df2, df1)?;
    let single = |f: f64| (f - 1.0) / (f + k - 1.0);
    Ok((
        Some([single(low), single(high)]),
        Some([1.0 - 1.0 / low, 1.0 - 1.0 / high]),
    ))
}

/// Ends of ICC(A,1) (McGraw & Wong 1996, table 7).
fn agreement_ends(m: &MeanSquares, rho: f64, upper: f64) -> Result<Ends> {
    let (n, k) = (m.subjects as f64, m.raters as f64);
    let a = k * rho / (n * (1.0 - rho));
    let b = 1.0 + k * rho * (n - 1.0) / (n * (1.0 - rho));
    let (raters, error) = (a * m.rater, b * m.error);
    let df = (raters + error).powi(2) / (raters * raters / m.df_rater() + error * error / m.df_error());
    if !(df.is_finite() && df > 0.0) {
        return Ok(None);
    }
    let f_low = f_quantile(upper, m.df_between(), df)?;
    let f_high = f_quantile(upper, df, m.df_between())?;
    let rest = k * m.rater + (k * n - k - n) * m.error;
    let low = n * (m.between - f_low * m.error) / (f_low * rest + n * m.between);
    let high = n * (f_high * m.between - m.error) / (rest + n * f_high * m.between);
    Ok((low.is_finite() && high.is_finite()).then_some([low, high]))
}

/// Large-sample standard error of ICC(C,1) or ICC(1) with value `rho`, n subjects and k raters.
///
/// # Formula
/// √(2(1 − ρ)²(1 + (k − 1)ρ)²/(k(n − 1)(k − 1))).
///
/// # Source
/// Fisher 1925, Statistical Methods for Research Workers, section 39 (from memory); checked on the published value
/// of another program.
pub fn standard_error(rho: f64, subjects: usize, raters: usize) -> Option<f64> {
    let (n, k) = (subjects as f64, raters as f64);
    let top = 2.0 * (1.0 - rho).powi(2) * (1.0 + (k - 1.0) * rho).powi(2);
    finite((top / (k * (n - 1.0) * (k - 1.0))).sqrt())
}

#[cfg(test)]
mod tests {
    use super::super::anova::mean_squares;
    use super::*;

    #[test]
    fn ratings_that_always_agree_have_a_coefficient_of_one_and_no_interval() {
        let m = mean_squares(&[[1.0, 1.0], [2.0, 2.0], [4.0, 4.0]]).unwrap();
        let all = icc(&m, 0.95).unwrap();
        for form in [
            all.one,
            all.agreement,
            all.consistency,
            all.one_average,
            all.consistency_average,
        ] {
            assert_eq!(form, Some(Interval::bare(1.0)));
        }
    }

    #[test]
    fn constant_ratings_have_no_coefficient() {
        let m = mean_squares(&[[2.5; 3]; 4]).unwrap();
        assert_eq!(icc(&m, 0.95).unwrap(), Icc::default());
    }

    #[test]
    fn a_constant_shift_of_one_rater_spares_consistency_only() {
        let m = mean_squares(&[[1.0, 3.0], [2.0, 4.0], [4.0, 6.0]]).unwrap();
        let all = icc(&m, 0.95).unwrap();
        // By hand: MSB = 14/3, MSJ = 6, MSE = 0, MSW = 2; ICC(A,1) = (14/3)/(14/3 + 4), ICC(1) = (8/3)/(20/3).
        assert!((all.consistency.unwrap().value - 1.0).abs() < 1e-14);
        assert!((all.agreement.unwrap().value - 7.0 / 13.0).abs() < 1e-14);
        assert!((all.one.unwrap().value - 0.4).abs() < 1e-14);
    }

    #[test]
    fn a_confidence_that_cannot_be_meant_is_refused() {
        let m = mean_squares(&[[1.0, 3.0], [2.0, 5.0]]).unwrap();
        assert!(icc(&m, 1.0).is_err());
    }
}
