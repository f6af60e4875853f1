//! The one registry of measures and result columns: name, meaning, unit and section of METHODS.md.
//!
//! Everything that names a result — CSV, Parquet, JSON, codebook, report — reads it here.

mod column;
mod of_analysis;
mod of_curves;
mod of_debrief;
mod of_scans;
mod of_tests;

pub use column::{Column, Kind};

/// The columns of the result tables that are not a [`Measure`], each described once. A missing value is an empty
/// cell in CSV and null in Parquet and JSON, in every column.
pub mod table {
    pub use super::of_analysis::*;
    pub use super::of_scans::*;
    pub use super::of_tests::*;

    /// Those of curves and their marks.
    pub mod curves {
        pub use super::super::of_curves::*;
    }

    /// Those of a debrief's tables.
    pub mod debrief {
        pub use super::super::of_debrief::*;
    }
}

/// A number reported for a test. The order is the order of the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub enum Measure {
    /// Force held just before the springs.
    Preload,
    /// Highest force of the test.
    Peak,
    /// Mean peak force of the springs.
    SpringPeak,
    /// Mean travel of the springs.
    Excursion,
    /// Displacement where pre-tension begins.
    Onset,
    /// Displacement from first contact to the onset.
    OnsetTravel,
    /// Force where pre-tension begins.
    OnsetForce,
    /// Slope before the onset.
    TakeUp,
    /// Slope of the loading limb beyond the onset.
    EndFeel,
    /// Slope beyond the onset by the whole-trace fit.
    FittedEndFeel,
    /// Slope between two fixed loads.
    Window,
    /// Force rise of a spring over its excursion.
    Secant,
    /// Displacement from first contact to 30 N.
    DisplacementAt30N,
    /// Viscous damping of the whole-trace fit.
    Damping,
    /// Energy not returned by a spring.
    Loss,
    /// Loss over loading work.
    LossRatio,
    /// Share of the excursion that comes back.
    RecoilRatio,
    /// Time from 10 to 90 % of the force rise.
    TimeToPeak,
    /// Springs a second.
    SpringRate,
    /// Spread of force over the hold.
    Steadiness,
    /// One hand's share of the preload.
    HandShare,
    /// How far the zero of force drifted.
    ZeroDrift,
    /// Mean force rise of the springs.
    ForceAmplitude,
    /// Lowest force between springs.
    BetweenSprings,
    /// Highest pressure on a mat.
    PeakPressure,
    /// Loaded area of a mat.
    LoadedArea,
    /// Path of the centre of pressure.
    CentrePath,
}

/// What is known of a measure beforehand.
#[derive(Debug, Clone, Copy)]
pub struct MeasureInfo {
    /// Column name, ending in the unit.
    pub name: &'static str,
    /// In words, for pages and messages.
    pub label: &'static str,
    /// Unit as printed (`N/mm`); empty for a ratio.
    pub unit: &'static str,
    /// What it means, in a sentence.
    pub meaning: &'static str,
    /// Section of the methods that defines it.
    pub section: &'static str,
    /// Whether it is a mean over springs, so that it has an `_sd` between them.
    pub over_springs: bool,
    /// Decimals worth showing to a person.
    pub decimals: usize,
}

impl Measure {
    /// Every measure, in column order.
    pub const ALL: [Measure; 27] = [
        Measure::Preload,
        Measure::Peak,
        Measure::SpringPeak,
        Measure::Excursion,
        Measure::Onset,
        Measure::OnsetTravel,
        Measure::OnsetForce,
        Measure::TakeUp,
        Measure::EndFeel,
        Measure::FittedEndFeel,
        Measure::Window,
        Measure::Secant,
        Measure::DisplacementAt30N,
        Measure::Damping,
        Measure::Loss,
        Measure::LossRatio,
        Measure::RecoilRatio,
        Measure::TimeToPeak,
        Measure::SpringRate,
        Measure::Steadiness,
        Measure::HandShare,
        Measure::ZeroDrift,
        Measure::ForceAmplitude,
        Measure::BetweenSprings,
        Measure::PeakPressure,
        Measure::LoadedArea,
        Measure::CentrePath,
    ];

