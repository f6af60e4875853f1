//! Parts of a run, put together: the same bytes as one run.

use super::{analyze, assert_same, code, contents, err, names, recordings, run, study, text};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn shards(study: &Path, dir: &Path, of: u32, more: &[&str]) -> Vec<PathBuf> {
    let one = |number: u32| {
        let out = dir.join(format!("part-{number}"));
        let shard = format!("{number}/{of}");
        let mut all = vec!["--shard", &shard];
        all.extend_from_slice(more);
        analyze(study, &out, &all);
        out
    };
    (1..=of).map(one).collect()
}

fn combine(parts: &[PathBuf], out: &Path, more: &[&str]) -> std::process::Output {
    let mut args = vec!["--quiet", "combine"];
    args.extend(parts.iter().map(|p| text(p)));
    args.extend(["--out", text(out)]);
    args.extend_from_slice(more);
    run(&args)
}

#[test]
fn any_number_of_shards_in_any_order_is_one_run_bit_for_bit() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 2, 1);
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &[]);
    let config = Config {
        cases: 6,
        failure_persistence: None,
        ..Config::default()
    };
    let mut runner = TestRunner::new(config);
    let cases = (1_u32..9, any::<prop::sample::Index>(), any::<bool>());
    let result = runner.run(&cases, |(of, turn, backwards)| {
        let place = tempfile::tempdir().unwrap();
        let mut parts = shards(&study, place.path(), of, &[]);
        let turn = turn.index(parts.len());
        parts.rotate_left(turn);
        if backwards {
            parts.reverse();
        }
        let out = place.path().join("combined");
        let done = combine(&parts, &out, &[]);
        prop_assert_eq!(code(&done), 1, "{}", err(&done));
        assert_same(&whole, &out);
        Ok(())
    });
    result.unwrap();
}

#[test]
fn a_shard_is_the_same_bytes_wherever_it_ran_and_shards_share_no_recording() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let moved = dir.path().join("elsewhere");
    std::fs::create_dir(&moved).unwrap();
    let [here, there] = [dir.path().join("a"), dir.path().join("b")];
    let parts = shards(&study, &here, 3, &[]);
    // Another machine: the study under another path, one core, in reverse order.
    let copy = moved.join("study");
    for (name, bytes) in contents(&study) {
        let path = copy.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    let others = shards(&copy, &there, 3, &["--jobs", "1"]);
    let mut seen = 0;
    for (a, b) in parts.iter().zip(&others) {
        assert_same(a, b);
        let run: Value = serde_json::from_slice(&std::fs::read(a.join("run.json")).unwrap()).unwrap();
        seen += run["shard"]["recordings"].as_u64().unwrap();
        assert_eq!(run["shard"]["recordings_of_all_shards"], recordings(&study).len());
    }
    assert_eq!(seen as usize, recordings(&study).len());
    assert!(
        !names(&here).iter().any(|n| n.starts_with('.')),
        "{:?}",
        names(&here)
    );
}

#[test]
fn options_of_the_command_line_calls_spread_and_agreement_come_through_the_shards() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 3, 2);
    let agreement = dir.path().join("agreement");
    let agreed = run(&["--quiet", "agree", text(&study), "--out", text(&agreement)]);
    assert!(matches!(code(&agreed), 0 | 1), "{}", err(&agreed));
    assert!(study.join("agreement.toml").is_file());
    let more = ["--threshold", "12.5", "--low-pass", "18"];
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &more);
    let parts = shards(&study, dir.path(), 4, &more);
    let [out, agreement_out] = [dir.path().join("combined"), dir.path().join("combined-agreement")];
    // Neither the study nor the recordings are needed.
    let gone = dir.path().join("gone");
    std::fs::rename(&study, &gone).unwrap();
    let done = combine(&parts, &out, &[]);
    assert_eq!(code(&done), 1, "{}", err(&done));
    assert_same(&whole, &out);
    let found = String::from_utf8(std::fs::read(out.join("findings.csv")).unwrap()).unwrap();
    assert!(found.contains("12.5"), "{found}");
    // Agreement as `agree` gives it, at the settings of the shards; agreement.toml is among what it reads now.
    std::fs::rename(&gone, &study).unwrap();
    let agreed = run(&["--quiet", "agree", text(&study), "--out", text(&agreement)]);
    assert!(matches!(code(&agreed), 0 | 1), "{}", err(&agreed));
    let plain = shards(&study, &dir.path().join("plain"), 2, &[]);
    let done = combine(
        &plain,
        &dir.path().join("c"),
        &["--agreement", text(&agreement_out)],
    );
    assert_eq!(code(&done), 1, "{}", err(&done));
    assert_same(&agreement, &agreement_out);
}

