//! Tissue and hands that the fitted law does not describe, seen for what they are; and presses that it does describe, not
//! doubted (METHODS.md §4.8, 4.12). Truth is that of the simulation.

use crate::proof::decide::run;
use crate::proof::tally::spread;
use crate::proof::trial::{measured, trial_of_law};
use tautpoint::columns::Measure;
use tautpoint::compare::{Decision, depth_difference};
use tautpoint::simulate::{Condition, PressChange, Rng, TraceSpec, UnmodelledLaw, simulate};
use tautpoint::terms::{Contact, Level, Side};
use tautpoint::trace::{About, LawPart, Note, Test};

#[test]
fn a_second_knee_is_not_taken_for_one_wide_knee() {
    // Of these eight every onset force was outside its interval, by 1.1 to 4.6 times its half-width: the residual as a whole had
    // not grown beyond noise. By chance one of eight misses a true 95 % interval one time in three, three one time in 170.
    let seeds = [1, 2, 4, 5, 6, 7, 11, 12];
    let trials: Vec<_> = seeds
        .iter()
        .filter_map(|s| trial_of_law(UnmodelledLaw::TwoKnees, 500_000 + s))
        .collect();
    for measure in [Measure::OnsetForce, Measure::FittedEndFeel] {
        let s = spread(&trials, measure);
        assert!(s.n == 8 && s.held >= 6, "{measure:?}: {} of {} hold", s.held, s.n);
    }
}

#[test]
fn a_press_that_follows_the_law_is_seldom_doubted() {
    let doubted = |seed: &u64| {
        let tests = measured(&Condition::Clean.simulate(79_000 + seed).trace);
        tests
            .iter()
            .flat_map(|t| &t.notes)
            .any(|n| matches!(n, Note::Averaged { .. } | Note::PoorFit { .. }))
    };
    let count = (0..24).filter(doubted).count();
    assert!(count <= 3, "{count} of 24");
}

#[test]
fn a_lean_of_ten_seconds_keeps_its_intervals() {
    // Its hand is on for seconds before the force tells of it. While that stood in the zero, onset force and fitted end-feel held
    // 82 and 75 % of 200. Speed is mostly noise, which takes from a coefficient (Fuller 1987, Measurement
    // Error Models, 1.1): taken for damping that begins at the knee, 77 % of the onsets held. By chance of 5 % each, four or more
    // of sixteen miss one time in 140.
    let law = UnmodelledLaw::SlowLean;
    let trials: Vec<_> = (0..16).filter_map(|s| trial_of_law(law, 700_000 + s)).collect();
    for measure in [
        Measure::Onset,
        Measure::OnsetForce,
        Measure::FittedEndFeel,
        Measure::TakeUp,
    ] {
        let s = spread(&trials, measure);
        assert!(
            s.n == 16 && s.held >= 13,
            "{measure:?}: {} of {} hold",
            s.held,
            s.n
        );
    }
    // Sorted by the noise in their own speed, samples that follow the law seemed to depart from it: 28 % of 200 were said to.
    let doubted = trials.iter().filter(|t| t.averaged || t.said_poor).count();
    assert!(doubted <= 1, "{doubted} of 16 are doubted");
    let of_the_knee = |t: &Test| {
        t.fit
            .iter()
            .flat_map(|f| &f.laws)
            .any(|law| law.parts.contains(&LawPart::KneeDamping))
    };
    for seed in 700_000..700_016 {
        assert!(
            !measured(&law.simulate(seed).trace).iter().any(of_the_knee),
            "seed {seed}"
        );
    }
}

#[test]
fn a_toe_of_two_lines_is_not_taken_for_damping_that_begins_at_the_knee() {
    // What bends goes through the low pass twice. Its speed had less noise than that of the displacement, and laws with it were
    // chosen for that alone: of these, all eight, with no damping in the toe and first contact 0.2 to 1.1 mm off.
    let trials: Vec<_> = (0..8)
        .filter_map(|s| trial_of_law(UnmodelledLaw::BentToe, 970_000 + s))
        .collect();
    let travel = spread(&trials, Measure::OnsetTravel);
    assert!(
        travel.n == 8 && travel.held >= 7,
        "{} of {} hold",
        travel.held,
        travel.n
    );
    let plain = |seed: &u64| {
        let tests = measured(&UnmodelledLaw::BentToe.simulate(970_000 + seed).trace);
        tests[0].fit.as_ref().unwrap().laws[0].parts.is_empty()
    };
    let count = (0..8).filter(plain).count();
    assert!(count >= 7, "{count} of 8 have no part");
}

