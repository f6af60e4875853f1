//! Exact small cases of the comparison and its rule.

mod beside;
mod partners;

use super::*;
use crate::terms::{Contact, Level, LineOfDrive, Posture, Side};
use crate::trace::{About, Curve, Estimate, Knee, Measured, Measures, Phases, Test};

fn about(level: &str, side: Side, trial: u32) -> About {
    About {
        subject: Some("V-01".into()),
        examiner: Some("L-01".into()),
        session: Some("1".into()),
        level: Level::parse(level),
        side: Some(side),
        contact: Some(Contact::Thumb),
        posture: Posture::new("prone"),
        line_of_drive: LineOfDrive::new(90.0),
        trial: Some(trial),
        ..About::default()
    }
}

fn test(about: About, values: &[(Measure, f64)]) -> Test {
    let mut measures = Measures::default();
    for &(measure, value) in values {
        measures.set(measure, Measured::new(value, []));
    }
    Test {
            corrections: Vec::new(),
        recording: format!("{:?}_{:?}_{:?}.csv", about.level, about.side, about.trial),
        test: 1,
        about,
        rate_hz: 1000.0,
        samples: 5000,
        phases: Phases::default(),
        springs: vec![],
        measures,
        window_n: [30.0, 100.0],
        knee: Knee::Fitted,
        fit: None,
        total_peak_n: 60.0,
        drive_deg: None,
        notes: vec![],
        curve: Curve::default(),
    }
}

pub(crate) fn stiff(level: &str, side: Side, trial: u32, n_per_mm: f64) -> Test {
    test(about(level, side, trial), &[(Measure::EndFeel, n_per_mm)])
}

fn run(tests: &[Test]) -> ComparisonOutcome {
    run_with(tests, &Settings::default(), &[], None)
}

fn run_with(
    tests: &[Test],
    settings: &Settings,
    calls: &[Call],
    agreement: Option<&AgreementSpread>,
) -> ComparisonOutcome {
    compare(
        tests,
        &CompareContext {
            settings,
            calls,
            agreement,
        },
    )
}

/// Three trials a side at each level, steady to about 1 %, right over left in the given ratios.
fn scan(levels: &[(&str, f64)]) -> Vec<Test> {
    let mut tests = Vec::new();
    for &(level, ratio) in levels {
        for (trial, wobble) in [(1, 0.99), (2, 1.0), (3, 1.01)] {
            tests.push(stiff(level, Side::Left, trial, 10.0 * wobble));
            tests.push(stiff(level, Side::Right, trial, 10.0 * ratio * wobble));
        }
    }
    tests
}

#[test]
fn the_index_has_its_published_value_and_its_way_back() {
    // Robinson et al. 1987, JMPT 10:172-176: 100 (R - L) / ((R + L) / 2) of 8 and 10 is 22.2222 %.
    let d = (10.0_f64 / 8.0).ln();
    assert!((percent_of_log(d) - 100.0 * 2.0 / 9.0).abs() < 1e-12);
    assert!((percent_of_log(-d) + 100.0 * 2.0 / 9.0).abs() < 1e-12);
    assert!((log_of_percent(percent_of_log(d)) - d).abs() < 1e-12);
    assert!((d - 0.223_143_6).abs() < 1e-7);
}

#[test]
fn one_trial_a_side_at_the_published_spread_tells_no_less_than_40_percent() {
    // Owens et al. 2007, JMPT 30:116-123: SEM 1.62 N/mm on 11.2 N/mm, so 1.96 sqrt(2) SEM is 4.49 N/mm or 40 %,
    // 0.401 as a log ratio, 39.6 % as an index.
    let settings = Settings::default();
    assert!((settings.compare.single_trial_sem_percent - 100.0 * 1.62 / 11.2).abs() < 0.05);
    let found = run(&[
        stiff("L3", Side::Left, 1, 11.2),
        stiff("L3", Side::Right, 1, 14.0),
    ]);
    let f = &found.comparisons[0];
    assert_eq!(f.spread_source, Some(SpreadSource::Published));
    assert_eq!(f.variance_rule, Some(VarianceRule::Given));
    assert_eq!(f.degrees_of_freedom, Some(f64::INFINITY));
    assert!((f.mdc_percent.unwrap() - 39.6).abs() < 0.2, "{f:?}");
    assert!((log_of_percent(f.mdc_percent.unwrap()) - 0.401).abs() < 0.002);
    assert!((4.49_f64 / 11.2 - 0.40).abs() < 0.002);
    // ln(14/11.2) = 0.2231 against a standard error of 0.145 sqrt 2: neither a side nor even.
    assert_eq!(f.side_of_resistance, Some(Decision::Undecided));
}

