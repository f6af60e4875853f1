//! What the page's server answers, and to whom; two who write; a blind study.

use super::super::cohort::{code, err, run, text};
use super::{LEFT, Served, file_of, study};
use serde_json::{Value, json};

/// Entries without the moment at which they were made.
fn without_when(file: &str) -> Vec<&str> {
    file.lines()
        .filter(|l| !l.starts_with("when = ") && !l.starts_with("sha256 = "))
        .collect()
}

#[test]
fn the_page_writes_what_the_command_line_writes_and_shows_it_before() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let copy = dir.path().join("copy");
    std::fs::create_dir(&copy).unwrap();
    for entry in ["study.toml", "recordings"] {
        let (from, to) = (study.join(entry), copy.join(entry));
        if from.is_dir() {
            std::fs::create_dir(&to).unwrap();
            for file in std::fs::read_dir(&from).unwrap() {
                let file = file.unwrap();
                std::fs::copy(file.path(), to.join(file.file_name())).unwrap();
            }
        } else {
            std::fs::copy(from, to).unwrap();
        }
    }
    let page = Served::of(&study);
    let id = page.id_of(LEFT);
    let stands = page.done("recording", &json!({ "id": id }));
    let springs = stands["tests"][0]["springs"].as_array().unwrap().len();
    let drafts = json!([
        { "row": 0, "change": { "what": "contact_begin", "to_s": 1.9 } },
        { "row": 0, "change": { "what": "remove_spring", "spring": 2 } },
        { "row": 0, "change": { "what": "annotate", "word": "it's <b>late</b>", "at_s": 4.0 } },
    ]);
    let mut asked = json!({ "id": id, "drafts": drafts, "who": "E1", "why": "as seen" });
    let proposed = page.done("propose", &asked);
    assert_eq!(file_of(&study), None, "nothing is kept before it is saved");
    let changed = proposed["changes"][0]["numbers"].as_array().unwrap();
    let of_springs = changed.iter().find(|n| n["label"] == "springs").unwrap();
    assert_eq!(of_springs["before"], springs.to_string());
    assert_eq!(of_springs["now"], (springs - 1).to_string());
    let begins = proposed["recording"]["tests"][0]["contact_begin_s"]
        .as_f64()
        .unwrap();
    assert!((begins - 1.9).abs() < 1e-9);
    asked["seen"] = stands["seen"].clone();
    asked["version"] = stands["version"].clone();
    let saved = page.done("save", &asked);
    assert_eq!(saved["entries"].as_array().unwrap().len(), 3);
    // The command lines that it showed, in a copy.
    for line in proposed["commands"].as_array().unwrap() {
        let line = line.as_str().unwrap().replace(text(&study), text(&copy));
        let said = line.replace("tautpoint ", &format!("{} ", env!("CARGO_BIN_EXE_tautpoint")));
        let output = std::process::Command::new("sh")
            .args(["-c", &said])
            .output()
            .unwrap();
        assert!(
            output.status.success(),
            "{said}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
    let (ours, theirs) = (file_of(&study).unwrap(), file_of(&copy).unwrap());
    assert_eq!(without_when(&ours), without_when(&theirs));
    // Taken back on the page it is as it was.
    for entry in [3, 2, 1] {
        let seen = page.done("recording", &json!({ "id": id }))["seen"].clone();
        let undone = json!({ "id": id, "entry": entry, "who": "E2", "why": "it was right", "seen": seen });
        page.done("undo", &undone);
    }
    let back = page.done("recording", &json!({ "id": id }));
    assert_eq!(back["tests"][0]["numbers"], stands["tests"][0]["numbers"]);
}

#[test]
fn nobody_else_is_answered_and_nothing_strange_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let page = Served::of(&study);
    let (port, cookie) = (page.port, page.cookie.clone());
    let host = format!("Host: 127.0.0.1:{port}");
    let origin = format!("Origin: http://127.0.0.1:{port}");
    let json_type = "Content-Type: application/json";
    for path in ["/", "/main.js", "/ask/study"] {
        assert_eq!(
            page.raw(&format!("GET {path} HTTP/1.1\r\n{host}"), "").0,
            403,
            "{path} without the key"
        );
    }
    let wrong = cookie.replace("=", "=0");
    for (head, what) in [
        (format!("{host}\r\n{origin}\r\n{json_type}{wrong}"), "a wrong key"),
        (format!("{host}\r\n{json_type}{cookie}"), "no origin"),
        (
            format!("{host}\r\nOrigin: http://evil.example\r\n{json_type}{cookie}"),
            "another origin",
        ),
        (
            format!("Host: evil.example:{port}\r\nOrigin: http://evil.example:{port}\r\n{json_type}{cookie}"),
            "a name that points here",
        ),
        (
            format!("{host}\r\n{origin}\r\nSec-Fetch-Site: cross-site\r\n{json_type}{cookie}"),
            "from another site",
        ),
    ] {
        let (status, body) = page.raw(&format!("POST /ask/study HTTP/1.1\r\n{head}"), "{}");
        assert_eq!(status, 403, "{what}: {body}");
    }
    let own = format!("{host}\r\n{origin}{cookie}");
    // Also what is no question at all is refused in words.
    let said = |head: &str, body: &str, status: u16, words: &str| {
        let (got, answer) = page.raw(&format!("{head} HTTP/1.1\r\n{own}"), body);
        assert!(got == status && answer.contains(words), "{head}: {got} {answer}");
    };
    said("POST /ask/study", "{}", 415, "sent as application/json");
    said(
        "GET /ask/study",
        "",
        405,
        "Pages are asked for with GET, questions with POST.",
    );
    said(
        "DELETE /ask/study",
        "",
        405,
        "Pages are asked for with GET, questions with POST.",
    );
    said(
        "POST /main.js",
        "{}",
        405,
        "Pages are asked for with GET, questions with POST.",
    );
    said("GET /nothing", "", 404, "There is no such page.");
    for path in [
        "/../Cargo.toml",
        "/%2e%2e/%2e%2e/etc/passwd",
        "//etc/passwd",
        "/page.css/..",
        "/corrections.toml",
    ] {
        assert_eq!(
            page.raw(&format!("GET {path} HTTP/1.1\r\n{host}{cookie}"), "").0,
            404,
            "{path}"
        );
    }
    let long = format!("{{\"id\":0,\"drafts\":[],\"why\":\"{}\"}}", "x".repeat(100_000));
    let (status, answer) = page.raw(&format!("POST /ask/save HTTP/1.1\r\n{own}\r\n{json_type}"), &long);
    assert!(
        status == 413 && answer.contains("longer than 64 KiB"),
        "{status} {answer}"
    );
    for (what, body) in [
        ("nothing", json!({})),
        ("recording", json!({ "id": 99 })),
        ("recording", json!({ "id": -1 })),
        ("recording", json!({ "id": "../../etc/passwd" })),
        (
            "propose",
            json!({ "id": 0, "drafts": [{ "row": 7, "change": { "what": "join" } }] }),
        ),
        (
            "propose",
            json!({ "id": 0, "drafts": [{ "row": 0, "change": { "what": "erase" } }] }),
        ),
        (
            "propose",
            json!({ "id": 0, "drafts": [{ "row": 0, "change": { "what": "split", "to_s": null } }] }),
        ),
        ("save", json!([])),
    ] {
        assert_eq!(page.ask(what, &body).0, 400, "{what} {body}");
    }
    let id = page.id_of(LEFT);
    let stands = page.done("recording", &json!({ "id": id }));
    let (seen, version) = (stands["seen"].clone(), stands["version"].clone());
    let leave_out = json!({ "row": 0, "change": { "what": "leave_out" } });
    let save = |who: &str, why: &str, drafts: Value| {
        page.ask(
            "save",
            &json!({ "id": id, "drafts": drafts, "who": who, "why": why, "seen": seen, "version": version }),
        )
    };
    for (who, why, drafts, expected) in [
        ("", "x", json!([leave_out]), "code of whoever corrects"),
        ("E1", "", json!([leave_out]), "the reason is needed"),
        ("E1\"\n[[entry]]", "x", json!([leave_out]), "a code of letters"),
        ("E1", "x\nwho = \"E9\"", json!([leave_out]), "one plain line"),
        ("E1", "\u{1b}[31m", json!([leave_out]), "one plain line"),
        ("E1", "yes \u{202e}on", json!([leave_out]), "one plain line"),
        ("E1", "\u{200b}", json!([leave_out]), "one plain line"),
        (
            "E1",
            "x",
            json!([{ "row": 0, "change": { "what": "annotate", "word": "a\u{2066}b", "at_s": 4.0 } }]),
            "one plain line",
        ),
        (
            "E1",
            "x",
            json!([{ "row": 0, "change": { "what": "side", "to": "left" } }]),
            "the side is left already",
        ),
        (
            "E1",
            "x",
            json!([{ "row": 0, "change": { "what": "level", "to": "L3" } }]),
            "the level is L3 already",
        ),
        ("E1", "x", json!([]), "nothing is proposed"),
        (
            "E1",
            "x",
            json!([{ "row": 0, "change": { "what": "contact_begin", "to_s": 1e300 } }]),
            "outside the test",
        ),
        (
            "E1",
            "x",
            json!([{ "row": 0, "change": { "what": "remove_spring", "spring": 4_000_000_000_u32 } }]),
            "no spring",
        ),
        ("E1", "x", json!(vec![leave_out.clone(); 41]), "more than 40"),
    ] {
        let (status, answer) = save(who, why, drafts);
        let told = answer["message"].as_str().unwrap_or_default();
        assert!(
            status == 422 && told.contains(expected),
            "{who} {why}: {status} {answer}"
        );
    }
    // The page is told which field is at fault, and no option of the command line.
    for (who, why, field) in [
        ("", "x", "who"),
        ("Anna", "x", "who"),
        ("E1", " ", "why"),
        ("E1", "\u{7}", "why"),
    ] {
        let (_, answer) = save(who, why, json!([leave_out]));
        assert_eq!(answer["field"], field, "{answer}");
        assert!(!answer["message"].as_str().unwrap().contains("--"), "{answer}");
    }
    let wrong_entry = json!({ "id": id, "entry": 3, "who": "E1", "why": "x", "seen": seen });
    assert_eq!(page.ask("undo", &wrong_entry).0, 422);
    assert_eq!(file_of(&study), None);
}

