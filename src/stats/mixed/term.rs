//! A random term: which level each row has.

use std::collections::BTreeMap;

/// One random term: which level each row has and, for a random slope, the number it is multiplied by.
#[derive(Debug, Clone, PartialEq)]
pub struct RandomTerm {
    level: Vec<usize>,
    pub(super) slope: Option<Vec<f64>>,
    count: usize,
}

impl RandomTerm {
    /// Levels by any labels: equal labels are one level.
    pub fn new<T: Ord>(labels: &[T]) -> RandomTerm {
        let mut seen: BTreeMap<&T, usize> = BTreeMap::new();
        let level: Vec<usize> = labels
            .iter()
            .map(|label| {
                let next = seen.len();
                *seen.entry(label).or_insert(next)
            })
            .collect();
        RandomTerm {
            level,
            slope: None,
            count: seen.len(),
        }
    }

    /// The same levels with a random slope along `x`, uncorrelated with any other term.
    pub fn along(mut self, x: &[f64]) -> RandomTerm {
        self.slope = Some(x.to_vec());
        self
    }

    /// How many levels there are.
    pub fn count(&self) -> usize {
        self.count
    }

    /// How many times the term's variance is in the sum of these rows, each with its weight: Σ over levels of the squared
    /// sum of what is weighted there.
    pub fn load(&self, weighted: &[(usize, f64)]) -> f64 {
        let mut sums: BTreeMap<usize, f64> = BTreeMap::new();
        for (row, weight) in weighted {
            *sums.entry(self.level[*row]).or_default() += weight * self.weight(*row);
        }
        sums.values().map(|s| s * s).sum()
    }

    pub(super) fn level(&self, row: usize) -> usize {
        self.level[row]
    }

    pub(super) fn weight(&self, row: usize) -> f64 {
        self.slope.as_ref().map_or(1.0, |s| s[row])
    }

    pub(super) fn fits(&self, rows: usize) -> bool {
        self.level.len() == rows && self.slope.as_ref().is_none_or(|s| s.len() == rows)
    }
}
