//! tautpoint measures manual spinal palpation: from force and displacement against time it finds where pre-tension
//! begins (the *onset*), how stiff the end-feel is, how much of each press-and-return (a *spring*) comes back, and
//! whether left and right differ by more than can be measured.
//!
//! The crate is the program `tautpoint` and the library under it. A trace goes in, and the measures of each test in it
//! come out, each with its uncertainty:
//!
//! ```
//! use tautpoint::simulation::{TraceSpec, simulate};
//! use tautpoint::{Measure, Settings, measure_trace};
//!
//! // A simulated press stands in for a recording; `read_trace` reads one from a file.
//! let trace = simulate(&TraceSpec::default(), 1).trace;
//! let tests = measure_trace(&trace, &Settings::default())?;
//! let end_feel = tests[0].measures.get(Measure::EndFeel).expect("the press has springs");
//! let half_width = end_feel.u95().expect("noise was measured");
//! println!("end-feel {:.2} ± {half_width:.2} N/mm", end_feel.value);
//! # assert!(half_width > 0.0 && half_width < 0.5);
//! # Ok::<(), tautpoint::Error>(())
//! ```
//!
//! Two sides are compared once their tests say whose they are:
//!
//! ```
//! use tautpoint::simulation::{TraceSpec, simulate};
//! use tautpoint::{CompareContext, Level, Settings, Side, compare, measure_trace};
//!
//! let settings = Settings::default();
//! let mut tests = Vec::new();
//! for (seed, side) in [(1, Side::Left), (2, Side::Right), (3, Side::Left), (4, Side::Right)] {
//!     let mut trace = simulate(&TraceSpec::default(), seed).trace;
//!     trace.about.level = Some(Level::L3);
//!     trace.about.side = Some(side);
//!     tests.extend(measure_trace(&trace, &settings)?);
//! }
//! let context = CompareContext { settings: &settings, calls: &[], agreement: None };
//! let found = compare(&tests, &context);
//! // The tissue is the same under both hands.
//! assert!(found.comparisons.iter().all(|c| c.side_of_resistance.is_none_or(|word| word.word() != "left")));
//! # Ok::<(), tautpoint::Error>(())
//! ```
//!
//! # Where to look next
//!
//! - [`measure_trace`] measures a trace by itself; [`find_tests`] and [`measure`] do the same in two steps, so that the
//!   tests can be named (level, side) in between.
//! - [`streaming`] follows a running station sample by sample, with the same detector.
//! - [`calibration`] turns sensors' readings into newtons and millimetres, with their uncertainty.
//! - [`statistics`] holds what decisions rest on; [`reliability`] how far repeated tests agree.
//! - [`simulation`] makes traces with a known truth.
//! - `METHODS.md` defines every measure: formula, source, uncertainty and rule of decision. `examples/` has four short
//!   programs.
//!
//! # Units
//!
//! Seconds, newtons, millimetres, N/mm and mJ (N·mm), always; the unit ends the name (`force_n`). Left and right are the
//! subject's. A missing value is `None`; NaN stands for a missing raw sample only.
//!
//! # Features
//!
//! | feature | brings |
//! |---|---|
//! | `cli` | the program, and with it all of the following |
//! | `live` | the live page and its server |
//! | `figures` | figures; with `parquet`, the pages that hold them |
//! | `parquet` | recordings and tables as Parquet, and what many recordings need |
//! | `serial` | serial ports |
//!
//! All are on by default. With `default-features = false` the library still measures, compares, calibrates, simulates and
//! reads text.

#![forbid(unsafe_code)]
#![deny(missing_docs)]
// What only tests, or only a larger build, look at is no dead code of this one.
#![cfg_attr(
    not(all(feature = "internals", feature = "cli")),
    allow(dead_code, unused_imports)
)]