#[test]
fn of_two_who_write_the_page_notices_the_other() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let page = Served::of(&study);
    let id = page.id_of(LEFT);
    let stands = page.done("recording", &json!({ "id": id }));
    let other = run(&[
        "correct",
        text(&study),
        LEFT,
        "--annotate",
        "coughed",
        "--at",
        "4",
        "--who",
        "E2",
    ]);
    assert_eq!(code(&other), 0, "{}", err(&other));
    let before = file_of(&study);
    let drafts = json!([{ "row": 0, "change": { "what": "contact_begin", "to_s": 1.9 } }]);
    let save = |seen: &Value| {
        page.ask(
            "save",
            &json!({ "id": id, "drafts": drafts, "who": "E1", "why": "x", "seen": seen, "version": stands["version"] }),
        )
    };
    let (status, answer) = save(&stands["seen"]);
    assert_eq!(status, 409, "{answer}");
    assert!(
        answer["message"]
            .as_str()
            .unwrap()
            .contains("somebody else added an entry")
    );
    assert_eq!(file_of(&study), before, "what another wrote stays");
    let again = page.done("recording", &json!({ "id": id }));
    assert_eq!(again["entries"][0]["words"], "test 1 left: annotate \"coughed\"");
    let (status, answer) = save(&again["seen"]);
    assert_eq!(status, 200, "{answer}");
    assert_eq!(answer["entries"].as_array().unwrap().len(), 2);
}

