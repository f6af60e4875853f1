//! What a station's noise costs: simulated presses with that noise, measured as any others (METHODS.md §10.10).

use crate::columns::Measure;
use crate::settings::Settings;
use crate::signal::measure_trace;
use crate::simulate::{Sensor, TraceSpec, simulate};
use crate::stats::agreement::sem::MDC95_PER_SE;
use crate::stats::moments::median_in_place;

/// Presses that the medians are taken over.
const PRESSES: u64 = 9;

/// Measures that are told, in the order of the columns.
pub const MEASURES: [Measure; 8] = [
    Measure::SpringPeak,
    Measure::Excursion,
    Measure::Onset,
    Measure::OnsetForce,
    Measure::TakeUp,
    Measure::EndFeel,
    Measure::FittedEndFeel,
    Measure::LossRatio,
];

/// White noise and steps of both channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StationNoise {
    /// Samples a second.
    pub rate_hz: f64,
    /// Standard deviation of one sample, in N.
    pub force_n: f64,
    /// Step between neighbouring values, in N.
    pub force_step_n: f64,
    /// The same of the displacement, in mm, where there is one.
    pub displacement_mm: Option<[f64; 2]>,
}

/// What it does to one measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseCost {
    pub measure: Measure,
    /// Median over the presses, in the measure's unit.
    pub value: f64,
    /// Median half-width of the 95 % interval.
    pub u95: f64,
    /// Median standard uncertainty.
    pub u: f64,
}

impl NoiseCost {
    /// Smallest difference between two sides of so many trials each that this uncertainty alone tells from none, in percent.
    ///
    /// # Formula
    /// 100·1.96·u·√(2/n)/value (METHODS.md §6.6, with the spread of hands and people left out).
    pub fn smallest_difference_percent(&self, trials: usize) -> f64 {
        100.0 * MDC95_PER_SE * self.u * (2.0 / trials as f64).sqrt() / self.value.abs()
    }
}

/// What this noise does to each measure that a press with it lets determine.
///
/// The presses are plain ones: default tissue and hand of the simulation, a new movement for each seed.
pub fn noise_cost(noise: &StationNoise, settings: &Settings) -> Vec<NoiseCost> {
    let spec = TraceSpec {
        sensor: Sensor {
            rate_hz: noise.rate_hz,
            force_noise_n: noise.force_n,
            force_resolution_n: noise.force_step_n,
            displacement_noise_mm: noise.displacement_mm.map_or(0.0, |d| d[0]),
            displacement_resolution_mm: noise.displacement_mm.map_or(0.0, |d| d[1]),
            has_displacement: noise.displacement_mm.is_some(),
            ..Sensor::default()
        },
        ..TraceSpec::default()
    };
    let presses = (1..=PRESSES).filter_map(|seed| measure_trace(&simulate(&spec, seed).trace, settings).ok());
    let tests: Vec<_> = presses.flatten().collect();
    MEASURES
        .iter()
        .filter_map(|&measure| {
            let found: Vec<_> = tests.iter().filter_map(|t| t.measures.finding(measure)).collect();
            let of = |part: fn(&crate::trace::Estimate) -> Option<f64>| {
                let mut all: Vec<f64> = found.iter().filter_map(part).collect();
                median_in_place(&mut all)
            };
            Some(NoiseCost {
                measure,
                value: of(|e| Some(e.value))?,
                u95: of(|e| e.u95())?,
                u: of(|e| e.u)?,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end_feel(force_n: f64) -> NoiseCost {
        let noise = StationNoise {
            rate_hz: 200.0,
            force_n,
            force_step_n: 0.001,
            displacement_mm: Some([0.002, 0.001]),
        };
        let costs = noise_cost(&noise, &Settings::default());
        assert_eq!(costs.len(), MEASURES.len());
        costs.into_iter().find(|c| c.measure == Measure::EndFeel).unwrap()
    }

    #[test]
    fn ten_times_the_noise_costs_about_ten_times_as_much() {
        let (little, much) = (end_feel(0.05), end_feel(0.5));
        assert!((7.0..13.0).contains(&(much.u95 / little.u95)), "{little:?} {much:?}");
        // 11 N/mm is what the tissue is.
        assert!((little.value - 11.0).abs() < 0.3);
        let percent = much.smallest_difference_percent(3);
        assert!((percent / (196.0 * much.u * (2.0_f64 / 3.0).sqrt() / much.value) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn force_alone_has_no_slopes() {
        let noise = StationNoise {
            rate_hz: 200.0,
            force_n: 0.1,
            force_step_n: 0.01,
            displacement_mm: None,
        };
        let costs = noise_cost(&noise, &Settings::default());
        assert!(costs.iter().any(|c| c.measure == Measure::SpringPeak));
        assert!(costs.iter().all(|c| c.measure != Measure::EndFeel));
    }
}
