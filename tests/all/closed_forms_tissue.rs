//! The tissue models against closed forms, by numerically integrating F dx of what they give.
//!
//! Sources beside each check. "Derived" means the integral of the model's own formula, worked out by hand and
//! checked in a second program; the forms themselves are textbook ones.

use std::f64::consts::PI;
use tautpoint::simulate::{Elastic, Examiner, Maxwell, Sensor, Tissue, TraceSpec, simulate};

const HZ: f64 = 0.5;
const OMEGA: f64 = 2.0 * PI * HZ;

fn linear(stiffness: f64, damping: f64) -> Tissue {
    Tissue {
        elastic: Elastic::Knee {
            take_up_n_per_mm: stiffness,
            end_feel_n_per_mm: stiffness,
            onset_mm: 1.0,
            width_mm: 0.0,
        },
        damping_n_s_per_mm: damping,
        ..Tissue::default()
    }
}

/// Samples a movement and its speed at `steps` points of `seconds`.
fn sampled(seconds: f64, steps: usize, f: impl Fn(f64) -> (f64, f64)) -> (Vec<f64>, Vec<f64>, f64) {
    let h = seconds / steps as f64;
    let (x, v) = (0..=steps).map(|i| f(i as f64 * h)).unzip();
    (x, v, h)
}

/// Work done on the tissue while it is pushed in, and given back while it returns, by trapezoids.
fn work(x: &[f64], force: &[f64]) -> (f64, f64) {
    let (mut load, mut unload) = (0.0, 0.0);
    for i in 1..x.len() {
        let part = 0.5 * (force[i] + force[i - 1]) * (x[i] - x[i - 1]);
        if x[i] > x[i - 1] {
            load += part
        } else {
            unload -= part
        }
    }
    (load, unload)
}

/// One press and return of 10 mm in 2 s, from `base`.
fn haversine(base: f64) -> (Vec<f64>, Vec<f64>, f64) {
    sampled(1.0 / HZ, 20_000, |t| {
        (
            base + 5.0 * (1.0 - (OMEGA * t).cos()),
            5.0 * OMEGA * (OMEGA * t).sin(),
        )
    })
}

/// The same at an even 10 mm/s.
fn triangle(base: f64) -> (Vec<f64>, Vec<f64>, f64) {
    sampled(1.0 / HZ, 20_000, |t| {
        if t <= 1.0 {
            (base + 10.0 * t, 10.0)
        } else {
            (base + 20.0 - 10.0 * t, -10.0)
        }
    })
}

fn close(found: f64, expected: f64, relative: f64) {
    assert!(
        (found / expected - 1.0).abs() < relative,
        "{found}, expected {expected}"
    );
}

#[test]
fn two_straight_lines_give_the_bilinear_numbers() {
    // Derived: k1 = 2, k2 = 10, xb = 6.
    let lines = Elastic::Knee {
        take_up_n_per_mm: 2.0,
        end_feel_n_per_mm: 10.0,
        onset_mm: 6.0,
        width_mm: 0.0,
    };
    close(lines.force_n(6.0, 0.0), 12.0, 1e-12);
    let (at_30, at_100) = (lines.displacement_at_mm(30.0), lines.displacement_at_mm(100.0));
    close(at_30, 7.8, 1e-9);
    close(at_100, 14.8, 1e-9);
    close(70.0 / (at_100 - at_30), 10.0, 1e-9);
    close(100.0 / at_100, 6.756_8, 1e-5);
    let (x, v, h) = sampled(1.0, 14_800, |t| (14.8 * t, 0.0));
    let tissue = Tissue {
        elastic: lines,
        damping_n_s_per_mm: 0.0,
        ..Tissue::default()
    };
    close(work(&x, &tissue.forces_n(&x, &v, h)).0, 528.8, 1e-6);
}

#[test]
fn an_exponential_toe_gives_its_slack_and_the_slope_that_grows_with_force() {
    // Form of Weiss and Fung, values derived: B = 0.45, x_t = 6, k = 10, A = 1.493455839.
    let toe = Elastic::ExponentialToe {
        curvature_per_mm: 0.45,
        toe_end_mm: 6.0,
        end_feel_n_per_mm: 10.0,
    };
    close(6.0 - toe.force_n(6.0, 0.0) / 10.0, 3.927_123_362, 1e-8);
    close(toe.force_n(10.0, 0.0), 60.728_766_38, 1e-9);
    // dF/dx = B(F + A); at 20 N it is 9.672055.
    let at_20 = toe.displacement_at_mm(20.0);
    let slope = (toe.force_n(at_20 + 1e-5, 0.0) - toe.force_n(at_20 - 1e-5, 0.0)) / 2e-5;
    close(slope, 9.672_055, 1e-6);
}

