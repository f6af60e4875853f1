//! Studies of several computers made one: the union byte by byte, clashes, damage, refusals, kills, strange names.

use super::{assert_same, code, contents, err, names, program, run, text};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::Duration;
use tautpoint::acquire::recorder::lock::StudyLock;
use tautpoint::read::sha256_hex;
use tautpoint::simulate::Rng;
use tautpoint::study::corrections::{By, Change, Correction, CorrectionEntry, file_to_toml, parse};

/// An invented study whole, and its recordings shared out over three computers, each with its part of the lists.
fn shared_out(dir: &Path) -> (PathBuf, [PathBuf; 3]) {
    let whole = dir.join("whole");
    let parts = ["table-1", "table-2", "table-3"].map(|n| dir.join(n));
    let made = run(&[
        "simulate",
        "study",
        "--out",
        text(&whole),
        "--seed",
        "7",
        "--subjects",
        "2",
        "--examiners",
        "2",
        "--trials",
        "1",
        "--levels",
        "L4,L3",
    ]);
    assert_eq!(code(&made), 0, "{}", err(&made));
    let file = |name: &str| std::fs::read_to_string(whole.join(name)).unwrap();
    let (roster, calls) = (file("roster.csv"), file("calls.csv"));
    for (i, part) in parts.iter().enumerate() {
        std::fs::create_dir_all(part.join("plans")).unwrap();
        std::fs::create_dir_all(part.join("recordings")).unwrap();
        for name in ["study.toml", "plans/simulated-scan.toml"] {
            std::fs::copy(whole.join(name), part.join(name)).unwrap();
        }
        // Each computer has the whole roster, and the calls that were made at it.
        std::fs::write(part.join("roster.csv"), &roster).unwrap();
        let own = calls
            .lines()
            .enumerate()
            .filter(|(n, _)| *n == 0 || n % 3 == i)
            .map(|(_, l)| format!("{l}\n"));
        std::fs::write(part.join("calls.csv"), own.collect::<String>()).unwrap();
        let over = format!(
            "time,region,level,peak_n,ceiling_n,duration_s,examiner\n2026-09-07T09:0{i}:00Z,lumbar,L3,180.0,175,0.2,L-01\n"
        );
        std::fs::write(part.join("over-ceiling.csv"), over).unwrap();
        std::fs::write(
            part.join("sessions.csv"),
            "session,subject,time,cautions\ns,V-01,2026-09-07T09:00:00Z,confirmed\n",
        )
        .unwrap();
    }
    for (i, name) in recordings(&whole).iter().enumerate() {
        for name in [name.clone(), name.replace(".csv", ".toml")] {
            let to = parts[i % 3].join("recordings").join(&name);
            std::fs::copy(whole.join("recordings").join(&name), to).unwrap();
        }
    }
    parts.iter().for_each(|p| keep_sums(p));
    (whole, parts)
}

fn recordings(study: &Path) -> Vec<String> {
    let mut all = names(&study.join("recordings"));
    all.retain(|n| n.ends_with(".csv"));
    all
}

/// SHA256SUMS of all traces, as recording writes it.
fn keep_sums(study: &Path) {
    let folder = study.join("recordings");
    let line = |n: &String| format!("{}  {n}\n", sha256_hex(&std::fs::read(folder.join(n)).unwrap()));
    let sums: String = recordings(study).iter().map(line).collect();
    std::fs::write(folder.join("SHA256SUMS"), sums).unwrap();
}

fn merge(studies: &[&Path], into: &Path, more: &[&str]) -> Output {
    let mut command = program();
    command
        .arg("merge")
        .args(studies)
        .arg("--into")
        .arg(into)
        .args(more);
    command.output().unwrap()
}

