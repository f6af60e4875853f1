//! The low pass against closed forms and published designs.

use super::*;

#[test]
fn a_line_and_a_constant_pass_unchanged() {
    let low_pass = LowPass::zero_phase(20.0, 200.0).unwrap();
    let line: Vec<f64> = (0..300).map(|i| 3.0 + 0.25 * i as f64).collect();
    let out = low_pass.apply(&line);
    // The steady state at the ends is a constant's, so a line is exact only once that has died away.
    for i in 60..240 {
        assert!((out[i] - line[i]).abs() < 1e-9, "{i}: {}", out[i] - line[i]);
    }
    assert!(low_pass.apply(&[7.0; 40]).iter().all(|v| (v - 7.0).abs() < 1e-12));
}

#[test]
fn short_inputs_come_back_as_long_as_they_were() {
    let low_pass = LowPass::zero_phase(20.0, 200.0).unwrap();
    for n in 0..25 {
        let y: Vec<f64> = (0..n).map(|i| (i * i) as f64).collect();
        let out = low_pass.apply(&y);
        assert_eq!(out.len(), n);
        assert!(out.iter().all(|v| v.is_finite()));
    }
}

#[test]
fn an_impossible_cutoff_is_refused() {
    for (fc, fs) in [
        (0.0, 100.0),
        (50.0, 100.0),
        (f64::NAN, 100.0),
        (10.0, f64::INFINITY),
        (-1.0, 10.0),
    ] {
        assert!(LowPass::zero_phase(fc, fs).is_err(), "{fc} at {fs}");
    }
    assert!(Butterworth::low_pass(0, 10.0, 100.0).is_err());
}

#[test]
fn the_impulse_response_is_what_an_impulse_gives() {
    let low_pass = LowPass::zero_phase(20.0, 250.0).unwrap();
    let mut y = vec![0.0; 801];
    y[400] = 1.0;
    let out = low_pass.apply(&y);
    let h = low_pass.impulse_response();
    for (k, h) in h.iter().enumerate() {
        assert!((out[400 + k] - h).abs() < 1e-14);
        assert!((out[400 - k] - h).abs() < 1e-14);
    }
    let energy: f64 = out.iter().map(|v| v * v).sum();
    assert!((low_pass.noise_gain() - energy.sqrt()).abs() < 1e-13);
    let r = low_pass.autocovariance(30);
    for (lag, r) in r.iter().enumerate() {
        let direct: f64 = (0..801 - lag).map(|i| out[i] * out[i + lag]).sum();
        assert!((r - direct).abs() < 1e-13, "lag {lag}");
    }
}

#[test]
fn series_side_by_side_have_the_bits_of_each_alone() {
    let low_pass = LowPass::zero_phase(20.0, 1000.0).unwrap();
    let wave = |n: usize, k: usize| -> Vec<f64> { (0..n).map(|i| ((i * k) as f64).sin() * 30.0).collect() };
    for n in [0, 1, 2, 9, 10, 500] {
        let (a, b, c) = (wave(n, 1), wave(n, 3), wave(n, 7));
        let alone = [&a, &b, &c].map(|y| low_pass.apply(y));
        assert_eq!(low_pass.apply_all([&a, &b, &c]), alone, "{n} samples");
        let [first, longer] = low_pass.apply_all([&a, &wave(n + 1, 3)]);
        assert_eq!((first, longer.len()), (alone[0].clone(), n + 1));
    }
}

#[test]
fn the_closed_form_of_the_autocovariance_is_the_sum_over_the_impulse_response() {
    for (cutoff_hz, rate_hz) in [(10.0, 1000.0), (20.0, 60.0), (2.0, 4000.0), (40.0, 100.0), (10.0, 50.0)] {
        let low_pass = LowPass::zero_phase(cutoff_hz, rate_hz).unwrap();
        let h = low_pass.impulse_response();
        let at = |k: i64| h.get(k.unsigned_abs() as usize).copied().unwrap_or(0.0);
        let reach = h.len() as i64;
        let found = low_pass.autocovariance(200);
        for lag in [0, 1, 2, 3, 7, 40, 113, 200] {
            let sum: f64 = (-reach..=reach).map(|i| at(i) * at(i + lag)).sum();
            assert!((found[lag as usize] - sum).abs() < 1e-12 * found[0], "{cutoff_hz} {rate_hz} {lag}: {}", found[lag as usize]);
        }
    }
}
