//! What is asked for by hand is meant as it was said: what changes nothing, cannot be seen or cannot be measured is refused in true
//! words, and entries give the same results wherever a study lies.

use super::cohort::{code, contents, err, program, run, text};
use super::corrections::{LEFT, RIGHT, analyzed, correct, number, of, rows, study};
use std::path::Path;
use tautpoint::study::corrections::{file_to_toml, parse};

fn asked(study: &Path, change: &[&str], why: &str) -> (i32, String) {
    let output = run(&[
        &["correct", text(study), LEFT, "--who", "E1", "--why", why][..],
        change,
    ]
    .concat());
    (
        code(&output),
        String::from_utf8_lossy(&output.stdout).into_owned() + &err(&output),
    )
}

#[test]
fn what_changes_nothing_is_refused_and_a_place_stands_among_what_changes() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let springs = of(&rows(&analyzed(&study, "before", &[]), "springs"), LEFT);
    let peak = format!("{}", number(&springs[1], "peak_s"));
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    correct(&study, LEFT, &["--annotate", "coughed", "--at", "4"]);
    let before = std::fs::read(study.join("corrections.toml")).unwrap();
    for (change, expected) in [
        (&["--to-side", "left"][..], "the side is left already"),
        (&["--to-level", "L3"], "the level is L3 already"),
        (
            &["--contact-begin", "1.9"],
            "the contact begin stands at 1.900 s already",
        ),
        (&["--spring", "2", "--peaks", &peak], "the spring peak stands at"),
        (
            &["--annotate", "coughed", "--at", "4"],
            "\"coughed\" stands at that moment already",
        ),
        (
            &["--onset-within", "-", "-"],
            "or one where the other side is open",
        ),
        (&["--onset-within", "9", "x"], "expected a number of mm, or -"),
    ] {
        let (status, said) = asked(&study, change, "as seen");
        assert!(status == 2 && said.contains(expected), "{change:?}: {said}");
    }
    assert_eq!(std::fs::read(study.join("corrections.toml")).unwrap(), before);
    let said = correct(&study, LEFT, &["--to-level", "L2"]);
    assert!(said.contains("  level: L3 before, L2 now"), "{said}");
    let said = correct(&study, RIGHT, &["--to-side", "midline"]);
    assert!(said.contains("  side: right before, midline now"), "{said}");
}

#[test]
fn a_peak_is_set_anywhere_near_the_top_of_its_push() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let before = of(&rows(&analyzed(&study, "before", &[]), "springs"), LEFT);
    let (peak_s, preload) = (number(&before[1], "peak_s"), number(&before[1], "preload_n"));
    // Refused with the reason: below the upper fifth, on either side.
    for away in [-0.2, 0.2] {
        let (status, said) = asked(
            &study,
            &["--spring", "2", "--peaks", &format!("{}", peak_s + away)],
            "as seen",
        );
        assert!(
            status == 2 && said.contains("the upper fifth of a push"),
            "{away}: {said}"
        );
    }
    for (k, away) in [0.02, 0.06, -0.04].into_iter().enumerate() {
        correct(
            &study,
            LEFT,
            &["--spring", "2", "--peaks", &format!("{}", peak_s + away)],
        );
        let after = of(
            &rows(&analyzed(&study, &format!("after-{k}"), &[]), "springs"),
            LEFT,
        );
        assert_eq!(after.len(), before.len());
        let spring = &after[1];
        assert!(
            (number(spring, "peak_s") - peak_s - away).abs() < 0.0051,
            "{away}"
        );
        // The limbs are those of the push, on both sides of it.
        for limb in ["start_s", "end_s"] {
            assert!(
                (number(spring, limb) - number(&before[1], limb)).abs() < 0.02,
                "{away} {limb}"
            );
        }
        assert!((number(spring, "preload_n") - preload).abs() < 0.2, "{away}");
        let (was, is) = (number(&before[1], "excursion_mm"), number(spring, "excursion_mm"));
        assert!(is < was && is > 0.78 * was, "{away}: {was} {is}");
        assert!(!spring["loss_ratio"].is_empty(), "{away}");
        let undone = run(&[
            "correct",
            text(&study),
            "--undo",
            &(2 * k + 1).to_string(),
            "--who",
            "E1",
            "--why",
            "try",
        ]);
        assert_eq!(code(&undone), 0, "{}", err(&undone));
    }
}

