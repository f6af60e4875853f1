//! Recordings to Parquet and back, and what is shared with others.

use super::{analyze, code, contents, err, names, program, recordings, run, study, text};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;
use std::time::{Duration, Instant};

fn convert(from: &Path, to: &Path, more: &[&str]) -> std::process::Output {
    let mut args = vec!["convert", text(from), "--out", text(to)];
    args.extend_from_slice(more);
    run(&args)
}

/// Values of a column of tests.csv by recording and test, as text: every digit counts.
fn column(results: &Path, name: &str) -> Vec<(String, String)> {
    let mut reader = csv::Reader::from_path(results.join("tests.csv")).unwrap();
    let at = reader.headers().unwrap().iter().position(|h| h == name).unwrap();
    let rows = reader.records().map(|r| r.unwrap());
    rows.map(|r| (format!("{} {}", stem(&r[0]), &r[1]), r[at].to_owned()))
        .collect()
}

fn stem(name: &str) -> String {
    name.rsplit_once('.').map_or(name, |(stem, _)| stem).to_owned()
}

/// Headings and the bits of every number of a text; a missing one is `None`.
fn numbers(bytes: &[u8]) -> (Vec<String>, Vec<Option<u64>>) {
    let text = std::str::from_utf8(bytes).unwrap().trim_start_matches('\u{feff}');
    let mut lines = text.lines().filter(|l| !l.starts_with('#'));
    let headings = lines.next().unwrap();
    let delimiter = if headings.contains(';') { ';' } else { ',' };
    let cells = lines.flat_map(|l| l.split(delimiter));
    let number = |cell: &str| cell.replace(',', ".").parse().ok().map(f64::to_bits);
    let headings = headings.split(delimiter).map(str::to_owned).collect();
    (headings, cells.map(number).collect())
}

#[test]
fn a_study_goes_to_parquet_and_back_number_for_number_and_measures_the_same_on_the_way() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    // Semicolons and decimal commas, CR LF, a comment and a byte order mark.
    let first = recordings(&study)[2].clone();
    let own = std::fs::read_to_string(&first).unwrap();
    let (head, body) = own.split_once('\n').unwrap();
    let other = format!("\u{feff}# station 2\n{}\n{body}", head)
        .replace(',', ";")
        .replace('.', ",")
        .replace('\n', "\r\n");
    std::fs::write(&first, other).unwrap();
    let [parquet, back] = [dir.path().join("parquet"), dir.path().join("back")];
    let done = convert(&study, &parquet, &[]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    // broken.csv has a cell that is no number: it stays what it is. Sidecars are within.
    let listed = names(&parquet.join("recordings"));
    assert!(listed.contains(&"broken.csv".to_owned()) && listed.contains(&"SHA256SUMS".to_owned()));
    let n = listed.iter().filter(|n| n.ends_with(".parquet")).count();
    assert_eq!(n, recordings(&study).len() - 2);
    assert_eq!(
        listed.iter().filter(|n| n.ends_with(".toml")).collect::<Vec<_>>(),
        ["cut.toml"]
    );
    let done = convert(&parquet, &back, &["--to", "csv"]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    let (mut before, mut after) = (contents(&study), contents(&back));
    let sums = Path::new("recordings/SHA256SUMS");
    before.remove(sums);
    after.remove(sums);
    assert_eq!(
        before.keys().collect::<Vec<_>>(),
        after.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &before {
        let same = match listed.contains(
            &name
                .with_extension("parquet")
                .file_name()
                .unwrap()
                .display()
                .to_string(),
        ) {
            true if name.extension().is_some_and(|e| e == "csv") => numbers(bytes) == numbers(&after[name]),
            _ => after[name] == *bytes,
        };
        assert!(same, "{}", name.display());
    }
    // The sums that were made anew are right, by the program of that name.
    let checked = std::process::Command::new("sha256sum")
        .args(["--check", "--quiet", "SHA256SUMS"])
        .current_dir(parquet.join("recordings"))
        .status();
    assert!(checked.is_ok_and(|s| s.success()));
    let [a, b] = [dir.path().join("a"), dir.path().join("b")];
    analyze(&study, &a, &[]);
    analyze(&parquet, &b, &[]);
    for name in [
        "subject",
        "level",
        "side",
        "end_feel_n_per_mm",
        "onset_mm",
        "onset_mm_u95",
        "loss_ratio",
    ] {
        let values = column(&a, name);
        assert!(values.len() >= 8 && values == column(&b, name), "{name}");
    }
    assert_eq!(code(&run(&["--quiet", "check", text(&parquet)])), 1, "broken.csv");
}

#[test]
fn rounding_is_to_the_step_asked_for_and_no_further() {
    let dir = tempfile::tempdir().unwrap();
    let csv = dir.path().join("r.csv");
    std::fs::write(
        &csv,
        "time_s,force_n,displacement_mm,force_kgf\n0,1.234,0.0126,1\n0.5,-0.006,0.5,0.10037\n",
    )
    .unwrap();
    let [small, back] = [dir.path().join("small"), dir.path().join("back")];
    let done = convert(&csv, &small, &["--round-n", "0.01", "--round-mm", "0.005"]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    assert_eq!(code(&convert(&small, &back, &["--to", "csv"])), 0);
    let text = std::fs::read_to_string(back.join("r.csv")).unwrap();
    let mut rows = text.lines().skip(1).map(|l| {
        l.split(',')
            .map(|c| c.parse::<f64>().unwrap())
            .collect::<Vec<_>>()
    });
    let (first, second) = (rows.next().unwrap(), rows.next().unwrap());
    assert_eq!(first[..3], [0.0, 1.23, 0.015]);
    assert_eq!(second[..3], [0.5, -0.01, 0.5]);
    // 0.01 N in kgf, by the exact definition (NIST SP 811, Appendix B.8): 0.10037 kgf is 98.43 steps of 0.01 N.
    assert!((second[3] - 98.0 * 0.01 / 9.80665).abs() < 1e-11, "{}", second[3]);
}

#[test]
fn a_folder_that_is_there_is_not_touched() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 1);
    let there = dir.path().join("there");
    std::fs::create_dir(&there).unwrap();
    let refused = convert(&study, &there, &[]);
    assert_eq!(code(&refused), 2);
    assert!(err(&refused).contains("is there already"));
    assert_eq!(names(dir.path()), ["study", "there"]);
}

#[test]
fn what_a_killed_conversion_left_is_cleared_by_the_next_one() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 4, 4);
    let out = dir.path().join("parquet");
    let mut child = program()
        .args(["--quiet", "convert", text(&study), "--out", text(&out)])
        .spawn()
        .unwrap();
    let left = || {
        let names = names(dir.path());
        names.into_iter().find(|n| n.starts_with(".parquet.tautpoint-"))
    };
    let begun = Instant::now();
    // Once it holds a recording it has its lock.
    let recordings = || left().is_some_and(|n| dir.path().join(n).join("new/recordings").is_dir());
    while !recordings() {
        assert!(begun.elapsed() < Duration::from_secs(60), "no folder was begun");
        std::thread::sleep(Duration::from_millis(1));
    }
    // While it lives, nobody else makes that folder, and nobody clears it away.
    let second = convert(&study, &out, &[]);
    assert_eq!(code(&second), 2);
    assert!(
        err(&second).contains("another run is writing to"),
        "{}",
        err(&second)
    );
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(!out.exists() && left().is_some(), "it had ended");
    assert_eq!(code(&convert(&study, &out, &[])), 0);
    assert_eq!(names(dir.path()), ["parquet", "study"]);
}

