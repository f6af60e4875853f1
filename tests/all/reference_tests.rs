//! Learners beside a teacher: known differences come back, and what cannot be compared is not.

use crate::invented::{Push, press};
use crate::proof::trial::measured;
use crate::tables::test_of;
use tautpoint::columns::Measure;
use tautpoint::plot::reference_overlay;
use tautpoint::settings::Settings;
use tautpoint::simulate::{Elastic, Examiner, Sensor, Tissue, TraceSpec, simulate};
use tautpoint::study::study_file::StudyFile;
use tautpoint::technique::reference::{
    ErrorsIn, NoTarget, Reference, ReferenceDifference, Scope, accuracy, differences,
};
use tautpoint::technique::{Aspect, band_checks, technique_findings};
use tautpoint::terms::{Contact, Level, Side};
use tautpoint::trace::Test;

const END_FEEL: f64 = 10.0;
const DAMPING: f64 = 0.15;

/// How somebody springs one and the same tissue, exactly: no tremor, no breathing, no spread.
#[derive(Clone, Copy)]
struct Hand {
    beyond_mm: f64,
    excursion_mm: f64,
    spring_s: f64,
    pause_s: f64,
}

const TEACHER: Hand = Hand {
    beyond_mm: 1.6,
    excursion_mm: 3.2,
    spring_s: 0.5,
    pause_s: 0.5,
};

fn pressed(hand: Hand, seed: u64) -> Test {
    let tissue = Tissue {
        elastic: Elastic::Knee {
            take_up_n_per_mm: 1.5,
            end_feel_n_per_mm: END_FEEL,
            onset_mm: 7.0,
            width_mm: 0.1,
        },
        damping_n_s_per_mm: DAMPING,
        ..Tissue::default()
    };
    let examiner = Examiner {
        preload_beyond_onset_mm: hand.beyond_mm,
        excursion_mm: hand.excursion_mm,
        spring_s: hand.spring_s,
        pause_s: hand.pause_s,
        springs: 4,
        excursion_spread: 0.0,
        time_spread: 0.0,
        tremor_mm: 0.0,
        breathing_mm: 0.0,
        ..Examiner::default()
    };
    let sensor = Sensor {
        rate_hz: 250.0,
        ..Sensor::default()
    };
    let made = simulate(
        &TraceSpec {
            tissue,
            examiner,
            sensor,
        },
        seed,
    );
    let mut test = measured(&made.trace).remove(0);
    test.recording = format!("{seed}.csv");
    test.about.level = Some(Level::L3);
    test.about.side = Some(Side::Left);
    test
}

/// Highest force of a haversine spring over its preload, by closed form: k·A/2 + A/2·√(k² + c²ω²), ω = 2π/T.
fn amplitude_n(hand: Hand) -> f64 {
    let omega = std::f64::consts::TAU / hand.spring_s;
    hand.excursion_mm / 2.0 * (END_FEEL + END_FEEL.hypot(DAMPING * omega))
}

fn find(all: &[ReferenceDifference], measure: Measure) -> &ReferenceDifference {
    all.iter().find(|d| d.measure == measure).unwrap()
}

#[test]
fn known_differences_between_learner_and_teacher_come_back() {
    let teacher: Vec<Test> = (1..=4).map(|seed| pressed(TEACHER, seed)).collect();
    let reference = Reference::of(&teacher);
    let learner = Hand {
        beyond_mm: 2.6,
        excursion_mm: 3.8,
        spring_s: 0.4,
        pause_s: 0.4,
    };
    let test = pressed(learner, 11);
    let found = differences(&test, &reference).unwrap();
    // Preload 1 mm deeper in an end region of 10 N/mm; the rest by the closed form above; 1/0.8 s against 1/1.0 s.
    let amplitude = amplitude_n(learner) - amplitude_n(TEACHER);
    for (measure, made, tolerance) in [
        (Measure::Preload, 10.0, 0.1),
        (Measure::ForceAmplitude, amplitude, 0.2),
        (Measure::SpringPeak, 10.0 + amplitude, 0.2),
        (Measure::SpringRate, 0.25, 0.01),
        (Measure::Excursion, 0.6, 0.02),
    ] {
        let d = find(&found, measure);
        assert!(
            (d.difference - made).abs() < tolerance,
            "{measure:?}: {} made {made}",
            d.difference
        );
        let [low, high] = d.interval().unwrap();
        assert!(
            low < d.difference && d.difference < high && high - low < 4.0 * tolerance,
            "{d:?}"
        );
        assert_eq!((d.target.tests, &d.scope), (4, &Scope::Level(Level::L3)));
        assert_eq!(d.within_spread(), Some(false));
        let percent = d.percent.unwrap();
        assert!((percent - 100.0 * d.difference / d.target.mean).abs() < 1e-12);
    }
}

