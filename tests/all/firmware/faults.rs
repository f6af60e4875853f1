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
    // Stuck is held low, as by a converter without a supply: two times 0 went out as values.
    for fault in ["--busy", "--unplugged", "--stuck"] {
        let run = avr.run("2", &[fault, "0.5:1"]);
        run.assert_whole();
        assert_eq!((run.counts.lost, run.without_force()), (0, 500), "{fault}");
        assert!(run.steps_us().iter().all(|s| *s == 1000.0));
    }
}

#[test]
fn a_glitch_of_the_data_line_is_no_value_and_a_conversion_that_waits_is_found() {
    if !are_here(&AVR) {
        return;
    }
    let avr = Avr::new("bridge", 80, &[]);
    let quiet = avr.run("3", &[]);
    let run = avr.run("3", &["--glitches", "0.5:2.5"]);
    run.assert_whole();
    // Sixty glitches gave as many counts of -1.
    assert_eq!(run.samples.len(), quiet.samples.len());
    assert_eq!((run.counts.lost, run.without_force()), (0, 0));
    assert!(run.samples.iter().all(|s| s.1[0] >= 0.0));
    // The converter went on while the controller was off: its line is low, no edge will come.
    let run = avr.run("3", &["--waiting"]);
    assert!(
        run.samples.len() + 2 >= quiet.samples.len(),
        "{}",
        run.samples.len()
    );
    assert_eq!(run.without_force(), 0);
}

#[test]
fn after_a_reset_of_the_controller_alone_no_input_stands_for_the_other() {
    if !are_here(&AVR) {
        return;
    }
    let avr = Avr::new("spi", 1000, &[]);
    let trace = avr.folder.path().join("held.csv");
    std::fs::write(&trace, "time_s,force_n,displacement_mm\n0,3,7\n5,3,7\n9,3,7\n").unwrap();
    let run = avr.run("0.5", &["--waiting", "--trace", trace.to_str().unwrap()]);
    run.assert_whole();
    assert_eq!(run.without_force(), 0);
    for (_, [n, mm]) in &run.samples {
        assert!((n - 3.0).abs() < 0.006 && (mm - 7.0).abs() < 0.003, "{n} {mm}");
    }
}

#[test]
fn whatever_comes_from_the_computer_sampling_goes_on_in_time() {
    if !are_here(&AVR) {
        return;
    }
    for (rate_hz, baud) in [(1000, 500_000), (2000, 1_000_000)] {
        flooded(rate_hz, baud);
    }
}

/// At 2,000 samples a second and 1,000,000 baud two in three samples were lost.
fn flooded(rate_hz: u32, baud: u32) {
    let avr = Avr::new("spi", rate_hz, &[&format!("BAUD={baud}")]);
    let quiet = avr.run("2", &[]);
    let step_us = 1e6 / f64::from(rate_hz);
    for (fault, hellos) in [("--questions", 12..=14), ("--garbage", 3..=14), ("--half", 2..=3)] {
        let run = avr.run("2", &[fault, "0.5:1.5"]);
        run.assert_whole();
        assert_eq!(run.counts.lost, 0, "{fault}");
        assert!(run.samples.len().abs_diff(quiet.samples.len()) <= 2, "{fault}");
        assert!(run.steps_us().iter().all(|s| *s == step_us));
        let late = run
            .reported("interval_us", "most")
            .max(2.0 * step_us - run.reported("interval_us", "least"));
        println!(
            "{rate_hz} Hz, {fault}: {} hellos, sampled {:.1} µs off at most",
            run.hellos,
            late - step_us
        );
        assert!(late < step_us + 12.0, "{fault}: {late}");
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

#[test]
fn a_bridge_station_whose_timer_stands_still_is_started_anew_and_sends_no_stamp_that_goes_back() {
    if !are_here(&AVR) {
        return;
    }
    let run = Avr::new("bridge", 80, &[]).run("3", &["--stop-timer", "1"]);
    assert_eq!(run.reported("resets", ""), 1.0);
    assert!((180..=205).contains(&run.samples.len()), "{}", run.samples.len());
    // One step is odd: that of the reset.
    let odd = run
        .steps_us()
        .into_iter()
        .filter(|s| !(5_000.0..20_000.0).contains(s))
        .count();
    assert_eq!(odd, 1);
}

#[test]
fn a_brown_out_of_the_controller_alone_loses_no_more_than_its_start() {
    if !are_here(&AVR) {
        return;
    }
    let avr = Avr::new("bridge", 80, &[]);
    for at in ["1.4990", "1.50004", "1.5003"] {
        let run = avr.run("2.5", &["--brown-out", at]);
        assert!(
            (195..=199).contains(&run.samples.len()) && run.without_force() <= 1,
            "{at}: {}",
            run.samples.len()
        );
    }
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
        let slow = "-DLINE_MAY_BE_TOO_SLOW";
        let run = Avr::defining("spi", 1000, slow, &[&format!("BAUD={baud}")]).run("3", &[]);
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
