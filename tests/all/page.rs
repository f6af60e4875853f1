//! The report's page: complete, safe to open, and readable without eyes.

use crate::invented::{Push, comparison, neighbours, press};
use tautpoint::compare::{Decision, Unpaired, UnpairedSide};
use tautpoint::error::Problem;
use tautpoint::report::html::{FiguresChoice, PageOptions, figures, page};
use tautpoint::results::{Excluded, Exclusion, ExclusionCause, InputKind, InputRecord, Results};
use tautpoint::technique::{TechniqueFinding, TechniqueRule};
use tautpoint::terms::{Felt, Level, Posture, Side};
use tautpoint::trace::{DropCause, Knee, Note};

fn finding(
    rule: TechniqueRule,
    level: &str,
    recording: Option<&str>,
    observed: &str,
    next_time: &'static str,
) -> TechniqueFinding {
    TechniqueFinding {
        corrections: Vec::new(),
        recording: recording.map(str::to_owned),
        test: recording.map(|_| 1),
        subject: Some("V-07".to_owned()),
        examiner: Some("L-12".to_owned()),
        session: Some("2026-09-14".to_owned()),
        level: Level::parse(level),
        side: recording.map(|_| Side::Left),
        rule,
        value: None,
        unit: "N",
        low: None,
        high: None,
        observed: observed.to_owned(),
        next_time,
    }
}

/// An invented scan with something of everything.
fn sample() -> Results {
    let mut tests = Vec::new();
    for (level, left, right) in [
        ("T5", 9.0, 9.2),
        ("L2", 10.6, 10.9),
        ("L3", 11.0, 15.6),
        ("L4", 12.0, 13.5),
    ] {
        for trial in 1..=3 {
            for (side, k2) in [(Side::Left, left), (Side::Right, right)] {
                let wobble = 0.1 * f64::from(trial);
                let push = Push {
                    k2: k2 + wobble,
                    knee_mm: 8.0 + wobble,
                    ..Push::default()
                };
                tests.push(press(&push, level, side, trial));
            }
        }
    }
    tests[2].knee = Knee::None;
    tests[2].phases.onset_s = None;
    tests[2].notes.push(Note::Reading(
        "no knee: the slack is not shown to be out".to_owned(),
    ));
    let mut l3 = comparison("L3", 34.6, 8.2, Decision::Right);
    l3.call = Some(Felt::Right);
    l3.call_agrees = Some(true);
    Results {
        title: Some("Harbour Street skill lab, autumn term".to_owned()),
        site: Some("harbour-street".to_owned()),
        ethics_ref: Some("teaching, volunteers consented on paper".to_owned()),
        tests,
        comparisons: vec![
            comparison("T5", 2.0, 8.0, Decision::Even),
            comparison("L2", 2.8, 7.5, Decision::Even),
            l3,
            comparison("L4", 12.0, 10.0, Decision::Undecided),
            neighbours(&["T4", "T5", "T6"], 31.0, 9.0, Decision::StifferThanNeighbours),
        ],
        unpaired: vec![Unpaired {
            key: comparison("L5", 0.0, 1.0, Decision::Even).key,
            side: UnpairedSide::Left,
            trials: 2,
            reason: "no test of the right side".to_owned(),
        }],
        technique: vec![
            finding(
                TechniqueRule::OverCeiling,
                "L3",
                Some("recordings/V-07_L3_left_2.csv"),
                "peak 67.8 N, ceiling 60 N",
                "begin softer and watch the line",
            ),
            finding(
                TechniqueRule::LevelMissed,
                "L1",
                None,
                "the plan has L1 left, no test was found",
                "repeat the step",
            ),
            finding(
                TechniqueRule::UnsteadyHold,
                "L4",
                Some("recordings/V-07_L4_left_1.csv"),
                "the hold varied by 7 % of the preload",
                "lean with straight arms",
            ),
        ],
        exclusions: vec![Exclusion {
            recording: "recordings/V-07_L3_left_1.csv".to_owned(),
            test: Some(1),
            side: Some(Side::Left),
            spring: Some(2),
            what: Excluded::Spring,
            cause: ExclusionCause::Dropped(DropCause::Gap),
        }],
        problems: vec![
            Problem::error(
                "recordings/V-07_T4_left_1.csv",
                "abc",
                "a number",
                "correct or empty the cell",
            )
            .at_line(500)
            .in_column("force_n"),
        ],
        inputs: vec![InputRecord {
            kind: InputKind::Recording,
            file: "recordings/V-07_L3_left_2.csv".to_owned(),
            sha256: String::new(),
            bytes: 1,
        }],
        ..Results::default()
    }
}

fn html(results: &Results) -> String {
    page(results, &PageOptions::default()).unwrap()
}

