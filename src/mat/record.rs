//! What a mat recording gave beside its trace: for the measures that only a mat can give, and for its figures.

use super::frame::FramePlan;
use super::geometry::Geometry;
use super::hands::Hand;
use crate::settings;
use crate::study::mat_setup::{MatSetup, Placement};

/// What is known of the readings, in percent: from the sidecar, else from the settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MatUncertainty {
    /// Standard uncertainty of the mat's gain.
    pub gain_u_percent: f64,
    /// Standard deviation of the cells' gains among each other.
    pub non_uniformity_percent: f64,
    /// Rise of a steady reading for each tenfold time under load.
    pub creep_percent: f64,
}

impl MatUncertainty {
    /// The sidecar's values, the settings' where it has none. A mat whose cells have gains of their own is as even as
    /// those say, unless the sidecar says how even it is.
    pub fn of(setup: &MatSetup, settings: &settings::Mat) -> MatUncertainty {
        MatUncertainty {
            gain_u_percent: setup.gain_u_percent.unwrap_or(settings.gain_u_percent),
            non_uniformity_percent: setup
                .non_uniformity_percent
                .unwrap_or(settings.non_uniformity_percent),
            creep_percent: setup.creep_percent.unwrap_or(settings.creep_percent),
        }
    }
}

/// A mat recording, read.
#[derive(Debug, Clone, PartialEq)]
pub struct MatRecord {
    pub geometry: Geometry,
    pub placement: Placement,
    pub readings: MatUncertainty,
    /// Kilopascals of one raw unit, cell by cell; with `baseline` and `masked`, what makes a frame of raw readings.
    pub kpa_per_unit: Vec<f32>,
    /// Raw reading of each unloaded cell.
    pub baseline: Vec<f32>,
    pub masked: Vec<usize>,
    pub threshold_kpa: f64,
    /// Standard deviation of one cell's reading.
    pub noise_kpa: f64,
    pub midline_mm: Option<f64>,
    pub time_s: Vec<f64>,
    /// Where each frame stands in its file.
    pub place: Vec<u64>,
    /// Force on all cells, NaN in frames left out.
    pub total_n: Vec<f64>,
    /// In the order of the trace's channels; empty for a mat under the subject.
    pub hands: Vec<Hand>,
    /// Frames with at least one cell at full scale.
    pub clipped: Vec<usize>,
    /// How many frames were left out.
    pub frames_left_out: usize,
}

impl MatRecord {
    /// How its frames are made of raw readings.
    pub fn plan(&self) -> FramePlan {
        FramePlan {
            geometry: self.geometry.clone(),
            kpa_per_unit: self.kpa_per_unit.clone(),
            baseline: self.baseline.clone(),
            masked: self.masked.clone(),
            threshold_kpa: self.threshold_kpa as f32,
            noise_kpa: self.noise_kpa as f32,
            full_scale: None,
            total_only: self.placement == Placement::UnderSubject,
        }
    }

    /// The frame that was taken nearest to a time, frames left out passed over.
    pub fn frame_at(&self, time_s: f64) -> Option<usize> {
        let good = |i: &usize| self.total_n.get(*i).is_some_and(|t| !t.is_nan());
        let after = self.time_s.partition_point(|t| *t < time_s);
        let far = |i: usize| (self.time_s[i] - time_s).abs();
        let next = (after..self.time_s.len()).find(good);
        let before = (0..after).rev().find(good);
        match (before, next) {
            (Some(a), Some(b)) => Some(if far(a) <= far(b) { a } else { b }),
            (a, b) => a.or(b),
        }
    }

    /// Frames from one time to another, both included.
    pub fn frames_between(&self, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let begin = self.time_s.partition_point(|t| *t < from_s - 1e-9);
        let end = self.time_s.partition_point(|t| *t <= to_s + 1e-9);
        begin..end.max(begin)
    }
}
