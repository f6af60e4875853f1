//! How much the mean of several trials gains.

use super::sem::MDC95_PER_SEM;

/// Reliability of the mean of `trials` ratings, from that of one; `trials` above 0, not necessarily whole.
///
/// `None` where the formula has no meaning: a negative reliability stepped up past its pole.
///
/// # Formula
/// kρ/(1 + (k − 1)ρ).
///
/// ```
/// use tautpoint::stats::agreement::spearman_brown::stepped_up;
/// assert_eq!(stepped_up(0.5, 2.0), Some(2.0 / 3.0));
/// ```
///
/// # Source
/// Spearman 1910, Br J Psychol 3:271–295; Brown 1910, Br J Psychol 3:296–322 (from memory).
pub fn stepped_up(reliability: f64, trials: f64) -> Option<f64> {
    let below = 1.0 + (trials - 1.0) * reliability;
    let value = trials * reliability / below;
    (below > 0.0 && value.is_finite()).then_some(value)
}

/// MDC95 of the mean of `trials` trials, from the standard error of one.
///
/// # Formula
/// 1.96·√2·SEM/√k.
pub fn mdc95_of_mean(sem: f64, trials: u32) -> f64 {
    MDC95_PER_SEM * sem / f64::from(trials).sqrt()
}

/// Trials whose mean has an MDC95 of at most `wanted`, in the unit of `sem`. `None` when `wanted` is not above 0, or
/// when more than a million would be needed.
///
/// # Formula
/// ⌈(1.96·√2·SEM/wanted)²⌉, at least 1.
pub fn trials_for(sem: f64, wanted: f64) -> Option<u32> {
    // A quotient of exactly a whole number may round to a hair above it.
    let trials = ((MDC95_PER_SEM * sem / wanted).powi(2) * (1.0 - 1e-12))
        .ceil()
        .max(1.0);
    (wanted > 0.0 && trials.is_finite() && trials <= 1e6).then_some(trials as u32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_trials_halve_the_detectable_change() {
        let one = mdc95_of_mean(1.0, 1);
        assert!((one - 2.771_858_582_251).abs() < 1e-11);
        assert!((mdc95_of_mean(1.0, 4) - one / 2.0).abs() < 1e-15);
        assert_eq!(trials_for(1.0, one), Some(1));
        assert_eq!(trials_for(1.0, one / 2.0), Some(4));
        assert_eq!(trials_for(1.0, one / 2.0 - 1e-6), Some(5));
        assert_eq!(trials_for(1.0, 0.0), None);
        assert_eq!(trials_for(0.0, 1.0), Some(1));
    }

    #[test]
    fn a_negative_reliability_is_not_stepped_up_past_its_pole() {
        assert_eq!(stepped_up(-0.5, 3.0), None);
        assert!(stepped_up(-0.1, 3.0).unwrap() < 0.0);
    }
}
