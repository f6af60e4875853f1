//! Levels of an invented back: usual stiffness, left against right, how each is touched.

use super::{Elastic, Tissue};
use crate::error::{Error, Result};
use crate::terms::{Level, Region, Side};

/// A place on the back: the same level on both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelModel {
    pub level: Level,
    /// End-feel stiffness midway (on the log scale) between the sides, in N/mm.
    pub end_feel_n_per_mm: f64,
    pub onset_mm: f64,
    /// ln(right/left).
    pub log_ratio: f64,
}

impl LevelModel {
    /// 200·tanh(d/2): the asymmetry in percent, positive when the right is stiffer (METHODS.md §6.2).
    pub fn asymmetry_percent(&self) -> f64 {
        200.0 * libm::tanh(self.log_ratio / 2.0)
    }

    /// Tissue under one side; a midline contact feels the mean of both. `log_factor` holds examiner and placing.
    pub fn tissue(&self, side: Side, log_factor: f64, onset_shift_mm: f64) -> Tissue {
        let half = match side {
            Side::Left => -0.5,
            Side::Right => 0.5,
            Side::Midline => 0.0,
        };
        let end_feel = self.end_feel_n_per_mm * libm::exp(half * self.log_ratio + log_factor);
        Tissue {
            elastic: Elastic::Knee {
                take_up_n_per_mm: 0.15 * end_feel,
                end_feel_n_per_mm: end_feel,
                onset_mm: (self.onset_mm + onset_shift_mm).max(1.0),
                width_mm: 0.15,
            },
            damping_n_s_per_mm: 0.014 * end_feel,
            ..Tissue::default()
        }
    }
}

/// d = 2·artanh(p/200): the log ratio of an asymmetry in percent.
///
/// # Errors
/// [`Error::Setting`] unless the asymmetry lies between −150 and 150 %.
pub fn log_ratio(asymmetry_percent: f64) -> Result<f64> {
    if asymmetry_percent.abs() <= 150.0 {
        return Ok(2.0 * libm::atanh(asymmetry_percent / 200.0));
    }
    Err(Error::Setting {
        what: "asymmetry".to_owned(),
        found: format!("{asymmetry_percent} %"),
        expected: "a number from -150 to 150, positive where the right is stiffer".to_owned(),
    })
}

/// Usual end-feel stiffness of a level in N/mm, for invented data only.
///
/// C2 4.6 and C7 7.0 (Snodgrass 2008, Manual Therapy 13:520-528), T4 9.1, T7 10.7 and T10 11.4 (Edmondston et al.
/// 1999, Manual Therapy 4:157-162), lumbar 11.2 (Owens et al. 2007, JMPT 30:116-123); straight lines between,
/// and the lumbar value below, for which no source was found.
pub fn usual_end_feel_n_per_mm(level: Level) -> f64 {
    const KNOWN: [(f64, f64); 6] = [
        (0.0, 4.6),
        (5.0, 7.0),
        (9.0, 9.1),
        (12.0, 10.7),
        (15.0, 11.4),
        (18.0, 11.2),
    ];
    let rank = level.rank() as f64;
    let mut value = KNOWN[0].1;
    for pair in KNOWN.windows(2) {
        let ((a, low), (b, high)) = (pair[0], pair[1]);
        value = if rank >= b {
            high
        } else if rank > a {
            low + (high - low) * (rank - a) / (b - a)
        } else {
            value
        };
    }
    value
}

/// Usual displacement at the onset, in mm: invented, deeper where there is more soft tissue.
pub fn usual_onset_mm(region: Region) -> f64 {
    match region {
        Region::Neck => 4.5,
        Region::Thoracic => 6.0,
        Region::Lumbar => 8.2,
        Region::Sacral => 6.5,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_asymmetry_comes_back_from_its_log_ratio() {
        let model = LevelModel {
            level: Level::L3,
            end_feel_n_per_mm: 11.0,
            onset_mm: 8.0,
            log_ratio: log_ratio(40.0).unwrap(),
        };
        assert!((model.asymmetry_percent() - 40.0).abs() < 1e-9);
        let slope = |side| model.tissue(side, 0.0, 0.0).elastic.end_feel_n_per_mm().unwrap();
        let (left, right) = (slope(Side::Left), slope(Side::Right));
        assert!((100.0 * (right - left) / ((right + left) / 2.0) - 40.0).abs() < 1e-9);
        assert!(log_ratio(200.0).is_err());
    }

    #[test]
    fn usual_stiffness_follows_the_published_levels() {
        // Sources beside the function; L5 lies beyond the last and keeps its value.
        for (level, expected) in [
            (Level::C2, 4.6),
            (Level::C7, 7.0),
            (Level::T4, 9.1),
            (Level::T7, 10.7),
            (Level::T10, 11.4),
            (Level::L5, 11.2),
        ] {
            assert!(
                (usual_end_feel_n_per_mm(level) - expected).abs() < 1e-12,
                "{level}"
            );
        }
    }
}
