//! draws.toml: which scan plan was drawn for whom before an assessment. Written by the program, row by row.

use super::door;
use super::toml_doc::{Doc, Section, describe, read_text};
use crate::error::Problem;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::fmt::Write as _;
use std::path::Path;
use toml::de::DeValue;

/// Name of the file in a study's folder.
pub const FILE_NAME: &str = "draws.toml";

/// One draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Draw {
    pub examiner: String,
    pub session: String,
    /// What it was drawn from, in the order given.
    pub plans: Vec<String>,
    pub seed: u64,
    /// Which of the draws from this seed, from 1.
    pub number: u32,
    /// The plan drawn.
    pub plan: String,
    /// Time allowed.
    pub minutes: Option<f64>,
    /// When it was drawn, by universal time.
    pub drawn_at: String,
}

/// Draws one of `choices` things `times` times, each time from all of them.
///
/// ChaCha8 seeded with `seed` (rand_core's `seed_from_u64`); the k-th draw is ⌊u·choices/2⁶⁴⌋ of its k-th number u. The
/// same seed gives the same draws on every machine. Nothing from nothing.
pub fn draw(choices: usize, seed: u64, times: usize) -> Vec<usize> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let one = |rng: &mut ChaCha8Rng| {
        let scaled = u128::from(rng.next_u64()) * choices as u128;
        usize::try_from(scaled >> 64).unwrap_or(0)
    };
    (0..if choices == 0 { 0 } else { times })
        .map(|_| one(&mut rng))
        .collect()
}

/// The file's text, which [`parse`] reads back.
pub fn to_toml(draws: &[Draw]) -> String {
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let mut text = String::from(
        "# Written by `tautpoint debrief --draw`: which scan plan was drawn for whom, before the scan.\nformat = 1\n",
    );
    for d in draws {
        let plans: Vec<String> = d.plans.iter().map(|p| quoted(p)).collect();
        let _ = write!(
            text,
            "\n[[draw]]\nexaminer = {}\nsession = {}\nplans = [{}]\nseed = {}\nnumber = {}\nplan = {}\n",
            quoted(&d.examiner),
            quoted(&d.session),
            plans.join(", "),
            d.seed,
            d.number,
            quoted(&d.plan),
        );
        if let Some(minutes) = d.minutes {
            let _ = writeln!(text, "minutes = {minutes:?}");
        }
        let _ = writeln!(text, "drawn_at = {}", quoted(&d.drawn_at));
    }
    text
}

/// Reads the text of draws.toml; a draw that cannot be used is left out with a problem.
pub fn parse(file: &str, text: &str) -> (Vec<Draw>, Vec<Problem>) {
    let doc = Doc::new(file, text);
    let draws = doc.parse().map(|table| {
        let top = Section {
            doc: &doc,
            table: &table,
            path: "",
        };
        top.warn_unknown(&["format", "draw"]);
        top.whole("format", 1, 1);
        all(&top)
    });
    (draws.unwrap_or_default(), doc.into_problems())
}

fn all(top: &Section<'_, '_>) -> Vec<Draw> {
    let Some(value) = top.get("draw") else {
        return Vec::new();
    };
    let DeValue::Array(items) = value.get_ref() else {
        let found = describe(value.get_ref());
        top.doc.error(
            value.span(),
            "draw",
            &found,
            "[[draw]], in double brackets",
            "correct it",
        );
        return Vec::new();
    };
    let mut draws = Vec::new();
    for (i, item) in items.iter().enumerate() {
        let path = format!("draw {}", i + 1);
        let DeValue::Table(table) = item.get_ref() else {
            let found = describe(item.get_ref());
            top.doc
                .error(item.span(), &path, &found, "a table, [[draw]]", "correct it");
            continue;
        };
        let section = Section {
            doc: top.doc,
            table,
            path: &path,
        };
        match one(&section) {
            Some(draw) => draws.push(draw),
            None => top.doc.error(
                item.span(),
                &path,
                "a draw that lacks something",
                "examiner, session, plans, seed and plan",
                "put it back as it was written; the draw is not used",
            ),
        }
    }
    draws
}

fn one(section: &Section<'_, '_>) -> Option<Draw> {
    section.warn_unknown(&[
        "examiner", "session", "plans", "seed", "number", "plan", "minutes", "drawn_at",
    ]);
    let number = section.whole("number", 1, i64::from(u32::MAX)).unwrap_or(1);
    Some(Draw {
        examiner: section.text("examiner")?,
        session: section.text("session")?,
        plans: section.texts("plans"),
        seed: section
            .whole("seed", 0, i64::MAX)
            .and_then(|s| u64::try_from(s).ok())?,
        number: u32::try_from(number).unwrap_or(1),
        plan: section.text("plan")?,
        minutes: section.number("minutes", 0.1, 1000.0),
        drawn_at: section.text("drawn_at").unwrap_or_default(),
    })
}

/// The draws of a study; none when there is no file.
pub fn read(root: &Path, problems: &mut Vec<Problem>) -> Vec<Draw> {
    let path = root.join(FILE_NAME);
    if !door::is_there(&path) {
        return Vec::new();
    }
    match read_text(&path, FILE_NAME) {
        Ok(text) => {
            let (draws, mut found) = parse(FILE_NAME, &text);
            problems.append(&mut found);
            draws
        }
        Err(problem) => {
            problems.push(problem);
            Vec::new()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_read_back_as_they_were_written() {
        let draws = vec![
            Draw {
                examiner: "L-\"12\"".to_owned(),
                session: "2026-12-03".to_owned(),
                plans: vec!["prone-thumbs".to_owned(), "seated".to_owned()],
                seed: 4711,
                number: 2,
                plan: "seated".to_owned(),
                minutes: Some(12.0),
                drawn_at: "2026-12-03T08:00:00Z".to_owned(),
            },
            Draw {
                examiner: "L-13".to_owned(),
                session: "2026-12-03".to_owned(),
                plans: vec!["seated".to_owned()],
                seed: 0,
                number: 1,
                plan: "seated".to_owned(),
                minutes: None,
                drawn_at: String::new(),
            },
        ];
        let (back, problems) = parse(FILE_NAME, &to_toml(&draws));
        assert_eq!(problems, []);
        assert_eq!(back, draws);
    }

    #[test]
    fn every_plan_comes_up_equally_often_and_the_same_seed_draws_the_same() {
        let drawn = draw(3, 4711, 30_000);
        assert_eq!(drawn, draw(3, 4711, 30_000));
        assert_eq!(draw(3, 4711, 5), drawn[..5]);
        let counts = [0, 1, 2].map(|i| drawn.iter().filter(|d| **d == i).count() as f64);
        // Pearson's chi-square with 2 degrees of freedom passes 13.8 once in a thousand (NIST/SEMATECH e-Handbook,
        // 1.3.6.7.4: 13.816).
        let chi2: f64 = counts.iter().map(|c| (c - 10_000.0).powi(2) / 10_000.0).sum();
        assert!(chi2 < 13.816, "{counts:?}");
        assert_eq!(draw(0, 1, 5), Vec::<usize>::new());
        assert_eq!(draw(1, 9, 3), [0, 0, 0]);
    }

    #[test]
    fn a_draw_that_lacks_its_plan_is_named_and_left_out() {
        let (draws, problems) = parse(
            FILE_NAME,
            "format = 1\n\n[[draw]]\nexaminer = \"L-1\"\nseed = 3\n",
        );
        assert_eq!(draws, []);
        assert_eq!(problems.len(), 1);
        assert_eq!(problems[0].line, Some(3));
    }
}
