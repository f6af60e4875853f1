//! The scale that a measure is compared on.

use crate::columns::Measure;

/// How a measure is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ComparisonScale {
    /// Natural logarithm: ratios.
    Log,
    /// As it is: differences.
    Plain,
}

impl ComparisonScale {
    /// Measures that can be zero or less, or are a share or an error already, are compared by difference.
    pub fn of(measure: Measure) -> ComparisonScale {
        match measure {
            Measure::Onset
            | Measure::OnsetTravel
            | Measure::OnsetForce
            | Measure::Damping
            | Measure::Loss
            | Measure::LossRatio
            | Measure::RecoilRatio
            | Measure::Steadiness
            | Measure::HandShare
            | Measure::ZeroDrift
            | Measure::BetweenSprings => ComparisonScale::Plain,
            Measure::Preload
            | Measure::Peak
            | Measure::SpringPeak
            | Measure::Excursion
            | Measure::TakeUp
            | Measure::EndFeel
            | Measure::FittedEndFeel
            | Measure::Window
            | Measure::Secant
            | Measure::DisplacementAt30N
            | Measure::TimeToPeak
            | Measure::SpringRate
            | Measure::ForceAmplitude
            | Measure::PeakPressure
            | Measure::LoadedArea
            | Measure::CentrePath => ComparisonScale::Log,
        }
    }

    /// The value on this scale; `None` for one that has no logarithm or is not finite.
    pub fn value(self, value: f64) -> Option<f64> {
        match self {
            ComparisonScale::Log => (value > 0.0 && value.is_finite()).then(|| value.ln()),
            ComparisonScale::Plain => value.is_finite().then_some(value),
        }
    }

    /// From the scale of comparison back to the measure's unit.
    pub fn back(self, value: f64) -> f64 {
        match self {
            ComparisonScale::Log => value.exp(),
            ComparisonScale::Plain => value,
        }
    }

    /// A change as people read it: percent of what it was, or in the measure's unit.
    pub fn shown(self, change: f64) -> f64 {
        match self {
            ComparisonScale::Log => 100.0 * change.exp_m1(),
            ComparisonScale::Plain => change,
        }
    }

    /// The change on this scale that is read as `shown`.
    pub fn of_shown(self, shown: f64) -> f64 {
        match self {
            ComparisonScale::Log => (shown / 100.0).ln_1p(),
            ComparisonScale::Plain => shown,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::OPTIONAL;

    #[test]
    fn the_margin_of_every_measure_has_the_unit_of_its_scale() {
        for measure in Measure::ALL {
            let info = measure.info();
            let key = format!("change.{}", info.name);
            let setting = OPTIONAL.iter().find(|s| s.key == key);
            let expected = match ComparisonScale::of(measure) {
                ComparisonScale::Log => "%",
                ComparisonScale::Plain => info.unit,
            };
            assert_eq!(setting.map(|s| s.unit), Some(expected), "{key}");
        }
        assert_eq!(OPTIONAL.len(), Measure::ALL.len() + 1);
    }
}