#[test]
fn a_blind_study_stays_hidden_when_its_shards_are_combined() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let file = study.join("study.toml");
    let blind = format!("blind = true\n{}", std::fs::read_to_string(&file).unwrap());
    std::fs::write(&file, blind).unwrap();
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &[]);
    let parts = shards(&study, dir.path(), 2, &[]);
    let out = dir.path().join("combined");
    assert_eq!(code(&combine(&parts, &out, &[])), 1);
    assert_same(&whole, &out);
    let run: Value = serde_json::from_slice(&std::fs::read(out.join("run.json")).unwrap()).unwrap();
    assert_eq!(run["blinded"], true);
}

#[test]
fn shards_that_are_missing_doubled_changed_or_of_another_run_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let parts = shards(&study, dir.path(), 3, &[]);
    let out = dir.path().join("combined");
    let refusal = |parts: &[PathBuf], words: &str| {
        let done = combine(parts, &out, &[]);
        assert_eq!(code(&done), 2);
        assert!(err(&done).contains(words), "{}", err(&done));
        assert!(!out.exists());
    };
    refusal(&parts[1..], "1 of 3 shards are missing: 1");
    refusal(&[parts.clone(), vec![parts[0].clone()]].concat(), "given twice");
    refusal(std::slice::from_ref(&study), "holds no run.json");
    let other = shards(&study, &dir.path().join("other"), 3, &["--low-pass", "15"]);
    refusal(
        &[parts[0].clone(), other[1].clone(), parts[2].clone()],
        "the settings is not the same",
    );
    let mut calls = std::fs::read_to_string(study.join("calls.csv")).unwrap();
    calls.push('\n');
    std::fs::write(study.join("calls.csv"), calls).unwrap();
    let later = shards(&study, &dir.path().join("later"), 3, &[]);
    refusal(
        &[parts[0].clone(), later[1].clone(), parts[2].clone()],
        "calls.csv of the study is not the same",
    );
    // Damage: one byte in the middle of the records.
    let records = parts[0].join("records");
    let mut bytes = std::fs::read(&records).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&records, bytes).unwrap();
    refusal(&parts, "is damaged");
}

#[test]
fn shards_of_another_build_are_refused_with_what_to_do() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 1);
    let parts = shards(&study, dir.path(), 2, &[]);
    // The fingerprint of the build ends the first line of what a shard knows of the run; run.json has the file's hash.
    let manifest = parts[1].join("manifest");
    let mut bytes = std::fs::read(&manifest).unwrap();
    let before = tautpoint::write::sha256_hex(&bytes);
    let end = bytes.iter().position(|b| *b == b'\n').unwrap();
    bytes[end - 1] = if bytes[end - 1] == b'0' { b'1' } else { b'0' };
    std::fs::write(&manifest, &bytes).unwrap();
    let run_json = parts[1].join("run.json");
    let listed = std::fs::read_to_string(&run_json).unwrap();
    let listed = listed.replace(&before, &tautpoint::write::sha256_hex(&bytes));
    std::fs::write(&run_json, listed).unwrap();
    let done = combine(&parts, &dir.path().join("combined"), &[]);
    assert_eq!(code(&done), 2);
    let told = err(&done);
    assert!(
        told.contains("another build") && told.contains("analyse all of them again"),
        "{told}"
    );
}

#[test]
fn a_recording_that_changes_between_shards_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let mut told = BTreeSet::new();
    for (i, recording) in recordings(&study).into_iter().take(6).enumerate() {
        let place = dir.path().join(format!("try-{i}"));
        let first = place.join("1");
        analyze(&study, &first, &["--shard", "1/2"]);
        let before = std::fs::read(&recording).unwrap();
        // Another length: another shard, for about half of the files.
        let mut after = before.clone();
        after.extend_from_slice(b"# said later\n");
        std::fs::write(&recording, after).unwrap();
        let second = place.join("2");
        analyze(&study, &second, &["--shard", "2/2"]);
        std::fs::write(&recording, before).unwrap();
        let done = combine(&[first, second], &place.join("out"), &[]);
        told.insert(match code(&done) {
            2 => "refused",
            _ => "same shard",
        });
        if code(&done) == 2 {
            assert!(err(&done).contains("do not change recordings"), "{}", err(&done));
        }
    }
    assert!(told.contains("refused"), "{told:?}");
}
