//! The n-th call to the disk fails, for every n: results are whole or not there, what failed is named, and the next run is right.
//!
//! `inject.c` stands between the program and the C library. Ordinary runs take some of the calls of each kind; with
//! TAUTPOINT_EVERY_CALL=1 every one is taken.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const ENOSPC: &str = "28";
const EIO: &str = "5";
const EINTR: &str = "4";
const SHORT: &str = "short";

/// Calls of one kind that an ordinary run lets fail.
const SOME: usize = 5;

struct Injector {
    place: PathBuf,
    library: PathBuf,
}

impl Injector {
    /// `None`, with the reason printed, where there is no compiler for it.
    fn new(dir: &Path) -> Option<Injector> {
        let library = dir.join("inject.so");
        let made = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-o"])
            .arg(&library)
            .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/all/hostile/inject.c"))
            .arg("-ldl")
            .output();
        let failed = match made {
            Ok(out) if out.status.success() => {
                let place = dir.join("place");
                return Some(Injector { place, library });
            }
            Ok(out) => String::from_utf8_lossy(&out.stderr).into_owned(),
            Err(e) => e.to_string(),
        };
        assert!(
            std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
            "no injector: {failed}"
        );
        println!("skipped, since cc does not make the injector: {failed}");
        None
    }

    fn run(&self, args: &[&str]) -> Output {
        program().args(args).output().unwrap()
    }

    /// With the call `at` failing; gives how many calls there were.
    fn fail(&self, args: &[&str], under: &Path, kind: &str, fault: &str, at: usize) -> (Output, usize) {
        self.fail_counting_in(
            args,
            under,
            kind,
            fault,
            at,
            &self.library.with_extension("count"),
        )
    }

    fn fail_counting_in(
        &self,
        args: &[&str],
        under: &Path,
        kind: &str,
        fault: &str,
        at: usize,
        count: &Path,
    ) -> (Output, usize) {
        let output = program()
            .args(args)
            .env("LD_PRELOAD", &self.library)
            .env("INJECT_UNDER", under)
            .env("INJECT_KIND", kind)
            .env("INJECT_FAULT", fault)
            .env("INJECT_AT", at.to_string())
            .env("INJECT_COUNT", count)
            .output()
            .unwrap();
        let count = std::fs::read_to_string(count).unwrap_or_default();
        (output, count.trim().parse().unwrap_or(0))
    }

    fn clear(&self) {
        let _ = std::fs::remove_dir_all(&self.place);
        std::fs::create_dir_all(&self.place).unwrap();
    }
}

fn program() -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_tautpoint"));
    // One thread, so that the n-th call is the same each time.
    program
        .env("RAYON_NUM_THREADS", "1")
        .env("POLARS_MAX_THREADS", "1");
    program
}

/// What a folder holds, but for what tells of the run itself and for hidden folders, which the next run clears.
fn results(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = super::super::cohort::contents(dir);
    all.retain(|path, _| {
        path.file_name().is_some_and(|n| n != "run.json") && !path.to_string_lossy().starts_with('.')
    });
    all
}

/// Every file of a folder, hidden ones too, into another that is there.
fn copy(from: &Path, to: &Path) {
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        let into = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            std::fs::create_dir(&into).unwrap();
            copy(&entry.path(), &into);
        } else {
            std::fs::copy(entry.path(), into).unwrap();
        }
    }
}

fn chosen(calls: usize) -> Vec<usize> {
    if calls <= SOME || std::env::var_os("TAUTPOINT_EVERY_CALL").is_some() {
        return (1..=calls).collect();
    }
    let last = calls - SOME / 3;
    let mut some: Vec<usize> = (0..SOME - SOME / 3)
        .map(|i| 1 + i * last / (SOME - SOME / 3))
        .collect();
    some.extend(last + 1..=calls);
    some
}

#[track_caller]
fn in_order(output: &Output, what: &str) -> String {
    let said = [&output.stdout[..], &output.stderr].concat();
    let said = String::from_utf8_lossy(&said).into_owned();
    assert!(
        matches!(output.status.code(), Some(0..=2)),
        "{what}: {:?}: {said}",
        output.status
    );
    assert!(!said.contains("panicked"), "{what}: {said}");
    said
}

