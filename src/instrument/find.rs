//! Reference springs to the delay and the loop that stays.

use crate::format::counted;
use super::{Instrument, LEAST_SPRINGS, LONGEST_DELAY_S};
use crate::error::{Error, Problem, Result};
use crate::settings::Settings;
use crate::signal::condition::{Conditioned, condition};
use crate::signal::fit::series::speed as speed_of;
use crate::signal::measure_trace;
use crate::stats::least_squares::least_squares;
use crate::stats::moments::{mean, sd};
use crate::trace::{Note, Spring, Trace};

/// A remaining loop over this share of the loading work is no steel spring's.
const LARGE_LOOP: f64 = 0.05;
/// Steps of the search for the delay; each divides the error by a hundred or so.
const STEPS: usize = 30;
/// Below this share of its fastest, a spring's speed has no sure direction.
const SLOW_SHARE: f64 = 0.02;

/// Finds the delay and the remaining loop from traces of a steel spring, each with one or more springs.
///
/// The settings are the lab's own; a delay that they hold is left out, so that the whole delay is found.
///
/// # Formula
/// For each spring the τ that leaves nothing of v in F(t) = a + k·x(t − τ) + q·x² + h·sgn v: friction of the stand,
/// which does not depend on speed, is told apart from a delay, which does. Their mean is the delay, SD/√n its standard
/// uncertainty. The loop that stays is the loss of METHODS.md §3.8 with that delay taken out.
///
/// # Errors
/// A problem when a trace cannot be analysed, has no displacement or more than one side, when there are fewer than
/// three springs, or when no delay within 0.1 s closes the loop.
pub fn from_reference_springs(traces: &[Trace], settings: &Settings) -> Result<Instrument> {
    let mut settings = settings.clone();
    settings.instrument.force_delay_ms = 0.0;
    let mut delays_s = Vec::new();
    let mut before = Vec::new();
    for trace in traces {
        let springs = springs_of(trace, &settings)?;
        let c = condition(trace, &settings)?;
        for spring in &springs {
            delays_s.push(delay_of(trace, &c, spring)?);
        }
        before.extend(springs.iter().filter_map(|s| s.loss_ratio));
    }
    if delays_s.len() < LEAST_SPRINGS {
        let names: Vec<&str> = traces.iter().map(|t| t.recording.as_str()).collect();
        return Err(Problem::error(
            names.join(", "),
            format!("only {} to measure on", counted(delays_s.len(), "spring")),
            format!("at least {LEAST_SPRINGS} springs, better ten, at the speed of examination"),
            "press the steel spring again and again in one trace, with a rest before the first",
        )
        .into());
    }
    let too_few = |e: crate::stats::StatsError| -> Error {
        Problem::error(
            "reference spring",
            e.to_string(),
            "springs with numbers",
            "record the springs again",
        )
        .into()
    };
    let delay_s = mean(&delays_s).map_err(too_few)?;
    let delay_u_s = sd(&delays_s).map_err(too_few)? / (delays_s.len() as f64).sqrt();
    settings.instrument.force_delay_ms = 1e3 * delay_s;
    let mut after: Vec<Spring> = Vec::new();
    for trace in traces {
        after.extend(springs_of(trace, &settings)?);
    }
    let all = |of: &dyn Fn(&Spring) -> Option<f64>| -> Vec<f64> { after.iter().filter_map(of).collect() };
    let ratios = all(&|s| s.loss_ratio);
    let loop_ratio = mean(&ratios).map_err(too_few)?;
    let mut notes = Vec::new();
    if loop_ratio.abs() > LARGE_LOOP {
        notes.push(format!(
            "a loop of {:.1} % stays, more than a steel spring has: look for friction, a soft stand, or a spring that is \
             not steel",
            100.0 * loop_ratio
        ));
    }
    Ok(Instrument {
        made: None,
        force_delay_ms: 1e3 * delay_s,
        force_delay_u_ms: 1e3 * delay_u_s,
        springs: delays_s.len(),
        loop_ratio,
        loop_ratio_u: sd(&ratios).map_or(0.0, |s| s / (ratios.len() as f64).sqrt()),
        loop_mj: mean(&all(&|s| s.loss_mj)).map_err(too_few)?,
        loop_ratio_before: mean(&before).unwrap_or(loop_ratio),
        stiffness_n_per_mm: mean(&all(&|s| s.end_feel_n_per_mm)).ok(),
        recordings: traces.iter().map(|t| t.recording.clone()).collect(),
        notes,
    })
}

