//! Cells that are not to be believed: dead ones, stuck ones, noisy ones; whole rows and columns named as such.

use super::geometry::Geometry;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// A cell that never changes is dead when its neighbours went this many thresholds up.
const LOADED_THRESHOLDS: f32 = 4.0;
/// So many of a single cell's neighbours must have been loaded.
const LOADED_NEIGHBOURS: usize = 6;

/// Lowest and highest raw reading of each cell over a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct CellRanges {
    pub low: Vec<f32>,
    pub high: Vec<f32>,
}

impl CellRanges {
    /// Nothing seen yet.
    pub fn new(cells: usize) -> CellRanges {
        CellRanges {
            low: vec![f32::INFINITY; cells],
            high: vec![f32::NEG_INFINITY; cells],
        }
    }

    /// Takes a frame in.
    pub fn see(&mut self, frame: &[f32]) {
        for ((low, high), v) in self.low.iter_mut().zip(&mut self.high).zip(frame) {
            *low = low.min(*v);
            *high = high.max(*v);
        }
    }

    /// Takes in what was seen elsewhere.
    pub fn join(&mut self, other: &CellRanges) {
        for (low, v) in self.low.iter_mut().zip(&other.low) {
            *low = low.min(*v);
        }
        for (high, v) in self.high.iter_mut().zip(&other.high) {
            *high = high.max(*v);
        }
    }
}

/// Why a cell is masked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum CellFault {
    /// Named in the sidecar.
    Named,
    /// Never changed while its neighbours were loaded.
    Dead,
    /// Never changed, far from what the unloaded cells read.
    Stuck,
    /// Over ten times as noisy as the others.
    Noisy,
}

impl CellFault {
    const ALL: [CellFault; 4] = [
        CellFault::Named,
        CellFault::Dead,
        CellFault::Stuck,
        CellFault::Noisy,
    ];

    fn words(self) -> &'static str {
        match self {
            CellFault::Named => "named dead in the sidecar",
            CellFault::Dead => "dead (never changed while the cells beside it were loaded)",
            CellFault::Stuck => "stuck at a reading",
            CellFault::Noisy => "far noisier than the others",
        }
    }
}

/// What is needed to judge the cells of a recording.
pub struct CellCheck<'a> {
    pub geometry: &'a Geometry,
    pub ranges: &'a CellRanges,
    /// Raw reading of each unloaded cell.
    pub baseline: &'a [f32],
    pub noisy: &'a [usize],
    pub named: &'a [(usize, usize)],
    /// Threshold of a loaded cell in raw units.
    pub threshold: &'a dyn Fn(usize) -> f32,
}

impl CellCheck<'_> {
    /// Every cell that is not to be believed.
    ///
    /// A cell without any change is stuck when its reading lies over the threshold from the median of all baselines; it
    /// is dead when at least six of its eight neighbours (all, at an edge) were loaded well over the threshold, or when
    /// its whole row or column never changed and hands pressed on both sides of it. A cell that never changed where
    /// nobody pressed is left alone: it does no harm.
    pub fn faults(&self) -> Vec<(usize, CellFault)> {
        let g = self.geometry;
        let mut faults: Vec<(usize, CellFault)> = Vec::new();
        let still = |c: usize| self.ranges.low[c] == self.ranges.high[c];
        let rises =
            |c: usize| self.ranges.high[c] - self.baseline[c] > LOADED_THRESHOLDS * (self.threshold)(c);
        let mut middle = self.baseline.to_vec();
        middle.sort_unstable_by(f32::total_cmp);
        let usual = middle[middle.len() / 2];
        let lines = self.dead_lines(&still, &rises);
        for cell in 0..g.cells() {
            let at = (cell / g.cols + 1, cell % g.cols + 1);
            let fault = if self.named.contains(&at) {
                Some(CellFault::Named)
            } else if lines.contains(&cell) {
                Some(CellFault::Dead)
            } else if still(cell) {
                self.of_still(cell, usual, &rises)
            } else if self.noisy.contains(&cell) {
                Some(CellFault::Noisy)
            } else {
                None
            };
            faults.extend(fault.map(|f| (cell, f)));
        }
        faults
    }

    fn of_still(&self, cell: usize, usual: f32, rises: &dyn Fn(usize) -> bool) -> Option<CellFault> {
        if (self.ranges.low[cell] - usual).abs() > (self.threshold)(cell) {
            return Some(CellFault::Stuck);
        }
        let (mut all, mut loaded) = (0, 0);
        for beside in self.geometry.around(cell) {
            all += 1;
            loaded += usize::from(rises(beside));
        }
        (loaded >= LOADED_NEIGHBOURS.min(all)).then_some(CellFault::Dead)
    }

    /// Cells of rows and columns that never changed as a whole while hands pressed on both sides of them.
    fn dead_lines(&self, still: &dyn Fn(usize) -> bool, rises: &dyn Fn(usize) -> bool) -> BTreeSet<usize> {
        let g = self.geometry;
        let mut cells = BTreeSet::new();
        let mut line = |of: Vec<usize>, step: usize, inner: bool| {
            if !inner || !of.iter().all(|c| still(*c)) {
                return;
            }
            let crossed = of
                .iter()
                .filter(|c| rises(**c - step) && rises(**c + step))
                .count();
            if crossed >= 2 {
                cells.extend(of);
            }
        };
        for r in 0..g.rows {
            let of = (0..g.cols).map(|c| r * g.cols + c).collect();
            line(of, g.cols, r > 0 && r + 1 < g.rows);
        }
        for c in 0..g.cols {
            let of = (0..g.rows).map(|r| r * g.cols + c).collect();
            line(of, 1, c > 0 && c + 1 < g.cols);
        }
        cells
    }
}

