//! Loaded areas of one frame: connected cells, cut where a valley of pressure parts two hands.

use super::geometry::Geometry;

/// A valley parts two areas when it lies this share of the lower summit under it: uneven cells make bumps of a
/// tenth, a gap between two hands goes far deeper.
const VALLEY_SHARE: f32 = 0.3;
/// An area reaches this many cells beyond its loaded ones, so that the skirt under the threshold counts as force.
const SKIRT_CELLS: usize = 2;
/// Areas smaller than this, in mm², are noise or a fold of the mat.
const LEAST_MM2: f64 = 150.0;

/// Connected areas of a mask, corners counting as touching: the area of each cell, from 1 in row order of each area's
/// first cell, 0 for cells outside the mask; and how many areas there are.
///
/// ```
/// use tautpoint::mat::areas::connected;
/// let mask = [true, false, false, false, true, false, true, false, true];
/// assert_eq!(connected(&mask, 3), (vec![1, 0, 0, 0, 1, 0, 1, 0, 1], 1));
/// ```
pub fn connected(mask: &[bool], cols: usize) -> (Vec<u32>, u32) {
    let mut area = vec![0_u32; mask.len()];
    let mut count = 0;
    let mut open = Vec::new();
    let rows = mask.len() / cols.max(1);
    for start in 0..mask.len() {
        if !mask[start] || area[start] != 0 {
            continue;
        }
        count += 1;
        area[start] = count;
        open.push(start);
        while let Some(cell) = open.pop() {
            let (row, col) = (cell / cols, cell % cols);
            for r in row.saturating_sub(1)..(row + 2).min(rows) {
                for c in col.saturating_sub(1)..(col + 2).min(cols) {
                    let next = r * cols + c;
                    if mask[next] && area[next] == 0 {
                        area[next] = count;
                        open.push(next);
                    }
                }
            }
        }
    }
    (area, count)
}

/// One loaded area of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LoadedArea {
    /// Force on it and its skirt.
    pub force_n: f64,
    /// Centre of pressure across and along the subject, in mm.
    pub across_mm: f32,
    pub along_mm: f32,
    /// Area of its cells over the threshold.
    pub area_mm2: f32,
    pub peak_kpa: f32,
    /// Sum of the squared forces of its cells, in N²: says over how many cells the force is spread.
    pub sum_of_squares_n2: f32,
}

/// Finds the loaded areas of frames, one after another; keeps its room.
pub struct AreaFinder {
    /// Area of each cell while a frame is worked on; 0 is none.
    area_of: Vec<u16>,
    loaded: Vec<u64>,
    summits: Vec<Summit>,
    skirt: Vec<u32>,
    least_cells: u32,
}

/// An area in the making: where it stands among those it grew together with.
#[derive(Debug, Clone, Copy)]
struct Summit {
    parent: u16,
    peak: f32,
    cells: u32,
}

impl AreaFinder {
    /// For mats of that geometry.
    pub fn new(geometry: &Geometry) -> AreaFinder {
        let least = (LEAST_MM2 / geometry.cell_area_mm2()).ceil().clamp(1.0, 6.0);
        AreaFinder {
            area_of: vec![0; geometry.cells()],
            loaded: Vec::new(),
            summits: Vec::new(),
            skirt: Vec::new(),
            least_cells: least as u32,
        }
    }

    /// The loaded areas of a frame in kPa, the highest summit first; then the area of each cell, skirts included, can be
    /// looked up by [`AreaFinder::area_of`], from 1 in that order.
    ///
    /// Cells over the threshold are taken from the highest down; each joins the area of its highest neighbour or begins
    /// one. Where two areas meet they become one unless the meeting place lies well under the lower summit: by
    /// `least_valley_kpa` and by three tenths of it. So without valleys these are the connected areas of
    /// [`connected`].
    pub fn find(
        &mut self,
        geometry: &Geometry,
        frame_kpa: &[f32],
        threshold_kpa: f32,
        least_valley_kpa: f32,
    ) -> Vec<LoadedArea> {
        self.area_of.fill(0);
        self.summits.clear();
        self.loaded.clear();
        for (cell, &p) in frame_kpa.iter().enumerate() {
            if p > threshold_kpa {
                // The bits of positive floats are in the order of their values; the cell breaks ties.
                self.loaded.push(u64::from(!p.to_bits()) << 32 | cell as u64);
            }
        }
        if self.loaded.is_empty() {
            return Vec::new();
        }
        self.loaded.sort_unstable();
        self.grow(geometry, frame_kpa, least_valley_kpa);
        let kept = self.number();
        if kept == 0 {
            return Vec::new();
        }
        let mut areas = self.loaded_part(geometry, frame_kpa, kept);
        self.spread_skirts(geometry);
        self.sum(geometry, frame_kpa, &mut areas);
        areas
    }

