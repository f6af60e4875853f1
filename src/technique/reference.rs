//! A teacher's tests as the target, and how far others lie from it.
//!
//! The three numbers that training studies of manual forces hold learners to are the mean peak force, the force
//! amplitude and the rhythm; preload and excursion stand beside them. Like is held against like only: the same contact,
//! one hand or both, and the same level or, where the reference has too few tests there, the same region.

use crate::columns::Measure;
use crate::stats::expanded::{combined, expanded_95};
use crate::stats::quantile::t_quantile;
use crate::terms::{Contact, Level, Region};
use crate::trace::{Estimate, Test};

/// What is held against the reference, in the order of pages.
pub const COMPARED: [Measure; 5] = [
    Measure::SpringPeak,
    Measure::ForceAmplitude,
    Measure::SpringRate,
    Measure::Preload,
    Measure::Excursion,
];

/// Reference tests of a level from which on the level has a target of its own.
pub const TESTS_FOR_A_LEVEL: usize = 3;

/// Tests of the reference, kept whole so that they can be drawn.
#[derive(Debug, Clone, Default)]
pub struct Reference {
    tests: Vec<Test>,
    /// Whose tests they are, in words (`teacher T-01`, `recordings named in study.toml`); empty when nobody said.
    pub source: String,
}

/// Which tests of the reference a target is made of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Scope {
    /// Those of the same level.
    Level(Level),
    /// Those of the same region.
    Region(Region),
    /// All: neither they nor the test say a level.
    All,
}

impl Scope {
    /// In words: `L3`, `lumbar`, `all levels`.
    pub fn word(&self) -> String {
        match self {
            Scope::Level(level) => level.label().to_owned(),
            Scope::Region(region) => region.word().to_owned(),
            Scope::All => "all levels".to_owned(),
        }
    }
}

/// What one measure was in the reference tests of a scope.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    pub measure: Measure,
    pub mean: f64,
    /// Standard deviation between the reference tests; `None` for one.
    pub sd: Option<f64>,
    pub tests: usize,
    /// Standard uncertainty of the mean, and its degrees of freedom: s/√n between tests, or for one test its own
    /// measurement; `None` when neither can be said.
    pub standard_error: Option<(f64, f64)>,
}

impl Target {
    /// Mean ± 2 standard deviations between the reference tests, for at least three of them.
    pub fn band(&self) -> Option<[f64; 2]> {
        let sd = self.sd.filter(|_| self.tests >= 3)?;
        Some([self.mean - 2.0 * sd, self.mean + 2.0 * sd])
    }

    /// Of tests that belong together; `None` when none has the measure.
    pub fn of(measure: Measure, tests: &[&Test]) -> Option<Target> {
        let found: Vec<Estimate> = tests.iter().filter_map(|t| t.measures.get(measure)).collect();
        let n = found.len();
        if n == 0 {
            return None;
        }
        let mean = found.iter().map(|e| e.value).sum::<f64>() / n as f64;
        let squares: f64 = found.iter().map(|e| (e.value - mean).powi(2)).sum();
        let sd = (n > 1).then(|| (squares / (n - 1) as f64).sqrt());
        let standard_error = match sd {
            Some(sd) => Some((sd / (n as f64).sqrt(), (n - 1) as f64)),
            None => found[0].uncertainty(),
        };
        Some(Target {
            measure,
            mean,
            sd,
            tests: n,
            standard_error,
        })
    }
}

/// How far one measure of a test lies from the reference.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    pub measure: Measure,
    pub value: f64,
    pub target: Target,
    pub scope: Scope,
    /// Value less the target's mean: the signed error of a training study.
    pub difference: f64,
    /// The same in percent of the target's mean; `None` where that is not above zero.
    pub percent: Option<f64>,
    /// Half-width of the 95 % interval of the difference: the test's measurement and the target's mean.
    pub u95: Option<f64>,
}

impl Difference {
    /// The 95 % interval of the difference.
    pub fn interval(&self) -> Option<[f64; 2]> {
        self.u95.map(|u| [self.difference - u, self.difference + u])
    }

    /// Whether the test lies within the spread of the reference tests; `None` for fewer than three.
    pub fn within_spread(&self) -> Option<bool> {
        let [low, high] = self.target.band()?;
        Some((low..=high).contains(&self.value))
    }
}

/// Why a test has no target.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoTarget {
    /// The reference holds no test at all.
    Empty,
    /// None with this contact, one hand or both as here.
    OtherHand,
    /// None in this region, or none that says where it was.
    OtherRegion,
}

