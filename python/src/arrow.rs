//! Tables, and how other libraries take them without a copy: the Arrow PyCapsule interface.

use polars_arrow::array::{Array, BooleanArray, PrimitiveArray, StructArray, Utf8Array};
use polars_arrow::datatypes::{ArrowDataType, Field};
use polars_arrow::ffi::{export_field_to_c, export_iterator};
use pyo3::exceptions::PyKeyError;
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyCapsule, PyDict, PyList};
use std::sync::OnceLock;
use tautpoint::analyses::{self, Cell, Kind};

/// A table of results.
#[pyclass(frozen, module = "tautpoint._native")]
pub struct Table {
    table: analyses::Table,
    /// Its columns as Arrow has them, made when first asked for; handing them out copies nothing.
    arrays: OnceLock<Vec<Box<dyn Array>>>,
}

impl From<analyses::Table> for Table {
    fn from(table: analyses::Table) -> Table {
        Table {
            table,
            arrays: OnceLock::new(),
        }
    }
}

#[pymethods]
impl Table {
    #[getter]
    fn name(&self) -> &str {
        self.table.name
    }

    fn __len__(&self) -> usize {
        self.table.rows.len()
    }

    #[getter]
    fn column_names(&self) -> Vec<&str> {
        self.table.columns.iter().map(|c| c.name.as_ref()).collect()
    }

    /// Of each column its kind, unit, meaning and section of METHODS.md.
    fn about(&self) -> Vec<(&str, &str, &str, String)> {
        let of = |c: &'_ analyses::Column| (c.kind.word(), c.unit, c.reference());
        self.table
            .columns
            .iter()
            .map(|c| (of(c).0, of(c).1, c.meaning.as_ref(), of(c).2))
            .collect()
    }

    /// The cells of a column; missing is None.
    fn column<'py>(&self, py: Python<'py>, name: &str) -> PyResult<Bound<'py, PyList>> {
        let at = self.position(name)?;
        let kind = self.table.columns[at].kind;
        let list = PyList::empty(py);
        for row in &self.table.rows {
            list.append(value(py, &row[at], kind)?)?;
        }
        Ok(list)
    }

    /// The cells of a column of numbers as doubles of this machine; missing is NaN.
    fn doubles<'py>(&self, py: Python<'py>, name: &str) -> PyResult<Bound<'py, PyBytes>> {
        let at = self.position(name)?;
        let cells = self.table.rows.iter().map(|row| match &row[at] {
            Cell::Num(n) => *n,
            #[allow(clippy::cast_precision_loss)]
            Cell::Int(n) => *n as f64,
            Cell::Bool(b) => f64::from(u8::from(*b)),
            _ => f64::NAN,
        });
        let bytes: Vec<u8> = cells.flat_map(f64::to_ne_bytes).collect();
        Ok(PyBytes::new(py, &bytes))
    }

    /// One dictionary a row.
    fn rows<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyList>> {
        let list = PyList::empty(py);
        for row in &self.table.rows {
            let dict = PyDict::new(py);
            for (column, cell) in self.table.columns.iter().zip(row) {
                dict.set_item(column.name.as_ref(), value(py, cell, column.kind)?)?;
            }
            list.append(dict)?;
        }
        Ok(list)
    }

    /// The table as its file of the result folder holds it.
    fn to_csv(&self, py: Python<'_>) -> PyResult<String> {
        let bytes = self.table.to_csv().map_err(|e| crate::errors::raised(py, &e))?;
        Ok(String::from_utf8_lossy(&bytes).into_owned())
    }

    #[pyo3(signature = (requested_schema=None))]
    fn __arrow_c_stream__<'py>(
        &self,
        py: Python<'py>,
        requested_schema: Option<&Bound<'py, PyAny>>,
    ) -> PyResult<Bound<'py, PyCapsule>> {
        // The interface lets a producer hand out what it has.
        let _ = requested_schema;
        let arrays = self.arrays().clone();
        let whole = StructArray::new(self.data_type(), self.table.rows.len(), arrays, None);
        let stream = export_iterator(Box::new(std::iter::once(Ok(whole.boxed()))), self.field());
        PyCapsule::new_with_value(py, stream, c"arrow_array_stream")
    }

    fn __arrow_c_schema__<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyCapsule>> {
        PyCapsule::new_with_value(py, export_field_to_c(&self.field()), c"arrow_schema")
    }
}

impl Table {
    fn position(&self, name: &str) -> PyResult<usize> {
        let none = || PyKeyError::new_err(format!("no column {name:?} in {}", self.table.name));
        self.table.position(name).ok_or_else(none)
    }

    fn data_type(&self) -> ArrowDataType {
        let field = |c: &analyses::Column| Field::new(c.name.as_ref().into(), type_of(c.kind), true);
        ArrowDataType::Struct(self.table.columns.iter().map(field).collect())
    }

    fn field(&self) -> Field {
        Field::new(self.table.name.into(), self.data_type(), false)
    }

    fn arrays(&self) -> &Vec<Box<dyn Array>> {
        self.arrays.get_or_init(|| {
            let columns = self.table.columns.iter().enumerate();
            columns
                .map(|(at, column)| array(self.table.rows.iter().map(|row| &row[at]), column.kind))
                .collect()
        })
    }
}

fn type_of(kind: Kind) -> ArrowDataType {
    match kind {
        Kind::Text | Kind::List(_) => ArrowDataType::LargeUtf8,
        Kind::Int => ArrowDataType::Int64,
        Kind::Num => ArrowDataType::Float64,
        Kind::Bool => ArrowDataType::Boolean,
    }
}

/// A column with the types that its Parquet file has.
fn array<'a>(cells: impl Iterator<Item = &'a Cell>, kind: Kind) -> Box<dyn Array> {
    match kind {
        Kind::Text | Kind::List(_) => cells.map(|c| c.as_text(kind)).collect::<Utf8Array<i64>>().boxed(),
        Kind::Int => {
            let whole = cells.map(|c| if let Cell::Int(n) = c { Some(*n) } else { None });
            whole.collect::<PrimitiveArray<i64>>().boxed()
        }
        Kind::Num => {
            let numbers = cells.map(|c| if let Cell::Num(n) = c { Some(*n) } else { None });
            numbers.collect::<PrimitiveArray<f64>>().boxed()
        }
        Kind::Bool => {
            let truths = cells.map(|c| if let Cell::Bool(b) = c { Some(*b) } else { None });
            truths.collect::<BooleanArray>().boxed()
        }
    }
}

fn value<'py>(py: Python<'py>, cell: &Cell, kind: Kind) -> PyResult<Bound<'py, PyAny>> {
    Ok(match cell {
        Cell::Int(n) => n.into_pyobject(py)?.into_any(),
        Cell::Num(n) => n.into_pyobject(py)?.into_any(),
        Cell::Bool(b) => b.into_pyobject(py)?.to_owned().into_any(),
        Cell::Text(_) | Cell::List(_) | Cell::Missing => cell.as_text(kind).into_pyobject(py)?.into_any(),
    })
}
