//! Bands of technique that a study sets for one region only.
//!
//! In study.toml: `[technique.neck] excursion_mm = [1.5, 3.5]`. What a region does not set is that of `[technique]`.

use super::Technique;
use super::documented::{SettingInfo, info};
use crate::terms::Region;
use serde::{Deserialize, Serialize};

/// The bands, once for a region and once as they apply.
macro_rules! bands {
    ($($band:ident: $of:ty),*) => {
        /// Bands of one region; `None` leaves the one for all regions.
        #[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
        #[serde(default)]
        pub struct RegionBands {
            $(#[serde(skip_serializing_if = "Option::is_none")] pub $band: Option<$of>,)*
        }

        /// The bands that a test is held against: those of its region, else those for all regions.
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct Bands {
            $(pub $band: $of,)*
        }

        impl Technique {
            /// The bands that a test in this region is held against. `None` gives those for all regions.
            pub fn bands(&self, region: Option<Region>) -> Bands {
                let none = RegionBands::default();
                let own = region.map_or(&none, |region| self.own_bands(region));
                Bands {
                    $($band: own.$band.unwrap_or(self.$band),)*
                }
            }
        }
    };
}

bands! {
    excursion_mm: [f64; 2],
    time_to_peak_min_s: f64,
    hold_sd_percent: f64,
    between_springs_percent: f64,
    hand_share_percent: [f64; 2],
    peak_cv_percent: f64,
    line_of_drive_deg: f64
}

impl RegionBands {
    /// Whether the region sets nothing of its own.
    pub fn is_empty(&self) -> bool {
        *self == RegionBands::default()
    }
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
}

/// One band of a region, as it may stand in study.toml.
macro_rules! band {
    ($region:literal, $key:literal, $unit:literal, $reason:literal) => {
        info(
            concat!("technique.", $region, ".", $key),
            $unit,
            concat!($reason, ", ", $region, " only"),
            AS_ALL,
        )
    };
}

/// The seven bands of each region.
macro_rules! of_region {
    ($($region:literal),*) => {
        &[$(
            band!($region, "excursion_mm", "mm", "band for the excursion of a spring"),
            band!($region, "time_to_peak_min_s", "s", "a spring that loads faster is called quick"),
            band!($region, "hold_sd_percent", "% of preload", "a hold that varies more is called unsteady"),
            band!($region, "between_springs_percent", "% of preload", "a force between springs below this came off"),
            band!($region, "hand_share_percent", "%", "band for the share of force of one hand at preload"),
            band!($region, "peak_cv_percent", "%", "springs whose peaks vary more are called uneven"),
            band!($region, "line_of_drive_deg", "deg", "mean departure from the planned line of drive that is named"),
        )*]
    };
}

const AS_ALL: &str = "as for all regions: no source was found for a band of its own";

/// Every band that a region may set for itself, in the order of the report.
pub const REGIONAL: &[SettingInfo] = of_region!("neck", "thoracic", "lumbar", "sacral");
