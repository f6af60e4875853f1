//! Spreads of a pilot study.

use super::simulated::Spreads;
use crate::columns::Measure;
use crate::compare::ComparisonScale;
use crate::effects::study_spreads;
use crate::study::roster::Roster;
use crate::trace::Test;

/// The spreads of a pilot's tests, with a sentence for each that it cannot tell and that stays as `otherwise` has it.
///
/// # Errors
/// Why there are none: no test has the measure, it is compared as it is and not as a ratio, or the model cannot be fitted.
pub fn pilot(
    tests: &[Test],
    roster: &Roster,
    measure: Measure,
    otherwise: &Spreads,
) -> Result<(Spreads, Vec<String>), String> {
    if ComparisonScale::of(measure) == ComparisonScale::Plain {
        return Err(format!(
            "{} is compared as a difference; planning is for measures that are compared as ratios",
            measure.info().label
        ));
    }
    let found = study_spreads(tests, roster, measure)?;
    let mut notes = Vec::new();
    let mut told = |what: &str, found: Option<f64>, otherwise: f64| {
        found.unwrap_or_else(|| {
            notes.push(format!(
                "the pilot cannot tell the spread of {what}: {:.1} % is taken",
                100.0 * otherwise
            ));
            otherwise
        })
    };
    let spreads = Spreads {
        subject: told("people", found.subject, otherwise.subject),
        place: told("places", found.place, otherwise.place),
        examiner: told("examiners", found.examiner, otherwise.examiner),
        session: told("sessions", found.session, otherwise.session),
        place_at_session: told("places between sessions", found.place_at_session, otherwise.place_at_session),
        trial: found.trial,
    };
    Ok((spreads, notes))
}