#[test]
fn a_drawn_out_knee_ends_on_the_same_line_as_a_sharp_one() {
    // Derived: beyond its span the force is k1·x + (k2 − k1)(x − xk).
    let drawn = Elastic::DrawnOut {
        take_up_n_per_mm: 2.0,
        end_feel_n_per_mm: 10.0,
        onset_mm: 6.0,
        span_mm: 3.0,
    };
    close(drawn.force_n(4.5, 0.0), 9.0, 1e-12);
    close(drawn.force_n(9.0, 0.0), 42.0, 1e-12);
}

#[test]
fn spring_and_dashpot_lose_the_ellipse_of_a_sine() {
    // Loop π c ω X² (Thomson, Theory of Vibration, section 3.7); k = 8, c = 0.6, f = 0.5 Hz, X = 5: 148.0440660 mJ.
    let (x, v, h) = sampled(1.0 / HZ, 20_000, |t| {
        (20.0 + 5.0 * (OMEGA * t).sin(), 5.0 * OMEGA * (OMEGA * t).cos())
    });
    let (load, unload) = work(&x, &linear(8.0, 0.6).forces_n(&x, &v, h));
    close(load - unload, 148.044_066_0, 1e-6);
}

#[test]
fn spring_and_dashpot_give_the_work_of_a_press_and_release() {
    // Derived: k A²/2 + π c ω A²/8 = 474.0220330 in, 325.9779670 back, loop 148.0440660. Started 1 mm in, since
    // contact cannot pull; that adds k·1·A = 80 mJ to both.
    let (x, v, h) = haversine(1.0);
    let (load, unload) = work(&x, &linear(8.0, 0.6).forces_n(&x, &v, h));
    close(load - 80.0, 474.022_033_0, 1e-6);
    close(unload - 80.0, 325.977_967_0, 1e-6);
    close(100.0 * (load - unload) / (load - 80.0), 31.231_473_59, 1e-6);
}

#[test]
fn spring_and_dashpot_lose_twice_the_drag_at_an_even_speed() {
    // Derived: 2 c V A = 120 mJ, load work 460 mJ.
    let (x, v, h) = triangle(1.0);
    let (load, unload) = work(&x, &linear(8.0, 0.6).forces_n(&x, &v, h));
    // One step straddles the turn, where the speed jumps: 1e-4 of the way.
    close(load - 80.0, 460.0, 2e-4);
    close(load - unload, 120.0, 2e-3);
}

fn standard_linear_solid() -> Tissue {
    let mut tissue = linear(6.0, 0.0);
    tissue.relaxation.push(Maxwell {
        time_s: 0.5,
        on_displacement_n_per_mm: 4.0,
        on_knee_n_per_mm: 0.0,
    });
    tissue
}

#[test]
fn a_relaxing_branch_follows_its_ramp_and_its_relaxation() {
    // Derived for k∞ = 6, k1 = 4, τ = 0.5: after 1 s at 10 mm/s 77.29329434 N; 0.5 s after a step of 5 mm 37.35758882 N.
    let tissue = standard_linear_solid();
    let (x, v, h) = sampled(1.0, 1000, |t| (10.0 * t, 10.0));
    close(*tissue.forces_n(&x, &v, h).last().unwrap(), 77.293_294_34, 1e-9);
    let (x, v, h) = sampled(0.5, 500_000, |t| (if t > 0.0 { 5.0 } else { 0.0 }, 0.0));
    close(*tissue.forces_n(&x, &v, h).last().unwrap(), 37.357_588_82, 1e-5);
}

#[test]
fn a_relaxing_branch_loses_what_its_loss_modulus_says() {
    // Derived: loop π K″ X² with K″ = k1ωτ/(1 + ω²τ²); at 0.5 Hz and X = 5: 142.3199122 mJ. After 20 τ it is steady.
    let steps_a_cycle = 4000;
    let (x, v, h) = sampled(12.0, 6 * steps_a_cycle, |t| (10.0 + 5.0 * (OMEGA * t).sin(), 0.0));
    let force = standard_linear_solid().forces_n(&x, &v, h);
    let last = x.len() - 1 - steps_a_cycle;
    let (load, unload) = work(&x[last..], &force[last..]);
    close(load - unload, 142.319_912_2, 1e-5);
}

