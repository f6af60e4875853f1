//! Clocks that jump: nothing is filled over a pause, and memory stays bounded.

use super::*;

/// A press, then the same again after a jump of the clock.
fn jumped(by_s: f64) -> String {
    let first = press(1100, |t, f, x| format!("{t},{f:.2},{x:.3}\n"));
    let again = press(1100, |t, f, x| format!("{},{f:.2},{x:.3}\n", t + 5.5 + by_s));
    format!("time_s,force_n,displacement_mm\n{first}{again}")
}

#[test]
fn a_pause_of_any_length_costs_nothing_but_itself() {
    let dir = tempfile::tempdir().unwrap();
    for by_s in [2.5, 3600.0, 86_400.0, 1e6, 1e7, 1e9] {
        let path = dir.path().join("a.csv");
        std::fs::write(&path, jumped(by_s)).unwrap();
        let out = dir.path().join(format!("out-{by_s}"));
        let output = run_within(
            SMALL_KB,
            &["analyze", path.to_str().unwrap(), "--out", out.to_str().unwrap()],
        );
        let said = answered(&output);
        assert_eq!(output.status.code(), Some(0), "{by_s}: {said}");
        let tests = std::fs::read_to_string(out.join("tests.csv")).unwrap();
        assert_eq!(tests.lines().count(), 3, "{by_s}: {tests}");
        let check = answered(&run_within(SMALL_KB, &["check", path.to_str().unwrap()]));
        assert!(check.contains("column time: found a pause of"), "{check}");
    }
}

#[test]
fn one_wrong_stamp_at_the_end_costs_that_sample() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.csv");
    let rows = press(1100, |t, f, x| format!("{t},{f:.2},{x:.3}\n"));
    for last in ["1e9", "1e18", "1e300"] {
        std::fs::write(
            &path,
            format!("time_s,force_n,displacement_mm\n{rows}{last},0,0\n"),
        )
        .unwrap();
        let out = dir.path().join(format!("out-{last}"));
        let said = answered(&run_within(
            SMALL_KB,
            &["analyze", path.to_str().unwrap(), "--out", out.to_str().unwrap()],
        ));
        assert!(
            said.contains("1 test") || out.join("tests.csv").exists(),
            "{last}: {said}"
        );
        let tests = std::fs::read_to_string(out.join("tests.csv")).unwrap();
        assert_eq!(tests.lines().count(), 2, "{last}: {tests}");
    }
}

#[test]
fn many_short_gaps_are_refused_when_all_is_holes() {
    // Two samples a millisecond apart, then nothing for 1.9 s, again and again: not one pause, and 1,900 grid points a
    // pair.
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.csv");
    let rows: String = (0..20_000)
        .map(|i| {
            let t = f64::from(i / 3) * 1.9 + f64::from(i % 3) * 0.001;
            format!("{t:.3},{}\n", i % 7)
        })
        .collect();
    std::fs::write(&path, format!("time_s,force_n\n{rows}")).unwrap();
    let out = dir.path().join("out");
    let output = run_within(
        SMALL_KB,
        &["analyze", path.to_str().unwrap(), "--out", out.to_str().unwrap()],
    );
    let said = answered(&output);
    assert!(said.contains("nearly all of it is holes"), "{said}");
}
