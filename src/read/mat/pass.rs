//! A whole mat recording: its frames through the analysis, once or, where the first pass shows a need, twice.

use super::rows::{Rows, good_frames, good_times, smallest_step};
use super::{Block, Feed, MatSource};
use crate::calibrate::Calibration;
use crate::error::{Error, Problem, Result};
use crate::mat::baseline::{Baseline, SHORTEST_S, baseline, unloaded_frames};
use crate::mat::cells::{CellCheck, CellFault, CellRanges};
use crate::mat::collect::Frames;
use crate::mat::frame::{FrameFault, FrameParts, FramePlan, Scratch};
use crate::mat::geometry::Geometry;
use crate::read::ReadTrace;
use crate::read::headings::Wanted;
use crate::study::mat_setup::Placement;
use crate::trace::About;
use rayon::prelude::*;
use std::ops::Range;
use std::path::Path;

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
/// All-zero frames for longer than this, in s, are a mat switched off, not frames lost.
const DROPOUT_S: f64 = 1.0;

/// Frames of a recording with how they were worked on.
pub(super) struct Passed {
    pub frames: Frames,
    pub plan: FramePlan,
    /// Raw columns beside time and cells, rows as in `frames`.
    pub beside: Vec<Vec<f64>>,
    pub ranges: CellRanges,
    pub faults: Vec<(usize, CellFault)>,
    /// The mat was never unloaded: nothing was taken off.
    pub no_baseline: bool,
    pub missing_cells: usize,
    /// What `beside` holds.
    pub beside_wanted: Vec<Wanted>,
    noisy: Vec<usize>,
}

/// Reads a mat recording: a trace with one channel a hand, and the record beside it. `sha256` is that of the file, when it
/// is known already.
///
/// # Errors
/// [`Error::Io`] when the file cannot be read; [`Error::Data`] when its cells do not match `[mat]`, when its time runs
/// backwards, when over a fifth of its frames are corrupt, or when nothing was ever loaded.
pub fn read_mat(
    source: &MatSource<'_>,
    about: About,
    calibrations: &[&Calibration],
    sha256: Option<String>,
) -> Result<ReadTrace> {
    let named: Vec<usize> = source
        .setup
        .dead
        .iter()
        .map(|(row, col)| (row - 1) * source.setup.cols + col - 1)
        .collect();
    let (mut passed, feed) = pass(source, None, &named, sha256.is_none())?;
    let (sha256, bytes) = match sha256 {
        Some(known) => (known, size(source.path)?),
        None => sums(source.path, feed)?,
    };
    let loaded_start = passed.loaded_start(source);
    let faults = passed.judge_cells(source);
    if loaded_start.is_some() || faults.iter().any(|f| !named.contains(&f.0)) {
        let masked: Vec<usize> = faults.iter().map(|f| f.0).collect();
        passed = pass(source, loaded_start, &masked, false)?.0;
    }
    passed.faults = faults;
    passed.frames.leave_out_dropouts(DROPOUT_S);
    super::assembled::assembled(source, passed, about, calibrations, (sha256, bytes))
}

fn size(path: &Path) -> Result<u64> {
    let meta = std::fs::metadata(path);
    Ok(meta
        .map_err(|e| Error::io(path, e, "check that the file may be read"))?
        .len())
}

/// SHA-256 and size, from the feed that saw every byte, else from the file.
fn sums(path: &Path, feed: Feed) -> Result<(String, u64)> {
    use sha2::{Digest, Sha256};
    use std::fmt::Write as _;
    let hex = |digest: &[u8]| {
        digest.iter().fold(String::with_capacity(64), |mut text, byte| {
            let _ = write!(text, "{byte:02x}");
            text
        })
    };
    if let Feed::Text(mut feed) = feed
        && let (Some(digest), bytes) = feed.sums()
    {
        return Ok((hex(&digest), bytes));
    }
    let fault = |e| Error::io(path, e, "check that the file may be read");
    let mut file = std::fs::File::open(path).map_err(fault)?;
    let (mut hash, mut bytes, mut part) = (Sha256::new(), 0, vec![0; 1 << 20]);
    loop {
        match std::io::Read::read(&mut file, &mut part).map_err(fault)? {
            0 => return Ok((hex(&hash.finalize()), bytes)),
            n => {
                hash.update(&part[..n]);
                bytes += n as u64;
            }
        }
    }
}

/// One run through the file. `unloaded` are the frames that a baseline is made of, else the beginning is looked at.
fn pass(
    source: &MatSource<'_>,
    unloaded: Option<Range<usize>>,
    masked: &[usize],
    hash: bool,
) -> Result<(Passed, Feed)> {
    let given = match &unloaded {
        Some(range) => Some(frames_of(source, range)?),
        None => None,
    };
    let mut feed = Feed::open(source, hash)?;
    let time_scale = feed.layout().wanted.first().map_or(1.0, |w| w.scale);
    let mut rows = Rows::new(source, time_scale);
    let mut head: Vec<Block> = Vec::new();
    while rows.wants_more(&head) {
        match feed.next_block()? {
            Some(block) => head.push(rows.ready(block)?),
            None => break,
        }
    }
    let mut passed = Passed::begin(source, given.as_deref(), &head, masked);
    passed.beside_wanted = feed.layout().wanted[1..].to_vec();
    passed.beside = vec![Vec::new(); passed.beside_wanted.len()];
    for block in head {
        passed.take(block);
    }
    while let Some(block) = feed.next_block()? {
        passed.take(rows.ready(block)?);
    }
    passed.missing_cells = rows.missing_cells;
    for (line, time_s) in rows.untimed {
        passed.frames.count(FrameFault::Time, time_s, line);
    }
    Ok((passed, feed))
}

/// The raw cells of some frames, as counted by [`Frames`].
fn frames_of(source: &MatSource<'_>, range: &Range<usize>) -> Result<Vec<f32>> {
    let mut feed = Feed::open(source, false)?;
    let time_scale = feed.layout().wanted.first().map_or(1.0, |w| w.scale);
    let mut rows = Rows::new(source, time_scale);
    let cells = source.setup.cells();
    let (mut from, mut found) = (0, Vec::new());
    while let Some(block) = feed.next_block()? {
        let block = rows.ready(block)?;
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

impl Passed {
    /// Settles baseline, noise and threshold from given unloaded frames, else from the beginning.
    fn begin(source: &MatSource<'_>, given: Option<&[f32]>, head: &[Block], masked: &[usize]) -> Passed {
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
        Passed {
            frames: Frames::new(if plan.total_only { 0 } else { plan.geometry.tiles() }),
            ranges: CellRanges::new(cells),
            plan,
            beside: Vec::new(),
            faults: Vec::new(),
            no_baseline,
            missing_cells: 0,
            beside_wanted: Vec::new(),
            noisy,
        }
    }

    /// Works on a block, on all cores.
    fn take(&mut self, block: Block) {
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
    fn loaded_start(&self, source: &MatSource<'_>) -> Option<Range<usize>> {
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

    fn judge_cells(&self, source: &MatSource<'_>) -> Vec<(usize, CellFault)> {
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
    pub(super) fn check_left_out(&self, recording: &str) -> Result<(), Problem> {
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
        Err(Problem {
            line: first,
            ..problem
        })
    }
}
