//! SensorReadings: what was applied, what was indicated.

use crate::units::Quantity;

/// Whether the load was reached from below or from above.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Direction {
    Up,
    Down,
}

impl Direction {
    /// The word in the column `direction`.
    pub fn word(self) -> &'static str {
        match self {
            Direction::Up => "up",
            Direction::Down => "down",
        }
    }

    /// Reads the word, in large or small letters.
    pub fn parse(word: &str) -> Option<Direction> {
        [Direction::Up, Direction::Down]
            .into_iter()
            .find(|d| word.eq_ignore_ascii_case(d.word()))
    }
}

/// One reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// In N or mm.
    pub applied: f64,
    /// As the sensor says it, usually counts.
    pub indicated: f64,
    /// The run that the reading belongs to.
    pub run: Option<String>,
    /// From the column `direction` alone; a reading without one counts as reached from below.
    pub direction: Option<Direction>,
    /// Line in the file, from 1.
    pub line: u64,
}

impl Reading {
    /// Whether the load was reached from below, or nobody said.
    pub fn is_up(&self) -> bool {
        self.direction != Some(Direction::Down)
    }
}

/// SensorReadings of one sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorReadings {
    /// Name of the file, for problems.
    pub file: String,
    /// Force or displacement.
    pub quantity: Quantity,
    /// Heading of the applied column, as in the file.
    pub applied_heading: String,
    /// Column `channel`, when there is one.
    pub channel: Option<String>,
    /// In the order in which they were taken.
    pub readings: Vec<Reading>,
    /// Smallest step that the indicated numbers are written in.
    pub written_step: Option<f64>,
    /// Relative standard uncertainty of the loads that comes with how they were worked out, in percent.
    pub load_u_percent: Option<f64>,
    /// Where the loads came from.
    pub notes: Vec<String>,
}

impl SensorReadings {
    /// Applied loads, in the order of the rows.
    pub fn applied(&self) -> Vec<f64> {
        self.readings.iter().map(|r| r.applied).collect()
    }

    /// Indicated values, in the order of the rows.
    pub fn indicated(&self) -> Vec<f64> {
        self.readings.iter().map(|r| r.indicated).collect()
    }

    /// The different loads, rising. Loads within a millionth of the largest are one: the same weights may be written
    /// with other digits.
    pub fn loads(&self) -> Vec<f64> {
        let mut loads = self.applied();
        loads.sort_by(f64::total_cmp);
        let close = 1e-6 * loads.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        loads.dedup_by(|b, a| *b - *a <= close);
        loads
    }

    /// SensorReadings at a load.
    pub fn at(&self, load: f64) -> impl Iterator<Item = &Reading> {
        let close = 1e-6 * self.readings.iter().fold(0.0, |m: f64, r| m.max(r.applied.abs()));
        self.readings
            .iter()
            .filter(move |r| r.applied >= load - close && r.applied <= load + close)
    }
}
