//! Bands of technique that a study sets for one region only.
//!
//! In study.toml: `[technique.neck] excursion_mm = [1.5, 3.5]`. What a region does not set is that of `[technique]`.

use super::Technique;
use super::documented::{SettingInfo, info};
use crate::terms::Region;
use serde::{Deserialize, Serialize};

/// Bands of one region; `None` leaves the one for all regions.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct RegionBands {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub excursion_mm: Option<[f64; 2]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_to_peak_min_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hold_sd_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub between_springs_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hand_share_percent: Option<[f64; 2]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub peak_cv_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line_of_drive_deg: Option<f64>,
}

impl RegionBands {
    /// Whether the region sets nothing of its own.
    pub fn is_empty(&self) -> bool {
        *self == RegionBands::default()
    }
}

/// The bands that a test is held against: those of its region, else those for all regions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bands {
    pub excursion_mm: [f64; 2],
    pub time_to_peak_min_s: f64,
    pub hold_sd_percent: f64,
    pub between_springs_percent: f64,
    pub hand_share_percent: [f64; 2],
    pub peak_cv_percent: f64,
    pub line_of_drive_deg: f64,
}

impl Technique {
    /// What a study set for this region alone.
    pub fn own_bands(&self, region: Region) -> &RegionBands {
        match region {
            Region::Neck => &self.neck,
            Region::Thoracic => &self.thoracic,
            Region::Lumbar => &self.lumbar,
            Region::Sacral => &self.sacral,
        }
    }

    /// The bands that a test in this region is held against. `None` gives those for all regions.
    pub fn bands(&self, region: Option<Region>) -> Bands {
        let none = RegionBands::default();
        let own = region.map_or(&none, |region| self.own_bands(region));
        Bands {
            excursion_mm: own.excursion_mm.unwrap_or(self.excursion_mm),
            time_to_peak_min_s: own.time_to_peak_min_s.unwrap_or(self.time_to_peak_min_s),
            hold_sd_percent: own.hold_sd_percent.unwrap_or(self.hold_sd_percent),
            between_springs_percent: own
                .between_springs_percent
                .unwrap_or(self.between_springs_percent),
            hand_share_percent: own.hand_share_percent.unwrap_or(self.hand_share_percent),
            peak_cv_percent: own.peak_cv_percent.unwrap_or(self.peak_cv_percent),
            line_of_drive_deg: own.line_of_drive_deg.unwrap_or(self.line_of_drive_deg),
        }
    }
}

/// The seven bands of a region, as they may stand in study.toml.
macro_rules! of_region {
    ($($region:literal),*) => {
        &[$(
            info(
                concat!("technique.", $region, ".excursion_mm"),
                "mm",
                concat!("band for the excursion of a spring, ", $region, " only"),
                AS_ALL,
            ),
            info(
                concat!("technique.", $region, ".time_to_peak_min_s"),
                "s",
                concat!("a spring that loads faster is called quick, ", $region, " only"),
                AS_ALL,
            ),
            info(
                concat!("technique.", $region, ".hold_sd_percent"),
                "% of preload",
                concat!("a hold that varies more is called unsteady, ", $region, " only"),
                AS_ALL,
            ),
            info(
                concat!("technique.", $region, ".between_springs_percent"),
                "% of preload",
                concat!("a force between springs below this came off, ", $region, " only"),
                AS_ALL,
            ),
            info(
                concat!("technique.", $region, ".hand_share_percent"),
                "%",
                concat!("band for the share of force of one hand at preload, ", $region, " only"),
                AS_ALL,
            ),
            info(
                concat!("technique.", $region, ".peak_cv_percent"),
                "%",
                concat!("springs whose peaks vary more are called uneven, ", $region, " only"),
                AS_ALL,
            ),
            info(
                concat!("technique.", $region, ".line_of_drive_deg"),
                "deg",
                concat!("mean departure from the planned line of drive that is named, ", $region, " only"),
                AS_ALL,
            ),
        )*]
    };
}

const AS_ALL: &str = "as for all regions: no source was found for a band of its own";

/// Every band that a region may set for itself, in the order of the report.
pub const REGIONAL: &[SettingInfo] = of_region!("neck", "thoracic", "lumbar", "sacral");
