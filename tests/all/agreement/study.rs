//! Agreement of a study's tests: designs, known truth, calls against measurements, agreement.toml.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use tautpoint::agreement::{self, AgreementBasis, Design, spread};
use tautpoint::columns::Measure;
use tautpoint::compare::{CompareContext, Comparison, ComparisonKind, Decision, SpreadSource, compare};
use tautpoint::settings::Settings;
use tautpoint::stats::agreement::anova::mean_squares;
use tautpoint::stats::agreement::icc::icc;
use tautpoint::stats::agreement::sem::sem;
use tautpoint::study::call::Call;
use tautpoint::terms::{Felt, Level, Side, TestKey};
use tautpoint::trace::{About, Curve, Knee, Measured, Measures, Phases, Test};

struct Who<'a> {
    subject: &'a str,
    examiner: &'a str,
    session: &'a str,
    level: &'a str,
    side: Side,
    trial: u32,
}

fn test(who: &Who, n_per_mm: f64) -> Test {
    let mut measures = Measures::default();
    measures.set(Measure::EndFeel, Measured::new(n_per_mm, []));
    Test {
        corrections: Vec::new(),
        recording: format!(
            "{}_{}_{}_{}_{}_{}.csv",
            who.subject, who.examiner, who.session, who.level, who.side, who.trial
        ),
        test: 1,
        about: About {
            subject: Some(who.subject.to_owned()),
            examiner: Some(who.examiner.to_owned()),
            session: Some(who.session.to_owned()),
            level: Level::parse(who.level),
            side: Some(who.side),
            trial: Some(who.trial),
            ..About::default()
        },
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

/// Truth of an invented study: standard deviations of what differs, in N/mm.
const BETWEEN: f64 = 2.0;
const EXAMINER: f64 = 0.8;
const DAY: f64 = 0.5;
const TRIAL: f64 = 0.4;

/// Subjects by levels, sides, examiners, two days and trials, with the truth above.
fn invented(seed: u64, subjects: usize, examiners: usize, trials: u32) -> Vec<Test> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut draw = |sd: f64| Normal::new(0.0, sd).unwrap().sample(&mut rng);
    let bias: Vec<f64> = (0..examiners).map(|_| draw(EXAMINER)).collect();
    let mut tests = Vec::new();
    for s in 0..subjects {
        for level in ["L3", "L4"] {
            for side in [Side::Left, Side::Right] {
                let own = 12.0 + draw(BETWEEN);
                for (e, bias) in bias.iter().enumerate() {
                    for session in ["2026-09-14", "2026-09-21"] {
                        let day = draw(DAY);
                        for trial in 1..=trials {
                            let who = Who {
                                subject: &format!("V-{s:02}"),
                                examiner: &format!("L-{e:02}"),
                                session,
                                level,
                                side,
                                trial,
                            };
                            tests.push(test(&who, own + bias + day + draw(TRIAL)));
                        }
                    }
                }
            }
        }
    }
    tests
}

fn end_feel(all: &agreement::Agreement) -> &agreement::MeasureAgreement {
    all.measures
        .iter()
        .find(|m| m.name == "end_feel_n_per_mm")
        .unwrap()
}

#[test]
fn each_design_finds_the_error_that_the_study_was_made_with() {
    let tests = invented(4, 30, 4, 3);
    let all = agreement::of_study(&tests, &[], &[]);
    let m = end_feel(&all);
    let holds = |design: Design, truth: f64| {
        let s = m.design(design).unwrap();
        let sem = s.sem.unwrap();
        let (low, high) = (sem.consistency.low.unwrap(), sem.consistency.high.unwrap());
        assert!(
            low < truth && truth < high,
            "{design:?}: {truth} not in {low} to {high}"
        );
        assert!(sem.agreement.value >= sem.consistency.value);
    };
    // Between examiners and days the first test of each day stands, so day and trial both are error.
    holds(Design::WithinExaminer, TRIAL);
    holds(Design::BetweenDays, DAY.hypot(TRIAL));
    holds(Design::BetweenExaminers, DAY.hypot(TRIAL));
    let within = m.design(Design::WithinExaminer).unwrap();
    assert_eq!((within.subjects.len(), within.raters.len()), (30 * 4 * 4 * 2, 3));
    let between = m.design(Design::BetweenExaminers).unwrap();
    assert_eq!((between.subjects.len(), between.raters.len()), (30 * 4 * 2, 4));
    assert_eq!(m.design(Design::BetweenDays).unwrap().raters, ["day 1", "day 2"]);
    assert_eq!(m.main().unwrap().design, Design::BetweenExaminers);
    // Between examiners ICC(C,1) is the share of what was tested in all but examiners.
    let share = BETWEEN.powi(2) / (BETWEEN.powi(2) + DAY.powi(2) + TRIAL.powi(2));
    let found = between.icc.consistency.unwrap();
    assert!((found.value - share).abs() < 0.03, "{found:?} {share}");
    // The spread for decisions is the error of one trial against the next, with every trial in it.
    let s = all.spread.unwrap().measures[&Measure::EndFeel];
    assert_eq!(s.degrees_of_freedom, f64::from(30 * 4 * 4 * 2 * 2));
    assert!((s.sem / TRIAL - 1.0).abs() < 0.05, "{s:?}");
    assert!((s.sem_log.unwrap() / (TRIAL / 12.0) - 1.0).abs() < 0.15, "{s:?}");
}

#[test]
fn the_order_of_tests_changes_nothing() {
    let mut tests = invented(9, 4, 2, 2);
    let before = agreement::of_study(&tests, &[], &[]);
    tests.reverse();
    assert_eq!(agreement::of_study(&tests, &[], &[]), before);
}

#[test]
fn a_subject_that_one_examiner_missed_still_counts() {
    let mut tests = invented(2, 5, 2, 2);
    tests.retain(|t| {
        !(t.about.subject.as_deref() == Some("V-03") && t.about.examiner.as_deref() == Some("L-01"))
    });
    let all = agreement::of_study(&tests, &[], &[]);
    let m = end_feel(&all);
    let between = m.design(Design::BetweenExaminers).unwrap();
    // Two levels, two sides and two days of V-03 are by one examiner only: 8 of 80 are missing, and all 72 count.
    assert_eq!((between.subjects.len(), between.given), (40, 72));
    assert!(between.notes[0].contains("72 of 80"), "{:?}", between.notes);
    assert_eq!(between.basis, Some(AgreementBasis::VarianceModel));
    assert!(m.design(Design::WithinExaminer).unwrap().notes.is_empty());
}

#[test]
fn what_a_study_lacks_is_said_for_each_design() {
    let reason = |tests: &[Test], design: Design| {
        let all = agreement::of_study(tests, &[], &[]);
        let s = end_feel(&all).design(design).unwrap().clone();
        assert!(s.squares.is_none() && s.icc.one.is_none());
        s.reason.unwrap()
    };
    let mut one = invented(1, 3, 1, 1);
    assert!(reason(&one, Design::BetweenExaminers).contains("one examiner only"));
    assert!(reason(&one, Design::WithinExaminer).contains("one trial only"));
    one.retain(|t| t.about.session.as_deref() == Some("2026-09-14"));
    assert!(reason(&one, Design::BetweenDays).contains("one session only"));
    assert!(reason(&[], Design::WithinExaminer).contains("no test has this measure"));
    assert!(agreement::of_study(&one, &[], &[]).spread.is_none());
    one[0].about.level = None;
    let notes = agreement::of_study(&one, &[], &[]).notes;
    assert!(notes[0].starts_with("1 test names no level"), "{notes:?}");
}

#[test]
fn examiners_of_different_days_are_still_compared_and_the_page_says_so() {
    let mut tests = invented(3, 4, 2, 1);
    tests.retain(|t| {
        let first = t.about.examiner.as_deref() == Some("L-00");
        first == (t.about.session.as_deref() == Some("2026-09-14"))
    });
    let all = agreement::of_study(&tests, &[], &[]);
    let s = end_feel(&all).design(Design::BetweenExaminers).unwrap();
    assert_eq!((s.subjects.len(), s.raters.len()), (16, 2));
    assert!(
        s.notes[0].contains("did not test in the same session"),
        "{:?}",
        s.notes
    );
}

#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    // Two-way random ratings: 12 subjects, 3 raters. 4,000 draws: four standard errors of a share of 95 % are 1.4 %.
    let (between, raters, error) = (1.5_f64, 0.7_f64, 1.0_f64);
    let total = between.powi(2) + raters.powi(2) + error.powi(2);
    let truth = [
        between.powi(2) / total,
        between.powi(2) / (between.powi(2) + error.powi(2)),
        error,
    ];
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    let mut draw = |sd: f64| Normal::new(0.0, sd).unwrap().sample(&mut rng);
    const DRAWS: usize = 4000;
    let mut held = [0; 3];
    for _ in 0..DRAWS {
        let bias: Vec<f64> = (0..3).map(|_| draw(raters)).collect();
        let rows: Vec<Vec<f64>> = (0..12)
            .map(|_| {
                let own = draw(between);
                bias.iter().map(|b| own + b + draw(error)).collect()
            })
            .collect();
        let m = mean_squares(&rows).unwrap();
        let i = icc(&m, 0.95).unwrap();
        let found = [
            i.agreement.unwrap(),
            i.consistency.unwrap(),
            sem(&m, 0.95).unwrap().consistency,
        ];
        for ((held, found), truth) in held.iter_mut().zip(found).zip(truth) {
            *held += usize::from(found.low.unwrap() <= truth && truth <= found.high.unwrap());
        }
    }
    let [agreement, consistency, sem] = held.map(|h| h as f64 / DRAWS as f64);
    assert!((0.936..0.964).contains(&consistency), "{consistency}");
    assert!((0.936..0.964).contains(&sem), "{sem}");
    // ICC(A,1) rests on Satterthwaite's approximation: a little more room.
    assert!((0.93..0.97).contains(&agreement), "{agreement}");
}

