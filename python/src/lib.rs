//! The part of the Python package `tautpoint` that is written in Rust. What users call is in `package/tautpoint/`.

#![forbid(unsafe_code)]

mod analyses;
mod arrow;
mod errors;
mod sensor;
mod simulated;
mod stream;
mod waiting;

use pyo3::prelude::*;
use std::ffi::OsString;

/// Runs the command-line program; gives its exit code.
#[pyfunction]
fn run(py: Python<'_>, arguments: Vec<OsString>) -> u8 {
    py.detach(|| tautpoint::cli::run_for_code(arguments))
}

#[pymodule]
fn _native(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add("VERSION", env!("CARGO_PKG_VERSION"))?;
    module.add("CAUTION", tautpoint::analyses::CAUTION)?;
    module.add_class::<arrow::Table>()?;
    module.add_class::<analyses::Recording>()?;
    module.add_class::<analyses::Analysis>()?;
    module.add_class::<analyses::Agreement>()?;
    module.add_class::<stream::Detector>()?;
    module.add_function(wrap_pyfunction!(run, module)?)?;
    module.add_function(wrap_pyfunction!(analyses::analyze_paths, module)?)?;
    module.add_function(wrap_pyfunction!(analyses::analyze_held, module)?)?;
    module.add_function(wrap_pyfunction!(analyses::agree_on_paths, module)?)?;
    module.add_function(wrap_pyfunction!(analyses::agree_on_ratings, module)?)?;
    module.add_function(wrap_pyfunction!(analyses::stage_s, module)?)?;
    module.add_function(wrap_pyfunction!(sensor::calibrate, module)?)?;
    module.add_function(wrap_pyfunction!(simulated::simulate, module)?)?;
    Ok(())
}
