//! What a study's tests differ by: what the planning of another one starts from.

use super::designs::{EffectPart, SharedDesigns};
use super::model::EffectModel;
use super::observed::ObservedTests;
use crate::columns::Measure;
use crate::study::roster::Roster;
use crate::trace::Test;
use std::collections::BTreeSet;

/// Standard deviations on the scale of the measure; `None` where the design cannot tell one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudySpreads {
    pub subject: Option<f64>,
    pub place: Option<f64>,
    pub examiner: Option<f64>,
    pub session: Option<f64>,
    pub place_at_session: Option<f64>,
    pub trial: f64,
}

/// The spreads of a measure in a study's tests.
///
/// # Errors
/// Why there are none.
pub fn study_spreads(tests: &[Test], roster: &Roster, measure: Measure) -> Result<StudySpreads, String> {
    let observed = ObservedTests::new(tests, roster);
    let rows = observed.values(measure);
    if rows.is_empty() {
        return Err(format!("no test has {}", measure.info().label));
    }
    let visits: BTreeSet<usize> = rows.iter().map(|(t, _)| t.visit).collect();
    let mut fixed = vec![vec![1.0; rows.len()]];
    fixed.extend(visits.iter().skip(1).map(|v| rows.iter().map(|(t, _)| f64::from(t.visit == *v)).collect()));
    let parts = [
        EffectPart::Spot,
        EffectPart::Subject,
        EffectPart::Place,
        EffectPart::Examiner,
        EffectPart::Visit,
        EffectPart::PlaceAtVisit,
        EffectPart::Sitting,
    ];
    let model = EffectModel::fit(&SharedDesigns::default(), &rows, &fixed, &parts).map_err(|e| e.to_string())?;
    let sd = |part| model.variance(part).map(f64::sqrt);
    Ok(StudySpreads {
        subject: sd(EffectPart::Subject),
        place: sd(EffectPart::Place),
        examiner: sd(EffectPart::Examiner),
        session: sd(EffectPart::Visit),
        place_at_session: sd(EffectPart::PlaceAtVisit),
        trial: model.residual().sqrt(),
    })
}
