//! Program and wheel on a machine that has no Rust, no sources and no libraries of its own.

use super::{PROGRAM, ROOT, run, skipped, wheel, words};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The newest version of the C library that a file asks for, as its symbols are stamped.
fn glibc(file: &Path) -> (u32, u32) {
    let bytes = std::fs::read(file).unwrap();
    let mark = b"GLIBC_2.";
    let places = memchr::memmem::find_iter(&bytes, mark);
    let minor = |at: usize| {
        let digits: Vec<u8> = bytes[at + mark.len()..]
            .iter()
            .copied()
            .take_while(u8::is_ascii_digit)
            .collect();
        String::from_utf8(digits).unwrap().parse::<u32>().ok()
    };
    (2, places.filter_map(minor).max().unwrap())
}

/// The oldest C library that the page on Python names.
fn named() -> (u32, u32) {
    let page = std::fs::read_to_string(Path::new(ROOT).join("docs/python.md")).unwrap();
    let version = page
        .split("(glibc) of ")
        .nth(1)
        .unwrap()
        .split(' ')
        .next()
        .unwrap();
    let (major, minor) = version.split_once('.').unwrap();
    (major.parse().unwrap(), minor.parse().unwrap())
}

#[test]
fn no_newer_c_library_is_needed_than_the_page_says() {
    let program = glibc(Path::new(PROGRAM));
    println!("program: glibc {}.{}", program.0, program.1);
    // Another system's C library may stamp its symbols otherwise.
    let system = std::fs::read_to_string("/etc/os-release").unwrap_or_default();
    let debian_12 = system.contains("VERSION_ID=\"12\"") && system.contains("ID=debian");
    if !debian_12 {
        println!("this is no Debian 12, which the page speaks of");
        return;
    }
    assert!(program <= named(), "{program:?}");
    let Some(wheel) = wheel() else { return };
    let native = wheel.unpacked.join("tautpoint/_native.abi3.so");
    let native = glibc(&native);
    println!("wheel: glibc {}.{}", native.0, native.1);
    assert!(native <= named(), "{native:?}");
}

/// The shared libraries that a file is started with.
fn libraries(file: &Path) -> BTreeSet<PathBuf> {
    let listed = run(Command::new("ldd").arg(file));
    let path = |line: &str| {
        line.split_whitespace()
            .find(|w| w.starts_with('/'))
            .map(PathBuf::from)
    };
    listed.lines().filter_map(path).collect()
}

#[test]
fn the_program_runs_where_there_is_nothing_but_the_c_library() {
    let root = tempfile::tempdir().unwrap();
    std::fs::create_dir(root.path().join("tmp")).unwrap();
    std::fs::copy(PROGRAM, root.path().join("tautpoint")).unwrap();
    let mut names = Vec::new();
    for library in libraries(Path::new(PROGRAM)) {
        let into = root.path().join(library.strip_prefix("/").unwrap());
        std::fs::create_dir_all(into.parent().unwrap()).unwrap();
        std::fs::copy(&library, &into).unwrap();
        names.push(library.file_name().unwrap().to_string_lossy().into_owned());
    }
    println!("{}", names.join(" "));
    let expected = |name: &String| {
        [
            "libc.",
            "libm.",
            "libgcc_s.",
            "ld-linux",
            "libdl.",
            "libpthread.",
            "librt.",
        ]
        .iter()
        .any(|e| name.starts_with(e))
    };
    assert!(names.iter().all(expected), "{names:?}");
    let within = |arguments: &[&str]| {
        let mut command = Command::new("unshare");
        command
            .args(["--user", "--map-root-user", "chroot"])
            .arg(root.path())
            .arg("/tautpoint")
            .args(arguments)
            .env_clear();
        command.env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin");
        command.output()
    };
    match within(&["--version"]) {
        Ok(output) if output.status.success() => {}
        Ok(output) if words(&output).contains("unshare") => {
            return skipped("this machine lets nobody change the root");
        }
        other => panic!("{other:?}"),
    }
    let demo = within(&["demo", "/tmp/look"]).unwrap();
    assert!(demo.status.success(), "{}", words(&demo));
    assert!(root.path().join("tmp/look/results/report.html").exists());
}

#[test]
fn the_wheel_installs_and_runs_without_rust_and_without_the_sources() {
    let Some(wheel) = wheel() else { return };
    let dir = tempfile::tempdir().unwrap();
    let clean = dir.path().join("clean");
    run(Command::new("python3").args(["-m", "venv"]).arg(&clean));
    let stranger = |program: &str, arguments: &[&str]| {
        let mut command = Command::new(clean.join("bin").join(program));
        command.args(arguments).env_clear().current_dir(dir.path());
        command
            .env("PATH", format!("{}:/usr/bin:/bin", clean.join("bin").display()))
            .env("HOME", dir.path());
        command
    };
    let rust = stranger(
        "python",
        &[
            "-c",
            "import shutil; print(shutil.which('cargo'), shutil.which('rustc'))",
        ],
    )
    .output();
    assert_eq!(String::from_utf8_lossy(&rust.unwrap().stdout).trim(), "None None");
    let file = wheel.file.to_str().unwrap();
    // Nothing is fetched: numpy, which the program does without, is what the full environment has.
    run(&mut stranger(
        "pip",
        &["install", "--quiet", "--no-index", "--no-deps", file],
    ));
    assert!(run(&mut stranger("tautpoint", &["--version"])).starts_with("tautpoint "));
    assert!(run(&mut stranger("tautpoint", &["demo", "look"])).contains("report.html"));
    let as_module = run(&mut stranger(
        "python",
        &["-m", "tautpoint", "analyze", "look", "--json"],
    ));
    let found: serde_json::Value = serde_json::from_str(&as_module).unwrap();
    assert!(found["tests"].as_array().unwrap().len() > 5);
    let script =
        "import tautpoint; found = tautpoint.analyze('look'); print(len(found), found.tests['level'][0])";
    println!("{}", run(&mut stranger("python", &["-c", script])).trim());
}
