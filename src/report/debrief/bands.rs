//! What the marks are held beside: the teacher's own tests, or the study's bands.

use super::points::{CONFIDENCE, Place, Shown};
use crate::report::Results;
use crate::settings::Settings;
use crate::stats::moments::{mean, sd};
use crate::stats::quantile::t_quantile;
use crate::trace::Test;

/// Fewer of the teacher's tests than this make no band: its edges would lie further out than anybody presses.
pub const REFERENCE_AT_LEAST: usize = 4;

/// Where a band comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BandFrom {
    /// So many tests of the teacher.
    Reference(usize),
    /// A band of the study's settings.
    Settings,
    /// The region's ceiling: nothing above it.
    Ceiling,
}

/// A band that a measure should lie in. At least one end is there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub from: BandFrom,
}

impl Band {
    /// Where it comes from, in words.
    pub fn words(&self) -> String {
        match self.from {
            BandFrom::Reference(n) => {
                format!("where the teacher's next test would lie with 95\u{a0}%, from {n} tests")
            }
            BandFrom::Settings => "this study's band".to_owned(),
            BandFrom::Ceiling => "up to the region's ceiling".to_owned(),
        }
    }

    /// The word in tables.
    pub fn word(&self) -> &'static str {
        match self.from {
            BandFrom::Reference(_) => "reference",
            BandFrom::Settings => "settings",
            BandFrom::Ceiling => "ceiling",
        }
    }
}

/// The band of a measure at a place. The teacher's tests there come before the settings.
pub fn band(results: &Results, teachers: &[&Test], place: &Place, measure: Shown) -> Option<Band> {
    let values: Vec<f64> = teachers
        .iter()
        .filter(|t| Place::of(t) == *place && !results.hides(t))
        .filter_map(|t| measure.of(t))
        .collect();
    of_reference(&values).or_else(|| of_settings(&results.settings, place, measure))
}

/// Prediction interval of the teacher's next test.
///
/// # Formula
/// m ± t(0.975, n − 1)·s·√(1 + 1/n).
///
/// # Source
/// Any textbook: e.g. NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 names it beside the tolerance interval.
fn of_reference(values: &[f64]) -> Option<Band> {
    let n = values.len();
    if n < REFERENCE_AT_LEAST {
        return None;
    }
    let m = mean(values).ok()?;
    let t = t_quantile(0.5 + CONFIDENCE / 2.0, n as f64 - 1.0).ok()?;
    let half = t * sd(values).ok()? * (1.0 + 1.0 / n as f64).sqrt();
    Some(Band {
        // Every measure here is a size: none lies below nought.
        low: Some((m - half).max(0.0)),
        high: Some(m + half),
        from: BandFrom::Reference(n),
    })
}

fn of_settings(settings: &Settings, place: &Place, measure: Shown) -> Option<Band> {
    let between = |[low, high]: [f64; 2]| Band {
        low: Some(low),
        high: Some(high),
        from: BandFrom::Settings,
    };
    match measure {
        Shown::Excursion => Some(between(settings.technique.excursion_mm)),
        Shown::HandShare => Some(between(settings.technique.hand_share_percent)),
        Shown::PeakForce => place.region.map(|region| Band {
            low: None,
            high: Some(region.ceiling_n(&settings.ceiling_n)),
            from: BandFrom::Ceiling,
        }),
        Shown::Amplitude | Shown::Rhythm | Shown::Preload => None,
    }
}
