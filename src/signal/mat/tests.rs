use super::frames::{shown_tests, wanted_frames};
use super::measures::add_mat;
use crate::columns::Measure;
use crate::mat::episode::HandFrame;
use crate::mat::hands::Hand;
use crate::mat::{Geometry, MatRecord, MatUncertainty};
use crate::study::mat_setup::{MatSetup, MatUnit, Placement};
use crate::terms::Side;
use crate::trace::{Measured, Phases, Spring, Test, UncertaintySource as Source};

/// Two hands at 100 frames a second for 6 s: the left moves 10 mm along while the springs last, from 2 to 3 s.
fn a_record() -> MatRecord {
    let geometry = Geometry::of(&MatSetup::new(4, 4, 10.0, MatUnit::Kpa));
    let time_s: Vec<f64> = (0..600).map(|i| f64::from(i) * 0.01).collect();
    let hand = |side: Side, along: &dyn Fn(f64) -> f64| Hand {
        side: Some(side),
        force_n: vec![50.0; 600],
        frames: time_s
            .iter()
            .map(|t| {
                Some(HandFrame {
                    force_n: 50.0,
                    across_mm: 20.0,
                    along_mm: along(*t),
                    area_mm2: 900.0,
                    peak_kpa: 80.0,
                    sum_of_squares_n2: 400.0,
                    filled_n: 10.0,
                })
            })
            .collect(),
    };
    let eased = |t: f64| 5.0 - 5.0 * (std::f64::consts::PI * (t - 2.0).clamp(0.0, 1.0)).cos();
    MatRecord {
        kpa_per_unit: vec![1.0; 16],
        baseline: vec![0.0; 16],
        masked: Vec::new(),
        threshold_kpa: 2.0,
        noise_kpa: 0.1,
        midline_mm: Some(20.0),
        place: vec![0; 600],
        total_n: vec![100.0; 600],
        hands: vec![hand(Side::Left, &eased), hand(Side::Right, &|_| 5.0)],
        clipped: Vec::new(),
        frames_left_out: 0,
        readings: MatUncertainty { gain_u_percent: 5.0, non_uniformity_percent: 8.0, creep_percent: 2.0 },
        placement: Placement::UnderHands,
        time_s,
        geometry,
    }
}

fn a_test(number: u32, side: Side, begin_s: f64) -> Test {
    let mut test = Test { test: number, ..Test::default() };
    test.about.side = Some(side);
    test.phases = Phases { contact_begin_s: begin_s, lean_end_s: begin_s + 1.0, contact_end_s: begin_s + 2.5, ..Phases::default() };
    test.springs = vec![Spring {
        start_s: begin_s + 1.0,
        peak_s: begin_s + 1.5,
        end_s: begin_s + 2.0,
        counted: true,
        peak_n: 60.0,
        ..Spring::default()
    }];
    test
}

fn u_of(test: &Test, measure: Measure, source: Source) -> f64 {
    test.measures.budget(measure).iter().filter(|l| l.source == source).map(|l| l.u * l.u).sum::<f64>().sqrt()
}

#[test]
fn a_mat_s_own_measures_and_its_lines_follow_their_formulas() {
    let record = a_record();
    let mut tests = vec![a_test(1, Side::Left, 1.0), a_test(1, Side::Right, 1.0)];
    tests[0].measures.set(Measure::HandShare, Measured::new(40.0, [Source::ForceNoise.line(0.5, 10.0)]));
    add_mat(&record, &mut tests);
    let value = |measure: Measure| tests[0].value(measure).unwrap();
    let u = |measure: Measure, source: Source| u_of(&tests[0], measure, source);
    assert_eq!(value(Measure::PeakPressure), 80.0);
    assert!((u(Measure::PeakPressure, Source::MatGain) - 4.0).abs() < 1e-9);
    assert!((u(Measure::PeakPressure, Source::MatNonUniformity) - 6.4).abs() < 1e-9);
    // Ten millimetres in a straight line.
    assert!((value(Measure::CentrePath) - 10.0).abs() < 0.1, "{}", value(Measure::CentrePath));
    // Force spread over cells with √Σf²/F = 20/50, in both hands: s(1 − s)·8 %·0.4·√2; a fifth of it on filled cells.
    for (source, share) in [(Source::MatNonUniformity, 0.08 * 0.4), (Source::MatFilledCells, 0.12 * 0.2)] {
        let whole = 100.0 * 0.4 * 0.6 * share * 2.0_f64.sqrt();
        assert!((u(Measure::HandShare, source) / whole - 1.0).abs() < 1e-6, "{source}: {whole}");
    }
}

#[test]
fn each_test_is_shown_with_its_own_frames_and_at_fifty_points_a_second() {
    let record = a_record();
    let tests = [a_test(1, Side::Left, 1.0), a_test(2, Side::Left, 3.4)];
    let wanted = wanted_frames(&record, &tests);
    let of = |number: u32| wanted.iter().filter(|w| w.test == number).map(|w| w.frame).collect::<Vec<usize>>();
    // Preload a tenth of a second before the spring, its peak, and seven frames through it.
    assert_eq!(of(1), [190, 250, 200, 217, 233, 250, 267, 283, 300]);
    assert_eq!(of(2), [430, 490, 440, 457, 473, 490, 507, 523, 540]);
    let frames: Vec<Vec<f32>> = wanted.iter().map(|w| vec![w.frame as f32; 16]).collect();
    let shown = shown_tests(&record, &tests, &wanted, &frames);
    assert_eq!(shown.len(), 2);
    for (shown, first) in shown.iter().zip([190.0, 430.0]) {
        assert_eq!((shown.maps.len(), shown.strip.len()), (2, 7));
        assert_eq!(shown.maps[0].kpa[0], first);
        // 2.5 s and 0.2 s on either side, every second frame.
        assert!((140..=150).contains(&shown.time_s.len()), "{}", shown.time_s.len());
    }
}