#[test]
fn in_a_blind_study_the_page_tells_no_side_no_name_and_no_result() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let corrected = run(&[
        "correct",
        text(&study),
        LEFT,
        "--to-level",
        "L4",
        "--who",
        "E1",
        "--why",
        "it was",
    ]);
    assert_eq!(code(&corrected), 0, "{}", err(&corrected));
    let settings = study.join("study.toml");
    let of_settings = std::fs::read_to_string(&settings).unwrap();
    std::fs::write(&settings, format!("blind = true\n{of_settings}")).unwrap();
    let page = Served::of(&study);
    let list = page.done("study", &json!({}));
    let mut told = list["recordings"].to_string() + &list["problems"].to_string();
    for id in 0..2 {
        let stands = page.done("recording", &json!({ "id": id }));
        assert!(
            !stands["tests"][0]["curve"]["force_n"]
                .as_array()
                .unwrap()
                .is_empty()
        );
        told.push_str(&stands.to_string());
        let draft = |change: Value| json!({ "id": id, "drafts": [{ "row": 0, "change": change }], "who": "E1", "why": "x" });
        told.push_str(
            &page
                .done("propose", &draft(json!({ "what": "contact_begin", "to_s": 1.9 })))
                .to_string(),
        );
        let (status, answer) = page.ask(
            "propose",
            &draft(json!({ "what": "contact_begin", "to_s": 99.0 })),
        );
        assert_eq!(status, 422);
        told.push_str(&answer.to_string());
        // Also the side that it has, which would be told by another answer.
        for change in [
            json!({ "what": "side", "to": "left" }),
            json!({ "what": "side", "to": "right" }),
            json!({ "what": "level", "to": "L3" }),
            json!({ "what": "level", "to": "L5" }),
        ] {
            let (status, answer) = page.ask("propose", &draft(change));
            assert!(
                status == 422 && answer["message"].as_str().unwrap().contains("the study is blind"),
                "{answer}"
            );
        }
    }
    // The command lines name the folder.
    let mut told = told.replace(text(&study), "");
    let listed = run(&["correct", text(&study), "--list"]);
    told.push_str(&String::from_utf8_lossy(&listed.stdout));
    told.push_str(&err(&listed));
    assert!(
        told.contains(
            "test 1: level (not used: sides and levels are not put right while the study is blind)"
        ),
        "{told}"
    );
    assert!(
        told.contains("its reason is told when the study is opened"),
        "{told}"
    );
    // The list calls recordings as the page does.
    let number = list["recordings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["reasons"].to_string().contains("not used"))
        .unwrap();
    assert!(
        told.contains(&format!("1  {}, test 1", number["name"].as_str().unwrap())),
        "{told}"
    );
    let told = told.replace("not put right while", "");
    for secret in ["left", "right", "L3", "L4", "V-01", ".csv", "N/mm", "it was"] {
        assert!(!told.contains(secret), "{secret} in {told}");
    }
}

#[test]
fn a_study_that_is_blinded_under_the_page_tells_no_side_from_then_on() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let page = Served::of(&study);
    let id = page.id_of(LEFT);
    let stands = page.done("recording", &json!({ "id": id }));
    assert_eq!(
        (&stands["hidden"], &stands["tests"][0]["side"]),
        (&json!(false), &json!("left"))
    );
    let settings = study.join("study.toml");
    let of_settings = std::fs::read_to_string(&settings).unwrap();
    std::fs::write(&settings, format!("blind = true\n{of_settings}")).unwrap();
    let (status, answer) = page.ask("recording", &json!({ "id": id }));
    assert!(
        status == 409
            && answer["message"]
                .as_str()
                .unwrap()
                .contains("opened or blinded meanwhile"),
        "{answer}"
    );
    let stands = page.done("recording", &json!({ "id": id }));
    assert_eq!(
        (&stands["hidden"], &stands["tests"][0]["side"]),
        (&json!(true), &Value::Null)
    );
    assert!(
        !stands.to_string().contains("left")
            && !page.done("study", &json!({}))["recordings"]
                .to_string()
                .contains(".csv")
    );
}