/// Opening tags of a page, each with its attributes.
fn tags(html: &str) -> Vec<&str> {
    html.split('<')
        .skip(1)
        .filter(|t| t.starts_with(|c: char| c.is_ascii_alphabetic()))
        .filter_map(|t| t.split_once('>').map(|t| t.0))
        .collect()
}

fn name_of(tag: &str) -> &str {
    tag.split(|c: char| c.is_whitespace() || c == '/')
        .next()
        .unwrap_or("")
}

#[test]
fn a_page_says_in_plain_words_what_was_found() {
    let html = html(&sample());
    if let Ok(folder) = std::env::var("TAUTPOINT_KEEP_FIGURES") {
        std::fs::write(std::path::Path::new(&folder).join("report.html"), &html).unwrap();
    }
    for words in [
        "<b>L3</b>: the right side resisted more: 35\u{a0}% (26 to 43\u{a0}%)",
        "The examiner&#x27;s call was right, which agrees",
        "<b>L4</b>: left against right undecided.",
        "4 tests a side would decide it at this spread",
        "Left and right even within 15 %: T5, L2.",
        "<b>T4–T6</b>: resisted more than the levels beside it",
        "no knee: the slack is not shown to be out",
        "no test of the right side",
        "a gap of over 50 ms lies inside it",
        "correct or empty the cell",
    ] {
        assert!(html.contains(words), "{words}");
    }
}

#[test]
fn a_left_side_is_named_without_minus_signs() {
    let results = Results {
        comparisons: vec![comparison("L3", -34.6, 8.2, Decision::Left)],
        ..Results::default()
    };
    assert!(html(&results).contains("the left side resisted more: 35\u{a0}% (26 to 43\u{a0}%)"));
}

#[test]
fn no_word_of_verdict_about_anybody_stands_on_the_page() {
    let html = html(&sample()).to_lowercase();
    let (_, html) = html.split_once("</style>").unwrap();
    for word in [
        "normal",
        "dysfunction",
        "lesion",
        "healthy",
        "patholog",
        "restricted",
        "abnormal",
    ] {
        assert!(!html.contains(word), "{word}");
    }
}

#[test]
fn headings_are_in_order_and_there_is_one_first() {
    for results in [sample(), Results::default()] {
        let html = html(&results);
        let levels: Vec<u32> = tags(&html)
            .iter()
            .map(|t| name_of(t))
            .filter(|n| n.len() == 2 && n.starts_with('h') && n != &"hr")
            .filter_map(|n| n[1..].parse().ok())
            .collect();
        assert_eq!(levels.first(), Some(&1));
        assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1);
        for pair in levels.windows(2) {
            assert!(pair[1] <= pair[0] + 1, "{levels:?}");
        }
    }
}

#[test]
fn every_table_has_a_caption_and_headed_rows_and_columns() {
    let html = html(&sample());
    let tables: Vec<&str> = html.split("<table").skip(1).collect();
    assert!(tables.len() >= 8, "{}", tables.len());
    for table in tables {
        let table = table.split("</table>").next().unwrap();
        assert!(table.contains("<caption>"), "{table}");
        let columns = table.matches("scope=\"col\"").count();
        let rows = table.split("<tbody>").nth(1).unwrap().matches("<tr").count();
        assert!(columns > 2 && rows > 0);
        assert_eq!(table.matches("scope=\"row\"").count(), rows, "{table}");
        let cells = table.matches("<td>").count() + table.matches("<td ").count();
        assert_eq!(cells, rows * (columns - 1), "{table}");
    }
}

#[test]
fn every_figure_has_a_title_and_a_description() {
    let html = html(&sample());
    let figures = html.matches("<svg").count();
    assert_eq!(figures, 1 + sample().tests.len());
    assert_eq!(html.matches("<desc>").count(), figures);
    assert_eq!(html.matches("role=\"img\"").count(), figures);
    // The page's own title is one more.
    assert_eq!(html.matches("<title>").count(), figures + 1);
}

#[test]
fn ids_are_unique_and_every_link_leads_somewhere_on_the_page() {
    let html = html(&sample());
    let values = |name: &str| -> Vec<String> {
        tags(&html)
            .iter()
            .filter_map(|t| t.split_once(&format!(" {name}=\"")))
            .filter_map(|(_, rest)| rest.split_once('"').map(|v| v.0.to_owned()))
            .collect()
    };
    let ids = values("id");
    let unique: std::collections::HashSet<&String> = ids.iter().collect();
    assert_eq!(ids.len(), unique.len());
    let links = values("href");
    assert!(links.len() >= 9);
    for link in links {
        assert!(ids.iter().any(|id| link == format!("#{id}")), "{link}");
    }
}