    /// Name, unit, meaning and the rest.
    pub fn info(self) -> MeasureInfo {
        let (name, label, unit, section, over_springs, decimals, meaning) = match self {
            Measure::Preload => (
                "preload_n",
                "preload",
                "N",
                "2.7",
                false,
                1,
                "median force over the last 0.3 s before the first loading limb",
            ),
            Measure::Peak => (
                "peak_n",
                "peak force",
                "N",
                "3.2",
                false,
                1,
                "highest conditioned force of the test",
            ),
            Measure::SpringPeak => (
                "spring_peak_n",
                "peak force of a spring",
                "N",
                "3.2",
                true,
                1,
                "mean over springs of each one's highest force",
            ),
            Measure::Excursion => (
                "excursion_mm",
                "excursion",
                "mm",
                "3.3",
                true,
                2,
                "displacement of a spring from preload to peak",
            ),
            Measure::Onset => (
                "onset_mm",
                "onset",
                "mm",
                "4.2",
                false,
                2,
                "displacement at the knee where take-up turns into end-feel, in the trace's own displacement",
            ),
            Measure::OnsetTravel => (
                "onset_travel_mm",
                "onset travel",
                "mm",
                "3.7",
                false,
                2,
                "displacement from first contact to the onset",
            ),
            Measure::OnsetForce => (
                "onset_n",
                "onset force",
                "N",
                "4.10",
                false,
                1,
                "fitted force at the first passage of the onset on the way in",
            ),
            Measure::TakeUp => (
                "take_up_n_per_mm",
                "take-up stiffness",
                "N/mm",
                "4.2",
                false,
                2,
                "slope of the whole-trace fit before the onset",
            ),
            Measure::EndFeel => (
                "end_feel_n_per_mm",
                "end-feel stiffness",
                "N/mm",
                "3.4",
                true,
                2,
                "slope of force on displacement over the loading limb, 20 to 80 % of the excursion, beyond the onset",
            ),
            Measure::FittedEndFeel => (
                "fitted_end_feel_n_per_mm",
                "fitted end-feel stiffness",
                "N/mm",
                "4.2",
                false,
                2,
                "slope of the whole-trace fit beyond the onset",
            ),
            Measure::Window => (
                "window_n_per_mm",
                "window stiffness",
                "N/mm",
                "3.5",
                false,
                2,
                "slope between two fixed loads on the way in, where the trace covers them",
            ),
            Measure::Secant => (
                "secant_n_per_mm",
                "secant stiffness",
                "N/mm",
                "3.6",
                true,
                2,
                "force gained over displacement gained, preload to peak",
            ),
            Measure::DisplacementAt30N => (
                "displacement_at_30_n_mm",
                "displacement at 30 N",
                "mm",
                "3.7",
                false,
                2,
                "displacement from first contact to the first crossing of 30 N on the lean",
            ),
            Measure::Damping => (
                "damping_n_s_per_mm",
                "damping",
                "N·s/mm",
                "4.2",
                false,
                3,
                "force a unit of speed adds, from the whole-trace fit",
            ),
            Measure::Loss => (
                "loss_mj",
                "loss",
                "mJ",
                "3.8",
                true,
                2,
                "energy of a spring that did not come back: area of its loop",
            ),
            Measure::LossRatio => (
                "loss_ratio",
                "loss ratio",
                "",
                "3.8",
                true,
                3,
                "loss over loading work",
            ),
            Measure::RecoilRatio => (
                "recoil_ratio",
                "recoil ratio",
                "",
                "3.9",
                true,
                3,
                "share of the excursion recovered at the spring's end",
            ),
            Measure::TimeToPeak => (
                "time_to_peak_s",
                "time to peak",
                "s",
                "3.10",
                true,
                3,
                "time of the force rise of a spring from 10 to 90 %",
            ),
            Measure::SpringRate => (
                "spring_rate_hz",
                "spring rate",
                "Hz",
                "3.11",
                false,
                2,
                "one over the mean time between peaks",
            ),
            Measure::Steadiness => (
                "steadiness_n",
                "steadiness of the hold",
                "N",
                "2.8",
                false,
                2,
                "standard deviation of force over the hold, linear trend taken out",
            ),
            Measure::HandShare => (
                "hand_share_percent",
                "share of this hand",
                "%",
                "3.14",
                false,
                1,
                "share of the preload of both hands carried by this side's",
            ),
            Measure::ZeroDrift => (
                "zero_drift_n",
                "zero drift",
                "N",
                "1.9",
                false,
                2,
                "force zero after release minus before contact; taken out linearly",
            ),
            Measure::ForceAmplitude => (
                "force_amplitude_n",
                "force amplitude of a spring",
                "N",
                "3.2",
                true,
                1,
                "mean over springs of the force gained from just before a spring to its peak",
            ),
            Measure::BetweenSprings => (
                "between_springs_n",
                "lowest force between springs",
                "N",
                "3.12",
                false,
                1,
                "lowest force, as a mean over 0.05 s, between the peaks of the first spring and the last",
            ),
            Measure::PeakPressure => (
                "peak_pressure_kpa",
                "peak pressure",
                "kPa",
                "11.6",
                false,
                1,
                "highest pressure on a single cell of a pressure mat during the test, single frames that stand out passed over",
            ),
            Measure::LoadedArea => (
                "loaded_area_mm2",
                "loaded area",
                "mm²",
                "11.6",
                false,
                0,
                "area of a pressure mat's cells that this hand loads when its force is highest; a cell counts whole",
            ),
            Measure::CentrePath => (
                "centre_path_mm",
                "path of the centre of pressure",
                "mm",
                "11.6",
                false,
                1,
                "length of the way that the centre of pressure of this hand goes from the start of the first spring to the end of the last, after a low pass of 5 Hz",
            ),
        };
        MeasureInfo {
            name,
            label,
            unit,
            meaning,
            section,
            over_springs,
            decimals,
        }
    }

