//! What `run.json` says of the files that went in and of the program that read them.

use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

fn run(args: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .arg("--quiet")
        .args(args)
        .output()
        .unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A study with every kind of file that an analysis reads.
fn study_with_everything(study: &Path) {
    let made = run(&[
        "simulate",
        "study",
        "--out",
        text(study),
        "--seed",
        "3",
        "--subjects",
        "1",
        "--trials",
        "2",
        "--levels",
        "L4",
        "--rate-hz",
        "200",
    ]);
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    for (name, content) in [
        ("roster.csv", "code,role\nV-01,subject\n"),
        ("draws.toml", "format = 1\n"),
        ("opened.toml", "date = 3\n"),
        ("instrument.toml", "format = 1\n"),
        ("agreement.toml", "format = 1\n"),
        ("plans/own.toml", "format = 1\n"),
        ("calibrations/cell.toml", "format = 1\n"),
        ("calibrations/verify.csv", "calibration,date\n"),
        ("recordings/SHA256SUMS", "# none yet\n"),
    ] {
        let path = study.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, content).unwrap();
    }
}

/// Every file below a folder with its hash, as the common `sha256sum` gives it where that is installed.
fn hashes(folder: &Path) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(at) = open.pop() {
        for entry in std::fs::read_dir(at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
                continue;
            }
            let hash = match Command::new("sha256sum").arg(&path).output() {
                Ok(told) => String::from_utf8(told.stdout).unwrap()[..64].to_owned(),
                Err(_) => tautpoint::read::sha256_hex(&std::fs::read(&path).unwrap()),
            };
            let name = path
                .strip_prefix(folder)
                .unwrap()
                .to_str()
                .unwrap()
                .replace('\\', "/");
            found.insert(name, hash);
        }
    }
    found
}

fn record(folder: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(folder.join("run.json")).unwrap()).unwrap()
}

/// Kind and hash of each input by name.
fn inputs(run: &Value) -> BTreeMap<String, (String, String)> {
    let word = |v: &Value| v.as_str().unwrap().to_owned();
    let all = run["inputs"].as_array().unwrap().iter();
    all.map(|i| (word(&i["file"]), (word(&i["kind"]), word(&i["sha256"]))))
        .collect()
}

#[test]
fn every_file_that_an_analysis_reads_is_listed_with_its_hash() {
    let dir = tempfile::tempdir().unwrap();
    let (study, out) = (dir.path().join("study"), dir.path().join("results"));
    study_with_everything(&study);
    let plan = dir.path().join("given.toml");
    let steps = "name = \"given\"\n\n[[step]]\nlevel = \"L4\"\nside = \"both\"\n";
    std::fs::write(&plan, steps).unwrap();
    let done = run(&[
        "analyze",
        text(&study),
        "--out",
        text(&out),
        "--figures",
        "none",
        "--plan",
        text(&plan),
    ]);
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    assert!(matches!(done.status.code(), Some(0 | 1)), "{said}");
    let listed = inputs(&record(&out));
    let mut there = hashes(&study);
    there.insert("given.toml".to_owned(), hashes(dir.path())["given.toml"].clone());
    let listed_hashes: BTreeMap<String, String> = listed
        .iter()
        .map(|(name, (_, hash))| (name.clone(), hash.clone()))
        .collect();
    assert_eq!(listed_hashes, there);
    for (name, kind) in [
        ("study.toml", "study"),
        ("calls.csv", "study"),
        ("draws.toml", "study"),
        ("recordings/SHA256SUMS", "study"),
        ("plans/own.toml", "plan"),
        ("given.toml", "plan"),
        ("calibrations/cell.toml", "calibration"),
        ("calibrations/verify.csv", "calibration"),
    ] {
        assert_eq!(listed[name].0, kind, "{name}");
    }
    for (name, (kind, _)) in &listed {
        let wanted = match name.rsplit_once('.') {
            Some((_, "csv")) if name.starts_with("recordings/") => "recording",
            Some((_, "toml")) if name.starts_with("recordings/") => "sidecar",
            _ => continue,
        };
        assert_eq!(kind, wanted, "{name}");
    }
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    let recordings = listed.values().filter(|(kind, _)| kind == "recording").count();
    assert!(
        page.contains(&format!("from {recordings} files")),
        "only recordings are counted"
    );
}

#[test]
fn a_comment_in_a_sidecar_changes_its_hash_also_in_a_run_that_is_taken_up() {
    let dir = tempfile::tempdir().unwrap();
    let study = dir.path().join("study");
    study_with_everything(&study);
    let parts = [1, 2].map(|n| dir.path().join(format!("part-{n}")));
    let shard = |n: usize| {
        let part = format!("{n}/2");
        let done = run(&[
            "analyze",
            text(&study),
            "--out",
            text(&parts[n - 1]),
            "--shard",
            &part,
        ]);
        assert!(matches!(done.status.code(), Some(0 | 1)));
    };
    (1..=2).for_each(shard);
    let all = hashes(&study);
    let sidecar = all
        .keys()
        .find(|n| n.starts_with("recordings/") && n.ends_with(".toml"))
        .unwrap();
    let path = study.join(sidecar);
    let own = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, format!("# read again\n{own}")).unwrap();
    (1..=2).for_each(shard);
    let out = dir.path().join("combined");
    let [a, b] = [text(&parts[0]), text(&parts[1])];
    let done = run(&["combine", a, b, "--out", text(&out)]);
    assert!(
        matches!(done.status.code(), Some(0 | 1)),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    let listed = inputs(&record(&out));
    assert_eq!(listed[sidecar].1, hashes(&study)[sidecar]);
    assert_ne!(listed[sidecar].1, all[sidecar]);
}

#[test]
fn whatever_writes_a_run_json_names_its_inputs_and_its_build() {
    let dir = tempfile::tempdir().unwrap();
    let study = dir.path().join("study");
    study_with_everything(&study);
    // It says that the study is blind until somebody mends it.
    std::fs::remove_file(study.join("opened.toml")).unwrap();
    let ratings = dir.path().join("scores.csv");
    std::fs::write(&ratings, "subject,rater,value\na,x,1\na,y,2\nb,x,3\nb,y,3\n").unwrap();
    let told = run(&["agree", "--ratings", text(&ratings), "--json"]);
    let told: Value = serde_json::from_slice(&told.stdout).unwrap();
    assert_eq!(told["build"], tautpoint::write::build());
    let out = |name: &str| dir.path().join(name);
    let of_ratings = [
        "agree",
        "--ratings",
        text(&ratings),
        "--out",
        text(&out("scored")),
    ]
    .map(str::to_owned);
    let of_study = ["agree", text(&study), "--out", text(&out("agreed"))].map(str::to_owned);
    let pages = ["debrief", text(&study), "--out", text(&out("class"))].map(str::to_owned);
    for (args, name, read) in [
        (&of_ratings[..], "scored", "scores.csv"),
        (&of_study[..], "agreed", "study.toml"),
        (&pages[..], "class", "roster.csv"),
    ] {
        let args: Vec<&str> = args.iter().map(String::as_str).collect();
        let done = run(&args);
        assert!(
            matches!(done.status.code(), Some(0 | 1)),
            "{}",
            String::from_utf8_lossy(&done.stderr)
        );
        let record = record(&out(name));
        assert!(inputs(&record).contains_key(read), "{name}: {}", record["inputs"]);
        assert_eq!(record["build"], tautpoint::write::build(), "{name}");
        assert_eq!(record["program"], "tautpoint");
        assert_eq!(record["version"], json!(env!("CARGO_PKG_VERSION")));
    }
}