#[test]
fn a_lone_pair_is_worked_out_by_hand() {
    // Logs -0.02, 0, 0.02 about each mean: s^2 = 4e-4, df 4, se^2 = 4e-4 (2/3), t(0.975, 4) = 2.776445.
    let mut tests = Vec::new();
    for (trial, e) in [(1, -0.02_f64), (2, 0.0), (3, 0.02)] {
        tests.push(stiff("L4", Side::Left, trial, 10.0 * e.exp()));
        tests.push(stiff("L4", Side::Right, trial, 13.0 * e.exp()));
    }
    let f = &run(&tests).comparisons[0];
    let (d, se) = (1.3_f64.ln(), (4e-4_f64 * 2.0 / 3.0).sqrt());
    let near = |a: Option<f64>, b: f64| assert!((a.unwrap() - b).abs() < 1e-6, "{a:?} {b}");
    near(f.left, 10.0);
    near(f.right, 13.0);
    near(f.asymmetry_percent, 100.0 * 3.0 / 11.5);
    near(f.low_percent, percent_of_log(d - 2.776_445_105 * se));
    near(f.high_percent, percent_of_log(d + 2.776_445_105 * se));
    near(f.mdc_percent, percent_of_log(1.96 * se));
    assert_eq!((f.left_trials, f.right_trials), (3, 3));
    assert_eq!(f.side_of_resistance, Some(Decision::Right));
    assert_eq!((f.trials_to_decide, f.threshold_percent), (None, Some(15.0)));
}

#[test]
fn a_repetition_that_happens_to_agree_is_no_better_than_the_measurement() {
    let mut tests = Vec::new();
    for (trial, value) in [(1, 9.999), (2, 10.0), (3, 10.001)] {
        for side in [Side::Left, Side::Right] {
            let mut t = stiff("L4", side, trial, value);
            let estimate = Estimate::new(value, Some((1.0, f64::INFINITY)));
            let budget = vec![];
            t.measures.set(Measure::EndFeel, Measured { estimate, budget });
            tests.push(t);
        }
    }
    // Standard uncertainty 10 % of a test: the mean of three has 0.1/sqrt 3, the difference 0.1 sqrt(2/3).
    let f = &run(&tests).comparisons[0];
    let mdc = percent_of_log(1.96 * 0.1 * (2.0_f64 / 3.0).sqrt());
    assert!((f.mdc_percent.unwrap() - mdc).abs() < 1e-5);
    assert_eq!(f.spread_source, Some(SpreadSource::Trials));
    assert_eq!(f.variance_rule, Some(VarianceRule::Pooled));
    assert_eq!(f.raised_to_measurement, Some(true));
    assert_eq!(f.side_of_resistance, Some(Decision::Undecided));
}

#[test]
fn findings_do_not_depend_on_the_order_of_tests() {
    let mut tests = scan(&[("L5", 1.4), ("T4", 1.0), ("C3", 0.7), ("sacral_base", 1.0)]);
    let first = format!("{:?}", run(&tests).comparisons);
    tests.reverse();
    assert_eq!(format!("{:?}", run(&tests).comparisons), first);
    tests.rotate_left(7);
    let found = run(&tests).comparisons;
    assert_eq!(format!("{found:?}"), first);
    let levels: Vec<_> = found.iter().map(|f| f.key.level.unwrap()).collect();
    assert_eq!(levels, [Level::C3, Level::T4, Level::L5, Level::SacralBase]);
    let words: Vec<_> = found
        .iter()
        .map(|f| f.side_of_resistance.unwrap().word())
        .collect();
    assert_eq!(words, ["left", "even", "right", "even"]);
}

#[test]
fn not_even_the_last_digit_depends_on_the_order_of_tests() {
    let value = |trial: u32, side: Side| {
        let spread = if side == Side::Left { 1.0 } else { 3.0 };
        10.0 + spread * (f64::from(trial) * 0.618_034).fract()
    };
    let mut tests: Vec<Test> = (1..=9)
        .flat_map(|trial| [Side::Left, Side::Right].map(|side| stiff("L4", side, trial, value(trial, side))))
        .collect();
    let first = format!("{:?}", run(&tests).comparisons);
    for _ in 1..tests.len() {
        tests.rotate_left(1);
        assert_eq!(format!("{:?}", run(&tests).comparisons), first);
    }
}