#[test]
fn a_hand_that_lands_at_speed_touches_where_the_tissue_begins() {
    // It meets damping at once. The step, smeared by the low pass, put first contact 0.3 mm too deep in the median.
    let law = UnmodelledLaw::Landing;
    let trials: Vec<_> = (0..12).filter_map(|s| trial_of_law(law, 970_000 + s)).collect();
    let travel = Measure::ALL
        .iter()
        .position(|m| *m == Measure::OnsetTravel)
        .unwrap();
    let mut off: Vec<f64> = trials
        .iter()
        .filter_map(|t| t.measures[travel].as_ref())
        .map(|b| (b.value - b.truth).abs())
        .collect();
    off.sort_by(f64::total_cmp);
    assert!(off.len() >= 10 && off[off.len() / 2] < 0.06, "{off:.3?}");
    let s = spread(&trials, Measure::OnsetTravel);
    assert!(s.held + 2 >= s.n, "{} of {} hold", s.held, s.n);
}

#[test]
fn without_noise_a_slow_press_gives_the_slopes_that_were_put_in() {
    // The generator's damping followed the speed of half a step before: c·ω²·step/2 of it passed for end-feel in every spring.
    for seed in 0..4 {
        let made = UnmodelledLaw::SlowLean.simulate(900_000 + seed);
        let found = measured(&made.noise_free);
        let end_feel = found[0].value(Measure::FittedEndFeel).unwrap();
        let truth = made.truth.end_feel_n_per_mm.unwrap();
        assert!(
            (end_feel / truth - 1.0).abs() < 1e-4,
            "seed {seed}: {end_feel} for {truth}"
        );
    }
}

fn named(mut test: Test, side: Side, trial: u32) -> Test {
    test.recording = format!("{side}_{trial}.csv");
    test.about = About {
        subject: Some("V-01".into()),
        examiner: Some("L-01".into()),
        session: Some("1".into()),
        level: Level::parse("T7"),
        side: Some(side),
        contact: Some(Contact::Thumb),
        trial: Some(trial),
        ..About::default()
    };
    test
}

/// Three trials a side, the right one changed.
fn both_sides(law: UnmodelledLaw, seed: u64, change: PressChange) -> Vec<Test> {
    let mut tests = Vec::new();
    for (k, side, change) in [(0, Side::Left, PressChange::default()), (1, Side::Right, change)] {
        for trial in 1..=3 {
            let made = law.simulate_again(seed, 100 * seed + 10 * k + u64::from(trial), change);
            let found = measured(&made.trace).into_iter().next();
            tests.extend(found.map(|test| named(test, side, trial)));
        }
    }
    tests
}

/// The words on both end-feels.
fn words(tests: &[Test]) -> Vec<Option<Decision>> {
    let decided = run(tests);
    let end_feels = [Measure::EndFeel, Measure::FittedEndFeel];
    decided
        .iter()
        .filter(|c| end_feels.contains(&c.measure))
        .map(|c| c.side_of_resistance)
        .collect()
}

#[test]
fn a_hand_that_goes_deeper_into_even_tissue_calls_no_side_and_a_stiffer_side_is_found() {
    // An exponential toe, one hand 0.7 mm deeper: before the family a side was called in 11 of 40. And 40 % more stiffness was
    // found by the fitted end-feel in none.
    let deeper = PressChange {
        deeper_mm: 0.7,
        ..PressChange::default()
    };
    let stiffer = PressChange {
        times_as_stiff: 1.4,
        ..PressChange::default()
    };
    for seed in [1000, 1001] {
        let law = UnmodelledLaw::ExponentialToe;
        let said = |tests: &[Test]| depth_difference(&tests.iter().collect::<Vec<_>>());
        let tests = both_sides(law, seed, deeper);
        assert_eq!(words(&tests), [Some(Decision::Even); 2], "{seed}");
        let depth = said(&tests).unwrap();
        assert!(
            (depth.right_mm - depth.left_mm - 0.7).abs() < 0.2,
            "{seed}: {depth}"
        );
        assert!(
            depth.to_string().starts_with("depth differed: springs began"),
            "{depth}"
        );
        let tests = both_sides(law, seed, stiffer);
        assert_eq!(words(&tests), [Some(Decision::Right); 2], "{seed}");
        assert_eq!(said(&tests), None, "{seed}");
    }
}

