//! How close a learner's tests come to the teacher's and a learner's estimates to the measured peak, session by session, and how those
//! errors fall.

use super::points::Spot;
use super::retention::Retention;
use crate::columns::Measure;
use crate::study::estimates::PeakEstimate;
use crate::technique::learning::{LearningCurve, NoCurve, learning_curve};
use crate::technique::reference::{Accuracy, COMPARED, Reference};
use crate::terms::Side;
use crate::trace::Test;

/// What an error is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorOf {
    /// A measure against the teacher's tests.
    Measure(Measure),
    /// What the learner thought the peak force was, against the peak that was measured.
    PeakEstimate,
}

impl ErrorOf {
    /// Name in tables.
    pub fn name(self) -> &'static str {
        match self {
            ErrorOf::Measure(measure) => measure.info().name,
            ErrorOf::PeakEstimate => "peak_estimate",
        }
    }

    /// In words.
    pub fn label(self) -> &'static str {
        match self {
            ErrorOf::Measure(measure) => measure.info().label,
            ErrorOf::PeakEstimate => "the learner's estimate of the peak force",
        }
    }

    /// Every one, in the order of pages.
    pub fn all() -> impl Iterator<Item = ErrorOf> {
        COMPARED.into_iter().map(ErrorOf::Measure).chain([ErrorOf::PeakEstimate])
    }
}

/// Error of one kind in one session, in percent of each test's own target.
#[derive(Debug, Clone, PartialEq)]
pub struct Closeness {
    pub of: ErrorOf,
    pub session: Option<String>,
    /// Tests without feedback on another day than the learner's last feedback.
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
    pub of: ErrorOf,
    pub curve: Result<LearningCurve, NoCurve>,
}

/// What the errors of a learner's tests are had from.
pub struct Targets<'a> {
    pub reference: &'a Reference,
    pub estimates: &'a [PeakEstimate],
    pub stays: &'a Retention,
}

/// Every error and session: against the reference, and of the learner's own estimates.
pub fn closeness(tests: &[&Test], sessions: &[String], targets: &Targets<'_>) -> Vec<Closeness> {
    let rounds = sessions.iter().map(Some).chain([None]);
    let rounds: Vec<(Option<&String>, bool)> = rounds.flat_map(|s| [(s, false), (s, true)]).collect();
    let mut all = Vec::new();
    for of in ErrorOf::all() {
        let errors: Vec<(&Test, f64)> = tests.iter().filter_map(|t| Some((*t, targets.error(t, of)?))).collect();
        for (session, retention) in &rounds {
            let here = |t: &Test| t.about.session.as_ref() == *session && targets.stays.holds(t) == *retention;
            let errors: Vec<f64> = errors.iter().filter(|(t, _)| here(t)).map(|(_, e)| *e).collect();
            let sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
            if let (Some(accuracy), Some(size)) = (Accuracy::of(&errors), Spot::of(&sizes)) {
                all.push(Closeness {
                    of,
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

impl Targets<'_> {
    fn error(&self, test: &Test, of: ErrorOf) -> Option<f64> {
        match of {
            ErrorOf::Measure(_) if self.reference.holds(test) => None,
            ErrorOf::Measure(measure) => error_percent(test, measure, self.reference),
            ErrorOf::PeakEstimate => estimate_error_percent(test, self.estimates),
        }
    }
}

/// Estimate less measured peak, in percent of the peak: of all contacts together, so that of both sides of one test the first alone has
/// it. Only where the tests of the recording are those that the recorder saw.
fn estimate_error_percent(test: &Test, estimates: &[PeakEstimate]) -> Option<f64> {
    test.about.given?;
    let other_side = test.side() == Some(Side::Right) && test.value(Measure::HandShare).is_some();
    let own = estimates.iter().find(|e| e.recording == test.recording && e.test == test.test)?;
    let (said, peak) = (own.peak_n?, test.total_peak_n);
    (!other_side && peak.is_finite() && peak > 0.0).then(|| 100.0 * (said - peak) / peak)
}

/// Signed error in percent of the target for this test.
fn error_percent(test: &Test, measure: Measure, reference: &Reference) -> Option<f64> {
    let (_, target) = reference.target(test, measure).ok()??;
    let off = test.value(measure)? - target.mean;
    (target.mean > 0.0).then(|| 100.0 * off / target.mean)
}

/// A curve each, through the mean size of the error in each session. Retention tests show what stays and are left out of the fit,
/// unless there are no others.
pub fn curves(closeness: &[Closeness], sessions: &[String]) -> Vec<MeasureCurve> {
    let number = |c: &Closeness| sessions.iter().position(|s| Some(s) == c.session.as_ref());
    ErrorOf::all()
        .filter_map(|of| {
            let own: Vec<&Closeness> = closeness.iter().filter(|c| c.of == of).collect();
            let practised = own.iter().any(|c| !c.retention);
            let points: Vec<(f64, f64)> = own
                .iter()
                .filter(|c| !(practised && c.retention))
                .filter_map(|c| Some((number(c)? as f64 + 1.0, c.size.mean)))
                .collect();
            (!points.is_empty()).then(|| MeasureCurve {
                of,
                curve: learning_curve(&points),
            })
        })
        .collect()
}
