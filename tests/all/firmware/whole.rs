//! Builds, unit tests and static analysis.

use super::{AVR, Avr, are_here, make};

#[test]
fn the_core_passes_its_own_tests_and_static_analysis() {
    if !are_here(&["make", "cc", "cppcheck"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let printed = make(folder.path(), &["check"]);
    assert!(printed.contains("checks, 0 failed"), "{printed}");
}

/// What make printed: bytes of program, of data and of stack.
fn sizes(printed: &str) -> (u32, u32, u32) {
    let after = |words: &str| printed.split(words).nth(1).unwrap();
    let numbers: Vec<u32> = after("filename\n")
        .split_whitespace()
        .map_while(|w| w.parse().ok())
        .collect();
    let stack = after("stack: at most ")
        .split(' ')
        .next()
        .unwrap()
        .parse()
        .unwrap();
    println!("{printed}");
    (numbers[0] + numbers[1], numbers[1] + numbers[2], stack)
}

#[test]
fn every_kind_of_station_builds_for_the_avr_and_fits() {
    if !are_here(&AVR) {
        return;
    }
    for (source, rate_hz, more) in [
        ("bridge", 80, "DISPLACEMENT=quadrature"),
        ("bridge", 80, "DISPLACEMENT=analogue"),
        ("bridge", 80, "DISPLACEMENT=none"),
        ("spi", 1000, "BAUD=500000"),
        ("spi", 2000, "BAUD=1000000"),
        ("press", 100, "BAUD=115200"),
    ] {
        let (program, data, stack) = sizes(&Avr::new(source, rate_hz, &[more]).printed);
        // The figures that firmware-notes/README.md states, with room for another compiler.
        assert!(
            program < 8000 && data < 800 && stack < 300,
            "{source} {program} {data} {stack}"
        );
    }
}

#[test]
fn every_kind_of_station_builds_for_the_arm_and_fits() {
    if !are_here(&["make", "arm-none-eabi-gcc"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for source in ["bridge", "spi", "press"] {
        let (program, data, stack) = sizes(&make(folder.path(), &["arm", &format!("SOURCE={source}")]));
        assert!(
            program < 8000 && data < 1200 && stack < 500,
            "{source} {program} {data} {stack}"
        );
    }
}
