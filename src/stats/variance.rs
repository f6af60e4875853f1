//! Variances of several groups: pooled, tested for being equal, moderated when they are not.

use super::quantile::chi_square_upper_tail;
use super::{Result, StatsError};
use statrs::function::gamma::digamma;

/// A sample variance with its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Variance {
    /// The variance.
    pub value: f64,
    /// Degrees of freedom.
    pub df: f64,
}

/// Variances at or below this share of the group median count as this share: a variance of zero, which
/// rounding makes, has no logarithm. The share is a choice: small enough to leave real ones alone.
const FLOOR: f64 = 1e-5;

/// Pools variances: Σ df·s² / Σ df. Groups without degrees of freedom add nothing.
///
/// # Errors
/// No group with degrees of freedom, or a value that is negative or not finite.
pub fn pooled(groups: &[Variance]) -> Result<Variance> {
    let kept = usable(groups, 1, "a pooled variance")?;
    let df = kept.iter().map(|g| g.df).sum::<f64>();
    let squares = kept.iter().map(|g| g.df * g.value).sum::<f64>();
    Ok(Variance {
        value: squares / df,
        df,
    })
}

/// What a test of equal variances says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EqualVariances {
    /// The test statistic.
    pub statistic: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Probability of as much or more when all variances are equal.
    pub p: f64,
}

/// Bartlett's test that all variances are equal.
///
/// # Formula
/// T = (ν ln s² − Σ νᵢ ln sᵢ²) / (1 + (Σ 1/νᵢ − 1/ν)/(3(k − 1))), ν = Σνᵢ, s² pooled; chi-square with k − 1.
///
/// # Errors
/// Fewer than two groups with degrees of freedom, a negative value, or no spread in any group.
///
/// # Source
/// Bartlett 1937, Proc R Soc Lond A 160:268–282.
pub fn bartlett(groups: &[Variance]) -> Result<EqualVariances> {
    let kept = floored(&usable(groups, 2, "a test of equal variances")?)?;
    let all = pooled(&kept)?;
    let k = kept.len() as f64;
    let logs = kept.iter().map(|g| g.df * g.value.ln()).sum::<f64>();
    let inverses = kept.iter().map(|g| 1.0 / g.df).sum::<f64>();
    let correction = 1.0 + (inverses - 1.0 / all.df) / (3.0 * (k - 1.0));
    let statistic = ((all.df * all.value.ln() - logs) / correction).max(0.0);
    Ok(EqualVariances {
        statistic,
        df: k - 1.0,
        p: chi_square_upper_tail(statistic, k - 1.0)?,
    })
}

/// Each group's variance drawn toward a common prior.
#[derive(Debug, Clone, PartialEq)]
pub struct Moderated {
    /// The prior; infinite degrees of freedom when the groups differ no more than chance lets them.
    pub prior: Variance,
    /// One for each group given, in order; a group without own degrees of freedom gets the prior. Degrees of
    /// freedom never exceed those of all groups together.
    pub groups: Vec<Variance>,
}

/// Moderates variances by empirical Bayes: group variances are taken as draws around a prior (s₀², d₀ degrees
/// of freedom) estimated from all of them.
///
/// # Formula
/// e = ln s² − ψ(d/2) + ln(d/2); ψ′(d₀/2) = var(e) − mean ψ′(d/2); ln s₀² = mean(e) + ψ(d₀/2) − ln(d₀/2);
/// moderated s² = (d₀s₀² + d·s²)/(d₀ + d) with d₀ + d degrees of freedom, at most Σd. Where var(e) leaves nothing
/// for the prior, d₀ is infinite and every group gets the pooled variance.
///
/// # Errors
/// As [`bartlett`].
///
/// # Source
/// Smyth 2004, Stat Appl Genet Mol Biol 3(1):3 (from memory); checked on an independent port of limma.
pub fn moderate(groups: &[Variance]) -> Result<Moderated> {
    let kept = floored(&usable(groups, 2, "moderated variances")?)?;
    let all = pooled(&kept)?;
    let n = kept.len() as f64;
    let logs: Vec<f64> = kept
        .iter()
        .map(|g| g.value.ln() - digamma(g.df / 2.0) + (g.df / 2.0).ln())
        .collect();
    let noise = kept.iter().map(|g| trigamma(g.df / 2.0)).sum::<f64>() / n;
    let left_over = super::moments::variance(&logs)? - noise;
    if left_over <= 0.0 {
        return Ok(Moderated {
            prior: Variance {
                value: all.value,
                df: f64::INFINITY,
            },
            groups: vec![all; groups.len()],
        });
    }
    let half = inverse_trigamma(left_over);
    let prior = Variance {
        value: (super::moments::mean(&logs)? + digamma(half) - half.ln()).exp(),
        df: 2.0 * half,
    };
    let toward = |g: &Variance| {
        let df = prior.df + g.df;
        Variance {
            value: (prior.df * prior.value + g.df * g.value) / df,
            df: df.min(all.df),
        }
    };
    Ok(Moderated {
        prior,
        groups: groups.iter().map(toward).collect(),
    })
}

