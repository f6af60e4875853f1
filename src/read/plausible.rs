//! Numbers that no hand on a spine gives: slips of unit or sensor (METHODS.md §1.12).

use super::validity::median_step_s;
use crate::columns::Measure;
use crate::error::Problem;
use crate::settings::Plausible;
use crate::trace::{Channel, Test, Trace};

/// So many samples in a row are no spike.
const NO_SPIKE: usize = 4;
/// The stiffnesses that are looked at.
const STIFFNESSES: [Measure; 3] = [Measure::EndFeel, Measure::Window, Measure::Secant];

/// Why a recording cannot be what it says, when it cannot.
pub fn implausible(trace: &Trace, limits: &Plausible) -> Option<Problem> {
    let channels = || trace.channels.iter();
    channels()
        .find_map(|c| force(trace, c, limits))
        .or_else(|| channels().find_map(|c| displacement(trace, c, limits)))
        .or_else(|| rate(trace, limits))
}

fn named(quantity: &str, channel: &Channel) -> String {
    channel.side.map_or_else(|| quantity.to_owned(), |side| format!("{quantity}_{side}"))
}

fn force(trace: &Trace, channel: &Channel, limits: &Plausible) -> Option<Problem> {
    let (at_s, most) = furthest(&trace.time_s, &channel.force_n, 0.0, limits.force_n)?;
    Some(problem(
        trace,
        &named("force", channel),
        format!("{most:.0} N at {at_s:.3} s"),
        format!("no force of over {} N ([plausible] force_n)", limits.force_n),
        "check the unit of the column (N written as kN, sensor counts as N), its gain and the sensor",
    ))
}

fn displacement(trace: &Trace, channel: &Channel, limits: &Plausible) -> Option<Problem> {
    let x = channel.displacement_mm.as_ref()?;
    let mut sorted: Vec<f64> = x.iter().copied().filter(|v| v.is_finite()).collect();
    let middle = sorted.len() / 2;
    let (_, &mut median, _) = (!sorted.is_empty()).then(|| sorted.select_nth_unstable_by(middle, f64::total_cmp))?;
    let (at_s, most) = furthest(&trace.time_s, x, median, limits.displacement_mm)?;
    Some(problem(
        trace,
        &named("displacement", channel),
        format!("{:.0} mm away from where it mostly is, at {at_s:.3} s", (most - median).abs()),
        format!(
            "a displacement that stays within {} mm ([plausible] displacement_mm)",
            limits.displacement_mm
        ),
        "check the unit of the column (mm written as m, um as mm, sensor counts as mm), its gain and the sensor",
    ))
}

fn rate(trace: &Trace, limits: &Plausible) -> Option<Problem> {
    let rate_hz = 1.0 / median_step_s(&trace.time_s)?;
    (rate_hz > limits.rate_hz).then(|| {
        problem(
            trace,
            "time",
            format!("{rate_hz:.0} samples a second"),
            format!("at most {} a second ([plausible] rate_hz)", limits.rate_hz),
            "check the unit of the time column (s written as ms, ms as us)",
        )
    })
}

fn problem(trace: &Trace, column: &str, found: String, expected: String, advice: &str) -> Problem {
    let advice = format!("{advice}; if it is right, raise the limit in study.toml");
    Problem::error(&trace.recording, found, expected, advice).in_column(column)
}

/// Where a channel is further than a limit from its zero for longer than a spike, and the furthest that it is there.
fn furthest(time_s: &[f64], values: &[f64], zero: f64, limit: f64) -> Option<(f64, f64)> {
    let over = |v: &f64| (v - zero).abs() > limit;
    let mut runs = values.chunk_by(|a, b| over(a) && over(b));
    let mut at = 0;
    let run = runs.find(|run| {
        let found = run.len() >= NO_SPIKE && run.iter().all(over);
        if !found {
            at += run.len();
        }
        found
    })?;
    let most = run.iter().copied().max_by(|a, b| (a - zero).abs().total_cmp(&(b - zero).abs()))?;
    Some((time_s.get(at).copied().unwrap_or(f64::NAN), most))
}

/// Why a test is left out, when one of its stiffnesses is none of a spine's.
pub fn implausible_stiffness(test: &Test, limits: &Plausible, hidden: bool) -> Option<Problem> {
    let over = |m: &Measure| test.value(*m).is_some_and(|v| v > limits.stiffness_n_per_mm);
    let measure = STIFFNESSES.into_iter().find(over)?;
    let value = match hidden {
        true => "a stiffness beyond the limit".to_owned(),
        false => format!("{:.0} N/mm of {}", test.value(measure)?, measure.info().label),
    };
    Some(Problem::error(
        &test.recording,
        format!("{value} in test {}", test.test),
        format!(
            "no stiffness of over {} N/mm ([plausible] stiffness_n_per_mm)",
            limits.stiffness_n_per_mm
        ),
        "the test is left out; check the units of force and displacement against each other, and that the displacement sensor \
         moves with the hand; if it is right, raise the limit in study.toml",
    ))
}
