//! Standard uncertainties into a budget and an expanded 95 % interval (METHODS.md §5.1; JCGM 100:2008).

use super::view::UncertainValue;
use crate::trace::{BudgetLine, Measured, UncertaintySource as Source};

/// Where the parts of an uncertainty come from, and on how many degrees of freedom the noise is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sources {
    /// Standard uncertainty of the force zero, in N.
    pub zero_sd_n: f64,
    /// Degrees of freedom of the noise estimates.
    pub noise_df: f64,
}

/// The mean of a measure over springs: noise averages down, the zero does not. `None` for no springs.
pub fn mean_over_springs(parts: &[UncertainValue], sources: &Sources) -> Option<Measured> {
    if parts.is_empty() {
        return None;
    }
    let n = parts.len() as f64;
    let mean = parts.iter().map(|p| p.value).sum::<f64>() / n;
    let rss =
        |part: fn(&UncertainValue) -> f64| parts.iter().map(|p| part(p).powi(2)).sum::<f64>().sqrt() / n;
    let zero = parts.iter().map(|p| p.per_zero_n).sum::<f64>() / n * sources.zero_sd_n;
    let spread = (parts.len() > 1)
        .then(|| (parts.iter().map(|p| (p.value - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt());
    let lines = noise_lines(rss(|p| p.from_force), rss(|p| p.from_displacement), zero, sources);
    let mut measured = Measured::new(mean, lines);
    measured.estimate.spread = spread;
    Some(measured)
}

/// One number with its noise.
pub fn single(part: UncertainValue, sources: &Sources) -> Measured {
    let zero = part.per_zero_n * sources.zero_sd_n;
    Measured::new(
        part.value,
        noise_lines(part.from_force, part.from_displacement, zero, sources),
    )
}

fn noise_lines(force: f64, displacement: f64, zero: f64, sources: &Sources) -> [BudgetLine; 3] {
    [
        Source::ForceNoise.line(force, sources.noise_df),
        Source::DisplacementNoise.line(displacement, sources.noise_df),
        Source::ForceZero.line(zero.abs(), sources.noise_df),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_averages_over_springs_and_the_zero_does_not() {
        let part = UncertainValue::force(10.0, 0.4);
        let sources = Sources {
            zero_sd_n: 0.3,
            noise_df: 1e9,
        };
        let m = mean_over_springs(&[part; 4], &sources).unwrap();
        assert!((m.estimate.u.unwrap() - 0.2_f64.hypot(0.3)).abs() < 1e-12);
        assert_eq!(m.estimate.spread, Some(0.0));
    }
}