/// Groups with degrees of freedom, all of them sound, at least `needed`.
fn usable(groups: &[Variance], needed: usize, what: &'static str) -> Result<Vec<Variance>> {
    let kept: Vec<Variance> = groups.iter().copied().filter(|g| g.df > 0.0).collect();
    if kept
        .iter()
        .any(|g| !g.value.is_finite() || !g.df.is_finite() || g.value < 0.0)
    {
        return Err(StatsError::NotFinite { what });
    }
    if kept.len() < needed {
        return Err(StatsError::TooFew {
            what,
            needed,
            found: kept.len(),
        });
    }
    Ok(kept)
}

fn floored(groups: &[Variance]) -> Result<Vec<Variance>> {
    let values: Vec<f64> = groups.iter().map(|g| g.value).collect();
    let floor = FLOOR * super::moments::median(&values)?;
    if floor <= 0.0 {
        return Err(StatsError::Undetermined {
            what: "a test of equal variances",
            why: "most groups do not vary at all",
        });
    }
    let raise = |g: &Variance| Variance {
        value: g.value.max(floor),
        ..*g
    };
    Ok(groups.iter().map(raise).collect())
}

/// ψ′(x) for x > 0: recurrence up to 10, then the asymptotic series (Abramowitz & Stegun 6.4.6, 6.4.12).
fn trigamma(x: f64) -> f64 {
    let (mut x, mut sum) = (x, 0.0);
    while x < 10.0 {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let r = 1.0 / (x * x);
    let series = 1.0 / 6.0 - r * (1.0 / 30.0 - r * (1.0 / 42.0 - r * (1.0 / 30.0 - r * 5.0 / 66.0)));
    sum + 1.0 / x + r / 2.0 + series * r / x
}

/// Solves ψ′(x) = y for y > 0 by bisection on ln x: ψ′ falls from infinity to 0, so there is one root.
fn inverse_trigamma(y: f64) -> f64 {
    // ψ′(x) lies between 1/x and 1/x + 1/x².
    let (mut low, mut high) = ((1.0 / y).ln(), ((1.0 + (1.0 + 4.0 * y).sqrt()) / (2.0 * y)).ln());
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if trigamma(middle.exp()) > y {
            low = middle;
        } else {
            high = middle;
        }
    }
    (0.5 * (low + high)).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trigamma_has_its_closed_forms() {
        // psi'(1) = pi^2/6, psi'(1/2) = pi^2/2 (Abramowitz & Stegun 6.4.2 and 6.4.4).
        let pi2 = std::f64::consts::PI.powi(2);
        assert!((trigamma(1.0) - pi2 / 6.0).abs() < 1e-12);
        assert!((trigamma(0.5) - pi2 / 2.0).abs() < 1e-12);
        for x in [0.01, 0.5, 3.0, 80.0, 1e5] {
            assert!((inverse_trigamma(trigamma(x)) / x - 1.0).abs() < 1e-9, "{x}");
        }
    }

    #[test]
    fn pooling_weighs_by_degrees_of_freedom() {
        let v = |value, df| Variance { value, df };
        assert_eq!(pooled(&[v(2.0, 1.0), v(5.0, 2.0), v(9.0, 0.0)]), Ok(v(4.0, 3.0)));
        assert!(pooled(&[v(2.0, 0.0)]).is_err());
        assert!(pooled(&[v(-2.0, 1.0)]).is_err());
    }

    #[test]
    fn moderation_lends_no_more_degrees_of_freedom_than_there_are() {
        // var(ln s^2) = 3.2^2/2 = 5.12, just over psi'(1/2) = 4.93: a strong prior, but only two degrees in all.
        let groups = [1.0, 3.2_f64.exp()].map(|value| Variance { value, df: 1.0 });
        let m = moderate(&groups).unwrap();
        assert!(m.prior.df > 10.0 && m.prior.df.is_finite(), "{m:?}");
        assert!(m.groups.iter().all(|g| g.df == 2.0));
    }

    #[test]
    fn equal_variances_have_a_statistic_of_zero() {
        let b = bartlett(&[Variance { value: 3.0, df: 4.0 }; 5]).unwrap();
        assert!(b.statistic.abs() < 1e-12 && (b.p - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_group_that_never_varies_does_not_break_the_test() {
        let v = |value| Variance { value, df: 2.0 };
        let groups = [v(1.0), v(0.0), v(1.1), v(0.9), v(1.2)];
        assert!(bartlett(&groups).unwrap().p.is_finite());
        assert!(moderate(&groups).unwrap().groups.iter().all(|g| g.value > 0.0));
        assert!(bartlett(&[v(0.0), v(0.0)]).is_err());
    }
}
