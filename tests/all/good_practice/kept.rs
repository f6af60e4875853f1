//! Kept hashes of recordings, and plans shuffled with a kept seed.

use super::{TOP, code, err, json, out, run, small, text};
use serde_json::Value;
use std::process::Command;
use tautpoint::read::sha256_hex;

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
    assert_eq!(warnings.len(), 3, "{warnings:?}");
    let of = |file: &str| warnings.iter().find(|w| w["file"] == file).unwrap()["found"].to_string();
    assert!(
        of("recordings/SHA256SUMS").contains("no hash of 1 recording (extra.csv)"),
        "{warnings:?}"
    );
    assert!(!of("recordings/extra.csv").is_empty(), "a copy, named");
    assert_eq!(warnings[0]["file"], "recordings/L3_left_1.csv");
    assert_eq!(
        (&warnings[0]["severity"], code(&analysis)),
        (&"warning".into(), 0)
    );
}

#[test]
fn a_study_without_any_hash_is_told_once_and_is_no_error() {
    let dir = tempfile::tempdir().unwrap();
    let study = small(dir.path(), TOP);
    let recording = study.join("recordings/L3_left_1.csv");
    let told = |args: &[&str]| {
        let done = run(args);
        assert_eq!(code(&done), 0, "{}", err(&done));
        err(&done).matches("keeps no hashes").count()
    };
    for command in ["check", "analyze"] {
        for path in [&study, &recording] {
            assert_eq!(told(&[command, text(path)]), 1, "{command} {}", path.display());
            assert_eq!(told(&[command, text(path), "--json"]), 1);
            assert_eq!(told(&[command, text(path), "--quiet"]), 0);
        }
    }
    // With hashes there is nothing of the kind to say, and of files that are no study nothing is expected.
    std::fs::write(study.join("recordings/SHA256SUMS"), "# none yet\n").unwrap();
    assert_eq!(told(&["analyze", text(&study)]), 0);
    let loose = dir.path().join("loose.csv");
    std::fs::copy(&recording, &loose).unwrap();
    assert_eq!(told(&["analyze", text(&loose)]), 0);
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
        let rows = card.split("<tr><th scope=\"row\">").skip(1);
        let steps = rows.filter(|row| row.starts_with(|c: char| c.is_ascii_digit()));
        steps
            .map(|row| {
                row.split_once("</th>")
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
