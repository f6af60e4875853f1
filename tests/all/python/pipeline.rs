//! `analyze -`, and the rule for Snakemake.

use super::{PROGRAM, ROOT, has_modules, run, skipped};
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn piped(bytes: &[u8], arguments: &[&str]) -> Output {
    let mut child = Command::new(PROGRAM)
        .args(["analyze", "-"])
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // One that refuses its arguments does not read.
    let _ = child.stdin.take().unwrap().write_all(bytes);
    child.wait_with_output().unwrap()
}

fn lines(output: &Output) -> Vec<Value> {
    let text = std::str::from_utf8(&output.stdout).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn simulated(dir: &Path, more: &[&str]) {
    let out = dir.join("press.csv");
    run(Command::new(PROGRAM)
        .args(["simulate", "trace", "--level", "L3", "--side", "left", "--out"])
        .arg(out)
        .args(more));
}

#[test]
fn a_recording_from_standard_input_gives_the_rows_of_its_file() {
    let dir = tempfile::tempdir().unwrap();
    simulated(dir.path(), &[]);
    let (csv, toml) = (dir.path().join("press.csv"), dir.path().join("press.toml"));
    let own = piped(
        &std::fs::read(&csv).unwrap(),
        &["--sidecar", toml.to_str().unwrap()],
    );
    assert_eq!(own.status.code(), Some(0), "{}", super::words(&own));
    let rows = lines(&own);
    let file: Value =
        serde_json::from_str(&run(Command::new(PROGRAM).args(["analyze", "--json"]).arg(&csv))).unwrap();
    for table in ["tests", "springs", "technique", "exclusions"] {
        let of_table = rows.iter().filter(|row| row["table"] == table);
        let piped: Vec<Value> = of_table
            .map(|row| {
                let mut row = row.as_object().unwrap().clone();
                row.shift_remove("table");
                assert_eq!(row["recording"], "stdin");
                row.insert("recording".to_owned(), "press.csv".into());
                Value::Object(row)
            })
            .collect();
        assert_eq!(&Value::Array(piped), &file[table], "{table}");
    }
    assert_eq!(rows.iter().filter(|row| row["table"] == "springs").count(), 3);
    // The same through a real shell, as the page shows it.
    let shell = "cat press.csv | tautpoint analyze - --sidecar press.toml | grep -c '\"table\":\"springs\"'";
    let folder = Path::new(PROGRAM).parent().unwrap().display();
    let path = format!("{folder}:{}", std::env::var("PATH").unwrap());
    if cfg!(unix) {
        let said = run(Command::new("sh")
            .args(["-c", shell])
            .env("PATH", path)
            .current_dir(dir.path()));
        assert_eq!(said.trim(), "3");
    }
}

#[test]
fn what_is_wrong_with_standard_input_comes_first_and_is_told() {
    let bad = piped(b"time_s,force_n\n0,1\n0.001,one\n", &[]);
    assert_eq!(bad.status.code(), Some(2));
    let rows = lines(&bad);
    assert_eq!(
        (&rows[0]["table"], &rows[0]["line"], &rows[0]["column"]),
        (&"problems".into(), &3.into(), &"force_n".into())
    );
    assert!(
        String::from_utf8_lossy(&bad.stderr).contains("stdin, line 3, column force_n"),
        "{bad:?}"
    );
    assert_eq!(piped(b"", &[]).status.code(), Some(2));
    assert_eq!(piped(&[0xff; 300], &[]).status.code(), Some(2));
    for arguments in [
        &["--out", "x"][..],
        &["other.csv"],
        &["--sidecar", "nowhere.toml"],
    ] {
        let refused = piped(b"time_s,force_n\n0,1\n", arguments);
        assert_eq!(refused.status.code(), Some(2), "{arguments:?}");
        assert!(refused.stdout.is_empty(), "{arguments:?}");
    }
    let alone = Command::new(PROGRAM)
        .args(["analyze", "a.csv", "--sidecar", "b.toml"])
        .output()
        .unwrap();
    assert!(
        super::words(&alone).contains("--sidecar goes with `-`"),
        "{alone:?}"
    );
}

#[test]
fn a_push_over_the_ceiling_from_standard_input_is_told_whatever_else_is_wrong() {
    let dir = tempfile::tempdir().unwrap();
    simulated(dir.path(), &["--fault", "over-ceiling"]);
    let toml = dir.path().join("press.toml");
    let csv = std::fs::read_to_string(dir.path().join("press.csv")).unwrap();
    let over = piped(csv.as_bytes(), &["--sidecar", toml.to_str().unwrap()]);
    assert!(
        String::from_utf8_lossy(&over.stderr).contains("over the ceiling:"),
        "{over:?}"
    );
    assert!(lines(&over).iter().any(|row| row["finding"] == "over_ceiling"));
    let broken = format!("{csv}9.9,none,none\n");
    let over = piped(broken.as_bytes(), &["--sidecar", toml.to_str().unwrap()]);
    assert!(
        String::from_utf8_lossy(&over.stderr).contains("over the ceiling:"),
        "{over:?}"
    );
}

#[test]
fn the_rule_for_snakemake_gives_what_one_run_gives() {
    if !has_modules("snakemake") {
        return skipped("snakemake is not installed");
    }
    let dir = tempfile::tempdir().unwrap();
    let simulate = [
        "simulate", "study", "--out", "study", "--seed", "7", "--trials", "1", "--levels", "L4,L3",
    ];
    run(Command::new(PROGRAM).args(simulate).current_dir(dir.path()));
    run(Command::new(PROGRAM)
        .args(["--quiet", "analyze", "study", "--out", "whole", "--cohort"])
        .current_dir(dir.path()));
    let program = format!("program={PROGRAM}");
    let mut snakemake = Command::new("python3");
    snakemake
        .args(["-m", "snakemake", "--cores", "2", "--snakefile"])
        .arg(Path::new(ROOT).join("schedulers/Snakefile"))
        .args(["--config", "study=study", "results=results", "shards=3", &program])
        .env("HOME", dir.path())
        .env("XDG_CACHE_HOME", dir.path().join("cache"))
        .current_dir(dir.path());
    run(&mut snakemake);
    for table in ["tests.csv", "springs.csv", "findings.csv", "technique.csv"] {
        let read = |folder: &str| std::fs::read_to_string(dir.path().join(folder).join(table)).unwrap();
        assert_eq!(read("results"), read("whole"), "{table}");
    }
    // Nothing is done twice.
    let again = snakemake.output().unwrap();
    assert!(
        super::words(&again).contains("Nothing to be done"),
        "{}",
        super::words(&again)
    );
}
