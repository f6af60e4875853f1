//! The whole chain against known truth, at the limits of `proof::gates`. `cargo bench --bench accuracy` runs the
//! same on a thousand traces a condition and more.

use crate::cases::cases;
use crate::proof::bound::{over_bound, rms};
use crate::proof::gates::{Gate, HELD, chance_allows, filter_bias, gates, limit, outside};
use crate::proof::tally::{Tally, spread, trials_of_law};
use crate::proof::trial::measured;
use tautpoint::columns::Measure;
use tautpoint::simulate::{Condition, UnmodelledLaw};
use tautpoint::trace::Note;

/// Traces a condition.
fn traces() -> u64 {
    cases(8, 16, 60)
}

fn refuse(held: Vec<Gate>) {
    let missed: Vec<String> = held
        .iter()
        .filter(|g| !g.ok && g.known.is_none())
        .map(|g| format!("{}: must be {}, is {}", g.what, g.must, g.found))
        .collect();
    assert!(
        missed.is_empty(),
        "{} missed:\n{}",
        missed.len(),
        missed.join("\n")
    );
}

fn tally(c: Condition, k: usize) -> Tally {
    Tally::of(c, traces(), 500_000 * (k as u64 + 1))
}

#[test]
fn every_condition_keeps_its_limits() {
    let all = Condition::ALL.into_iter().enumerate();
    refuse(all.flat_map(|(k, c)| gates(&tally(c, k))).collect());
}

#[test]
fn tissue_that_the_law_does_not_know_is_answered_by_a_wide_interval_or_a_note() {
    let unknown = Condition::OUTSIDE_THE_LAW
        .into_iter()
        .chain([Condition::Friction]);
    refuse(
        unknown
            .enumerate()
            .flat_map(|(k, c)| outside(&tally(c, 40 + k)))
            .collect(),
    );
}

#[test]
fn the_low_pass_takes_next_to_nothing_off_half_second_springs() {
    refuse(filter_bias());
}

#[test]
fn onset_and_end_feel_are_nearly_as_sharp_as_any_unbiased_estimate_can_be() {
    let (mut onset, mut end_feel) = (Vec::new(), Vec::new());
    let (mut all, mut believed) = (0, 0);
    for (k, c) in HELD.into_iter().enumerate() {
        let mut tally = tally(c, 60 + k);
        all += tally.trials.len();
        // Chance casts doubt on a press in some hundred; its interval holds that doubt, which no bound of the law knows.
        tally.trials.retain(|t| !t.averaged);
        believed += tally.trials.len();
        let [x, f] = over_bound(&tally);
        onset.extend(x);
        end_feel.extend(f);
    }
    let doubted = all - believed;
    assert!(
        100 * doubted <= 2 * all.max(50),
        "{doubted} of {all} presses by the law are doubted"
    );
    // Root mean square over the bound; 1.5 is what was agreed, and the scatter of 88 traces is an eighth of that.
    for (what, ratios) in [("onset", &onset), ("end-feel", &end_feel)] {
        assert!(ratios.len() >= 80, "{what}: {}", ratios.len());
        let found = rms(ratios);
        assert!((0.7..=1.5).contains(&found), "{what}: {found:.2} of the bound");
    }
}

#[test]
fn the_limits_are_those_that_were_agreed() {
    // Every held condition has a limit on each of the five; a limit lost by a slip of the list would hold nothing.
    for c in HELD {
        for m in [
            Measure::Onset,
            Measure::OnsetForce,
            Measure::EndFeel,
            Measure::LossRatio,
            Measure::Excursion,
        ] {
            assert!(limit(m, c).is_some(), "{m:?} {c:?}");
        }
    }
    assert!(limit(Measure::FittedEndFeel, Condition::Noisy).is_some());
    // Intervals that always hold, or often do not, are refused once there are enough of them.
    assert!(chance_allows(950, 1000));
    assert!(!chance_allows(1000, 1000));
    assert!(!chance_allows(880, 1000));
    assert!(chance_allows(8, 8));
    assert!(!chance_allows(3, 8));
}

#[test]
fn intervals_hold_where_noise_is_slow_or_sensors_are_coarse() {
    // Before unloaded stretches were looked at, 18 % of these held under 1/f noise, and coarse sensors gave no interval.
    for law in [UnmodelledLaw::PinkNoise, UnmodelledLaw::CoarseSensors] {
        let trials = trials_of_law(law, traces().max(20), 77_000);
        for measure in [Measure::EndFeel, Measure::Excursion] {
            let s = spread(&trials, measure);
            assert_eq!(s.n, trials.len(), "{} {measure:?}", law.word());
            assert!(
                s.coverage() >= 0.7,
                "{} {measure:?}: {} of {} hold",
                law.word(),
                s.held,
                s.n
            );
        }
    }
}

#[test]
fn white_noise_is_left_alone() {
    // One channel in a thousand by chance for each of two looks; ordinary noise must not be widened.
    let made = (0..40).map(|seed| Condition::Clean.simulate(78_000 + seed));
    let widened = made
        .flat_map(|m| measured(&m.trace))
        .filter(|t| t.notes.iter().any(|n| matches!(n, Note::NoiseBeyondWhite { .. })))
        .count();
    assert!(widened <= 2, "{widened} of 40");
}

#[test]
fn tissue_that_follows_another_law_keeps_its_knee_and_its_interval() {
    // Before the family of METHODS.md §4.12: held 0, 0, 32 and, for want of a knee, none; "no knee" for 38, 18, 8 and all of 100.
    let (mut held, mut all) = (0, 0);
    for (k, law) in [
        UnmodelledLaw::PowerToe,
        UnmodelledLaw::SquareToe,
        UnmodelledLaw::Slip,
        UnmodelledLaw::SofteningSprings,
    ]
    .into_iter()
    .enumerate()
    {
        let trials = trials_of_law(law, 3, 910_000 + 100 * k as u64);
        let onset = spread(&trials, Measure::Onset);
        assert!(onset.n >= 2, "{}: {} of 3 have an onset", law.word(), onset.n);
        assert!(onset.median < 0.2, "{}: {} mm", law.word(), onset.median);
        held += onset.held;
        all += onset.n;
    }
    assert!(held + 2 >= all, "{held} of {all}");
}
