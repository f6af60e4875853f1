//! A pressure mat under simulated hands, with its own faults and the truth of every frame.

use super::files::number;
use super::{Rng, quantise};
use crate::mat::Geometry;
use crate::study::mat_setup::MatSetup;
use crate::trace::Trace;
use std::fmt::Write as _;
use toml::{Table, Value};

/// Streams of a seed that the mat draws from; each frame has one of its own after the last.
const CELLS: u64 = 20;
const FRAMES: u64 = 1000;
/// A pad has its stated size at this force, in N.
const SIZE_AT_N: f64 = 50.0;
/// Points a cell is read at, each way.
const POINTS: usize = 5;

/// One contact on the mat: an ellipse whose pressure falls off as a paraboloid.
///
/// # Formula
/// p = 2F/(π·a·b)·(1 − r²) inside the ellipse r < 1, so that the whole is F; both half axes grow with (F/50 N)^growth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pad {
    /// Middle across and along the subject, in mm from the corner at the left of the head.
    pub at_mm: [f64; 2],
    /// How far it moves over the whole recording.
    pub moves_mm: [f64; 2],
    /// Half axes across and along.
    pub half_mm: [f64; 2],
    pub growth: f64,
}

impl Pad {
    /// A pad of that size that stays in its place.
    pub fn still(at_mm: [f64; 2], half_mm: [f64; 2]) -> Pad {
        Pad {
            at_mm,
            moves_mm: [0.0; 2],
            half_mm,
            growth: 0.1,
        }
    }
}

/// What may be wrong with a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BadFrame {
    AllZero,
    Saturated,
    /// Its last cells are missing, separators and all.
    Short,
}

/// A mat and its faults.
#[derive(Debug, Clone, PartialEq)]
pub struct MatSensor {
    pub setup: MatSetup,
    /// Noise of one reading of one cell.
    pub noise_kpa: f64,
    pub resolution_kpa: f64,
    /// Standard deviation of the unloaded cells' readings among each other; none is below zero.
    pub offset_kpa: f64,
    /// Standard deviation of the cells' gains among each other.
    pub non_uniformity: f64,
    /// Rise of the reading for each tenfold time since the cell was first loaded, as a share.
    pub creep: f64,
    /// Highest reading of a cell.
    pub full_scale_kpa: Option<f64>,
    /// Cells that always read zero, by index.
    pub dead: Vec<usize>,
    /// Cells that always read the same, by index.
    pub stuck: Vec<(usize, f64)>,
    pub bad_frames: Vec<(usize, BadFrame)>,
}

impl MatSensor {
    /// A good mat: 0.2 kPa of noise, read to 0.1 kPa, unloaded cells about 0.5 kPa apart.
    pub fn good(setup: MatSetup) -> MatSensor {
        MatSensor {
            setup,
            noise_kpa: 0.2,
            resolution_kpa: 0.1,
            offset_kpa: 0.5,
            non_uniformity: 0.0,
            creep: 0.0,
            full_scale_kpa: None,
            dead: Vec::new(),
            stuck: Vec::new(),
            bad_frames: Vec::new(),
        }
    }
}

/// What truly pressed in one frame, one entry a pad.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PadTruth {
    pub force_n: f64,
    pub across_mm: f64,
    pub along_mm: f64,
}

/// A simulated mat recording. Frames are made one at a time, so that a long one needs no more room than a short one.
#[derive(Debug, Clone)]
pub struct SimulatedMat {
    pub sensor: MatSensor,
    pub pads: Vec<Pad>,
    pub time_s: Vec<f64>,
    /// True force of each pad.
    pub force_n: Vec<Vec<f64>>,
    /// One displacement for all, beside the cells.
    pub displacement_mm: Option<Vec<f64>>,
    geometry: Geometry,
    offsets: Vec<f64>,
    gains: Vec<f64>,
    loaded_since: Option<f64>,
    seed: u64,
}

/// Puts the noise-free forces of a simulated trace on a mat, one pad a channel in their order; further pads press with
/// the force given. `trace` is the recording that displacement is taken from, as its sensor read it.
pub fn simulate_mat(
    noise_free: &Trace,
    trace: &Trace,
    sensor: MatSensor,
    pads: &[Pad],
    further: &[(Pad, f64)],
    seed: u64,
) -> SimulatedMat {
    let geometry = Geometry::of(&sensor.setup);
    let mut rng = Rng::stream(seed, CELLS);
    let offsets = (0..geometry.cells())
        .map(|_| (sensor.offset_kpa * (2.0 + rng.normal_within_3())).max(0.0))
        .collect();
    let gains = (0..geometry.cells())
        .map(|_| 1.0 + sensor.non_uniformity * rng.normal_within_3())
        .collect();
    let mut force_n: Vec<Vec<f64>> = noise_free.channels.iter().map(|c| c.force_n.clone()).collect();
    let touched = |i: usize| force_n.iter().any(|f| f.get(i).is_some_and(|f| *f > 1.0));
    let loaded_since = (0..noise_free.time_s.len())
        .find(|i| touched(*i))
        .map(|i| noise_free.time_s[i]);
    let more: Vec<Vec<f64>> = further
        .iter()
        .map(|(_, force)| {
            (0..noise_free.time_s.len())
                .map(|i| if touched(i) { *force } else { 0.0 })
                .collect()
        })
        .collect();
    force_n.extend(more);
    SimulatedMat {
        pads: pads.iter().copied().chain(further.iter().map(|f| f.0)).collect(),
        time_s: noise_free.time_s.clone(),
        force_n,
        displacement_mm: trace.channels.first().and_then(|c| c.displacement_mm.clone()),
        geometry,
        offsets,
        gains,
        loaded_since,
        sensor,
        seed,
    }
}