#[test]
fn accuracy_measures_of_a_learner_are_those_of_the_errors_that_were_made() {
    let teacher: Vec<Test> = (1..=4).map(|seed| pressed(TEACHER, seed)).collect();
    let reference = Reference::of(&teacher);
    // Excursions off the teacher's by these; force amplitude follows in proportion.
    let off_mm = [0.8, -0.4, 0.6, -0.2, 0.2];
    let tests: Vec<Test> = off_mm
        .iter()
        .zip(21..)
        .map(|(off, seed)| {
            let hand = Hand {
                excursion_mm: TEACHER.excursion_mm + off,
                ..TEACHER
            };
            pressed(hand, seed)
        })
        .collect();
    // Errors 4, -2, 3, -1, 1 fifths of a millimetre: mean 1, sizes 11/5, squares 31/5, about the mean 26/5. The force
    // amplitude of a haversine is in proportion to its excursion.
    let per_mm = amplitude_n(TEACHER) / TEACHER.excursion_mm;
    for (measure, unit, tolerance) in [
        (Measure::Excursion, 0.2, 0.02),
        (Measure::ForceAmplitude, 0.2 * per_mm, 0.25),
    ] {
        let a = accuracy(&tests, measure, &reference, ErrorsIn::Unit).unwrap();
        let near = |found: f64, made: f64| (found - unit * made).abs() < tolerance;
        assert_eq!(a.tries, 5);
        assert!(
            near(a.constant, 1.0) && near(a.absolute, 2.2),
            "{measure:?} {a:?}"
        );
        assert!(
            near(a.variable.unwrap(), 5.2_f64.sqrt()) && near(a.total, 6.2_f64.sqrt()),
            "{a:?}"
        );
        let percent = accuracy(&tests, measure, &reference, ErrorsIn::Percent).unwrap();
        let target = find(&differences(&tests[0], &reference).unwrap(), measure)
            .target
            .mean;
        assert!((percent.constant - 100.0 * a.constant / target).abs() < 1e-9);
    }
}

fn at(level: &str, recording: &str) -> Test {
    test_of(recording, level, Side::Left)
}

#[test]
fn like_is_held_against_like_and_the_reason_is_said_where_there_is_none() {
    let test = at("L4", "a.csv");
    assert_eq!(differences(&test, &Reference::default()), Err(NoTarget::Empty));
    assert!(
        NoTarget::Empty
            .to_string()
            .contains("mark a teacher in roster.csv")
    );
    // test_of gives every measure, so these have two hands on; one hand has no share.
    let mut one_hand = test.clone();
    one_hand.measures = Default::default();
    let one = Reference::of(&[at("L3", "t.csv")]);
    assert_eq!(differences(&one_hand, &one), Err(NoTarget::OtherHand));
    let mut other = test.clone();
    other.about.contact = Some(Contact::Reinforced);
    assert_eq!(differences(&other, &one), Err(NoTarget::OtherHand));
    assert_eq!(differences(&at("C4", "a.csv"), &one), Err(NoTarget::OtherRegion));
    // One test of the region serves the whole of it, without a spread.
    let found = differences(&test, &one).unwrap();
    assert_eq!(found[0].scope.word(), "lumbar");
    assert_eq!(
        (
            found[0].target.sd,
            found[0].target.band(),
            found[0].within_spread()
        ),
        (None, None, None)
    );
    assert!(found[0].u95.is_some());
    // Three at the level itself come before the region.
    let many: Vec<Test> = ["L4", "L4", "L4", "L2"]
        .iter()
        .enumerate()
        .map(|(i, l)| at(l, &format!("t{i}.csv")))
        .collect();
    let reference = Reference::of(&many);
    assert_eq!(
        differences(&test, &reference).unwrap()[0].scope,
        Scope::Level(Level::L4)
    );
    assert_eq!(
        differences(&at("L5", "a.csv"), &reference).unwrap()[0]
            .target
            .tests,
        4
    );
}

#[test]
fn a_level_that_is_none_goes_only_with_its_like() {
    let mut nowhere = at("L3", "a.csv");
    nowhere.about.level = None;
    let lumbar = Reference::of(&[at("L3", "t.csv")]);
    assert_eq!(differences(&nowhere, &lumbar), Err(NoTarget::OtherRegion));
    let unnamed = Reference::of(std::slice::from_ref(&nowhere));
    assert_eq!(differences(&nowhere, &unnamed).unwrap()[0].scope, Scope::All);
    // No region: the lowest ceiling holds, and the bands are those for all regions.
    let told = band_checks(&nowhere, &Settings::default());
    assert!(
        told.iter()
            .any(|h| h.aspect == Aspect::TotalPeak && h.high == Some(60.0))
    );
    assert!(
        told.iter()
            .any(|h| h.aspect == Aspect::Excursion && h.high == Some(4.4))
    );
}

