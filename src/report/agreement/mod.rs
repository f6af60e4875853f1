//! What `agree` found: one JSON object, tables, figures and a page.

mod json;
pub mod marks;
mod numbers;
mod page;
mod tables;

pub use json::{object, object_text};
pub use page::page;
pub use tables::tables;

use crate::agreement::{Agreement, Design};
use crate::compare::DECIDED;
use crate::error::{Problem, Result};
use crate::plot::{self, Figure};
use crate::results::{InputRecord, run};
use crate::write::OutputFolder;
use serde_json::{Map, Value};

/// Of each measure and design at most this many pairs of raters are drawn; all stand in the table.
const PAIRS_DRAWN: usize = 6;

/// Figures with their file names, without ending: limits of agreement of the measures that are decided on (or of the
/// ratings), then each examiner's curve.
pub fn figures(agreement: &Agreement) -> Vec<(String, Figure)> {
    let mut all = Vec::new();
    for measure in &agreement.measures {
        let decided = DECIDED.iter().any(|m| m.info().name == measure.name);
        for summary in &measure.designs {
            if !(decided || summary.design == Design::Ratings) {
                continue;
            }
            for (i, pair) in summary.pairs.iter().take(PAIRS_DRAWN).enumerate() {
                let label = match measure.label.as_str() {
                    "value" => "value".to_owned(),
                    label => format!("{label} {}", summary.design.label()),
                };
                let name = format!("limits-{}-{}-{}", measure.name, summary.design.word(), i + 1);
                let figure = plot::bland_altman(pair, &label, &measure.unit, measure.decimals);
                all.push((name, figure));
            }
        }
    }
    let against = agreement.calls.iter().flat_map(|c| &c.against);
    for (i, calls) in against.enumerate() {
        if let Some(figure) = plot::psychometric(calls) {
            all.push((format!("just-detected-{}", i + 1), figure));
        }
    }
    all
}

/// Writes the JSON object, tables, figures and the page into a result folder.
///
/// # Errors
/// When the system will not write, or the page could not be put together.
pub fn write(agreement: &Agreement, problems: &[Problem], folder: &mut OutputFolder) -> Result<()> {
    folder.write("agreement.json", object_text(agreement, problems).as_bytes())?;
    for table in tables(agreement) {
        folder.write(&format!("{}.csv", table.name), &table.to_csv()?)?;
    }
    let drawn = figures(agreement);
    for (name, figure) in &drawn {
        folder.write(&format!("figures/{name}.svg"), figure.svg.as_bytes())?;
    }
    folder.write("agreement.html", page(agreement, problems, &drawn)?.as_bytes())
}

/// The content of run.json, but for what the output folder adds.
pub fn record(problems: &[Problem], inputs: &[InputRecord]) -> Map<String, Value> {
    let mut record = Map::new();
    record.insert("command".to_owned(), "agree".into());
    record.insert("inputs".to_owned(), run::inputs(inputs));
    record.insert("problems".to_owned(), json::problems(problems));
    record
}