impl SimulatedMat {
    /// What truly pressed in a frame.
    pub fn truth(&self, frame: usize) -> Vec<PadTruth> {
        let last = self.time_s.len().saturating_sub(1).max(1) as f64;
        let share = frame as f64 / last;
        self.pads
            .iter()
            .zip(&self.force_n)
            .map(|(pad, force)| PadTruth {
                force_n: force.get(frame).copied().unwrap_or(0.0).max(0.0),
                across_mm: pad.at_mm[0] + share * pad.moves_mm[0],
                along_mm: pad.at_mm[1] + share * pad.moves_mm[1],
            })
            .collect()
    }

    /// True pressure of each cell in kPa.
    pub fn pressure_kpa(&self, frame: usize) -> Vec<f64> {
        let mut cells = vec![0.0; self.geometry.cells()];
        for (pad, truth) in self.pads.iter().zip(self.truth(frame)) {
            if truth.force_n > 0.0 {
                self.press(pad, &truth, &mut cells);
            }
        }
        cells
    }

    fn press(&self, pad: &Pad, truth: &PadTruth, cells: &mut [f64]) {
        let g = &self.geometry;
        let size = libm::pow(truth.force_n / SIZE_AT_N, pad.growth);
        let half = pad.half_mm.map(|h| (h * size).max(1e-3));
        let pitch = [g.across_pitch_mm(), g.along_pitch_mm()];
        let mut weights: Vec<(usize, f64)> = Vec::new();
        let mut sum = 0.0;
        for cell in 0..g.cells() {
            let x = f64::from(g.across_mm()[cell]) - truth.across_mm;
            let y = f64::from(g.along_mm()[cell]) - truth.along_mm;
            if x.abs() > half[0] + pitch[0] || y.abs() > half[1] + pitch[1] {
                continue;
            }
            let step = |k: usize, pitch: f64| ((k as f64 + 0.5) / POINTS as f64 - 0.5) * pitch;
            let mut weight = 0.0;
            for i in 0..POINTS {
                for j in 0..POINTS {
                    let (u, v) = (
                        (x + step(i, pitch[0])) / half[0],
                        (y + step(j, pitch[1])) / half[1],
                    );
                    weight += (1.0 - u * u - v * v).max(0.0);
                }
            }
            if weight > 0.0 {
                weights.push((cell, weight));
                sum += weight;
            }
        }
        for (cell, weight) in weights {
            cells[cell] += truth.force_n * weight / sum / g.n_per_kpa();
        }
    }

    /// A frame as the mat reads it, in its own unit; `None` in cells that a short frame does not have.
    pub fn frame(&self, frame: usize) -> Vec<Option<f64>> {
        let sensor = &self.sensor;
        let mut rng = Rng::stream(self.seed, FRAMES + frame as u64);
        let unit = sensor.setup.unit.kpa(self.geometry.cell_area_mm2());
        let held = self
            .loaded_since
            .map_or(0.0, |since| self.time_s[frame] - since)
            .max(0.0);
        let creep = 1.0 + sensor.creep * libm::log10(1.0 + held);
        let top = sensor.full_scale_kpa.unwrap_or(f64::INFINITY);
        let pressure = self.pressure_kpa(frame);
        let mut cells: Vec<Option<f64>> = pressure
            .iter()
            .enumerate()
            .map(|(cell, p)| {
                let read =
                    p * self.gains[cell] * creep + self.offsets[cell] + sensor.noise_kpa * rng.normal();
                let kpa = quantise(read.max(0.0), sensor.resolution_kpa).min(top);
                Some(kpa / unit)
            })
            .collect();
        for &cell in &sensor.dead {
            cells[cell] = Some(0.0);
        }
        for &(cell, kpa) in &sensor.stuck {
            cells[cell] = Some(kpa / unit);
        }
        for (_, bad) in sensor.bad_frames.iter().filter(|(at, _)| *at == frame) {
            match bad {
                BadFrame::AllZero => cells.iter_mut().for_each(|c| *c = Some(0.0)),
                BadFrame::Saturated => {
                    let top = sensor.full_scale_kpa.unwrap_or(500.0) / unit;
                    cells.iter_mut().skip(3).for_each(|c| *c = Some(top));
                }
                BadFrame::Short => {
                    let kept = cells.len() - 7.min(cells.len());
                    cells.iter_mut().skip(kept).for_each(|c| *c = None);
                }
            }
        }
        cells
    }

