//! Is a difference beyond a margin, or inside it? Intervals, the minimum-effect test, equivalence.

use super::expanded::welch_satterthwaite;
use super::quantile::{t_quantile, t_upper_tail};
use super::{Result, StatsError, check_pairs, check_values, moments};

/// An estimate with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// The difference itself.
    pub estimate: f64,
    /// Standard error, zero or more.
    pub se: f64,
    /// Degrees of freedom of the standard error; infinite when it is taken as known.
    pub df: f64,
}

impl Difference {
    /// Probability of a t at least this far above `bound` if the truth lay on it. Without error (`se` = 0) the
    /// answer is 0 above, 1 below and one half on the bound.
    fn p_above(&self, bound: f64) -> Result<f64> {
        let excess = self.estimate - bound;
        if self.se == 0.0 {
            let p = if excess > 0.0 { 0.0 } else { 1.0 };
            return Ok(if excess == 0.0 { 0.5 } else { p });
        }
        t_upper_tail(excess / self.se, self.df)
    }

    fn mirrored(&self) -> Difference {
        Difference {
            estimate: -self.estimate,
            ..*self
        }
    }

    /// Two-sided interval that holds the truth with probability `confidence` (0 to 1, both excluded).
    ///
    /// # Formula
    /// estimate ± t(½ + confidence/2, df)·se.
    ///
    /// # Errors
    /// `confidence` or `df` out of range.
    pub fn interval(&self, confidence: f64) -> Result<[f64; 2]> {
        let half = t_quantile(0.5 + confidence / 2.0, self.df)? * self.se;
        Ok([self.estimate - half, self.estimate + half])
    }
}

/// One-sided p that the truth lies above `bound` (any finite number).
///
/// # Formula
/// P(T ≥ (d − bound)/se).
///
/// # Errors
/// `df` out of range.
pub fn above_p(difference: &Difference, bound: f64) -> Result<f64> {
    difference.p_above(bound)
}

/// p of the minimum-effect test: is the truth beyond `margin`, on the side the estimate lies on?
///
/// `margin` in the unit of the estimate, zero or more. With the truth anywhere inside ±margin the answer is at
/// most α no more than α of the time, whatever the error: the second term, the chance of landing as far beyond
/// the other margin, only shows where the error is large against the margin, and makes a margin of zero the
/// usual two-sided test.
///
/// # Formula
/// P(T ≥ (|d| − margin)/se) + P(T ≥ (|d| + margin)/se).
///
/// # Errors
/// A negative margin or `df` out of range.
///
/// # Source
/// McCarthy & Smyth 2009, Bioinformatics 25:765–771 (from memory).
pub fn minimum_effect_p(difference: &Difference, margin: f64) -> Result<f64> {
    check_margin(margin)?;
    let outward = if difference.estimate < 0.0 {
        difference.mirrored()
    } else {
        *difference
    };
    Ok((outward.p_above(margin)? + outward.p_above(-margin)?).min(1.0))
}

/// p of two one-sided tests: small when the truth lies inside ±`margin`.
///
/// The same as asking whether the interval of confidence 1 − 2α lies inside the margin.
///
/// # Formula
/// max of P(T ≥ (d + margin)/se) and P(T ≥ (margin − d)/se).
///
/// # Errors
/// A negative margin or `df` out of range.
///
/// # Source
/// Schuirmann 1987, J Pharmacokinet Biopharm 15:657–680 (from memory); checked against scipy.
pub fn equivalence_p(difference: &Difference, margin: f64) -> Result<f64> {
    check_margin(margin)?;
    let lower = difference.p_above(-margin)?;
    let upper = difference.mirrored().p_above(-margin)?;
    Ok(lower.max(upper))
}

fn check_margin(margin: f64) -> Result<()> {
    if margin >= 0.0 && margin.is_finite() {
        return Ok(());
    }
    Err(StatsError::Range {
        what: "the margin",
        found: margin,
        expected: "a finite number, zero or more",
    })
}

