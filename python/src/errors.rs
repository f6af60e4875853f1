//! The library's errors as exceptions of the package.

use pyo3::prelude::*;
use pyo3::types::PyDict;
use tautpoint::{Error, Problem};

/// The exception that an error of the library is.
pub fn raised(py: Python<'_>, error: &Error) -> PyErr {
    match exception(py, error) {
        Ok(exception) => PyErr::from_value(exception),
        Err(other) => other,
    }
}

/// The exception of one problem of an input.
pub fn raised_problem(py: Python<'_>, problem: &Problem) -> PyErr {
    match data_error(py, problem) {
        Ok(exception) => PyErr::from_value(exception),
        Err(other) => other,
    }
}

fn exception<'py>(py: Python<'py>, error: &Error) -> PyResult<Bound<'py, PyAny>> {
    let class = |name: &str| py.import("tautpoint._errors")?.getattr(name);
    let message = error.to_string();
    match error {
        Error::Data(problem) => data_error(py, problem),
        Error::Io { path, cause, .. } => {
            let code = cause.raw_os_error();
            class("ReadError")?.call1((message, code, path.display().to_string()))
        }
        Error::Setting {
            what,
            found,
            expected,
        } => class("SettingError")?.call1((message, what, found, expected)),
        _ => class("RefusedError")?.call1((message,)),
    }
}

fn data_error<'py>(py: Python<'py>, problem: &Problem) -> PyResult<Bound<'py, PyAny>> {
    let named = PyDict::new(py);
    named.set_item("file", &problem.file)?;
    named.set_item("line", problem.line)?;
    named.set_item("column", problem.column.as_deref())?;
    named.set_item("found", &problem.found)?;
    named.set_item("expected", &problem.expected)?;
    named.set_item("advice", &problem.advice)?;
    let class = py.import("tautpoint._errors")?.getattr("DataError")?;
    class.call((problem.to_string(),), Some(&named))
}