/// Springs of a trace that were not dropped; steel needs no preconditioning, so the first one serves too.
fn springs_of(trace: &Trace, settings: &Settings) -> Result<Vec<Spring>> {
    let fault = |found: &str, expected: &str, advice: &str| -> Error {
        Problem::error(&trace.recording, found, expected, advice).into()
    };
    match trace.channels.as_slice() {
        [one] if one.displacement_mm.is_none() => {
            return Err(fault(
                "no displacement",
                "force and displacement",
                "a delay lies between two channels",
            ));
        }
        [_] => {}
        _ => {
            return Err(fault(
                "two sides",
                "one side at a time",
                "record each sensor pair on its own",
            ));
        }
    }
    let tests = measure_trace(trace, settings)?;
    if tests.iter().all(|t| t.notes.contains(&Note::StuckDisplacement)) {
        return Err(fault(
            "a displacement that stands still while the spring is pressed",
            "one that follows the spring",
            "check that its sensor is plugged in and fixed to the stand, and record again",
        ));
    }
    let springs: Vec<Spring> = tests
        .into_iter()
        .flat_map(|t| t.springs)
        .filter(|s| s.dropped.is_none() && s.excursion_mm.is_some_and(|x| x > 0.0))
        .collect();
    if springs.is_empty() {
        return Err(fault(
            "no spring",
            "press-and-return cycles from a preload",
            "lean on the steel spring, then press and let go several times without leaving it",
        ));
    }
    Ok(springs)
}

/// The delay of force behind displacement that leaves no speed-dependent loop in one spring, in s.
fn delay_of(trace: &Trace, c: &Conditioned, spring: &Spring) -> Result<f64> {
    let fault = |found: String| -> Error {
        Problem::error(
            &trace.recording,
            format!("spring {}: {found}", spring.number),
            "a delay under 0.1 s that closes its loop",
            "check that force and displacement are of the same spring and share one clock",
        )
        .into()
    };
    let (Some(side), step) = (c.sides.first(), c.grid.step_s) else {
        return Err(fault("no signal".to_owned()));
    };
    let Some(x) = &side.displacement else {
        return Err(fault("no displacement".to_owned()));
    };
    let (x, force) = (&x.y, &side.force.y);
    let speed = speed_of(x, 1.0 / step);
    let index = |t: f64| (((t - c.grid.start_s) / step).round().max(0.0) as usize).min(force.len() - 1);
    let window = index(spring.start_s)..index(spring.end_s) + 1;
    let fastest = window.clone().map(|i| speed[i].abs()).fold(0.0, f64::max);
    // The direction goes through the same low pass as friction in the force did.
    let direction: Vec<f64> = speed
        .iter()
        .map(|v| (v / (SLOW_SHARE * fastest)).tanh())
        .collect();
    let direction = c.low_pass.apply(&direction);
    let f: Vec<f64> = force[window.clone()].to_vec();
    let mut delay_s = 0.0;
    for _ in 0..STEPS {
        let at = |y: &[f64]| -> Vec<f64> {
            window
                .clone()
                .map(|i| between(y, i as f64 - delay_s / step))
                .collect()
        };
        let (x, v, d) = (at(x), at(&speed), at(&direction));
        let squares: Vec<f64> = x.iter().map(|x| x * x).collect();
        let ones = vec![1.0; x.len()];
        let fit = least_squares(&[&ones, &x, &squares, &d, &v], &f).map_err(|e| fault(e.to_string()))?;
        let middle = x.iter().sum::<f64>() / x.len() as f64;
        let stiffness = fit.coefficients[1] + 2.0 * fit.coefficients[2] * middle;
        let change = -fit.coefficients[4] / stiffness;
        delay_s += change;
        if delay_s.is_nan() || delay_s.abs() > LONGEST_DELAY_S {
            return Err(fault("no delay closes the loop".to_owned()));
        }
        if change.abs() < 1e-9 {
            break;
        }
    }
    Ok(delay_s)
}

/// Value between samples by the cubic through the four around it (Catmull–Rom); the ends hold.
fn between(y: &[f64], at: f64) -> f64 {
    let last = y.len() as isize - 1;
    let k = at.floor();
    let s = at - k;
    let get = |i: isize| y[(k as isize + i).clamp(0, last) as usize];
    let (a, b, c, d) = (get(-1), get(0), get(1), get(2));
    b + 0.5 * s * (c - a + s * (2.0 * a - 5.0 * b + 4.0 * c - d + s * (3.0 * (b - c) + d - a)))
}