impl std::fmt::Display for NoTarget {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            NoTarget::Empty => {
                "there is no reference: mark a teacher in roster.csv, or name recordings in study.toml"
            }
            NoTarget::OtherHand => "the reference holds no test with this contact and this many hands",
            NoTarget::OtherRegion => "the reference holds no test of this region",
        })
    }
}

impl Reference {
    /// A reference of one teacher's tests, or of several; tests without springs say nothing and are left out.
    pub fn of(tests: &[Test]) -> Reference {
        let with_springs = tests.iter().filter(|t| t.counted_springs().next().is_some());
        Reference {
            tests: with_springs.cloned().collect(),
            source: String::new(),
        }
    }

    /// The same, saying whose tests they are.
    #[must_use]
    pub fn from_source(self, source: String) -> Reference {
        Reference { source, ..self }
    }

    /// Leaves out the tests that `keep` refuses.
    pub fn retain(&mut self, keep: impl FnMut(&Test) -> bool) {
        self.tests.retain(keep);
    }

    /// Gives a test of the reference its curve, when it was kept without.
    pub fn draw(&mut self, test: &Test) {
        let same =
            |r: &&mut Test| r.recording == test.recording && r.test == test.test && r.side() == test.side();
        for own in self.tests.iter_mut().filter(same) {
            own.curve.clone_from(&test.curve);
        }
    }

    /// How many tests it is made of.
    pub fn len(&self) -> usize {
        self.tests.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.tests.is_empty()
    }

    /// Whether the test is one of the reference.
    pub fn holds(&self, test: &Test) -> bool {
        self.tests
            .iter()
            .any(|r| r.recording == test.recording && r.test == test.test)
    }

    /// The reference tests that a test is held against.
    ///
    /// # Errors
    /// Why there are none.
    pub fn tests_for(&self, test: &Test) -> Result<(Scope, Vec<&Test>), NoTarget> {
        let about = &test.about;
        self.tests_at(about.level, about.contact, hands(test))
    }

    /// The reference tests that a test yet to be made is held against; `hands` is 2 when both press at once.
    ///
    /// # Errors
    /// Why there are none.
    pub fn tests_at(
        &self,
        level: Option<Level>,
        contact: Option<Contact>,
        hands: usize,
    ) -> Result<(Scope, Vec<&Test>), NoTarget> {
        if self.tests.is_empty() {
            return Err(NoTarget::Empty);
        }
        let same_hand = |r: &&Test| r.about.contact == contact && self::hands(r) == hands;
        let alike: Vec<&Test> = self.tests.iter().filter(same_hand).collect();
        if alike.is_empty() {
            return Err(NoTarget::OtherHand);
        }
        let pick = |keep: &dyn Fn(&Test) -> bool| -> Vec<&Test> {
            alike.iter().copied().filter(|r| keep(r)).collect()
        };
        if let Some(level) = level {
            let here = pick(&|r| r.about.level == Some(level));
            if here.len() >= TESTS_FOR_A_LEVEL {
                return Ok((Scope::Level(level), here));
            }
            let region = level.region();
            let near = pick(&|r| r.about.level.map(Level::region) == Some(region));
            return match near.is_empty() {
                true => Err(NoTarget::OtherRegion),
                false => Ok((Scope::Region(region), near)),
            };
        }
        // A test that says no level goes only with reference tests that say none either.
        let nowhere = pick(&|r| r.about.level.is_none());
        match nowhere.is_empty() {
            true => Err(NoTarget::OtherRegion),
            false => Ok((Scope::All, nowhere)),
        }
    }

    /// The target of one measure for a test.
    ///
    /// # Errors
    /// Why there is none; `Ok(None)` when the reference tests lack the measure.
    pub fn target(&self, test: &Test, measure: Measure) -> Result<Option<(Scope, Target)>, NoTarget> {
        let (scope, tests) = self.tests_for(test)?;
        Ok(Target::of(measure, &tests).map(|target| (scope, target)))
    }
}

/// One hand, or one of two that press together.
fn hands(test: &Test) -> usize {
    1 + usize::from(test.value(Measure::HandShare).is_some())
}

/// How far a test lies from the reference, for each of [`COMPARED`] that both have.
///
/// # Errors
/// Why nothing can be compared.
///
/// # Formula
/// d = x − m with the half-width [`expanded_95`] of the test's own standard uncertainty and the target's standard error, [`combined`].
pub fn differences(test: &Test, reference: &Reference) -> Result<Vec<Difference>, NoTarget> {
    let (scope, tests) = reference.tests_for(test)?;
    let one = |measure| {
        let own = test.measures.get(measure)?;
        let target = Target::of(measure, &tests)?;
        let difference = own.value - target.mean;
        Some(Difference {
            measure,
            value: own.value,
            difference,
            percent: (target.mean > 0.0).then(|| 100.0 * difference / target.mean),
            u95: expanded(own.uncertainty(), target.standard_error),
            target,
            scope: scope.clone(),
        })
    };
    Ok(COMPARED.into_iter().filter_map(one).collect())
}

