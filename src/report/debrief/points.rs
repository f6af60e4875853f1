//! What a learner's progress is shown by: a handful of measures, each at a place on the back, session by session.

use super::retention::Retention;
use crate::columns::Measure;
use crate::results::Results;
use crate::stats::moments::{mean, sd};
use crate::stats::quantile::t_quantile;
use crate::terms::{Contact, Level, Region, Side};
use crate::trace::Test;

/// Coverage of the intervals of means and shares.
pub const CONFIDENCE: f64 = 0.95;

/// A measure that a debrief shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Shown {
    PeakForce,
    Amplitude,
    Rhythm,
    Preload,
    Excursion,
    HandShare,
}

impl Shown {
    /// In the order in which they are shown.
    pub const ALL: [Shown; 6] = [
        Shown::PeakForce,
        Shown::Amplitude,
        Shown::Rhythm,
        Shown::Preload,
        Shown::Excursion,
        Shown::HandShare,
    ];

    /// The measure of a test behind it.
    pub fn measure(self) -> Measure {
        match self {
            Shown::PeakForce => Measure::SpringPeak,
            Shown::Amplitude => Measure::ForceAmplitude,
            Shown::Rhythm => Measure::SpringRate,
            Shown::Preload => Measure::Preload,
            Shown::Excursion => Measure::Excursion,
            Shown::HandShare => Measure::HandShare,
        }
    }

    /// Name in tables, ending in the unit.
    pub fn name(self) -> &'static str {
        match self {
            Shown::HandShare => "left_hand_share_percent",
            other => other.measure().info().name,
        }
    }

    /// In words.
    pub fn label(self) -> &'static str {
        match self {
            Shown::Rhythm => "rhythm (spring rate)",
            Shown::HandShare => "share of the hand on the left",
            other => other.measure().info().label,
        }
    }

    pub fn unit(self) -> &'static str {
        self.measure().info().unit
    }

    /// Decimals worth showing of a mean over tests.
    pub fn decimals(self) -> usize {
        match self {
            Shown::PeakForce | Shown::Amplitude | Shown::Preload | Shown::HandShare => 0,
            Shown::Rhythm => 2,
            Shown::Excursion => 1,
        }
    }

    /// The value in one test; `None` when the test has none.
    pub fn of(self, test: &Test) -> Option<f64> {
        // Both sides' shares add up to 100: one of them says it all.
        let other_hand = self == Shown::HandShare && test.side() != Some(Side::Left);
        test.value(self.measure()).filter(|_| !other_hand)
    }
}

/// Tests that may be looked at together: one region of the spine, one contact, one hand or both.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct TestPlace {
    pub region: Option<Region>,
    pub contact: Option<Contact>,
    /// Both hands at once, each on a sensor.
    pub both_hands: bool,
}

impl TestPlace {
    /// Where a test was.
    pub fn of(test: &Test) -> TestPlace {
        TestPlace {
            region: test.about.level.map(Level::region),
            contact: test.about.contact,
            both_hands: test.value(Measure::HandShare).is_some(),
        }
    }

    /// As a person reads it: `lumbar, thumb`.
    pub fn label(&self) -> String {
        let region = self.region.map_or("region not named", Region::word);
        let contact = self
            .contact
            .map_or("contact not named".to_owned(), Contact::label);
        let hands = if self.both_hands { ", both hands" } else { "" };
        format!("{region}, {contact}{hands}")
    }
}

/// Mean of a measure over tests, with its interval from the spread between them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    pub tests: usize,
    pub mean: f64,
    /// `None` with a single test.
    pub interval: Option<[f64; 2]>,
}

impl Spot {
    /// Of at least one value.
    ///
    /// # Formula
    /// m ± t(0.975, n − 1)·s/√n.
    pub fn of(values: &[f64]) -> Option<Spot> {
        let m = mean(values).ok()?;
        let n = values.len();
        let half = || {
            let s = sd(values).ok()?;
            Some(t_quantile(0.5 + CONFIDENCE / 2.0, n as f64 - 1.0).ok()? * s / (n as f64).sqrt())
        };
        let half = if n > 1 { half() } else { None };
        Some(Spot {
            tests: n,
            mean: m,
            interval: half.map(|h| [m - h, m + h]),
        })
    }
}

/// One mark of a learner's progress.
#[derive(Debug, Clone, PartialEq)]
pub struct ProgressPoint {
    pub place: TestPlace,
    pub measure: Shown,
    /// `None` for tests whose session nobody named.
    pub session: Option<String>,
    /// Tests without feedback on another day than the learner's last feedback.
    pub retention: bool,
    /// The single tests' values.
    pub values: Vec<f64>,
    pub spot: Spot,
}

/// Every mark of these tests: place by place, measure by measure, in the order of `sessions`.
pub fn points(
    results: &Results,
    tests: &[&Test],
    sessions: &[String],
    stays: &Retention,
) -> Vec<ProgressPoint> {
    let mut places: Vec<TestPlace> = tests.iter().map(|t| TestPlace::of(t)).collect();
    places.sort();
    places.dedup();
    let named = sessions.iter().map(Some).chain([None]);
    let rounds: Vec<(Option<&String>, bool)> = named.flat_map(|s| [(s, false), (s, true)]).collect();
    let mut points = Vec::new();
    for place in places {
        for measure in Shown::ALL {
            for (session, retention) in &rounds {
                let values: Vec<f64> = tests
                    .iter()
                    .filter(|t| TestPlace::of(t) == place && t.about.session.as_ref() == *session)
                    .filter(|t| stays.holds(t) == *retention && !results.hides(t))
                    .filter_map(|t| measure.of(t))
                    .collect();
                if let Some(spot) = Spot::of(&values) {
                    points.push(ProgressPoint {
                        place: place.clone(),
                        measure,
                        session: session.cloned(),
                        retention: *retention,
                        values,
                        spot,
                    });
                }
            }
        }
    }
    points
}