    /// Area of each cell of the frame last looked at, from 1; 0 is none.
    pub fn area_of(&self) -> &[u16] {
        &self.area_of
    }

    fn root(&self, area: u16) -> u16 {
        let mut at = area;
        while self.summits[usize::from(at) - 1].parent != at {
            at = self.summits[usize::from(at) - 1].parent;
        }
        at
    }

    fn grow(&mut self, geometry: &Geometry, frame: &[f32], least_valley: f32) {
        let (rows, cols) = (geometry.rows, geometry.cols);
        for k in 0..self.loaded.len() {
            let cell = (self.loaded[k] & 0xffff_ffff) as usize;
            let p = frame[cell];
            let (row, col) = (cell / cols, cell % cols);
            let mut own: Option<(u16, f32)> = None;
            let mut met = [0_u16; 8];
            let mut meetings = 0;
            for r in row.saturating_sub(1)..(row + 2).min(rows) {
                for c in col.saturating_sub(1)..(col + 2).min(cols) {
                    let next = r * cols + c;
                    if self.area_of[next] == 0 {
                        continue;
                    }
                    let root = self.root(self.area_of[next]);
                    if own.is_none_or(|(_, highest)| frame[next] > highest) {
                        own = Some((root, frame[next]));
                    }
                    if !met[..meetings].contains(&root) {
                        met[meetings] = root;
                        meetings += 1;
                    }
                }
            }
            let Some((own, _)) = own else {
                self.begin(cell, p);
                continue;
            };
            self.area_of[cell] = own;
            self.summits[usize::from(own) - 1].cells += 1;
            if meetings > 1 {
                self.meet(&met[..meetings], p, least_valley);
            }
        }
    }

    fn begin(&mut self, cell: usize, peak: f32) {
        // More summits than that are noise: the cell stays alone.
        if self.summits.len() >= usize::from(u16::MAX) - 1 {
            return;
        }
        let number = self.summits.len() as u16 + 1;
        self.summits.push(Summit {
            parent: number,
            peak,
            cells: 1,
        });
        self.area_of[cell] = number;
    }

    /// Areas meet at a cell: all but those parted by a valley grow together.
    fn meet(&mut self, met: &[u16], at: f32, least_valley: f32) {
        let peak = |s: &[Summit], a: u16| s[usize::from(a) - 1].peak;
        for &a in met {
            for &b in met {
                let (a, b) = (self.root(a), self.root(b));
                if a == b {
                    continue;
                }
                let (high, low) = match peak(&self.summits, a) >= peak(&self.summits, b) {
                    true => (a, b),
                    false => (b, a),
                };
                let summit = peak(&self.summits, low);
                if summit - at < least_valley.max(VALLEY_SHARE * summit) {
                    let joined = self.summits[usize::from(low) - 1];
                    self.summits[usize::from(low) - 1].parent = high;
                    self.summits[usize::from(high) - 1].cells += joined.cells;
                }
            }
        }
    }

    /// Gives each area that is large enough its number, in the order of the summits; the others vanish.
    fn number(&mut self) -> usize {
        let mut number = vec![0_u16; self.summits.len() + 1];
        let mut kept = 0;
        for (i, summit) in self.summits.iter().enumerate() {
            if usize::from(summit.parent) == i + 1 && summit.cells >= self.least_cells {
                kept += 1;
                number[i + 1] = kept;
            }
        }
        for k in 0..self.loaded.len() {
            let cell = (self.loaded[k] & 0xffff_ffff) as usize;
            if self.area_of[cell] != 0 {
                let root = self.root(self.area_of[cell]);
                self.area_of[cell] = root;
            }
        }
        for &key in &self.loaded {
            let cell = (key & 0xffff_ffff) as usize;
            self.area_of[cell] = number[usize::from(self.area_of[cell])];
        }
        usize::from(kept)
    }

