//! Findings of technique against simulated faults: every fault found, none invented.
//!
//! Truth is the simulated movement. Sizes of faults lie well beyond the default bands (METHODS.md §9.2); what lies
//! within a fifth of a limit is claimed neither way. TAUTPOINT_TRIALS=25 makes 500 tests, 25 a fault and 150 without one; the 10 a fault that run by themselves make 200.

use crate::proof::trial::measured;
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use tautpoint::settings::Settings;
use tautpoint::simulate::{
    Condition, ExaminerFault, Rng, Simulated, TraceSpec, TwoHands, simulate, simulate_bilateral,
};
use tautpoint::stats::line::line;
use tautpoint::technique::{PlanCoverage, PlanStep, technique_findings};
use tautpoint::terms::{Level, LineOfDrive, Side, StepSide};
use tautpoint::trace::Test;

fn trials() -> u64 {
    let asked = std::env::var("TAUTPOINT_TRIALS")
        .ok()
        .and_then(|n| n.parse().ok());
    asked.unwrap_or(10)
}

/// A clean draw at 200 Hz, of at most four springs, meant to go straight in where a tilt is recorded.
fn spec(seed: u64) -> TraceSpec {
    let mut spec = Condition::Clean.spec(&mut Rng::stream(seed, 9));
    spec.sensor.rate_hz = 200.0;
    spec.examiner.springs = spec.examiner.springs.min(4);
    spec.examiner.drive_deg = Some(90.0);
    spec
}

/// Says where a test was: at L3, straight in.
fn placed(mut tests: Vec<Test>, seed: u64) -> Vec<Test> {
    for test in &mut tests {
        test.recording = format!("{seed}.csv");
        test.about.level = Some(Level::L3);
        test.about.line_of_drive = LineOfDrive::new(90.0);
        test.about.side = test.about.side.or(Some(Side::Left));
    }
    tests
}

fn made(fault: Option<ExaminerFault>, seed: u64) -> (Simulated, Vec<Test>) {
    let mut spec = spec(seed);
    if let Some(fault) = fault {
        spec.examiner = spec.examiner.with(fault, &spec.tissue.elastic);
    }
    let made = simulate(&spec, seed);
    let tests = placed(measured(&made.trace), seed);
    (made, tests)
}

fn found(tests: &[Test]) -> BTreeSet<&'static str> {
    let all = technique_findings(tests, &[], &Settings::default());
    all.into_iter().map(|r| r.rule.word()).collect()
}

/// Each fault of one hand, the finding it must give, and those that it may give besides: what it really does too.
const ONE_HAND: [(ExaminerFault, &str, &[&str]); 10] = [
    (ExaminerFault::SprungEarly, "sprung_before_slack_out", &[]),
    // In the toe preload is so small that the damping of the recoil takes half of it, and so is the room to spring in.
    (
        ExaminerFault::InsideTheToe,
        "slack_not_shown_out",
        &[
            "spring_too_small",
            "came_off_between_springs",
            "quick_spring",
            "unsteady_hold",
        ],
    ),
    (ExaminerFault::Shallow, "spring_too_small", &[]),
    (ExaminerFault::Deep, "spring_too_deep", &[]),
    (ExaminerFault::Quick, "quick_spring", &[]),
    // The hand wanders on while it springs.
    (
        ExaminerFault::UnsteadyHold,
        "unsteady_hold",
        &[
            "uneven_springs",
            "spring_too_small",
            "spring_too_deep",
            "came_off_between_springs",
        ],
    ),
    // Back from far out to the peak is one long spring.
    (
        ExaminerFault::CameOff,
        "came_off_between_springs",
        &["spring_too_deep"],
    ),
    (ExaminerFault::UnevenSprings, "uneven_springs", &[]),
    (ExaminerFault::OffTheLine, "off_line_of_drive", &[]),
    (ExaminerFault::Over(175.0), "over_ceiling", &[]),
];

/// Least spread of the true force over two stretches at the end of the hold, as percent of the preload, each one's line
/// taken out: where a wandering hold ends and the first spring begins is a matter of definition.
fn true_spread_percent(made: &Simulated) -> f64 {
    let start = (made.truth.springs[0].start_s * 200.0) as usize;
    let spread = |from: usize, to: usize| {
        let force = &made.noise_free.channels[0].force_n[start - from..start - to];
        let time: Vec<f64> = (0..force.len()).map(|i| i as f64).collect();
        line(&time, force).unwrap().residual_sd.unwrap()
    };
    100.0 * spread(240, 0).min(spread(240, 80)) / made.truth.preload_n.unwrap()
}