/// The rooms of the crate, in the order data flows through them. They are private: what is promised is re-exported.
/// The project's own tests and benches look inside by the feature `internals`, which promises nothing.
macro_rules! rooms {
    ($($(#[$gate:meta])* mod $room:ident;)*) => {$(
        $(#[$gate])*
        #[cfg(feature = "internals")]
        #[doc(hidden)]
        pub mod $room;
        $(#[$gate])*
        #[cfg(not(feature = "internals"))]
        mod $room;
    )*};
}

rooms! {
    mod error;
    mod fault;
    mod units;
    mod terms;
    mod format;
    mod stats;
    mod settings;
    mod columns;
    mod trace;
    mod study;
    mod calibrate;
    mod mat;
    #[cfg(feature = "parquet")]
    mod parquet_pages;
    mod read;
    mod write;
    mod signal;
    mod simulate;
    mod instrument;
    mod acquire;
    mod compare;
    mod agreement;
    mod technique;
    mod effects;
    mod results;
    mod batch;
    mod planning;
    #[cfg(feature = "parquet")]
    mod cohort;
    #[cfg(feature = "figures")]
    mod plot;
    #[cfg(all(feature = "figures", feature = "parquet"))]
    mod report;
    mod live;
    mod session;
    mod review;
    #[cfg(all(feature = "figures", feature = "parquet"))]
    mod analysis;
    #[cfg(feature = "cli")]
    mod desk;
}

/// The program; public for `main.rs` alone.
#[doc(hidden)]
#[cfg(feature = "cli")]
pub mod cli;

pub use columns::{Measure, MeasureInfo};
pub use compare::{
    AgreementSpread, Call, CompareContext, Comparison, ComparisonKind, ComparisonOutcome, Decision,
    SpreadSource, TrialsToDecide, Unpaired, compare,
};
pub use error::{Error, Problem, Result, Severity};
pub use read::{ReadTrace, read_bytes, read_trace};
pub use settings::Settings;
pub use signal::{FoundTests, find_tests, measure, measure_trace};
pub use study::mapping::ColumnMapping;
pub use terms::{Contact, Felt, Landmark, Level, LineOfDrive, Posture, Region, Side, Term, TestKey};
pub use trace::{
    About, BudgetLine, Channel, Curve, Estimate, FitSummary, Knee, Measured, Measures, Note, Phases, Spring,
    Test, Trace, UncertaintySource,
};

/// A running station followed sample by sample, by the detector that also reads files.
pub mod streaming {
    pub use crate::signal::events::{Event, SpringMark};
    pub use crate::signal::feed::{Feed, FeedSettings};
}

/// Tissue, examiner and sensor models with known truth.
pub mod simulation {
    pub use crate::simulate::{
        Condition, Elastic, Examiner, ExaminerFault, Maxwell, Sensor, Simulated, SimulatedTests, Tissue,
        TraceSpec, Truth, simulate, simulate_bilateral, simulate_scan,
    };
}

/// Readings of known loads to a calibration, and a sensor's indications to quantities with their uncertainty.
pub mod calibration {
    pub use crate::calibrate::{Calibration, MakeOptions, NewCalibration, Reading, SensorReadings, make};
}

/// What decisions rest on: least squares, knees, quantiles, several tests at once.
pub mod statistics {
    pub use crate::stats::{decide, least_squares, line, moments, multiple, quantile, two_lines, variance};
}

/// Whole studies, and recordings in memory, to tables, figures and pages: what other programs are built on.
#[cfg(all(feature = "figures", feature = "parquet"))]
pub mod analyses {
    pub use crate::analysis::{
        AgreementReport, Analysis, AnalysisOptions, AnalysisText, CalibrationReport, HeldRecording,
        LoadOptions, agree_on_paths, agree_on_ratings, analyze_held, analyze_paths, calibrate_text,
    };
    pub use crate::columns::{Column, Kind};
    pub use crate::plot::Figure;
    pub use crate::report::CAUTION;
    pub use crate::report::tables::{Cell, Table};
}

/// How far repeated tests, raters and calls agree.
pub mod reliability {
    pub use crate::agreement::{Agreement, RatingTable, of_ratings, of_study};
    pub use crate::stats::agreement::{bland_altman, fleiss_kappa, icc, kappa, sem};
}
