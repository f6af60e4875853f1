//! The low pass against published designs and against scipy.

use serde_json::Value;
use std::process::Command;
use tautpoint::signal::filter::{Butterworth, LowPass};

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array()
        .unwrap()
        .iter()
        .map(|x| x.as_f64().unwrap())
        .collect()
}

/// Computed with scipy.signal 1.17.1; see the file's own `source`.
fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/butterworth.json")).unwrap()
}

fn worst(a: &[f64], b: &[f64]) -> f64 {
    assert_eq!(a.len(), b.len());
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

fn convolve(a: &[f64], b: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; a.len() + b.len() - 1];
    for (i, a) in a.iter().enumerate() {
        for (j, b) in b.iter().enumerate() {
            out[i + j] += a * b;
        }
    }
    out
}

/// Numerator and denominator of the whole cascade.
fn polynomials(filter: &Butterworth) -> (Vec<f64>, Vec<f64>) {
    let (mut b, mut a) = (vec![1.0], vec![1.0]);
    for s in filter.sections() {
        b = convolve(&b, &s.b[..=s.order]);
        a = convolve(&a, &[1.0, s.a[0], s.a[1]][..=s.order]);
    }
    (b, a)
}

fn gain(filter: &Butterworth, f: f64, fs: f64) -> f64 {
    let w = 2.0 * std::f64::consts::PI * f / fs;
    let size = |c: [f64; 3]| {
        let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
        let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
        re.hypot(im)
    };
    filter
        .sections()
        .iter()
        .map(|s| size(s.b) / size([1.0, s.a[0], s.a[1]]))
        .product()
}

#[test]
fn the_corrected_designs_are_the_published_ones() {
    // Dual-pass correction on the warped frequency: Winter, Biomechanics and Motor Control of Human Movement,
    // 4th ed., p. 69; values by evaluating those formulas.
    for (fs, fc, design) in [
        (1000.0, 10.0, 12.4627772837),
        (200.0, 10.0, 12.4090087),
        (500.0, 10.0, 12.4559823),
        (1000.0, 6.0, 7.4785378),
        (100.0, 20.0, 23.4251144),
        (100.0, 10.0, 12.2492406),
    ] {
        let low_pass = LowPass::zero_phase(fc, fs).unwrap();
        assert!(
            (low_pass.design_hz() - design).abs() < 6e-8,
            "{fs} {fc}: {}",
            low_pass.design_hz()
        );
    }
    let section = *LowPass::zero_phase(10.0, 1000.0).unwrap().section();
    assert!(worst(&section.b, &[0.00145186336625, 0.0029037267325, 0.00145186336625]) < 1e-13);
    assert!(worst(&section.a, &[-1.889362920488, 0.895170373953]) < 1e-11);
    let section = *LowPass::zero_phase(10.0, 100.0).unwrap().section();
    assert!((section.b[0] - 0.0944467439).abs() < 1e-10);
    assert!(worst(&section.a, &[-0.9626413088, 0.3404282844]) < 1e-10);
}

#[test]
fn both_passes_together_are_minus_3_db_at_the_stated_cutoff() {
    let low_pass = LowPass::zero_phase(10.0, 1000.0).unwrap();
    // A long sine through the filter itself, not the design formula.
    let sine = |f: f64| -> Vec<f64> {
        (0..8000)
            .map(|i| (2.0 * std::f64::consts::PI * f * i as f64 / 1000.0).sin())
            .collect()
    };
    for (f, expected, tolerance) in [(10.0, 0.5_f64.sqrt(), 1e-9), (2.0, 1.0 - 0.66e-3, 0.02e-3)] {
        let y = low_pass.apply(&sine(f));
        let amplitude = (y[2000..6000].iter().map(|v| v * v).sum::<f64>() / 2000.0).sqrt();
        assert!((amplitude - expected).abs() < tolerance, "{f} Hz: {amplitude}");
        assert!((low_pass.gain(f) - amplitude).abs() < 1e-9);
    }
    let plain = Butterworth::low_pass(2, 10.0, 1000.0).unwrap();
    assert!(
        (gain(&plain, 10.0, 1000.0).powi(2) - 0.5).abs() < 1e-12,
        "uncorrected, the pair is -6 dB"
    );
    let divided = Butterworth::low_pass(2, 10.0 / 0.8022432629, 1000.0).unwrap();
    assert!(
        (gain(&divided, 10.0, 1000.0).powi(2) - 0.70725777).abs() < 1e-8,
        "unwarped, it is off"
    );
}

