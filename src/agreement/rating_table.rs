//! Ratings in rows and columns.

use super::Design;
use crate::stats::agreement::clustered::PlacedRating;
use std::collections::BTreeMap;

/// What a row belongs to, by numbers that are equal for the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RowGroups {
    pub subject: usize,
    /// What stays when a test is repeated, within its subject.
    pub place: usize,
    /// Rows of one subject that came about together.
    pub visit: usize,
}

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
    /// One a row.
    pub groups: Vec<RowGroups>,
    /// What there is to know about how the table came about.
    pub notes: Vec<String>,
}

impl RatingTable {
    /// Groups of rows that have nothing in common.
    pub(super) fn apart(rows: usize) -> Vec<RowGroups> {
        let own = |i| RowGroups {
            subject: i,
            place: i,
            visit: i,
        };
        (0..rows).map(own).collect()
    }

    /// Every rating with what it belongs to.
    pub(super) fn placed(&self) -> Vec<PlacedRating> {
        let rows = self.cells.iter().zip(&self.groups).enumerate();
        rows.flat_map(|(target, (row, of))| {
            row.iter().enumerate().filter_map(move |(rater, value)| {
                Some(PlacedRating {
                    value: (*value)?,
                    subject: of.subject,
                    place: of.place,
                    visit: of.visit,
                    target,
                    rater,
                })
            })
        })
        .collect()
    }

    /// Whether an error can be told from rows and raters: what is left of the ratings when each row and each rater
    /// has had its own mean. Two rows by the same two raters are the least.
    pub(super) fn has_error(&self) -> bool {
        // Raters that rows join, as a forest.
        let mut joined: BTreeMap<usize, usize> = BTreeMap::new();
        fn root(joined: &BTreeMap<usize, usize>, mut of: usize) -> usize {
            while joined[&of] != of {
                of = joined[&of];
            }
            of
        }
        let mut left = 0;
        for row in &self.cells {
            let raters: Vec<usize> = (0..row.len()).filter(|c| row[*c].is_some()).collect();
            for pair in raters.windows(2) {
                for rater in pair {
                    joined.entry(*rater).or_insert(*rater);
                }
                let (a, b) = (root(&joined, pair[0]), root(&joined, pair[1]));
                if a == b {
                    left += 1;
                } else {
                    joined.insert(b.max(a), a.min(b));
                }
            }
        }
        left > 0
    }
}
