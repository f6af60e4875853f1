//! Cohen's kappa: two raters, plain or weighted.

use super::Interval;
use crate::stats::quantile::normal_quantile;
use crate::stats::{Result, StatsError};

/// How much a disagreement counts, by how many categories it spans.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weights {
    /// All disagreements alike.
    Plain,
    /// 1 − |i − j|/(c − 1).
    Linear,
    /// 1 − (i − j)²/(c − 1)².
    Quadratic,
}

impl Weights {
    /// The word in tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Weights::Plain => "plain",
            Weights::Linear => "linear",
            Weights::Quadratic => "quadratic",
        }
    }

    /// Weight of agreement of category i with category j out of `categories`.
    pub fn weight(self, i: usize, j: usize, categories: usize) -> f64 {
        let apart = i.abs_diff(j) as f64;
        let most = categories.saturating_sub(1).max(1) as f64;
        match self {
            Weights::Plain => f64::from(i == j),
            Weights::Linear => 1.0 - apart / most,
            Weights::Quadratic => 1.0 - (apart / most).powi(2),
        }
    }
}

/// A kappa with its errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kappa {
    /// Agreement beyond chance.
    pub kappa: Interval,
    /// Standard error of the estimate; `None` where every rating falls on the diagonal.
    pub se: f64,
    /// Standard error if there were no agreement beyond chance.
    pub se_null: f64,
    /// kappa over `se_null`.
    pub z: Option<f64>,
    /// Weighted share of agreement observed, and that of chance.
    pub observed: f64,
    /// Agreement expected by chance.
    pub expected: f64,
    /// How many were rated twice.
    pub n: f64,
}

/// Kappa of a square table of counts, rows first rater, columns second, with weights by distance.
///
/// # Errors
/// As [`kappa_weighted`].
pub fn kappa<R: AsRef<[f64]>>(table: &[R], weights: Weights, confidence: f64) -> Result<Kappa> {
    let c = table.len();
    let w: Vec<Vec<f64>> = (0..c)
        .map(|i| (0..c).map(|j| weights.weight(i, j, c)).collect())
        .collect();
    kappa_weighted(table, &w, confidence)
}

