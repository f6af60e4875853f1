//! Calibrations.

use crate::errors::raised;
use pyo3::prelude::*;
use tautpoint::analyses::{LoadOptions, calibrate_text};

/// The JSON object, the certificate, the page and the warnings of a calibration.
type Made = (String, String, String, Vec<String>);

#[pyfunction]
#[allow(clippy::too_many_arguments)]
pub fn calibrate(
    py: Python<'_>,
    text: &str,
    name: String,
    sensor: Option<String>,
    made: Option<String>,
    expires: Option<String>,
    degree: Option<usize>,
    gravity: Option<f64>,
    load_u_percent: Option<f64>,
) -> PyResult<Made> {
    let options = LoadOptions {
        name,
        sensor,
        made,
        expires,
        degree,
        gravity,
        load_u_percent,
    };
    let made = py.detach(|| {
        let made = calibrate_text("readings", text, &options)?;
        let page = made.page()?;
        let warnings = made.problems().iter().map(ToString::to_string).collect();
        Ok((made.json(), made.certificate(), page, warnings))
    });
    made.map_err(|e| raised(py, &e))
}
