//! What a release holds: archive, checksums, bill of materials, and the workflow that makes them.

use super::{PROGRAM, ROOT, run, skipped};
use serde_json::Value;
use std::path::Path;
use std::process::Command;

const TARGET: &str = "x86_64-unknown-linux-gnu";

fn archived(program: &Path, out: &Path) -> bool {
    let mut command = Command::new("python3");
    command
        .arg(Path::new(ROOT).join(".ci/archive.py"))
        .arg(TARGET)
        .arg(program)
        .arg(out);
    command.env("SOURCE_DATE_EPOCH", "1790000000");
    // cargo metadata of one platform needs the crates of that platform at hand.
    let output = command.output();
    match output {
        Ok(output) if output.status.success() => true,
        other => {
            skipped(&format!("the archive was not made: {other:?}"));
            false
        }
    }
}

#[test]
fn an_archive_holds_what_it_should_and_is_the_same_bytes_each_time() {
    if cfg!(not(all(target_os = "linux", target_arch = "x86_64"))) {
        println!("skipped: the archive of another system");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    // In the place of the program stands a small file: what is tried is the packing.
    let program = dir.path().join("tautpoint");
    std::fs::write(&program, "#!/bin/sh\nexec \"$REAL\" \"$@\"\n").unwrap();
    let (first, second) = (dir.path().join("first"), dir.path().join("second"));
    if !archived(&program, &first) || !archived(&program, &second) {
        return;
    }
    let sums = std::fs::read(first.join("SHA256SUMS")).unwrap();
    assert_eq!(sums, std::fs::read(second.join("SHA256SUMS")).unwrap());
    run(Command::new("sha256sum")
        .args(["--check", "--strict", "SHA256SUMS"])
        .current_dir(&first));
    let version = env!("CARGO_PKG_VERSION");
    let stem = format!("tautpoint-{version}-{TARGET}");
    run(Command::new("tar")
        .arg("xzf")
        .arg(format!("{stem}.tar.gz"))
        .current_dir(&first));
    let unpacked = first.join(&stem);
    let said = run(Command::new(unpacked.join("tautpoint"))
        .arg("--version")
        .env("REAL", PROGRAM));
    assert_eq!(said.trim(), format!("tautpoint {version}"));
    for file in [
        "README.md",
        "LICENSE",
        "METHODS.md",
        "docs/python.md",
        "sample-data/README.md",
    ] {
        let own = std::fs::read(Path::new(ROOT).join(file)).unwrap();
        assert_eq!(std::fs::read(unpacked.join(file)).unwrap(), own, "{file}");
    }
    bill_of_materials(&first.join(format!("{stem}.cdx.json")));
}

/// CycloneDX 1.5: what each component must have, and that it is what Cargo.lock holds.
fn bill_of_materials(file: &Path) {
    let bom: Value = serde_json::from_slice(&std::fs::read(file).unwrap()).unwrap();
    assert_eq!(
        (&bom["bomFormat"], &bom["specVersion"]),
        (&"CycloneDX".into(), &"1.5".into())
    );
    assert_eq!(bom["metadata"]["component"]["name"], "tautpoint");
    let components = bom["components"].as_array().unwrap();
    let lock: toml::Table = std::fs::read_to_string(Path::new(ROOT).join("Cargo.lock"))
        .unwrap()
        .parse()
        .unwrap();
    let locked = lock["package"].as_array().unwrap();
    let mut names = Vec::new();
    for c in components {
        let (name, version) = (c["name"].as_str().unwrap(), c["version"].as_str().unwrap());
        let own =
            |p: &&toml::Value| p["name"].as_str() == Some(name) && p["version"].as_str() == Some(version);
        let entry = locked
            .iter()
            .find(own)
            .unwrap_or_else(|| panic!("{name} {version} is not locked"));
        assert_eq!(
            entry["checksum"].as_str(),
            c["hashes"][0]["content"].as_str(),
            "{name}"
        );
        assert!(
            c["licenses"][0]["expression"]
                .as_str()
                .is_some_and(|l| !l.contains('/')),
            "{name}"
        );
        assert_eq!(c["purl"], format!("pkg:cargo/{name}@{version}"));
        names.push(name);
    }
    for part in ["polars", "clap", "serde_json", "rayon", "resvg"] {
        assert!(names.contains(&part), "{part}");
    }
    for no_part in ["proptest", "rand_xorshift", "pyo3", "windows-sys"] {
        assert!(!names.contains(&no_part), "{no_part}");
    }
    let references: Vec<&Value> = components
        .iter()
        .map(|c| &c["bom-ref"])
        .chain([&bom["metadata"]["component"]["bom-ref"]])
        .collect();
    for d in bom["dependencies"].as_array().unwrap() {
        assert!(references.contains(&&d["ref"]), "{d}");
        assert!(
            d["dependsOn"]
                .as_array()
                .unwrap()
                .iter()
                .all(|r| references.contains(&r)),
            "{d}"
        );
    }
    println!("{} components", components.len());
}

#[test]
fn the_workflow_is_whole_and_gives_no_step_more_rights_than_it_needs() {
    let script = "import json, sys, yaml; print(json.dumps(yaml.safe_load(open(sys.argv[1]))))";
    let file = Path::new(ROOT).join(".github/workflows/release.yml");
    let Ok(output) = Command::new("python3").args(["-c", script]).arg(&file).output() else {
        return skipped("there is no python3");
    };
    if !output.status.success() {
        return skipped("PyYAML is not installed");
    }
    let workflow: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(workflow["permissions"], serde_json::json!({ "contents": "read" }));
    let build = &workflow["jobs"]["build"];
    let targets: Vec<&str> = build["strategy"]["matrix"]["include"]
        .as_array()
        .unwrap()
        .iter()
        .map(|m| m["target"].as_str().unwrap())
        .collect();
    for system in ["linux", "windows", "darwin"] {
        assert!(targets.iter().any(|t| t.contains(system)), "{system}");
    }
    let text = std::fs::read_to_string(&file).unwrap();
    for part in [
        ".ci/archive.py",
        "maturin build",
        "attest-build-provenance",
        "sha256sum --check",
        "--locked",
        "--remap-path-prefix",
    ] {
        assert!(text.contains(part), "{part}");
    }
    // What a shell of the workflow runs is at least whole for a shell.
    for job in workflow["jobs"].as_object().unwrap().values() {
        for step in job["steps"].as_array().unwrap() {
            let Some(script) = step["run"].as_str() else {
                continue;
            };
            run(Command::new("bash").args(["-n", "-c", script]));
        }
    }
}
