//! How a pressure mat is built and lies: `[mat]` of a sidecar.

use super::toml_doc::{Section, as_number, describe};
use crate::terms::closed_terms;
use crate::units::KPA_PER_MMHG;
use toml::de::DeValue;

/// Keys of `[mat]`.
pub(super) const KEYS: &[&str] = &[
    "rows",
    "cols",
    "pitch_mm",
    "unit",
    "midline_mm",
    "left_edge",
    "head_edge",
    "placement",
    "hands",
    "dead",
    "full_scale",
    "gain",
    "cell_gains",
    "gain_u_percent",
    "non_uniformity_percent",
    "creep_percent",
];
/// Most rows or columns.
const MOST: i64 = 1024;
/// Most cells: beyond, it is another kind of file.
const MOST_CELLS: usize = 65_536;

closed_terms! {
    /// What a cell's number is.
    pub enum MatUnit {
        Kpa = "kPa",
        Mmhg = "mmHg",
        /// Force on the cell.
        N = "N",
    }
}

impl MatUnit {
    /// Kilopascals of one unit on a cell of that area.
    pub fn kpa(self, cell_area_mm2: f64) -> f64 {
        match self {
            MatUnit::Kpa => 1.0,
            MatUnit::Mmhg => KPA_PER_MMHG,
            // 1 N/mm² = 1000 kPa.
            MatUnit::N => 1e3 / cell_area_mm2,
        }
    }
}

closed_terms! {
    /// An edge of the mat, named by the cells that lie along it.
    pub enum Edge {
        FirstColumn = "first_column",
        LastColumn = "last_column",
        FirstRow = "first_row",
        LastRow = "last_row",
    }
}

impl Edge {
    /// Whether it runs along a column, so that the distance from it is counted in columns.
    pub fn is_column(self) -> bool {
        matches!(self, Edge::FirstColumn | Edge::LastColumn)
    }

    /// Whether cells are counted from it in the order of the file.
    pub fn is_first(self) -> bool {
        matches!(self, Edge::FirstColumn | Edge::FirstRow)
    }
}

closed_terms! {
    /// Where the mat lies.
    pub enum Placement {
        /// Between the hands and the back, or on a model: it sees each hand.
        UnderHands = "under_hands",
        /// Under the lying subject: it sees the whole force and no hands.
        UnderSubject = "under_subject",
    }
}

/// A pressure mat: how its cells are laid out, how it lies, and what is known of its readings.
#[derive(Debug, Clone, PartialEq)]
pub struct MatSetup {
    pub rows: usize,
    pub cols: usize,
    /// Middle to middle, in mm: from row to row, from column to column.
    pub pitch_mm: [f64; 2],
    pub unit: MatUnit,
    /// The subject's midline, in mm from the edge at the subject's left; found from the hands when not given.
    pub midline_mm: Option<f64>,
    /// Which edge lies at the subject's left; `first_column` by default.
    pub left_edge: Edge,
    /// Which edge lies toward the head; `first_row` by default.
    pub head_edge: Edge,
    pub placement: Placement,
    /// How many hands press, when it is said.
    pub hands: Option<u8>,
    /// Cells known to be dead: row and column, from 1.
    pub dead: Vec<(usize, usize)>,
    /// Highest reading of a cell, in the mat's unit.
    pub full_scale: Option<f64>,
    /// Factor on every reading.
    pub gain: f64,
    /// Factor of each cell, in row order.
    pub cell_gains: Option<Vec<f64>>,
    /// Standard uncertainty of the gain; the study's setting when not given.
    pub gain_u_percent: Option<f64>,
    /// Standard deviation of the cells' gains among each other; the study's setting when not given.
    pub non_uniformity_percent: Option<f64>,
    /// Rise of a steady reading for each tenfold time under load; the study's setting when not given.
    pub creep_percent: Option<f64>,
}

