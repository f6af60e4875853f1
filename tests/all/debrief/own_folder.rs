//! Where the pages go when nobody names a folder.

use crate::cohort::{code, contents, err, run, text};

/// A small study of two examiners.
fn invented(study: &str, levels: &str) {
    let small = [
        "--seed",
        "5",
        "--examiners",
        "2",
        "--trials",
        "1",
        "--rate-hz",
        "100",
        "--levels",
        levels,
    ];
    let made = run(&[&["simulate", "study", "--out", study][..], &small].concat());
    assert_eq!(code(&made), 0, "{}", err(&made));
}

#[test]
fn pages_without_a_folder_of_theirs_go_into_the_study_and_disturb_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let study = dir.path().join("class");
    let s = text(&study);
    invented(s, "L3");
    let elsewhere = dir.path().join("elsewhere");
    assert_eq!(code(&run(&["debrief", s, "--out", text(&elsewhere)])), 0);
    for _ in 0..2 {
        let done = run(&["debrief", s]);
        assert_eq!(code(&done), 0, "{}", err(&done));
        assert!(
            err(&done).contains(text(&study.join("debrief/class.html"))),
            "{}",
            err(&done)
        );
        assert_eq!(contents(&study.join("debrief")), contents(&elsewhere));
    }
    // By its study.toml, or by one of its recordings, the folder is the study's.
    std::fs::remove_dir_all(study.join("debrief")).unwrap();
    assert_eq!(code(&run(&["debrief", text(&study.join("study.toml"))])), 0);
    assert!(study.join("debrief/class.html").exists());
    let sheet = [
        "debrief",
        s,
        "--sheet",
        "--examiner",
        "L-01",
        "--session",
        "2026-09-07",
    ];
    let done = run(&sheet);
    assert_eq!(code(&done), 0, "{}", err(&done));
    assert!(study.join("sheets/L-01_2026-09-07/sheet.html").exists());
    assert_eq!(code(&run(&[&sheet[..], &["--subject", "V-01"]].concat())), 0);
    assert!(study.join("sheets/L-01_2026-09-07_V-01/marks.csv").exists());
    let checked = run(&["check", s]);
    assert!(
        !err(&checked).contains("may be recordings") && code(&checked) == 0,
        "{}",
        err(&checked)
    );
    // Recordings that are in no study have no such folder.
    let loose = dir.path().join("loose");
    std::fs::create_dir(&loose).unwrap();
    let name = "V-01_L-01_2026-09-07_L3_left_1.csv";
    std::fs::copy(study.join("recordings").join(name), loose.join(name)).unwrap();
    let refused = run(&["debrief", text(&loose)]);
    assert_eq!(code(&refused), 2);
    assert!(
        err(&refused).contains("is no study") && err(&refused).contains("--out"),
        "{}",
        err(&refused)
    );
}

#[test]
fn filled_in_marks_of_a_sheet_are_held_against_each_other() {
    let dir = tempfile::tempdir().unwrap();
    let study = dir.path().join("exam");
    let s = text(&study);
    invented(s, "L4,L3");
    let mut files = Vec::new();
    for (i, who) in ["L-01", "L-02"].into_iter().enumerate() {
        assert_eq!(
            code(&run(&[
                "debrief",
                s,
                "--sheet",
                "--examiner",
                who,
                "--session",
                "2026-09-07"
            ])),
            0
        );
        let path = study.join(format!("sheets/{who}_2026-09-07/marks.csv"));
        let marked: Vec<String> = std::fs::read_to_string(&path)
            .unwrap()
            .lines()
            .enumerate()
            .map(|(n, line)| match (n, line.strip_suffix(",,")) {
                (0, _) => line.to_owned(),
                // The second differs in every fifth row of the first sheet, and leaves the last row of the second blank.
                (n, Some(row)) => {
                    let first = if n % 2 == 0 { "yes" } else { "no" };
                    let second = if i == 0 && n % 5 == 0 { "partly" } else { first };
                    format!("{row},{first},{second}")
                }
                (_, None) => panic!("{line}"),
            })
            .collect();
        let filled = dir.path().join(format!("{who}.csv"));
        std::fs::write(&filled, marked.join("\n") + "\n").unwrap();
        files.push(filled);
    }
    let out = dir.path().join("marks");
    let paths: Vec<&str> = files.iter().map(|f| text(f)).collect();
    let done = run(&[&["agree", "--marks"][..], &paths, &["--out", text(&out)]].concat());
    assert_eq!(code(&done), 0, "{}", err(&done));
    let rows = |name: &str| -> Vec<Vec<String>> {
        let mut reader = csv::Reader::from_path(out.join(name)).unwrap();
        reader
            .records()
            .map(|r| r.unwrap().iter().map(str::to_owned).collect())
            .collect()
    };
    // Counted by hand from the files.
    let count = |file: &std::path::PathBuf| std::fs::read_to_string(file).unwrap().lines().count() - 1;
    let (first, second) = (count(&files[0]), count(&files[1]));
    let apart = first / 5;
    let all = &rows("marks-agreement.csv")[0];
    assert_eq!(all[0], "");
    let whole: Vec<usize> = all[1..6].iter().map(|c| c.parse().unwrap()).collect();
    assert_eq!(
        whole,
        [first + second, first + second, 0, 0, first + second - apart]
    );
    assert_eq!(rows("marks-apart.csv").len(), apart);
    assert!(
        rows("marks-apart.csv")
            .iter()
            .all(|r| r[0] == "L-01" && r.last().unwrap() == "partly")
    );
    let page = std::fs::read_to_string(out.join("marks.html")).unwrap();
    assert!(
        page.contains("Cohen's kappa") || page.contains("Cohen&#x27;s kappa"),
        "{page}"
    );
    // A slip of the pen is named with file, line and column, and the rest counts.
    let slip = std::fs::read_to_string(&files[0])
        .unwrap()
        .replacen(",no,no\n", ",nope,no\n", 1);
    std::fs::write(&files[0], slip).unwrap();
    let done = run(&[&["agree", "--marks"][..], &paths].concat());
    assert_eq!(code(&done), 1);
    assert!(
        err(&done).contains("L-01.csv, line 2, column assessor_1: found nope; expected yes, partly or no"),
        "{}",
        err(&done)
    );
    // Other words are named; empty sheets tell nothing.
    let done = run(&[
        &["agree", "--marks"][..],
        &paths,
        &["--words", "nope,no,yes,partly", "--json"],
    ]
    .concat());
    assert_eq!(code(&done), 0, "{}", err(&done));
    let json: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    assert_eq!(json["kinds"][0]["both"], first + second);
    let blank = text(&study.join("sheets/L-01_2026-09-07/marks.csv")).to_owned();
    let done = run(&["agree", "--marks", &blank]);
    assert_eq!(code(&done), 1);
    assert!(err(&done).contains("no row is marked by both"), "{}", err(&done));
    assert_eq!(
        code(&run(&["agree", "--marks", text(&dir.path().join("none.csv"))])),
        2
    );
}
