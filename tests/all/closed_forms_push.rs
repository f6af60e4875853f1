//! The measures of a whole push (lean, hold, springs, release) against closed forms, noise-free.
//!
//! "Derived" is worked out by hand from the tissue's own formula; the forms' sources stand beside each check.

use crate::closed_forms_chain::{
    A, CUT, OMEGA, RATE_HZ, close, haversine, inner, measured, near, recording, train, wide,
};
use std::f64::consts::PI;
use tautpoint::columns::Measure;
use tautpoint::settings::Settings;
use tautpoint::trace::Test;

/// A push as the trade does it: off, lean to `held` in 1.5 s, hold 1 s, four haversine springs of 0.5 s to `peaks`
/// with rests of 0.6 s, release. Gives displacement and speed.
fn push(held: f64, peaks: [f64; 4]) -> (Vec<f64>, Vec<f64>) {
    let lean = |s: f64| s * s * s * (10.0 - 15.0 * s + 6.0 * s * s);
    let at = |t: f64| -> f64 {
        let (lean_s, cycle_s, springs) = (1.5, 1.1, 4.0);
        let t = t - 1.0;
        if t < 0.0 {
            return 0.0;
        }
        if t < lean_s {
            return held * lean(t / lean_s);
        }
        let t = t - lean_s - 1.0;
        if t < 0.0 {
            return held;
        }
        if t < springs * cycle_s {
            let within = t % cycle_s;
            let share = if within < 0.5 {
                0.5 * (1.0 - (4.0 * PI * within).cos())
            } else {
                0.0
            };
            return held + (peaks[(t / cycle_s) as usize] - held) * share;
        }
        let t = t - springs * cycle_s;
        if t < 1.0 { held * (1.0 - lean(t)) } else { 0.0 }
    };
    let n = 10_000;
    let h = 1e-6;
    let time = |i: usize| i as f64 / RATE_HZ;
    (
        (0..n).map(|i| at(time(i))).collect(),
        (0..n)
            .map(|i| (at(time(i) + h) - at(time(i) - h)) / (2.0 * h))
            .collect(),
    )
}

fn pushed(held: f64, peak: f64, law: impl Fn(f64) -> f64, settings: &Settings) -> Test {
    let (x, _) = push(held, [peak; 4]);
    let f = x.iter().map(|x| law(*x)).collect();
    measured(&recording(x, f), settings)
}

/// Contact from this force on, N.
fn touching_at(force_n: f64) -> Settings {
    let mut settings = Settings::default();
    settings.detect.contact_floor_n = force_n;
    settings
}

#[test]
fn a_pure_spring_has_the_rise_time_of_its_haversine_and_no_loss() {
    // Derived: 10 and 90 % of the rise at cos φ = ±0.8. With rests between the springs, from 24 to 104 N.
    let (x, _) = push(3.0, [13.0; 4]);
    let f = x.iter().map(|x| 8.0 * x).collect();
    let t = measured(&recording(x, f), &wide());
    let rise_s = ((-0.8f64).acos() - 0.8f64.acos()) / OMEGA;
    assert_eq!(t.springs.len(), 4);
    for s in &t.springs {
        close("rise", s.time_to_peak_s.unwrap(), rise_s, 1e-3);
        close(
            "loading rate",
            s.loading_rate_n_per_s.unwrap(),
            0.8 * 80.0 / rise_s,
            1e-3,
        );
        close("peak", s.peak_n, 104.0, 1e-4);
        close("preload", s.preload_n.unwrap(), 24.0, 1e-4);
        close("secant", s.secant_n_per_mm.unwrap(), 8.0, 1e-4);
        near("loss", s.loss_mj.unwrap(), 0.0, 1e-6);
        // From the cut to the peak: 24 N and k x over 9.5 of the 10 mm.
        close(
            "work",
            s.loading_work_mj.unwrap(),
            24.0 * 9.5 + 0.5 * 8.0 * (100.0 - 0.25),
            1e-4,
        );
    }
    // Spring to spring 1.1 s.
    close("rate", t.value(Measure::SpringRate).unwrap(), 1.0 / 1.1, 1e-4);
}

#[test]
fn two_straight_lines_give_the_bilinear_numbers() {
    // Derived: k1 = 2, k2 = 10, xb = 6: F at the knee 12 N, 30 N at 7.8 mm, 100 N at 14.8 mm, K30-100 = 10.
    let law = |x: f64| 2.0 * x + 8.0 * (x - 6.0).max(0.0);
    let value = |t: &Test, m: Measure| t.value(m).unwrap();
    let t = pushed(7.5, 15.5, law, &Settings::default());
    close("window 30-100 N", value(&t, Measure::Window), 10.0, 1e-6);
    near("onset", value(&t, Measure::Onset), 6.0, 1e-3);
    near("onset force", value(&t, Measure::OnsetForce), 12.0, 0.02);
    close("take-up", value(&t, Measure::TakeUp), 2.0, 1e-3);
    close("fitted end-feel", value(&t, Measure::FittedEndFeel), 10.0, 1e-3);
    close("end-feel", value(&t, Measure::EndFeel), 10.0, 1e-6);
    close("secant", value(&t, Measure::Secant), 10.0, 1e-6);
    // Displacements count from first contact, wherever the force passes the floor that it is noticed at.
    for floor_n in [1.0, 0.1] {
        let t = pushed(8.5, 14.8, law, &touching_at(floor_n));
        near("D30", value(&t, Measure::DisplacementAt30N), 7.8, 0.002);
        near("onset travel", value(&t, Measure::OnsetTravel), 6.0, 0.002);
    }
    // Sprung from the toe: held at 3 mm (6 N), to 14.8 mm (100 N): secant 94/11.8, and end-feel from beyond the knee
    // only.
    let t = pushed(3.0, 14.8, law, &Settings::default());
    close("secant", value(&t, Measure::Secant), 94.0 / 11.8, 1e-4);
    close("end-feel", value(&t, Measure::EndFeel), 10.0, 2e-3);
}