impl MatSetup {
    /// A mat between hands and back with nothing else said of it.
    pub fn new(rows: usize, cols: usize, pitch_mm: f64, unit: MatUnit) -> MatSetup {
        MatSetup {
            rows,
            cols,
            pitch_mm: [pitch_mm; 2],
            unit,
            midline_mm: None,
            left_edge: Edge::FirstColumn,
            head_edge: Edge::FirstRow,
            placement: Placement::UnderHands,
            hands: None,
            dead: Vec::new(),
            full_scale: None,
            gain: 1.0,
            cell_gains: None,
            gain_u_percent: None,
            non_uniformity_percent: None,
            creep_percent: None,
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

    /// Reads `[mat]`, which stands at `span`. `None`, with errors reported, when something is missing without which no
    /// number can be told.
    pub fn read(section: &Section<'_, '_>, span: std::ops::Range<usize>) -> Option<MatSetup> {
        let needed = |key: &str, what: &str| needed(section, &span, key, what);
        section.warn_unknown(KEYS);
        let all = [
            needed("rows", "the number of rows of cells, such as 32"),
            needed("cols", "the number of cells in a row, such as 32"),
            needed("pitch_mm", "middle to middle of two cells in mm"),
            needed("unit", "\"kPa\", \"mmHg\" or \"N\" (force a cell)"),
        ];
        let rows = section.whole("rows", 1, MOST);
        let cols = section.whole("cols", 1, MOST);
        let pitch_mm = pitch(section);
        let unit = section.word("unit")?;
        if all.contains(&false) {
            return None;
        }
        let (rows, cols) = (usize::try_from(rows?).ok()?, usize::try_from(cols?).ok()?);
        if rows * cols > MOST_CELLS {
            fault(
                section,
                "rows",
                &format!("{rows} × {cols} cells"),
                &format!("at most {MOST_CELLS} cells"),
                "correct rows and cols",
            );
            return None;
        }
        let mut setup = MatSetup {
            pitch_mm: pitch_mm?,
            ..MatSetup::new(rows, cols, 1.0, unit)
        };
        setup.lie(section);
        setup.readings(section);
        Some(setup)
    }

    /// Where it lies and what presses on it.
    fn lie(&mut self, section: &Section<'_, '_>) {
        self.placement = section.word("placement").unwrap_or(self.placement);
        let (left, head): (Option<Edge>, Option<Edge>) =
            (section.word("left_edge"), section.word("head_edge"));
        let beside = |edge: Edge| match edge.is_column() {
            true => Edge::FirstRow,
            false => Edge::FirstColumn,
        };
        (self.left_edge, self.head_edge) = match (left, head) {
            (Some(left), Some(head)) => (left, head),
            (Some(left), None) => (left, beside(left)),
            (None, Some(head)) => (beside(head), head),
            (None, None) => (self.left_edge, self.head_edge),
        };
        if self.left_edge.is_column() == self.head_edge.is_column() {
            fault(
                section,
                "head_edge",
                &format!(
                    "{} beside left_edge {}",
                    self.head_edge.word(),
                    self.left_edge.word()
                ),
                "one edge along the rows and one along the columns",
                "say which edge lies toward the head and which at the subject's left",
            );
        }
        self.midline_mm = section.number("midline_mm", 0.0, self.width_mm());
        self.hands = section.whole("hands", 1, 2).and_then(|n| u8::try_from(n).ok());
    }

    /// From the edge at the subject's left to the one at the right, in mm.
    pub fn width_mm(&self) -> f64 {
        match self.left_edge.is_column() {
            true => self.cols as f64 * self.pitch_mm[1],
            false => self.rows as f64 * self.pitch_mm[0],
        }
    }

    /// What is known of its readings.
    fn readings(&mut self, section: &Section<'_, '_>) {
        self.full_scale = section.number("full_scale", 1e-9, 1e9);
        self.gain = section.number("gain", 1e-6, 1e6).unwrap_or(1.0);
        self.gain_u_percent = section.number("gain_u_percent", 0.0, 100.0);
        self.non_uniformity_percent = section.number("non_uniformity_percent", 0.0, 100.0);
        self.creep_percent = section.number("creep_percent", 0.0, 100.0);
        self.dead = self.dead_cells(section);
        self.cell_gains = self.gains_of_cells(section);
    }

    fn dead_cells(&self, section: &Section<'_, '_>) -> Vec<(usize, usize)> {
        let Some(value) = section.get("dead") else {
            return Vec::new();
        };
        let mut cells = Vec::new();
        let mut good = matches!(value.get_ref(), DeValue::Array(_));
        if let DeValue::Array(items) = value.get_ref() {
            for item in items {
                match pair(item.get_ref()) {
                    Some((r, c)) if (1..=self.rows).contains(&r) && (1..=self.cols).contains(&c) => {
                        cells.push((r, c));
                    }
                    _ => good = false,
                }
            }
        }
        if !good {
            fault(
                section,
                "dead",
                &describe(value.get_ref()),
                &format!(
                    "cells as [row, column], from 1 to {} and 1 to {}: dead = [[3, 12], [4, 12]]",
                    self.rows, self.cols
                ),
                "correct the list",
            );
        }
        cells
    }

    fn gains_of_cells(&self, section: &Section<'_, '_>) -> Option<Vec<f64>> {
        let value = section.get("cell_gains")?;
        let gains: Option<Vec<f64>> = match value.get_ref() {
            DeValue::Array(items) => items
                .iter()
                .map(|i| as_number(i.get_ref()).filter(|g| (1e-6..1e6).contains(g)))
                .collect(),
            _ => None,
        };
        let gains = gains.filter(|g| g.len() == self.cells());
        if gains.is_none() {
            fault(
                section,
                "cell_gains",
                &describe(value.get_ref()),
                &format!("{} factors over zero, one a cell in row order", self.cells()),
                "correct the list, or take it out",
            );
        }
        gains
    }
}

fn fault(section: &Section<'_, '_>, key: &str, found: &str, expected: &str, advice: &str) {
    let span = section.get(key).map_or(0..0, toml::Spanned::span);
    section
        .doc
        .error(span, &section.dotted(key), found, expected, advice);
}

/// Whether a key is there that no mat can do without; an error when it is not.
fn needed(section: &Section<'_, '_>, span: &std::ops::Range<usize>, key: &str, what: &str) -> bool {
    let there = section.get(key).is_some();
    if !there {
        section.doc.error(
            span.clone(),
            &section.dotted(key),
            &format!("[mat] without {key}"),
            &format!("{key}: {what}"),
            "write it under [mat]",
        );
    }
    there
}

/// One number for both ways, or two: from row to row, from column to column.
fn pitch(section: &Section<'_, '_>) -> Option<[f64; 2]> {
    let value = section.get("pitch_mm")?;
    if let DeValue::Array(items) = value.get_ref() {
        let both: Vec<f64> = items.iter().filter_map(|i| as_number(i.get_ref())).collect();
        if let ([a, b], 2) = (both.as_slice(), items.len())
            && [*a, *b].iter().all(|p| (0.1..=200.0).contains(p))
        {
            return Some([*a, *b]);
        }
        fault(
            section,
            "pitch_mm",
            "a list",
            "one number, or two: from row to row, from column to column, each from 0.1 to 200",
            "correct the value",
        );
        return None;
    }
    section.number("pitch_mm", 0.1, 200.0).map(|p| [p, p])
}

/// Two whole numbers of zero or more.
fn pair(value: &DeValue<'_>) -> Option<(usize, usize)> {
    let DeValue::Array(items) = value else { return None };
    let whole = |i: usize| {
        let item = items.get(i)?;
        super::toml_doc::as_whole(item.get_ref()).and_then(|n| usize::try_from(n).ok())
    };
    match items.len() {
        2 => Some((whole(0)?, whole(1)?)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use crate::study::sidecar::Sidecar;

    fn problems(text: &str) -> Vec<String> {
        Sidecar::parse("press.toml", text)
            .1
            .iter()
            .map(ToString::to_string)
            .collect()
    }

    #[test]
    fn a_mat_without_its_unit_is_refused_by_name() {
        let found = problems("[mat]\nrows = 4\ncols = 4\npitch_mm = 10\n");
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(
            found[0].contains("[mat] without unit") && found[0].contains("mmHg"),
            "{found:?}"
        );
    }

    #[test]
    fn a_whole_mat_is_read_and_a_wrong_edge_is_told() {
        let text = "[mat]\nrows = 4\ncols = 6\npitch_mm = [8, 10]\nunit = \"mmHg\"\nleft_edge = \"last_row\"\ndead = [[1, 6]]\n";
        let (sidecar, found) = Sidecar::parse("press.toml", text);
        assert!(found.is_empty(), "{found:?}");
        let mat = sidecar.mat.unwrap();
        assert_eq!(
            (mat.cells(), mat.cell_area_mm2(), mat.width_mm()),
            (24, 80.0, 32.0)
        );
        assert_eq!(mat.dead, [(1, 6)]);
        assert!((mat.unit.kpa(80.0) - 0.133_322_387_415).abs() < 1e-15);
        let both = problems(&text.replace("dead", "head_edge = \"first_row\"\ndead"));
        assert!(both[0].contains("head_edge"), "{both:?}");
    }
}
