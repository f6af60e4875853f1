//! Good practice: registered settings, blind studies, kept hashes of recordings, shuffled plans.
//!
//! What is claimed here is the program's own promise, so the checks are logical: two studies that are each other's mirror
//! image must give the same bytes while blind, and different ones once opened. Hashes are checked against the published
//! example of FIPS 180-4 where the hash is computed (`write`), and against coreutils' `sha256sum` where it is installed.

use polars::prelude::{ParquetReader, SerReader};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tautpoint::columns::Measure;
use tautpoint::read::sha256_hex;

const TOP: &str = "title = \"A study\"\n";

fn run(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tautpoint"));
    command.args(args).output().unwrap()
}

fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn json(args: &[&str]) -> Value {
    let output = run(args);
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {}", err(&output)))
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Everything in a folder, by its name in it.
fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    fn collect(root: &Path, dir: &Path, found: &mut BTreeMap<PathBuf, Vec<u8>>) {
        for entry in std::fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                collect(root, &path, found);
            } else {
                let name = path.strip_prefix(root).unwrap().to_owned();
                found.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    let mut found = BTreeMap::new();
    collect(dir, dir, &mut found);
    found
}

/// A study of one level, two trials a side, both over a low ceiling; the sides have these end-feels in N/mm.
fn study(dir: &Path, name: &str, top: &str, left: &str, right: &str) -> PathBuf {
    let root = dir.join(name);
    std::fs::create_dir_all(root.join("recordings")).unwrap();
    std::fs::write(
        root.join("study.toml"),
        format!("{top}\n[ceiling_n]\nlumbar = 40.0\n"),
    )
    .unwrap();
    for (side, end_feel) in [("left", left), ("right", right)] {
        for trial in ["1", "2"] {
            let path = root.join(format!("recordings/L3_{side}_{trial}.csv"));
            let output = run(&[
                "--quiet",
                "simulate",
                "trace",
                "--out",
                text(&path),
                "--seed",
                trial,
                "--springs",
                "3",
                "--level",
                "L3",
                "--side",
                side,
                "--end-feel-n-per-mm",
                end_feel,
                "--take-up-n-per-mm",
                "1.5",
                "--onset-mm",
                "8",
                "--rate-hz",
                "200",
            ]);
            assert_eq!(code(&output), 0, "{}", err(&output));
            let sidecar = format!(
                "subject = \"V-01\"\nexaminer = \"L-01\"\nsession = \"s1\"\nlevel = \"L3\"\nside = \"{side}\"\n\
                 trial = {trial}\n"
            );
            std::fs::write(path.with_extension("toml"), sidecar).unwrap();
        }
    }
    let calls = "subject,examiner,session,level,trial,call,confidence\nV-01,L-01,s1,L3,1,right,4\n";
    std::fs::write(root.join("calls.csv"), calls).unwrap();
    root
}

/// Adds a level at which one side was recorded without displacement, so that it has no stiffness.
fn add_level_without_displacement(root: &Path, lacking: &str) {
    for side in ["left", "right"] {
        let path = root.join(format!("recordings/L4_{side}.csv"));
        let mut args = vec![
            "--quiet",
            "simulate",
            "trace",
            "--out",
            text(&path),
            "--seed",
            "3",
            "--springs",
            "3",
        ];
        args.extend(["--rate-hz", "200"]);
        args.extend((side == lacking).then_some("--force-only"));
        let output = run(&args);
        assert_eq!(code(&output), 0, "{}", err(&output));
        let sidecar = format!(
            "subject = \"V-01\"\nexaminer = \"L-01\"\nsession = \"s1\"\nlevel = \"L4\"\nside = \"{side}\"\n"
        );
        std::fs::write(path.with_extension("toml"), sidecar).unwrap();
    }
}

fn small(dir: &Path, top: &str) -> PathBuf {
    study(dir, "study", top, "9", "14")
}

fn analysed(study: &Path) -> (Output, BTreeMap<PathBuf, Vec<u8>>) {
    let results = study.join("results");
    let output = run(&["analyze", text(study), "--out", text(&results)]);
    let found = if results.is_dir() {
        files(&results)
    } else {
        BTreeMap::new()
    };
    (output, found)
}

/// Without the recordings' own hashes and sizes, which tell what a recording is and nothing that was measured in it.
fn without_inputs(mut files: BTreeMap<PathBuf, Vec<u8>>) -> BTreeMap<PathBuf, Vec<u8>> {
    let run = files.get_mut(Path::new("run.json")).unwrap();
    let mut record: Value = serde_json::from_slice(run).unwrap();
    for input in record["inputs"].as_array_mut().unwrap() {
        *input = input["file"].clone();
    }
    *run = record.to_string().into_bytes();
    files
}

#[test]
fn a_blind_study_and_its_mirror_image_give_the_same_bytes_until_they_are_opened() {
    let dir = tempfile::tempdir().unwrap();
    let top = format!("blind = true\n{TOP}");
    let one = study(dir.path(), "one", &top, "9", "14");
    let mirror = study(dir.path(), "mirror", &top, "14", "9");
    add_level_without_displacement(&one, "left");
    add_level_without_displacement(&mirror, "right");
    let (first, of_one) = analysed(&one);
    let (_, of_mirror) = analysed(&mirror);
    assert_eq!(code(&first), 0, "{}", err(&first));
    assert!(of_one.len() > 10);
    let (of_one, of_mirror) = (without_inputs(of_one), without_inputs(of_mirror));
    assert_eq!(
        of_one.keys().collect::<Vec<_>>(),
        of_mirror.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &of_one {
        assert!(*bytes == of_mirror[name], "{} tells the side", name.display());
    }
    for more in [&["--json"][..], &["--budget"], &["--threshold", "5"], &[]] {
        let told = |study: &Path| out(&run(&[&["analyze", text(study)], more].concat()));
        assert_eq!(told(&one), told(&mirror), "{more:?}");
        assert!(told(&one).to_lowercase().contains("blinded"), "{more:?}");
    }
    for study in [&one, &mirror] {
        assert_eq!(code(&run(&["open", text(study), "--date", "2026-12-01"])), 0);
    }
    let side = |study: &Path| {
        let found = json(&["analyze", text(study), "--json"]);
        let findings = found["findings"].as_array().unwrap();
        let end_feel = findings.iter().find(|f| f["measure"] == "end_feel_n_per_mm");
        end_feel.unwrap()["side_of_resistance"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    assert_eq!(
        (side(&one), side(&mirror)),
        ("right".to_owned(), "left".to_owned())
    );
    let (_, opened) = analysed(&one);
    assert!(opened.keys().any(|name| name.starts_with("figures")));
    let page = String::from_utf8_lossy(&opened[Path::new("report.html")]).into_owned();
    assert!(page.contains("Blind until it was opened (2026-12-01)."));
    assert!(page.contains("the right side resisted more"));
}

#[test]
fn a_blinded_result_holds_no_measured_number_but_that_over_the_ceiling() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), "blind = true\n");
    let (_, found) = analysed(&study);
    assert!(
        found.keys().all(|name| !name.starts_with("figures")),
        "figures are hidden"
    );
    let table = |name: &str| {
        let bytes = std::io::Cursor::new(found[Path::new(name)].clone());
        ParquetReader::new(bytes).finish().unwrap()
    };
    let tests = table("tests.parquet");
    assert_eq!(tests.height(), 4);
    for measure in Measure::ALL {
        for name in [
            measure.info().name.to_owned(),
            format!("{}_u95", measure.info().name),
        ] {
            assert_eq!(tests.column(&name).unwrap().null_count(), 4, "{name}");
        }
    }
    let springs = table("springs.parquet");
    assert_eq!(springs.height(), 12);
    for column in springs.columns() {
        let told = ["recording", "test", "side", "spring", "counted"].contains(&column.name().as_str());
        assert_eq!(
            column.null_count(),
            if told { 0 } else { 12 },
            "{}",
            column.name()
        );
    }
    let findings = table("findings.parquet");
    assert!(findings.height() > 0);
    for name in [
        "left",
        "right",
        "asymmetry_percent",
        "low_percent",
        "high_percent",
        "side_of_resistance",
        "trials_to_decide",
        "call_agrees",
        "difference",
        "difference_low",
        "difference_high",
    ] {
        assert_eq!(
            findings.column(name).unwrap().null_count(),
            findings.height(),
            "{name}"
        );
    }
    let technique = String::from_utf8_lossy(&found[Path::new("technique.csv")]).into_owned();
    assert_eq!(technique.matches("over_ceiling").count(), 4, "{technique}");
    assert!(
        !technique.contains("left") && !technique.contains("right"),
        "{technique}"
    );
    let page = String::from_utf8_lossy(&found[Path::new("report.html")]).into_owned();
    assert!(page.contains("over the lumbar ceiling of 40 N"));
    assert!(page.contains("blinded: measured sides are hidden until"));
    assert!(!page.contains("<svg"));
    let run: Value = serde_json::from_slice(&found[Path::new("run.json")]).unwrap();
    assert_eq!(run["blinded"], true);
}

#[test]
fn a_recording_tells_no_more_by_itself_than_within_its_blind_study() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), "blind = true\n");
    for path in [
        study.join("recordings/L3_left_1.csv"),
        study.join("recordings"),
        dir.path().to_owned(),
    ] {
        let found = json(&["analyze", text(&path), "--json"]);
        assert_eq!(found["blinded"], true);
        assert_eq!(
            found["tests"][0]["end_feel_n_per_mm"],
            Value::Null,
            "{}",
            path.display()
        );
    }
}

