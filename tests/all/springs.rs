//! Springs: every one found, none invented, on simulated tests with known truth.

use crate::cases::cases;
use crate::proof::trial::{faults, measured};
use tautpoint::simulate::Condition;

#[test]
fn every_spring_is_found_and_none_is_invented() {
    let mut wrong = Vec::new();
    for condition in Condition::ALL.into_iter().chain(Condition::OUTSIDE_THE_LAW) {
        for seed in 0..cases(12, 20, 60) {
            let s = condition.simulate(1000 + seed);
            let fault = faults(&s, &measured(&s.trace));
            wrong.extend(fault.map(|f| format!("{} seed {seed}: {f}", condition.word())));
        }
    }
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
}
