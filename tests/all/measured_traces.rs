//! Real measured traces from outside: indentations in µN and nm, and jumps of a whole person in kN.
//!
//! Sources, versions and licence: tests/reference/README.md. No public hand-driven trace at spring scale was found,
//! so these check that contact, peaks, slopes and pulses do not depend on our own simulator or on our own scale.

use crate::proof::trial::nameless;
use std::path::Path;
use tautpoint::columns::Measure;
use tautpoint::settings::Settings;
use tautpoint::signal::condition::condition;
use tautpoint::signal::filter::LowPass;
use tautpoint::signal::limbs::{Between, slope_between};
use tautpoint::signal::noise::FilteredNoise;
use tautpoint::signal::view::SideView;
use tautpoint::terms::Side;
use tautpoint::trace::{About, Channel, Note, Test, Trace};

/// Columns of a trace under tests/reference/traces, by their headings; an empty cell is NaN.
fn columns(file: &str, headings: &[&str]) -> Vec<Vec<f64>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference/traces")
        .join(file);
    let mut reader = csv::Reader::from_path(path).unwrap();
    let names = reader.headers().unwrap().clone();
    let places: Vec<usize> = headings
        .iter()
        .map(|h| names.iter().position(|n| n == *h).unwrap())
        .collect();
    let mut out = vec![Vec::new(); headings.len()];
    for row in reader.records() {
        let row = row.unwrap();
        for (column, place) in out.iter_mut().zip(&places) {
            let cell = &row[*place];
            column.push(if cell.is_empty() {
                f64::NAN
            } else {
                cell.parse().unwrap()
            });
        }
    }
    out
}

fn channel(side: Option<Side>, force_n: Vec<f64>, displacement_mm: Option<Vec<f64>>) -> Channel {
    Channel {
        side,
        force_n,
        displacement_mm,
        displacement_shared: false,
    }
}

fn trace(name: &str, time_s: Vec<f64>, channels: Vec<Channel>) -> Trace {
    Trace {
        recording: name.to_owned(),
        time_s,
        channels,
        marker: None,
        drive_deg: None,
        about: About::default(),
        notes: vec![],
    }
}

fn with_displacement(file: &str) -> Trace {
    let [t, f, x]: [Vec<f64>; 3] = columns(file, &["time_s", "force_N", "displacement_mm"])
        .try_into()
        .unwrap();
    trace(file, t, vec![channel(None, f, Some(x))])
}

fn tests_of(trace: &Trace, settings: &Settings) -> Vec<Test> {
    nameless(trace, settings)
}

/// Contact judged by the channel's own noise alone, as the small scale of these data allows.
fn by_noise() -> Settings {
    let mut settings = Settings::default();
    settings.detect.contact_floor_n = 0.0;
    settings
}

fn within(what: &str, found: f64, expected: f64, by: f64) {
    assert!(
        (found - expected).abs() <= by,
        "{what}: {found}, expected {expected} within {by}"
    );
}

