//! One test on a mat as figures need it: small enough to be kept for every test.

use super::geometry::Geometry;
use crate::terms::{Level, Side};
use serde::{Deserialize, Serialize};

/// One frame to be drawn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MapFrame {
    pub time_s: f64,
    /// What it is: `preload`, `peak`, or how long after the spring's start.
    pub label: String,
    /// Pressure of each cell as seen with the head up and the subject's left at the left, row by row.
    pub kpa: Vec<f32>,
    /// Force on each hand, in the order of [`MatTest::hands`].
    pub force_n: Vec<Option<f64>>,
}

/// One hand over a test, thinned for drawing.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ShownHand {
    pub side: Option<Side>,
    pub force_n: Vec<f32>,
    /// Centre of pressure across and along, in mm from the upper left of the mat as seen; `None` while the hand is off
    /// or presses too faintly.
    pub centre_mm: Vec<Option<[f32; 2]>>,
}

/// One test on a mat: an episode of contact with one hand or both.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatTest {
    pub recording: String,
    /// Episode within the recording, as in the table of tests.
    pub test: u32,
    /// Level, when it is known.
    pub level: Option<Level>,
    /// Cells across and along as seen, and their pitch in mm.
    pub cells: [usize; 2],
    pub pitch_mm: [f64; 2],
    pub midline_mm: Option<f64>,
    pub threshold_kpa: f64,
    /// Times of what follows, in the recording's own seconds.
    pub time_s: Vec<f32>,
    pub hands: Vec<ShownHand>,
    /// Start and end of each spring.
    pub springs_s: Vec<[f64; 2]>,
    /// At preload and at the peak.
    pub maps: Vec<MapFrame>,
    /// Through one spring.
    pub strip: Vec<MapFrame>,
}

impl MatTest {
    /// Share of the left hand in percent, where both press.
    pub fn left_share_percent(&self) -> Vec<Option<f32>> {
        let [left, right] = self.hands.as_slice() else {
            return vec![None; self.time_s.len()];
        };
        let both = left.force_n.iter().zip(&right.force_n);
        let on = left.centre_mm.iter().zip(&right.centre_mm);
        both.zip(on)
            .map(|((l, r), on)| match on {
                (Some(_), Some(_)) if l + r > 0.0 => Some(100.0 * l / (l + r)),
                _ => None,
            })
            .collect()
    }

    /// Highest pressure over all of its maps.
    pub fn highest_kpa(&self) -> f32 {
        self.maps
            .iter()
            .chain(&self.strip)
            .flat_map(|m| &m.kpa)
            .copied()
            .fold(0.0, f32::max)
    }
}

/// Cells across and along a mat as seen, and their pitch.
pub fn seen(geometry: &Geometry) -> ([usize; 2], [f64; 2]) {
    (
        [geometry.across_cells(), geometry.along_cells()],
        [geometry.across_pitch_mm(), geometry.along_pitch_mm()],
    )
}