#[test]
fn the_window_is_taken_where_a_later_spring_covers_it() {
    // Two lines as above; the first spring ends at 82 N, the later ones at 107 N, so the trace covers 30 to 100 N.
    let (x, _) = push(7.5, [13.0, 15.5, 15.5, 15.5]);
    let f = x.iter().map(|x| 2.0 * x + 8.0 * (x - 6.0).max(0.0)).collect();
    let t = measured(&recording(x, f), &Settings::default());
    close("window", t.value(Measure::Window).unwrap_or(f64::NAN), 10.0, 1e-6);
}

#[test]
fn an_exponential_toe_gives_its_line_and_its_displacement_at_30_newtons() {
    // Form of Weiss and Fung, derived: B = 0.45, x_t = 6, k = 10: A = 1.493455839, F_t = 20.72876638, slack
    // 3.927123362, F(10) = 60.72876638.
    let (b, x_t, k) = (0.45_f64, 6.0, 10.0);
    let a = k * (-b * x_t).exp() / b;
    let f_t = a * ((b * x_t).exp() - 1.0);
    near("A", a, 1.493_455_839, 1e-9);
    near("F_t", f_t, 20.728_766_38, 1e-8);
    let law = |x: f64| {
        if x <= x_t {
            a * ((b * x).exp() - 1.0)
        } else {
            f_t + k * (x - x_t)
        }
    };
    let t = pushed(8.0, 13.0, law, &touching_at(0.1));
    close("end-feel", t.value(Measure::EndFeel).unwrap(), k, 1e-6);
    close("preload", t.value(Measure::Preload).unwrap(), law(8.0), 1e-6);
    close(
        "fitted end-feel",
        t.value(Measure::FittedEndFeel).unwrap(),
        k,
        5e-3,
    );
    // Followed back along the toe's first line, which is bent: a little short of where the toe really starts.
    let at_30 = x_t + (30.0 - f_t) / k;
    near("D30", t.value(Measure::DisplacementAt30N).unwrap(), at_30, 0.03);
    // A curved toe's best line meets the end line between the end line's own slack and the end of the toe.
    let slack = x_t - f_t / k;
    near("slack", slack, 3.927_123_362, 1e-9);
    let onset = t.value(Measure::Onset).unwrap();
    assert!(slack < onset && onset < x_t, "{onset}");
}

#[test]
fn a_quadratic_toe_gives_its_line_and_its_work() {
    // Blankevoort & Huiskes 1991, F = k x²/(4 x_l) up to 2 x_l, then k(x − x_l): F(6) = 30 N, slope 10, work to 12 mm
    // 420 mJ for k = 10, x_l = 3. Derived from the cut c on: 420 − k c³/(12 x_l).
    let law = |x: f64| {
        if x <= 6.0 {
            10.0 * x * x / 12.0
        } else {
            10.0 * (x - 3.0)
        }
    };
    let cycle = |t: f64| 12.0 / A * haversine(t);
    let t = measured(&train(cycle, |t| law(cycle(t))), &wide());
    let cut = CUT * 12.0;
    for s in inner(&t) {
        close(
            "work",
            s.loading_work_mj.unwrap(),
            420.0 - 10.0 * cut.powi(3) / 36.0,
            1e-3,
        );
        near("loss", s.loss_mj.unwrap(), 0.0, 0.01);
    }
    let t = pushed(7.5, 12.0, law, &Settings::default());
    close("end-feel", t.value(Measure::EndFeel).unwrap(), 10.0, 1e-6);
    close("secant", t.value(Measure::Secant).unwrap(), 10.0, 1e-4);
}

#[test]
fn damping_and_knee_of_a_noise_free_push_are_the_laws_own() {
    // The law of METHODS.md §4.2 with no width: k1 = 2, k2 = 10, xk = 6, c = 0.15.
    let law = |x: f64, v: f64| 2.0 * x + 8.0 * (x - 6.0).max(0.0) + 0.15 * v;
    let (x, v) = push(7.5, [11.5; 4]);
    let f: Vec<f64> = x.iter().zip(&v).map(|(x, v)| law(*x, *v)).collect();
    let t = measured(&recording(x, f), &Settings::default());
    near("onset", t.value(Measure::Onset).unwrap(), 6.0, 1e-3);
    close("end-feel", t.value(Measure::EndFeel).unwrap(), 10.0, 1e-3);
    close("damping", t.value(Measure::Damping).unwrap(), 0.15, 5e-3);
}
