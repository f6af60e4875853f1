//! Recordings to tables, figures and pages.

use crate::arrow::Table;
use crate::errors::{raised, raised_problem};
use crate::waiting::{Watch, watched};
use pyo3::buffer::PyBuffer;
use pyo3::exceptions::PyValueError;
use pyo3::prelude::*;
use std::path::PathBuf;
use std::time::Instant;
use tautpoint::analyses::{self, AnalysisOptions, AnalysisText, Figure, HeldRecording};
use tautpoint::{About, Channel, Settings, Trace, measure_trace};

/// A recording in memory.
#[pyclass(frozen, module = "tautpoint._native")]
pub struct Recording {
    held: HeldRecording,
}

#[pymethods]
impl Recording {
    #[new]
    fn new(
        py: Python<'_>,
        name: &str,
        columns: Vec<(String, Bound<'_, PyAny>)>,
        about: &str,
    ) -> PyResult<Recording> {
        let mut values = Vec::with_capacity(columns.len());
        for (heading, column) in columns {
            let column = doubles(py, &heading, &column)?;
            values.push((heading, column));
        }
        let held = HeldRecording::new(name, values, about).map_err(|e| raised(py, &e))?;
        Ok(Recording { held })
    }

    #[getter]
    fn name(&self) -> &str {
        self.held.name()
    }
}

/// The numbers of a buffer of doubles with one dimension, whatever its strides.
pub fn doubles(py: Python<'_>, what: &str, of: &Bound<'_, PyAny>) -> PyResult<Vec<f64>> {
    let buffer = PyBuffer::<f64>::get(of)?;
    if buffer.dimensions() != 1 {
        let found = format!(
            "{what} has {} dimensions; expected one, a value a sample",
            buffer.dimensions()
        );
        return Err(PyValueError::new_err(found));
    }
    buffer.to_vec(py)
}

/// One analysis.
#[pyclass(frozen, module = "tautpoint._native")]
pub struct Analysis {
    analysis: analyses::Analysis,
}

/// Name, document and words of a figure.
type Drawn = (String, String, String);

fn drawn(name: String, figure: Figure) -> Drawn {
    (name, figure.svg, figure.alt)
}

#[pymethods]
impl Analysis {
    /// How many tests there are.
    fn __len__(&self) -> usize {
        self.analysis.tests().len()
    }

    #[getter]
    fn blinded(&self) -> bool {
        self.analysis.blinded()
    }

    #[staticmethod]
    fn table_names() -> Vec<&'static str> {
        analyses::Analysis::table_names().collect()
    }

    fn table(&self, py: Python<'_>, name: &str) -> Option<Table> {
        py.detach(|| self.analysis.table(name)).map(Table::from)
    }

    fn over_ceilings(&self) -> Vec<String> {
        self.analysis.over_ceilings()
    }

    fn text(&self, py: Python<'_>, of: &str) -> PyResult<String> {
        let of = match of {
            "summary" => AnalysisText::Summary,
            "budget" => AnalysisText::Budget,
            "json" => AnalysisText::Json,
            "lines" => AnalysisText::JsonLines,
            other => return Err(PyValueError::new_err(format!("no text {other:?}"))),
        };
        Ok(py.detach(|| self.analysis.text(of)))
    }

    fn page(&self, py: Python<'_>) -> PyResult<String> {
        py.detach(|| self.analysis.page()).map_err(|e| raised(py, &e))
    }

    fn figures(&self, py: Python<'_>) -> Vec<Drawn> {
        let figures = py.detach(|| self.analysis.figures());
        figures
            .into_iter()
            .map(|(name, figure)| drawn(name, figure))
            .collect()
    }

    fn test_figure(&self, py: Python<'_>, test: usize) -> Option<Drawn> {
        let figure = py.detach(|| self.analysis.test_figure(test));
        figure.map(|figure| drawn(format!("test-{test}"), figure))
    }

    fn curve(&self, py: Python<'_>, test: usize) -> PyResult<Option<(Table, Table)>> {
        let tables = py
            .detach(|| self.analysis.curve(test))
            .map_err(|e| raised(py, &e))?;
        Ok(tables.map(|(curve, marks)| (curve.into(), marks.into())))
    }

    fn write(&self, py: Python<'_>, folder: PathBuf) -> PyResult<()> {
        py.detach(|| self.analysis.write(&folder))
            .map_err(|e| raised(py, &e))
    }

    /// The recordings in memory that were analysed.
    fn held(&self) -> Vec<Recording> {
        let held = self.analysis.held().iter();
        held.map(|held| Recording { held: held.clone() }).collect()
    }

    fn agreement(&self, py: Python<'_>) -> PyResult<Agreement> {
        let found = py
            .detach(|| self.analysis.agreement())
            .map_err(|e| raised(py, &e))?;
        Ok(Agreement { found })
    }
}