/// The masked cells in words, one note a kind of fault; whole rows and columns are named as such.
pub fn describe(faults: &[(usize, CellFault)], geometry: &Geometry) -> Vec<String> {
    CellFault::ALL
        .into_iter()
        .filter_map(|kind| {
            let cells: BTreeSet<usize> = faults.iter().filter(|f| f.1 == kind).map(|f| f.0).collect();
            (!cells.is_empty()).then(|| {
                format!(
                    "masked cells: {} {}, {}; they stand as the mean of the cells beside them",
                    cells.len(),
                    kind.words(),
                    places(&cells, geometry)
                )
            })
        })
        .collect()
}

/// Rows and columns first, then single cells, at most a handful.
fn places(cells: &BTreeSet<usize>, g: &Geometry) -> String {
    const NAMED: usize = 6;
    let mut left = cells.clone();
    let mut words = Vec::new();
    let mut take = |name: &str, number: usize, of: Vec<usize>| {
        if of.len() > 1 && of.iter().all(|c| cells.contains(c)) {
            words.push(format!("{name} {}", number + 1));
            for c in of {
                left.remove(&c);
            }
        }
    };
    for r in 0..g.rows {
        take("row", r, (0..g.cols).map(|c| r * g.cols + c).collect());
    }
    for c in 0..g.cols {
        take("column", c, (0..g.rows).map(|r| r * g.cols + c).collect());
    }
    let single = left
        .iter()
        .map(|c| format!("row {} column {}", c / g.cols + 1, c % g.cols + 1));
    words.extend(single);
    let more = words.len().saturating_sub(NAMED);
    words.truncate(NAMED);
    let mut text = words.join(", ");
    if more > 0 {
        let _ = write!(text, " and {more} more");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::mat_setup::{MatSetup, MatUnit};

    #[test]
    fn a_dead_row_and_a_stuck_cell_are_named_and_a_quiet_corner_is_not() {
        let g = Geometry::of(&MatSetup::new(8, 8, 10.0, MatUnit::Kpa));
        let mut ranges = CellRanges::new(64);
        let quiet = |i: usize, k: usize| {
            // Row 4 is dead, row 7 column 2 stuck; the last row never changes and nobody presses there.
            match (i / 8, i % 8) {
                (3 | 7, _) => 0.0,
                (6, 1) => 80.0,
                _ => 0.1 * ((i + k) % 3) as f32,
            }
        };
        for k in 0..5 {
            let loaded = |i: usize| (1..6).contains(&(i / 8)) && (2..6).contains(&(i % 8)) && i / 8 != 3;
            let frame: Vec<f32> = (0..64)
                .map(|i| quiet(i, k) + if k > 2 && loaded(i) { 30.0 } else { 0.0 })
                .collect();
            ranges.see(&frame);
        }
        let baseline: Vec<f32> = (0..64).map(|i| quiet(i, 0)).collect();
        let check = CellCheck {
            geometry: &g,
            ranges: &ranges,
            baseline: &baseline,
            noisy: &[],
            named: &[(1, 1)],
            threshold: &|_| 1.0,
        };
        let faults = check.faults();
        assert_eq!(faults.len(), 8 + 1 + 1, "{faults:?}");
        let words = describe(&faults, &g).join("; ");
        assert!(words.contains("8 dead") && words.contains("row 4"), "{words}");
        assert!(words.contains("row 7 column 2"), "{words}");
    }
}