#[test]
fn a_study_is_opened_once_and_only_by_a_file_that_says_when_and_with_what() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), "blind = true\n");
    let file = study.join("opened.toml");
    for by_hand in [
        "",
        "date = \"2026-12-01\"\n",
        "\u{0}\u{1}",
        "date = 3\nsettings_sha256 = [1]\n",
    ] {
        std::fs::write(&file, by_hand).unwrap();
        let output = run(&["analyze", text(&study), "--json"]);
        let found: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(found["blinded"], true, "{by_hand}");
        assert_eq!(code(&output), 1, "{by_hand}");
        assert!(found["problems"].to_string().contains("opened.toml"), "{found}");
        let refused = run(&["open", text(&study)]);
        assert_eq!(code(&refused), 2);
        assert!(err(&refused).contains("remove it"), "{}", err(&refused));
        assert_eq!(std::fs::read_to_string(&file).unwrap(), by_hand);
    }
    std::fs::remove_file(&file).unwrap();
    assert_eq!(code(&run(&["open", text(&study), "--date", "2026-02-30"])), 2);
    assert!(!file.exists());
    assert_eq!(code(&run(&["open", text(&study)])), 0);
    let today = std::fs::read_to_string(&file).unwrap();
    assert!(today.contains("settings_sha256"), "{today}");
    let again = run(&["open", text(&study)]);
    assert!(
        code(&again) == 2 && err(&again).contains("opened already"),
        "{}",
        err(&again)
    );
    // Settings that change after the opening are told.
    let toml = std::fs::read_to_string(study.join("study.toml")).unwrap();
    assert!(!out(&run(&["analyze", text(&study)])).contains("after the study was opened"));
    std::fs::write(
        study.join("study.toml"),
        toml + "[compare]\nthreshold_percent = 5.0\n",
    )
    .unwrap();
    assert!(
        out(&run(&["analyze", text(&study)]))
            .replace("\n    ", " ")
            .contains("after the study was opened")
    );
}