/// Everything of the lab that others must not see.
fn secrets(study: &Path) -> BTreeSet<String> {
    let mut secrets = BTreeSet::new();
    for (name, bytes) in contents(study) {
        if name.extension().is_some_and(|e| e == "toml") && name.starts_with("recordings") {
            let table: toml::Table = String::from_utf8(bytes).unwrap().parse().unwrap();
            for key in [
                "subject",
                "examiner",
                "session",
                "recorded_at",
                "site",
                "device",
                "surface",
            ] {
                secrets.extend(table.get(key).and_then(|v| v.as_str()).map(str::to_owned));
            }
        }
    }
    secrets
}

#[test]
fn what_is_shared_holds_no_code_date_or_free_text_and_measures_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 2, 2);
    for (i, recording) in recordings(&study).iter().enumerate() {
        let sidecar = recording.with_extension("toml");
        let own = std::fs::read_to_string(&sidecar).unwrap_or_default();
        if !own.contains("[truth]") {
            continue;
        }
        let more = format!(
            "recorded_at = \"2026-03-04T09:{:02}:00\"\ndevice = \"Bench by the window\"\nsurface = \"blue mat\"\n",
            i % 60
        );
        let (head, truth) = own.split_once("[truth]").unwrap();
        std::fs::write(
            &sidecar,
            format!("{}{more}[truth]{truth}", head.replace("recorded_at", "# was")),
        )
        .unwrap();
    }
    let file = study.join("study.toml");
    let own = std::fs::read_to_string(&file).unwrap();
    std::fs::write(
        &file,
        format!("# Written by Ada\n{own}\n[compare]\nthreshold_percent = 12.0\n"),
    )
    .unwrap();
    let [key, shared] = [dir.path().join("key.toml"), dir.path().join("shared")];
    let done = convert(&study, &shared, &["--share", text(&key)]);
    assert_eq!(code(&done), 1, "broken.csv cannot be shared: {}", err(&done));
    let mut secrets = secrets(&study);
    secrets.extend(["Ada", "Simulated study", "the phone rang", "none needed", "truth"].map(str::to_owned));
    assert!(secrets.len() > 8, "{secrets:?}");
    for (name, bytes) in contents(&shared) {
        for secret in &secrets {
            let found = memchr::memmem::find(&bytes, secret.as_bytes()).is_some();
            // A code as short as two letters may turn up in packed numbers; longer ones may not.
            let short = secret.len() < 4 && name.extension().is_some_and(|e| e == "parquet");
            assert!(short || !found, "{secret:?} in {}", name.display());
            assert!(
                !name.to_string_lossy().contains(secret.as_str()),
                "{secret:?} in a name"
            );
        }
    }
    // The same tests, the same findings: only who and when are others.
    let [a, b] = [dir.path().join("a"), dir.path().join("b")];
    analyze(&study, &a, &[]);
    analyze(&shared, &b, &[]);
    let sorted = |dir: &Path, table: &str, name: &str| {
        let mut reader = csv::Reader::from_path(dir.join(table)).unwrap();
        let at = reader.headers().unwrap().iter().position(|h| h == name).unwrap();
        let mut values: Vec<String> = reader.records().map(|r| r.unwrap()[at].to_owned()).collect();
        values.sort();
        values
    };
    for (table, name) in [
        ("tests.csv", "end_feel_n_per_mm"),
        ("tests.csv", "level"),
        ("findings.csv", "threshold_percent"),
        ("findings.csv", "call"),
    ] {
        let values = sorted(&a, table, name);
        assert!(!values.is_empty());
        assert_eq!(values, sorted(&b, table, name), "{name}");
    }
    // Sessions and days keep their order and their distances within a subject; the key file says who is who.
    let key_text = std::fs::read_to_string(&key).unwrap();
    let table: toml::Table = key_text.parse().unwrap();
    let subjects = table["subject"].as_table().unwrap();
    assert_eq!(subjects.len(), 2, "{key_text}");
    let tests = std::fs::read_to_string(b.join("tests.csv")).unwrap();
    assert!(subjects.values().all(|v| tests.contains(v.as_str().unwrap())));
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(std::fs::metadata(&key).unwrap().permissions().mode() & 0o077, 0);
    }
    // Again with the same key: the same bytes; with another one: other codes.
    let [again, other] = [dir.path().join("again"), dir.path().join("other")];
    convert(&study, &again, &["--share", text(&key)]);
    super::assert_same(&shared, &again);
    convert(&study, &other, &["--share", text(&dir.path().join("key-2.toml"))]);
    assert_ne!(
        contents(&shared).keys().collect::<Vec<_>>(),
        contents(&other).keys().collect::<Vec<_>>()
    );
    let run_json: Value = serde_json::from_slice(&std::fs::read(b.join("run.json")).unwrap()).unwrap();
    assert!(run_json["title"].is_null());
}

