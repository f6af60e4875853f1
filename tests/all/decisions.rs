//! Do the decisions keep their promises? Simulated scans with known truth, a fixed seed, and no trace in between.

use crate::proof::decide::{Scan, normal, percent, run, tally, test};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use tautpoint::columns::Measure;
use tautpoint::compare::{Comparison, ComparisonKind, Decision, SpreadSource};
use tautpoint::terms::{Level, Side};
use tautpoint::trace::{Estimate, Measured};

#[test]
fn without_a_difference_at_most_one_level_in_twenty_is_called() {
    for trials in [1, 2, 3, 5] {
        let t = tally(
            &Scan {
                truth: &[0.0; 17],
                trials,
                sd: &|_| 0.05,
            },
            100,
            |_| true,
        );
        assert!(t.called() <= 0.05, "{trials}: {t:?}");
    }
}

#[test]
fn a_single_trial_as_noisy_as_published_calls_no_level_that_has_no_difference() {
    // 14.5 %: 1.62 N/mm on 11.2 N/mm, Owens et al. 2007, JMPT 30:116-123.
    let t = tally(
        &Scan {
            truth: &[0.0; 17],
            trials: 1,
            sd: &|_| 0.145,
        },
        200,
        |_| true,
    );
    assert!(t.called() <= 0.05, "{t:?}");
    assert_eq!(t.even, 0, "one trial cannot show that sides are even");
    assert!((0.93..=0.97).contains(&t.share(t.held)), "{t:?}");
}

#[test]
fn differences_inside_the_margin_or_on_it_are_called_at_most_once_in_twenty() {
    for truth in [12.0, 15.0, -15.0] {
        for trials in [2, 3, 5] {
            let t = tally(
                &Scan {
                    truth: &[percent(truth); 17],
                    trials,
                    sd: &|_| 0.05,
                },
                100,
                |_| true,
            );
            assert!(t.called() <= 0.05, "{truth} {trials}: {t:?}");
        }
    }
}

#[test]
fn a_lone_level_on_the_margin_is_called_at_most_once_in_twenty() {
    // One level has no correction for many to hide behind: this is the test's own rate, 5 % and its error.
    let t = tally(
        &Scan {
            truth: &[percent(15.0)],
            trials: 3,
            sd: &|_| 0.05,
        },
        4000,
        |_| true,
    );
    assert!((0.04..=0.06).contains(&t.called()), "{t:?}");
}

#[test]
fn two_stiff_levels_among_fifteen_even_ones_are_called() {
    let mut truth = [0.0; 17];
    truth[4] = percent(40.0);
    truth[11] = percent(-40.0);
    let scan = Scan {
        truth: &truth,
        trials: 3,
        sd: &|_| 0.05,
    };
    let stiff = tally(&scan, 200, |i| i == 4 || i == 11);
    assert!(stiff.called() >= 0.95, "{stiff:?}");
    assert!(stiff.left.abs_diff(stiff.right) <= 20, "{stiff:?}");
    let even = tally(&scan, 200, |i| i != 4 && i != 11);
    assert!(even.called() <= 0.05, "{even:?}");
}

#[test]
fn a_difference_everywhere_is_called_on_the_right_side() {
    for sign in [-1.0, 1.0] {
        let t = tally(
            &Scan {
                truth: &[percent(sign * 40.0); 17],
                trials: 3,
                sd: &|_| 0.05,
            },
            100,
            |_| true,
        );
        let rightly = if sign > 0.0 { t.right } else { t.left };
        assert!(t.share(rightly) >= 0.95, "{t:?}");
    }
}

#[test]
fn intervals_of_asymmetry_hold_the_truth() {
    let truth: Vec<f64> = (0..17).map(|i| percent(5.0 * (f64::from(i) - 8.0))).collect();
    for trials in [2, 3, 5] {
        let scan = Scan {
            truth: &truth,
            trials,
            sd: &|_| 0.05,
        };
        let t = tally(&scan, 300, |_| true);
        assert!((0.93..=0.97).contains(&t.share(t.held)), "{trials}: {t:?}");
    }
}

