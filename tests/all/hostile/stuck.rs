//! A displacement that stands still: what a sensor gives that is unplugged.

use super::*;
use tautpoint::read::read_bytes;
use tautpoint::settings::Settings;
use tautpoint::signal::measure_trace;
use tautpoint::study::mapping::ColumnMapping;
use tautpoint::trace::{About, Note, Test};

fn tests_of(text: &str) -> Vec<Test> {
    let read = read_bytes(
        text.as_bytes(),
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    measure_trace(&read.trace, &Settings::default()).unwrap()
}

fn with_displacement(of: impl Fn(f64, f64) -> f64) -> Vec<Test> {
    let rows = press(1100, |t, f, x| format!("{t:.3},{f:.2},{:e}\n", of(t, x)));
    tests_of(&format!("time_s,force_n,displacement_mm\n{rows}"))
}

#[test]
fn force_is_reported_and_what_needs_displacement_is_not() {
    let sound = with_displacement(|_, x| x);
    assert_eq!(sound.len(), 1);
    assert!(sound[0].springs.iter().any(|s| s.end_feel_n_per_mm.is_some()));
    for still in [0.0, 12.345, -1e-320, 1e300, 1e308] {
        let tests = with_displacement(|_, _| still);
        let [test] = tests.as_slice() else {
            panic!("{still}: {tests:?}")
        };
        assert!(
            test.notes.contains(&Note::StuckDisplacement),
            "{still}: {:?}",
            test.notes
        );
        assert_eq!(test.springs.len(), sound[0].springs.len(), "{still}");
        assert!(
            test.springs
                .iter()
                .all(|s| s.excursion_mm.is_none() && s.end_feel_n_per_mm.is_none())
        );
        let peaks = [test, &sound[0]].map(|t| t.value(tautpoint::Measure::Peak).unwrap());
        assert!((peaks[0] - peaks[1]).abs() < 1e-9, "{still}: {peaks:?}");
        assert!(test.curve.displacement_mm.is_empty());
    }
}

#[test]
fn noise_alone_is_no_movement() {
    // A sequence of good spread in place of a random one: fractions of multiples of the golden ratio.
    let tests = with_displacement(|t, _| 3.0 + 0.02 * ((t * 200.0 * 0.618_033_988_7).fract() - 0.5));
    assert!(
        tests[0].notes.contains(&Note::StuckDisplacement),
        "{:?}",
        tests[0].notes
    );
}

#[test]
fn check_names_it() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.csv");
    let rows = press(1100, |t, f, _| format!("{t:.3},{f:.2},0\n"));
    std::fs::write(&path, format!("time_s,force_n,displacement_mm\n{rows}")).unwrap();
    let output = run_within(SMALL_KB, &["check", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1));
    let said = answered(&output);
    assert!(
        said.contains("column displacement: found 0 mm in every sample"),
        "{said}"
    );
    let spring = answered(&run_within(
        SMALL_KB,
        &["calibrate", "--reference-spring", path.to_str().unwrap()],
    ));
    assert!(
        spring.contains("stands still while the spring is pressed"),
        "{spring}"
    );
}
