//! The streaming detector, sample by sample.

use crate::analyses::doubles;
use pyo3::exceptions::PyValueError;
use pyo3::prelude::*;
use tautpoint::Settings;
use tautpoint::streaming::{Event, Feed, FeedSettings};

/// Follows a running station.
#[pyclass(module = "tautpoint._native")]
pub struct Detector {
    feed: Feed,
    has_displacement: bool,
}

/// What happened, when, and for the end of a contact whether the recording ended first.
type Told = (&'static str, f64, bool);

#[pymethods]
impl Detector {
    #[new]
    fn new(rate_hz: f64, displacement: bool) -> PyResult<Detector> {
        if !(10.0..=20_000.0).contains(&rate_hz) {
            return Err(PyValueError::new_err(format!(
                "rate_hz is {rate_hz}; expected a number from 10 to 20000"
            )));
        }
        Ok(Detector {
            feed: Feed::new(FeedSettings::live(rate_hz, displacement, &Settings::default())),
            has_displacement: displacement,
        })
    }

    #[pyo3(signature = (time_s, force_n, displacement_mm=None))]
    fn push(&mut self, time_s: f64, force_n: f64, displacement_mm: Option<f64>) -> PyResult<Vec<Told>> {
        let mut events = Vec::new();
        self.take(time_s, force_n, displacement_mm, &mut events)?;
        Ok(self.told(&events))
    }

    fn push_all(
        &mut self,
        py: Python<'_>,
        time_s: &Bound<'_, PyAny>,
        force_n: &Bound<'_, PyAny>,
        displacement_mm: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<Vec<Told>> {
        let time_s = doubles(py, "time_s", time_s)?;
        let force_n = doubles(py, "force_n", force_n)?;
        let displacement_mm = displacement_mm
            .map(|of| doubles(py, "displacement_mm", of))
            .transpose()?;
        let rows = time_s.len();
        if force_n.len() != rows || displacement_mm.as_ref().is_some_and(|x| x.len() != rows) {
            return Err(PyValueError::new_err(format!(
                "columns of unequal lengths; expected {rows}, as time_s has"
            )));
        }
        let mut events = Vec::new();
        py.detach(|| {
            for (row, (time_s, force_n)) in time_s.iter().zip(&force_n).enumerate() {
                let x = displacement_mm.as_ref().and_then(|x| x.get(row).copied());
                self.take(*time_s, *force_n, x, &mut events)?;
            }
            Ok::<(), PyErr>(())
        })?;
        Ok(self.told(&events))
    }

    fn finish(&mut self) -> Vec<Told> {
        let mut events = Vec::new();
        self.feed.finish(&mut events);
        self.told(&events)
    }

    #[getter]
    fn zero_n(&self) -> Option<f64> {
        self.feed.zero_n()
    }

    #[getter]
    fn limit_n(&self) -> Option<f64> {
        self.feed.limit_n()
    }

    #[getter]
    fn look_ahead_s(&self) -> Option<f64> {
        self.feed.look_ahead_s()
    }
}

impl Detector {
    fn take(&mut self, time_s: f64, force_n: f64, x: Option<f64>, events: &mut Vec<Event>) -> PyResult<()> {
        if !time_s.is_finite() {
            return Err(PyValueError::new_err(format!(
                "time_s is {time_s}; expected the time of the sample"
            )));
        }
        if force_n.is_infinite() || x.is_some_and(f64::is_infinite) {
            return Err(PyValueError::new_err(
                "a value is infinite; expected a number, or NaN where it is missing",
            ));
        }
        self.feed
            .push(time_s, force_n, x.filter(|_| self.has_displacement), events);
        Ok(())
    }

    fn told(&self, events: &[Event]) -> Vec<Told> {
        let one = |event: &Event| match *event {
            Event::ContactBegan { index } => ("contact began", self.feed.time_s(index), false),
            Event::Spring(mark) => ("spring", self.feed.time_s(mark.peak), false),
            Event::ContactEnded { index, cut_off } => ("contact ended", self.feed.time_s(index), cut_off),
        };
        events.iter().map(one).collect()
    }
}
