//! Cholesky of a sparse symmetric matrix whose pattern stays while its values change.
//!
//! Columns are taken in an order that makes few new entries (always the one with the fewest neighbours left), which
//! also tells where entries will be. Values are then put in as often as they change.

use std::collections::BTreeSet;

/// Pairs of neighbours that may be looked at for an order that makes few new entries.
const MOST_PAIRS: usize = 20_000_000;

/// An entry of a symmetric matrix, in rows and columns as given; each pair once, in either order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SparseEntry {
    pub row: usize,
    pub column: usize,
    pub value: f64,
}

/// Where the factor L has entries below its diagonal, by column, in the order of elimination.
#[derive(Debug, Clone)]
pub(super) struct Pattern {
    /// Place of each row as given in the order of elimination.
    pub place: Vec<usize>,
    starts: Vec<usize>,
    rows: Vec<usize>,
}

impl Pattern {
    /// The pattern of `size` rows with entries off the diagonal at `pairs`.
    pub fn new(size: usize, pairs: impl Iterator<Item = (usize, usize)>) -> Pattern {
        let mut near: Vec<BTreeSet<usize>> = vec![BTreeSet::new(); size];
        for (a, b) in pairs.filter(|(a, b)| a != b) {
            near[a].insert(b);
            near[b].insert(a);
        }
        let order = order(&near);
        let mut place = vec![0; size];
        for (at, column) in order.iter().enumerate() {
            place[*column] = at;
        }
        // A column has its own entries and those of the columns whose first entry it is.
        let mut columns: Vec<Vec<usize>> = Vec::with_capacity(size);
        let mut handed: Vec<Vec<usize>> = vec![Vec::new(); size];
        for (at, column) in order.iter().enumerate() {
            let mut rows: Vec<usize> = near[*column].iter().map(|r| place[*r]).filter(|r| *r > at).collect();
            for child in std::mem::take(&mut handed[at]) {
                rows.extend(columns[child].iter().skip(1));
            }
            rows.sort_unstable();
            rows.dedup();
            if let Some(first) = rows.first() {
                handed[*first].push(at);
            }
            columns.push(rows);
        }
        let mut starts = vec![0];
        let mut rows = Vec::new();
        for column in columns {
            rows.extend(column);
            starts.push(rows.len());
        }
        Pattern { place, starts, rows }
    }

    pub fn size(&self) -> usize {
        self.place.len()
    }

    fn column(&self, j: usize) -> std::ops::Range<usize> {
        self.starts[j]..self.starts[j + 1]
    }

    /// Where the value of an entry stands: `None` on the diagonal, else the index below it.
    pub fn slot(&self, a: usize, b: usize) -> Option<usize> {
        let (a, b) = (self.place[a], self.place[b]);
        let (column, row) = (a.min(b), a.max(b));
        let range = self.column(column);
        let found = self.rows[range.clone()].binary_search(&row).ok()?;
        (a != b).then_some(range.start + found)
    }

    pub fn below(&self) -> usize {
        self.rows.len()
    }

    /// Factors the matrix with this diagonal (in the order of elimination) and these values below it. `None` when it
    /// is not positive definite.
    pub fn factor(&self, mut diagonal: Vec<f64>, mut below: Vec<f64>) -> Option<Factor<'_>> {
        let size = self.size();
        const NONE: usize = usize::MAX;
        // Columns whose next entry stands in a row, as a list for each row.
        let (mut first, mut next) = (vec![NONE; size], vec![NONE; size]);
        let mut reached = self.starts.clone();
        let mut work = vec![0.0; size];
        for j in 0..size {
            let range = self.column(j);
            for e in range.clone() {
                work[self.rows[e]] = below[e];
            }
            let mut k = first[j];
            while k != NONE {
                let after = next[k];
                let from = reached[k];
                let factor = below[from];
                diagonal[j] -= factor * factor;
                let end = self.starts[k + 1];
                for e in from + 1..end {
                    work[self.rows[e]] -= factor * below[e];
                }
                reached[k] = from + 1;
                if from + 1 < end {
                    let row = self.rows[from + 1];
                    next[k] = first[row];
                    first[row] = k;
                }
                k = after;
            }
            if !(diagonal[j] > 0.0 && diagonal[j].is_finite()) {
                return None;
            }
            let root = diagonal[j].sqrt();
            diagonal[j] = root;
            for e in range.clone() {
                below[e] = work[self.rows[e]] / root;
            }
            if !range.is_empty() {
                let row = self.rows[range.start];
                next[j] = first[row];
                first[row] = j;
            }
        }
        Some(Factor {
            pattern: self,
            diagonal,
            below,
        })
    }
}

