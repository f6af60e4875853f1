//! The Python package: its wheel is built into the same target folder, installed beside the libraries that its users have, and
//! put through its own tests; then what users do with it: notebooks, R on the tables, a pipeline.
//!
//! Without the tools (maturin, mypy, R, …) each check says so and is skipped, or fails when TAUTPOINT_FULL_TESTS=1.

mod notebooks;
mod package;
mod pipeline;
mod release;
#[cfg(target_os = "linux")]
mod stranger;
mod with_r;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");
const PROGRAM: &str = env!("CARGO_BIN_EXE_tautpoint");

fn full() -> bool {
    std::env::var("TAUTPOINT_FULL_TESTS").as_deref() == Ok("1")
}

/// Says why a check is left out; that must not happen in the full tests.
fn skipped(why: &str) {
    assert!(!full(), "not run: {why}");
    println!("skipped: {why}");
}

fn words(output: &Output) -> String {
    format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// Runs a command; gives what it prints.
#[track_caller]
fn run(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|e| panic!("{command:?}: {e}"));
    assert!(output.status.success(), "{command:?}: {}", words(&output));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Whether python3 imports all of these.
fn has_modules(modules: &str) -> bool {
    let import = format!("import {modules}");
    Command::new("python3")
        .args(["-c", &import])
        .output()
        .is_ok_and(|o| o.status.success())
}

/// The wheel of this code in the profile of the tests, and a folder that it lies in unpacked.
struct Wheel {
    file: PathBuf,
    unpacked: PathBuf,
}

/// Built once; `None` where it cannot be.
fn wheel() -> Option<&'static Wheel> {
    static WHEEL: OnceLock<Option<Wheel>> = OnceLock::new();
    WHEEL
        .get_or_init(|| {
            if !Command::new("maturin")
                .arg("--version")
                .output()
                .is_ok_and(|o| o.status.success())
            {
                skipped("maturin is not installed, so there is no wheel");
                return None;
            }
            Some(build())
        })
        .as_ref()
}

fn build() -> Wheel {
    // Cargo's own lock is free while tests run; the crates that the program is made of are taken as they lie there.
    let target = Path::new(PROGRAM).ancestors().nth(2).unwrap();
    let out = target.join("wheel-of-the-tests");
    let _ = std::fs::remove_dir_all(&out);
    let mut maturin = Command::new("maturin");
    maturin
        .args([
            "build",
            "--quiet",
            "--locked",
            "--profile",
            "dev",
            // As the tests' own build of the crate, which is then taken as it lies there; that the package compiles
            // without is what its lints in `.ci/run` show.
            "--features",
            "tautpoint/internals",
            "--manifest-path",
        ])
        .arg(Path::new(ROOT).join("python/Cargo.toml"))
        .arg("--out")
        .arg(&out)
        .env("CARGO_TARGET_DIR", target);
    // What cargo tells tests of the crate under test is no part of another build.
    for (name, _) in
        std::env::vars().filter(|(name, _)| name.starts_with("CARGO_PKG_") || name == "CARGO_MANIFEST_DIR")
    {
        maturin.env_remove(name);
    }
    run(&mut maturin);
    let wheels = std::fs::read_dir(&out).unwrap().map(|f| f.unwrap().path());
    let file = wheels
        .into_iter()
        .find(|p| p.extension().is_some_and(|e| e == "whl"))
        .unwrap();
    let unpacked = out.join("unpacked");
    run(Command::new("python3")
        .args(["-m", "zipfile", "-e"])
        .arg(&file)
        .arg(&unpacked));
    Wheel { file, unpacked }
}

/// Python that imports the wheel's package.
fn python(wheel: &Wheel) -> Command {
    let mut python = Command::new("python3");
    python
        .env("PYTHONPATH", &wheel.unpacked)
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .env("TAUTPOINT_PROGRAM", PROGRAM);
    python
}
