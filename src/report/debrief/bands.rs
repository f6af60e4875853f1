//! What the marks are held beside: the teacher's own tests, or the study's bands.

use super::points::{TestPlace, Shown};
use crate::results::Results;
use crate::settings::{CeilingOrigin, Settings};
use crate::technique::reference::Target;
use crate::trace::Test;

/// Where a band comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BandFrom {
    /// So many tests of the teacher: mean ± 2 standard deviations.
    Reference(usize),
    /// A band of the study's settings.
    Settings,
    /// The region's ceiling, and who set it: nothing above it.
    Ceiling(CeilingOrigin),
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
                format!("mean ± 2 standard deviations of {n} tests of the teacher")
            }
            BandFrom::Settings => "this study's band".to_owned(),
            BandFrom::Ceiling(origin) => format!("up to the region's ceiling: {origin}"),
        }
    }

    /// The word in tables.
    pub fn word(&self) -> &'static str {
        match self.from {
            BandFrom::Reference(_) => "reference",
            BandFrom::Settings => "settings",
            BandFrom::Ceiling(_) => "ceiling",
        }
    }
}

/// The band of a measure at a place. The teacher's tests there come before the settings.
pub fn band(results: &Results, teachers: &[&Test], place: &TestPlace, measure: Shown) -> Option<Band> {
    of_reference(results, teachers, place, measure).or_else(|| of_settings(&results.settings, place, measure))
}

/// Spread of the teacher's tests at a place, as [`Target::band`] has it.
fn of_reference(results: &Results, teachers: &[&Test], place: &TestPlace, measure: Shown) -> Option<Band> {
    let there: Vec<&Test> = teachers
        .iter()
        .copied()
        .filter(|t| TestPlace::of(t) == *place && !results.hides(t) && measure.of(t).is_some())
        .collect();
    let target = Target::of(measure.measure(), &there)?;
    let [low, high] = target.band()?;
    Some(Band {
        // Every measure here is a size: none lies below nought.
        low: Some(low.max(0.0)),
        high: Some(high),
        from: BandFrom::Reference(target.tests),
    })
}

fn of_settings(settings: &Settings, place: &TestPlace, measure: Shown) -> Option<Band> {
    let between = |[low, high]: [f64; 2]| Band {
        low: Some(low),
        high: Some(high),
        from: BandFrom::Settings,
    };
    let technique = &settings.technique;
    let bands = technique.bands(place.region);
    match measure {
        Shown::Excursion => Some(between(bands.excursion_mm)),
        Shown::HandShare => Some(between(bands.hand_share_percent)),
        Shown::PeakForce => place.region.map(|region| {
            let ceiling = settings.ceiling(region);
            Band {
                low: None,
                high: Some(ceiling.newtons),
                from: BandFrom::Ceiling(ceiling.origin),
            }
        }),
        Shown::Amplitude | Shown::Rhythm | Shown::Preload => None,
    }
}
