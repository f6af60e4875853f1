//! Numbers that no hand on a spine gives: slips of unit or sensor (METHODS.md §1.12).

use super::validity::median_step_s;
use crate::columns::Measure;
use crate::error::Problem;
use crate::settings::{Ceiling, Plausible};
use crate::trace::{Channel, Knee, Note, Test, Trace};
use crate::format::number;

/// A test that lost more than this share of its samples, in percent, to a sensor that gave no readings is left out.
const MOST_LOST_PERCENT: f64 = 10.0;
/// Peaks in N, and end-feels in N/mm up to which, that may be kgf. Our choice: spines give 3 to 20 N/mm.
const KGF_PEAK_N: [f64; 2] = [3.0, 25.0];
const KGF_STIFFNESS: f64 = 1.6;
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

/// Why a test is left out, when its numbers are none of a spine's or its sensors did not measure it.
pub fn implausible_test(test: &Test, limits: &Plausible, hidden: bool) -> Option<Problem> {
    unmeasured(test).or_else(|| too_stiff(test, limits, hidden)).or_else(|| below_nothing(test, hidden))
}

/// A stiffness or a peak that is less than nothing, whatever its interval allows.
fn below_nothing(test: &Test, hidden: bool) -> Option<Problem> {
    let below = |m: &Measure| {
        let of = |e: crate::trace::Estimate| e.value < 0.0 && e.u95().is_none_or(|u| e.value + u < 0.0);
        test.measures.get(*m).is_some_and(of)
    };
    let measure = STIFFNESSES.into_iter().chain([Measure::Peak]).find(below)?;
    let info = measure.info();
    let found = match hidden {
        true => "a stiffness or a peak of less than nothing".to_owned(),
        false => format!("{} {} of {}", number(test.value(measure)?, 1), info.unit, info.label),
    };
    Some(Problem::error(
        &test.recording,
        format!("{found} in test {}", test.test),
        "force that rises as the hand goes in",
        "the test is left out; check the sign of force and displacement ([gain] in study.toml), that both are of this hand, and \
         that nothing pressed on the sensor where its zero was taken",
    ))
}

/// A sensor that stood still or gave no readings for too much of the test.
fn unmeasured(test: &Test) -> Option<Problem> {
    let found = test.notes.iter().find_map(|note| match note {
        Note::ZeroedUnderHand { newtons, .. } => Some(format!("a force that falls by {newtons:.0} N within a sample, to nothing")),
        Note::StuckForce => Some("a force that stands still while the displacement springs".to_owned()),
        Note::DroppedOut { of_displacement, percent, .. } if *percent > MOST_LOST_PERCENT => {
            let channel = if *of_displacement { "displacement" } else { "force" };
            Some(format!("no reading of the {channel} sensor's own for {percent:.0} % of the samples"))
        }
        _ => None,
    })?;
    Some(Problem::error(
        &test.recording,
        format!("{found} in test {}", test.test),
        format!("sensors that follow the hand, and lose no more than {MOST_LOST_PERCENT} % of a test"),
        "the test is left out; check sensor, cable and logger, and press again",
    ))
}

/// What makes the numbers of a test doubtful though they can be: the zero and the time shift that its notes tell of. `ceiling` is
/// the one in force for it.
pub fn doubts(test: &Test, ceiling: Option<&Ceiling>, hidden: bool) -> Vec<Problem> {
    let doubt = |note: &Note| {
        let (expected, advice) = match note {
            Note::ZeroTakenOff { newtons } => (
                "a sensor that stands near nothing when no hand is on it ([plausible] zero_n)".to_owned(),
                loaded_zero(test, *newtons, ceiling, hidden),
            ),
            Note::ZeroMoved { .. } | Note::EndsOffZero { .. } => (
                "a zero that stays where it is ([plausible] zero_drift_n)".to_owned(),
                "let the amplifier warm up, keep cable and plate from being touched, and leave the hand off for a second before and \
                 after; the forces of this test are uncertain by as much"
                    .to_owned(),
            ),
            Note::LossBelowZero { .. } => (
                "a loop that loses work, as all tissue does".to_owned(),
                "measure the delay on a reference spring (`tautpoint calibrate --reference-spring`, or \
                 instrument.force_delay_ms); until then loss and recoil say nothing"
                    .to_owned(),
            ),
            _ => return None,
        };
        let side = test.side().filter(|_| !hidden).map_or(String::new(), |s| format!(", {s}"));
        Some(Problem::warning(&test.recording, format!("test {}{side}: {note}", test.test), expected, advice))
    };
    test.notes.iter().filter_map(doubt).chain(maybe_kgf(test, hidden)).collect()
}

/// Asks whether forces are kilogram-forces written as newtons: a tenth of what a hand presses with, and of what a spine gives way to.
fn maybe_kgf(test: &Test, hidden: bool) -> Option<Problem> {
    let (peak, end_feel) = (test.finding(Measure::Peak)?, test.finding(Measure::EndFeel)?);
    let like = test.knee == Knee::Fitted && (KGF_PEAK_N[0]..KGF_PEAK_N[1]).contains(&peak) && end_feel < KGF_STIFFNESS;
    let found = match hidden {
        true => "a peak and an end-feel a tenth of what is usual".to_owned(),
        false => format!("a peak of {} N and an end-feel of {} N/mm", number(peak, 1), number(end_feel, 2)),
    };
    like.then(|| {
        Problem::warning(
            &test.recording,
            format!("{found} in test {}", test.test),
            "several times as much of both, unless it was pressed very lightly on something soft",
            "check whether the sensor gives kgf: then the heading is force_kgf, or unit = \"kgf\" under [columns]",
        )
    })
}

/// What a zero means that may be a load.
fn loaded_zero(test: &Test, zero_n: f64, ceiling: Option<&Ceiling>, hidden: bool) -> String {
    let with_it = test.total_peak_n + zero_n;
    let both = match hidden {
        true => String::new(),
        false => format!(
            "; the highest force is {} N with the zero taken off and {} N without",
            number(test.total_peak_n, 1),
            number(with_it, 1)
        ),
    };
    let over = match ceiling {
        Some(ceiling) if with_it > ceiling.newtons && test.total_peak_n <= ceiling.newtons => {
            format!(", which is over the {ceiling}")
        }
        _ => String::new(),
    };
    format!("find out what lay on the sensor, tare it and press again{both}{over}")
}

fn too_stiff(test: &Test, limits: &Plausible, hidden: bool) -> Option<Problem> {
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
