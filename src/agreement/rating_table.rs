//! Ratings in rows and columns.

use super::Design;
use crate::stats::agreement::balanced::{Part, largest_part};

/// Ratings with holes: one row a subject, one column a rater.
#[derive(Debug, Clone, PartialEq)]
pub struct RatingTable {
    /// What the columns are.
    pub design: Design,
    /// Their names, in the order of the rows.
    pub subjects: Vec<String>,
    /// Their names, in the order of the columns.
    pub raters: Vec<String>,
    /// One row a subject, each as long as `raters`.
    pub cells: Vec<Vec<Option<f64>>>,
    /// What there is to know about how the table came about.
    pub notes: Vec<String>,
}

impl RatingTable {
    /// The largest part without holes.
    pub(super) fn balanced(&self) -> Option<Part> {
        largest_part(&self.cells)
    }
}
