//! What was done before a run was cut short, and what makes it count no longer.

use super::{analyze, assert_same, code, contents, err, names, program, recordings, run, study, text};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// A run that is killed when it has done some recordings; gives its file of records.
fn cut_short(study: &Path, out: &Path) -> PathBuf {
    let records = out.parent().unwrap().join(format!(
        ".{}.tautpoint-records",
        out.file_name().unwrap().to_string_lossy()
    ));
    let mut child = program()
        .args([
            "--quiet",
            "analyze",
            text(study),
            "--out",
            text(out),
            "--jobs",
            "1",
        ])
        .spawn()
        .unwrap();
    let begun = Instant::now();
    while std::fs::metadata(&records).map_or(0, |m| m.len()) < 60_000 {
        assert!(begun.elapsed() < Duration::from_secs(60), "no record was made");
        std::thread::sleep(Duration::from_millis(1));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(!out.exists(), "it had ended");
    records
}

/// How many recordings a run took up from an earlier one.
fn taken_up(study: &Path, out: &Path, more: &[&str]) -> usize {
    let mut args = vec!["analyze", text(study), "--out", text(out)];
    args.extend_from_slice(more);
    let output = run(&args);
    assert!(matches!(code(&output), 0 | 1), "{}", err(&output));
    let told = err(&output);
    let line = told.lines().find_map(|l| l.strip_prefix("taken up: "));
    line.map_or(0, |l| l.split(' ').next().unwrap().parse().unwrap())
}

#[test]
fn a_run_cut_short_is_taken_up_and_gives_the_same_bytes_and_leaves_nothing_beside() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 2, 3);
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &[]);
    let out = dir.path().join("results");
    let records = cut_short(&study, &out);
    let n = taken_up(&study, &out, &[]);
    assert!(n > 0 && n < recordings(&study).len(), "{n}");
    assert_same(&whole, &out);
    assert!(!records.exists());
    assert_eq!(names(dir.path()), ["results", "study", "whole"]);
    // A run that ended has nothing to be taken up.
    assert_eq!(taken_up(&study, &out, &[]), 0);
}

#[test]
fn a_run_by_way_of_its_records_draws_what_a_run_in_memory_draws() {
    let dir = tempfile::tempdir().unwrap();
    // More tests than get a figure, and a reference to draw them over.
    let study = study(dir.path(), 4, 4);
    let file = study.join("study.toml");
    let own = std::fs::read_to_string(&file).unwrap();
    let all = recordings(&study);
    let named = all[2..5]
        .iter()
        .map(|r| format!("\"recordings/{}\"", r.file_name().unwrap().display()));
    let named = named.collect::<Vec<_>>().join(", ");
    std::fs::write(&file, format!("{own}\n[technique]\nreference = [{named}]\n")).unwrap();
    let [out, in_memory] = ["out", "in-memory"].map(|n| dir.path().join(n));
    analyze(&study, &out, &[]);
    let paths = [study.clone()];
    let results = tautpoint::batch::run(&paths, &tautpoint::batch::Options::default()).unwrap();
    assert!(results.tests.len() > 60, "{}", results.tests.len());
    tautpoint::report::output::write(&results, &in_memory, &paths, &Default::default()).unwrap();
    assert_same(&in_memory, &out);
    let figures = names(&out.join("figures"));
    assert!(figures.iter().any(|n| n.starts_with("reference-")), "{figures:?}");
}

