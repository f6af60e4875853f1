//! Learning curves: an error measure over sessions, by a power law or an exponential.
//!
//! Both fall from a first error towards one that stays. Which law practice follows is disputed (Newell & Rosenbloom 1981
//! for the power law; Heathcote, Brown & Mewhort 2000, Psychon Bull Rev 7:185-207, for the exponential; from memory), so
//! both are fitted and the one that leaves less is kept.

use crate::stats::least_squares::{LeastSquares, least_squares};
use crate::stats::quantile::{f_upper_tail, t_quantile};
use nalgebra::{DMatrix, DVector};
use std::fmt;

/// Sessions, different ones, from which on a curve is fitted: three parameters leave at least two degrees of freedom.
pub const SESSIONS_NEEDED: usize = 5;

/// The law of a curve, y against the number n of the session, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Law {
    /// y = a + b·n^−c.
    Power,
    /// y = a + b·e^−cn.
    Exponential,
}

impl Law {
    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Law::Power => "power law",
            Law::Exponential => "exponential",
        }
    }

    fn basis(self, c: f64, n: f64) -> f64 {
        match self {
            Law::Power => n.powf(-c),
            Law::Exponential => (-c * n).exp(),
        }
    }

    /// Derivative of the basis by c.
    fn slope(self, c: f64, n: f64) -> f64 {
        match self {
            Law::Power => -n.ln() * n.powf(-c),
            Law::Exponential => -n * (-c * n).exp(),
        }
    }

    /// Rates within which a bend can be told: slower is a straight line (or a logarithm), faster is over at once.
    fn rates(self, sessions: &[f64]) -> [f64; 2] {
        let (first, last) = ends(sessions);
        match self {
            Law::Power => [0.02, 20.0],
            Law::Exponential => [0.02 / (last - first).max(1.0), 12.0],
        }
    }
}

fn ends(sessions: &[f64]) -> (f64, f64) {
    sessions
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), n| {
            (low.min(*n), high.max(*n))
        })
}

/// A fitted learning curve.
#[derive(Debug, Clone, PartialEq)]
pub struct LearningCurve {
    pub law: Law,
    /// The error that stays.
    pub a: f64,
    /// What is learned: the error lost between the first session and never.
    pub b: f64,
    /// How fast.
    pub c: f64,
    /// Half-widths of the 95 % intervals of a, b and c; that of a is `None` when it is held at 0.
    pub u95: [Option<f64>; 3],
    /// The best curve would end below zero, where no size of an error can lie: a is held at 0.
    pub held_at_zero: bool,
    /// Residual sum of squares.
    pub rss: f64,
    /// Values less parameters.
    pub df: usize,
    /// Covariance of the free parameters, in the order a (unless held), b, c.
    covariance: DMatrix<f64>,
}

/// Why there is no curve: the points then stand alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoCurve {
    TooFew {
        found: usize,
    },
    NotFinite,
    /// A fall is not told from chance: neither law explains more than chance would (F test, 5 %), nor do later sessions
    /// rank lower (Kendall's test, 5 %).
    NotFalling,
    /// Later sessions rank lower, but neither law explains more than chance would.
    OtherLaw,
    /// It falls, but how fast cannot be told from these sessions.
    NoBend,
}

impl fmt::Display for NoCurve {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            NoCurve::TooFew { found } => write!(
                f,
                "no curve: {found} {}, and a curve needs {SESSIONS_NEEDED}",
                if *found == 1 { "session" } else { "sessions" }
            ),
            NoCurve::NotFinite => f.write_str("no curve: a session's number or its error is not a number"),
            NoCurve::NotFalling => {
                f.write_str("no curve: a fall of the error is not told from chance over these sessions")
            }
            NoCurve::OtherLaw => f.write_str(
                "no curve: the error falls over these sessions, but neither as a power law nor as an exponential",
            ),
            NoCurve::NoBend => {
                f.write_str("no curve: how fast the error falls cannot be told from these sessions")
            }
        }
    }
}

impl LearningCurve {
    /// Height of the curve at session `n`.
    pub fn at(&self, n: f64) -> f64 {
        self.a + self.b * self.law.basis(self.c, n)
    }