#[test]
fn a_test_without_displacement_or_without_springs_is_held_by_what_it_has() {
    let made = |springs, has_displacement| {
        let mut spec = TraceSpec::default();
        spec.sensor.rate_hz = 250.0;
        spec.sensor.has_displacement = has_displacement;
        spec.examiner.springs = springs;
        let mut test = measured(&simulate(&spec, 3).trace).remove(0);
        test.about.level = Some(Level::L3);
        test
    };
    let force_only = made(3, false);
    let aspects: Vec<Aspect> = band_checks(&force_only, &Settings::default())
        .iter()
        .map(|h| h.aspect)
        .collect();
    assert!(!aspects.contains(&Aspect::Excursion) && !aspects.contains(&Aspect::PastOnset));
    for wanted in [
        Aspect::TotalPeak,
        Aspect::TimeToPeak,
        Aspect::Hold,
        Aspect::BetweenSprings,
        Aspect::PeakSpread,
    ] {
        assert!(aspects.contains(&wanted), "{wanted:?}");
    }
    assert_eq!(
        technique_findings(std::slice::from_ref(&force_only), &[], &Settings::default()),
        []
    );
    let reference = Reference::of(&[made(3, true)]);
    let found = differences(&force_only, &reference).unwrap();
    assert!(found.iter().all(|d| d.measure != Measure::Excursion));
    assert!(found.iter().any(|d| d.measure == Measure::ForceAmplitude));
    // One spring: nothing between springs, no spread of peaks, no rhythm. None: only the ceiling, and no reference.
    let one = made(1, true);
    let aspects: Vec<Aspect> = band_checks(&one, &Settings::default())
        .iter()
        .map(|h| h.aspect)
        .collect();
    assert!(!aspects.contains(&Aspect::BetweenSprings) && !aspects.contains(&Aspect::PeakSpread));
    assert!(
        differences(&one, &reference)
            .unwrap()
            .iter()
            .all(|d| d.measure != Measure::SpringRate)
    );
    assert!(Reference::of(&[made(0, true)]).is_empty());
}

#[test]
fn bands_of_a_region_are_used_there_and_nowhere_else() {
    let (study, problems) = StudyFile::parse("study.toml", "[technique.neck]\nexcursion_mm = [0.1, 0.5]\n");
    assert_eq!(problems, []);
    assert_eq!(study.settings.set_in[0].0, "technique.neck.excursion_mm");
    let said = |level: &str| -> Vec<&'static str> {
        let all = technique_findings(&[with_excursion(at(level, "a.csv"))], &[], &study.settings);
        all.iter()
            .map(|r| r.rule.word())
            .filter(|f| f.starts_with("spring_too"))
            .collect()
    };
    assert_eq!(said("C5"), ["spring_too_deep"]);
    assert_eq!(said("L3"), [""; 0]);
}

fn with_excursion(mut test: Test) -> Test {
    let estimate = tautpoint::trace::Estimate::new(3.2, Some((0.01, f64::INFINITY)));
    let measured = tautpoint::trace::Measured {
        estimate,
        budget: vec![],
    };
    test.measures.set(Measure::Excursion, measured);
    test
}

#[test]
fn a_test_is_drawn_over_its_reference() {
    let push = Push::default();
    let taught: Vec<Test> = (0..3)
        .map(|i| {
            let push = Push {
                preload_mm: 9.2 + 0.2 * f64::from(i),
                ..push.clone()
            };
            press(&push, "L3", Side::Left, 1)
        })
        .collect();
    let test = press(&push, "L3", Side::Left, 2);
    let all: Vec<&Test> = taught.iter().collect();
    let figure = reference_overlay(&test, &all, "<lumbar>").unwrap();
    assert!(
        figure
            .svg
            .contains("reference: mean, lowest to highest of 3 tests, &lt;lumbar&gt;")
    );
    assert!(!figure.svg.contains("NaN") && !figure.svg.contains("inf"));
    assert!(figure.alt.starts_with("Force and displacement against time"));
    assert!(!tautpoint::plot::png(&figure, 1.0).unwrap().is_empty());
    let one = reference_overlay(&test, &all[..1], "L3").unwrap();
    assert!(one.svg.contains("reference: 1 test, L3"));
    // Force only: one panel. Nothing to align by, or nothing to hold against: no figure.
    let force_only = Push {
        displacement: false,
        ..push.clone()
    };
    let narrow = reference_overlay(&press(&force_only, "L3", Side::Left, 2), &all, "L3").unwrap();
    assert!(narrow.width < figure.width && narrow.alt.starts_with("Force against time"));
    let still = Push { springs: 0, ..push };
    assert_eq!(
        reference_overlay(&press(&still, "L3", Side::Left, 2), &all, "L3"),
        None
    );
    assert_eq!(reference_overlay(&test, &[], "L3"), None);
}