#[test]
fn decisions_on_a_single_trial_rest_on_the_studys_own_spread_read_back_from_its_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(spread::FILE_NAME);
    assert_eq!(spread::read(&path), (None, vec![]));
    let tests = invented(4, 6, 2, 3);
    let found = agreement::of_study(&tests, &[], &[]).spread.unwrap();
    std::fs::write(&path, found.to_toml()).unwrap();
    let (read, problems) = spread::read(&path);
    assert!(problems.is_empty());
    let read = read.unwrap();
    assert_eq!(read, found.for_comparison());
    let single: Vec<Test> = tests.into_iter().filter(|t| t.about.trial == Some(1)).collect();
    let settings = Settings::default();
    let context = CompareContext {
        settings: &settings,
        calls: &[],
        agreement: Some(&read),
    };
    let comparisons = compare(&single, &context).comparisons;
    assert!(!comparisons.is_empty());
    assert!(
        comparisons
            .iter()
            .all(|f| f.spread_source == Some(SpreadSource::Agreement))
    );
    std::fs::write(&path, "format = 3\n").unwrap();
    let (read, problems) = spread::read(&path);
    assert!(read.is_none());
    assert_eq!(problems[0].file, "agreement.toml");
}

fn called(asymmetry_percent: f64, call: &str) -> Comparison {
    Comparison {
        corrections: Vec::new(),
        key: TestKey {
            subject: Some("V-01".to_owned()),
            examiner: Some("L-01".to_owned()),
            level: Some(Level::L3),
            ..TestKey::default()
        },
        kind: ComparisonKind::LeftRight,
        measure: Measure::EndFeel,
        left: Some(10.0),
        right: Some(11.0),
        left_trials: 1,
        right_trials: 1,
        asymmetry_percent: Some(asymmetry_percent),
        low_percent: None,
        high_percent: None,
        difference: None,
        threshold_percent: None,
        mdc_percent: None,
        spread_source: None,
        variance_rule: None,
        raised_to_measurement: None,
        standard_error: None,
        degrees_of_freedom: None,
        p_value: None,
        p_adjusted: None,
        side_of_resistance: Some(match asymmetry_percent {
            a if a > 15.0 => Decision::Right,
            a if a < -15.0 => Decision::Left,
            _ => Decision::Undecided,
        }),
        trials_to_decide: None,
        call: Felt::parse(call),
        call_agrees: None,
        covers: vec![],
    }
}

