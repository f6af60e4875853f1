//! Standard uncertainties into a budget and an expanded 95 % interval (methods §5; JCGM 100:2008).

use super::view::Noisy;
use crate::stats::expanded::expanded_95;
use crate::trace::{BudgetLine, Estimate, Measured};

/// Where the parts of an uncertainty come from, and on how many degrees of freedom the noise is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sources {
    /// Standard uncertainty of the force zero, in N.
    pub zero_sd_n: f64,
    /// Degrees of freedom of the noise estimates.
    pub noise_df: f64,
}

/// Builds a reported number from its parts; parts that are zero leave no line.
pub struct Budget {
    lines: Vec<BudgetLine>,
}

impl Default for Budget {
    fn default() -> Self {
        Budget::new()
    }
}

impl Budget {
    /// An empty budget.
    pub fn new() -> Self {
        Budget { lines: Vec::new() }
    }

    /// Adds a source with its standard uncertainty in the measure's unit.
    #[must_use]
    pub fn add(
        mut self,
        source: &'static str,
        standard_uncertainty: f64,
        degrees_of_freedom: Option<f64>,
    ) -> Self {
        if standard_uncertainty > 0.0 && standard_uncertainty.is_finite() {
            self.lines.push(BudgetLine {
                source,
                standard_uncertainty,
                degrees_of_freedom,
            });
        }
        self
    }

    /// The number with its expanded uncertainty.
    ///
    /// # Formula
    /// [`expanded_95`] of the lines: without any known source of uncertainty it is missing, not zero.
    pub fn into_measured(self, value: f64, sd: Option<f64>) -> Measured {
        let u95 = expanded_95(self.lines.iter().map(BudgetLine::part));
        Measured {
            estimate: Estimate { value, u95, sd },
            budget: self.lines,
        }
    }
}

/// The mean of a measure over springs: noise averages down, the zero does not. `None` for no springs.
pub fn mean_over_springs(parts: &[Noisy], sources: &Sources) -> Option<Measured> {
    if parts.is_empty() {
        return None;
    }
    let n = parts.len() as f64;
    let mean = parts.iter().map(|p| p.value).sum::<f64>() / n;
    let rss = |part: fn(&Noisy) -> f64| parts.iter().map(|p| part(p).powi(2)).sum::<f64>().sqrt() / n;
    let zero = parts.iter().map(|p| p.per_zero_n).sum::<f64>() / n * sources.zero_sd_n;
    let sd = (parts.len() > 1)
        .then(|| (parts.iter().map(|p| (p.value - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt());
    Some(
        Budget::new()
            .add("force noise", rss(|p| p.from_force), Some(sources.noise_df))
            .add(
                "displacement noise",
                rss(|p| p.from_displacement),
                Some(sources.noise_df),
            )
            .add("force zero", zero.abs(), Some(sources.noise_df))
            .into_measured(mean, sd),
    )
}

/// One number with its noise.
pub fn single(part: Noisy, sources: &Sources) -> Measured {
    Budget::new()
        .add("force noise", part.from_force, Some(sources.noise_df))
        .add(
            "displacement noise",
            part.from_displacement,
            Some(sources.noise_df),
        )
        .add(
            "force zero",
            (part.per_zero_n * sources.zero_sd_n).abs(),
            Some(sources.noise_df),
        )
        .into_measured(part.value, None)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn degrees_of_freedom_combine_as_in_gum_h_1() {
        // JCGM 100:2008, H.1.6: components 25 (18), 9.7 (25.6), 2.9 (50), 16.6 (2) nm give u = 32 nm, ν_eff = 16
        // and t99 = 2.92; here at 95 %. Values from memory.
        let m = Budget::new()
            .add("standard", 25.0, Some(18.0))
            .add("difference", 9.7, Some(25.6))
            .add("expansion", 2.9, Some(50.0))
            .add("temperature", 16.6, Some(2.0))
            .into_measured(50_000_838.0, None);
        let u = m.estimate.u95.unwrap();
        let combined = (25.0_f64.powi(2) + 9.7_f64.powi(2) + 2.9_f64.powi(2) + 16.6_f64.powi(2)).sqrt();
        assert!((combined - 31.7).abs() < 0.05);
        assert!((u / combined - 2.12).abs() < 0.02, "{}", u / combined);
    }

    #[test]
    fn noise_averages_over_springs_and_the_zero_does_not() {
        let part = Noisy {
            value: 10.0,
            from_force: 0.4,
            from_displacement: 0.0,
            per_zero_n: 1.0,
        };
        let sources = Sources {
            zero_sd_n: 0.3,
            noise_df: 1e9,
        };
        let m = mean_over_springs(&[part; 4], &sources).unwrap();
        assert!((m.estimate.u95.unwrap() - 1.96 * 0.2_f64.hypot(0.3)).abs() < 1e-3);
        assert_eq!(m.estimate.sd, Some(0.0));
    }

    #[test]
    fn without_a_source_there_is_no_interval() {
        assert_eq!(Budget::new().into_measured(1.0, None).estimate.u95, None);
    }
}