#[test]
fn somebody_withdrawn_is_gone_and_the_others_keep_their_codes() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 2, 1);
    let [key, before, after] = ["key.toml", "before", "after"].map(|n| dir.path().join(n));
    convert(&study, &before, &["--share", text(&key)]);
    let table: toml::Table = std::fs::read_to_string(&key).unwrap().parse().unwrap();
    let (gone, gone_shared) = table["subject"].as_table().unwrap().iter().next().unwrap();
    let gone_shared = gone_shared.as_str().unwrap();
    for recording in recordings(&study) {
        let sidecar = recording.with_extension("toml");
        let of_them =
            std::fs::read_to_string(&sidecar).is_ok_and(|s| s.contains(&format!("subject = \"{gone}\"")));
        if of_them {
            std::fs::remove_file(&recording).unwrap();
            std::fs::remove_file(&sidecar).unwrap();
        }
    }
    for name in ["roster.csv", "calls.csv"] {
        let path = study.join(name);
        let text = std::fs::read_to_string(&path).unwrap();
        let kept: Vec<&str> = text
            .lines()
            .filter(|l| !l.split(',').any(|c| c == gone))
            .collect();
        std::fs::write(&path, kept.join("\n") + "\n").unwrap();
    }
    convert(&study, &after, &["--share", text(&key)]);
    let (before, after) = (contents(&before), contents(&after));
    let held = |c: &std::collections::BTreeMap<_, Vec<u8>>| {
        c.values()
            .any(|b| memchr::memmem::find(b, gone_shared.as_bytes()).is_some())
    };
    assert!(held(&before) && !held(&after));
    // The others' recordings are the same bytes under the same names.
    let recordings: Vec<_> = after
        .iter()
        .filter(|f| f.0.extension().is_some_and(|e| e == "parquet"))
        .collect();
    assert!(!recordings.is_empty());
    assert!(recordings.iter().all(|(name, bytes)| before[*name] == **bytes));
}
