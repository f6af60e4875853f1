//! Every page to open or to print that the program writes, against the rules of accessibility, by axe-core in a browser.

use super::cohort::{code, contents, err, run, text};
use super::live_page::browser::Browser;
use std::path::{Path, PathBuf};

fn done(args: &[&str]) {
    let output = run(&[&["--quiet"][..], args].concat());
    assert!(matches!(code(&output), 0 | 1), "{args:?}: {}", err(&output));
}

/// One of each kind, of an invented study of two subjects.
fn pages(dir: &Path) -> Vec<PathBuf> {
    let study = dir.join("study");
    let (s, at) = (text(&study), |name: &str| text(&dir.join(name)).to_owned());
    let invented = [
        "--seed",
        "3",
        "--subjects",
        "2",
        "--trials",
        "2",
        "--levels",
        "L3",
        "--rate-hz",
        "100",
    ];
    done(&[&["simulate", "study", "--out", s][..], &invented].concat());
    done(&[
        "correct",
        s,
        "V-01_L-01_2026-09-07_L3_left_1.csv",
        "--leave-out",
        "--who",
        "E1",
        "--why",
        "moved",
    ]);
    done(&["analyze", s, "--out", &at("results"), "--cohort"]);
    done(&["debrief", s, "--out", &at("class"), "--codes"]);
    let sheet = [
        "--sheet",
        "--examiner",
        "L-01",
        "--session",
        "2026-09-07",
        "--subject",
        "V-01",
        "--plan",
        "prone-thumbs",
    ];
    done(&[&["debrief", s, "--out", &at("sheet")][..], &sheet].concat());
    done(&["agree", s, "--out", &at("agreement")]);
    let marked = dir.join("marked.csv");
    std::fs::write(
        &marked,
        "candidate,step,item,assessor_1,assessor_2\nL-01,1,order,yes,no\nL-01,2,order,no,no\n",
    )
    .unwrap();
    done(&["agree", "--marks", text(&marked), "--out", &at("marks")]);
    // One session tells of no change, and the page says so.
    assert_eq!(code(&run(&["--quiet", "change", s, "--out", &at("change")])), 1);
    let size = [
        "--effect",
        "30",
        "--subjects",
        "1",
        "--trials",
        "2",
        "--draws",
        "20",
    ];
    done(&[&["plan-size", "side", "--out", &at("size")][..], &size].concat());
    done(&["prepare", &at("new")]);
    let readings = dir.join("readings.csv");
    let rows = (0..8).map(|k| format!("{},{}\n", 5 * k, 8124 + 86_700 * k + k % 3));
    std::fs::write(
        &readings,
        format!("applied_n,indicated\n{}", rows.collect::<String>()),
    )
    .unwrap();
    let sensor = [
        "--sensor",
        "cell-4",
        "--made",
        "2026-09-01",
        "--expires",
        "2027-03-01",
    ];
    done(
        &[
            &["calibrate", text(&readings), "--out", &at("cell-4.toml")][..],
            &sensor,
        ]
        .concat(),
    );
    let found = contents(dir)
        .into_keys()
        .filter(|f| f.extension().is_some_and(|e| e == "html"));
    found.map(|f| dir.join(f)).collect()
}

#[test]
fn every_page_keeps_the_rules_of_accessibility() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let pages = pages(dir.path());
    let names: Vec<String> = pages
        .iter()
        .map(|p| p.file_name().unwrap().to_string_lossy().into_owned())
        .collect();
    let expected = [
        "report",
        "cohort",
        "class",
        "L-01",
        "agreement",
        "marks",
        "change",
        "plan-size",
        "station-card",
        "start-of-day",
        "cell-4",
    ];
    for name in expected {
        assert!(names.contains(&format!("{name}.html")), "{name}: {names:?}");
    }
    let mut found = Vec::new();
    for page in &pages {
        for dark in [false, true] {
            browser.look(1280, 900, dark);
            browser.goto(&format!("file://{}", text(page)));
            // What is folded too.
            browser.run("for (const fold of document.querySelectorAll('details')) fold.open = true");
            let faults = browser.axe();
            found.extend(
                faults
                    .iter()
                    .map(|f| format!("{}, dark {dark}: {f}", page.display())),
            );
        }
    }
    assert_eq!(found, Vec::<String>::new());
}
