//! The programs in `examples/` run and say what their heads promise.

use std::path::Path;
use std::process::Command;

/// What the example prints; `None`, with a printed reason, when cargo was told to build this test program alone.
fn output(name: &str, args: &[&str]) -> Option<String> {
    let program = Path::new(env!("CARGO_BIN_EXE_tautpoint"));
    let example = program
        .with_file_name("examples")
        .join(name)
        .with_extension(std::env::consts::EXE_EXTENSION);
    if !example.exists() {
        let full = std::env::var("TAUTPOINT_FULL_TESTS").as_deref() == Ok("1");
        assert!(
            !full,
            "{} is not built: run `cargo test` without --test",
            example.display()
        );
        println!("skipped: {name} is not built (`cargo test --test` leaves examples out)");
        return None;
    }
    let done = Command::new(&example).args(args).output().unwrap();
    assert!(
        done.status.success(),
        "{name}: {}",
        String::from_utf8_lossy(&done.stderr)
    );
    Some(String::from_utf8(done.stdout).unwrap())
}

#[test]
fn one_trace_gives_measures_with_intervals() {
    let Some(simulated) = output("measure_one_trace", &[]) else {
        return;
    };
    assert!(simulated.contains("end-feel stiffness: 11.0"), "{simulated}");
    assert!(simulated.contains(" ± "), "{simulated}");
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let recording = root.join("sample-data/recordings/V-03_L-05_2026-10-14_L3_left_1.csv");
    let read = output("measure_one_trace", &[recording.to_str().unwrap()]).unwrap();
    assert!(read.contains("3 springs"), "{read}");
}

#[test]
fn two_sides_that_differ_are_told_apart() {
    let Some(told) = output("compare_two_sides", &[]) else {
        return;
    };
    assert!(told.contains("margin 15 %: right"), "{told}");
}

#[test]
fn a_stream_tells_of_contact_springs_and_the_end() {
    let Some(told) = output("follow_a_stream", &[]) else {
        return;
    };
    assert_eq!(told.matches("peak of a spring").count(), 3, "{told}");
    assert!(told.lines().next().unwrap().contains("contact began"), "{told}");
    assert!(told.lines().last().unwrap().contains("contact ended"), "{told}");
}

#[test]
fn coverage_is_counted() {
    let Some(told) = output("check_coverage", &["40"]) else {
        return;
    };
    let held: u32 = told.split(' ').next().unwrap().parse().unwrap();
    // 38 of 40 are expected at 95 %; fewer than 33 come by chance less than once in a thousand (binomial).
    assert!((33..=40).contains(&held), "{told}");
}
