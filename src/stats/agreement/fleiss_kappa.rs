//! Fleiss's kappa: several raters, no order of categories.

use super::Interval;
use crate::stats::quantile::t_quantile;
use crate::stats::{StatsResult, StatsError};

/// Fleiss's kappa with its errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FleissKappa {
    /// Agreement beyond chance.
    pub kappa: Interval,
    /// Standard error over subjects.
    pub se: f64,
    /// Standard error if there were no agreement beyond chance.
    pub se_null: f64,
    /// Kappa over its standard error.
    pub z: Option<f64>,
    /// Mean share of agreeing pairs, and that of chance.
    pub observed: f64,
    /// Agreement expected by chance.
    pub expected: f64,
    /// How many were rated.
    pub subjects: usize,
    /// Ratings of each.
    pub raters: usize,
}

/// Fleiss's kappa from counts: one row a subject, one column a category, every row with the same sum m.
///
/// # Formula
/// P_i = (Σ n² − m)/(m(m − 1)), p_j the share of category j, p_e = Σ p_j², κ = (P̄ − p_e)/(1 − p_e).
/// SE₀² = 2[(Σpq)² − Σpq(q − p)]/(N m(m − 1)(Σpq)²). For the interval the subjects are the sample:
/// κ_i = (P_i − p_e)/(1 − p_e) − 2(1 − κ)(p_e,i − p_e)/(1 − p_e), p_e,i = Σ p_j n_ij/m,
/// SE² = Σ(κ_i − κ)²/(N(N − 1)), t with N − 1 degrees of freedom.
///
/// # Errors
/// Fewer than two subjects or raters, rows with different sums, one category only.
///
/// # Source
/// Fleiss 1971, Psychol Bull 76:378–382; SE₀ Fleiss, Nee & Landis 1979, Psychol Bull 86:974–977; SE Gwet 2021, Educ
/// Psychol Meas 81:781–790 (from memory), checked against the jackknife.
pub fn fleiss_kappa<R: AsRef<[u32]>>(counts: &[R], confidence: f64) -> StatsResult<FleissKappa> {
    const WHAT: &str = "Fleiss's kappa";
    let undetermined = |why| StatsError::Undetermined { what: WHAT, why };
    let subjects = counts.len();
    let sum = |row: &R| row.as_ref().iter().sum::<u32>();
    let raters = counts.first().map_or(0, sum);
    if subjects < 2 || raters < 2 {
        return Err(undetermined(
            "two subjects called by two examiners are needed at least",
        ));
    }
    let categories = counts[0].as_ref().len();
    if counts
        .iter()
        .any(|r| sum(r) != raters || r.as_ref().len() != categories)
    {
        return Err(undetermined("every subject must be called equally often"));
    }
    let (n, m) = (subjects as f64, f64::from(raters));
    let share: Vec<f64> = (0..categories)
        .map(|j| counts.iter().map(|r| f64::from(r.as_ref()[j])).sum::<f64>() / (n * m))
        .collect();
    let expected: f64 = share.iter().map(|p| p * p).sum();
    let rest = 1.0 - expected;
    if rest < 1e-12 {
        return Err(undetermined(
            "all calls are one and the same word, so chance alone would agree as often",
        ));
    }
    let agree = |row: &R| {
        let squares: f64 = row.as_ref().iter().map(|c| f64::from(*c).powi(2)).sum();
        (squares - m) / (m * (m - 1.0))
    };
    let observed = counts.iter().map(agree).sum::<f64>() / n;
    let kappa = (observed - expected) / rest;
    let squares: f64 = counts
        .iter()
        .map(|row| {
            let own: f64 = row
                .as_ref()
                .iter()
                .zip(&share)
                .map(|(c, p)| p * f64::from(*c) / m)
                .sum();
            let influence = (agree(row) - expected) / rest - 2.0 * (1.0 - kappa) * (own - expected) / rest;
            (influence - kappa).powi(2)
        })
        .sum();
    let se = (squares / (n * (n - 1.0))).sqrt();
    let pq: f64 = share.iter().map(|p| p * (1.0 - p)).sum();
    let skew: f64 = share.iter().map(|p| p * (1.0 - p) * (1.0 - 2.0 * p)).sum();
    let se_null = (2.0 * (pq * pq - skew) / (n * m * (m - 1.0))).max(0.0).sqrt() / pq;
    let t = t_quantile(0.5 + confidence / 2.0, n - 1.0)?;
    Ok(FleissKappa {
        kappa: Interval {
            value: kappa,
            low: Some(kappa - t * se),
            high: Some(kappa + t * se),
        },
        se,
        se_null,
        z: (se_null > 0.0).then(|| kappa / se_null),
        observed,
        expected,
        subjects,
        raters: raters as usize,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn subjects_called_unequally_often_and_one_word_are_refused() {
        let said = fleiss_kappa(&[[3, 0], [1, 1]], 0.95).unwrap_err().to_string();
        assert!(said.contains("equally often"), "{said}");
        assert!(fleiss_kappa(&[[3, 0], [3, 0]], 0.95).is_err());
        assert!(fleiss_kappa(&[[1, 0], [0, 1]], 0.95).is_err());
    }

    #[test]
    fn full_agreement_on_two_words_is_one() {
        let k = fleiss_kappa(&[[3, 0], [0, 3], [3, 0]], 0.95).unwrap();
        assert!((k.kappa.value - 1.0).abs() < 1e-15 && k.se < 1e-12);
    }

    #[test]
    fn the_standard_error_is_near_that_of_the_jackknife() {
        // The first ten subjects of the example of an encyclopaedia, doubled; the jackknife needs no formula.
        let rows: Vec<[u32; 3]> = (0..40u32)
            .map(|i| {
                let a = (i * 7 + i * i) % 5;
                let b = (i * 3) % (6 - a).max(1);
                [a, b, 5 - a - b.min(5 - a)]
            })
            .map(|r| [r[0], 5 - r[0] - r[2], r[2]])
            .collect();
        let all = fleiss_kappa(&rows, 0.95).unwrap();
        let n = rows.len() as f64;
        let left_out: Vec<f64> = (0..rows.len())
            .map(|i| {
                let mut rest = rows.clone();
                rest.remove(i);
                fleiss_kappa(&rest, 0.95).unwrap().kappa.value
            })
            .collect();
        let mean = left_out.iter().sum::<f64>() / n;
        let jackknife = ((n - 1.0) / n * left_out.iter().map(|k| (k - mean).powi(2)).sum::<f64>()).sqrt();
        assert!((all.se / jackknife - 1.0).abs() < 0.05, "{} {jackknife}", all.se);
        // t(0.975) with 39 degrees of freedom is 2.0227 (tables).
        let [low, high] = [all.kappa.low, all.kappa.high].map(|end| (end.unwrap() - all.kappa.value) / all.se);
        assert!((low + 2.0227).abs() < 1e-4 && (high - 2.0227).abs() < 1e-4, "{low} {high}");
    }
}