#[test]
fn every_fault_of_one_hand_is_found_and_nothing_else_is_said() {
    let n = trials();
    let jobs: Vec<(usize, u64)> = (0..ONE_HAND.len())
        .flat_map(|k| (0..n).map(move |i| (k, i)))
        .collect();
    // Three slow waves of chance phase do not always add up to an unsteady hold: these are counted, not claimed.
    let near = AtomicU64::new(0);
    let wrong: Vec<String> = jobs
        .into_par_iter()
        .filter_map(|(k, i)| {
            let (fault, wanted, besides) = ONE_HAND[k];
            let seed = 1000 * (k as u64 + 1) + i;
            let (made, tests) = made(Some(fault), seed);
            let said = found(&tests);
            let beyond = fault != ExaminerFault::UnsteadyHold || true_spread_percent(&made) >= 6.0;
            near.fetch_add(u64::from(!beyond), Relaxed);
            let invented = said.iter().any(|s| *s != wanted && !besides.contains(s));
            let missed = beyond && !said.contains(wanted);
            (tests.len() != 1 || missed || invented)
                .then(|| format!("{} {seed}: {} tests, {said:?}", fault.word(), tests.len()))
        })
        .collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    let near = near.into_inner();
    assert!(2 * near <= n, "{near} of {n} unsteady holds are near the limit");
}

#[test]
fn nothing_is_invented_on_tests_without_a_fault() {
    let wrong: Vec<String> = (0..6 * trials())
        .into_par_iter()
        .filter_map(|seed| {
            let said = found(&made(None, seed).1);
            (!said.is_empty()).then(|| format!("{seed}: {said:?}"))
        })
        .collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Both hands on, softer tissue so that their sum stays under the ceiling.
fn two_hands(fault: Option<ExaminerFault>, shared: bool, seed: u64) -> Vec<Test> {
    let mut spec = spec(seed);
    let tissue = spec.tissue.scaled(-0.6);
    if let Some(fault) = fault {
        spec.examiner = spec.examiner.with(fault, &tissue.elastic);
    }
    let hands = TwoHands {
        shared_displacement: shared,
        left_share: 0.5,
    };
    let made = simulate_bilateral(&tissue, &tissue, &spec.examiner, &spec.sensor, hands, seed);
    placed(measured(&made.trace), seed)
}

#[test]
fn uneven_hands_are_found_once_a_push_and_even_ones_are_not() {
    let n = trials();
    let wrong: Vec<String> = (0..n)
        .into_par_iter()
        .flat_map_iter(|i| {
            let uneven = two_hands(Some(ExaminerFault::UnevenHands), false, 20_000 + i);
            let said = technique_findings(&uneven, &[], &Settings::default());
            let about: Vec<_> = said.iter().filter(|r| r.rule.word() == "uneven_hands").collect();
            let mut wrong = Vec::new();
            let right = about.len() == 1
                && about[0].side.is_none()
                && about[0].text().contains("the left hand carried")
                && (about[0].value.unwrap() - 70.0).abs() < 4.0;
            if uneven.len() != 2 || !right {
                wrong.push(format!("{i}: {said:#?}"));
            }
            let even = two_hands(None, i % 2 == 0, 30_000 + i);
            let said = found(&even);
            if even.len() != 2 || !said.is_empty() {
                wrong.push(format!("{i} even: {said:?}"));
            }
            wrong
        })
        .collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn the_plan_is_held_against_simulated_scans() {
    const LEVELS: [&str; 4] = ["L5", "L4", "L3", "L2"];
    let plan = |tests: &[Test]| PlanCoverage {
        plan: "four".to_owned(),
        scan: tests[0].about.session(),
        steps: LEVELS
            .map(|level| PlanStep {
                level: Level::parse(level).unwrap(),
                side: StepSide::Left,
            })
            .to_vec(),
    };
    let whole: Vec<Test> = (0..4)
        .map(|i| {
            let mut test = made(None, 40_000 + i).1.remove(0);
            test.recording = "scan.csv".to_owned();
            test.test = i as u32 + 1;
            test.about.level = Level::parse(LEVELS[i as usize]);
            test
        })
        .collect();
    let said = |tests: &[Test]| -> Vec<&'static str> {
        let all = technique_findings(tests, &[plan(tests)], &Settings::default());
        all.into_iter().map(|r| r.rule.word()).collect()
    };
    assert_eq!(said(&whole), [""; 0]);
    for i in 0..4 {
        let mut missed = whole.clone();
        missed.remove(i);
        assert_eq!(said(&missed), ["level_missed"], "{i}");
        let mut doubled = whole.clone();
        let mut again = whole[i].clone();
        again.test = 5;
        doubled.push(again);
        assert_eq!(said(&doubled), ["level_doubled"], "{i}");
    }
    let mut swapped = whole;
    (swapped[1].test, swapped[2].test) = (3, 2);
    assert_eq!(said(&swapped), ["level_out_of_order"]);
}