fn read(path: PathBuf) -> String {
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn edit(path: PathBuf, from: &str, to: &str) {
    let before = read(path.clone());
    let after = before.replacen(from, to, 1);
    assert_ne!(before, after, "{from}");
    std::fs::write(path, after).unwrap();
}

fn all_of(studies: &[PathBuf]) -> Vec<BTreeMap<PathBuf, Vec<u8>>> {
    studies.iter().map(|s| contents(s)).collect()
}

#[test]
fn the_merged_study_is_the_union_byte_by_byte_and_gives_the_analysis_of_the_whole() {
    let dir = tempfile::tempdir().unwrap();
    let (whole, parts) = shared_out(dir.path());
    let before = all_of(&parts);
    let into = dir.path().join("merged");
    let paths = parts.each_ref().map(PathBuf::as_path);
    let done = merge(&paths, &into, &[]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    assert_eq!(all_of(&parts), before, "nothing in the studies is changed");
    // Every trace and sidecar is there, and nothing else but the hashes.
    let mut expected = contents(&whole.join("recordings"));
    let merged = contents(&into.join("recordings"));
    let sums: String = paths
        .iter()
        .map(|p| read(p.join("recordings/SHA256SUMS")))
        .collect();
    let mut lines: Vec<&str> = sums.lines().collect();
    lines.sort_by_key(|l| &l[66..]);
    expected.insert(
        "SHA256SUMS".into(),
        format!("{}\n", lines.join("\n")).into_bytes(),
    );
    assert_eq!(merged, expected);
    // Hashes by another program (GNU coreutils).
    let checked = std::process::Command::new("sha256sum")
        .args(["--check", "--strict", "--quiet", "SHA256SUMS"])
        .current_dir(into.join("recordings"))
        .output();
    if let Ok(checked) = checked {
        assert!(checked.status.success(), "{}", err(&checked));
    }
    // The lists hold each row once, whoever has it.
    let rows = |name: &str, study: &Path| {
        let mut rows: Vec<String> = read(study.join(name)).lines().map(str::to_owned).collect();
        rows.sort();
        rows
    };
    assert_eq!(rows("calls.csv", &into), rows("calls.csv", &whole));
    assert_eq!(read(into.join("roster.csv")), read(whole.join("roster.csv")));
    assert_eq!(
        rows("over-ceiling.csv", &into).len(),
        4,
        "one heading, three pushes"
    );
    assert_eq!(rows("sessions.csv", &into).len(), 2);
    // The analysis is that of the recordings in one folder.
    std::fs::copy(
        into.join("recordings/SHA256SUMS"),
        whole.join("recordings/SHA256SUMS"),
    )
    .unwrap();
    std::fs::copy(into.join("calls.csv"), whole.join("calls.csv")).unwrap();
    let analysed = [(&whole, "a"), (&into, "b")].map(|(study, name)| {
        let out = dir.path().join(name);
        let done = run(&[
            "--quiet",
            "analyze",
            text(study),
            "--out",
            text(&out),
            "--figures",
            "none",
        ]);
        assert_eq!(code(&done), 0, "{}", err(&done));
        out
    });
    assert_same(&analysed[0], &analysed[1]);
    // Once more: refused, and what is there stays.
    let there = contents(&into);
    let again = merge(&paths, &into, &[]);
    assert_eq!(code(&again), 2);
    assert!(err(&again).contains("is there already"), "{}", err(&again));
    assert_eq!(contents(&into), there);
}

#[test]
fn of_one_name_and_other_bytes_both_are_kept_with_sidecar_hash_call_and_correction_in_step() {
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    let name = recordings(&a)[0].clone();
    let stem = name.strip_suffix("_1.csv").unwrap();
    let own = recordings(&b)[0].clone();
    // The same name, level, side and trial, pressed at another table.
    std::fs::copy(b.join("recordings").join(&own), b.join("recordings").join(&name)).unwrap();
    std::fs::copy(
        a.join("recordings").join(name.replace(".csv", ".toml")),
        b.join("recordings").join(name.replace(".csv", ".toml")),
    )
    .unwrap();
    keep_sums(&b);
    let about = |key: &str| {
        let table: toml::Table = read(a.join("recordings").join(name.replace(".csv", ".toml")))
            .parse()
            .unwrap();
        table[key].as_str().unwrap().to_owned()
    };
    let call = |word: &str| {
        format!(
            "subject,examiner,session,level,trial,call\n{},{},{},{},1,{word}\n",
            about("subject"),
            about("examiner"),
            about("session"),
            about("level")
        )
    };
    std::fs::write(a.join("calls.csv"), call("left")).unwrap();
    std::fs::write(b.join("calls.csv"), call("left")).unwrap();
    let by = |who: &str| By {
        who: who.to_owned(),
        when: "2026-11-30T09:00:00Z".to_owned(),
        why: "coughed".to_owned(),
    };
    let bytes = |study: &Path| std::fs::read(study.join("recordings").join(&name)).unwrap();
    let entry = |number: u32, study: &Path, who: &str| {
        CorrectionEntry::Correction(Box::new(Correction {
            number,
            recording: format!("recordings/{name}"),
            sha256: sha256_hex(&bytes(study)),
            test: 1,
            at_s: 2.0,
            side: None,
            change: Change::LeaveOut,
            by: by(who),
        }))
    };
    let undo = CorrectionEntry::Undo {
        number: 2,
        entry: 1,
        by: by("E2"),
    };
    std::fs::write(a.join("corrections.toml"), file_to_toml(&[entry(1, &a, "E1")])).unwrap();
    std::fs::write(
        b.join("corrections.toml"),
        file_to_toml(&[entry(1, &b, "E2"), undo]),
    )
    .unwrap();

    let estimate = |n: u32| format!("examiner,recording,test,estimate_n\nL-01,recordings/{name},1,{n}\n");
    std::fs::write(a.join("estimates.csv"), estimate(80)).unwrap();
    std::fs::write(b.join("estimates.csv"), estimate(90)).unwrap();

    // Health data stays its owner's alone.
    let consent = |v: &str| {
        format!("subject,consent,day,not_over,keep_until,noted_by\n{v},given,2026-09-14,,2099-01-01,T-01\n")
    };
    std::fs::write(a.join("volunteers.csv"), consent("V-01")).unwrap();
    std::fs::write(b.join("volunteers.csv"), consent("V-02")).unwrap();

    let into = dir.path().join("merged");
    let done = merge(&[&a, &b], &into, &[]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    let volunteers = read(into.join("volunteers.csv"));
    assert!(
        volunteers.contains("V-01,given") && volunteers.contains("V-02,given"),
        "{volunteers}"
    );
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = std::fs::metadata(into.join("volunteers.csv"))
            .unwrap()
            .permissions()
            .mode();
        assert_eq!(mode & 0o077, 0, "nobody else reads it");
    }
    let told = err(&done);
    assert!(
        told.contains(&format!(
            "table-2/recordings/{name}: found a name that another study has"
        )),
        "{told}"
    );
    assert!(told.contains(&format!("{stem}_2.csv")), "{told}");
    let moved = format!("{stem}_2.csv");
    assert_eq!(
        std::fs::read(into.join("recordings").join(&name)).unwrap(),
        bytes(&a)
    );
    assert_eq!(
        std::fs::read(into.join("recordings").join(&moved)).unwrap(),
        bytes(&b)
    );
    let sidecar = |n: &str| read(into.join("recordings").join(n.replace(".csv", ".toml")));
    assert_eq!(
        sidecar(&moved),
        sidecar(&name).replacen("trial = 1", "trial = 2", 1)
    );
    let sums = read(into.join("recordings/SHA256SUMS"));
    assert!(
        sums.contains(&format!("{}  {moved}\n", sha256_hex(&bytes(&b)))),
        "{sums}"
    );
    // Both calls stand, each with the trial that it is about.
    let calls = read(into.join("calls.csv"));
    assert!(
        calls.contains(",1,left\n") && calls.contains(",2,left\n"),
        "{calls}"
    );
    let estimates = read(into.join("estimates.csv"));
    assert_eq!(
        estimates,
        format!("{}L-01,recordings/{moved},1,90\n", estimate(80))
    );
    // So do both corrections and the undo, which takes back that of its own study.
    let (read_back, problems) = parse("corrections.toml", &read(into.join("corrections.toml")));
    assert_eq!(problems, []);
    assert_eq!(read_back.active().len(), 1);
    let named: Vec<String> = read_back
        .entries
        .iter()
        .filter_map(|e| match e {
            CorrectionEntry::Correction(c) => Some(c.recording.clone()),
            CorrectionEntry::Undo { .. } => None,
        })
        .collect();
    assert_eq!(
        named,
        [format!("recordings/{name}"), format!("recordings/{moved}")]
    );
    assert_eq!(read_back.active()[0].by.who, "E1");
    // What is merged already is merged once.
    let again = dir.path().join("again");
    let done = merge(&[&into, &b], &again, &[]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    assert_same(&into.join("recordings"), &again.join("recordings"));
    for name in [
        "calls.csv",
        "estimates.csv",
        "corrections.toml",
        "roster.csv",
        "over-ceiling.csv",
        "study.toml",
    ] {
        assert_eq!(read(into.join(name)), read(again.join(name)), "{name}");
    }
}

#[test]
fn a_damaged_recording_and_a_missing_one_are_named_and_the_rest_is_merged() {
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    let [damaged, gone] = [0, 1].map(|i| recordings(&b)[i].clone());
    let path = b.join("recordings").join(&damaged);
    std::fs::write(&path, read(path.clone()) + "9,9,9\n").unwrap();
    std::fs::remove_file(b.join("recordings").join(&gone)).unwrap();
    let into = dir.path().join("merged");
    let done = merge(&[&a, &b], &into, &[]);
    assert_eq!(code(&done), 1);
    let told = err(&done);
    assert!(
        told.contains(&format!(
            "error: table-2/recordings/{damaged}: found a file that changed"
        )),
        "{told}"
    );
    assert!(
        told.contains(&format!("{gone} listed, but no such file")),
        "{told}"
    );
    assert!(!into.join("recordings").join(&damaged).exists());
    let aside = into.join("set-aside/table-2/recordings");
    assert_eq!(
        std::fs::read(aside.join(&damaged)).unwrap(),
        std::fs::read(&path).unwrap()
    );
    assert!(aside.join(damaged.replace(".csv", ".toml")).exists());
    assert_eq!(
        recordings(&into).len(),
        recordings(&a).len() + recordings(&b).len() - 1
    );
    // Nobody can forget them: whoever checks the merged study hears of both.
    let checked = run(&["check", text(&into)]);
    let told = format!("{}{}", err(&checked), String::from_utf8_lossy(&checked.stdout));
    assert!(told.contains(&damaged) && told.contains(&gone), "{told}");
    assert!(told.contains("may be recordings too"), "{told}");
    assert!(read(into.join("merged.toml")).contains(&damaged));
}

#[test]
fn studies_that_differ_in_what_matters_are_refused_line_by_line_until_one_of_them_leads() {
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    let into = dir.path().join("merged");
    edit(
        b.join("study.toml"),
        "[plan]",
        "[ceiling_n]\nlumbar = 160\n\n[plan]",
    );
    edit(
        a.join("study.toml"),
        "[plan]",
        "[ceiling_n]\nneck = 60.0\n\n[plan]",
    );
    let refused = merge(&[&a, &b], &into, &[]);
    assert_eq!(code(&refused), 2);
    let told = err(&refused);
    assert!(
        told.contains("ceiling_n.lumbar: 175.0 (shipped) in table-1, 160 (line 7) in table-2"),
        "{told}"
    );
    assert!(
        told.contains("--lead") && !told.contains("ceiling_n.neck"),
        "a default written out is no difference: {told}"
    );
    assert!(!into.exists());
    // Whoever leads, a ceiling that differs is told, also with --quiet.
    let done = merge(&[&a, &b], &into, &["--lead", text(&b), "--quiet"]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    assert!(err(&done).contains("ceiling_n.lumbar"), "{}", err(&done));
    assert_eq!(read(into.join("study.toml")), read(b.join("study.toml")));
    assert_eq!(
        read(into.join("set-aside/table-1/study.toml")),
        read(a.join("study.toml"))
    );
    // How recordings are read is nobody's to lead in.
    for (change, word) in [
        ("\n[gain]\nforce = -1\n", "gain.force"),
        ("\n[import]\nforce = \"F\"\n", "import.force"),
    ] {
        let plain = read(b.join("study.toml"));
        std::fs::write(b.join("study.toml"), plain.clone() + change).unwrap();
        let refused = merge(&[&a, &b], &dir.path().join("x"), &["--lead", text(&b)]);
        assert_eq!(code(&refused), 2, "{}", err(&refused));
        assert!(err(&refused).contains(word), "{}", err(&refused));
        std::fs::write(b.join("study.toml"), plain).unwrap();
    }
    let stranger = merge(&[&a, &b], &dir.path().join("x"), &["--lead", text(dir.path())]);
    assert!(code(&stranger) == 2 && err(&stranger).contains("none of the studies"));
    assert_eq!(
        names(dir.path()),
        ["merged", "table-1", "table-2", "table-3", "whole"]
    );
}

#[test]
fn a_blind_study_stays_blind() {
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    edit(a.join("study.toml"), "title", "blind = true\ntitle");
    let refused = merge(&[&a, &b], &dir.path().join("x"), &["--lead", text(&b)]);
    assert_eq!(code(&refused), 2);
    assert!(
        err(&refused).contains("a blind study stays blind"),
        "{}",
        err(&refused)
    );
    edit(b.join("study.toml"), "title", "blind = true\ntitle");
    let opened = run(&["open", text(&a), "--date", "2026-12-01"]);
    assert_eq!(code(&opened), 0, "{}", err(&opened));
    let into = dir.path().join("one-opened");
    let done = merge(&[&a, &b], &into, &[]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    assert!(err(&done).contains("stays blind until"), "{}", err(&done));
    assert!(!into.join("opened.toml").exists() && into.join("set-aside/table-1/opened.toml").exists());
    let analysed = run(&["analyze", text(&into)]);
    assert!(
        String::from_utf8_lossy(&analysed.stdout).contains("blind"),
        "{analysed:?}"
    );
    // Both opened: so is the merged one.
    std::fs::copy(a.join("opened.toml"), b.join("opened.toml")).unwrap();
    let into = dir.path().join("both-opened");
    assert_eq!(code(&merge(&[&a, &b], &into, &[])), 0);
    assert!(into.join("opened.toml").exists());
}

#[test]
fn codes_calls_plans_and_draws_that_contradict_each_other_are_named_and_none_is_lost() {
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    let into = dir.path().join("merged");
    std::fs::write(
        a.join("roster.csv"),
        "code,role,group\nV-01,subject,\nL-01,examiner,first-year\nL-02,examiner,\n",
    )
    .unwrap();
    std::fs::write(
        b.join("roster.csv"),
        "code;role;group;remarks\nV-01;subject;;\nL-01;examiner;second-year;\nL-03;teacher;;\n",
    )
    .unwrap();
    let call = |word: &str| format!("subject,examiner,session,level,trial,call\nV-01,L-01,s,L3,,{word}\n");
    std::fs::write(a.join("calls.csv"), call("left")).unwrap();
    std::fs::write(b.join("calls.csv"), call("right")).unwrap();
    // A plan of the same name in another order, and the draws that name it.
    edit(b.join("plans/simulated-scan.toml"), "L4", "L2");
    let draw = |plan: &str, who: &str| {
        format!(
            "format = 1\n\n[[draw]]\nexaminer = \"{who}\"\nsession = \"s\"\nplans = [\"{plan}\"]\nseed = 1\nplan = \"{plan}\"\ndrawn_at = \"2026-12-03T08:00:00Z\"\n"
        )
    };
    std::fs::write(a.join("draws.toml"), draw("seated", "L-01")).unwrap();
    std::fs::write(
        b.join("draws.toml"),
        draw("simulated-scan", "L-01") + &draw("simulated-scan", "L-03").replace("format = 1\n", ""),
    )
    .unwrap();
    let done = merge(&[&a, &b], &into, &[]);
    let told = err(&done);
    assert_eq!(code(&done), 1, "{told}");
    assert!(
        told.contains("table-2/roster.csv, column code: found L-01"),
        "{told}"
    );
    assert!(
        told.contains("table-2/calls.csv, column call: found right"),
        "{told}"
    );
    assert!(told.contains("simulated-scan-2"), "{told}");
    assert!(
        told.contains("table-2/draws.toml: found simulated-scan-2 drawn for L-01"),
        "{told}"
    );
    let roster = read(into.join("roster.csv"));
    assert!(
        roster.starts_with(
            "code,role,group,remarks\nV-01,subject,,\nL-01,examiner,first-year,\nL-02,examiner,,\n"
        ),
        "{roster}"
    );
    assert!(
        roster.contains("\n# L-01;examiner;second-year;\nL-03,teacher,,\n"),
        "{roster}"
    );
    assert!(read(into.join("calls.csv")).ends_with("left\nV-01,L-01,s,L3,,right\n"));
    assert!(read(into.join("plans/simulated-scan-2.toml")).contains("\"simulated-scan-2\""));
    let draws = read(into.join("draws.toml"));
    assert!(
        draws.contains("examiner = \"L-03\"")
            && draws.contains("plan = \"simulated-scan-2\"")
            && draws.contains("plan = \"seated\""),
        "{draws}"
    );
    assert!(into.join("set-aside/table-2/draws.toml").exists());
}

#[test]
fn a_study_that_is_being_recorded_is_refused_and_so_is_what_is_none() {
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    let into = dir.path().join("merged");
    let before = contents(&b);
    let lock = StudyLock::take(&b, "2026-09-14T10:02:31+02:00").unwrap();
    let refused = merge(&[&a, &b], &into, &[]);
    assert_eq!(code(&refused), 2);
    assert!(
        err(&refused).contains("another recorder is at work on") && err(&refused).contains("table-2"),
        "{}",
        err(&refused)
    );
    drop(lock);
    std::fs::remove_file(b.join(".recording")).unwrap();
    for (studies, out, words) in [
        (vec![&*a, &a], into.clone(), "named twice"),
        (vec![&*a], into.clone(), "name two or more"),
        (vec![&*a, &a.join("plans")], into.clone(), "is no study"),
        (vec![&*a, &b], b.join("merged"), "lies within"),
    ] {
        let refused = merge(&studies, &out, &[]);
        assert_eq!(code(&refused), 2);
        assert!(err(&refused).contains(words), "{words}: {}", err(&refused));
    }
    assert_eq!(contents(&b), before);
    assert!(!into.exists());
}

#[test]
fn killed_at_any_moment_it_leaves_the_merged_study_whole_or_not_there() {
    let dir = tempfile::tempdir().unwrap();
    let (_, parts) = shared_out(dir.path());
    let paths = parts.each_ref().map(PathBuf::as_path);
    let before = all_of(&parts);
    let whole = dir.path().join("at-once");
    assert_eq!(code(&merge(&paths, &whole, &[])), 0);
    let into = dir.path().join("merged");
    let mut rng = Rng::new(16);
    let (mut kills, mut ends) = (0, 0);
    while kills < 15 && ends < 100 {
        let mut child = program()
            .arg("merge")
            .args(paths)
            .arg("--into")
            .arg(&into)
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_micros((60_000.0 * rng.uniform()) as u64));
        if child.try_wait().unwrap().is_some() {
            ends += 1;
        } else {
            child.kill().unwrap();
            child.wait().unwrap();
            kills += 1;
        }
        if into.exists() {
            assert_same(&whole, &into);
            std::fs::remove_dir_all(&into).unwrap();
        }
    }
    assert!(kills > 3, "it always ended first");
    assert_eq!(all_of(&parts), before);
    assert_eq!(code(&merge(&paths, &into, &[])), 0);
    assert_same(&whole, &into);
    assert_eq!(
        names(dir.path()),
        ["at-once", "merged", "table-1", "table-2", "table-3", "whole"],
        "nothing is left over"
    );
}

#[cfg(unix)]
#[test]
fn strange_names_and_files_lead_nowhere_and_lose_nothing() {
    use std::os::unix::ffi::OsStrExt;
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    let trace = read(a.join("recordings").join(&recordings(&a)[0]));
    let mut strange: Vec<std::ffi::OsString> = [
        "x..csv",
        "a b\n\u{1b}[2J.csv",
        "\\..\\x.csv",
        "V-07_\u{202e}_1.csv",
        "$(x)`;'\".csv",
        "-rf.csv",
    ]
    .map(Into::into)
    .to_vec();
    strange.push(std::ffi::OsStr::from_bytes(b"\xff\xfe_1.csv").to_owned());
    for (study, more) in [(&a, ""), (&b, "\n")] {
        for name in &strange {
            // The same names in both studies, with other bytes.
            std::fs::write(study.join("recordings").join(name), trace.clone() + more).unwrap();
        }
    }
    let secret = dir.path().join("secret.txt");
    std::fs::write(&secret, "not to be copied").unwrap();
    std::os::unix::fs::symlink(&secret, b.join("notes.txt")).unwrap();
    std::os::unix::fs::symlink(dir.path(), b.join("up")).unwrap();
    let evil = format!("{}  ../../evil.csv\n", "0".repeat(64));
    std::fs::write(
        b.join("recordings/SHA256SUMS"),
        read(b.join("recordings/SHA256SUMS")) + &evil,
    )
    .unwrap();
    std::fs::write(b.join("roster.csv"), [0xff, 0x00, b'\n']).unwrap();
    let into = dir.path().join("merged");
    let done = merge(&[&a, &b], &into, &[]);
    assert_eq!(code(&done), 1, "{}", err(&done));
    assert!(!err(&done).contains('\u{1b}'));
    let merged = contents(&into);
    let copies = |more: &str| {
        merged
            .values()
            .filter(|bytes| **bytes == format!("{trace}{more}").into_bytes())
            .count()
    };
    assert_eq!((copies(""), copies("\n")), (strange.len() + 1, strange.len()));
    assert!(
        merged
            .keys()
            .all(|n| !n.to_string_lossy().contains("secret") && !n.starts_with("up"))
    );
    assert!(!into.join("notes.txt").exists());
    assert!(into.join("set-aside/table-2/roster.csv").exists());
    assert!(!read(into.join("recordings/SHA256SUMS")).contains("evil"));
    assert_eq!(
        names(dir.path()),
        ["merged", "secret.txt", "table-1", "table-2", "table-3", "whole"]
    );
}

#[test]
fn a_lone_sidecar_becomes_nobodys_and_a_stray_trace_is_mixed_with_none() {
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    let name = recordings(&a)[0].clone();
    let sidecar = name.replace(".csv", ".toml");
    std::fs::rename(
        a.join("recordings").join(&sidecar),
        b.join("recordings").join(&sidecar),
    )
    .unwrap();
    for (study, rows) in [(&a, "0.0,1.0\n"), (&b, "0.0,2.0\n")] {
        std::fs::write(study.join("stray.csv"), format!("time_s,force_n\n{rows}")).unwrap();
        std::fs::write(study.join("groups.csv"), format!("who,what\n{rows}")).unwrap();
    }
    let into = dir.path().join("merged");
    let done = merge(&[&a, &b], &into, &[]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    assert!(into.join("recordings").join(&name).exists() && !into.join("recordings").join(&sidecar).exists());
    assert!(into.join("set-aside/table-2/recordings").join(&sidecar).exists());
    assert_eq!(read(into.join("stray.csv")), read(a.join("stray.csv")));
    assert_eq!(
        read(into.join("set-aside/table-2/stray.csv")),
        read(b.join("stray.csv"))
    );
    assert_eq!(read(into.join("groups.csv")), "who,what\n0.0,1.0\n0.0,2.0\n");
}

#[test]
fn what_a_study_says_of_its_sensors_goes_into_the_sidecars_where_another_says_something_else() {
    let dir = tempfile::tempdir().unwrap();
    let (_, [a, b, _]) = shared_out(dir.path());
    edit(
        a.join("study.toml"),
        "site = \"simulated\"",
        "site = \"north\"\nsensor = \"F-1\"",
    );
    edit(
        b.join("study.toml"),
        "site = \"simulated\"",
        "site = \"south\"\ncalibration = \"F-2\"\nsensor = \"F-2\"",
    );
    let into = dir.path().join("merged");
    let done = merge(&[&a, &b], &into, &[]);
    assert_eq!(code(&done), 0, "{}", err(&done));
    let says = |study: &Path| {
        let name = recordings(study)[0].replace(".csv", ".toml");
        let table: toml::Table = read(into.join("recordings").join(name)).parse().unwrap();
        ["site", "sensor", "calibration"].map(|k| table.get(k).map(ToString::to_string))
    };
    assert_eq!(says(&a), [None, Some("[\"F-1\"]".to_owned()), None]);
    assert_eq!(
        says(&b),
        [
            Some("\"south\"".to_owned()),
            Some("[\"F-2\"]".to_owned()),
            Some("[\"F-2\"]".to_owned())
        ]
    );
    // The other way round every recording of the first would be read by a calibration that it never had.
    let refused = merge(&[&b, &a], &dir.path().join("x"), &[]);
    assert_eq!(code(&refused), 2);
    assert!(
        err(&refused).contains("names a calibration for every recording"),
        "{}",
        err(&refused)
    );
}
