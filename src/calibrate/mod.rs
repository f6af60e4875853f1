//! Readings under known loads to a [`Calibration`] and back (METHODS.md §8). Pure: it knows texts, not files.
//!
//! [`make`] fits the curve and works out the named figures; [`certificate`] writes and reads the certificate;
//! [`Calibration::convert`] turns sensor counts into newtons or millimetres; [`drift`] keeps the control chart of the
//! daily check.

pub mod apply;
pub mod budget;
pub mod certificate;
pub mod conformance;
pub mod drift;
pub mod figures;
pub mod gravity;
pub mod inverse;
mod make;
pub mod polynomial;
pub mod readings;

pub use crate::terms::Day;
pub use apply::{Complaint, ConvertedChannel, Validity};
pub use figures::{CalibrationFigure, PercentOf};
pub use inverse::Inverse;
pub use make::{MakeOptions, NewCalibration, make};
pub use polynomial::Polynomial;
pub use readings::{Direction, Reading, SensorReadings};

use crate::units::Quantity;

/// What a calibration measures, as its certificate and its columns say it.
pub fn unit_word(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Displacement => "mm",
        Quantity::Force => "n",
        Quantity::Time => "s",
    }
}

/// The unit as people write it.
pub fn unit_sign(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Displacement => "mm",
        Quantity::Force => "N",
        Quantity::Time => "s",
    }
}

/// A sensor's calibration: how what it indicates follows from what is applied, and how well that is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Name by which sidecars and study.toml call for it.
    pub name: String,
    /// Code of the sensor.
    pub sensor: Option<String>,
    /// Column of the traces that it serves (`force`, `force_left`, …); any of its quantity when `None`.
    pub channel: Option<String>,
    /// Force (applied in N) or displacement (applied in mm).
    pub quantity: Quantity,
    /// Days, as YYYY-MM-DD.
    pub made: Option<Day>,
    /// The last day on which it may be used.
    pub expires: Option<Day>,
    /// Applied quantity to indication.
    pub curve: Polynomial,
    /// Smallest and largest load, in N or mm.
    pub range: [f64; 2],
    /// Standard relative uncertainty of the loads themselves, in percent; common to all of them.
    pub load_u_percent: Option<f64>,
    /// Repeatability and its like.
    pub figures: Vec<CalibrationFigure>,
    /// What a reader should know: where the loads came from, what could not be had.
    pub notes: Vec<String>,
}

impl Calibration {
    /// A figure by its name.
    pub fn figure(&self, name: &str) -> Option<&CalibrationFigure> {
        self.figures.iter().find(|f| f.name == name)
    }

    /// Width of the range, in N or mm.
    pub fn span(&self) -> f64 {
        self.range[1] - self.range[0]
    }

    /// Full scale: the load of largest size, in N or mm.
    pub fn full_scale(&self) -> f64 {
        self.range[0].abs().max(self.range[1].abs())
    }
}
