//! The numbers of a mixed model that do not change while it is fitted, and the restricted likelihood at a point.

use super::error::MixedError;
use super::sparse::{SparseEntry, Factor, Pattern};
use super::term::RandomTerm;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Sums of products of all columns: enough for any number of looks at the likelihood, whatever the number of rows.
pub(super) struct System {
    pub rows: usize,
    /// Where each term's columns start among all, and behind the last one their number.
    pub starts: Vec<usize>,
    /// ZᵀZ: its diagonal, and what is not 0 off it.
    pub diagonal: Vec<f64>,
    pub entries: Vec<SparseEntry>,
    pub pattern: Pattern,
    slots: Vec<usize>,
    /// ZᵀX with X made orthonormal, by column of Z.
    pub z_fixed: DMatrix<f64>,
    /// X = Q·R.
    orthonormal: DMatrix<f64>,
    pub triangle: DMatrix<f64>,
    random: Vec<RandomTerm>,
}

/// What a likelihood takes of the values.
pub(super) struct Response {
    /// ZᵀY and YᵀY with Y the residuals of least squares.
    pub z_values: Vec<f64>,
    pub squares: f64,
    /// Least squares in the columns of Q.
    pub least_squares: DVector<f64>,
    /// Sum of squares of the values, the scale of what counts as nothing.
    pub total_squares: f64,
}

/// What the fit needs at one point θ.
pub(super) struct LikelihoodPoint {
    /// −2 × restricted log-likelihood, σ² at its best.
    pub deviance: f64,
    pub gradient: Vec<f64>,
    /// σ².
    pub residual: f64,
    /// In the columns of Q.
    pub fixed: DVector<f64>,
    /// (XᵀH⁻¹X)⁻¹ in the columns of Q, H = V/σ².
    pub fixed_inverse: DMatrix<f64>,
}

/// A column that does not count beside the part of it that the columns before explain.
const DEPENDENT: f64 = 1e-9;

impl System {
    /// # Errors
    /// A fixed column that the others before it explain.
    pub fn new(rows: usize, fixed: &[Vec<f64>], random: &[RandomTerm]) -> Result<System, MixedError> {
        let (orthonormal, triangle) = orthonormalise(rows, fixed)?;
        let mut starts = vec![0];
        for term in random {
            starts.push(starts[starts.len() - 1] + term.count());
        }
        let columns = starts[random.len()];
        let mut diagonal = vec![0.0; columns];
        let mut z_fixed = DMatrix::zeros(columns, fixed.len());
        let mut products: Vec<SparseEntry> = Vec::new();
        for row in 0..rows {
            for (t, term) in random.iter().enumerate() {
                let (a, weight) = (starts[t] + term.level(row), term.weight(row));
                diagonal[a] += weight * weight;
                for c in 0..fixed.len() {
                    z_fixed[(a, c)] += weight * orthonormal[(row, c)];
                }
                for (u, other) in random.iter().enumerate().take(t) {
                    products.push(SparseEntry {
                        row: starts[u] + other.level(row),
                        column: a,
                        value: weight * other.weight(row),
                    });
                }
            }
        }
        let entries = summed(products);
        let pattern = Pattern::new(columns, entries.iter().map(|e| (e.row, e.column)));
        let slots = entries.iter().filter_map(|e| pattern.slot(e.row, e.column)).collect();
        Ok(System {
            rows,
            starts,
            diagonal,
            entries,
            pattern,
            slots,
            z_fixed,
            orthonormal,
            triangle,
            random: random.to_vec(),
        })
    }

    /// The values, as many as there are rows.
    pub fn response(&self, values: &[f64]) -> Response {
        let mut rest = DVector::from_column_slice(values);
        let mut least_squares = DVector::zeros(self.fixed());
        // A second pass takes back the rounding of the first.
        for _ in 0..2 {
            let part = self.orthonormal.tr_mul(&rest);
            rest -= &self.orthonormal * &part;
            least_squares += part;
        }
        let mut z_values = vec![0.0; self.columns()];
        for (t, term) in self.random.iter().enumerate() {
            for row in 0..self.rows {
                z_values[self.starts[t] + term.level(row)] += term.weight(row) * rest[row];
            }
        }
        Response {
            z_values,
            squares: rest.norm_squared(),
            least_squares,
            total_squares: values.iter().map(|v| v * v).sum(),
        }
    }

    pub fn terms(&self) -> usize {
        self.starts.len() - 1
    }

    pub fn fixed(&self) -> usize {
        self.z_fixed.ncols()
    }

    pub fn columns(&self) -> usize {
        self.diagonal.len()
    }

    /// The term of each column of Z.
    pub fn term_of(&self) -> Vec<usize> {
        (0..self.terms())
            .flat_map(|t| std::iter::repeat_n(t, self.starts[t + 1] - self.starts[t]))
            .collect()
    }

    /// Degrees of freedom of all that is random.
    pub fn free(&self) -> f64 {
        (self.rows - self.fixed()) as f64
    }

