//! Rows of blocks in order: time in s and rising, missing cells as they were the frame before.

use super::MatSource;
use super::block::RowBlock;
use crate::error::{Problem, Result};

/// Frames that a baseline is looked for in, at the beginning: this many s, and at most so many.
const HEAD_S: f64 = 1.0;
const HEAD_FRAMES: usize = 1000;

/// What becomes of rows that have the time of the one before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SharedStamps {
    /// They are frames of their own, whose times are found when all are known.
    Kept,
    LeftOut,
}

/// Puts the rows of blocks in order: time in s and rising, missing cells as they were the frame before.
pub(super) struct RowSequence<'a> {
    source: &'a MatSource<'a>,
    time_scale: f64,
    last_s: f64,
    first_s: Option<f64>,
    rows: usize,
    held: Vec<f32>,
    shared: SharedStamps,
    /// How many rows have the time of the one before.
    pub equal: usize,
    pub missing_cells: usize,
    /// RowSequence without a time of their own: line and time.
    pub untimed: Vec<(Option<u64>, Option<f64>)>,
}

impl<'a> RowSequence<'a> {
    pub fn new(source: &'a MatSource<'a>, time_scale: f64, shared: SharedStamps) -> RowSequence<'a> {
        RowSequence {
            source,
            time_scale,
            shared,
            equal: 0,
            last_s: f64::NEG_INFINITY,
            first_s: None,
            rows: 0,
            held: vec![0.0; source.setup.cells()],
            missing_cells: 0,
            untimed: Vec::new(),
        }
    }

    /// Whether the beginning is still too short to look for a baseline in.
    pub fn wants_more(&self, head: &[RowBlock]) -> bool {
        let rows: usize = head.iter().map(RowBlock::len).sum();
        let span = self.first_s.map_or(0.0, |first| self.last_s - first);
        rows < HEAD_FRAMES && span < HEAD_S
    }

    /// A block with its rows in order.
    ///
    /// # Errors
    /// Time that runs backwards.
    pub fn in_order(&mut self, mut block: RowBlock) -> Result<RowBlock> {
        let cells = self.source.setup.cells();
        let mut kept: Vec<bool> = Vec::with_capacity(block.len());
        for k in 0..block.len() {
            let t = block.time[k] * self.time_scale;
            let line = block.line.get(k).copied();
            let equal = t == self.last_s;
            self.equal += usize::from(equal);
            let good = t.is_finite() && (t > self.last_s || (equal && self.shared == SharedStamps::Kept));
            if t < self.last_s {
                return Err(self.backwards(t, line).into());
            }
            if good {
                self.last_s = t;
                self.first_s.get_or_insert(t);
                if block.gaps[k] && block.fault[k].is_none() {
                    self.fill(&mut block.cells[k * cells..(k + 1) * cells]);
                }
                if block.fault[k].is_none() {
                    self.held
                        .copy_from_slice(&block.cells[k * cells..(k + 1) * cells]);
                }
            } else {
                self.untimed.push((line, t.is_finite().then_some(t)));
            }
            block.time[k] = t;
            kept.push(good);
        }
        self.rows += block.len();
        if kept.contains(&false) {
            keep(&mut block, &kept, cells);
        }
        Ok(block)
    }

    /// A missing cell stands as it did the frame before.
    fn fill(&mut self, frame: &mut [f32]) {
        for (cell, held) in frame.iter_mut().zip(&self.held) {
            if cell.is_nan() {
                *cell = *held;
                self.missing_cells += 1;
            }
        }
    }

    fn backwards(&self, t: f64, line: Option<u64>) -> Problem {
        Problem::error(
            self.source.recording,
            format!("{t} s after {} s", self.last_s),
            "time that never runs backwards",
            "look whether two recordings were joined or the clock was reset; cut the file there",
        )
        .in_column("time")
        .at_line(line)
    }
}

fn keep(block: &mut RowBlock, kept: &[bool], cells: usize) {
    fn pick<T: Copy>(values: &mut Vec<T>, kept: &[bool]) {
        let mut flags = kept.iter();
        values.retain(|_| flags.next().copied().unwrap_or(true));
    }
    let mut to = 0;
    for (from, _) in kept.iter().enumerate().filter(|(_, k)| **k) {
        block
            .cells
            .copy_within(from * cells..(from + 1) * cells, to * cells);
        to += 1;
    }
    block.cells.truncate(to * cells);
    pick(&mut block.time, kept);
    pick(&mut block.fault, kept);
    pick(&mut block.gaps, kept);
    pick(&mut block.place, kept);
    if block.line.len() == kept.len() {
        pick(&mut block.line, kept);
    }
    for column in &mut block.beside {
        pick(column, kept);
    }
}

/// Frames that are not left out.
pub(super) fn good_frames(block: &RowBlock, cells: usize) -> impl Iterator<Item = &[f32]> {
    block
        .cells
        .chunks_exact(cells)
        .zip(&block.fault)
        .filter(|(_, fault)| fault.is_none())
        .map(|(frame, _)| frame)
}

/// Their times.
pub(super) fn good_times(block: &RowBlock) -> impl Iterator<Item = f64> {
    block
        .time
        .iter()
        .zip(&block.fault)
        .filter(|(_, fault)| fault.is_none())
        .map(|(t, _)| *t)
}

/// Smallest step between readings that were seen to differ, over the first frames; 0 when none differ.
pub(super) fn smallest_step(frames: &[&[f32]]) -> f64 {
    let mut least = f32::INFINITY;
    for pair in frames.windows(2).take(100) {
        for (a, b) in pair[0].iter().zip(pair[1]) {
            let step = (a - b).abs();
            // Differences of decimal fractions carry rounding; below it they are zero.
            if step > 1e-6 * a.abs().max(b.abs()).max(1e-3) && step < least {
                least = step;
            }
        }
    }
    if least.is_finite() { f64::from(least) } else { 0.0 }
}