    /// Half-width of the 95 % interval of the curve's height at session `n`, by linear propagation of the parameters'
    /// covariance; `None` where t cannot be had.
    pub fn u95_at(&self, n: f64) -> Option<f64> {
        let slopes = [1.0, self.law.basis(self.c, n), self.b * self.law.slope(self.c, n)];
        let g = DVector::from_column_slice(if self.held_at_zero { &slopes[1..] } else { &slopes });
        let variance = (g.transpose() * &self.covariance * &g)[(0, 0)];
        Some(t_quantile(0.975, self.df as f64).ok()? * variance.max(0.0).sqrt())
    }
}

/// The better of the two laws for errors over sessions, or why there is none.
///
/// `points` are the session's number, from 1, and the size of its error (zero or more); a session may have several.
///
/// # Errors
/// [`NoCurve`], when neither law can be fitted.
pub fn learning_curve(points: &[(f64, f64)]) -> Result<LearningCurve, NoCurve> {
    let power = fit(points, Law::Power);
    let exponential = fit(points, Law::Exponential);
    match (power, exponential) {
        (Ok(p), Ok(e)) => Ok(if e.rss < p.rss { e } else { p }),
        (Ok(one), Err(_)) | (Err(_), Ok(one)) => Ok(one),
        // One law may see the fall that the other is too stiff for.
        (Err(NoCurve::NotFalling), Err(other)) | (Err(other), Err(NoCurve::NotFalling)) => Err(other),
        (Err(why), Err(_)) => Err(why),
    }
    .map_err(|why| match why {
        NoCurve::NotFalling if ranks_fall(points) => NoCurve::OtherLaw,
        other => other,
    })
}

/// Whether later sessions rank lower than earlier ones by more than chance: one-sided exact test of Kendall's S at 5 %, on the
/// mean of each session (Mann 1945, Econometrica 13:245-259).
fn ranks_fall(points: &[(f64, f64)]) -> bool {
    let mut sessions: Vec<f64> = points.iter().map(|p| p.0).collect();
    sessions.sort_by(f64::total_cmp);
    sessions.dedup();
    let mean = |session: &f64| {
        let own: Vec<f64> = points.iter().filter(|p| p.0 == *session).map(|p| p.1).collect();
        own.iter().sum::<f64>() / own.len() as f64
    };
    let errors: Vec<f64> = sessions.iter().map(mean).collect();
    let pairs = || (0..errors.len()).flat_map(|i| (i + 1..errors.len()).map(move |j| (i, j)));
    // A tie counts as a rise.
    let rises = pairs().filter(|(i, j)| errors[*j] >= errors[*i]).count();
    orders_with_at_most(errors.len(), rises) < 0.05
}

/// Share of the orders of n different numbers in which at most so many pairs rise: the counts build up number by number.
fn orders_with_at_most(n: usize, rises: usize) -> f64 {
    let mut shares = vec![1.0];
    for next in 2..=n {
        let mut grown = vec![0.0; shares.len() + next - 1];
        for (at, share) in shares.iter().enumerate() {
            for more in 0..next {
                grown[at + more] += share / next as f64;
            }
        }
        shares = grown;
    }
    shares.iter().take(rises + 1).sum()
}

