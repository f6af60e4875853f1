//! Rate, jitter, delay between the channels and cost of the sampling interrupt, by the emulated processor's cycle counter.

use super::{AVR, Avr, CYCLES_PER_US, Run, are_here};

/// How the stamps lie beside the cycles of the conversions: most and mean error of their steps, in µs, and of their rate.
struct Stamped {
    step_error_us: f64,
    late_us: (f64, f64),
    rate_error_ppm: f64,
}

fn stamped(run: &Run) -> Stamped {
    let n = run.samples.len().min(run.conversions.len());
    assert!(n > 100, "{n}");
    let stamp = |i: usize| f64::from(run.samples[i].0.wrapping_sub(run.samples[0].0));
    let cycle = |i: usize| (run.conversions[i][0] - run.conversions[0][0]) / CYCLES_PER_US;
    let late: Vec<f64> = (0..n).map(|i| stamp(i) - cycle(i)).collect();
    let mean = late.iter().sum::<f64>() / n as f64;
    let low = late.iter().copied().fold(f64::INFINITY, f64::min) - mean;
    let high = late.iter().copied().fold(f64::NEG_INFINITY, f64::max) - mean;
    let step = |i: usize| ((stamp(i) - stamp(i - 1)) - (cycle(i) - cycle(i - 1))).abs();
    Stamped {
        step_error_us: (1..n).map(step).fold(0.0, f64::max),
        late_us: (low, high),
        rate_error_ppm: 1e6 * (stamp(n - 1) / cycle(n - 1) - 1.0),
    }
}

fn print(name: &str, run: &Run, s: &Stamped) {
    println!(
        "{name}: stamps against cycles {:.2} to {:.2} µs, step at most {:.2} µs off, rate {:.2} ppm",
        s.late_us.0, s.late_us.1, s.step_error_us, s.rate_error_ppm
    );
    for (what, words) in &run.report {
        if what != "Loaded" {
            println!("    {what} {}", words.join(" "));
        }
    }
}

#[test]
fn two_inputs_at_1_and_2_khz_are_sampled_within_some_microseconds_of_their_stamps() {
    if !are_here(&AVR) {
        return;
    }
    for (rate_hz, vector) in [(1000, "vector_11_cycles"), (2000, "vector_11_cycles")] {
        let run = Avr::new("spi", rate_hz, &[]).run("3", &["--trace", &press()]);
        let s = stamped(&run);
        print(&format!("two inputs, {rate_hz} Hz"), &run, &s);
        run.assert_whole();
        assert_eq!(run.counts.lost, 0);
        let step_us = 1e6 / f64::from(rate_hz);
        assert!(run.steps_us().iter().all(|s| *s == step_us));
        assert!(run.samples.len() as f64 > 2.99 * f64::from(rate_hz));
        assert!(s.rate_error_ppm.abs() < 5.0, "{}", s.rate_error_ppm);
        assert!(s.step_error_us < 12.0 && run.reported("interval_us", "sd") < 3.0);
        // The second input after the first one.
        assert!((run.reported("apart_us", "mean") - 13.2).abs() < 1.0);
        assert!(run.reported("apart_us", "most") < 20.0);
        assert!(run.reported(vector, "most") < 1000.0);
        assert!(run.reported("stack", "") <= 162.0, "the stated bound holds");
    }
}

#[test]
fn a_bridge_converter_with_its_own_clock_is_stamped_when_it_is_ready() {
    if !are_here(&AVR) {
        return;
    }
    for displacement in ["quadrature", "analogue"] {
        let avr = Avr::new("bridge", 80, &[&format!("DISPLACEMENT={displacement}")]);
        let run = avr.run(
            "6",
            &["--trace", &press(), "--bridge", "78.3", "--bridge-jitter", "200"],
        );
        let s = stamped(&run);
        print(&format!("bridge, {displacement}"), &run, &s);
        run.assert_whole();
        assert_eq!((run.counts.lost, run.without_force()), (0, 0));
        let last = run.samples.last().unwrap().0 - run.samples[0].0;
        let rate_hz = 1e6 * (run.samples.len() - 1) as f64 / f64::from(last);
        assert!((rate_hz / 78.3 - 1.0).abs() < 0.005, "{rate_hz}");
        assert!(
            s.rate_error_ppm.abs() < 5.0 && s.step_error_us < 30.0,
            "{} {}",
            s.rate_error_ppm,
            s.step_error_us
        );
        // The clock line is never high for long enough to switch the converter off.
        assert!(run.reported("clock_high_us", "most") < 50.0);
        assert!(run.reported("vector_3_cycles", "most") < 400.0);
        assert!(run.reported("stack", "") <= 164.0);
        // The values are those of the conversions: to a count, and displacement to the step of its sensor.
        let (mm_per_count, most_mm) = match displacement {
            "quadrature" => (1.0, 0.0076),
            // 10 bits and six more over 20 mm, in counts that say 0.005 mm.
            _ => (20.0 / (1023.0 * 64.0) / 0.005, 0.05),
        };
        for (sample, conversion) in run.samples.iter().zip(&run.conversions) {
            assert!((sample.1[0] - conversion[1]).abs() < 0.0051);
            let mm = sample.1[1] * mm_per_count;
            assert!((mm - conversion[3]).abs() < most_mm, "{mm} {}", conversion[3]);
        }
    }
}

/// The first three seconds of a press.
fn press() -> String {
    use std::sync::LazyLock;
    static FILE: LazyLock<tempfile::NamedTempFile> = LazyLock::new(|| {
        let file = tempfile::NamedTempFile::new().unwrap();
        let mut text = "time_s,force_n,displacement_mm\n".to_owned();
        for i in 0..=600 {
            let t = f64::from(i) / 100.0;
            let mm = (4.0 * (t - 0.5)).clamp(0.0, 9.0);
            text += &format!("{t},{},{mm}\n", 2.0 * mm);
        }
        std::fs::write(file.path(), text).unwrap();
        file
    });
    FILE.path().to_str().unwrap().to_owned()
}
