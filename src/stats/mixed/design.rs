//! A design, and values fitted by it.

use super::error::{Identified, MixedError};
use super::fit::MixedFit;
use super::minimise::minimise;
use super::system::{LikelihoodPoint, Response, System};
use super::term::RandomTerm;
use super::{identify, inference};

/// A θ below this may be a variance of 0.
const SMALL: f64 = 1e-3;
/// Deviance that a variance of 0 may cost and still be taken for what was found.
const ALIKE: f64 = 1e-7;

/// Fixed columns and random terms of a model: what does not depend on the values, made once for any number of measures.
pub struct MixedDesign {
    system: System,
    /// Whether the variance of each term can be told, in the order given.
    pub identified: Vec<Identified>,
}

impl MixedDesign {
    /// A design of `rows` rows. An intercept is a fixed column of ones.
    ///
    /// # Errors
    /// Lengths that differ, numbers that are not finite, too few rows, fixed columns that depend on each other.
    pub fn new(rows: usize, fixed: &[Vec<f64>], random: &[RandomTerm]) -> Result<MixedDesign, MixedError> {
        if fixed.iter().any(|c| c.len() != rows) || random.iter().any(|t| !t.fits(rows)) {
            return Err(MixedError::Lengths);
        }
        let slopes = random.iter().filter_map(|t| t.slope.as_ref());
        if fixed.iter().chain(slopes).flatten().any(|v| !v.is_finite()) {
            return Err(MixedError::NotFinite);
        }
        let unknowns = fixed.len();
        if rows <= unknowns {
            return Err(MixedError::TooFew { rows, unknowns });
        }
        let system = System::new(rows, fixed, random)?;
        let identified = identify::of_system(&system);
        Ok(MixedDesign { system, identified })
    }

    /// Fits `values`, one a row, by restricted maximum likelihood.
    ///
    /// # Errors
    /// Another number of values, one that is not finite, a term that the design cannot tell, effects that explain
    /// everything.
    ///
    /// # Formula
    /// METHODS.md §13.
    ///
    /// # Source
    /// Patterson & Thompson 1971, Biometrika 58:545–554; profiled deviance: Bates et al. 2015, J Stat Softw 67(1). Checked
    /// on lme4, lmerTest, pbkrtest and statsmodels.
    pub fn fit(&self, values: &[f64]) -> Result<MixedFit, MixedError> {
        if values.len() != self.system.rows {
            return Err(MixedError::Lengths);
        }
        if values.iter().any(|v| !v.is_finite()) {
            return Err(MixedError::NotFinite);
        }
        let (rows, unknowns) = (self.system.rows, self.system.fixed() + self.system.terms());
        if rows <= unknowns {
            return Err(MixedError::TooFew { rows, unknowns });
        }
        let unclear = self.identified.iter().position(|i| *i != Identified::Yes);
        if let Some(term) = unclear {
            let why = self.identified[term];
            return Err(MixedError::NotIdentified { term, why });
        }
        let response = self.system.response(values);
        if response.squares <= NOTHING_LEFT * response.total_squares {
            return Err(MixedError::NoResidual);
        }
        let (theta, point) = best(&self.system, &response)?;
        if point.residual <= 1e-14 * response.squares {
            return Err(MixedError::NoResidual);
        }
        inference::fitted(&self.system, &response, &theta, &point).ok_or(MixedError::NotFound)
    }

    /// The fixed effects that each of these columns, one number a row, would have with the variances of `fit`: how far every
    /// estimate moves when rows are shifted so.
    pub fn shifts(&self, fit: &MixedFit, columns: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
        if columns.iter().any(|c| c.len() != self.system.rows) || fit.variances.len() != self.system.terms() + 1 {
            return None;
        }
        let theta: Vec<f64> = fit.variances.iter().take(self.system.terms()).map(|v| (v / fit.residual()).sqrt()).collect();
        let responses: Vec<Response> = columns.iter().map(|c| self.system.response(c)).collect();
        let back = self.system.triangle.clone().try_inverse()?;
        let moved = self.system.estimates(&theta, &responses)?;
        Some(moved.into_iter().map(|m| (&back * m).iter().copied().collect()).collect())
    }
}

/// Squares that rounding leaves of values that the fixed effects explain, as a share of the values' own.
const NOTHING_LEFT: f64 = 1e-26;

/// The best point with variances of 0 exactly 0; looked for again from elsewhere when 0 is no minimum.
fn best(system: &System, response: &Response) -> Result<(Vec<f64>, LikelihoodPoint), MixedError> {
    let mut found: Option<(Vec<f64>, LikelihoodPoint)> = None;
    for start in [1.0, 0.2] {
        let Some((mut theta, mut point)) = minimise(system, response, &vec![start; system.terms()]) else {
            continue;
        };
        theta.iter_mut().for_each(|t| *t = t.abs());
        for t in 0..theta.len() {
            if theta[t] < SMALL {
                let mut without = theta.clone();
                without[t] = 0.0;
                if let Some(there) = system.at(response, &without)
                    && there.deviance <= point.deviance + ALIKE
                {
                    (theta, point) = (without, there);
                }
            }
        }
        let settled = theta.iter().all(|t| *t > 0.0) || rises_from_bound(system, response, &theta, point.deviance);
        if found.as_ref().is_none_or(|(_, p)| point.deviance < p.deviance) {
            found = Some((theta, point));
        }
        if settled {
            break;
        }
    }
    found.ok_or(MixedError::NoResidual)
}

/// Whether the deviance rises from every bound.
fn rises_from_bound(system: &System, response: &Response, theta: &[f64], deviance: f64) -> bool {
    (0..theta.len()).filter(|t| theta[*t] == 0.0).all(|t| {
        let mut off = theta.to_vec();
        off[t] = 0.03;
        system.at(response, &off).is_none_or(|p| p.deviance >= deviance - ALIKE)
    })
}
