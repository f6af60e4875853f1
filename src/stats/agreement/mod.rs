//! Agreement of repeated measurements and of calls: intraclass correlation, standard error of measurement, limits of
//! agreement, kappa, and what an examiner just detects.
//!
//! Ratings are given as rows of subjects; each row holds one value a rater (examiner, trial or day), in one order.

pub mod anova;
pub mod bland_altman;
pub mod clustered;
pub mod fleiss_kappa;
pub mod icc;
pub mod jackknife;
pub mod kappa;
pub mod psychometric;
mod search;
pub mod sem;
pub mod spearman_brown;

/// An estimate with its interval. `low` and `high` are `None` where the numbers give none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    pub value: f64,
    pub low: Option<f64>,
    pub high: Option<f64>,
}

impl Interval {
    /// An estimate whose interval cannot be had.
    pub fn bare(value: f64) -> Interval {
        Interval {
            value,
            low: None,
            high: None,
        }
    }

    /// `None` when the value is not finite; ends that are not finite are left out, both if either is.
    pub(crate) fn finite(value: f64, low: f64, high: f64) -> Option<Interval> {
        let ends = (low.is_finite() && high.is_finite()).then_some((low, high));
        value.is_finite().then_some(Interval {
            value,
            low: ends.map(|e| e.0),
            high: ends.map(|e| e.1),
        })
    }

    /// The same on another scale; `f` must rise.
    pub(crate) fn map(self, f: impl Fn(f64) -> f64) -> Interval {
        Interval {
            value: f(self.value),
            low: self.low.map(&f),
            high: self.high.map(&f),
        }
    }
}
