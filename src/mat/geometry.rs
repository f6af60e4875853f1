//! Where each cell lies on the subject, and how large it is.

use crate::study::mat_setup::{Edge, MatSetup};

/// Coarse squares that the unloaded part of a mat is summed over have about this edge, in mm: as large as a hand.
const TILE_MM: f64 = 100.0;

/// The cells of a mat in the subject's own directions.
///
/// Across runs from the edge at the subject's left to the one at the right; along from the edge toward the head to the
/// one toward the feet. Both are in mm to the middle of a cell.
#[derive(Debug, Clone, PartialEq)]
pub struct Geometry {
    pub rows: usize,
    pub cols: usize,
    /// From row to row, from column to column, in mm.
    pub pitch_mm: [f64; 2],
    pub left_edge: Edge,
    pub head_edge: Edge,
    across_mm: Vec<f32>,
    along_mm: Vec<f32>,
    tile_cells: [usize; 2],
    tile_cols: usize,
    tiles: usize,
}

impl Geometry {
    /// Of a mat as its sidecar says it is.
    pub fn of(setup: &MatSetup) -> Geometry {
        let (rows, cols) = (setup.rows, setup.cols);
        let from = |edge: Edge, row: usize, col: usize| {
            let (at, count, pitch) = match edge.is_column() {
                true => (col, cols, setup.pitch_mm[1]),
                false => (row, rows, setup.pitch_mm[0]),
            };
            let at = if edge.is_first() { at } else { count - 1 - at };
            ((at as f64 + 0.5) * pitch) as f32
        };
        let all = |edge: Edge| (0..rows * cols).map(|i| from(edge, i / cols, i % cols)).collect();
        let side = |count: usize, pitch: f64| ((TILE_MM / pitch).round() as usize).clamp(1, count);
        let tile_cells = [side(rows, setup.pitch_mm[0]), side(cols, setup.pitch_mm[1])];
        let (tile_rows, tile_cols) = (rows.div_ceil(tile_cells[0]), cols.div_ceil(tile_cells[1]));
        Geometry {
            rows,
            cols,
            pitch_mm: setup.pitch_mm,
            left_edge: setup.left_edge,
            head_edge: setup.head_edge,
            across_mm: all(setup.left_edge),
            along_mm: all(setup.head_edge),
            tile_cells,
            tile_cols,
            tiles: tile_rows * tile_cols,
        }
    }

    /// Cells of the mat.
    pub fn cells(&self) -> usize {
        self.rows * self.cols
    }

    /// Area that a cell stands for, in mm².
    pub fn cell_area_mm2(&self) -> f64 {
        self.pitch_mm[0] * self.pitch_mm[1]
    }

    /// Newtons on a cell that reads one kilopascal.
    pub fn n_per_kpa(&self) -> f64 {
        // 1 kPa on 1 mm² is 10³ N/m² × 10⁻⁶ m².
        self.cell_area_mm2() * 1e-3
    }

    /// Middle of each cell across the subject, in mm from the edge at the left.
    pub fn across_mm(&self) -> &[f32] {
        &self.across_mm
    }

    /// Middle of each cell along the subject, in mm from the edge toward the head.
    pub fn along_mm(&self) -> &[f32] {
        &self.along_mm
    }

    /// Cells across the subject.
    pub fn across_cells(&self) -> usize {
        match self.left_edge.is_column() {
            true => self.cols,
            false => self.rows,
        }
    }

    /// Cells along the subject.
    pub fn along_cells(&self) -> usize {
        self.cells() / self.across_cells().max(1)
    }

    /// Middle to middle of two cells across the subject, in mm.
    pub fn across_pitch_mm(&self) -> f64 {
        match self.left_edge.is_column() {
            true => self.pitch_mm[1],
            false => self.pitch_mm[0],
        }
    }

    /// Middle to middle of two cells along the subject, in mm.
    pub fn along_pitch_mm(&self) -> f64 {
        self.cell_area_mm2() / self.across_pitch_mm()
    }

    /// How many cells a cell lies from the edge at the subject's left.
    pub fn across_index(&self, cell: usize) -> usize {
        (f64::from(self.across_mm[cell]) / self.across_pitch_mm()) as usize
    }