/// Mean of paired differences `a − b` with its standard error, n − 1 degrees of freedom.
///
/// # Errors
/// Lengths that differ, fewer than two pairs, a value that is not finite.
pub fn paired_difference(a: &[f64], b: &[f64]) -> Result<Difference> {
    check_pairs("a paired difference", a, b, 2)?;
    let d: Vec<f64> = a.iter().zip(b).map(|(a, b)| a - b).collect();
    let n = d.len() as f64;
    Ok(Difference {
        estimate: moments::mean(&d)?,
        se: moments::sd(&d)? / n.sqrt(),
        df: n - 1.0,
    })
}

/// Difference of two means `a − b`, variances not assumed equal.
///
/// # Formula
/// se² = v_a + v_b with v = s²/n; df = (v_a + v_b)²/(v_a²/(n_a − 1) + v_b²/(n_b − 1)).
///
/// # Errors
/// Fewer than two values on a side, or no spread on either.
///
/// # Source
/// Welch 1947, Biometrika 34:28–35.
pub fn welch_difference(a: &[f64], b: &[f64]) -> Result<Difference> {
    check_values("a difference of means", a, 2)?;
    check_values("a difference of means", b, 2)?;
    let (na, nb) = (a.len() as f64, b.len() as f64);
    let (va, vb) = (moments::variance(a)? / na, moments::variance(b)? / nb);
    if va + vb == 0.0 {
        return Err(StatsError::Undetermined {
            what: "a difference of means",
            why: "neither side varies at all, so its error cannot be told",
        });
    }
    let (variance, df) = welch_satterthwaite([(va, na - 1.0), (vb, nb - 1.0)]);
    Ok(Difference {
        estimate: moments::mean(a)? - moments::mean(b)?,
        se: variance.sqrt(),
        df,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const KNOWN: f64 = f64::INFINITY;

    fn d(estimate: f64, se: f64, df: f64) -> Difference {
        Difference { estimate, se, df }
    }

    #[test]
    fn on_the_margin_the_minimum_effect_p_is_one_half() {
        for sign in [-1.0, 1.0] {
            let p = minimum_effect_p(&d(sign * 0.15, 0.02, 60.0), 0.15).unwrap();
            assert!((p - 0.5).abs() < 1e-12, "{p}");
        }
    }

    #[test]
    fn without_a_margin_the_minimum_effect_test_is_the_two_sided_t_test() {
        // t = 2.228138851986274 has two-sided p 0.05 with 10 degrees of freedom (scipy 1.17.1).
        let p = minimum_effect_p(&d(-2.228_138_851_986_274, 1.0, 10.0), 0.0).unwrap();
        assert!((p - 0.05).abs() < 1e-9, "{p}");
    }

    #[test]
    fn equivalence_agrees_with_the_ninety_percent_interval() {
        for estimate in [-0.12, -0.05, 0.0, 0.03, 0.08, 0.2] {
            let d = d(estimate, 0.04, 12.0);
            let [low, high] = d.interval(0.90).unwrap();
            let inside = low > -0.15 && high < 0.15;
            assert_eq!(equivalence_p(&d, 0.15).unwrap() < 0.05, inside, "{estimate}");
        }
    }

    #[test]
    fn a_known_error_uses_the_normal() {
        let [low, high] = d(0.0, 1.0, KNOWN).interval(0.95).unwrap();
        assert!((high - 1.959_963_984_540_054).abs() < 1e-9 && low == -high);
    }

    #[test]
    fn without_error_the_answer_is_plain() {
        assert_eq!(minimum_effect_p(&d(0.2, 0.0, 4.0), 0.15), Ok(0.0));
        assert_eq!(minimum_effect_p(&d(0.1, 0.0, 4.0), 0.15), Ok(1.0));
        assert_eq!(minimum_effect_p(&d(0.0, 0.0, 4.0), 0.0), Ok(1.0));
        assert_eq!(equivalence_p(&d(0.1, 0.0, 4.0), 0.15), Ok(0.0));
        assert!(minimum_effect_p(&d(0.1, 0.1, 4.0), -0.1).is_err());
    }
}
