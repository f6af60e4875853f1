//! Change and differences between groups as tables, JSON, figures and a page.

mod figures;
mod page;
mod question;
mod tables;

pub use figures::figures;
pub use page::page;
pub use question::EffectQuestion;
pub use tables::tables;

use question::shown;
use crate::effects::{Effects, EffectTerm};
use crate::error::{Problem, Result};
use crate::results::Results;
use crate::results::run;
use crate::settings::Settings;
use crate::write::{OutputFolder, build};
use serde_json::{Map, Value, json};

/// The JSON object: one entry an estimate, with the columns of the table, then notes and problems.
pub fn object_text(effects: &Effects, problems: &[Problem]) -> String {
    let all = json!({
        "title": effects.title,
        "estimates": tables::estimates(effects).to_json(),
        "parts": tables::parts(effects).to_json(),
        "doubts": effects.doubts,
        "notes": effects.notes,
        "problems": problems,
        "version": env!("CARGO_PKG_VERSION"),
        "build": build(),
    });
    format!("{all:#}\n")
}

/// Writes tables, JSON, figures and the page into a result folder.
///
/// # Errors
/// When the system will not write, or the page could not be put together.
pub fn write(
    effects: &Effects,
    question: EffectQuestion,
    results: &Results,
    folder: &mut OutputFolder,
) -> Result<()> {
    let name = question.word();
    folder.write(&format!("{name}.json"), object_text(effects, &results.problems).as_bytes())?;
    for table in tables(effects) {
        folder.write(&format!("{}.csv", table.name), &table.to_csv()?)?;
        if table.name == "estimates" {
            folder.write("estimates.parquet", &table.to_parquet()?)?;
        }
    }
    let drawn = figures(effects, &results.settings);
    for (name, figure) in &drawn {
        folder.write(&format!("figures/{name}.svg"), figure.svg.as_bytes())?;
    }
    folder.write(&format!("{name}.html"), page(effects, question, results, &drawn)?.as_bytes())
}

/// The content of run.json, but for what the output folder adds.
pub fn record(question: EffectQuestion, results: &Results) -> Map<String, Value> {
    let mut record = run::record(results);
    record.insert("command".to_owned(), question.word().into());
    record
}

/// One line an estimate of volunteers, learners, examiners and groups; places only where they changed.
pub fn summary(effects: &Effects, settings: &Settings) -> String {
    let shown = shown(effects, settings);
    let mut text: String = effects.doubts.iter().map(|d| format!("{d}\n")).collect();
    let mut under = None;
    for row in effects.rows.iter().filter(|r| shown.contains(&r.measure)) {
        if row.term == EffectTerm::Place && row.word != Some(crate::effects::EffectWord::Changed) {
            continue;
        }
        if under.replace(row.term) != Some(row.term) {
            text.push_str(&format!("{}\n", page::heading(row.term)));
        }
        text.push_str("  ");
        text.push_str(&page::line(row));
        text.push('\n');
    }
    for note in &effects.notes {
        text.push_str(&format!("  {note}\n"));
    }
    text
}
