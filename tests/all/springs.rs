//! Springs: every one found, none invented, on simulated tests with known truth.

use tautpoint::error::Problem;
use tautpoint::settings::Settings;
use tautpoint::signal::{EpisodeShape, Measured, analyze};
use tautpoint::simulate::{Condition, Simulated};
use tautpoint::trace::{About, Trace};

pub fn nameless(shapes: &[EpisodeShape]) -> Result<Vec<Vec<About>>, Problem> {
    Ok(shapes
        .iter()
        .map(|e| {
            e.sides
                .iter()
                .map(|side| About {
                    side: *side,
                    ..About::default()
                })
                .collect()
        })
        .collect())
}

pub fn measured(trace: &Trace) -> Measured {
    analyze(trace, &Settings::default(), &nameless).unwrap()
}

/// Traces a condition; more with TAUTPOINT_TRIALS.
pub fn trials(few: u64) -> u64 {
    std::env::var("TAUTPOINT_TRIALS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(few)
}

fn faults(condition: Condition, s: &Simulated, found: &Measured, seed: u64) -> Option<String> {
    let made: Vec<f64> = s.truth.springs.iter().map(|p| p.peak_s).collect();
    let seen: Vec<f64> = found
        .tests
        .iter()
        .flat_map(|t| t.springs.iter().map(|p| p.peak_s))
        .collect();
    let ok = found.tests.len() == 1
        && made.len() == seen.len()
        && made.iter().zip(&seen).all(|(a, b)| (a - b).abs() < 0.05);
    (!ok).then(|| {
        format!(
            "{} seed {seed}: {} tests, made {made:.2?}, found {seen:.2?}",
            condition.word(),
            found.tests.len()
        )
    })
}

#[test]
fn every_spring_is_found_and_none_is_invented() {
    let mut wrong = Vec::new();
    for condition in Condition::ALL.into_iter().chain(Condition::OUTSIDE_THE_LAW) {
        for seed in 0..trials(12) {
            let s = condition.simulate(1000 + seed);
            wrong.extend(faults(condition, &s, &measured(&s.trace), seed));
        }
    }
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
}
