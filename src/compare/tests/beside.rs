//! Calls beside measurements, midline steps beside their neighbours, and what to look at again.

use super::*;
use crate::stats::quantile::t_quantile;
use crate::stats::variance::{Variance, moderate};
use crate::terms::{Contact, Felt, Level, LineOfDrive, Side};

fn call(level: &str, trial: u32, word: &str) -> Call {
    Call {
        subject: "V-01".into(),
        examiner: "L-01".into(),
        session: "1".into(),
        level: Level::parse(level).unwrap(),
        trial: Some(trial),
        call: Felt::parse(word).unwrap(),
        confidence: None,
    }
}

#[test]
fn the_call_stands_beside_the_end_feel_of_its_level() {
    let mut other = call("L5", 1, "left");
    other.examiner = "L-02".into();
    let calls = [
        call("L5", 1, "even"),
        call("L5", 2, "right"),
        call("L5", 3, "right"),
        call("L4", 1, "left"),
        call("L4", 2, "unsure"),
        call("L3", 1, "left"),
        other,
    ];
    let tests = scan(&[("L5", 1.5), ("L4", 1.0), ("L3", 1.0)]);
    let found = run_with(&tests, &Settings::default(), &calls, None).comparisons;
    let said: Vec<_> = found
        .iter()
        .map(|f| (f.call.map(Felt::word), f.call_agrees))
        .collect();
    // L3 called left but even; L4 a tie, so the later; L5 the more frequent.
    assert_eq!(
        said,
        [
            (Some("left"), Some(false)),
            (Some("unsure"), None),
            (Some("right"), Some(true))
        ]
    );
}

#[test]
fn neighbours_are_two_steps_on_either_side_of_the_same_contact() {
    let step = |level: &str, trial, value, covers: &[&str]| {
        let mut a = about(level, Side::Midline, trial);
        a.contact = Some(Contact::Reinforced);
        a.covers = covers.iter().filter_map(|l| Level::parse(l)).collect();
        test(a, &[(Measure::EndFeel, value)])
    };
    let mut tests = vec![];
    for (trial, wobble) in [(1, 0.99), (2, 1.01)] {
        for (level, value) in [
            ("T4", 8.0),
            ("T6", 9.0),
            ("T8", 16.0),
            ("T10", 10.0),
            ("T12", 12.0),
        ] {
            tests.push(step(level, trial, value * wobble, &[]));
        }
        let far = step("SI", trial, 9.0, &[]);
        tests.push(far);
    }
    for t in &mut tests {
        if t.about.level == Some(Level::T8) {
            t.about.covers = vec![Level::T7, Level::T8, Level::T9];
        }
    }
    let found = run(&tests);
    let t8 = &found.comparisons[2];
    assert_eq!(t8.key.level, Some(Level::T8));
    // Neighbours 8, 9, 10, 12: the median of the logs is the geometric mean of 9 and 10.
    assert!((t8.left.unwrap() / (90.0_f64).sqrt() - 1.0).abs() < 1e-4);
    assert_eq!((t8.left_trials, t8.right_trials), (8, 2));
    assert_eq!(t8.side_of_resistance, Some(Decision::StifferThanNeighbours));
    assert_eq!(t8.covers, [Level::T7, Level::T8, Level::T9]);
    assert_eq!(found.comparisons.len(), 5);
    assert_eq!(
        found.unpaired.len(),
        1,
        "SI is more than six levels from any step"
    );
    let steps = follow_up(&found.comparisons);
    let levels: Vec<_> = steps.iter().map(|s| s.level.word()).collect();
    assert!(levels.windows(3).any(|w| w == ["T9", "T8", "T7"]), "{levels:?}");
    let t8 = steps.iter().find(|s| s.level == Level::T8).unwrap();
    assert_eq!(
        (t8.how.contact, t8.how.landmark.as_str()),
        (Contact::Thumb, "transverse processes")
    );
    assert_eq!(t8.how.line_of_drive, LineOfDrive::whole(60));
    assert!(
        t8.why
            .starts_with("stiffer than its neighbours: end-feel stiffness +5"),
        "{}",
        t8.why
    );
}

/// A level is looked at again by the first of its decided measures, so one that is even there is not, whatever the next says.
#[test]
fn a_level_whose_end_feel_is_even_is_not_looked_at_again_for_its_window() {
    let on_the_margin = log_of_percent(15.0).exp();
    let mut tests = scan(&[("L2", 1.0), ("L4", on_the_margin)]);
    for t in &mut tests {
        let (end_feel, right) = (t.value(Measure::EndFeel).unwrap(), t.side() == Some(Side::Right));
        let window = end_feel * if right && t.about.level == Some(Level::L2) { on_the_margin } else { 1.0 };
        t.measures.set(Measure::Window, Measured::new(window, []));
    }
    let found = run(&tests);
    assert!(found.comparisons.iter().any(|c| c.measure == Measure::Window), "{:?}", found.comparisons.len());
    let steps = follow_up(&found.comparisons);
    let levels: Vec<&str> = steps.iter().map(|s| s.level.word()).collect();
    assert_eq!(levels, ["L4"]);
}

