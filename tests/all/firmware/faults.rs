//! What may go wrong around a station: it keeps sampling on time, sends whole frames, and gaps are counted rightly.

use super::{AVR, Avr, Run, are_here};

#[test]
fn a_bridge_converter_that_is_busy_unplugged_or_stuck_leaves_samples_without_a_value() {
    if !are_here(&AVR) {
        return;
    }
    let avr = Avr::new("bridge", 80, &[]);
    for fault in ["--busy", "--unplugged", "--stuck"] {
        let run = avr.run("4", &[fault, "1:2"]);
        run.assert_whole();
        assert_eq!(run.counts.lost, 0, "{fault}");
        // A second of 80 samples, all there, 79 or 80 of them without a force; displacement goes on.
        let without = run.without_force();
        assert!((78..=81).contains(&without), "{fault}: {without}");
        assert!(run.samples.iter().all(|s| s.1[1].is_finite()));
        assert!(
            (317..=321).contains(&run.samples.len()),
            "{fault}: {}",
            run.samples.len()
        );
        let steps = run.steps_us();
        assert!(steps.iter().all(|s| (5_000.0..20_000.0).contains(s)), "{fault}");
        // Before and after it forces are there.
        assert!(
            run.samples[..70]
                .iter()
                .chain(&run.samples[170..])
                .all(|s| s.1[0].is_finite())
        );
        assert_eq!(run.reported("resets", ""), 0.0);
    }
}

#[test]
fn an_spi_converter_that_is_busy_or_unplugged_leaves_samples_without_a_value() {
    if !are_here(&AVR) {
        return;
    }
    let avr = Avr::new("spi", 1000, &[]);
    for fault in ["--busy", "--unplugged"] {
        let run = avr.run("2", &[fault, "0.5:1"]);
        run.assert_whole();
        assert_eq!((run.counts.lost, run.without_force()), (0, 500), "{fault}");
        assert!(run.steps_us().iter().all(|s| *s == 1000.0));
    }
}

#[test]
fn whatever_comes_from_the_computer_sampling_goes_on_in_time() {
    if !are_here(&AVR) {
        return;
    }
    let avr = Avr::new("spi", 1000, &[]);
    let quiet = avr.run("2", &[]);
    for (fault, hellos) in [("--questions", 12..=14), ("--garbage", 3..=14), ("--half", 2..=3)] {
        let run = avr.run("2", &[fault, "0.5:1.5"]);
        run.assert_whole();
        assert_eq!(
            (run.counts.lost, run.samples.len()),
            (0, quiet.samples.len()),
            "{fault}"
        );
        assert!(run.steps_us().iter().all(|s| *s == 1000.0));
        let late = run
            .reported("interval_us", "most")
            .max(2000.0 - run.reported("interval_us", "least"));
        println!(
            "{fault}: {} hellos, sampled {:.1} µs off at most",
            run.hellos,
            late - 1000.0
        );
        assert!(late < 1012.0, "{fault}: {late}");
        assert!(hellos.contains(&run.hellos), "{fault}: {} hellos", run.hellos);
    }
}

#[test]
fn over_a_brown_out_the_stream_begins_anew_and_nothing_is_invented() {
    if !are_here(&AVR) {
        return;
    }
    let run = Avr::new("spi", 1000, &[]).run("3", &["--brown-out", "1.5003"]);
    // The frame that was cut off, and no other.
    assert!(run.counts.bad <= 1 && run.counts.late == 0, "{:?}", run.counts);
    assert!(
        (2990..=3000).contains(&run.samples.len()),
        "{}",
        run.samples.len()
    );
    assert!(run.counts.lost <= 32, "{:?}", run.counts);
    let odd: Vec<f64> = run.steps_us().into_iter().filter(|s| *s != 1000.0).collect();
    assert_eq!(odd.len(), 1, "{odd:?}");
    assert!(run.reported("resets", "") <= 1.0);
}

#[test]
fn a_station_whose_timer_stands_still_is_started_anew_by_the_watchdog() {
    if !are_here(&AVR) {
        return;
    }
    let run = Avr::new("spi", 1000, &[]).run("3", &["--stop-timer", "1"]);
    assert!(run.counts.bad <= 1, "{:?}", run.counts);
    assert_eq!(run.reported("resets", ""), 1.0);
    // Half a second without, and the rest.
    assert!(
        (2400..=2510).contains(&run.samples.len()),
        "{}",
        run.samples.len()
    );
}

fn over_the_wrap(run: &Run, step_us: f64) {
    run.assert_whole();
    assert_eq!(run.counts.lost, 0);
    assert!(run.samples[0].0 > u32::MAX - 1_100_000 && run.samples.last().unwrap().0 < 3_000_000);
    assert!(run.steps_us().iter().all(|s| (s - step_us).abs() < 20.0));
}

#[test]
fn after_71_minutes_the_counter_wraps_and_nothing_else_changes() {
    if !are_here(&AVR) {
        return;
    }
    let late = "-DFIRST_TIME_US=4293967295UL";
    over_the_wrap(&Avr::defining("spi", 1000, late, &[]).run("3", &[]), 1000.0);
    over_the_wrap(&Avr::defining("bridge", 80, late, &[]).run("3", &[]), 12_500.0);
}

#[test]
fn a_line_that_is_too_slow_loses_whole_frames_and_numbers_tell_how_many() {
    if !are_here(&AVR) {
        return;
    }
    // 19,000 bytes a second, of which 115,200 baud carry 11,700 and 250,000 all.
    for (baud, lost) in [(115_200, 1000..1500), (250_000, 0..1)] {
        let run = Avr::new("spi", 1000, &[&format!("BAUD={baud}")]).run("3", &[]);
        run.assert_whole();
        println!(
            "{baud} baud: {} samples, {:?}, {} hellos",
            run.samples.len(),
            run.counts,
            run.hellos
        );
        assert!(lost.contains(&run.counts.lost), "{baud}: {:?}", run.counts);
        let all = run.samples.len() as u64 + run.counts.lost;
        // What waits at the end is neither here nor missed.
        assert!((2970..=3000).contains(&all), "{baud}: {all}");
        assert!((2..=4).contains(&run.hellos), "{baud}: {}", run.hellos);
        assert!(run.steps_us().iter().all(|s| s % 1000.0 == 0.0));
        assert!((run.reported("interval_us", "mean") - 1000.0).abs() < 0.01);
    }
}
