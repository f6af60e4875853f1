//! Results as a dataset that other engines read: Hive-partitioned Parquet with a Data Package that describes it.
//!
//! `dataset/TABLE/site=…/session=…/part-0.parquet`: site and session stand in the path and not in the files. Every file of
//! a table has the same columns. `dataset/datapackage.json` follows the Data Package standard, version 2
//! (<https://datapackage.org>, Open Knowledge).

use super::tables::Table;
use crate::columns::{Column, Kind, table as c};
use crate::error::Result;
use crate::results::Results;
use crate::trace::Test;
use crate::write::OutputFolder;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

const FOLDER: &str = "dataset";
/// Columns that stand in the path, outermost first.
const PARTITIONS: [Column; 2] = [c::SITE, c::SESSION];
/// What stands in a path for a value that is missing, as every engine that knows such paths has it.
const MISSING: &str = "__HIVE_DEFAULT_PARTITION__";
/// Tables of the dataset with what one row of each is.
const TABLES: [(&str, &str); 4] = [
    (
        "tests",
        "One row a test and side: who, where, how, and every measure with the half-width of its 95 % interval.",
    ),
    ("springs", "One row a spring: one press and return."),
    (
        "findings",
        "One row a comparison and measure: left against right, or a step against its neighbours.",
    ),
    ("technique", "One row a remark on how a test or a scan was done."),
];

type SiteAndSession = (Option<String>, Option<String>);

/// Writes the dataset into a folder of results.
///
/// # Errors
/// As [`OutputFolder::write`].
pub fn write(results: &Results, folder: &mut OutputFolder) -> Result<()> {
    let mut resources = Vec::new();
    for (name, title) in TABLES {
        let Some(table) = results.table(name) else {
            continue;
        };
        let places = places(name, results);
        let mut parts: BTreeMap<&SiteAndSession, Vec<usize>> = BTreeMap::new();
        for (row, place) in places.iter().enumerate().take(table.rows.len()) {
            parts.entry(place).or_default().push(row);
        }
        let kept: Vec<usize> = (0..table.columns.len())
            .filter(|i| PARTITIONS.iter().all(|p| p.name != table.columns[*i].name))
            .collect();
        let mut paths = Vec::new();
        for (place, rows) in parts {
            let path = format!("{name}/{}/part-0.parquet", path_of(place));
            folder.write(&format!("{FOLDER}/{path}"), &table.part_to_parquet(&kept, &rows)?)?;
            paths.push(path);
        }
        // A table without a row has no file, and the standard wants at least one path.
        if !paths.is_empty() {
            resources.push(resource(name, title, &table, &kept, &paths));
        }
    }
    let mut package = Map::new();
    package.insert(
        "$schema".to_owned(),
        json!("https://datapackage.org/profiles/2.0/datapackage.json"),
    );
    package.insert("name".to_owned(), json!("palpation-results"));
    if let Some(title) = &results.title {
        package.insert("title".to_owned(), json!(title));
    }
    package.insert(
        "description".to_owned(),
        json!(
            "Measures of manual palpation from force-displacement traces. Left and right are the subject's. It says what \
             was measured, never what is wrong with anybody."
        ),
    );
    let made_by = json!({ "program": "tautpoint", "version": env!("CARGO_PKG_VERSION") });
    package.insert("made_by".to_owned(), made_by);
    package.insert("resources".to_owned(), resources.into());
    let text = format!("{:#}\n", Value::Object(package));
    folder.write(&format!("{FOLDER}/datapackage.json"), text.as_bytes())
}

/// Site and session of each row of a table.
fn places(name: &str, results: &Results) -> Vec<SiteAndSession> {
    let of_test = |t: &Test| (t.about.site.clone(), t.about.session.clone());
    let who = |subject: &Option<String>, examiner: &Option<String>, session: &Option<String>| {
        (subject.clone(), examiner.clone(), session.clone())
    };
    // Who was examined by whom in which session was examined at one site; of several, the first in the table of tests.
    let mut sites = BTreeMap::new();
    for t in &results.tests {
        let a = &t.about;
        sites
            .entry(who(&a.subject, &a.examiner, &a.session))
            .or_insert_with(|| a.site.clone());
    }
    let site = |key| sites.get(&key).cloned().flatten();
    match name {
        "tests" => results.tests.iter().map(of_test).collect(),
        "springs" => {
            let springs = |t: &'_ Test| vec![of_test(t); t.springs.len()];
            results.tests.iter().flat_map(springs).collect()
        }
        "findings" => {
            let keys = results.comparisons.iter().map(|f| &f.key);
            keys.map(|k| (site(who(&k.subject, &k.examiner, &k.session)), k.session.clone()))
                .collect()
        }
        _ => {
            let findings = results.technique.iter();
            let place = findings.map(|r| (site(who(&r.subject, &r.examiner, &r.session)), r.session.clone()));
            place.collect()
        }
    }
}

fn path_of((site, session): &SiteAndSession) -> String {
    let part = |column: &Column, value: &Option<String>| {
        let value = value.as_deref().map_or_else(|| MISSING.to_owned(), escaped);
        format!("{}={value}", column.name)
    };
    let [site_column, session_column] = &PARTITIONS;
    format!("{}/{}", part(site_column, site), part(session_column, session))
}

/// Percent-encoded (RFC 3986): what is not a letter, a digit or one of `-._~` may mean something in a path.
fn escaped(value: &str) -> String {
    let mut text = String::new();
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            text.push(char::from(byte));
        } else {
            text.push_str(&format!("%{byte:02X}"));
        }
    }
    text
}

fn resource(name: &str, title: &str, table: &Table, kept: &[usize], paths: &[String]) -> Value {
    let mut fields: Vec<Value> = PARTITIONS.iter().map(|p| field(p, true)).collect();
    fields.extend(kept.iter().map(|i| field(&table.columns[*i], false)));
    json!({
        "name": name,
        "description": title,
        "path": paths,
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        "partitioned_by": PARTITIONS.iter().map(|p| p.name.as_ref()).collect::<Vec<_>>(),
        "rows": table.rows.len(),
        "schema": { "fields": fields },
    })
}

fn field(column: &Column, in_path: bool) -> Value {
    let kind = match column.kind {
        Kind::Text | Kind::List(_) => "string",
        Kind::Int => "integer",
        Kind::Num => "number",
        Kind::Bool => "boolean",
    };
    let mut field = Map::new();
    field.insert("name".to_owned(), json!(column.name));
    field.insert("type".to_owned(), json!(kind));
    field.insert("description".to_owned(), json!(column.meaning));
    if !column.unit.is_empty() {
        field.insert("unit".to_owned(), json!(column.unit));
    }
    if !column.section.is_empty() {
        field.insert("section_of_methods".to_owned(), json!(column.reference()));
    }
    if in_path {
        field.insert("in_path".to_owned(), json!(true));
    }
    Value::Object(field)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_could_lead_elsewhere_is_encoded() {
        let place = (Some("a/../b=c %".to_owned()), None);
        assert_eq!(
            path_of(&place),
            "site=a%2F..%2Fb%3Dc%20%25/session=__HIVE_DEFAULT_PARTITION__"
        );
        assert_eq!(escaped("Zürich"), "Z%C3%BCrich");
    }
}