    /// Whether nothing at all is an answer as good as any other number, so that an interval that reaches 0 tells
    /// something: no drift, no loss. The others say nothing where they are not told from 0.
    pub fn may_be_none(self) -> bool {
        match self {
            Measure::Preload
            | Measure::Damping
            | Measure::Loss
            | Measure::LossRatio
            | Measure::Steadiness
            | Measure::HandShare
            | Measure::ZeroDrift
            | Measure::BetweenSprings
            | Measure::CentrePath => true,
            Measure::Peak
            | Measure::SpringPeak
            | Measure::Excursion
            | Measure::Onset
            | Measure::OnsetTravel
            | Measure::OnsetForce
            | Measure::TakeUp
            | Measure::EndFeel
            | Measure::FittedEndFeel
            | Measure::Window
            | Measure::Secant
            | Measure::DisplacementAt30N
            | Measure::RecoilRatio
            | Measure::TimeToPeak
            | Measure::SpringRate
            | Measure::ForceAmplitude
            | Measure::PeakPressure
            | Measure::LoadedArea => false,
        }
    }

    /// The measure of that column name.
    pub fn by_name(name: &str) -> Option<Measure> {
        Measure::ALL.into_iter().find(|m| m.info().name == name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_holds_each_measure_once_in_order() {
        for (i, m) in Measure::ALL.into_iter().enumerate() {
            assert_eq!(m as usize, i);
            assert_eq!(Measure::by_name(m.info().name), Some(m));
        }
    }

    #[test]
    fn a_unit_stands_in_the_name() {
        let suffix = |unit: &str| match unit {
            "N" => "_n",
            "mm" => "_mm",
            "N/mm" => "_n_per_mm",
            "N·s/mm" => "_n_s_per_mm",
            "mJ" => "_mj",
            "s" => "_s",
            "Hz" => "_hz",
            "%" => "_percent",
            "kPa" => "_kpa",
            "mm²" => "_mm2",
            _ => "_ratio",
        };
        for m in Measure::ALL {
            let info = m.info();
            assert!(
                info.name.ends_with(suffix(info.unit)),
                "{} is in {}",
                info.name,
                info.unit
            );
        }
    }
}
