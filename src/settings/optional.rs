//! Settings without a default: what a lab decides before it looks at its data, or leaves open.
//!
//! In study.toml: `[change] end_feel_n_per_mm = 20.0`, `[groups] primary = "end_feel_n_per_mm"`.

use super::documented::{SettingInfo, info};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How large a change or a difference between groups must be to matter: by column of the tests, in percent for measures
/// that are compared as ratios and in their own unit for the others.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ChangeMargins(pub BTreeMap<String, f64>);

impl ChangeMargins {
    /// Whether none is set.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// What groups are compared in.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct GroupSettings {
    /// The measure that the study was planned for, as a column of the tests.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub primary: Option<String>,
}

impl GroupSettings {
    /// Whether nothing is set.
    pub fn is_empty(&self) -> bool {
        *self == GroupSettings::default()
    }
}

/// Key of the primary measure, the one setting that is a text.
pub const PRIMARY: &str = "groups.primary";

const REASON: &str = "a change or a difference between groups is named only beyond this; without it neither gets a word";
const SOURCE: &str = "none: the lab sets it before it looks at its data";

macro_rules! margins {
    ($($measure:literal in $unit:literal),* $(,)?) => {
        &[
            $(info(concat!("change.", $measure), $unit, REASON, SOURCE),)*
            info(
                PRIMARY,
                "",
                "the measure that the study was planned for: it stands first and is not corrected for the others",
                SOURCE,
            ),
        ]
    };
}

/// Every setting without a default, in the order of the report.
pub const OPTIONAL: &[SettingInfo] = margins!(
    "preload_n" in "%",
    "peak_n" in "%",
    "spring_peak_n" in "%",
    "excursion_mm" in "%",
    "onset_mm" in "mm",
    "onset_travel_mm" in "mm",
    "onset_n" in "N",
    "take_up_n_per_mm" in "%",
    "end_feel_n_per_mm" in "%",
    "fitted_end_feel_n_per_mm" in "%",
    "window_n_per_mm" in "%",
    "secant_n_per_mm" in "%",
    "displacement_at_30_n_mm" in "%",
    "damping_n_s_per_mm" in "N·s/mm",
    "loss_mj" in "mJ",
    "loss_ratio" in "",
    "recoil_ratio" in "",
    "time_to_peak_s" in "%",
    "spring_rate_hz" in "%",
    "steadiness_n" in "N",
    "hand_share_percent" in "%",
    "zero_drift_n" in "N",
    "force_amplitude_n" in "%",
    "between_springs_n" in "N",
    "peak_pressure_kpa" in "%",
    "loaded_area_mm2" in "%",
    "centre_path_mm" in "%",
);