#[test]
fn a_level_tested_once_uses_the_spread_of_the_repeated_ones() {
    let mut tests = scan(&[("L5", 1.0), ("L4", 1.0)]);
    tests.push(stiff("L3", Side::Left, 1, 10.0));
    tests.push(stiff("L3", Side::Right, 1, 14.0));
    let found = run(&tests).comparisons;
    assert_eq!(found[0].key.level, Some(Level::L3));
    assert_eq!(found[0].spread_source, Some(SpreadSource::Trials));
    assert_eq!(found[0].side_of_resistance, Some(Decision::Right));
}

#[test]
fn the_labs_own_spread_comes_before_the_published_one() {
    let own = AgreementSpread {
        sem_log: [(Measure::EndFeel, 0.03)].into(),
        ..AgreementSpread::default()
    };
    let tests = [
        stiff("L3", Side::Left, 1, 10.0),
        stiff("L3", Side::Right, 1, 14.0),
    ];
    let found = run_with(&tests, &Settings::default(), &[], Some(&own)).comparisons;
    assert_eq!(found[0].spread_source, Some(SpreadSource::Agreement));
    assert_eq!(found[0].side_of_resistance, Some(Decision::Right));
    let mdc = percent_of_log(1.96 * 0.03 * 2.0_f64.sqrt());
    assert!((found[0].mdc_percent.unwrap() - mdc).abs() < 1e-9);
}

#[test]
fn trials_to_decide_is_the_first_number_that_gives_a_word() {
    // Known spread 0.145 s, so the rule can be worked out: d = ln 1.5 = 0.4055 over margin 0.1503 needs
    // 1.645 * 0.145 sqrt(2/n) <= 0.2552: n >= 1.75 (the far tail adds nothing here).
    let pair = |right| {
        [
            stiff("L3", Side::Left, 1, 10.0),
            stiff("L3", Side::Right, 1, right),
        ]
    };
    let f = &run(&pair(15.0)).comparisons[0];
    assert_eq!(f.trials_to_decide, Some(TrialsToDecide::Trials(2)));
    // On the margin itself no number of trials helps.
    let f = &run(&pair(10.0 * log_of_percent(15.0).exp())).comparisons[0];
    assert_eq!(f.trials_to_decide, Some(TrialsToDecide::NotInOneSession));
    // Even at no difference the two one-sided tests need 1.96 * 0.145 sqrt(2/n) <= 0.1503: n >= 7.2.
    let mut settings = Settings::default();
    settings.compare.max_trials = 10;
    let f = &run_with(&pair(10.0), &settings, &[], None).comparisons[0];
    assert_eq!(f.trials_to_decide, Some(TrialsToDecide::Trials(8)));
    assert_eq!(
        run(&pair(10.0)).comparisons[0].trials_to_decide,
        Some(TrialsToDecide::NotInOneSession)
    );
}

#[test]
fn trials_to_decide_counts_the_degrees_of_freedom_that_trials_add() {
    // Logs +/- 0.03 about each mean: s^2 = 0.0018, df 2. An excess of 0.08 over the margin needs t(0.95)*se below
    // it: now 2.920 * 0.0424 = 0.124; three trials, df 4: 2.132 * 0.0346 = 0.074. At df 2 it would take five.
    let mut tests = vec![];
    for (trial, e) in [(1, -0.03_f64), (2, 0.03)] {
        tests.push(stiff("L4", Side::Left, trial, 10.0 * e.exp()));
        let d = log_of_percent(15.0) + 0.08;
        tests.push(stiff("L4", Side::Right, trial, 10.0 * (d + e).exp()));
    }
    let f = &run(&tests).comparisons[0];
    assert_eq!(f.side_of_resistance, Some(Decision::Undecided));
    assert_eq!(f.trials_to_decide, Some(TrialsToDecide::Trials(3)));
}

#[test]
fn a_level_far_less_steady_than_the_others_gets_a_wider_interval_of_its_own() {
    let mut tests = scan(&[("T2", 1.0), ("T4", 1.0), ("T6", 1.0), ("T8", 1.0)]);
    for (trial, wobble) in [(1, 0.8), (2, 1.0), (3, 1.25)] {
        tests.push(stiff("L1", Side::Left, trial, 10.0 * wobble));
        tests.push(stiff("L1", Side::Right, trial, 10.0 * wobble));
    }
    let found = run(&tests).comparisons;
    let width = |f: &Comparison| f.high_percent.unwrap() - f.low_percent.unwrap();
    assert!(width(&found[4]) > 5.0 * width(&found[0]), "{found:?}");
    assert_eq!(found[0].side_of_resistance, Some(Decision::Even));
    assert_eq!(found[4].side_of_resistance, Some(Decision::Undecided));
}