#[test]
fn only_a_blind_study_can_be_opened_and_blind_is_yes_or_no() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), TOP);
    let refused = run(&["open", text(&study)]);
    assert!(
        code(&refused) == 2 && err(&refused).contains("is not blind"),
        "{}",
        err(&refused)
    );
    assert_eq!(code(&run(&["open", text(dir.path())])), 2);
    std::fs::write(study.join("study.toml"), "blind = \"yes\"\n").unwrap();
    // Nothing is shown by mistake.
    let output = run(&["analyze", text(&study)]);
    assert!(
        code(&output) == 2 && err(&output).contains("blind"),
        "{}",
        err(&output)
    );
}

#[test]
fn agreement_is_told_while_blind_and_calls_against_measured_sides_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), "blind = true\n");
    let output = run(&["agree", text(&study), "--json"]);
    assert!(
        err(&output).contains("calls against the measured side: blinded"),
        "{}",
        err(&output)
    );
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(found["calls"]["against_measured"].as_array().unwrap().len(), 0);
    assert_eq!(found["calls"]["measure"], Value::Null);
    assert!(
        found["calls"]["notes"].to_string().contains("blinded"),
        "{}",
        found["calls"]
    );
    assert_eq!(code(&run(&["open", text(&study)])), 0);
    let found = json(&["agree", text(&study), "--json"]);
    assert_eq!(found["calls"]["against_measured"].as_array().unwrap().len(), 1);
}

