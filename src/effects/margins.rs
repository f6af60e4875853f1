//! Margins that can hardly be meant, held against the values and against what the tests can tell.

use super::effect::{Effects, margin};
use super::observed::ObservedTests;
use crate::columns::Measure;
use crate::compare::ComparisonScale;
use crate::format::number;
use crate::settings::Settings;

/// A margin that the smallest detectable change exceeds so many times is taken for one in another unit.
const FAR_BELOW: f64 = 100.0;

/// What is to be said of the margins of these measures, before anything else is.
pub(super) fn doubt(observed: &ObservedTests<'_>, measures: &[Measure], settings: &Settings, found: &mut Effects) {
    found.doubts = measures
        .iter()
        .filter_map(|m| doubt_of(observed, *m, settings, found))
        .collect();
}

fn doubt_of(observed: &ObservedTests<'_>, measure: Measure, settings: &Settings, found: &Effects) -> Option<String> {
    let given = *settings.change.0.get(measure.info().name)?;
    let margin = margin(settings, measure)?;
    let (scale, info) = (ComparisonScale::of(measure), measure.info());
    let percent = scale == ComparisonScale::Log || info.unit == "%";
    let unit = if percent { "%" } else { info.unit };
    let named = format!("check the margin of {}, {given} {unit}", info.label).trim_end().to_owned();
    let values: Vec<f64> = observed.values(measure).iter().map(|(_, v)| *v).collect();
    let (low, high) = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    if values.len() > 1 && margin > high - low {
        let end = |v: f64| number(scale.back(v), info.decimals + 1);
        let all = format!("{} to {} {}", end(low), end(high), info.unit);
        return Some(format!(
            "{named}: all values together differ by less ({}), so that nothing can be found beyond it and everything may be \
             called the same{}",
            all.trim_end(),
            hint(percent, unit, info.unit)
        ));
    }
    let rows = found.rows.iter().filter(|r| r.measure == measure);
    let least = rows.filter_map(|r| r.detectable).fold(f64::INFINITY, f64::min);
    let share_for_percent = percent && given < 1.0 && least > margin;
    if least.is_finite() && (share_for_percent || least > FAR_BELOW * margin) {
        let least = scale.shown(least);
        return Some(format!(
            "{named}: the smallest change that any of these tests could have told from none is {} {unit}, so that nothing can \
             be called the same{}",
            number(least, if percent { 1 } else { info.decimals + 1 }),
            hint(percent, unit, info.unit)
        ));
    }
    None
}

/// What the number is in.
fn hint(percent: bool, unit: &str, own: &str) -> String {
    match (percent, unit, own) {
        (true, _, "%") => "; it is in percent, so that 20 % is written 20".to_owned(),
        (true, _, own) => format!("; it is in percent, so that 20 % is written 20, and not in {own}"),
        (false, "", _) => "; it is a share of 1, so that 20 % of it is written 0.2".to_owned(),
        (false, unit, _) => format!("; it is in {unit}"),
    }
}