/// Kappa with any weights of agreement (1 on the diagonal); weights of disagreement v become 1 − v/max v.
///
/// # Formula
/// κ = (p_o − p_e)/(1 − p_e), p_o = Σ w p, p_e = Σ w p_i. p_.j; with w̄_i. = Σ_j p_.j w, w̄_.j = Σ_i p_i. w:
/// SE² = {Σ p[w(1 − p_e) − (w̄_i. + w̄_.j)(1 − p_o)]² − (p_o p_e − 2p_e + p_o)²}/(n(1 − p_e)⁴);
/// without agreement SE₀² = {Σ p_i. p_.j [w − (w̄_i. + w̄_.j)]² − p_e²}/(n(1 − p_e)²). Interval κ ± z·SE.
///
/// # Errors
/// A table that is not square, has fewer than two categories, holds a negative count or none at all, or in which both
/// raters used one and the same category only: chance alone then agrees always.
///
/// # Source
/// Cohen 1968, Psychol Bull 70:213–220; Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323–327.
pub fn kappa_weighted<R: AsRef<[f64]>, W: AsRef<[f64]>>(
    table: &[R],
    weights: &[W],
    confidence: f64,
) -> Result<Kappa> {
    const WHAT: &str = "kappa";
    let c = table.len();
    let square = |rows: usize, lengths: bool| rows == c && lengths;
    let lengths = table.iter().all(|r| r.as_ref().len() == c);
    if c < 2 || !lengths || !square(weights.len(), weights.iter().all(|r| r.as_ref().len() == c)) {
        return Err(StatsError::Undetermined {
            what: WHAT,
            why: "the table of counts must be square, with two categories or more",
        });
    }
    let counts = || table.iter().flat_map(|r| r.as_ref().iter().copied());
    let n: f64 = counts().sum();
    if counts().any(|v| !(v.is_finite() && v >= 0.0)) || n <= 0.0 {
        return Err(StatsError::Undetermined {
            what: WHAT,
            why: "there are no pairs of calls to count",
        });
    }
    let p = |i: usize, j: usize| table[i].as_ref()[j] / n;
    let w = |i: usize, j: usize| weights[i].as_ref()[j];
    let row: Vec<f64> = (0..c).map(|i| (0..c).map(|j| p(i, j)).sum()).collect();
    let column: Vec<f64> = (0..c).map(|j| (0..c).map(|i| p(i, j)).sum()).collect();
    let cells = || (0..c).flat_map(|i| (0..c).map(move |j| (i, j)));
    let observed: f64 = cells().map(|(i, j)| w(i, j) * p(i, j)).sum();
    let expected: f64 = cells().map(|(i, j)| w(i, j) * row[i] * column[j]).sum();
    let rest = 1.0 - expected;
    if rest < 1e-12 {
        return Err(StatsError::Undetermined {
            what: WHAT,
            why: "both used one and the same word only, so chance alone would agree as often",
        });
    }
    let by_row: Vec<f64> = (0..c)
        .map(|i| (0..c).map(|j| column[j] * w(i, j)).sum())
        .collect();
    let by_column: Vec<f64> = (0..c).map(|j| (0..c).map(|i| row[i] * w(i, j)).sum()).collect();
    let spread: f64 = cells()
        .map(|(i, j)| p(i, j) * (w(i, j) * rest - (by_row[i] + by_column[j]) * (1.0 - observed)).powi(2))
        .sum();
    let centre = observed * expected - 2.0 * expected + observed;
    let se = (spread - centre * centre).max(0.0).sqrt() / (n.sqrt() * rest * rest);
    let spread_null: f64 = cells()
        .map(|(i, j)| row[i] * column[j] * (w(i, j) - by_row[i] - by_column[j]).powi(2))
        .sum();
    let se_null = (spread_null - expected * expected).max(0.0).sqrt() / (n.sqrt() * rest);
    let value = (observed - expected) / rest;
    let z = normal_quantile(0.5 + confidence / 2.0)?;
    Ok(Kappa {
        kappa: Interval {
            value,
            low: Some(value - z * se),
            high: Some(value + z * se),
        },
        se,
        se_null,
        z: (se_null > 0.0).then(|| value / se_null),
        observed,
        expected,
        n,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agreement_by_chance_alone_is_a_kappa_of_nought() {
        let k = kappa(&[[9.0, 3.0], [3.0, 1.0]], Weights::Plain, 0.95).unwrap();
        assert!(k.kappa.value.abs() < 1e-15 && (k.observed - 0.625).abs() < 1e-15);
        // Two categories: all weights are the same.
        let q = kappa(&[[9.0, 3.0], [3.0, 1.0]], Weights::Quadratic, 0.95).unwrap();
        assert_eq!(k, q);
    }

    #[test]
    fn one_word_only_has_no_kappa() {
        let said = kappa(&[[7.0, 0.0], [0.0, 0.0]], Weights::Plain, 0.95)
            .unwrap_err()
            .to_string();
        assert!(said.contains("one and the same word"), "{said}");
        assert!(kappa(&[[0.0, 0.0], [0.0, 0.0]], Weights::Plain, 0.95).is_err());
        assert!(kappa(&[vec![1.0, 2.0], vec![1.0]], Weights::Plain, 0.95).is_err());
        assert!(kappa(&[[4.0]], Weights::Plain, 0.95).is_err());
    }

    #[test]
    fn calls_that_always_agree_have_a_kappa_of_one() {
        let k = kappa(&[[5.0, 0.0], [0.0, 3.0]], Weights::Linear, 0.95).unwrap();
        assert_eq!((k.kappa.value, k.se), (1.0, 0.0));
    }
}
