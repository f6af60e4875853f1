//! One analysis as one JSON object.

use super::tables::Table;
use crate::error::Problem;
use crate::results::{NotLookedAt, Results, run};
use crate::write::build;
use serde_json::{Value, json};

/// `tests`, `findings`, `problems`, then `springs`, `technique`, `reference`, `unpaired` and `exclusions`: the rows of the
/// tables of these names, one object a row, with the same names and full precision; missing is null. `not_looked_at` are the
/// recordings whose force could not be held against the ceilings, or not all of it. Last, as in `run.json`, `registered`, `blinded`, `settings`, `version` and `build`.
pub fn analysis(results: &Results) -> Value {
    let rows = |name: &str| {
        results
            .table(name)
            .as_ref()
            .map_or_else(|| json!([]), Table::to_json)
    };
    json!({
        "tests": rows("tests"),
        "findings": rows("findings"),
        "problems": problems(&results.problems),
        "springs": rows("springs"),
        "technique": rows("technique"),
        "reference": rows("reference"),
        "unpaired": rows("unpaired"),
        "exclusions": rows("exclusions"),
        "not_looked_at": not_looked_at(results),
        "registered": run::registered(results),
        "blinded": results.blinded,
        "settings": run::settings_record(&results.settings),
        "version": env!("CARGO_PKG_VERSION"),
        "build": build(),
    })
}

/// The object as text, indented, ending in a line feed.
pub fn analysis_text(results: &Results) -> String {
    format!("{:#}\n", analysis(results))
}

/// The rows of [`analysis`], one object a line: `table` says which table a row is of. Problems come first, and recordings that
/// could not be held against the ceilings.
pub fn lines(results: &Results) -> String {
    let rows = |name: &str| results.table(name).as_ref().map_or_else(|| json!([]), Table::to_json);
    let mut text = String::new();
    for (table, rows) in [("problems", problems(&results.problems)), ("not_looked_at", not_looked_at(results))]
        .into_iter()
        .chain(["tests", "springs", "findings", "technique", "unpaired", "exclusions"].map(|name| (name, rows(name))))
    {
        for row in rows.as_array().into_iter().flatten() {
            let mut line = serde_json::Map::new();
            line.insert("table".to_owned(), table.into());
            line.extend(row.as_object().cloned().unwrap_or_default());
            text.push_str(&format!("{}\n", Value::Object(line)));
        }
    }
    text
}

fn not_looked_at(results: &Results) -> Value {
    let object = |n: &NotLookedAt| {
        json!({
            "recording": n.recording,
            "subject": n.subject,
            "examiner": n.examiner,
            "session": n.session,
            "looked_at": n.looked_at.word(),
            "why": n.why,
        })
    };
    Value::Array(results.not_looked_at.iter().map(object).collect())
}

fn problems(problems: &[Problem]) -> Value {
    let object = |p: &Problem| {
        json!({
            "file": p.file,
            "line": p.line,
            "column": p.column,
            "found": p.found,
            "expected": p.expected,
            "advice": p.advice,
            "severity": p.severity,
        })
    };
    Value::Array(problems.iter().map(object).collect())
}