fn expanded(own: Option<(f64, f64)>, target: Option<(f64, f64)>) -> Option<f64> {
    let (u, df) = combined([own?, target?])?;
    expanded_95(u, df)
}

/// How close several tries came to a target.
///
/// # Source
/// Definitions of motor learning: Schmidt & Lee, Motor Control and Learning, chapter on methodology (from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    pub tries: usize,
    /// Constant error: mean of the signed errors; its sign says over or under.
    pub constant: f64,
    /// Half-width of the 95 % interval of the constant error; `None` for one try.
    pub constant_u95: Option<f64>,
    /// Absolute error: mean size of the errors.
    pub absolute: f64,
    /// Variable error: standard deviation of the errors about their own mean, over n; `None` for one try.
    pub variable: Option<f64>,
    /// Total error: root mean square; its square is the sum of those of constant and variable error.
    pub total: f64,
}

impl Accuracy {
    /// Of signed errors, in any unit; `None` for none, or when one is not finite.
    pub fn of(errors: &[f64]) -> Option<Accuracy> {
        let n = errors.len() as f64;
        if errors.is_empty() || errors.iter().any(|e| !e.is_finite()) {
            return None;
        }
        let constant = errors.iter().sum::<f64>() / n;
        let about: f64 = errors.iter().map(|e| (e - constant).powi(2)).sum();
        let several = errors.len() > 1;
        let t = t_quantile(0.975, (n - 1.0).max(1.0)).ok();
        Some(Accuracy {
            tries: errors.len(),
            constant,
            constant_u95: t.filter(|_| several).map(|t| t * (about / (n - 1.0) / n).sqrt()),
            absolute: errors.iter().map(|e| e.abs()).sum::<f64>() / n,
            variable: several.then(|| (about / n).sqrt()),
            total: (errors.iter().map(|e| e * e).sum::<f64>() / n).sqrt(),
        })
    }
}

/// Whether errors are told in the measure's unit, or in percent of each test's own target. Levels with different
/// targets are pooled in percent only.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorsIn {
    Unit,
    Percent,
}

/// Accuracy of one measure over several tests, each against its own target; tests without one are left out. `None` when
/// none is left.
pub fn accuracy<'a>(
    tests: impl IntoIterator<Item = &'a Test>,
    measure: Measure,
    reference: &Reference,
    errors_in: ErrorsIn,
) -> Option<Accuracy> {
    let error = |test: &Test| {
        let (_, target) = reference.target(test, measure).ok()??;
        let error = test.value(measure)? - target.mean;
        match errors_in {
            ErrorsIn::Unit => Some(error),
            ErrorsIn::Percent => (target.mean > 0.0).then(|| 100.0 * error / target.mean),
        }
    };
    let errors: Vec<f64> = tests.into_iter().filter_map(error).collect();
    Accuracy::of(&errors)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_of_five_tries_by_hand() {
        // Errors 2, -1, 3, 0, 1: mean 1, sizes 7/5, squares about the mean 1 + 4 + 4 + 1 + 0 = 10 over 5, squares 15/5.
        let a = Accuracy::of(&[2.0, -1.0, 3.0, 0.0, 1.0]).unwrap();
        assert_eq!(a.tries, 5);
        assert!((a.constant - 1.0).abs() < 1e-15 && (a.absolute - 1.4).abs() < 1e-15);
        assert!((a.variable.unwrap() - 2.0_f64.sqrt()).abs() < 1e-15);
        assert!((a.total - 3.0_f64.sqrt()).abs() < 1e-15);
        assert!((a.total.powi(2) - a.constant.powi(2) - a.variable.unwrap().powi(2)).abs() < 1e-12);
        // t(0.975, 4) = 2.776445 (printed tables), s²/n = 2.5/5.
        assert!((a.constant_u95.unwrap() - 2.776_445 * 0.5_f64.sqrt()).abs() < 1e-5);
    }

    #[test]
    fn one_try_has_no_variable_error_and_none_has_nothing() {
        let a = Accuracy::of(&[-2.0]).unwrap();
        assert_eq!((a.constant, a.absolute, a.total), (-2.0, 2.0, 2.0));
        assert_eq!((a.variable, a.constant_u95), (None, None));
        assert_eq!(Accuracy::of(&[]), None);
        assert_eq!(Accuracy::of(&[f64::NAN]), None);
    }
}
