//! Intervals of anything that is made of variances.

use super::fit::MixedFit;
use nalgebra::DMatrix;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma};

/// How many draws an interval rests on, and where they start: the same data give the same interval.
const DRAWS: usize = 10_000;
const SEED: u64 = 20_260_914;

/// What a fit leaves open about its variances: draws of all of them together.
#[derive(Debug, Clone, PartialEq)]
pub struct VarianceDraws {
    all: Vec<Vec<f64>>,
}

impl VarianceDraws {
    /// `None` where the data tell nothing of a variance.
    ///
    /// # Formula
    /// The information I = (tr PG_iPG_j), terms as given and residual last, is LDLᵀ. e = Lᵀφ are then uncorrelated, with
    /// 2/D_a for their variances, and behave as mean squares with ν_a = e_a²D_a degrees of freedom; of a balanced design they
    /// are its mean squares. A draw is φ* = L⁻ᵀe*, e*_a = e_a ν_a/χ²(ν_a).
    ///
    /// # Source
    /// Generalised intervals: Weerahandi 1993, J Am Stat Assoc 88:899–905 (from memory); the step from mean squares to an
    /// information that is not balanced is our own, held by simulation.
    pub fn of(fit: &MixedFit) -> Option<VarianceDraws> {
        let squares = Squares::of(fit)?;
        let mut rng = ChaCha8Rng::seed_from_u64(SEED);
        let laws: Option<Vec<Gamma<f64>>> = squares.df.iter().map(|df| Gamma::new(df / 2.0, 2.0).ok()).collect();
        let laws = laws?;
        let draw = |_| {
            let drawn: Vec<f64> = squares
                .means
                .iter()
                .zip(&squares.df)
                .zip(&laws)
                .map(|((mean, df), law)| mean * df / law.sample(&mut rng))
                .collect();
            squares.variances(drawn)
        };
        Some(VarianceDraws {
            all: (0..DRAWS).map(draw).collect(),
        })
    }

    /// The interval of `what` is made of the variances; `confidence` between 0 and 1. A variance that is drawn may lie
    /// below 0: cut the ends, not the draws. `None` when an end is not finite.
    pub fn interval(&self, confidence: f64, what: impl Fn(&[f64]) -> f64) -> Option<[f64; 2]> {
        let mut values: Vec<f64> = self.all.iter().map(|v| what(v)).collect();
        values.sort_unstable_by(f64::total_cmp);
        let tail = (1.0 - confidence) / 2.0;
        let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
        let ends = [at(tail), at(1.0 - tail)];
        ends.iter().all(|e| e.is_finite()).then_some(ends)
    }
}

/// What stands for mean squares: sums of variances that are known independently of each other.
struct Squares {
    means: Vec<f64>,
    df: Vec<f64>,
    /// How much of each variance is in each mean.
    loads: DMatrix<f64>,
}

impl Squares {
    fn of(fit: &MixedFit) -> Option<Squares> {
        let k = fit.variances.len();
        let mut rest = DMatrix::from_fn(k, k, |i, j| fit.information.products[i][j]);
        let mut loads = DMatrix::<f64>::identity(k, k);
        let (mut means, mut df) = (Vec::new(), Vec::new());
        for a in 0..k {
            let known = rest[(a, a)];
            for j in a + 1..k {
                loads[(j, a)] = rest[(j, a)] / known;
            }
            for i in a + 1..k {
                for j in a + 1..k {
                    rest[(i, j)] -= loads[(i, a)] * loads[(j, a)] * known;
                }
            }
            let mean: f64 = (a..k).map(|j| loads[(j, a)] * fit.variances[j]).sum();
            let own = mean * mean * known;
            if !(mean > 0.0 && own > 0.0 && own.is_finite()) {
                return None;
            }
            means.push(mean);
            df.push(own);
        }
        Some(Squares { means, df, loads })
    }

    /// The variances of which these are the means.
    fn variances(&self, mut means: Vec<f64>) -> Vec<f64> {
        for a in (0..means.len()).rev() {
            for j in a + 1..means.len() {
                means[a] -= self.loads[(j, a)] * means[j];
            }
        }
        means
    }
}