    /// How many coarse squares cover the mat.
    pub fn tiles(&self) -> usize {
        self.tiles
    }

    /// The coarse square of a cell.
    pub fn tile_of(&self, cell: usize) -> usize {
        let (row, col) = (cell / self.cols, cell % self.cols);
        row / self.tile_cells[0] * self.tile_cols + col / self.tile_cells[1]
    }

    /// Columns of a coarse square.
    pub fn tile_width(&self) -> usize {
        self.tile_cells[1]
    }

    /// The cell that holds a place on the subject, the nearest one when it lies beyond the mat.
    pub fn cell_at(&self, across_mm: f64, along_mm: f64) -> usize {
        let index = |at: f64, pitch: f64, count: usize, edge: Edge| {
            let i = ((at / pitch).max(0.0) as usize).min(count - 1);
            if edge.is_first() { i } else { count - 1 - i }
        };
        let (a, b) = (
            index(
                across_mm,
                self.across_pitch_mm(),
                self.across_cells(),
                self.left_edge,
            ),
            index(
                along_mm,
                self.along_pitch_mm(),
                self.along_cells(),
                self.head_edge,
            ),
        );
        match self.left_edge.is_column() {
            true => b * self.cols + a,
            false => a * self.cols + b,
        }
    }

    /// Cells beside one, corners included, that lie on the mat.
    pub fn around(&self, cell: usize) -> impl Iterator<Item = usize> + use<> {
        let (rows, cols) = (self.rows, self.cols);
        let (row, col) = (cell / cols, cell % cols);
        let span = |at: usize, count: usize| at.saturating_sub(1)..(at + 2).min(count);
        let (across, down) = (span(col, cols), span(row, rows));
        down.flat_map(move |r| across.clone().map(move |c| r * cols + c))
            .filter(move |c| *c != cell)
    }

    /// The frame as seen with the head up and the subject's left at the left: row by row from the head.
    pub fn upright(&self, frame: &[f32]) -> Vec<f32> {
        let (wide, high) = (self.across_cells(), self.along_cells());
        let mut seen = vec![0.0; frame.len()];
        for (cell, value) in frame.iter().enumerate() {
            let x = self.across_index(cell).min(wide - 1);
            let y = ((f64::from(self.along_mm[cell]) / self.along_pitch_mm()) as usize).min(high - 1);
            seen[y * wide + x] = *value;
        }
        seen
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::mat_setup::MatUnit;

    #[test]
    fn a_turned_mat_lies_as_its_edges_say() {
        let mut setup = MatSetup::new(2, 3, 10.0, MatUnit::Kpa);
        let plain = Geometry::of(&setup);
        assert_eq!(plain.across_mm(), [5.0, 15.0, 25.0, 5.0, 15.0, 25.0]);
        assert_eq!(plain.along_mm()[..4], [5.0, 5.0, 5.0, 15.0]);
        setup.left_edge = Edge::LastRow;
        setup.head_edge = Edge::FirstColumn;
        let turned = Geometry::of(&setup);
        assert_eq!(turned.across_mm(), [15.0, 15.0, 15.0, 5.0, 5.0, 5.0]);
        assert_eq!(turned.along_mm()[..3], [5.0, 15.0, 25.0]);
        assert_eq!(turned.cell_at(6.0, 24.0), 5);
        let seen = turned.upright(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]);
        assert_eq!(seen, [4.0, 1.0, 5.0, 2.0, 6.0, 3.0]);
        for g in [&plain, &turned] {
            for cell in 0..6 {
                let at = (f64::from(g.across_mm()[cell]), f64::from(g.along_mm()[cell]));
                assert_eq!(g.cell_at(at.0, at.1), cell);
            }
        }
    }

    #[test]
    fn a_kilopascal_on_a_square_centimetre_is_a_tenth_of_a_newton() {
        let g = Geometry::of(&MatSetup::new(4, 4, 10.0, MatUnit::Kpa));
        assert!((g.n_per_kpa() - 0.1).abs() < 1e-15);
        assert_eq!(g.around(0).collect::<Vec<_>>(), [1, 4, 5]);
        assert_eq!(g.around(5).count(), 8);
    }
}
