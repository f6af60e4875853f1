//! The smallest value of a smooth function of a few variables by its gradient.

use super::system::{LikelihoodPoint, Response, System};
use nalgebra::{DMatrix, DVector};

/// Most steps. Twenty are usual.
const MOST_STEPS: usize = 300;
/// A step that promises less than this of the deviance is the last.
const PROMISE: f64 = 1e-11;

/// The point with the highest restricted likelihood from `start`, with θ; `None` when it could not be had.
///
/// Quasi-Newton steps (Broyden, Fletcher, Goldfarb, Shanno; as in any textbook) with the step halved until the deviance
/// falls. The deviance is even in each θ, so that the bound at 0 needs no care: a variance of 0 is a θ that runs to 0.
pub(super) fn minimise(system: &System, response: &Response, start: &[f64]) -> Option<(Vec<f64>, LikelihoodPoint)> {
    let k = start.len();
    let mut theta = DVector::from_column_slice(start);
    let mut here = system.at(response, theta.as_slice())?;
    if k == 0 {
        return Some((Vec::new(), here));
    }
    // The curvature of a term's deviance is about twice the number of its levels.
    let first = || DMatrix::from_diagonal(&DVector::from_fn(k, |t, _| 0.5 / (system.starts[t + 1] - system.starts[t]) as f64));
    let mut inverse = first();
    let mut fresh = true;
    for _ in 0..MOST_STEPS {
        let slope = DVector::from_column_slice(&here.gradient);
        let mut step = -(&inverse * &slope);
        let mut promise = -step.dot(&slope);
        if promise <= 0.0 {
            inverse = first();
            step = -(&inverse * &slope);
            promise = -step.dot(&slope);
        }
        // No further than the terms are large: θ may shrink to a hundredth at most, and grow to three times and one.
        let most = (0..k).map(|t| step[t].abs() / (1.0 + theta[t].abs())).fold(0.0, f64::max);
        if most > 1.0 {
            step /= most;
        }
        let rounding = 1e-12 * here.deviance.abs().max(1.0);
        let mut share = 1.0;
        let mut found = None;
        for _ in 0..40 {
            let trial = &theta + share * &step;
            if let Some(there) = system.at(response, trial.as_slice())
                && there.deviance <= here.deviance - 1e-4 * share * promise.min(1.0) + rounding
            {
                found = Some((trial, there));
                break;
            }
            share *= 0.5;
        }
        let Some((trial, there)) = found else {
            if fresh {
                return Some((theta.as_slice().to_vec(), here));
            }
            inverse = first();
            fresh = true;
            continue;
        };
        let moved = &trial - &theta;
        let turned = DVector::from_column_slice(&there.gradient) - &slope;
        let along = moved.dot(&turned);
        if along > 1e-14 * moved.norm() * turned.norm() {
            let back = &inverse * &turned;
            let weight = (1.0 + turned.dot(&back) / along) / along;
            inverse += weight * &moved * moved.transpose()
                - (&back * moved.transpose() + &moved * back.transpose()) / along;
            fresh = false;
        }
        theta = trial;
        here = there;
        if promise < PROMISE {
            break;
        }
    }
    Some((theta.as_slice().to_vec(), here))
}