#[test]
fn nothing_on_the_page_fetches_anything() {
    let html = html(&sample());
    for tag in tags(&html) {
        let name = name_of(tag);
        assert!(
            ![
                "script", "link", "img", "iframe", "object", "embed", "base", "form", "image", "use"
            ]
            .contains(&name),
            "{tag}"
        );
        for attribute in [
            " src=",
            " srcset=",
            " data=",
            " xlink:href=",
            " action=",
            " style=",
            " onload=",
            " onerror=",
        ] {
            assert!(!tag.contains(attribute), "{tag}");
        }
    }
    for part in ["url(", "@import", "@font-face"] {
        assert!(!html.contains(part), "{part}");
    }
    assert!(html.contains("content=\"default-src 'none'; style-src 'sha256-"));
}

#[test]
fn everything_from_files_is_escaped() {
    let hostile = "</p></svg><script>alert(1)</script><img src=x onerror=alert(2)>\"'{{ 7*7 }}";
    let mut results = sample();
    results.title = Some(hostile.to_owned());
    results.site = Some(hostile.to_owned());
    results.ethics_ref = Some(hostile.to_owned());
    results.settings.set_in = vec![("ceiling_n.lumbar".to_owned(), hostile.to_owned())];
    let some = Some(hostile.to_owned());
    for test in &mut results.tests {
        test.recording = format!("{hostile}{}", test.recording);
        test.notes.push(Note::Reading(hostile.to_owned()));
        let a = &mut test.about;
        for field in [&mut a.subject, &mut a.examiner, &mut a.session] {
            *field = some.clone();
        }
        a.posture = Posture::new(hostile);
    }
    for f in &mut results.comparisons {
        let k = &mut f.key;
        for field in [&mut k.subject, &mut k.examiner, &mut k.session] {
            *field = some.clone();
        }
        k.posture = Posture::new(hostile);
    }
    for r in &mut results.technique {
        for field in [&mut r.recording, &mut r.subject] {
            *field = some.clone();
        }
        r.observed = hostile.to_owned();
        r.next_time = hostile;
    }
    let e = &mut results.exclusions[0];
    e.recording = hostile.to_owned();
    e.cause = ExclusionCause::Person(hostile.to_owned());
    let p = &mut results.problems[0];
    (p.file, p.found, p.expected, p.advice) = (
        hostile.to_owned(),
        hostile.to_owned(),
        hostile.to_owned(),
        hostile.to_owned(),
    );
    results.unpaired[0].reason = hostile.to_owned();
    let html = html(&results);
    assert!(html.contains("&lt;script&gt;") && html.contains("{{ 7*7 }}"));
    for tag in tags(&html) {
        assert!(!["script", "img"].contains(&name_of(tag)), "{tag}");
    }
    assert_eq!(html.matches("<svg").count(), html.matches("</svg>").count());
    for (name, _) in figures(&results, &PageOptions::default()) {
        assert!(
            name.chars()
                .all(|c| c.is_ascii_alphanumeric() || "_-".contains(c)),
            "{name}"
        );
    }
}

/// A thousand tests: each level of the sample many times over, with a finding on every one.
fn thousand() -> Results {
    let mut results = sample();
    let few = std::mem::take(&mut results.tests);
    for i in 0..1000 {
        let mut test = few[i % few.len()].clone();
        test.about.subject = Some(format!("V-{:03}", i / 24));
        test.recording = format!("recordings/{i}.csv");
        results.technique.push(finding(
            TechniqueRule::UnevenSprings,
            "L3",
            Some(&test.recording),
            "peaks varied by 12 %",
            "count aloud",
        ));
        results.tests.push(test);
    }
    for subject in 0..42 {
        for level in ["T5", "L2", "L3", "L4"] {
            let mut f = comparison(level, 34.0, 8.0, Decision::Right);
            f.key.subject = Some(format!("V-{subject:03}"));
            results.comparisons.push(f);
        }
    }
    results
}

#[test]
fn a_thousand_tests_still_make_a_page_that_opens() {
    let results = thousand();
    let html = html(&results);
    assert!(html.len() < 3_000_000, "{} bytes", html.len());
    assert!(html.contains("60 of the 1000 tests are drawn here"));
    // Every test stands in a table all the same.
    let cells: std::collections::HashSet<&str> =
        html.split('>').filter_map(|c| c.split('<').next()).collect();
    for i in 0..1000 {
        assert!(cells.contains(format!("recordings&#x2f;{i}.csv").as_str()), "{i}");
    }
}