/// Fits one law by least squares; every point has the same weight.
///
/// # Formula
/// For given c the law is a straight line in its basis: variable projection (Golub & Pereyra 1973, SIAM J Numer Anal
/// 10:413-432) over c, on a grid of ln c, then by golden section. When a comes out below zero it is held at 0.
/// Covariance s²(JᵀJ)⁻¹ at the solution, s² = RSS/(n − p), intervals by t of n − p.
///
/// # Errors
/// [`NoCurve`]: fewer than [`SESSIONS_NEEDED`] different sessions, a value that is not finite, an error that cannot
/// be shown to fall, or a best c at the end of the range that could be told.
pub fn fit(points: &[(f64, f64)], law: Law) -> Result<LearningCurve, NoCurve> {
    let (n, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    if n.iter().chain(&y).any(|v| !v.is_finite()) || n.iter().any(|v| *v < 1.0) {
        return Err(NoCurve::NotFinite);
    }
    let mut different = n.clone();
    different.sort_by(f64::total_cmp);
    different.dedup();
    if different.len() < SESSIONS_NEEDED {
        return Err(NoCurve::TooFew {
            found: different.len(),
        });
    }
    match project(&n, &y, law, false) {
        Ok(curve) if curve.a < 0.0 => project(&n, &y, law, true),
        // A straight fall has no bend of its own, but it may be the beginning of a fall to 0.
        Err(Miss::Straight) => project(&n, &y, law, true),
        other => other,
    }
    .map_err(|miss| match miss {
        Miss::Straight | Miss::Sudden => NoCurve::NoBend,
        Miss::Flat => NoCurve::NotFalling,
    })
}

/// Why one projection gave no curve.
enum Miss {
    /// The best rate is the slowest that could be told.
    Straight,
    /// It is the fastest, or cannot be told.
    Sudden,
    Flat,
}

/// The linear fit at one rate.
fn linear(n: &[f64], y: &[f64], law: Law, c: f64, held: bool) -> Option<LeastSquares> {
    let basis: Vec<f64> = n.iter().map(|n| law.basis(c, *n)).collect();
    match held {
        true => least_squares(&[basis], y).ok(),
        false => least_squares(&[vec![1.0; n.len()], basis], y).ok(),
    }
}

fn project(n: &[f64], y: &[f64], law: Law, held: bool) -> Result<LearningCurve, Miss> {
    const GRID: usize = 80;
    let [low, high] = law.rates(n).map(f64::ln);
    let rss = |ln_c: f64| linear(n, y, law, ln_c.exp(), held).map_or(f64::INFINITY, |fit| fit.rss);
    let at = |i: usize| low + (high - low) * i as f64 / GRID as f64;
    let best = (0..=GRID)
        .map(|i| (i, rss(at(i))))
        .filter(|(_, rss)| rss.is_finite())
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(i, _)| i)
        .ok_or(Miss::Sudden)?;
    if best == 0 || best == GRID {
        // Is it that nothing falls, or that it falls too straight or too suddenly?
        let falls = linear(n, y, law, at(best).exp(), held)
            .and_then(|fit| fit.coefficients.last().map(|b| *b > 0.0))
            .unwrap_or(false);
        return Err(match (falls, best) {
            (false, _) => Miss::Flat,
            (true, 0) => Miss::Straight,
            (true, _) => Miss::Sudden,
        });
    }
    let c = golden(&rss, at(best - 1), at(best + 1)).exp();
    let fit = linear(n, y, law, c, held).ok_or(Miss::Sudden)?;
    let (a, b) = match (held, fit.coefficients.as_slice()) {
        (true, [b]) => (0.0, *b),
        (false, [a, b]) => (*a, *b),
        _ => return Err(Miss::Sudden),
    };
    if b <= 0.0 || !falls(y, fit.rss, if held { 2 } else { 3 }) {
        return Err(Miss::Flat);
    }
    finish(n, law, held, [a, b, c], fit.rss)
}

/// Whether the curve leaves less than one error for all sessions does, by more than chance: F test at 5 %.
fn falls(y: &[f64], rss: f64, parameters: usize) -> bool {
    let mean = y.iter().sum::<f64>() / y.len() as f64;
    let flat: f64 = y.iter().map(|y| (y - mean).powi(2)).sum();
    let (more, df) = ((parameters - 1) as f64, (y.len() - parameters) as f64);
    if rss <= 1e-20 * flat {
        return true;
    }
    f_upper_tail((flat - rss).max(0.0) / more / (rss / df), more, df).is_ok_and(|p| p < 0.05)
}

fn finish(n: &[f64], law: Law, held: bool, [a, b, c]: [f64; 3], rss: f64) -> Result<LearningCurve, Miss> {
    let free = if held { 2 } else { 3 };
    let df = n.len() - free;
    let jacobian = DMatrix::from_fn(n.len(), free, |i, j| match j + 3 - free {
        0 => 1.0,
        1 => law.basis(c, n[i]),
        _ => b * law.slope(c, n[i]),
    });
    let information = jacobian.transpose() * &jacobian;
    let covariance = information.try_inverse().ok_or(Miss::Sudden)? * (rss / df as f64);
    let t = t_quantile(0.975, df as f64).ok();
    let half = |j: usize| t.map(|t| t * covariance[(j, j)].max(0.0).sqrt());
    let u95 = match held {
        true => [None, half(0), half(1)],
        false => [half(0), half(1), half(2)],
    };
    Ok(LearningCurve {
        law,
        a,
        b,
        c,
        u95,
        held_at_zero: held,
        rss,
        df,
        covariance,
    })
}