/// Every chosen call that changes the disk fails in turn.
fn writing(injector: &Injector, args: &[&str], before: &dyn Fn()) {
    let start = || {
        injector.clear();
        before();
    };
    start();
    let old = results(&injector.place);
    let plain = injector.run(args);
    in_order(&plain, "plain");
    let new = results(&injector.place);
    assert!(new != old);
    for fault in [ENOSPC, EIO, EINTR, SHORT] {
        start();
        let (_, calls) = injector.fail(args, &injector.place, "write", fault, 0);
        assert!(calls > 5, "{args:?}: {calls} calls");
        for at in chosen(calls) {
            let what = format!("{args:?}: call {at} of {calls} fails with {fault}");
            start();
            let (output, _) = injector.fail(args, &injector.place, "write", fault, at);
            let said = in_order(&output, &what);
            let now = results(&injector.place);
            if output.status.code() == plain.status.code() {
                assert!(now == new, "{what}: other results: {said}");
            } else {
                assert!(now == old, "{what}: neither as before nor whole: {said}");
                assert!(!output.stderr.is_empty(), "{what}: nothing said");
                let again = injector.run(args);
                assert_eq!(again.status.code(), plain.status.code(), "{what}, the run after");
                assert!(
                    results(&injector.place) == new,
                    "{what}: the run after it has other results"
                );
                let hidden = super::super::cohort::names(&injector.place);
                assert!(!hidden.iter().any(|n| n.starts_with('.')), "{what}: {hidden:?}");
            }
        }
        println!(
            "{} of {calls} writing calls failed with {fault}: {}",
            chosen(calls).len(),
            args[1]
        );
    }
}

/// Every chosen call that reads fails in turn: results are those of a run without faults, or it says what is missing.
fn reading(injector: &Injector, args: &[&str], input: &Path) {
    injector.clear();
    let plain = injector.run(args);
    let whole = results(&injector.place);
    for fault in [EIO, EINTR, SHORT] {
        injector.clear();
        let (_, calls) = injector.fail(args, input, "read", fault, 0);
        assert!(calls > 5, "{args:?}: {calls} calls");
        for at in chosen(calls) {
            let what = format!("{args:?}: reading call {at} of {calls} fails with {fault}");
            injector.clear();
            let (output, _) = injector.fail(args, input, "read", fault, at);
            let said = in_order(&output, &what);
            let same = output.status.code() == plain.status.code() && results(&injector.place) == whole;
            let named = fault == EIO && said.contains("error") && output.status.code() != Some(0);
            assert!(same || named, "{what}: {:?}: {said}", output.status);
        }
        println!(
            "{} of {calls} reading calls failed with {fault}: {}",
            chosen(calls).len(),
            args[1]
        );
    }
}

#[test]
fn results_are_whole_or_not_there_whichever_call_fails() {
    let dir = tempfile::tempdir().unwrap();
    let Some(injector) = Injector::new(dir.path()) else {
        return;
    };
    let study = dir.path().join("study");
    let study = study.to_str().unwrap();
    let made = [
        "--quiet",
        "simulate",
        "study",
        "--out",
        study,
        "--seed",
        "7",
        "--subjects",
        "1",
        "--trials",
        "1",
        "--levels",
        "L4",
        "--rate-hz",
        "200",
    ];
    in_order(&injector.run(&made), "simulate");
    let out = injector.place.join("out");
    let out = out.to_str().unwrap();
    let key = dir.path().join("key.toml");
    let key = key.to_str().unwrap();
    let nothing = || {};
    let analyze = ["--quiet", "analyze", study, "--out", out];
    writing(&injector, &analyze, &nothing);
    reading(&injector, &analyze, Path::new(study));
    // Over results that are there: those of other settings, made once and laid there each time.
    let other = [&analyze[..], &["--low-pass", "15"]].concat();
    injector.clear();
    in_order(&injector.run(&other), "earlier results");
    let earlier = dir.path().join("earlier");
    std::fs::rename(&injector.place, &earlier).unwrap();
    writing(&injector, &analyze, &|| copy(&earlier, &injector.place));
    let shard = ["--quiet", "analyze", study, "--shard", "1/1", "--out", out];
    writing(&injector, &shard, &nothing);
    for more in [&["--to", "parquet"][..], &["--to", "csv"], &["--share", key]] {
        let convert = [&["--quiet", "convert", study, "--out", out], more].concat();
        writing(&injector, &convert, &nothing);
        reading(&injector, &convert, Path::new(study));
    }
    let part = dir.path().join("part");
    let part = part.to_str().unwrap();
    in_order(
        &injector.run(&["--quiet", "analyze", study, "--shard", "1/1", "--out", part]),
        "a part",
    );
    let combine = ["--quiet", "combine", part, "--out", out];
    writing(&injector, &combine, &nothing);
    reading(&injector, &combine, Path::new(part));
}

