//! What changes under an open page: entries lost, recordings changed or gone. Nothing of it passes unseen.

use super::super::cohort::{code, err, run, text};
use super::{LEFT, Served, file_of, study};
use serde_json::{Value, json};
use std::path::Path;

const RIGHT: &str = "V-01_L-01_2026-09-07_L3_right_1.csv";

fn correct(study: &Path, recording: &str, change: &[&str]) {
    let done = run(&[
        &[
            "correct",
            text(study),
            recording,
            "--who",
            "E1",
            "--why",
            "as seen",
        ][..],
        change,
    ]
    .concat());
    assert_eq!(code(&done), 0, "{}", err(&done));
}

/// A change of a recording as the page shows it.
fn save(page: &Served, stands: &Value, change: &Value) -> (u16, Value) {
    let asked = json!({
        "id": stands["id"], "drafts": [{ "row": 0, "change": change }], "who": "E1", "why": "x",
        "seen": stands["seen"], "version": stands["version"],
    });
    page.ask("save", &asked)
}

#[track_caller]
fn conflict((status, answer): (u16, Value), words: &str) {
    let told = answer["message"].as_str().unwrap_or_default();
    assert!(status == 409 && told.contains(words), "{status} {answer}");
    assert!(!told.contains("somebody else added"), "{told}");
}

#[test]
fn entries_that_are_lost_are_told_as_that_and_never_written_over() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let file = study.join("corrections.toml");
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    let one = file_of(&study).unwrap();
    correct(&study, LEFT, &["--annotate", "coughed", "--at", "4"]);
    let two = file_of(&study).unwrap();
    let page = Served::of(&study);
    let id = page.id_of(LEFT);
    let stands = page.done("recording", &json!({ "id": id }));
    let word = json!({ "what": "annotate", "word": "moved", "at_s": 5.0 });
    let undo =
        |entry: u32| json!({ "id": id, "entry": entry, "who": "E1", "why": "x", "seen": stands["seen"] });
    std::fs::remove_file(&file).unwrap();
    let gone = "corrections.toml was taken away meanwhile, with the 2 entries that it held";
    conflict(save(&page, &stands, &word), gone);
    conflict(page.ask("undo", &undo(2)), gone);
    conflict(page.ask("recording", &json!({ "id": id })), gone);
    assert_eq!(file_of(&study), None);
    // An older file in its place, sound in itself; another one; a damaged one.
    let shrunk = "does not hold the 2 entries any more";
    let other = one.replace("as seen", "not seen");
    for left in [one.as_str(), &other, "", &two[..two.len() - 30]] {
        std::fs::write(&file, left).unwrap();
        conflict(save(&page, &stands, &word), shrunk);
        conflict(page.ask("undo", &undo(1)), shrunk);
        assert_eq!(file_of(&study).as_deref(), Some(left));
    }
    // Put back, all goes on.
    std::fs::write(&file, &two).unwrap();
    let (status, answer) = save(&page, &stands, &word);
    assert_eq!(
        (status, answer["entries"].as_array().map(Vec::len)),
        (200, Some(3)),
        "{answer}"
    );
    // What the page wrote itself may not be lost either.
    std::fs::write(&file, &two).unwrap();
    conflict(
        save(&page, &answer, &word),
        "does not hold the 3 entries any more",
    );
}

#[test]
fn what_is_saved_is_for_the_bytes_that_were_shown() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let page = Served::of(&study);
    let id = page.id_of(LEFT);
    let stands = page.done("recording", &json!({ "id": id }));
    let recording = study.join("recordings").join(LEFT);
    let before = std::fs::read(&recording).unwrap();
    let begin = json!({ "what": "contact_begin", "to_s": 1.9 });
    let changed = [before.as_slice(), b"\n"].concat();
    std::fs::write(&recording, &changed).unwrap();
    conflict(save(&page, &stands, &begin), "its bytes were changed");
    let proposal =
        json!({ "id": id, "drafts": [{ "row": 0, "change": begin }], "version": stands["version"] });
    conflict(page.ask("propose", &proposal), "its bytes were changed");
    std::fs::remove_file(&recording).unwrap();
    conflict(
        save(&page, &stands, &begin),
        "its bytes were changed, or it was taken away",
    );
    // Also one that says nothing of what it saw.
    std::fs::write(&recording, &before).unwrap();
    let unseen = json!({ "id": id, "drafts": [{ "row": 0, "change": begin }], "who": "E1", "why": "x", "seen": stands["seen"] });
    conflict(page.ask("save", &unseen), "its bytes were changed");
    assert_eq!(file_of(&study), None);
    let again = page.done("recording", &json!({ "id": id }));
    assert_ne!(again["version"], stands["version"]);
    let (status, answer) = save(&page, &again, &begin);
    assert_eq!(status, 200, "{answer}");
}