#[test]
fn slow_recordings_have_their_end_feel_and_a_press_of_ten_seconds_is_not_poor() {
    for rate_hz in [50.0, 60.0] {
        for seed in 0..3 {
            let mut spec = Condition::Clean.spec(&mut Rng::stream(seed, 9));
            spec.sensor.rate_hz = rate_hz;
            let tests = measured(&simulate(&spec, seed).trace);
            assert!(
                tests[0].measures.get(Measure::EndFeel).is_some(),
                "{rate_hz} Hz, {seed}"
            );
        }
    }
    // 31 of 40 were said to fit poorly.
    let poor = |seed: &u64| {
        let mut spec = Condition::Clean.spec(&mut Rng::stream(*seed, 9));
        let e = &mut spec.examiner;
        (e.springs, e.hold_s, e.last_hold_s, e.lean_s) = (0, 0.0, 0.0, 10.0);
        e.preload_beyond_onset_mm += e.excursion_mm;
        let tests = measured(&simulate(&spec, *seed).trace);
        tests[0].notes.iter().any(|n| matches!(n, Note::PoorFit { .. }))
    };
    let count = (0..6).filter(poor).count();
    assert!(count <= 1, "{count} of 6");
}

#[test]
fn springs_of_half_a_millimetre_are_found_or_spoken_of() {
    let small = |notes: &[Note]| notes.iter().any(|n| matches!(n, Note::SmallPushes { .. }));
    for seed in 0..8 {
        let made = UnmodelledLaw::SmallSprings.simulate(80_000 + seed);
        let tests = measured(&made.trace);
        let found: usize = tests.iter().map(|t| t.springs.len()).sum();
        let said = tests.iter().any(|t| small(&t.notes));
        assert!(
            found == made.truth.springs.len() || said,
            "{seed}: {found} of {}",
            made.truth.springs.len()
        );
        let ordinary = Condition::Breathing.simulate(80_000 + seed);
        assert!(
            !measured(&ordinary.trace).iter().any(|t| small(&t.notes)),
            "{seed}"
        );
    }
    let note = Note::SmallPushes {
        number: 3,
        largest_mm: 0.482,
        limit_mm: 0.5,
    };
    assert_eq!(
        note.to_string(),
        "small pushes: 3 movements of up to 0.48 mm from a hold not measured, since a spring must go 0.5 mm \
         (detect.spring_prominence_mm)"
    );
}

/// Springs that follow each other without rest, over much noise.
fn without_rest(rng: &mut Rng) -> TraceSpec {
    let mut spec = Condition::Noisy.spec(rng);
    (spec.examiner.pause_s, spec.examiner.springs) = (0.0, 6);
    spec
}

#[test]
fn the_lowest_of_noisy_points_between_springs_without_rest_is_not_taken_for_the_level() {
    // The lowest of many noisy points lies too low by σ'²/(2κ), as the highest lies too high.
    let errors: Vec<f64> = (0..30)
        .filter_map(|seed| {
            let made = simulate(&without_rest(&mut Rng::stream(seed, 9)), seed);
            let of = |trace| {
                measured(trace)
                    .first()
                    .and_then(|t| t.measures.get(Measure::Excursion))
            };
            let (found, free) = (of(&made.trace)?, of(&made.noise_free)?);
            Some((found.value - free.value) / found.u95()? * 1.96)
        })
        .collect();
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    // Its standard error is 0.18.
    assert!(
        errors.len() == 30 && mean.abs() < 0.5,
        "{mean:.2} standard uncertainties over {}",
        errors.len()
    );
}