/// What a file holds, but for the moments in it.
fn without_moments(path: &Path) -> Option<String> {
    let text = std::fs::read_to_string(path).ok()?;
    // The hash at the top is of the moments too.
    let at_top = text.lines().position(|l| l.starts_with("sha256 = "));
    Some(
        text.lines()
            .enumerate()
            .filter(|(k, l)| !l.starts_with("when = ") && Some(*k) != at_top)
            .map(|(_, l)| l)
            .map(|l| format!("{l}\n"))
            .collect(),
    )
}

#[test]
fn a_correction_is_added_whole_or_not_at_all_whichever_call_fails() {
    let dir = tempfile::tempdir().unwrap();
    let Some(injector) = Injector::new(dir.path()) else {
        return;
    };
    let study = injector.place.as_path();
    let recordings = study.join("recordings");
    let file = study.join("corrections.toml");
    let root = study.to_str().unwrap();
    let correct = |why: &'static str| {
        vec![
            "--quiet",
            "correct",
            root,
            "a.csv",
            "--test",
            "1",
            "--leave-out",
            "--who",
            "E1",
            "--why",
            why,
        ]
    };
    for second in [false, true] {
        let start = || {
            injector.clear();
            std::fs::create_dir(&recordings).unwrap();
            std::fs::write(study.join("study.toml"), "").unwrap();
            super::write_press(&recordings.join("a.csv"));
            if second {
                let annotate = [
                    "--quiet",
                    "correct",
                    root,
                    "a.csv",
                    "--test",
                    "1",
                    "--annotate",
                    "coughed",
                    "--at",
                    "2",
                    "--who",
                    "E1",
                    "--why",
                    "heard",
                ];
                in_order(&injector.run(&annotate), "the first entry");
            }
        };
        start();
        let old = without_moments(&file);
        in_order(&injector.run(&correct("try")), "plain");
        let new = without_moments(&file);
        assert!(new.is_some() && new != old);
        let whole_round = std::env::var_os("TAUTPOINT_EVERY_CALL").is_some();
        let faults: [(&str, &[&str]); 2] = match (whole_round, second) {
            (true, _) => [
                ("write", &[ENOSPC, EIO, EINTR, SHORT]),
                ("read", &[EIO, EINTR, SHORT]),
            ],
            (false, true) => [("write", &[ENOSPC, SHORT]), ("read", &[EIO])],
            (false, false) => [("write", &[ENOSPC]), ("read", &[])],
        };
        for (kind, faults) in faults {
            for fault in faults {
                start();
                let (_, calls) = injector.fail(&correct("try"), study, kind, fault, 0);
                assert!(calls > 1, "{kind}: {calls} calls");
                for at in chosen(calls) {
                    let what =
                        format!("{kind} call {at} of {calls} fails with {fault}, second entry: {second}");
                    start();
                    let (output, _) = injector.fail(&correct("try"), study, kind, fault, at);
                    let said = in_order(&output, &what);
                    let now = without_moments(&file);
                    if output.status.success() {
                        assert!(now == new, "{what}: {said}");
                    } else {
                        assert!(now == old && !output.stderr.is_empty(), "{what}: {said}");
                        in_order(&injector.run(&correct("try")), &what);
                        assert!(without_moments(&file) == new, "{what}: the run after it");
                    }
                }
            }
        }
    }
}

