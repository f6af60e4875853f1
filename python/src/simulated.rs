//! Simulated presses with known truth.

use pyo3::exceptions::PyValueError;
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict};
use tautpoint::simulation::{Condition, Elastic, Simulated, TraceSpec};

#[pyfunction]
#[allow(clippy::too_many_arguments)]
pub fn simulate<'py>(
    py: Python<'py>,
    seed: u64,
    condition: Option<&str>,
    onset_mm: Option<f64>,
    take_up_n_per_mm: Option<f64>,
    end_feel_n_per_mm: Option<f64>,
    rate_hz: Option<f64>,
    force_noise_n: Option<f64>,
    displacement_noise_mm: Option<f64>,
    springs: Option<u32>,
) -> PyResult<Bound<'py, PyDict>> {
    let made = match condition {
        Some(word) => Condition::parse(word)
            .ok_or_else(|| PyValueError::new_err(format!("no condition {word:?}")))?
            .simulate(seed),
        None => {
            let mut spec = TraceSpec::default();
            if let Elastic::Knee {
                take_up_n_per_mm: k1,
                end_feel_n_per_mm: k2,
                onset_mm: xk,
                ..
            } = &mut spec.tissue.elastic
            {
                put(k1, "take_up_n_per_mm", take_up_n_per_mm, 0.01, 1000.0)?;
                put(k2, "end_feel_n_per_mm", end_feel_n_per_mm, 0.01, 1000.0)?;
                put(xk, "onset_mm", onset_mm, 0.1, 100.0)?;
            }
            put(&mut spec.sensor.rate_hz, "rate_hz", rate_hz, 10.0, 20_000.0)?;
            put(
                &mut spec.sensor.force_noise_n,
                "force_noise_n",
                force_noise_n,
                0.0,
                1000.0,
            )?;
            put(
                &mut spec.sensor.displacement_noise_mm,
                "displacement_noise_mm",
                displacement_noise_mm,
                0.0,
                1000.0,
            )?;
            if let Some(springs) = springs {
                let most = 100;
                if springs > most {
                    return Err(PyValueError::new_err(format!(
                        "springs is {springs}; expected at most {most}"
                    )));
                }
                spec.examiner.springs = springs;
            }
            py.detach(|| tautpoint::simulation::simulate(&spec, seed))
        }
    };
    told(py, &made)
}

fn put(of: &mut f64, what: &str, value: Option<f64>, low: f64, high: f64) -> PyResult<()> {
    match value {
        None => Ok(()),
        Some(value) if (low..=high).contains(&value) => {
            *of = value;
            Ok(())
        }
        Some(value) => Err(PyValueError::new_err(format!(
            "{what} is {value}; expected a number from {low} to {high}"
        ))),
    }
}

fn told<'py>(py: Python<'py>, made: &Simulated) -> PyResult<Bound<'py, PyDict>> {
    let bytes = |values: &[f64]| {
        PyBytes::new(
            py,
            &values.iter().flat_map(|v| v.to_ne_bytes()).collect::<Vec<u8>>(),
        )
    };
    let all = PyDict::new(py);
    all.set_item("time_s", bytes(&made.trace.time_s))?;
    if let Some(channel) = made.trace.channels.first() {
        all.set_item("force_n", bytes(&channel.force_n))?;
        all.set_item("displacement_mm", channel.displacement_mm.as_deref().map(bytes))?;
    }
    let (truth, t) = (PyDict::new(py), &made.truth);
    for (name, value) in [
        ("onset_mm", t.onset_mm),
        ("onset_s", t.onset_s),
        ("onset_n", t.onset_n),
        ("take_up_n_per_mm", t.take_up_n_per_mm),
        ("end_feel_n_per_mm", t.end_feel_n_per_mm),
        ("preload_n", t.preload_n),
        ("peak_n", Some(t.peak_n)),
        ("contact_begin_s", Some(t.contact_begin_s)),
        ("contact_end_s", Some(t.contact_end_s)),
    ] {
        truth.set_item(name, value)?;
    }
    truth.set_item("springs", t.springs.len())?;
    all.set_item("truth", truth)?;
    Ok(all)
}
