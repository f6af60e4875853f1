//! One frame: baseline off, masked cells filled, loaded areas found, the rest summed over coarse squares.

use super::areas::{AreaFinder, LoadedArea};
use super::geometry::Geometry;

/// How frames are worked on: the same for all frames of a recording, so that they can be worked on side by side.
#[derive(Debug, Clone)]
pub struct FramePlan {
    pub geometry: Geometry,
    /// Kilopascals of one raw unit, cell by cell.
    pub kpa_per_unit: Vec<f32>,
    /// Raw reading of each unloaded cell.
    pub baseline: Vec<f32>,
    /// Cells that are not believed.
    pub masked: Vec<usize>,
    /// A cell over this is loaded.
    pub threshold_kpa: f32,
    /// Noise of one cell.
    pub noise_kpa: f32,
    /// Highest raw reading that the mat can give.
    pub full_scale: Option<f32>,
    /// A mat under the subject: the sum of all cells is looked at and nothing else.
    pub total_only: bool,
}

/// Why a frame is left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FrameFault {
    /// Not one number a cell.
    WrongLength,
    /// Cells that hold no number.
    Unreadable,
    /// Over a quarter of the cells missing.
    Missing,
    /// Half of the cells or more at the highest reading.
    Saturated,
    /// All cells zero while the hands were on.
    AllZero,
    /// A time that stands twice or is missing.
    Time,
}

impl FrameFault {
    /// Every kind, in the order of messages.
    pub const ALL: [FrameFault; 6] = [
        FrameFault::WrongLength,
        FrameFault::Unreadable,
        FrameFault::Missing,
        FrameFault::Saturated,
        FrameFault::AllZero,
        FrameFault::Time,
    ];

    /// In words, for a count before it.
    pub fn words(self) -> &'static str {
        match self {
            FrameFault::WrongLength => "of the wrong length",
            FrameFault::Unreadable => "with cells that are no number",
            FrameFault::Missing => "with over a quarter of the cells missing",
            FrameFault::Saturated => "saturated",
            FrameFault::AllZero => "all zero while the hands were on",
            FrameFault::Time => "without a time of their own",
        }
    }
}

/// What is kept of a frame.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FrameParts {
    pub fault: Option<FrameFault>,
    /// Every cell reads exactly zero.
    pub all_zero: bool,
    /// Cells at the highest reading.
    pub clipped: u16,
    /// Force on all cells.
    pub total_n: f64,
    pub areas: Vec<LoadedArea>,
    /// Force on each coarse square, cells of loaded areas left out.
    pub rest_n: Vec<f32>,
    /// Force by cells across, and the same times the place along in mm: of the loaded areas, when there is only one
    /// large enough to be two hands grown together.
    pub profile: Vec<[f32; 2]>,
}

/// Room that frames are worked on in; one a thread.
pub struct Scratch {
    kpa: Vec<f32>,
    finder: AreaFinder,
}

impl Scratch {
    /// Room for frames of that plan.
    pub fn new(plan: &FramePlan) -> Scratch {
        Scratch {
            kpa: vec![0.0; plan.geometry.cells()],
            finder: AreaFinder::new(&plan.geometry),
        }
    }
}

impl FramePlan {
    /// The frame in kPa, baseline off, masked cells filled from their neighbours.
    ///
    /// # Formula
    /// A masked cell stands as the mean of the neighbours that are not masked, corners included, from the edge of a
    /// masked patch inward.
    pub fn kpa(&self, raw: &[f32], out: &mut [f32]) {
        for (((out, raw), base), unit) in out
            .iter_mut()
            .zip(raw)
            .zip(&self.baseline)
            .zip(&self.kpa_per_unit)
        {
            *out = (raw - base) * unit;
        }
        if self.masked.is_empty() {
            return;
        }
        for &cell in &self.masked {
            out[cell] = f32::NAN;
        }
        for _ in 0..self.geometry.rows.max(self.geometry.cols) {
            let mut filled = Vec::new();
            for &cell in &self.masked {
                if !out[cell].is_nan() {
                    continue;
                }
                let beside = self.geometry.around(cell).map(|c| out[c]);
                let (sum, n) = beside
                    .filter(|p| !p.is_nan())
                    .fold((0.0, 0), |(s, n), p| (s + p, n + 1));
                if n > 0 {
                    filled.push((cell, sum / n as f32));
                }
            }
            if filled.is_empty() {
                break;
            }
            for (cell, p) in filled {
                out[cell] = p;
            }
        }
        for &cell in &self.masked {
            if out[cell].is_nan() {
                out[cell] = 0.0;
            }
        }
    }

    /// Force on all cells of a frame of raw readings, masked ones included.
    pub fn total_n(&self, raw: &[f32]) -> f64 {
        let cells = raw.iter().zip(&self.baseline).zip(&self.kpa_per_unit);
        let sum: f64 = cells.map(|((v, base), unit)| f64::from((v - base) * unit)).sum();
        sum * self.geometry.n_per_kpa()
    }