#[test]
fn a_station_s_block_and_page_are_both_written_or_neither_whichever_call_fails() {
    let dir = tempfile::tempdir().unwrap();
    let Some(injector) = Injector::new(dir.path()) else {
        return;
    };
    let place = &injector.place;
    // Looking takes seconds: all calls are tried at once, each in a study of its own.
    let look = |name: String, fault: &str, at: usize| {
        let root = place.join(name);
        std::fs::create_dir_all(&root).unwrap();
        std::fs::write(root.join("study.toml"), "# ours\n").unwrap();
        let page = root.join("page.html");
        let [study, page] = [&root, &page].map(|p| p.to_str().unwrap());
        let args = [
            "--quiet",
            "station",
            "--port",
            "sim",
            "--seconds",
            "0.7",
            "--push-seconds",
            "2",
        ];
        let args = [&args[..], &["--study", study, "--write", "--page", page]].concat();
        let one = Injector {
            place: root.clone(),
            library: injector.library.clone(),
        };
        let count = root.with_extension("count");
        let (output, calls) = one.fail_counting_in(&args, &root, "write", fault, at, &count);
        (root, output, calls)
    };
    injector.clear();
    let (_, plain, calls) = look("plain".to_owned(), ENOSPC, 0);
    assert_eq!(plain.status.code(), Some(0), "{}", in_order(&plain, "plain"));
    assert!(calls > 5, "{calls} calls");
    std::thread::scope(|scope| {
        for fault in [ENOSPC, EIO, EINTR, SHORT] {
            for at in chosen(calls) {
                let look = &look;
                scope.spawn(move || {
                    let what = format!("call {at} of {calls} fails with {fault}");
                    let (root, output, _) = look(format!("{fault}-{at}"), fault, at);
                    let said = in_order(&output, &what);
                    let block = std::fs::read_to_string(root.join("study.toml")).unwrap() != "# ours\n";
                    let page = std::fs::read_to_string(root.join("page.html"))
                        .is_ok_and(|t| t.trim_end().ends_with("</html>"));
                    let done = output.status.code() == Some(0);
                    assert_eq!((block, page), (done, done), "{what}: {said}");
                    assert!(done || !output.stderr.is_empty(), "{what}: nothing said");
                    assert_eq!(root.join("page.html").exists(), done, "{what}: half a page");
                });
            }
        }
    });
}

#[test]
fn too_few_descriptors_end_a_run_in_words() {
    let dir = tempfile::tempdir().unwrap();
    let recordings = dir.path().join("recordings");
    std::fs::create_dir(&recordings).unwrap();
    for name in ["a.csv", "b.csv"] {
        super::write_press(&recordings.join(name));
    }
    let out = dir.path().join("out");
    let run = |most: u32| {
        let _ = std::fs::remove_dir_all(&out);
        Command::new("sh")
            .args([
                "-c",
                &format!("ulimit -n {most}; exec \"$@\""),
                "sh",
                env!("CARGO_BIN_EXE_tautpoint"),
            ])
            // So many that recordings are read at once on a machine of one core too.
            .env("RAYON_NUM_THREADS", "8")
            .args([
                "--quiet",
                "analyze",
                recordings.to_str().unwrap(),
                "--out",
                out.to_str().unwrap(),
            ])
            .output()
            .unwrap()
    };
    let whole = run(256);
    in_order(&whole, "256 descriptors");
    let expected = results(&out);
    for most in 4..24 {
        let what = format!("{most} descriptors");
        let output = run(most);
        let said = in_order(&output, &what);
        // A recording that found no descriptor left costs itself only, and is named with the cause.
        let named = said.contains("Too many open files") && output.status.code() != Some(0);
        let same = output.status.code() == whole.status.code() && results(&out) == expected;
        assert!(same || named, "{what}: {said}");
    }
}