#[test]
fn figures_can_be_left_out_or_asked_for_one_and_all() {
    let results = sample();
    let count = |figures_choice| {
        figures(
            &results,
            &PageOptions {
                figures: figures_choice,
            },
        )
        .len()
    };
    assert_eq!(count(FiguresChoice::None), 1);
    assert_eq!(count(FiguresChoice::Auto), 1 + results.tests.len());
    assert_eq!(count(FiguresChoice::All), 1 + results.tests.len());
    let none = page(
        &results,
        &PageOptions {
            figures: FiguresChoice::None,
        },
    )
    .unwrap();
    assert_eq!(none.matches("<svg").count(), 1);
    assert!(none.contains("Figures of single tests were not asked for"));
    let named = figures(&results, &PageOptions::default());
    assert_eq!(named[0].0, "scan-V-07-L-12-2026-09-14");
    assert!(named.iter().any(|f| f.0 == "test-V-07_L3_left_2-1-left"));
}

#[test]
fn the_same_results_give_the_same_bytes() {
    assert_eq!(html(&sample()), html(&sample()));
}

#[test]
fn changed_settings_are_marked_and_named_in_the_methods() {
    let mut results = sample();
    results.settings.ceiling_n.lumbar = 60.0;
    results.settings.compare.threshold_percent = 20.0;
    results.settings.compare.confidence = 0.9;
    results.settings.set_in = vec![("ceiling_n.lumbar".to_owned(), "study.toml".to_owned())];
    let html = html(&results);
    assert!(html.contains(&format!(
        "3 of {} settings differ",
        tautpoint::settings::SETTINGS.len()
    )));
    assert!(html.contains("changed in study.toml"));
    assert!(html.contains("(90 % interval)") && html.contains("with 90 % intervals"));
    assert!(html.contains("ceiling_n.lumbar = 60.0 (default 175.0)"));
    assert!(html.contains("significantly beyond 20 %"));
    assert!(html.contains("ceiling 60 N (set by this lab)"));
}

mod browser {
    //! The page in a real browser, where there is one.

    use std::path::{Path, PathBuf};
    use std::process::Command;

    /// A browser's program, or the reason why the test cannot run.
    fn chromium() -> Option<PathBuf> {
        let names = ["chromium", "chromium-browser", "google-chrome"];
        let path = std::env::var_os("PATH").unwrap_or_default();
        let found = std::env::split_paths(&path)
            .flat_map(|folder| names.map(|n| folder.join(n)))
            .find(|p| p.is_file());
        if found.is_none() {
            let reason = "no chromium on the PATH: the page was not opened in a browser";
            assert!(
                std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
                "{reason}"
            );
            println!("skipped: {reason}");
        }
        found
    }

    /// Opens a page and gives its text after loading, what the console said, and the addresses asked for.
    fn open(program: &Path, html: &str) -> (String, Vec<String>, String) {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("report.html");
        let log = folder.path().join("net.json");
        std::fs::write(&file, html).unwrap();
        let output = Command::new(program)
            .args([
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--no-first-run",
                "--disable-background-networking",
            ])
            .args([
                "--disable-component-update",
                "--disable-sync",
                "--disable-quic",
                "--enable-logging=stderr",
            ])
            .arg(format!(
                "--user-data-dir={}",
                folder.path().join("profile").display()
            ))
            .arg(format!("--log-net-log={}", log.display()))
            .arg("--dump-dom")
            .arg(format!("file://{}", file.display()))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stderr)
            .lines()
            .filter(|l| l.contains(":CONSOLE"))
            .map(str::to_owned)
            .collect();
        let asked = std::fs::read_to_string(&log).unwrap_or_default();
        (String::from_utf8_lossy(&output.stdout).into_owned(), said, asked)
    }

    #[test]
    fn the_page_opens_without_a_word_on_the_console_and_asks_for_nothing() {
        let Some(program) = chromium() else { return };
        let page = super::html(&super::sample());
        let (dom, said, asked) = open(&program, &page);
        assert!(
            dom.contains("the right side resisted more"),
            "the page did not load"
        );
        assert!(said.is_empty(), "{said:?}");
        assert!(asked.contains("constants") && !asked.contains("tautpoint-test.invalid"));

        // The same watch sees a page that does ask, so silence means something.
        let image = "<img src=\"http://tautpoint-test.invalid/x.png\" alt=\"\">";
        let leaky = page.replace("</main>", &format!("{image}</main>"));
        let (_, said, _) = open(&program, &leaky);
        assert!(
            said.iter().any(|l| l.contains("Content Security Policy")),
            "{said:?}"
        );
        let open_page = format!("<!DOCTYPE html><title>x</title>{image}");
        let (_, _, asked) = open(&program, &open_page);
        assert!(asked.contains("tautpoint-test.invalid"));
    }
}