    /// Works on one frame of raw readings.
    pub fn analyse(&self, raw: &[f32], scratch: &mut Scratch) -> FrameParts {
        let mut parts = FrameParts::default();
        let (low, high) = raw.iter().fold((f32::INFINITY, f32::NEG_INFINITY), |(l, h), v| {
            (l.min(*v), h.max(*v))
        });
        parts.all_zero = low == 0.0 && high == 0.0;
        let top = self.full_scale.unwrap_or(high);
        let at_top = raw.iter().filter(|v| **v >= top).count();
        parts.clipped = match self.full_scale {
            Some(_) => at_top.min(usize::from(u16::MAX)) as u16,
            None => 0,
        };
        if !parts.all_zero && 2 * at_top >= raw.len() && raw.len() > 3 {
            parts.fault = Some(FrameFault::Saturated);
            return parts;
        }
        self.kpa(raw, &mut scratch.kpa);
        if self.total_only {
            let sum: f64 = scratch.kpa.iter().map(|p| f64::from(*p)).sum();
            parts.total_n = sum * self.geometry.n_per_kpa();
            return parts;
        }
        let valley = 6.0 * self.noise_kpa;
        parts.areas = scratch
            .finder
            .find(&self.geometry, &scratch.kpa, self.threshold_kpa, valley);
        self.rest(&scratch.kpa, scratch.finder.area_of(), &mut parts);
        if parts.areas.len() == 1 {
            self.profile(&scratch.kpa, scratch.finder.area_of(), &mut parts);
        }
        parts
    }

    fn rest(&self, kpa: &[f32], area_of: &[u16], parts: &mut FrameParts) {
        let g = &self.geometry;
        let n_per_kpa = g.n_per_kpa();
        let mut tiles = vec![0.0_f64; g.tiles()];
        let loaded = !parts.areas.is_empty();
        for row in 0..g.rows {
            let cells = row * g.cols..(row + 1) * g.cols;
            let first = g.tile_of(row * g.cols);
            let kpa = kpa[cells.clone()].chunks(g.tile_width());
            let areas = area_of[cells].chunks(g.tile_width());
            for (k, (kpa, areas)) in kpa.zip(areas).enumerate() {
                let sum: f32 = match loaded {
                    false => kpa.iter().sum(),
                    true => kpa
                        .iter()
                        .zip(areas)
                        .map(|(p, a)| if *a == 0 { *p } else { 0.0 })
                        .sum(),
                };
                tiles[first + k] += f64::from(sum);
            }
        }
        let rest: f64 = tiles.iter().sum();
        parts.total_n = rest * n_per_kpa + parts.areas.iter().map(|a| a.force_n).sum::<f64>();
        parts.rest_n = tiles.iter().map(|t| (t * n_per_kpa) as f32).collect();
    }

    fn profile(&self, kpa: &[f32], area_of: &[u16], parts: &mut FrameParts) {
        let g = &self.geometry;
        let n_per_kpa = g.n_per_kpa() as f32;
        parts.profile = vec![[0.0; 2]; g.across_cells()];
        for (cell, area) in area_of.iter().enumerate() {
            if *area != 0 {
                let f = kpa[cell] * n_per_kpa;
                let at = g.across_index(cell).min(parts.profile.len() - 1);
                parts.profile[at][0] += f;
                parts.profile[at][1] += f * g.along_mm()[cell];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::mat_setup::{MatSetup, MatUnit};

    fn plan(rows: usize, cols: usize) -> FramePlan {
        let geometry = Geometry::of(&MatSetup::new(rows, cols, 10.0, MatUnit::Kpa));
        FramePlan {
            kpa_per_unit: vec![1.0; geometry.cells()],
            baseline: vec![0.5; geometry.cells()],
            geometry,
            masked: Vec::new(),
            threshold_kpa: 1.0,
            noise_kpa: 0.1,
            full_scale: None,
            total_only: false,
        }
    }

    #[test]
    fn areas_and_the_rest_are_together_the_sum_of_all_cells() {
        let plan = plan(12, 15);
        let raw: Vec<f32> = (0..180)
            .map(|i| match (i / 15, i % 15) {
                (2..5, 2..5) => 40.5,
                (7..9, 9..12) => 20.5,
                _ => 0.5 + 0.1 * (i % 7) as f32,
            })
            .collect();
        let parts = plan.analyse(&raw, &mut Scratch::new(&plan));
        assert_eq!(parts.areas.len(), 2);
        let cells: f64 = raw.iter().map(|r| f64::from(r - 0.5) * 0.1).sum();
        assert!((parts.total_n - cells).abs() < 1e-4, "{} {cells}", parts.total_n);
        let areas: f64 = parts.areas.iter().map(|a| a.force_n).sum();
        let rest: f64 = parts.rest_n.iter().map(|r| f64::from(*r)).sum();
        assert!((areas + rest - parts.total_n).abs() < 1e-4);
    }

    #[test]
    fn a_masked_row_under_a_hand_is_filled_from_the_rows_beside_it() {
        let mut plan = plan(5, 4);
        plan.masked = (8..12).collect();
        let raw: Vec<f32> = (0..20).map(|i| if i / 4 == 2 { 99.0 } else { 10.5 }).collect();
        let mut kpa = vec![0.0; 20];
        plan.kpa(&raw, &mut kpa);
        assert!(kpa.iter().all(|p| (p - 10.0).abs() < 1e-6), "{kpa:?}");
    }

    #[test]
    fn a_frame_with_half_of_its_cells_at_the_top_is_saturated() {
        let plan = plan(4, 4);
        let raw: Vec<f32> = (0..16).map(|i| if i < 8 { 255.0 } else { 1.0 }).collect();
        let parts = plan.analyse(&raw, &mut Scratch::new(&plan));
        assert_eq!(parts.fault, Some(FrameFault::Saturated));
    }
}