    /// The factor of I + ΛZᵀZΛ.
    pub fn factor(&self, theta: &[f64]) -> Option<Factor<'_>> {
        let term = self.term_of();
        let mut diagonal = vec![0.0; self.columns()];
        for (i, c) in self.diagonal.iter().enumerate() {
            diagonal[self.pattern.place[i]] = 1.0 + theta[term[i]].powi(2) * c;
        }
        let mut below = vec![0.0; self.pattern.below()];
        for (e, slot) in self.entries.iter().zip(&self.slots) {
            below[*slot] = theta[term[e.row]] * theta[term[e.column]] * e.value;
        }
        self.pattern.factor(diagonal, below)
    }

    /// The likelihood at θ: standard deviations of the terms over that of the residual. `None` where it cannot be had.
    pub fn at(&self, response: &Response, theta: &[f64]) -> Option<LikelihoodPoint> {
        let factor = self.factor(theta)?;
        let (term, p) = (self.term_of(), self.fixed());
        let mut solved = self.lower_fixed(&factor, theta, &term);
        let mut effects = self.lower(&factor, theta, &term, &|i| response.z_values[i]);
        let root = root_of(&solved)?;
        let right = right_of(&solved, &effects);
        let fixed = root.solve(&right);
        let squares = response.squares - dot(&effects, &effects) - fixed.dot(&right);
        let residual = squares / self.free();
        if residual.is_nan() || residual <= 0.0 {
            return None;
        }
        for (c, own) in solved.iter().enumerate() {
            for (e, s) in effects.iter_mut().zip(own) {
                *e -= fixed[c] * s;
            }
        }
        factor.solve_upper(&mut effects);
        for own in &mut solved {
            factor.solve_upper(own);
        }
        let fixed_inverse = root.inverse();
        let log_fixed = 2.0 * root.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        let free = self.free();
        let deviance = factor.log_determinant()
            + log_fixed
            + free * (1.0 + (2.0 * std::f64::consts::PI * residual).ln());
        let on = factor.inverse_diagonal();
        // kᵀ(XᵀH⁻¹X)⁻¹k is the square of L⁻¹k.
        let columns = DMatrix::from_fn(self.columns(), p, |at, c| solved[c][at]);
        let explained = match root.l().solve_lower_triangular(&DMatrix::identity(p, p)) {
            Some(back) => columns * back.transpose(),
            None => return None,
        };
        let mut gradient = vec![0.0; self.terms()];
        for (i, t) in term.iter().enumerate() {
            let at = self.pattern.place[i];
            gradient[*t] += 1.0 - on[at] - explained.row(at).norm_squared() - effects[at].powi(2) / residual;
        }
        for (g, t) in gradient.iter_mut().zip(theta) {
            *g = if *t == 0.0 { 0.0 } else { 2.0 * *g / t };
        }
        Some(LikelihoodPoint {
            deviance: deviance + 2.0 * self.log_triangle(),
            gradient,
            residual,
            fixed,
            fixed_inverse,
        })
    }

    /// Fixed effects in the columns of Q that each response would have at θ.
    pub fn estimates(&self, theta: &[f64], responses: &[Response]) -> Option<Vec<DVector<f64>>> {
        let factor = self.factor(theta)?;
        let term = self.term_of();
        let solved = self.lower_fixed(&factor, theta, &term);
        let root = root_of(&solved)?;
        let one = |response: &Response| {
            let effects = self.lower(&factor, theta, &term, &|i| response.z_values[i]);
            &response.least_squares + root.solve(&right_of(&solved, &effects))
        };
        Some(responses.iter().map(one).collect())
    }

    /// L⁻¹Λ times a column of numbers, one a column of Z.
    fn lower(&self, factor: &Factor<'_>, theta: &[f64], term: &[usize], column: &dyn Fn(usize) -> f64) -> Vec<f64> {
        let mut x = vec![0.0; self.columns()];
        for i in 0..x.len() {
            x[self.pattern.place[i]] = theta[term[i]] * column(i);
        }
        factor.solve_lower(&mut x);
        x
    }

    /// The same of ZᵀX.
    fn lower_fixed(&self, factor: &Factor<'_>, theta: &[f64], term: &[usize]) -> Vec<Vec<f64>> {
        (0..self.fixed()).map(|c| self.lower(factor, theta, term, &|i| self.z_fixed[(i, c)])).collect()
    }

    /// ln |R|: the likelihood is that of the columns as given.
    fn log_triangle(&self) -> f64 {
        self.triangle.diagonal().iter().map(|d| d.abs().ln()).sum()
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// XᵀH⁻¹X, of X made orthonormal, as a product of triangles.
fn root_of(solved: &[Vec<f64>]) -> Option<Cholesky<f64, Dyn>> {
    let p = solved.len();
    Cholesky::new(DMatrix::from_fn(p, p, |a, b| f64::from(a == b) - dot(&solved[a], &solved[b])))
}

/// XᵀH⁻¹ times the residuals of least squares.
fn right_of(solved: &[Vec<f64>], effects: &[f64]) -> DVector<f64> {
    DVector::from_fn(solved.len(), |a, _| -dot(&solved[a], effects))
}

/// Columns made orthonormal one after the other, and the triangle that leads back.
fn orthonormalise(rows: usize, fixed: &[Vec<f64>]) -> Result<(DMatrix<f64>, DMatrix<f64>), MixedError> {
    let p = fixed.len();
    let mut q = DMatrix::zeros(rows, p);
    let mut r = DMatrix::zeros(p, p);
    for (c, column) in fixed.iter().enumerate() {
        let mut v = DVector::from_column_slice(column);
        let whole = v.norm();
        for _ in 0..2 {
            for b in 0..c {
                let part = q.column(b).dot(&v);
                r[(b, c)] += part;
                v.axpy(-part, &q.column(b), 1.0);
            }
        }
        let own = v.norm();
        if own.is_nan() || own <= DEPENDENT * whole {
            return Err(MixedError::FixedDependent { column: c });
        }
        r[(c, c)] = own;
        q.set_column(c, &(v / own));
    }
    Ok((q, r))
}

/// Entries of one place added up.
fn summed(mut products: Vec<SparseEntry>) -> Vec<SparseEntry> {
    products.sort_unstable_by_key(|e| (e.row, e.column));
    let mut entries: Vec<SparseEntry> = Vec::new();
    for e in products {
        match entries.last_mut() {
            Some(last) if (last.row, last.column) == (e.row, e.column) => last.value += e.value,
            _ => entries.push(e),
        }
    }
    entries
}
