//! Builds, unit tests and static analysis.

use super::{AVR, Avr, are_here, make, refused};

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

/// Each of these built something else than was asked for, or nothing that would ever work, without a word.
#[test]
fn what_cannot_work_is_refused_when_it_is_built() {
    if !are_here(&AVR) {
        return;
    }
    let long = "DEFINES=-DDEVICE_NAME='\"a-name-that-is-thirty-three-bytes\"'";
    for (words, said) in [
        (vec!["avr", "BAUD=460800"], "more than 2.5 % off at 16 MHz"),
        (vec!["avr", "BAUD=921600"], "more than 2.5 % off"),
        (vec!["avr", "BAUD=230400"], "BAUD=250000, 500000 or 1000000"),
        (vec!["avr", "SOURCE=press"], "RATE_HZ=250 or less"),
        (vec!["avr", "SOURCE=hx"], "bridge, spi or press"),
        (vec!["avr", "DISPLACEMENT=analog"], "quadrature, analogue or none"),
        (
            vec!["avr", "SOURCE=spi", "DISPLACEMENT=none"],
            "leave DISPLACEMENT out",
        ),
        (vec!["arm", "DISPLACEMENT=analogue"], "no analogue displacement"),
        (vec!["avr", "SOURCE=spi", "RATE_HZ=4000"], "RATE_HZ"),
        (
            vec!["avr", "SOURCE=spi", "RATE_HZ=2000", "BAUD=250000"],
            "the line does not carry",
        ),
        (vec!["avr", long], "device_name_has_at_most_32_bytes"),
    ] {
        let words_said = refused(&words);
        assert!(words_said.contains(said), "{words:?}: {words_said}");
    }
}

/// What its data sheet asks for at 16 MHz stands in the file that is loaded: a crystal, not divided by 8, a brown-out reset.
#[test]
fn the_controllers_fuses_stand_in_the_firmware() {
    if !are_here(&AVR) {
        return;
    }
    let avr = Avr::new("bridge", 80, &[]);
    let dumped = std::process::Command::new("avr-objdump")
        .args(["-s", "-j", ".fuse"])
        .arg(&avr.elf)
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&dumped.stdout).into_owned();
    assert!(text.contains("ffd9fc"), "{text}");
}