#[test]
fn entries_that_do_not_hold_any_more_are_told_on_the_page_and_in_the_list() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    correct(&study, LEFT, &["--annotate", "coughed", "--at", "4"]);
    correct(&study, RIGHT, &["--leave-out"]);
    let list = || {
        let listed = run(&["--quiet", "correct", text(&study), "--list"]);
        (
            code(&listed),
            String::from_utf8_lossy(&listed.stdout).into_owned(),
        )
    };
    let (status, listed) = list();
    assert!(status == 0 && !listed.contains("not used"), "{listed}");
    let undone = run(&[
        "correct",
        text(&study),
        "--undo",
        "2",
        "--who",
        "E1",
        "--why",
        "no",
    ]);
    assert_eq!(code(&undone), 0, "{}", err(&undone));
    let page = Served::of(&study);
    let recording = study.join("recordings").join(LEFT);
    std::fs::write(&recording, "nothing that could be read").unwrap();
    std::fs::remove_file(study.join("recordings").join(RIGHT)).unwrap();
    let other_bytes = "not used: the recording is not the one that was corrected: its bytes differ";
    let (status, listed) = list();
    let lines: Vec<&str> = listed.lines().collect();
    assert_eq!((status, lines.len()), (1, 4), "{listed}");
    assert!(
        lines[0].contains("left: contact begin from") && lines[0].contains(&format!("({other_bytes})")),
        "{listed}"
    );
    assert!(lines[1].contains("(taken back)"), "{listed}");
    assert!(
        lines[2].contains("(not used: its recording is not in the study)"),
        "{listed}"
    );
    assert!(!lines[3].contains('('), "{listed}");
    let id = page.id_of(LEFT);
    let stands = page.done("recording", &json!({ "id": id }));
    let states: Vec<(&Value, &Value)> = stands["entries"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| (&e["holds"], &e["state"]))
        .collect();
    assert_eq!(states[0], (&json!(false), &json!(other_bytes)));
    assert_eq!(states[1], (&json!(false), &json!("taken back")));
    let told = page.done("study", &json!({}));
    let of_it = told["recordings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["id"] == id)
        .unwrap()
        .clone();
    assert_eq!(
        (&of_it["corrections"], &of_it["reasons"][1]),
        (&json!(0), &json!("1 correction not used")),
        "{of_it}"
    );
    // A page that is opened now has no recording for the third entry.
    drop(page);
    let page = Served::of(&study);
    let told = page.done("study", &json!({}));
    let gone = format!("Entry 3 is for recordings/{RIGHT}, which is not in the study.");
    assert_eq!(told["problems"], json!([gone]));
    // With no recording at all they are listed all the same.
    std::fs::rename(study.join("recordings"), dir.path().join("away")).unwrap();
    let (status, listed) = list();
    assert!(
        status == 1
            && listed
                .matches("no recording of the study can be looked at")
                .count()
                == 2,
        "{listed}"
    );
    std::fs::rename(dir.path().join("away"), study.join("recordings")).unwrap();
    // analyze counts neither as used.
    let out = dir.path().join("out");
    let analyzed = run(&["--quiet", "analyze", text(&study), "--out", text(&out)]);
    assert_ne!(code(&analyzed), 0);
    assert!(err(&analyzed).contains("its bytes differ"), "{}", err(&analyzed));
}