    /// The headings: time, the cells in row order, and displacement where there is one.
    pub fn header(&self) -> String {
        let mut text = String::from("time_s");
        for cell in 0..self.geometry.cells() {
            let (row, col) = (cell / self.geometry.cols + 1, cell % self.geometry.cols + 1);
            let _ = write!(text, ",cell_{row}_{col}");
        }
        if self.displacement_mm.is_some() {
            text.push_str(",displacement_mm");
        }
        text.push('\n');
        text
    }

    /// One frame as a line of text; a whole number is written without decimals.
    pub fn line(&self, frame: usize) -> String {
        let decimals = (0..5)
            .find(|d| {
                let scaled = self.sensor.resolution_kpa * libm::pow(10.0, f64::from(*d));
                scaled > 0.0 && (scaled - scaled.round()).abs() < 1e-9
            })
            .unwrap_or(5) as usize;
        let decimals = match self.sensor.setup.unit.word() {
            "kPa" => decimals,
            _ => 5,
        };
        let mut text = format!("{:.4}", self.time_s[frame]);
        let cells = self.frame(frame);
        for value in cells.iter().flatten() {
            match *value == 0.0 {
                true => text.push_str(",0"),
                false => {
                    let _ = write!(text, ",{value:.decimals$}");
                }
            }
        }
        let whole = cells.iter().all(Option::is_some);
        if let (Some(x), true) = (&self.displacement_mm, whole) {
            let _ = write!(text, ",{:.3}", x[frame]);
        }
        text.push('\n');
        text
    }

    /// The whole file as text.
    pub fn text(&self) -> String {
        let mut text = self.header();
        for frame in 0..self.time_s.len() {
            text.push_str(&self.line(frame));
        }
        text
    }

    /// `[mat]` of its sidecar.
    pub fn mat_table(&self) -> Table {
        let setup = &self.sensor.setup;
        let mut table = Table::new();
        table.insert("rows".to_owned(), Value::Integer(setup.rows as i64));
        table.insert("cols".to_owned(), Value::Integer(setup.cols as i64));
        let pitch = match setup.pitch_mm {
            [a, b] if a == b => number(a),
            both => Value::Array(both.map(number).to_vec()),
        };
        table.insert("pitch_mm".to_owned(), pitch);
        table.insert("unit".to_owned(), Value::String(setup.unit.word().to_owned()));
        for (key, value) in [("midline_mm", setup.midline_mm), ("full_scale", setup.full_scale)] {
            if let Some(value) = value {
                table.insert(key.to_owned(), number(value));
            }
        }
        table
    }

    /// What is true of the pads, for `[truth]` of its sidecar.
    pub fn truth_table(&self) -> Table {
        let list = |of: &dyn Fn(&Pad) -> [f64; 2]| {
            let pads = self.pads.iter().map(|p| Value::Array(of(p).map(number).to_vec()));
            Value::Array(pads.collect())
        };
        let mut table = Table::new();
        table.insert("pads_at_mm".to_owned(), list(&|p| p.at_mm));
        table.insert("pads_move_mm".to_owned(), list(&|p| p.moves_mm));
        table.insert("pads_half_mm".to_owned(), list(&|p| p.half_mm));
        let peaks = self.force_n.iter().map(|f| f.iter().copied().fold(0.0, f64::max));
        table.insert(
            "pads_peak_n".to_owned(),
            Value::Array(peaks.map(number).collect()),
        );
        table.insert("noise_kpa".to_owned(), number(self.sensor.noise_kpa));
        table.insert(
            "dead_cells".to_owned(),
            Value::Integer(self.sensor.dead.len() as i64),
        );
        table.insert(
            "bad_frames".to_owned(),
            Value::Integer(self.sensor.bad_frames.len() as i64),
        );
        table
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{TraceSpec, simulate};
    use crate::study::mat_setup::MatUnit;

    #[test]
    fn a_pad_holds_its_force_and_lies_where_it_was_put() {
        let mut spec = TraceSpec::default();
        spec.sensor.rate_hz = 100.0;
        let made = simulate(&spec, 3);
        let sensor = MatSensor::good(MatSetup::new(24, 24, 8.0, MatUnit::Kpa));
        let pad = Pad::still([97.0, 83.0], [28.0, 21.0]);
        let mat = simulate_mat(&made.noise_free, &made.trace, sensor, &[pad], &[], 3);
        let frame = (0..mat.time_s.len())
            .max_by(|a, b| mat.force_n[0][*a].total_cmp(&mat.force_n[0][*b]))
            .unwrap();
        let cells = mat.pressure_kpa(frame);
        let g = Geometry::of(&mat.sensor.setup);
        let force: f64 = cells.iter().sum::<f64>() * g.n_per_kpa();
        assert!((force - mat.force_n[0][frame]).abs() < 1e-9);
        let across: f64 = cells
            .iter()
            .zip(g.across_mm())
            .map(|(p, x)| p * f64::from(*x))
            .sum::<f64>()
            / cells.iter().sum::<f64>();
        assert!((across - 97.0).abs() < 0.2, "{across}");
        assert_eq!(mat.line(5), mat.clone().line(5));
    }
}
