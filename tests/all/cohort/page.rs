//! The cohort page: what it shows, how large it is, what a click does.

use super::{analyze, study};
use crate::proof::trial::measured;
use std::path::{Path, PathBuf};
use std::process::Command;
use tautpoint::columns::Measure;
use tautpoint::report::cohort::{page, quantile};
use tautpoint::results::Results;
use tautpoint::simulate::{Condition, Rng};
use tautpoint::terms::{Level, Side};
use tautpoint::trace::{Measured, Test};

fn chromium() -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let names = ["chromium", "chromium-browser", "google-chrome"];
    let found = std::env::split_paths(&path)
        .flat_map(|folder| names.map(|n| folder.join(n)))
        .find(|p| p.is_file());
    if found.is_none() {
        let reason = "no chromium on the PATH: the cohort page was not opened in a browser";
        assert!(
            std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
            "{reason}"
        );
        println!("skipped: {reason}");
    }
    found
}

/// The page after loading and after the clicks of `script`, as a browser has it.
fn open(program: &Path, html: &str, script: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cohort.html");
    let policy = html.find("<meta http-equiv=\"Content-Security-Policy\"").unwrap();
    let end = policy + html[policy..].find('>').unwrap() + 1;
    // The page's own policy lets no other script in; only the test's copy goes without it.
    let html = match script {
        "" => html.to_owned(),
        script => format!("{}{}<script>{script}</script>", &html[..policy], &html[end..]),
    };
    std::fs::write(&file, html).unwrap();
    let output = Command::new(program)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
        ])
        .arg(format!(
            "--user-data-dir={}",
            folder.path().join("profile").display()
        ))
        .args(["--virtual-time-budget=5000", "--dump-dom"])
        .arg(format!("file://{}", file.display()))
        .output()
        .unwrap();
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The sentence above the figures.
fn words(dom: &str) -> String {
    let start = dom.find("id=\"words\">").unwrap() + "id=\"words\">".len();
    dom[start..start + dom[start..].find('<').unwrap()].to_owned()
}

/// Numbers in a sentence.
fn numbers(words: &str) -> Vec<f64> {
    let split = |c: char| !(c.is_ascii_digit() || c == '.');
    words
        .split(split)
        .filter_map(|w| w.trim_matches('.').parse().ok())
        .collect()
}

/// Ten thousand invented tests; a stiffness of 8 N/mm with a spread of a quarter, more on the right at L4.
fn cohort(n: usize) -> Results {
    let model = measured(&Condition::Clean.simulate(1).trace).remove(0);
    let mut rng = Rng::new(5);
    let levels = ["L5", "L4", "L3", "L2", "L1", "T12", "C2"];
    let tests: Vec<Test> = (0..n)
        .map(|i| {
            let mut test = Test {
                recording: format!("recordings/r{i:05}.csv"),
                curve: tautpoint::trace::Curve::default(),
                ..model.clone()
            };
            test.about.level = Level::parse(levels[i % levels.len()]);
            test.about.side = Some(if i % 2 == 0 { Side::Left } else { Side::Right });
            test.about.examiner = Some(format!("E{:02}", i % 30));
            test.about.site = Some(format!("<site & \"{}\">", i % 4));
            let more = if i % 2 == 1 && i % levels.len() == 1 {
                1.4
            } else {
                1.0
            };
            let value = 8.0 * more * (0.25 * rng.normal()).exp();
            test.measures.set(Measure::EndFeel, Measured::new(value, []));
            test
        })
        .collect();
    Results {
        tests,
        title: Some("Invented cohort".to_owned()),
        ..Results::default()
    }
}

fn of(results: &Results, keep: impl Fn(&Test) -> bool) -> [f64; 3] {
    let kept = results.tests.iter().filter(|t| keep(t));
    let mut values: Vec<f64> = kept.filter_map(|t| t.value(Measure::EndFeel)).collect();
    values.sort_by(f64::total_cmp);
    [0.5, 0.05, 0.95].map(|q| quantile(&values, q).unwrap())
}

#[test]
fn at_ten_thousand_tests_the_page_is_one_small_file_that_asks_for_nothing() {
    let results = cohort(10_000);
    let html = page(&results).unwrap();
    assert!(html.len() < 3_000_000, "{}", html.len());
    for word in [
        "http://",
        "https://",
        "src=",
        "href=",
        "url(",
        "@import",
        "norm ",
        "norms",
        "normal range",
    ] {
        assert!(
            !html.replace("http://www.w3.org/2000/svg", "").contains(word),
            "{word}"
        );
    }
    assert!(!html.contains("<site & \""), "what comes from a file is escaped");
    assert!(html.contains("this dataset"));
}

#[test]
fn what_the_page_says_is_what_the_tests_say_before_and_after_clicks() {
    let Some(program) = chromium() else { return };
    let results = cohort(10_000);
    let html = page(&results).unwrap();
    // A bin is a two-hundredth of the span that all but 0.4 % of the values lie in.
    let mut all: Vec<f64> = results
        .tests
        .iter()
        .filter_map(|t| t.value(Measure::EndFeel))
        .collect();
    all.sort_by(f64::total_cmp);
    let bin = (quantile(&all, 0.998).unwrap() - quantile(&all, 0.002).unwrap()) / 200.0;
    let near = |words: &str, n: usize, expected: [f64; 3]| {
        let told = numbers(words);
        assert_eq!(told[..2], [n as f64, 10_000.0], "{words}");
        // median, then "5", "95", then the two ends.
        let three = [told[2], told[5], told[6]];
        for (a, b) in three.iter().zip(expected) {
            assert!((a - b).abs() <= bin + 0.005, "{words}: {expected:?} ± {bin}");
        }
    };
    let plain = open(&program, &html, "");
    near(&words(&plain), 10_000, of(&results, |_| true));
    let click = |facet: &str, group: &str| {
        format!(
            "document.querySelector('.row[data-facet=\"{facet}\"][data-group=\"{group}\"]').dispatchEvent(new Event('click'));"
        )
    };
    let one = open(&program, &html, &click("side", "right"));
    near(
        &words(&one),
        5_000,
        of(&results, |t| t.side() == Some(Side::Right)),
    );
    let two = open(&program, &html, &(click("side", "right") + &click("level", "L4")));
    let both = |t: &Test| t.side() == Some(Side::Right) && t.about.level == Some(Level::L4);
    let n = results.tests.iter().filter(|t| both(t)).count();
    near(&words(&two), n, of(&results, both));
    // Twice on the same row, and it is as before.
    let again = open(
        &program,
        &html,
        &(click("side", "right") + &click("side", "right")),
    );
    assert_eq!(words(&again), words(&plain));
}

#[test]
fn a_blind_study_shows_no_measure_of_a_side() {
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 1);
    let file = study.join("study.toml");
    let blind = format!("blind = true\n{}", std::fs::read_to_string(&file).unwrap());
    std::fs::write(&file, blind).unwrap();
    let out = dir.path().join("out");
    analyze(&study, &out, &["--cohort"]);
    let html = std::fs::read_to_string(out.join("cohort.html")).unwrap();
    assert!(html.contains("Blinded") && html.contains("No test has any of these measures"));
}