    fn loaded_part(&self, geometry: &Geometry, frame: &[f32], kept: usize) -> Vec<LoadedArea> {
        let cell_mm2 = geometry.cell_area_mm2() as f32;
        let mut areas = vec![LoadedArea::default(); kept];
        for &key in &self.loaded {
            let cell = (key & 0xffff_ffff) as usize;
            if let Some(area) = areas.get_mut(usize::from(self.area_of[cell]).wrapping_sub(1)) {
                area.area_mm2 += cell_mm2;
                area.peak_kpa = area.peak_kpa.max(frame[cell]);
            }
        }
        areas
    }

    /// Rings of cells around each area join it; where two rings meet, the cell goes to whose ring came first.
    fn spread_skirts(&mut self, geometry: &Geometry) {
        let (rows, cols) = (geometry.rows, geometry.cols);
        self.skirt.clear();
        self.skirt.extend(
            self.loaded
                .iter()
                .map(|key| (key & 0xffff_ffff) as u32)
                .filter(|c| self.area_of[*c as usize] != 0),
        );
        let mut from = 0;
        for _ in 0..SKIRT_CELLS {
            let to = self.skirt.len();
            for k in from..to {
                let cell = self.skirt[k] as usize;
                let own = self.area_of[cell];
                let (row, col) = (cell / cols, cell % cols);
                for r in row.saturating_sub(1)..(row + 2).min(rows) {
                    for c in col.saturating_sub(1)..(col + 2).min(cols) {
                        let next = r * cols + c;
                        if self.area_of[next] == 0 {
                            self.area_of[next] = own;
                            self.skirt.push(next as u32);
                        }
                    }
                }
            }
            from = to;
        }
    }

    fn sum(&self, geometry: &Geometry, frame: &[f32], areas: &mut [LoadedArea]) {
        let n_per_kpa = geometry.n_per_kpa();
        let mut moments = vec![[0.0_f64; 4]; areas.len()];
        for &cell in &self.skirt {
            let cell = cell as usize;
            let f = f64::from(frame[cell]) * n_per_kpa;
            let m = &mut moments[usize::from(self.area_of[cell]) - 1];
            m[0] += f;
            m[1] += f * f64::from(geometry.across_mm()[cell]);
            m[2] += f * f64::from(geometry.along_mm()[cell]);
            m[3] += f * f;
        }
        for (area, m) in areas.iter_mut().zip(&moments) {
            area.force_n = m[0];
            area.across_mm = (m[1] / m[0]) as f32;
            area.along_mm = (m[2] / m[0]) as f32;
            area.sum_of_squares_n2 = m[3] as f32;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::mat_setup::{MatSetup, MatUnit};

    fn geometry(rows: usize, cols: usize) -> Geometry {
        Geometry::of(&MatSetup::new(rows, cols, 10.0, MatUnit::Kpa))
    }

    /// A frame from rows of digits, each ten kilopascals.
    fn frame(rows: &[&str]) -> (Geometry, Vec<f32>) {
        let cells = rows
            .iter()
            .flat_map(|r| r.bytes().map(|b| f32::from(b - b'0') * 10.0))
            .collect();
        (geometry(rows.len(), rows[0].len()), cells)
    }

    #[test]
    fn two_summits_with_a_deep_valley_are_two_areas_and_with_a_shallow_one_are_one() {
        let (g, deep) = frame(&["000000000", "025202520", "059212950", "025202520", "000000000"]);
        let mut finder = AreaFinder::new(&g);
        assert_eq!(finder.find(&g, &deep, 1.0, 0.5).len(), 2);
        let (g, shallow) = frame(&["000000000", "025202520", "059898950", "025202520", "000000000"]);
        assert_eq!(finder.find(&g, &shallow, 1.0, 0.5).len(), 1);
    }

    #[test]
    fn force_is_the_sum_over_cells_and_the_centre_their_mean() {
        let (g, cells) = frame(&["000000", "001100", "001100", "000000"]);
        let found = AreaFinder::new(&g).find(&g, &cells, 5.0, 1.0);
        assert_eq!(found.len(), 1);
        assert!((found[0].force_n - 4.0).abs() < 1e-12);
        assert_eq!((found[0].across_mm, found[0].along_mm), (30.0, 20.0));
        assert_eq!((found[0].area_mm2, found[0].peak_kpa), (400.0, 10.0));
    }

    #[test]
    fn a_single_cell_of_noise_is_no_area() {
        let (g, cells) = frame(&["0000", "0900", "0000", "0000"]);
        assert!(AreaFinder::new(&g).find(&g, &cells, 5.0, 1.0).is_empty());
    }
}