#[test]
fn a_range_may_be_open_on_one_side_and_a_lost_onset_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    let file = study.join("corrections.toml");
    let onset =
        |out: &str, study: &Path| of(&rows(&analyzed(study, out, &[]), "tests"), LEFT)[0]["onset_mm"].clone();
    let mut found = Vec::new();
    for (k, range) in [["6", "-"], ["-", "9"], ["6", "1000"], ["-1000", "9"]]
        .into_iter()
        .enumerate()
    {
        let _ = std::fs::remove_file(&file);
        correct(&study, LEFT, &["--onset-within", range[0], range[1]]);
        found.push(onset(&format!("out-{k}"), &study));
        if k == 0 {
            assert!(
                std::fs::read_to_string(&file)
                    .unwrap()
                    .contains("to = [6.0, inf]")
            );
        }
    }
    assert!(
        !found[0].is_empty() && found[0] == found[2] && found[1] == found[3],
        "{found:?}"
    );
    // Beyond the push there is none: that is said before anybody relies on it, and in the note.
    let (status, said) = asked(&study, &["--onset-within", "500", "-", "--dry-run"], "as seen");
    assert!(
        status == 0 && said.contains("note: The test has no onset any more."),
        "{said}"
    );
    std::fs::remove_file(&file).unwrap();
    correct(&study, LEFT, &["--onset-within", "500", "-"]);
    let test = &of(&rows(&analyzed(&study, "none", &[]), "tests"), LEFT)[0];
    assert!(
        test["onset_mm"].is_empty() && test["notes"].contains("none is found from 500.00 mm on"),
        "{}",
        test["notes"]
    );
}

#[test]
fn what_cannot_be_seen_or_turns_a_line_around_is_no_text_of_an_entry() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    for hidden in [
        "\u{202e}",
        "\u{2066}",
        "\u{200f}",
        "\u{61c}",
        "\u{200b}",
        "\u{feff}",
        "\u{2028}",
        "\u{e0041}",
        "\u{ad}",
    ] {
        let text_of = format!("the{hidden}table");
        for (change, why) in [
            (&["--leave-out"][..], text_of.as_str()),
            (&["--annotate", &text_of, "--at", "4"], "seen"),
        ] {
            let (status, said) = asked(&study, change, why);
            assert!(
                status == 2 && said.contains("one plain line"),
                "{text_of:?}: {said}"
            );
        }
    }
    let (status, said) = asked(&study, &["--leave-out"], "\u{200d}\u{200c}");
    assert!(status == 2 && said.contains("one plain line"), "{said}");
    // What scripts need within their words is none of it.
    let (status, said) = asked(
        &study,
        &["--annotate", "می\u{200c}خواهم", "--at", "4"],
        "השולחן זז",
    );
    assert_eq!(status, 0, "{said}");
    // Nor is it taken from a file that somebody else wrote, with its hash.
    let file = study.join("corrections.toml");
    let (known, _) = parse("corrections.toml", &std::fs::read_to_string(&file).unwrap());
    let forged = file_to_toml(&known.entries).replace("השולחן זז", "no\\u202eyes");
    let (read, problems) = parse("corrections.toml", &forged);
    assert!(
        read.faulty && problems.iter().any(|p| p.found.contains("lacks something")),
        "{problems:?}"
    );
}

fn copy(from: &Path, to: &Path) {
    for (name, bytes) in contents(from) {
        let file = to.join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, bytes).unwrap();
    }
}

#[test]
fn a_copy_elsewhere_gives_the_same_bytes_in_another_zone_language_and_number_of_threads() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path());
    correct(&study, LEFT, &["--contact-begin", "1.9"]);
    correct(&study, LEFT, &["--spring", "2", "--remove"]);
    correct(&study, LEFT, &["--annotate", "coughed", "--at", "4"]);
    correct(&study, RIGHT, &["--onset-within", "7", "-"]);
    let third = "V-01_L-01_2026-09-07_L4_left_1.csv";
    correct(&study, third, &["--to-level", "L2"]);
    let undone = run(&[
        "correct",
        text(&study),
        "--undo",
        "2",
        "--who",
        "E2",
        "--why",
        "it was one",
    ]);
    assert_eq!(code(&undone), 0, "{}", err(&undone));
    let elsewhere = dir.path().join("Benutzer Zwei/ein Ordner, ü");
    let there = elsewhere.join("study");
    copy(&study, &there);
    let here = analyzed(&study, "here", &["--cohort"]);
    let out = elsewhere.join("out");
    let output = program()
        .args(["--quiet", "analyze", "study", "--out", "out", "--cohort"])
        .current_dir(&elsewhere)
        .envs([
            ("TZ", "Pacific/Kiritimati"),
            ("LANG", "de_DE.UTF-8"),
            ("LC_ALL", "de_DE.UTF-8"),
            ("RAYON_NUM_THREADS", "1"),
            ("HOME", "/nonexistent"),
            ("USER", "other"),
        ])
        .output()
        .unwrap();
    assert!(matches!(code(&output), 0 | 1), "{}", err(&output));
    // All of them: the platform, of which run.json tells, is the same here.
    let (here, there) = (contents(&here), contents(&out));
    assert_eq!(here.keys().collect::<Vec<_>>(), there.keys().collect::<Vec<_>>());
    let differ: Vec<_> = here
        .iter()
        .filter(|(name, bytes)| there[*name] != **bytes)
        .map(|f| f.0)
        .collect();
    assert!(differ.is_empty(), "{differ:?}");
    // It holds in the copy as it does here.
    let listed =
        |study: &Path| String::from_utf8(run(&["--quiet", "correct", text(study), "--list"]).stdout).unwrap();
    assert_eq!(listed(&study), listed(&elsewhere.join("study")));
}