#[test]
fn measures_that_can_be_zero_are_compared_by_difference_and_without_a_word() {
    let values = |loss, travel, peak| {
        [
            (Measure::LossRatio, loss),
            (Measure::OnsetTravel, travel),
            (Measure::Peak, peak),
        ]
    };
    let mut tests = vec![];
    for (trial, e) in [(1, -0.01), (2, 0.01)] {
        tests.push(test(about("L3", Side::Left, trial), &values(0.05 + e, 6.0, 60.0)));
        tests.push(test(
            about("L3", Side::Right, trial),
            &values(-0.01 + e, 6.5 + e, 66.0),
        ));
    }
    let found = run(&tests).comparisons;
    assert_eq!(found.len(), 3);
    let of = |m| found.iter().find(|f| f.measure == m).unwrap();
    let [d, low, high] = of(Measure::LossRatio).difference.unwrap();
    // s^2 = 2e-4, df 2, se = sqrt(2e-4), t(0.975, 2) = 4.302653.
    assert!((d + 0.06).abs() < 1e-12);
    assert!((high - d - 4.302_652_73 * 2e-4_f64.sqrt()).abs() < 1e-8 && low < d);
    assert_eq!(of(Measure::LossRatio).asymmetry_percent, None);
    assert!((of(Measure::Peak).asymmetry_percent.unwrap() - 100.0 * 6.0 / 63.0).abs() < 1e-9);
    assert!(
        found
            .iter()
            .all(|f| f.side_of_resistance.is_none() && f.trials_to_decide.is_none())
    );
    // One trial a side and nothing known of their spread: the values stand, the interval is missing.
    let once = run(&tests[..2]).comparisons;
    assert!(once.iter().all(|f| f.left.is_some() && f.spread_source.is_none()));
    assert!(
        once.iter()
            .all(|f| f.difference.is_none() && f.low_percent.is_none())
    );
}

#[test]
fn changing_places_changes_only_the_sign_and_the_side() {
    let tests = scan(&[("C3", 0.7), ("T4", 1.02), ("L2", 1.16), ("L5", 1.4)]);
    let mut swapped = tests.clone();
    for t in &mut swapped {
        t.about.side = match t.about.side {
            Some(Side::Left) => Some(Side::Right),
            _ => Some(Side::Left),
        };
    }
    let (there, back) = (run(&tests).comparisons, run(&swapped).comparisons);
    assert_eq!(there.len(), 4);
    for (a, b) in there.iter().zip(&back) {
        let close = |x: Option<f64>, y: Option<f64>| assert!((x.unwrap() - y.unwrap()).abs() < 1e-9);
        close(a.asymmetry_percent, b.asymmetry_percent.map(|p| -p));
        close(a.low_percent, b.high_percent.map(|p| -p));
        close(a.mdc_percent, b.mdc_percent);
        assert_eq!(a.trials_to_decide, b.trials_to_decide);
        let mirrored = match a.side_of_resistance.unwrap() {
            Decision::Left => Decision::Right,
            Decision::Right => Decision::Left,
            word => word,
        };
        assert_eq!(b.side_of_resistance, Some(mirrored));
    }
}

#[test]
fn a_recording_given_twice_is_not_a_spread_of_nothing() {
    let mut tests = vec![];
    for trial in 1..=3 {
        tests.push(stiff("L3", Side::Left, trial, 10.1));
        tests.push(stiff("L3", Side::Right, trial, 12.3));
    }
    let f = &run(&tests).comparisons[0];
    assert_eq!(f.spread_source, Some(SpreadSource::Published));
    assert_eq!(f.side_of_resistance, Some(Decision::Undecided));
}

#[test]
fn one_posture_does_not_lend_its_spread_to_another() {
    let mut tests = scan(&[("L5", 1.0), ("L4", 1.0)]);
    for side in [Side::Left, Side::Right] {
        let mut seated = stiff("L5", side, 1, 10.0);
        seated.about.posture = Posture::new("seated");
        tests.push(seated);
    }
    let found = run(&tests).comparisons;
    let sources: Vec<_> = found
        .iter()
        .map(|f| f.spread_source.map(SpreadSource::word))
        .collect();
    assert_eq!(sources, [Some("trials"), Some("trials"), Some("published")]);
}