/// The study with the block that `prepare --register` prints pasted at its end.
fn registered(dir: &Path, change: impl Fn(&str) -> String) -> PathBuf {
    let study = small(dir, TOP);
    let path = study.join("study.toml");
    let before = std::fs::read_to_string(&path).unwrap();
    let output = run(&["prepare", text(&study), "--register", "--date", "2026-09-01"]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    assert_eq!(
        std::fs::read_to_string(&path).unwrap(),
        before,
        "study.toml was written"
    );
    std::fs::write(&path, format!("{before}\n{}", change(&out(&output)))).unwrap();
    study
}

#[test]
fn settings_are_as_registered_or_each_departure_is_listed() {
    let dir = tempfile::tempdir().unwrap();
    let study = registered(dir.path(), str::to_owned);
    let checked = run(&["check", text(&study)]);
    assert_eq!(code(&checked), 0, "{}", out(&checked));
    let (output, found) = analysed(&study);
    assert_eq!(code(&output), 0, "{}", err(&output));
    assert!(
        out(&output).starts_with("Settings: as registered (2026-09-01)."),
        "{}",
        out(&output)
    );
    let page = String::from_utf8_lossy(&found[Path::new("report.html")]).into_owned();
    assert_eq!(
        page.matches("as registered (2026-09-01)").count(),
        2,
        "at the top and in the methods"
    );
    let record: Value = serde_json::from_slice(&found[Path::new("run.json")]).unwrap();
    assert_eq!(record["registered"]["standing"], "as registered");
    let departed = ["analyze", text(&study), "--low-pass", "15", "--threshold", "12"];
    let summary = out(&run(&departed));
    assert!(
        summary.starts_with("Settings depart from those registered (2026-09-01):"),
        "{summary}"
    );
    assert!(
        summary.contains("filter.low_pass_hz: registered 20.0, now 15.0"),
        "{summary}"
    );
    assert!(
        summary.contains("compare.threshold_percent: registered 15.0, now 12.0"),
        "{summary}"
    );
    let found = json(&[&departed[..], &["--json"]].concat());
    let departures = &found["registered"]["departures"];
    assert_eq!(departures.as_array().unwrap().len(), 2);
    assert_eq!(departures[1]["key"], "filter.low_pass_hz");
    assert_eq!(
        (&departures[1]["registered"], &departures[1]["now"]),
        (&"20.0".into(), &"15.0".into())
    );
}

#[test]
fn a_registration_that_was_tampered_with_is_told_and_never_called_as_registered() {
    let wrong = "0".repeat(64);
    let hash_of = |block: &str| block.split('"').nth(3).unwrap().to_owned();
    let cases: [(&str, Box<dyn Fn(&str) -> String>, i32); 4] = [
        (
            "do not give the registered hash",
            Box::new(|b| b.replace(&hash_of(b), &wrong)),
            0,
        ),
        (
            "registered.settings_sha256",
            Box::new(|b| b.replace(&hash_of(b), "abc")),
            1,
        ),
        (
            "registered.date",
            Box::new(|b| b.replace("2026-09-01", "some day")),
            1,
        ),
        (
            "unknown key",
            Box::new(|b| b.replace("[registered]\n", "[registered]\nwitness = \"L-09\"\n")),
            0,
        ),
    ];
    for (told, change, expected) in cases {
        let dir = tempfile::tempdir().unwrap();
        let study = registered(dir.path(), change);
        let output = run(&["analyze", text(&study), "--json"]);
        let found: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert!(
            found["problems"].to_string().contains(told),
            "{told}: {}",
            found["problems"]
        );
        assert_eq!(code(&output), expected, "{told}");
        let standing = &found["registered"]["standing"];
        assert_eq!(
            standing == "as registered",
            told == "unknown key",
            "{told}: {standing}"
        );
        let checked = run(&["check", text(&study)]);
        assert!(
            code(&checked) == 1 && out(&checked).contains(told),
            "{}",
            out(&checked)
        );
    }
}

#[test]
fn registering_twice_is_said_and_needs_a_study() {
    let dir = tempfile::tempdir().unwrap();
    let study = registered(dir.path(), str::to_owned);
    let again = run(&["prepare", text(&study), "--register"]);
    assert!(
        code(&again) == 0 && err(&again).contains("holds a registration of 2026-09-01"),
        "{}",
        err(&again)
    );
    assert_eq!(code(&run(&["prepare", text(dir.path()), "--register"])), 2);
    assert_eq!(
        code(&run(&["prepare", text(&study), "--register", "--date", "soon"])),
        2
    );
    assert_eq!(code(&run(&["prepare", text(&study), "--date", "2026-09-01"])), 2);
}

#[test]
fn recordings_that_changed_are_missing_or_unlisted_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), TOP);
    let recordings = study.join("recordings");
    let names = [
        "L3_left_1.csv",
        "L3_left_2.csv",
        "L3_right_1.csv",
        "L3_right_2.csv",
    ];
    let sums = |names: &[&str]| -> String {
        let line = |n: &&str| {
            format!(
                "{}  {n}\n",
                sha256_hex(&std::fs::read(recordings.join(n)).unwrap())
            )
        };
        names.iter().map(line).collect()
    };
    std::fs::write(recordings.join("SHA256SUMS"), sums(&names)).unwrap();
    // The file that we read is the one that sha256sum reads, where there is one.
    if let Ok(output) = Command::new("sha256sum")
        .args(["-c", "SHA256SUMS"])
        .current_dir(&recordings)
        .output()
    {
        assert!(output.status.success(), "{}", err(&output));
    }
    let sound = run(&["check", text(&study)]);
    assert_eq!(code(&sound), 0, "{}", out(&sound));
    let trace = std::fs::read_to_string(recordings.join(names[0])).unwrap();
    std::fs::write(recordings.join(names[0]), trace + "\n").unwrap();
    std::fs::remove_file(recordings.join(names[1])).unwrap();
    std::fs::remove_file(recordings.join("L3_left_2.toml")).unwrap();
    std::fs::copy(recordings.join(names[2]), recordings.join("extra.csv")).unwrap();
    let found = json(&["check", text(&study), "--json"]);
    let told: Vec<(String, String)> = found["problems"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| {
            (
                p["file"].as_str().unwrap().to_owned(),
                p["found"].as_str().unwrap().to_owned(),
            )
        })
        .filter(|(_, found)| found.contains("SHA256SUMS") || found.contains("listed"))
        .collect();
    let expected = [
        ("recordings/L3_left_1.csv", "changed since"),
        ("recordings/SHA256SUMS", "L3_left_2.csv listed"),
        ("recordings/extra.csv", "without a line"),
    ];
    assert_eq!(told.len(), expected.len(), "{told:?}");
    for ((file, found), (expected_file, words)) in told.iter().zip(expected) {
        assert!(file == expected_file && found.contains(words), "{file}: {found}");
    }
    let analysis = run(&["analyze", text(&study), "--json"]);
    let found: Value = serde_json::from_slice(&analysis.stdout).unwrap();
    let warnings: Vec<&Value> = found["problems"].as_array().unwrap().iter().collect();
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert_eq!(warnings[0]["file"], "recordings/L3_left_1.csv");
    assert_eq!(
        (&warnings[0]["severity"], code(&analysis)),
        (&"warning".into(), 0)
    );
}