/// Place of the least value between two ends, by golden section, to about 1e-9 of their distance.
fn golden(f: &dyn Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let share = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut left, mut right) = (high - share * (high - low), low + share * (high - low));
    let (mut f_left, mut f_right) = (f(left), f(right));
    for _ in 0..44 {
        if f_left <= f_right {
            (high, right, f_right) = (right, left, f_left);
            left = high - share * (high - low);
            f_left = f(left);
        } else {
            (low, left, f_left) = (left, right, f_right);
            right = low + share * (high - low);
            f_right = f(right);
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(law: Law, [a, b, c]: [f64; 3], sessions: u32) -> Vec<(f64, f64)> {
        (1..=sessions)
            .map(|n| (f64::from(n), a + b * law.basis(c, f64::from(n))))
            .collect()
    }

    #[test]
    fn a_curve_without_noise_comes_back() {
        for (law, truth) in [
            (Law::Power, [4.0, 16.0, 0.8]),
            (Law::Power, [1.0, 9.0, 2.5]),
            (Law::Exponential, [3.0, 20.0, 0.5]),
            (Law::Exponential, [0.5, 30.0, 0.12]),
        ] {
            let curve = learning_curve(&points(law, truth, 8)).unwrap();
            assert_eq!(curve.law, law);
            for (found, made) in [curve.a, curve.b, curve.c].into_iter().zip(truth) {
                assert!((found / made - 1.0).abs() < 1e-5, "{law:?} {curve:?}");
            }
            assert!(curve.rss < 1e-12 && curve.u95_at(3.0).unwrap() < 1e-4);
        }
    }

    #[test]
    fn what_would_end_below_zero_is_held_at_zero() {
        let falling: Vec<(f64, f64)> = (1..=6)
            .map(|n| (f64::from(n), 12.0 - 2.0 * f64::from(n)))
            .collect();
        let curve = learning_curve(&falling).unwrap();
        assert!(
            curve.held_at_zero && curve.a == 0.0 && curve.u95[0].is_none(),
            "{curve:?}"
        );
        assert_eq!(curve.df, 4);
    }

    #[test]
    fn without_enough_to_go_by_the_reason_is_said() {
        let four = points(Law::Power, [1.0, 5.0, 1.0], 4);
        assert_eq!(learning_curve(&four), Err(NoCurve::TooFew { found: 4 }));
        assert_eq!(learning_curve(&[]), Err(NoCurve::TooFew { found: 0 }));
        // Many tests in few sessions are still few sessions.
        assert_eq!(
            learning_curve(&[four.clone(), four].concat()),
            Err(NoCurve::TooFew { found: 4 })
        );
        let rising: Vec<(f64, f64)> = (1..=7).map(|n| (f64::from(n), f64::from(n))).collect();
        assert_eq!(learning_curve(&rising), Err(NoCurve::NotFalling));
        let flat: Vec<(f64, f64)> = (1..=7).map(|n| (f64::from(n), 5.0)).collect();
        assert!(learning_curve(&flat).is_err());
        assert_eq!(learning_curve(&[(f64::NAN, 1.0)]), Err(NoCurve::NotFinite));
        // Kendall, Rank Correlation Methods, table of the distribution of S (from memory): n = 5, S = 10 and 8.
        assert!((orders_with_at_most(5, 0) - 0.0083).abs() < 5e-5);
        assert!((orders_with_at_most(5, 1) - 0.042).abs() < 5e-4);
        // Tenfold in five sessions, but neither law's way: it falls all the same.
        let late: Vec<(f64, f64)> = [52.0, 50.0, 49.0, 47.0, 5.0]
            .into_iter()
            .zip(1..)
            .map(|(error, n)| (f64::from(n), error))
            .collect();
        assert_eq!(learning_curve(&late), Err(NoCurve::OtherLaw));
        assert!(NoCurve::OtherLaw.to_string().contains("the error falls"));
        // Known only from the first session on: learned at once, how fast cannot be told.
        let sudden: Vec<(f64, f64)> = (1..=7)
            .map(|n| (f64::from(n), if n == 1 { 9.0 } else { 2.0 }))
            .collect();
        assert_eq!(learning_curve(&sudden), Err(NoCurve::NoBend));
    }
}