/// The order of elimination: always the column with the fewest neighbours left; where that would take too long, by the
/// number of neighbours at the start.
fn order(near: &[BTreeSet<usize>]) -> Vec<usize> {
    let mut by_start: Vec<usize> = (0..near.len()).collect();
    by_start.sort_by_key(|i| near[*i].len());
    if near.iter().map(|n| n.len().pow(2)).sum::<usize>() > MOST_PAIRS {
        return by_start;
    }
    let mut near = near.to_vec();
    let mut waiting: BTreeSet<(usize, usize)> = near.iter().enumerate().map(|(i, n)| (n.len(), i)).collect();
    let mut order = Vec::with_capacity(near.len());
    while let Some((_, next)) = waiting.pop_first() {
        order.push(next);
        let left = std::mem::take(&mut near[next]);
        for &a in &left {
            waiting.remove(&(near[a].len(), a));
            near[a].remove(&next);
            near[a].extend(left.iter().copied().filter(|b| *b != a));
            waiting.insert((near[a].len(), a));
        }
    }
    order
}

/// L of A = LLᵀ. Vectors are in the order of elimination.
pub(super) struct Factor<'a> {
    pattern: &'a Pattern,
    diagonal: Vec<f64>,
    below: Vec<f64>,
}

impl Factor<'_> {
    /// ln |A|.
    pub fn log_determinant(&self) -> f64 {
        2.0 * self.diagonal.iter().map(|d| d.ln()).sum::<f64>()
    }

    /// Solves Lx = b in place.
    pub fn solve_lower(&self, x: &mut [f64]) {
        for j in 0..x.len() {
            x[j] /= self.diagonal[j];
            let value = x[j];
            if value != 0.0 {
                for e in self.pattern.column(j) {
                    x[self.pattern.rows[e]] -= self.below[e] * value;
                }
            }
        }
    }

    /// Solves Lᵀx = b in place.
    pub fn solve_upper(&self, x: &mut [f64]) {
        for j in (0..x.len()).rev() {
            let mut value = x[j];
            for e in self.pattern.column(j) {
                value -= self.below[e] * x[self.pattern.rows[e]];
            }
            x[j] = value / self.diagonal[j];
        }
    }

    /// The diagonal of A⁻¹, from the entries of A⁻¹ where L has some: they are closed under the recurrence
    /// S = L⁻ᵀD⁻¹ + (I − Lᵀ)S read from the last column to the first.
    pub fn inverse_diagonal(&self) -> Vec<f64> {
        let p = self.pattern;
        let size = self.diagonal.len();
        let mut on = vec![0.0; size];
        let mut below = vec![0.0; self.below.len()];
        const NONE: usize = usize::MAX;
        let mut at = vec![NONE; size];
        let mut sums = Vec::new();
        for j in (0..size).rev() {
            let range = p.column(j);
            sums.clear();
            sums.resize(range.len(), 0.0);
            for (i, e) in range.clone().enumerate() {
                at[p.rows[e]] = i;
            }
            for (i, e) in range.clone().enumerate() {
                let k = p.rows[e];
                let own = self.below[e];
                sums[i] += own * on[k];
                for f in p.column(k) {
                    let other = at[p.rows[f]];
                    if other != NONE {
                        sums[other] += own * below[f];
                        sums[i] += self.below[range.start + other] * below[f];
                    }
                }
            }
            let d = self.diagonal[j];
            let mut own = 1.0 / d;
            for (i, e) in range.clone().enumerate() {
                below[e] = -sums[i] / d;
                own -= self.below[e] * below[e];
                at[p.rows[e]] = NONE;
            }
            on[j] = own / d;
        }
        on
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;

    #[test]
    fn factor_solve_determinant_and_inverse_diagonal_equal_those_of_a_full_matrix() {
        // A grid with ties across: no order keeps it free of new entries.
        let size = 12;
        let mut full = DMatrix::<f64>::identity(size, size) * 5.0;
        let mut entries = Vec::new();
        for (a, b) in [(0, 1), (1, 2), (2, 3), (3, 0), (4, 9), (5, 1), (6, 2), (7, 3), (8, 0), (10, 11), (11, 4), (9, 6)] {
            let value = 0.3 + 0.1 * a as f64 - 0.05 * b as f64;
            full[(a, b)] = value;
            full[(b, a)] = value;
            entries.push(SparseEntry { row: a, column: b, value });
        }
        let pattern = Pattern::new(size, entries.iter().map(|e| (e.row, e.column)));
        let mut below = vec![0.0; pattern.below()];
        for e in &entries {
            below[pattern.slot(e.row, e.column).unwrap()] = e.value;
        }
        let factor = pattern.factor(vec![5.0; size], below).unwrap();
        let inverse = full.clone().try_inverse().unwrap();
        assert!((factor.log_determinant() - full.determinant().ln()).abs() < 1e-12);
        let on = factor.inverse_diagonal();
        let b: Vec<f64> = (0..size).map(|i| (i as f64).sin()).collect();
        let mut x = vec![0.0; size];
        for i in 0..size {
            x[pattern.place[i]] = b[i];
        }
        factor.solve_lower(&mut x);
        factor.solve_upper(&mut x);
        let expected = &inverse * nalgebra::DVector::from_vec(b);
        for i in 0..size {
            assert!((on[pattern.place[i]] - inverse[(i, i)]).abs() < 1e-13);
            assert!((x[pattern.place[i]] - expected[i]).abs() < 1e-13);
        }
        assert!(pattern.factor(vec![-1.0; size], vec![0.0; pattern.below()]).is_none());
    }
}