#[test]
fn decisions_hold_where_levels_differ_in_their_spread() {
    // A factor of four from the steadiest level to the least steady. Where a level's own spread was not looked at, intervals
    // at the least steady levels held the truth 80, 87 and 91 % of the time with 2, 3 and 5 trials. Two trials leave a
    // level two degrees of freedom: what holds 93 % there costs even levels their words (METHODS.md §6.4).
    let sd = |i: usize| 0.03 * 4.0_f64.powf((i % 5) as f64 / 4.0);
    for (trials, least) in [(2, 0.87), (3, 0.92), (5, 0.93)] {
        let scan = Scan {
            truth: &[percent(15.0); 17],
            trials,
            sd: &sd,
        };
        let noisy = tally(&scan, 300, |i| i % 5 == 4);
        assert!(
            (least..=0.97).contains(&noisy.share(noisy.held)),
            "{trials}: {noisy:?}"
        );
        let t = tally(&scan, 300, |_| true);
        assert!(t.called() <= 0.05, "{trials}: {t:?}");
        assert!((0.92..=0.97).contains(&t.share(t.held)), "{trials}: {t:?}");
    }
}

/// Midline steps every second level, the log stiffness of each given; 3 trials, 5 %.
fn midline(log_stiffness: &[f64], rng: &mut ChaCha8Rng) -> Vec<Comparison> {
    let mut tests = Vec::new();
    for (i, middle) in log_stiffness.iter().enumerate() {
        for trial in 1..=3 {
            let value = (middle + 0.05 * normal(rng)).exp();
            tests.push(test(Level::ALL[6 + 2 * i].word(), Side::Midline, trial, value));
        }
    }
    run(&tests)
}

#[test]
fn a_midline_step_is_named_when_it_stands_out_and_not_when_the_spine_stiffens_evenly() {
    let mut rng = ChaCha8Rng::seed_from_u64(20_260_914);
    // 3 % a step: stiffness changes along the spine by nature.
    let smooth: Vec<f64> = (0..8).map(|i| 2.0 + 0.03 * f64::from(i)).collect();
    let mut one_out = smooth.clone();
    one_out[3] += percent(40.0);
    let (mut named_smooth, mut named_out, mut held, mut all) = (0, 0, 0, 0);
    for _ in 0..200 {
        let found = midline(&smooth, &mut rng);
        assert_eq!(found.len(), 8);
        for (i, f) in found.iter().enumerate() {
            assert_eq!(f.kind, ComparisonKind::Neighbours);
            assert_eq!(f.spread_source, Some(SpreadSource::Trials));
            named_smooth += u32::from(f.side_of_resistance == Some(Decision::StifferThanNeighbours));
            if (2..6).contains(&i) {
                // Two above and two below rise evenly: the truth is no difference at all.
                all += 1;
                held += u32::from(f.low_percent.unwrap() <= 0.0 && 0.0 <= f.high_percent.unwrap());
            }
        }
        let found = midline(&one_out, &mut rng);
        let word = found[3].side_of_resistance.unwrap();
        named_out += u32::from(word == Decision::StifferThanNeighbours);
    }
    let held = f64::from(held) / f64::from(all);
    println!(
        "midline: named {named_smooth} of 1600 even ones, {named_out} of 200 stiff ones, held {held:.4}"
    );
    assert!(named_smooth <= 80, "{named_smooth}");
    assert!(named_out >= 190, "{named_out}");
    // The median's variance is taken on the wide side (see its comment), so coverage may exceed 97 %.
    assert!((0.93..=0.99).contains(&held), "{held}");
}

/// Between fixed loads a stiffer side can have the lower slope, since more of its toe lies there (METHODS.md §6.1).
#[test]
fn window_stiffness_is_shown_and_names_no_side() {
    let tests: Vec<_> = [(Side::Left, 4.0), (Side::Right, 12.0)]
        .into_iter()
        .flat_map(|(side, window)| (1..=3).map(move |trial| (side, window, trial)))
        .map(|(side, window, trial)| {
            let mut test = test("L3", side, trial, 10.0 + 0.1 * f64::from(trial));
            let estimate = Estimate::new(window + 0.05 * f64::from(trial), Some((0.02, f64::INFINITY)));
            let budget = vec![];
            test.measures.set(Measure::Window, Measured { estimate, budget });
            test
        })
        .collect();
    let found = run(&tests);
    let of = |measure| found.iter().find(|c| c.measure == measure).unwrap();
    let window = of(Measure::Window);
    assert!(
        window.asymmetry_percent.unwrap() > 90.0 && window.side_of_resistance.is_none(),
        "{window:?}"
    );
    assert!(of(Measure::EndFeel).side_of_resistance.is_some());
}
