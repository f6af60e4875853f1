//! `agree --marks`: how far two assessors' marks of the same sheets agree.

use super::Outcome;
use super::analyze::word;
use crate::agreement::marks::{KindAgreement, MarkAgreement, Marks, WORDS, of_marks};
use crate::error::{Problem, Severity};
use crate::format::number;
use crate::report::agreement::{self, marks as report};
use crate::results::{InputKind, InputRecord};
use crate::study::door::{self, FileKind};
use crate::write::{OutputFolder, sha256_hex};
use anyhow::bail;
use std::path::{Path, PathBuf};

/// What is asked for.
pub struct MarksRequest<'a> {
    pub files: &'a [PathBuf],
    /// The marks that may be given; empty for the usual ones.
    pub words: &'a [String],
    pub out: Option<&'a Path>,
    pub json: bool,
}

/// Runs it.
///
/// # Errors
/// Words that cannot be meant, or a folder that cannot be written.
pub fn run(asked: &MarksRequest<'_>, quiet: bool) -> anyhow::Result<Outcome> {
    let words = words(asked.words)?;
    let mut marks = Marks::new(&words);
    let (mut problems, mut inputs) = (Vec::new(), Vec::new());
    for path in asked.files {
        let name = path.display().to_string();
        let text = match door::read_to_string(path, FileKind::Table) {
            Ok(text) => text,
            Err(cause) => {
                problems.push(Problem::error(
                    &name,
                    format!("a file that cannot be read ({cause})"),
                    "a filled-in marks.csv as UTF-8 text",
                    "check that it is there, and save it as CSV; it is not used",
                ));
                continue;
            }
        };
        match marks.add(&name, &text) {
            Ok(mut found) => {
                problems.append(&mut found);
                inputs.push(InputRecord {
                    kind: InputKind::Ratings,
                    file: name,
                    sha256: sha256_hex(text.as_bytes()),
                    bytes: text.len() as u64,
                });
            }
            Err(mut found) => problems.append(&mut found),
        }
    }
    let (found, mut more) = of_marks(&marks);
    problems.append(&mut more);
    for problem in &problems {
        note!("{}: {problem}", word(problem.severity));
    }
    if inputs.is_empty() {
        note!("nothing done: no file of marks could be used");
        return Ok(Outcome::Nothing);
    }
    if let Some(out) = asked.out {
        let mut folder = OutputFolder::begin(out, asked.files)?;
        report::write(&found, &problems, &mut folder)?;
        folder.finish(agreement::record(&problems, &inputs))?;
    }
    if asked.json {
        sayln!("{:#}", report::object(&found, &problems));
    } else if asked.out.is_none() || !quiet {
        say!("{}", summary(&found));
    }
    if let (Some(out), false) = (asked.out, quiet) {
        note!("report: {}", out.join("marks.html").display());
    }
    let nothing = found.kinds.first().is_none_or(|all| all.both() == 0);
    if nothing {
        note!("missing: no row is marked by both");
    }
    let failed = problems.iter().any(|p| p.severity == Severity::Error);
    Ok(if nothing || failed {
        Outcome::Partly
    } else {
        Outcome::Done
    })
}

/// The marks that may be given, each once.
fn words(asked: &[String]) -> anyhow::Result<Vec<String>> {
    let words: Vec<String> = match asked {
        [] => WORDS.map(str::to_owned).to_vec(),
        words => words.iter().map(|w| w.trim().to_lowercase()).collect(),
    };
    let twice = (1..words.len()).any(|i| words[..i].contains(&words[i]));
    if words.len() < 2 || twice || words.iter().any(String::is_empty) {
        bail!(
            "--words is {}; expected two or more different words, such as yes,partly,no",
            asked.join(",")
        );
    }
    Ok(words)
}

/// One line a kind of row.
fn summary(found: &MarkAgreement) -> String {
    let line = |k: &KindAgreement| {
        let kappa = match &k.kappa {
            Err(reason) => reason.clone(),
            Ok(kappa) => {
                let ends = kappa.kappa.low.zip(kappa.kappa.high);
                let ends = ends.map_or("no interval".to_owned(), |(low, high)| {
                    format!("{} to {}", number(low, 2), number(high, 2))
                });
                format!("kappa {} ({ends})", number(kappa.kappa.value, 2))
            }
        };
        let alike = k.percent().map_or(String::new(), |p| {
            format!("{} of {} alike ({} %), ", k.alike(), k.both(), number(p, 0))
        });
        format!("{}: {alike}{kappa}\n", report::kind(k))
    };
    found.kinds.iter().map(line).collect()
}