#[test]
fn calls_against_the_measured_side_give_each_examiner_a_just_detected_asymmetry() {
    // Named when the size is over 12 %, with four exceptions that mirror each other about 12.
    let calls = [
        (2.0, "even"),
        (-5.0, "unsure"),
        (8.0, "right"),
        (-10.0, "left"),
        (-11.0, "right"),
        (13.0, "right"),
        (-14.0, "even"),
        (16.0, "left"),
        (-19.0, "left"),
        (22.0, "right"),
    ];
    let mut comparisons: Vec<Comparison> = calls.iter().map(|(a, c)| called(*a, c)).collect();
    for (i, comparison) in comparisons.iter_mut().enumerate() {
        comparison.key.subject = Some(format!("V-{i:02}"));
    }
    let call = Call {
        subject: "V-01".to_owned(),
        examiner: "L-01".to_owned(),
        session: "1".to_owned(),
        level: Level::L3,
        trial: None,
        call: Felt::Right,
        confidence: None,
    };
    let all = agreement::of_study(&[], &comparisons, std::slice::from_ref(&call))
        .calls
        .unwrap();
    assert_eq!(all.measure, Some(Measure::EndFeel));
    let a = &all.against[0];
    let half = a.curve.as_ref().unwrap().just_detected;
    assert!((half.value - 12.0).abs() < 1e-4, "{half:?}");
    assert!(half.low.unwrap() >= 0.0);
    assert_eq!(a.detected.iter().filter(|d| **d).count(), 5);
    assert_eq!(a.confusion.iter().flatten().sum::<usize>(), calls.len());
    // Called left, measured left and right.
    assert_eq!((a.confusion[0][0], a.confusion[0][2]), (1, 1));
    let sizes: Vec<(usize, usize)> = a.by_size.iter().map(|s| (s.n, s.detected)).collect();
    assert_eq!(sizes, [(1, 0), (2, 1), (4, 2), (2, 1), (1, 1), (0, 0)]);
    // Of one subject: nothing of how others would be called, so the size has no interval.
    for comparison in &mut comparisons {
        comparison.key.subject = Some("V-01".to_owned());
    }
    let one = agreement::of_study(&[], &comparisons, &[call])
        .calls
        .unwrap()
        .against
        .remove(0);
    let alone = one.curve.unwrap().just_detected;
    assert_eq!(
        (one.subjects, alone.value, alone.low, alone.high),
        (1, half.value, None, None)
    );
}
