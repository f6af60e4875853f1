//! Figures of a mat, and the page that holds them.

use super::{Folder, on_mat, pads, push, setup};
use tautpoint::batch::{self, Options};
use tautpoint::plot::mat_figures;
use tautpoint::report::debrief::{Debrief, pages};
use tautpoint::report::html::{PageOptions, page};
use tautpoint::results::Results;
use tautpoint::simulate::MatSensor;
use tautpoint::study::folder::Study;

fn results() -> Results {
    let made = push(71);
    let mat = on_mat(&made, MatSensor::good(setup()), &pads(50.0), 71);
    let folder = Folder::new();
    let path = folder.file("press.csv", &mat.text());
    let mut table = toml::Table::new();
    table.insert("mat".to_owned(), toml::Value::Table(mat.mat_table()));
    let text = format!("level = \"L3\"\n{}", toml::to_string(&table).unwrap());
    folder.file("press.toml", &text);
    batch::run(&[path], &Options::default()).unwrap()
}

#[test]
fn every_figure_of_a_mat_is_drawn_and_told_in_words() {
    let results = results();
    let figures = mat_figures(&results.mats[0]);
    let words: Vec<&str> = figures.iter().map(|f| f.0).collect();
    assert_eq!(words, ["maps", "spring", "share", "path"]);
    if let Ok(folder) = std::env::var("TAUTPOINT_KEEP_FIGURES") {
        for (word, figure) in &figures {
            std::fs::write(format!("{folder}/mat-{word}.svg"), &figure.svg).unwrap();
        }
    }
    for (word, figure) in &figures {
        assert!(
            !figure.svg.contains("NaN") && !figure.svg.contains("inf"),
            "{word}"
        );
        assert!(
            figure.alt.ends_with('.') && figure.alt.len() > 30,
            "{word}: {}",
            figure.alt
        );
    }
    assert!(figures[0].1.svg.contains("preload") && figures[0].1.svg.contains("peak"));
    // Seven small maps through one spring, the first and the last of them lighter than one in the middle.
    let strip = &results.mats[0].strip;
    assert_eq!(strip.len(), 7);
    let sum = |k: usize| strip[k].force_n.iter().flatten().sum::<f64>();
    assert!(sum(3) > sum(0) && sum(3) > sum(6));
}

#[test]
fn the_page_holds_the_maps_of_a_mat_and_none_without_one() {
    let mut results = results();
    let with = page(&results, &PageOptions::default()).unwrap();
    assert_eq!(with.matches("<figure class=\"mat\">").count(), 4);
    assert!(with.contains("pressure under the hands"));
    results.mats.clear();
    let without = page(&results, &PageOptions::default()).unwrap();
    assert_eq!(without.matches("<figure class=\"mat\">").count(), 0);
}

#[test]
fn a_learners_page_holds_the_maps_of_the_tests_it_shows() {
    let mut results = results();
    for test in &mut results.tests {
        test.about.examiner = Some("L-09".to_owned());
        test.about.session = Some("2026-09-14".to_owned());
    }
    let learners = |results: &Results| {
        let debrief = Debrief::of(results, &Study::default());
        let pages = pages(&debrief, results, false).unwrap();
        let own = pages.into_iter().find(|(name, _)| name.contains("L-09"));
        own.unwrap().1
    };
    let with = learners(&results);
    assert!(with.matches("pressure under the hands").count() >= 1);
    assert!(with.matches("path of the centre of pressure").count() >= 1);
    results.mats.clear();
    assert!(!learners(&results).contains("pressure under the hands"));
}