#[test]
fn sections_of_every_order_have_scipys_coefficients() {
    let reference = reference();
    let designs = reference["design"].as_array().unwrap();
    assert!(designs.len() > 70);
    for d in designs {
        let [order, fc, fs] = ["order", "fc", "fs"].map(|k| d[k].as_f64().unwrap());
        let filter = Butterworth::low_pass(order as usize, fc, fs).unwrap();
        let (b, a) = polynomials(&filter);
        let what = format!("order {order}, {fc} of {fs} Hz");
        assert!(worst(&b, &numbers(&d["b"])) < 1e-12, "{what}: b");
        assert!(worst(&a, &numbers(&d["a"])) < 1e-11, "{what}: a");
        for (rel, expected) in d["gain_at_rel_fc"].as_object().unwrap() {
            let f = rel.parse::<f64>().unwrap() * fc;
            let g = gain(&filter, f, fs);
            assert!(
                (g - expected.as_f64().unwrap()).abs() < 1e-9,
                "{what}: gain at {f} Hz {g}"
            );
        }
    }
}

#[test]
fn one_way_and_both_ways_give_scipys_samples() {
    let reference = reference();
    for f in reference["filters"].as_array().unwrap() {
        let signal = numbers(&reference["signals"][f["signal"].as_str().unwrap()]["x"]);
        let [order, fc, fs] = ["order", "fc", "fs"].map(|k| f[k].as_f64().unwrap());
        let filter = Butterworth::low_pass(order as usize, fc, fs).unwrap();
        for (name, ours) in [
            ("sosfilt", filter.filter(&signal)),
            ("sosfilt_with_zi_x0", filter.filter_steady(&signal)),
            ("sosfiltfilt", filter.zero_phase(&signal)),
        ] {
            let difference = worst(&ours, &numbers(&f[name]));
            assert!(
                difference < 1e-11,
                "{name}, order {order}, {fc} Hz: {difference:e}"
            );
        }
    }
}

/// Runs scipy when it is here. Without it the check is skipped with a word, or fails under TAUTPOINT_FULL_TESTS=1.
fn scipy(script: &str) -> Option<String> {
    let run = Command::new("python3").args(["-c", script]).output();
    let problem = match run {
        Ok(out) if out.status.success() => return Some(String::from_utf8(out.stdout).unwrap()),
        Ok(out) => String::from_utf8_lossy(&out.stderr).into_owned(),
        Err(e) => e.to_string(),
    };
    let last = problem.lines().last().unwrap_or_default();
    assert!(
        std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
        "scipy did not run: {last}"
    );
    eprintln!("skipped the check against a live scipy: {last}");
    None
}

#[test]
fn the_zero_phase_pass_equals_sosfiltfilt_on_a_noisy_press() {
    let script = r#"
import numpy as np
from scipy.signal import butter, sosfiltfilt
for fs, fc in [(1000., 20.), (250., 10.), (80., 20.), (2000., 5.)]:
    t = np.arange(int(3 * fs)) / fs
    y = 30 + 40 * np.sin(2 * t) ** 2 + np.sin(12.9898 * np.arange(t.size)) * 0.7
    u = np.tan(np.pi * fc / fs) / (2 ** 0.5 - 1) ** 0.25
    out = sosfiltfilt(butter(2, fs / np.pi * np.arctan(u), fs=fs, output="sos"), y)
    print(" ".join(repr(float(v)) for v in out))
"#;
    let Some(answer) = scipy(script) else { return };
    let cases = [(1000.0, 20.0), (250.0, 10.0), (80.0, 20.0), (2000.0, 5.0)];
    assert_eq!(answer.lines().count(), cases.len());
    for ((fs, fc), line) in cases.into_iter().zip(answer.lines()) {
        let expected: Vec<f64> = line.split(' ').map(|v| v.parse().unwrap()).collect();
        let y: Vec<f64> = (0..(3.0 * fs) as usize)
            .map(|i| {
                let t = i as f64 / fs;
                30.0 + 40.0 * (2.0 * t).sin().powi(2) + (12.9898 * i as f64).sin() * 0.7
            })
            .collect();
        let ours = LowPass::zero_phase(fc, fs).unwrap().apply(&y);
        let difference = worst(&ours, &expected);
        assert!(difference < 1e-9, "{fc} of {fs} Hz: {difference:e} N");
    }
}