#[test]
fn hunt_and_crossley_contact_loses_the_beta_function() {
    // Hunt & Crossley 1975, J Appl Mech 42:440-445, F = K xⁿ + λ xⁿ v. Derived: haversine loop
    // 2 λ ω A^(n+2) B(n + 3/2, 3/2) = 181.6610426, load work 280.5671809; triangle 2 λ V A^(n+1)/(n+1) = 151.7893277.
    let tissue = Tissue {
        elastic: Elastic::HuntCrossley {
            stiffness: 1.5,
            power: 1.5,
            damping: 0.06,
        },
        damping_n_s_per_mm: 0.0,
        ..Tissue::default()
    };
    let (x, v, h) = haversine(0.0);
    let (load, unload) = work(&x, &tissue.forces_n(&x, &v, h));
    close(load - unload, 181.661_042_6, 1e-6);
    close(load, 280.567_180_9, 1e-6);
    let (x, v, h) = triangle(0.0);
    let (load, unload) = work(&x, &tissue.forces_n(&x, &v, h));
    close(load - unload, 151.789_327_7, 2e-3);
}

#[test]
fn friction_loses_twice_its_force_times_the_way() {
    // Derived: 2 f A = 60 mJ where the friction is fully grown (10 mm/s is five times its speed, tanh 5 = 0.9999).
    let mut tissue = linear(8.0, 0.0);
    tissue.friction_n = 3.0;
    let (x, v, h) = triangle(8.0);
    let (load, unload) = work(&x, &tissue.forces_n(&x, &v, h));
    close(load - unload, 60.0, 2e-3);
}

#[test]
fn a_late_force_channel_fakes_the_loop_of_a_pure_spring() {
    // Derived: π k X² sin(ωτ) = 19.736 mJ for k = 8, X = 5, 0.5 Hz, 10 ms; through the whole simulator. A late force
    // is too low on the way in, so this loop runs backwards: energy seems to be gained.
    let spec = TraceSpec {
        tissue: linear(8.0, 0.0),
        examiner: Examiner {
            preload_beyond_onset_mm: 4.0,
            springs: 1,
            excursion_mm: 10.0,
            excursion_spread: 0.0,
            spring_s: 2.0,
            time_spread: 0.0,
            tremor_mm: 0.0,
            breathing_mm: 0.0,
            ..Examiner::default()
        },
        sensor: Sensor {
            lag_ms: 10.0,
            force_noise_n: 0.0,
            displacement_noise_mm: 0.0,
            force_resolution_n: 0.0,
            displacement_resolution_mm: 0.0,
            ..Sensor::default()
        },
    };
    let made = simulate(&spec, 1);
    let loop_mj = |trace: &tautpoint::trace::Trace| {
        let channel = &trace.channels[0];
        let x = channel.displacement_mm.as_ref().unwrap();
        let spring = &made.truth.springs[0];
        let (from, to) = (
            (spring.start_s * 1e3).round() as usize,
            (spring.end_s * 1e3).round() as usize,
        );
        let (load, unload) = work(&x[from..=to], &channel.force_n[from..=to]);
        load - unload
    };
    // Where the spring begins is known to the sample only, hence the tolerance.
    close(loop_mj(&made.trace), -19.736, 2e-4);
    // Its first and last sample lie up to 1e-4 mm apart, at 40 N.
    assert!(loop_mj(&made.noise_free).abs() < 5e-3);
}

#[test]
fn a_minimum_jerk_lean_peaks_at_15_eighths_of_its_mean_speed() {
    // Flash & Hogan 1985, J Neurosci 5:1688-1703; peak speed 1.875·D/T by differentiating their polynomial.
    let spec = TraceSpec {
        examiner: Examiner {
            time_spread: 0.0,
            tremor_mm: 0.0,
            breathing_mm: 0.0,
            springs: 0,
            ..Examiner::default()
        },
        ..TraceSpec::default()
    };
    let made = simulate(&spec, 1);
    let x = made.noise_free.channels[0].displacement_mm.as_ref().unwrap();
    // Both lean and release follow it; the lean (9.8 mm in 1.8 s) ends before 3 s.
    let fastest = x[..3000]
        .windows(3)
        .map(|w| (w[2] - w[0]) / 2e-3)
        .fold(0.0, f64::max);
    close(fastest, 1.875 * 9.8 / 1.8, 1e-4);
}