#[test]
fn a_file_of_sums_full_of_rubbish_is_told_and_is_no_recording() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), TOP);
    let file = study.join("recordings/SHA256SUMS");
    let binary: Vec<u8> = (0..=255).cycle().take(5000).collect();
    let many = "é\u{202e} no sum at all\n".repeat(1000).into_bytes();
    for rubbish in [
        binary,
        many,
        vec![0; 100],
        format!("{}  ../../x\n", "a".repeat(64)).into_bytes(),
    ] {
        std::fs::write(&file, &rubbish).unwrap();
        let found = json(&["check", text(&study), "--json"]);
        let problems = found["problems"].to_string();
        assert!(problems.contains("recordings/SHA256SUMS"), "{problems}");
        assert!(found["problems"].as_array().unwrap().len() < 12, "{problems}");
        let found = json(&["analyze", text(&study), "--json"]);
        assert_eq!(found["tests"].as_array().unwrap().len(), 4);
    }
    std::fs::rename(&file, file.with_extension("txt")).unwrap();
    assert_eq!(
        json(&["analyze", text(&study), "--json"])["problems"]
            .as_array()
            .unwrap()
            .len(),
        0
    );
    std::fs::create_dir(&file).unwrap();
    assert_eq!(code(&run(&["check", text(&study)])), 1);
}