/// Seconds that the Rust stage of an analysis takes on these arrays, the fastest of several: what `benches/python_speed.py` holds
/// `analyze_trace` against.
#[pyfunction]
pub fn stage_s(
    py: Python<'_>,
    time_s: &Bound<'_, PyAny>,
    force_n: &Bound<'_, PyAny>,
    displacement_mm: &Bound<'_, PyAny>,
    rounds: u32,
) -> PyResult<f64> {
    let channel = Channel {
        side: None,
        force_n: doubles(py, "force_n", force_n)?,
        displacement_mm: Some(doubles(py, "displacement_mm", displacement_mm)?),
        displacement_shared: false,
    };
    let trace = Trace {
        recording: "trace".to_owned(),
        time_s: doubles(py, "time_s", time_s)?,
        channels: vec![channel],
        marker: None,
        drive_deg: None,
        about: About::default(),
        notes: Vec::new(),
    };
    let settings = Settings::default();
    let mut best = f64::INFINITY;
    for _ in 0..rounds {
        let begun = Instant::now();
        measure_trace(&trace, &settings).map_err(|e| raised(py, &e))?;
        best = best.min(begun.elapsed().as_secs_f64());
    }
    Ok(best)
}

/// What every kind of analysis is told.
fn options<'a>(
    settings: Option<String>,
    plan: Option<String>,
    strict: bool,
    as_detected: bool,
    tell: &'a (dyn Fn(usize, usize) + Sync),
    watch: &'a Watch,
) -> AnalysisOptions<'a> {
    AnalysisOptions {
        settings,
        plan,
        strict,
        as_detected,
        progress: Some(tell),
        stop: Some(watch.stop()),
    }
}

#[pyfunction]
#[allow(clippy::too_many_arguments)]
pub fn analyze_paths(
    py: Python<'_>,
    paths: Vec<PathBuf>,
    settings: Option<String>,
    plan: Option<String>,
    strict: bool,
    as_detected: bool,
    progress: Option<&Bound<'_, PyAny>>,
) -> PyResult<Analysis> {
    let analysis = watched(py, progress, |watch| {
        let tell = |done, of| watch.tell(done, of);
        analyses::analyze_paths(
            &paths,
            &options(settings, plan, strict, as_detected, &tell, watch),
        )
    })?;
    used(py, analysis)
}

#[pyfunction]
pub fn analyze_held(
    py: Python<'_>,
    recordings: Vec<PyRef<'_, Recording>>,
    settings: Option<String>,
    plan: Option<String>,
) -> PyResult<Analysis> {
    let held: Vec<HeldRecording> = recordings.iter().map(|r| r.held.clone()).collect();
    drop(recordings);
    let options = AnalysisOptions {
        settings,
        plan,
        ..AnalysisOptions::default()
    };
    let analysis = py
        .detach(|| analyses::analyze_held(held, &options))
        .map_err(|e| raised(py, &e))?;
    used(py, analysis)
}

/// The analysis, unless no input at all could be used.
fn used(py: Python<'_>, analysis: analyses::Analysis) -> PyResult<Analysis> {
    match analysis.nothing_used() {
        Some(problem) => {
            let error = raised_problem(py, problem);
            let problems = analysis.table("problems").map(Table::from);
            error.value(py).setattr("problems", problems)?;
            error
                .value(py)
                .setattr("over_ceilings", analysis.over_ceilings())?;
            Err(error)
        }
        None => Ok(Analysis { analysis }),
    }
}

/// How far repeated tests or ratings agree.
#[pyclass(frozen, module = "tautpoint._native")]
pub struct Agreement {
    found: analyses::AgreementReport,
}

#[pymethods]
impl Agreement {
    fn json(&self) -> String {
        self.found.json()
    }

    fn tables(&self) -> Vec<Table> {
        self.found.tables().into_iter().map(Table::from).collect()
    }

    fn figures(&self, py: Python<'_>) -> Vec<Drawn> {
        let figures = py.detach(|| self.found.figures());
        figures
            .into_iter()
            .map(|(name, figure)| drawn(name, figure))
            .collect()
    }

    fn page(&self, py: Python<'_>) -> PyResult<String> {
        py.detach(|| self.found.page()).map_err(|e| raised(py, &e))
    }
}

#[pyfunction]
pub fn agree_on_paths(py: Python<'_>, paths: Vec<PathBuf>) -> PyResult<Agreement> {
    let found = watched(py, None, |watch| {
        analyses::agree_on_paths(&paths, Some(watch.stop()))
    })?;
    Ok(Agreement { found })
}

#[pyfunction]
pub fn agree_on_ratings(py: Python<'_>, text: &str) -> PyResult<Agreement> {
    let found = py
        .detach(|| analyses::agree_on_ratings("ratings", text))
        .map_err(|e| raised(py, &e))?;
    Ok(Agreement { found })
}
