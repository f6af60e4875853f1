//! The pressure mat: frames to hands, against simulated truth, faults, bad input, and figures.

mod bad_input;
mod chain;
mod faults;
mod figures;
mod hands;
mod reference;
mod truth;

use std::path::{Path, PathBuf};
use tautpoint::mat::MatRecord;
use tautpoint::read::ReadTrace;
use tautpoint::read::counts::CalibrationChoice;
use tautpoint::read::mat::{MatSource, read_mat};
use tautpoint::settings;
use tautpoint::simulate::{
    Examiner, MatSensor, Pad, Sensor, SimulatedMat, SimulatedTests, Tissue, TwoHands, simulate_bilateral,
    simulate_mat,
};
use tautpoint::study::mapping::ColumnMapping;
use tautpoint::study::mat_setup::{MatSetup, MatUnit};
use tautpoint::trace::About;

/// Half axes of a hand across and along, in mm.
const HAND_MM: [f64; 2] = [24.0, 18.0];

/// Rows and columns of the mat of these tests, 8 mm from cell to cell, and its middle.
const ROWS: usize = 20;
const COLS: usize = 36;
const MIDLINE_MM: f64 = 144.0;

/// Both hands pressing, the right tissue 30 % stiffer, 80 frames a second.
fn push(seed: u64) -> SimulatedTests {
    let sensor = Sensor {
        rate_hz: 80.0,
        ..Sensor::default()
    };
    let tissue = Tissue::default();
    let (left, right) = (tissue.scaled(-0.15), tissue.scaled(0.15));
    simulate_bilateral(
        &left,
        &right,
        &Examiner::default(),
        &sensor,
        TwoHands::default(),
        seed,
    )
}

/// The mat, its midline known.
fn setup() -> MatSetup {
    MatSetup {
        midline_mm: Some(MIDLINE_MM),
        ..MatSetup::new(ROWS, COLS, 8.0, MatUnit::Kpa)
    }
}

/// Two hands with that much free space between them, not centred on the cells.
fn pads(apart_mm: f64) -> [Pad; 2] {
    let reach = HAND_MM[0] + 0.5 * apart_mm;
    [
        Pad::still([MIDLINE_MM - reach + 1.3, 78.1], HAND_MM),
        Pad::still([MIDLINE_MM + reach + 1.3, 83.7], HAND_MM),
    ]
}

fn on_mat(made: &SimulatedTests, sensor: MatSensor, pads: &[Pad], seed: u64) -> SimulatedMat {
    simulate_mat(&made.noise_free, &made.trace, sensor, pads, &[], seed)
}

/// A folder that goes with the test.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Folder {
        Folder(tempfile::tempdir().unwrap())
    }

    fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    }
}

/// Reads the file of a simulated mat as its sensor says it is built.
fn read(mat: &SimulatedMat, about: About) -> ReadTrace {
    let folder = Folder::new();
    let path = folder.file("mat.csv", &mat.text());
    read_file(&path, &mat.sensor.setup, about).unwrap()
}

fn read_file(path: &Path, setup: &MatSetup, about: About) -> tautpoint::error::Result<ReadTrace> {
    let source = MatSource {
        path,
        recording: "mat.csv",
        setup,
        mapping: &ColumnMapping::default(),
        settings: &settings::Mat::default(),
    };
    read_mat(&source, about, CalibrationChoice::default(), None)
}

fn record(read: &ReadTrace) -> &MatRecord {
    read.mat.as_deref().unwrap()
}
