//! One pass through a mat recording: every frame through the analysis, in blocks.

use super::MatSource;
use super::block::RowBlock;
use super::reader::MatReader;
use super::sequence::{RowSequence, SharedStamps, good_frames, good_times, smallest_step};
use crate::error::{Problem, Result};
use crate::mat::baseline::{Baseline, SHORTEST_S, baseline, unloaded_frames};
use crate::mat::cells::{CellCheck, CellFault, CellRanges};
use crate::mat::collect::Frames;
use crate::mat::frame::{FrameFault, FrameParts, FramePlan, Scratch};
use crate::mat::geometry::Geometry;
use crate::read::headings::SourceColumn;
use crate::study::mat_setup::Placement;
use rayon::prelude::*;
use std::ops::Range;

/// Rows that one core works on at a time.
const ROWS_A_JOB: usize = 16;
/// A recording that begins with a hand on lies higher at its beginning than at its lowest, by this share of its range
/// and by this many N.
const LOADED_START_SHARE: f64 = 0.15;
const LOADED_START_N: f64 = 10.0;
/// Of the noise of a cell's rounding: one over the root of twelve.
const ROUNDING: f64 = 0.288_675_134_594_812_9;
/// A recording with a larger share of its frames left out is not used.
const LEFT_OUT_SHARE: f64 = 0.2;

/// Frames of a recording with how they were worked on.
pub(super) struct MatPass {
    pub frames: Frames,
    pub plan: FramePlan,
    /// Raw columns beside time and cells, rows as in `frames`.
    pub beside: Vec<Vec<f64>>,
    pub ranges: CellRanges,
    pub faults: Vec<(usize, CellFault)>,
    /// The mat was never unloaded: nothing was taken off.
    pub no_baseline: bool,
    pub missing_cells: usize,
    /// Rows that have the time of the one before.
    pub equal_times: usize,
    /// What `beside` holds.
    pub beside_columns: Vec<SourceColumn>,
    noisy: Vec<usize>,
}

/// One run through the file. `unloaded` are the frames that a baseline is made of, else the beginning is looked at.
pub(super) fn pass(
    source: &MatSource<'_>,
    unloaded: Option<Range<usize>>,
    masked: &[usize],
    shared: SharedStamps,
    hash: bool,
) -> Result<(MatPass, MatReader)> {
    let given = match &unloaded {
        Some(range) => Some(frames_of(source, range, shared)?),
        None => None,
    };
    let mut reader = MatReader::open(source, hash)?;
    let time_scale = reader.layout().columns.first().map_or(1.0, |w| w.scale);
    let mut rows = RowSequence::new(source, time_scale, shared);
    let mut head: Vec<RowBlock> = Vec::new();
    while rows.wants_more(&head) {
        match reader.next_block()? {
            Some(block) => head.push(rows.in_order(block)?),
            None => break,
        }
    }
    let mut passed = MatPass::begin(source, given.as_deref(), &head, masked);
    passed.beside_columns = reader.layout().columns[1..].to_vec();
    passed.beside = vec![Vec::new(); passed.beside_columns.len()];
    for block in head {
        passed.take(block);
    }
    while let Some(block) = reader.next_block()? {
        passed.take(rows.in_order(block)?);
    }
    passed.missing_cells = rows.missing_cells;
    passed.equal_times = rows.equal;
    for (line, time_s) in rows.untimed {
        passed.frames.count(FrameFault::Time, time_s, line);
    }
    Ok((passed, reader))
}

/// The raw cells of some frames, as counted by [`Frames`].
fn frames_of(source: &MatSource<'_>, range: &Range<usize>, shared: SharedStamps) -> Result<Vec<f32>> {
    let mut reader = MatReader::open(source, false)?;
    let time_scale = reader.layout().columns.first().map_or(1.0, |w| w.scale);
    let mut rows = RowSequence::new(source, time_scale, shared);
    let cells = source.setup.cells();
    let (mut from, mut found) = (0, Vec::new());
    while let Some(block) = reader.next_block()? {
        let block = rows.in_order(block)?;
        for (k, frame) in block.cells.chunks_exact(cells).enumerate() {
            if range.contains(&(from + k)) && block.fault[k].is_none() {
                found.extend_from_slice(frame);
            }
        }
        from += block.len();
        if from >= range.end {
            break;
        }
    }
    Ok(found)
}