#[test]
fn what_a_recording_hangs_on_makes_it_new_and_what_only_the_whole_hangs_on_does_not() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 2, 3);
    let first = recordings(&study)[2].clone();
    let read = |path: &Path| std::fs::read_to_string(path).unwrap();
    let append = |path: &Path, line: &str| {
        let text = if path.exists() { read(path) } else { String::new() };
        std::fs::write(path, format!("{line}\n{text}")).unwrap();
    };
    let out = dir.path().join("results");
    let records = cut_short(&study, &out);
    let kept = std::fs::read(&records).unwrap();
    let again = |more: &[&str]| {
        let _ = std::fs::remove_dir_all(&out);
        std::fs::write(&records, &kept).unwrap();
        let n = taken_up(&study, &out, more);
        let fresh = dir.path().join("fresh");
        let mut all = vec!["--fresh"];
        all.extend_from_slice(more);
        analyze(&study, &fresh, &all);
        assert_same(&fresh, &out);
        n
    };
    let all = again(&[]);
    assert!(all > 1);
    // The whole alone: every record counts, and the results are new all the same.
    append(&study.join("calls.csv"), "# later");
    assert_eq!(again(&[]), all, "calls");
    append(&study.join("roster.csv"), "# later");
    assert_eq!(again(&[]), all, "roster");
    // One sidecar: one record less.
    let sidecar = first.with_extension("toml");
    let before = read(&sidecar);
    append(&sidecar, "feedback = \"live\"");
    assert_eq!(again(&[]), all - 1, "sidecar");
    std::fs::write(&sidecar, before).unwrap();
    // One recording: one less.
    let before = std::fs::read(&first).unwrap();
    let mut after = before.clone();
    let last = after.iter().rposition(u8::is_ascii_digit).unwrap();
    after[last] = if after[last] == b'1' { b'2' } else { b'1' };
    std::fs::write(&first, after).unwrap();
    assert_eq!(again(&[]), all - 1, "content");
    std::fs::write(&first, before).unwrap();
    assert_eq!(again(&[]), all, "as it was");
    // Everything: settings on the command line, --fresh, --strict, settings and plans of the study.
    assert_eq!(again(&["--low-pass", "15"]), 0, "settings");
    assert_eq!(again(&["--strict"]), 0, "strict");
    assert_eq!(again(&["--plan", "prone-thumbs"]), 0, "plan");
    let plan = std::fs::read_dir(study.join("plans"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let before = read(&plan);
    std::fs::write(&plan, before.replace("L5", "L3")).unwrap();
    assert_eq!(again(&[]), 0, "the study's plan");
    std::fs::write(&plan, before).unwrap();
    let file = study.join("study.toml");
    let before = read(&file);
    std::fs::write(&file, format!("{before}\n[filter]\nlow_pass_hz = 18.0\n")).unwrap();
    assert_eq!(again(&[]), 0, "study.toml");
    std::fs::write(&file, before).unwrap();
    std::fs::write(study.join("instrument.toml"), INSTRUMENT).unwrap();
    assert_eq!(again(&[]), 0, "instrument");
    std::fs::remove_file(study.join("instrument.toml")).unwrap();
    // `--fresh` uses nothing.
    std::fs::write(&records, &kept).unwrap();
    assert_eq!(taken_up(&study, &out, &["--fresh"]), 0);
    assert!(!records.exists());
}

#[test]
fn what_another_build_had_done_counts_for_nothing_and_the_run_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 2, 3);
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &[]);
    let out = dir.path().join("results");
    let records = cut_short(&study, &out);
    let mut kept = std::fs::read(&records).unwrap();
    // The fingerprint of the build ends the first line.
    let end = kept.iter().position(|b| *b == b'\n').unwrap();
    kept[end - 1] = if kept[end - 1] == b'0' { b'1' } else { b'0' };
    std::fs::write(&records, kept).unwrap();
    let output = run(&["analyze", text(&study), "--out", text(&out)]);
    assert!(err(&output).contains("started over: "), "{}", err(&output));
    assert!(!err(&output).contains("taken up: "), "{}", err(&output));
    assert_same(&whole, &out);
    assert!(!records.exists());
}

const INSTRUMENT: &str = "format = 1\nforce_delay_ms = 2.0\nforce_delay_u_ms = 0.1\nloop_ratio = 0.01\nloop_ratio_u = 0.001\n\
loop_mj = 1.0\nsprings = 5\n";

#[test]
fn a_torn_end_and_a_file_that_is_no_record_are_dealt_with() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 2, 3);
    let whole = dir.path().join("whole");
    analyze(&study, &whole, &[]);
    let out = dir.path().join("results");
    let records = cut_short(&study, &out);
    let kept = std::fs::read(&records).unwrap();
    let all = taken_up(&study, &out, &[]);
    // Cut anywhere, or with rubbish behind, it is what came before.
    for cut in [0, 5, 24, 30, 60, kept.len() / 2, kept.len() - 1] {
        std::fs::write(&records, &kept[..cut]).unwrap();
        assert!(taken_up(&study, &out, &[]) < all.max(1), "{cut}");
        assert_same(&whole, &out);
    }
    std::fs::write(&records, [kept.as_slice(), b"rubbish that is no record"].concat()).unwrap();
    assert_eq!(taken_up(&study, &out, &[]), all);
    assert_same(&whole, &out);
    let foreign = b"a letter to somebody, quite long enough";
    std::fs::write(&records, foreign).unwrap();
    let refused = run(&["analyze", text(&study), "--out", text(&out)]);
    assert_eq!(code(&refused), 2);
    assert!(err(&refused).contains("--fresh"), "{}", err(&refused));
    assert_eq!(std::fs::read(&records).unwrap(), foreign);
    assert!(!contents(&out).is_empty());
}