/// Largest less smallest.
fn range(y: &[f64]) -> f64 {
    let high = y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    high - y.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Linear interpolation at a row that need not be whole.
fn at(y: &[f64], row: f64) -> f64 {
    let i = row.floor() as usize;
    y[i] + (row - row.floor()) * (y[i + 1] - y[i])
}

#[test]
fn contact_with_a_cell_is_found_where_a_person_marked_it() {
    // pyrtz2 1.4.8, data/example: contact marked by a person at rows 1296 and 1697.75. What follows the dwell (the
    // tip sticks and is pulled off) has no counterpart under a hand and is left away: rows from 6800 on.
    for (file, marked) in [
        ("cell_dwell_1_500Hz.csv", 1296.0),
        ("cell_dwell_2_500Hz.csv", 1697.75),
    ] {
        let mut trace = with_displacement(file);
        trace.time_s.truncate(6800);
        let c = &mut trace.channels[0];
        c.force_n.truncate(6800);
        let x = c.displacement_mm.as_mut().unwrap();
        x.truncate(6800);
        let (x, travel_mm, newtons) = (x.clone(), range(x), range(&c.force_n));
        let found = |settings: &Settings| {
            let tests = tests_of(&trace, settings);
            assert_eq!(tests.len(), 1, "{file}");
            assert!(tests[0].springs.is_empty(), "a dwell is no spring");
            assert!(tests[0].notes.contains(&Note::CutOff));
            let row = tests[0].phases.contact_begin_s * tests[0].rate_hz;
            (row, at(&x, row) - at(&x, marked), tests[0].total_peak_n)
        };
        let (_, late_mm, peak_n) = found(&by_noise());
        within(
            "travel between contact and the mark",
            late_mm / travel_mm,
            0.0,
            0.05,
        );
        within("peak over the force's range", peak_n / newtons, 1.0, 0.10);
        // As shipped, contact is a share of the trace's own range; a newton would be 200 million times the peak.
        let (_, late_mm, _) = found(&Settings::default());
        assert!(
            late_mm > 0.0 && late_mm < 0.10 * travel_mm,
            "{file}: {late_mm:e} mm late"
        );
    }
}

/// nanodent 0.2.0 on its experiments a and b: time of the sustained rise over the baseline by 4 SD, and its power law
/// of the whole unloading branch, F = k(x − x_f)^m in µN and nm.
const INDENTED: [(&str, f64, [f64; 3]); 2] = [
    (
        "indent_hard_a.csv",
        4.113_792,
        [
            28.330_108_048_985_93,
            1.661_056_053_671_271_2,
            97.551_564_999_992_14,
        ],
    ),
    (
        "indent_hard_b.csv",
        4.058_701,
        [
            23.088_022_688_562_514,
            1.763_097_114_980_293_9,
            95.148_755_999_999_95,
        ],
    ),
];

#[test]
fn contact_with_a_hard_surface_is_found_where_another_program_finds_it() {
    for (file, onset_s, _) in INDENTED {
        let trace = with_displacement(file);
        let top_n = range(&trace.channels[0].force_n);
        let tests = tests_of(&trace, &by_noise());
        assert_eq!(tests.len(), 1, "{file}");
        within(file, tests[0].phases.contact_begin_s, onset_s, 0.1);
        let tests = tests_of(&trace, &Settings::default());
        assert_eq!((tests.len(), tests[0].springs.len()), (1, 0), "{file}");
        // 5 % of 3.5 mN: loading at 700 µN/s passes it a quarter of a second later.
        within(file, tests[0].phases.contact_begin_s, onset_s + 0.25, 0.1);
        within("peak", tests[0].total_peak_n / top_n, 1.0, 0.02);
        assert!(
            tests[0].notes.iter().any(|n| matches!(n, Note::Resampled { .. })),
            "uneven sampling is told"
        );
    }
}

/// Slope of the unloading limb between two shares of the peak force; read backwards it is a loading limb.
fn unloading_n_per_mm(force: &[f64], x: &[f64], rate_hz: f64, low: f64, high: f64) -> f64 {
    let peak = (0..force.len())
        .max_by(|a, b| force[*a].total_cmp(&force[*b]))
        .unwrap();
    let back = |y: &[f64]| y[peak..].iter().rev().copied().collect::<Vec<f64>>();
    let (f, x) = (back(force), back(x));
    let low_pass = LowPass::zero_phase(0.4 * rate_hz, rate_hz).unwrap();
    let view = SideView {
        rate_hz,
        force_n: &f,
        displacement_mm: Some(&x),
        force_noise_n: 0.0,
        displacement_noise_mm: 0.0,
        force_times_white: 1.0,
        displacement_times_white: 1.0,
        noise: &FilteredNoise::new(&low_pass, rate_hz, 0.4 * rate_hz),
    };
    let top = f[f.len() - 1];
    let between = Between {
        limb: 0..f.len() - 1,
        key: &f,
        low: low * top,
        high: high * top,
    };
    slope_between(&view, &x, &between).unwrap().value
}

#[test]
fn unloading_fused_silica_has_the_independently_measured_stiffness() {
    // micromechanics 1.3.5, indentation/data. numpy's line over the rows from 95 to 50 % of the peak: 490.5489 N/mm.
    // The column of stiffness was measured another way, by a small oscillation while loading; near the peak its
    // median is 502.4 N/mm. The recording has 5 samples a second, so the slope is asked for by itself, not the chain.
    let [f, x, column]: [Vec<f64>; 3] = columns(
        "indent_fused_silica_1.csv",
        &["force_N", "displacement_mm", "harmonic_stiffness_N_per_m"],
    )
    .try_into()
    .unwrap();
    let slope = unloading_n_per_mm(&f, &x, 5.0, 0.5, 0.95);
    within("against numpy's line", slope / 490.548_9, 1.0, 1e-3);
    let top = f.iter().copied().fold(0.0, f64::max);
    let mut near: Vec<f64> = (0..f.len())
        .filter(|i| f[*i] >= NEAR * top && column[*i].is_finite())
        .map(|i| column[i] / 1e3)
        .collect();
    near.sort_by(f64::total_cmp);
    let oscillated = near[near.len() / 2];
    within("against the column", slope / oscillated, 1.0, 0.04);
}

/// Share of the peak force from which on the column of stiffness is read.
const NEAR: f64 = 0.8;

#[test]
fn unloading_a_hard_surface_follows_the_power_law_another_program_fitted() {
    for (file, _, [k, m, rest_nm]) in INDENTED {
        let c = condition(&with_displacement(file), &Settings::default()).unwrap();
        let (f, x) = (&c.sides[0].force.y, &c.sides[0].displacement.as_ref().unwrap().y);
        let slope = unloading_n_per_mm(f, x, c.grid.rate_hz(), 0.5, 0.95);
        // Mean slope of the power law between the same two loads; µN/nm is N/mm.
        let top = 1e6 * f.iter().copied().fold(0.0, f64::max);
        let depth = |share: f64| rest_nm + (share * top / k).powf(1.0 / m);
        let law = 0.45 * top / (depth(0.95) - depth(0.5));
        within(file, slope / law, 1.0, 0.08);
    }
}

fn squat() -> Trace {
    let [t, a, b]: [Vec<f64>; 3] = columns(
        "jump_squat_two_plates_1000Hz.csv",
        &["time_s", "force_plate1_N", "force_plate2_N"],
    )
    .try_into()
    .unwrap();
    let sides = vec![
        channel(Some(Side::Left), a, None),
        channel(Some(Side::Right), b, None),
    ];
    trace("squat.csv", t, sides)
}

#[test]
fn two_plates_give_two_sides_with_their_own_contacts_and_pulses() {
    // jumpmetrics 0.2.0, sample_data. Contacts: rows of the raw force over 20 N; peaks: scipy 1.17.1, corrected
    // Butterworth of 20 Hz by sosfiltfilt. First the push-off, then the landing, in which one foot leaves its plate
    // long before the other.
    let tests = tests_of(&squat(), &Settings::default());
    let expected = [
        (1, Side::Left, [2.792, 8.147], 714.4),
        (1, Side::Right, [2.081, 8.138], 689.3),
        (2, Side::Left, [8.601, 10.033], 840.962_8),
        (2, Side::Right, [8.601, 9.252], 1119.521),
    ];
    assert_eq!(tests.len(), expected.len());
    for (t, (number, side, contact_s, peak_n)) in tests.iter().zip(expected) {
        assert_eq!((t.test, t.side()), (number, Some(side)));
        within("touch", t.phases.contact_begin_s, contact_s[0], 0.025);
        within("release", t.phases.contact_end_s, contact_s[1], 0.025);
        within("peak", t.value(Measure::Peak).unwrap() / peak_n, 1.0, 1e-3);
    }
    // The two pushes come 3 ms apart, at 8.056 and 8.053 s.
    for (t, peak_s) in tests[..2].iter().zip([8.056, 8.053]) {
        assert_eq!(t.springs.len(), 1);
        within("pulse", t.springs[0].peak_s, peak_s, 0.002);
        within("its preload", t.springs[0].preload_n.unwrap(), 305.0, 15.0);
    }
    // Share of the left foot while standing: from the raw means of the same 0.3 s.
    let trace = squat();
    let standing = |k: usize| trace.channels[k].force_n[7480..7780].iter().sum::<f64>();
    let left = 100.0 * standing(0) / (standing(0) + standing(1));
    within("share", tests[0].value(Measure::HandShare).unwrap(), left, 0.3);
    within("push-off of both", tests[0].total_peak_n / 1403.4, 1.0, 1e-3);
    within("landing of both", tests[2].total_peak_n / 1960.45, 1.0, 1e-3);
    // Hardly filtered, the sum comes up to the highest raw sum, 1994.27 N.
    let mut wide = Settings::default();
    wide.filter.low_pass_hz = 400.0;
    let total = tests_of(&squat(), &wide)[2].total_peak_n;
    within("hardly filtered", total / 1994.27, 1.0, 5e-3);
}

#[test]
fn no_spring_is_counted_after_the_foot_has_left() {
    // By the raw force the right foot is off its plate from 9.252 s; what follows is the plate's own noise.
    for t in tests_of(&squat(), &Settings::default()) {
        for s in &t.springs {
            assert!(
                s.peak_s <= t.phases.contact_end_s && s.peak_n > 0.05 * t.value(Measure::Peak).unwrap(),
                "test {} {:?}: a spring of {:.2} N at {:.3} s, off since {:.3} s",
                t.test,
                t.side(),
                s.peak_n,
                s.peak_s,
                t.phases.contact_end_s
            );
        }
    }
}

fn counter_movement_jump() -> Vec<Test> {
    let [t, f]: [Vec<f64>; 2] = columns("jump_cmj_one_plate_1000Hz.csv", &["time_s", "force_N"])
        .try_into()
        .unwrap();
    tests_of(
        &trace("cmj.csv", t, vec![channel(None, f, None)]),
        &Settings::default(),
    )
}

#[test]
fn one_plate_gives_take_off_landing_and_the_push_between() {
    // biomdp 0.11.2, tests/datasets. By the raw force over 30 N the plate is left after row 3420 and landed on at row
    // 3976; scipy 1.17.1, corrected Butterworth of 20 Hz: push of 1909.3 N at 3.253 s. The recording begins and
    // ends loaded. The landing is over before 20 Hz follow (2959.0 N): the highest raw force is 3219.4 N.
    let tests = counter_movement_jump();
    assert_eq!(tests.len(), 2);
    within("take-off", tests[0].phases.contact_end_s, 3.420, 0.025);
    within("landing", tests[1].phases.contact_begin_s, 3.976, 0.025);
    assert!(tests[0].notes.contains(&Note::BeginsLoaded));
    assert!(tests[1].notes.contains(&Note::CutOff));
    assert_eq!(tests[0].springs.len(), 1);
    within("push", tests[0].springs[0].peak_s, 3.253, 0.002);
    within("push", tests[0].springs[0].peak_n / 1909.3, 1.0, 1e-3);
    within(
        "landing",
        tests[1].value(Measure::Peak).unwrap() / 3219.4,
        1.0,
        1e-3,
    );
}

#[test]
fn a_pulse_has_the_force_of_its_own_peak() {
    // Landing peaks with 2959 N at 4.040 s; the later, smaller pulses must not take its force for their own.
    let tests = counter_movement_jump();
    let raw = columns("jump_cmj_one_plate_1000Hz.csv", &["force_N"]);
    for s in tests.iter().flat_map(|t| &t.springs) {
        let there = raw[0][(1e3 * s.peak_s).round() as usize];
        within("force at the pulse's own time", s.peak_n / there, 1.0, 0.05);
    }
}
