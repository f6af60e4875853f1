//! Springs: every one found, none invented, on simulated tests with known truth.

use crate::proof::trial::{faults, measured};
use tautpoint::simulate::Condition;

/// Traces a condition; more under TAUTPOINT_FULL_TESTS=1.
fn traces() -> u64 {
    let full = std::env::var("TAUTPOINT_FULL_TESTS").as_deref() == Ok("1");
    if full { 60 } else { 12 }
}

#[test]
fn every_spring_is_found_and_none_is_invented() {
    let mut wrong = Vec::new();
    for condition in Condition::ALL.into_iter().chain(Condition::OUTSIDE_THE_LAW) {
        for seed in 0..traces() {
            let s = condition.simulate(1000 + seed);
            let fault = faults(&s, &measured(&s.trace));
            wrong.extend(fault.map(|f| format!("{} seed {seed}: {f}", condition.word())));
        }
    }
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
}