#[test]
fn follow_up_goes_from_the_pelvis_up_through_what_stood_out_or_stayed_open() {
    let mut tests = scan(&[("C4", 0.6), ("T4", 1.0), ("L5", 1.5), ("SI", 1.4)]);
    // On the margin: undecided.
    tests.extend(scan(&[("L2", log_of_percent(15.0).exp())]));
    let steps = follow_up(&run(&tests).comparisons);
    let plan: Vec<_> = steps
        .iter()
        .map(|s| {
            (
                s.level.word(),
                s.how.contact.word(),
                s.how.line_of_drive.degrees(),
            )
        })
        .collect();
    assert_eq!(
        plan,
        [
            ("SI", "thenar", 90.0),
            ("L5", "thumb", 90.0),
            ("L2", "thumb", 90.0),
            ("C4", "thumb_finger", 45.0)
        ]
    );
    assert!(
        steps[0]
            .why
            .starts_with("the right side resists more: end-feel stiffness +33 %")
    );
    assert!(steps[2].why.starts_with("left against right undecided"));
    assert!(steps[3].why.starts_with("the left side resists more"));
}

/// Two trials each of midline steps T4, T6, T8, T10, T12 of stiffness 8, 9, `t8`, 10, 12.
fn midline(t8: f64, trials: &[(u32, f64)]) -> Vec<Comparison> {
    let mut tests = vec![];
    for &(trial, wobble) in trials {
        for (level, value) in [("T4", 8.0), ("T6", 9.0), ("T8", t8), ("T10", 10.0), ("T12", 12.0)] {
            tests.push(stiff(level, Side::Midline, trial, value * wobble));
        }
    }
    run(&tests).comparisons
}

#[test]
fn a_step_softer_than_its_neighbours_has_no_word_and_no_trials_would_give_it_one() {
    let found = midline(5.0, &[(1, 0.99), (2, 1.01)]);
    assert_eq!(found[2].side_of_resistance, Some(Decision::Undecided));
    assert_eq!(found[2].trials_to_decide, Some(TrialsToDecide::NotInOneSession));
    assert!(found[2].high_percent.unwrap() < -15.0);
}

#[test]
fn a_step_like_its_neighbours_is_said_to_be_like_them() {
    let found = midline(90.0_f64.sqrt(), &[(1, 0.99), (2, 1.01)]);
    assert_eq!(found[2].side_of_resistance, Some(Decision::LikeNeighbours));
    assert!(found[2].asymmetry_percent.unwrap().abs() < 1e-9);
}

#[test]
fn neighbours_with_unequal_trials_lend_the_fewest_degrees_of_freedom() {
    let (steady, wild) = ([0.99, 1.0, 1.01, 0.995, 1.005], [0.7, 1.4]);
    let mut tests = vec![];
    let mut within = vec![];
    for (level, value) in [
        ("T4", 8.0),
        ("T6", 9.0),
        ("T8", 9.5),
        ("T10", 10.0),
        ("T12", 12.0),
    ] {
        let wobbles: &[f64] = if level == "T6" { &wild } else { &steady };
        for (trial, wobble) in (1..).zip(wobbles) {
            tests.push(stiff(level, Side::Midline, trial, value * wobble));
        }
        let logs: Vec<f64> = wobbles.iter().map(|w| w.ln()).collect();
        let mean = logs.iter().sum::<f64>() / logs.len() as f64;
        let df = logs.len() as f64 - 1.0;
        let value = logs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / df;
        within.push((Variance { value, df }, mean));
    }
    let only: Vec<Variance> = within.iter().map(|(v, _)| *v).collect();
    let moderated = moderate(&only).unwrap().groups;
    assert!(moderated[1].df + 2.0 < moderated[2].df, "{moderated:?}");
    let all = run(&tests).comparisons;
    // T4 has two neighbours, T6 and T8: their median is the geometric mean of both.
    let middle = (9.0_f64.ln() + within[1].1 + 9.5_f64.ln() + within[2].1) / 2.0;
    assert!((all[0].left.unwrap().ln() - middle).abs() < 1e-12);
    // T8 against the median of T6 and T10, each with half its weight.
    let part = |i: usize, weight: f64| weight * weight * moderated[i].value / (only[i].df + 1.0);
    let se = (part(2, 1.0) + part(1, 0.5) + part(3, 0.5)).sqrt();
    let found = &all[2];
    let log = |percent: Option<f64>| 2.0 * (percent.unwrap() / 200.0).atanh();
    let half_width = (log(found.high_percent) - log(found.low_percent)) / 2.0;
    let expected = t_quantile(0.975, moderated[1].df).unwrap() * se;
    assert!(
        (half_width / expected - 1.0).abs() < 1e-9,
        "{half_width} {expected}"
    );
    assert_eq!(found.variance_rule, Some(VarianceRule::Moderated));
    assert!((found.standard_error.unwrap() / se - 1.0).abs() < 1e-9);
    assert_eq!(found.degrees_of_freedom, Some(moderated[1].df));
}
