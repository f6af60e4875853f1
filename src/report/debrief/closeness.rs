//! How close a learner's tests come to the teacher's, session by session, and how that error falls.

use super::points::{Spot, without_feedback};
use crate::columns::Measure;
use crate::technique::learning::{LearningCurve, NoCurve, learning_curve};
use crate::technique::reference::{Accuracy, COMPARED, Reference};
use crate::trace::Test;

/// Error of one measure against the reference in one session, in percent of each test's own target.
#[derive(Debug, Clone, PartialEq)]
pub struct Closeness {
    pub measure: Measure,
    pub session: Option<String>,
    /// Tests made without any feedback.
    pub retention: bool,
    pub accuracy: Accuracy,
    /// Sizes of the single tests' errors.
    pub sizes: Vec<f64>,
    /// Their mean, with its interval.
    pub size: Spot,
}

/// The learning curve of one measure, or why there is none.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasureCurve {
    pub measure: Measure,
    pub curve: Result<LearningCurve, NoCurve>,
}

/// Every measure and session that can be held against the reference.
pub fn closeness(tests: &[&Test], sessions: &[String], reference: &Reference) -> Vec<Closeness> {
    let own: Vec<&Test> = tests.iter().copied().filter(|t| !reference.holds(t)).collect();
    let rounds = sessions.iter().map(Some).chain([None]);
    let rounds: Vec<(Option<&String>, bool)> = rounds.flat_map(|s| [(s, false), (s, true)]).collect();
    let mut all = Vec::new();
    for measure in COMPARED {
        for (session, retention) in &rounds {
            let errors: Vec<f64> = own
                .iter()
                .filter(|t| t.about.session.as_ref() == *session && without_feedback(t) == *retention)
                .filter_map(|t| error_percent(t, measure, reference))
                .collect();
            let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
            if let (Some(accuracy), Some(size)) = (Accuracy::of(&errors), Spot::of(&sizes)) {
                all.push(Closeness {
                    measure,
                    session: session.cloned(),
                    retention: *retention,
                    accuracy,
                    sizes,
                    size,
                });
            }
        }
    }
    all
}

/// Signed error in percent of the target for this test.
fn error_percent(test: &Test, measure: Measure, reference: &Reference) -> Option<f64> {
    let (_, target) = reference.target(test, measure).ok()??;
    let off = test.value(measure)? - target.mean;
    (target.mean > 0.0).then(|| 100.0 * off / target.mean)
}

/// A curve a measure, through the mean size of the error in each session. Tests without feedback show what stays and
/// are left out of the fit, unless there are no others.
pub fn curves(closeness: &[Closeness], sessions: &[String]) -> Vec<MeasureCurve> {
    let number = |c: &Closeness| sessions.iter().position(|s| Some(s) == c.session.as_ref());
    COMPARED
        .into_iter()
        .filter_map(|measure| {
            let own: Vec<&Closeness> = closeness.iter().filter(|c| c.measure == measure).collect();
            let practised = own.iter().any(|c| !c.retention);
            let points: Vec<(f64, f64)> = own
                .iter()
                .filter(|c| !(practised && c.retention))
                .filter_map(|c| Some((number(c)? as f64 + 1.0, c.size.mean)))
                .collect();
            (!points.is_empty()).then(|| MeasureCurve {
                measure,
                curve: learning_curve(&points),
            })
        })
        .collect()
}
