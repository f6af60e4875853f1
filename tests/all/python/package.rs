//! The package's own tests, its types, and arrays of every kind.

use super::{ROOT, has_modules, python, run, skipped, wheel};
use std::path::Path;

#[test]
fn its_own_tests_and_the_examples_in_its_docstrings_pass() {
    let Some(wheel) = wheel() else { return };
    if !has_modules("numpy, scipy, pandas, polars, duckdb, pyarrow") {
        return skipped("a library that takes tables is not installed");
    }
    let tests = Path::new(ROOT).join("python/tests");
    let mut command = python(wheel);
    // Pushes over a ceiling are warned of in passing; the tests that are about warnings ask for them.
    command
        .args(["-W", "ignore", "-m", "unittest", "discover", "--start-directory"])
        .arg(tests);
    let output = command.output().unwrap();
    let said = super::words(&output);
    assert!(output.status.success(), "{said}");
    let ran = said.lines().find(|l| l.starts_with("Ran ")).unwrap_or_default();
    println!("{ran}");
    let count: u32 = ran
        .split(' ')
        .nth(1)
        .and_then(|n| n.parse().ok())
        .unwrap_or_default();
    assert!(count > 45, "{said}");
}

#[test]
fn its_types_are_those_that_mypy_and_the_module_itself_know() {
    let Some(wheel) = wheel() else { return };
    if !has_modules("mypy, numpy") {
        return skipped("mypy is not installed");
    }
    let settings = Path::new(ROOT).join("python/pyproject.toml");
    let cache = tempfile::tempdir().unwrap();
    // A user's program, with what is right and what is not.
    let users = cache.path().join("users.py");
    std::fs::write(
        &users,
        "import tautpoint\n\
         press = tautpoint.simulate(seed=1)\n\
         found = tautpoint.analyze_trace(press.time_s, press.force_n, level='L3')\n\
         count: int = len(found.springs)\n\
         peaks: list[float] = found.springs['peak_n']\n\
         found.write(3)  # type: ignore[arg-type]\n\
         tautpoint.simulate(sed=1)  # type: ignore[call-arg]\n",
    )
    .unwrap();
    let mut mypy = python(wheel);
    mypy.args(["-m", "mypy", "--config-file"])
        .arg(&settings)
        .arg("--cache-dir")
        .arg(cache.path())
        .args(["--warn-unused-ignores", "-p", "tautpoint"])
        .current_dir(&wheel.unpacked);
    println!("{}", run(&mut mypy).trim());
    let mut mypy = python(wheel);
    mypy.args(["-m", "mypy", "--strict", "--cache-dir"])
        .arg(cache.path())
        .arg(&users);
    println!("{}", run(&mut mypy).trim());
    let mut stubtest = python(wheel);
    stubtest
        .args([
            "-m",
            "mypy.stubtest",
            "tautpoint._native",
            "--ignore-disjoint-bases",
        ])
        .env("MYPYPATH", &wheel.unpacked)
        .current_dir(cache.path());
    println!("{}", run(&mut stubtest).trim());
}

#[test]
fn arrays_of_every_kind_give_a_result_or_a_clear_exception() {
    let Some(wheel) = wheel() else { return };
    if !has_modules("numpy") {
        return skipped("numpy is not installed");
    }
    let rounds = std::env::var("TAUTPOINT_TRIALS").unwrap_or_else(|_| "250".to_owned());
    let script = Path::new(ROOT).join("python/tests/fuzz_arrays.py");
    let said = run(python(wheel).arg(script).args([rounds.as_str(), "1"]));
    println!("{}", said.trim());
    assert!(
        said.contains("analysed") && said.contains("DataError") && said.contains("TypeError"),
        "{said}"
    );
}