impl MatPass {
    /// Settles baseline, noise and threshold from given unloaded frames, else from the beginning.
    fn begin(source: &MatSource<'_>, given: Option<&[f32]>, head: &[RowBlock], masked: &[usize]) -> MatPass {
        let setup = source.setup;
        let geometry = Geometry::of(setup);
        let cells = geometry.cells();
        let unit = setup.unit.kpa(geometry.cell_area_mm2()) * setup.gain;
        let kpa_per_unit: Vec<f32> = match &setup.cell_gains {
            Some(gains) => gains.iter().map(|g| (g * unit) as f32).collect(),
            None => vec![unit as f32; cells],
        };
        let mut plan = FramePlan {
            kpa_per_unit,
            baseline: vec![0.0; cells],
            masked: masked.to_vec(),
            threshold_kpa: 0.0,
            noise_kpa: 0.0,
            full_scale: setup.full_scale.map(|v| v as f32),
            total_only: setup.placement == Placement::UnderSubject,
            geometry,
        };
        let frames: Vec<&[f32]> = head.iter().flat_map(|b| good_frames(b, cells)).collect();
        let unloaded = match given {
            Some(given) => given.to_vec(),
            None => {
                let times: Vec<f64> = head.iter().flat_map(good_times).collect();
                let totals: Vec<f64> = frames.iter().map(|f| plan.total_n(f)).collect();
                let count = unloaded_frames(&times, &totals).unwrap_or(0);
                frames[..count].concat()
            }
        };
        let found = match unloaded.is_empty() {
            true => None,
            false => Some(baseline(&unloaded, cells)),
        };
        let step = smallest_step(&frames);
        let noise = found
            .as_ref()
            .map_or(0.0, |b| f64::from(b.noise))
            .max(ROUNDING * step);
        let noise_kpa = noise * unit;
        plan.noise_kpa = noise_kpa as f32;
        let threshold = source.settings.threshold_sigma * noise_kpa;
        plan.threshold_kpa = threshold.max(source.settings.threshold_kpa).max(1e-6) as f32;
        let no_baseline = found.is_none() && !plan.total_only;
        let noisy = found.as_ref().map_or(Vec::new(), |b| b.noisy.clone());
        if let (Some(Baseline { mean, .. }), false) = (found, plan.total_only) {
            plan.baseline = mean;
        }
        MatPass {
            frames: Frames::new(if plan.total_only { 0 } else { plan.geometry.tiles() }),
            ranges: CellRanges::new(cells),
            plan,
            beside: Vec::new(),
            faults: Vec::new(),
            no_baseline,
            missing_cells: 0,
            equal_times: 0,
            beside_columns: Vec::new(),
            noisy,
        }
    }

    /// Works on a block, on all cores.
    fn take(&mut self, block: RowBlock) {
        let cells = self.plan.geometry.cells();
        let plan = &self.plan;
        let jobs: Vec<(Vec<FrameParts>, CellRanges)> = block
            .cells
            .par_chunks(ROWS_A_JOB * cells)
            .zip(block.fault.par_chunks(ROWS_A_JOB))
            .map_init(
                || Scratch::new(plan),
                |scratch, (frames, faults)| {
                    let mut ranges = CellRanges::new(cells);
                    let parts = frames.chunks_exact(cells).zip(faults).map(|(frame, fault)| {
                        if fault.is_some() {
                            return FrameParts {
                                fault: *fault,
                                ..FrameParts::default()
                            };
                        }
                        let parts = plan.analyse(frame, scratch);
                        if parts.fault.is_none() && !parts.all_zero {
                            ranges.see(frame);
                        }
                        parts
                    });
                    (parts.collect(), ranges)
                },
            )
            .collect();
        let mut k = 0;
        for (parts, ranges) in jobs {
            self.ranges.join(&ranges);
            for part in parts {
                let line = block.line.get(k).copied();
                self.frames.push(block.time[k], block.place[k], line, part);
                k += 1;
            }
        }
        for (all, new) in self.beside.iter_mut().zip(block.beside) {
            all.extend(new);
        }
    }

    /// Where the mat was unloaded, in frames, when it was not at the beginning.
    pub fn loaded_start(&self, source: &MatSource<'_>) -> Option<Range<usize>> {
        if source.setup.placement == Placement::UnderSubject {
            return None;
        }
        let t = &self.frames.time_s;
        let total = &self.frames.total_n;
        let span = t.last()? - t.first()?;
        let n = ((SHORTEST_S / span.max(1e-9) * t.len() as f64).ceil() as usize).max(10);
        let mean = |from: usize| {
            let part: Vec<f64> = total[from..from + n]
                .iter()
                .copied()
                .filter(|v| !v.is_nan())
                .collect();
            match part.is_empty() {
                true => f64::INFINITY,
                false => part.iter().sum::<f64>() / part.len() as f64,
            }
        };
        if t.len() < 2 * n {
            return None;
        }
        let lowest = (0..=t.len() - n)
            .step_by((n / 2).max(1))
            .map(|i| (mean(i), i))
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
        let high = total.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let limit = (LOADED_START_SHARE * (high - lowest.0)).max(LOADED_START_N);
        let start = mean(0);
        (start.is_finite() && start - lowest.0 > limit).then(|| lowest.1..lowest.1 + n)
    }

    pub fn judge_cells(&self, source: &MatSource<'_>) -> Vec<(usize, CellFault)> {
        let threshold = |cell: usize| self.plan.threshold_kpa / self.plan.kpa_per_unit[cell];
        let check = CellCheck {
            geometry: &self.plan.geometry,
            ranges: &self.ranges,
            baseline: &self.plan.baseline,
            noisy: &self.noisy,
            named: &source.setup.dead,
            threshold: &threshold,
        };
        check.faults()
    }

    /// Refuses a recording that is mostly corrupt.
    pub fn check_left_out(&self, recording: &str) -> Result<(), Problem> {
        let left_out = self.frames.left_out();
        let untimed = self.frames.faults.get(&FrameFault::Time).map_or(0, |c| c.frames);
        let all = self.frames.len() + untimed;
        if all > 0 && left_out as f64 <= LEFT_OUT_SHARE * all as f64 {
            return Ok(());
        }
        let kinds: Vec<String> = self
            .frames
            .faults
            .iter()
            .map(|(fault, count)| format!("{} {}", count.frames, fault.words()))
            .collect();
        let first = self.frames.faults.values().filter_map(|c| c.first_line).min();
        let found = match all {
            0 => "headings and no frames".to_owned(),
            _ => format!("{left_out} of {all} frames corrupt: {}", kinds.join(", ")),
        };
        let problem = Problem::error(
            recording,
            found,
            "frames of one number a cell, at most a fifth of them corrupt",
            "check rows and cols in the sidecar, and the mat's cable; record again",
        );
        Err(problem.at_line(first))
    }
}
