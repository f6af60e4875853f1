//! What a fit gives.

use nalgebra::{DMatrix, DVector};

/// A fixed effect. Degrees of freedom are `None` where the data do not give them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixedEffect {
    pub estimate: f64,
    pub standard_error: f64,
    /// Satterthwaite's degrees of freedom, for `standard_error`.
    pub satterthwaite_df: Option<f64>,
    /// Standard error by Kenward and Roger: widened for variances that are themselves estimates.
    pub kenward_roger_error: f64,
    /// Degrees of freedom for `kenward_roger_error`.
    pub kenward_roger_df: Option<f64>,
}

/// Expected information of the restricted likelihood on the variances, terms first and residual last.
#[derive(Debug, Clone, PartialEq)]
pub struct VarianceInformation {
    /// tr(PG_iPG_j): half of this is the information, its inverse twice the covariance.
    pub products: Vec<Vec<f64>>,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq)]
pub struct MixedFit {
    pub rows: usize,
    /// Variance of each random term, then that of the residual. 0 is the bound, and what [`MixedFit::on_bound`] tells.
    pub variances: Vec<f64>,
    /// −2 × restricted log-likelihood.
    pub deviance: f64,
    /// Fixed effects with standard errors and degrees of freedom.
    pub fixed: Vec<FixedEffect>,
    /// What the data tell of the variances.
    pub information: VarianceInformation,
}

impl MixedFit {
    /// Whether a term's variance came out at its bound of 0: the fit is singular.
    pub fn on_bound(&self, term: usize) -> bool {
        self.variances.get(term).is_some_and(|v| *v == 0.0)
    }

    /// Degrees of freedom of a weighted sum of variances (terms first, residual last): those of a mean square that is as
    /// uncertain. `None` where the data do not give them.
    pub fn sum_df(&self, weights: &[f64]) -> Option<f64> {
        let k = self.variances.len();
        let information = DMatrix::from_fn(k, k, |i, j| self.information.products[i][j]);
        let weights = DVector::from_column_slice(weights);
        let spread = weights.dot(&(information.try_inverse()? * &weights));
        let sum: f64 = self.variances.iter().zip(weights.iter()).map(|(v, w)| v * w).sum();
        let df = sum * sum / spread;
        (df > 0.0 && df.is_finite()).then_some(df)
    }

    /// The variance of the residual.
    pub fn residual(&self) -> f64 {
        self.variances.last().copied().unwrap_or(0.0)
    }
}
