//! Levels and regions of the spine, in the order a scan meets them from the neck down.

use crate::settings::{Bands, CeilingN, RegionBands, Technique, WindowN};

/// Every level, from the neck down.
pub const LEVELS: [&str; 25] = [
    "C2",
    "C3",
    "C4",
    "C5",
    "C6",
    "C7",
    "T1",
    "T2",
    "T3",
    "T4",
    "T5",
    "T6",
    "T7",
    "T8",
    "T9",
    "T10",
    "T11",
    "T12",
    "L1",
    "L2",
    "L3",
    "L4",
    "L5",
    "sacral_base",
    "SI",
];

/// A stretch of the spine with one ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Region {
    Neck,
    Thoracic,
    Lumbar,
    Sacral,
}

impl Region {
    /// The word in study.toml and on pages.
    pub fn word(self) -> &'static str {
        match self {
            Region::Neck => "neck",
            Region::Thoracic => "thoracic",
            Region::Lumbar => "lumbar",
            Region::Sacral => "sacral",
        }
    }

    /// The region's ceiling, in N.
    pub fn ceiling_n(self, ceilings: &CeilingN) -> f64 {
        match self {
            Region::Neck => ceilings.neck,
            Region::Thoracic => ceilings.thoracic,
            Region::Lumbar => ceilings.lumbar,
            Region::Sacral => ceilings.sacral,
        }
    }
}

impl Region {
    /// Every region, from the neck down.
    pub const ALL: [Region; 4] = [Region::Neck, Region::Thoracic, Region::Lumbar, Region::Sacral];

    /// What a study set for this region alone.
    pub fn own_bands(self, technique: &Technique) -> &RegionBands {
        match self {
            Region::Neck => &technique.neck,
            Region::Thoracic => &technique.thoracic,
            Region::Lumbar => &technique.lumbar,
            Region::Sacral => &technique.sacral,
        }
    }
}

/// The bands that a test at this level is held against. A level that is none gets those for all regions.
pub fn bands(level: Option<&str>, technique: &Technique) -> Bands {
    technique.bands(level.and_then(region).map(|r| r.own_bands(technique)))
}

/// Rank of a level from the neck down; `None` for a word that is no level.
pub fn rank(level: &str) -> Option<usize> {
    LEVELS.iter().position(|l| *l == level)
}

/// Region of a level; `None` for a word that is no level.
pub fn region(level: &str) -> Option<Region> {
    match rank(level)? {
        0..=5 => Some(Region::Neck),
        6..=17 => Some(Region::Thoracic),
        18..=22 => Some(Region::Lumbar),
        _ => Some(Region::Sacral),
    }
}

/// Loads of the window stiffness at a level, in N. An unknown level gets the window used elsewhere.
pub fn window_n(level: Option<&str>, windows: &WindowN) -> [f64; 2] {
    match level.and_then(rank) {
        Some(0..=2) => windows.upper_neck,
        Some(3..=5) => windows.lower_neck,
        _ => windows.elsewhere,
    }
}

/// The level as a person reads it.
pub fn label(level: &str) -> &str {
    if level == "sacral_base" {
        "sacral base"
    } else {
        level
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn regions_meet_where_anatomy_says() {
        // Seven cervical, twelve thoracic and five lumbar vertebrae: common knowledge of the trade, no source.
        assert_eq!(region("C7"), Some(Region::Neck));
        assert_eq!(region("T1"), Some(Region::Thoracic));
        assert_eq!(region("T12"), Some(Region::Thoracic));
        assert_eq!(region("L1"), Some(Region::Lumbar));
        assert_eq!(region("L5"), Some(Region::Lumbar));
        assert_eq!(region("sacral_base"), Some(Region::Sacral));
        assert_eq!(region("L6"), None);
    }
}