#[test]
fn a_shuffled_plan_keeps_its_seed_and_the_card_shows_the_drawn_order() {
    use tautpoint::study::built_in::built_in;
    use tautpoint::study::plan::{Order, Plan};
    let dir = tempfile::tempdir().unwrap();
    let made = |name: &str, seed: &str| {
        let study = dir.path().join(name);
        let output = run(&[
            "prepare",
            text(&study),
            "--title",
            "t",
            "--plan",
            "prone-broad",
            "--shuffle",
            seed,
        ]);
        assert_eq!(code(&output), 0, "{}", err(&output));
        let toml = std::fs::read_to_string(study.join("plans/prone-broad.toml")).unwrap();
        let card = std::fs::read_to_string(study.join("station-card.html")).unwrap();
        (Plan::parse("plan", &toml).0.unwrap(), card, study)
    };
    let (plan, card, study) = made("one", "4711");
    assert_eq!((plan.order, plan.seed), (Order::Random, Some(4711)));
    assert_eq!(plan.steps, built_in("prone-broad").unwrap().steps);
    let order: Vec<usize> = plan.ordered().iter().map(|(at, _)| *at).collect();
    assert!(order.windows(2).any(|w| w[0] > w[1]), "{order:?}");
    // The card's rows are those of the plan as listed, in the drawn order.
    let rows = |card: &str| -> Vec<String> {
        let rows = card.split("<tr><td class=\"n\">").skip(1);
        rows.map(|row| {
            row.split_once("</td>")
                .unwrap()
                .1
                .split("</tr>")
                .next()
                .unwrap()
                .to_owned()
        })
        .collect()
    };
    let plain = dir.path().join("as-listed");
    let output = run(&["prepare", text(&plain), "--title", "t", "--plan", "prone-broad"]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let listed = rows(&std::fs::read_to_string(plain.join("station-card.html")).unwrap());
    assert_eq!(listed.len(), order.len());
    let drawn: Vec<String> = order.iter().map(|at| listed[*at].clone()).collect();
    assert_eq!(rows(&card), drawn);
    // Other plans stay as they are, and so does the same seed.
    let other = std::fs::read_to_string(study.join("plans/seated.toml")).unwrap();
    assert!(other.contains("as listed") && !other.contains("seed"));
    assert_eq!(made("two", "4711").1, card);
    assert_ne!(made("three", "4712").1, card);
    assert_eq!(
        code(&run(&["prepare", text(&dir.path().join("x")), "--shuffle", "-1"])),
        2
    );
}

#[test]
fn a_plan_named_on_the_command_line_is_the_studys_own_before_the_built_in_one() {
    let dir = tempfile::tempdir().unwrap();
    let study = dir.path().join("study");
    let output = run(&["--quiet", "prepare", text(&study)]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let scan = study.join("recordings/scan.csv");
    let output = run(&[
        "--quiet",
        "simulate",
        "trace",
        "--out",
        text(&scan),
        "--seed",
        "1",
        "--tests",
        "2",
    ]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let own = "name = \"seated\"\n[[step]]\nlevel = \"L5\"\nside = \"both\"\ncontact = \"thumb\"\n";
    std::fs::write(study.join("plans/seated.toml"), own).unwrap();
    let found = json(&["analyze", text(&study), "--plan", "seated", "--json"]);
    let levels: Vec<&Value> = found["tests"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| &t["level"])
        .collect();
    assert_eq!(levels, ["L5", "L5"]);
}
