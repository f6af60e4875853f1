//! Results as a dataset that other engines read: Hive-partitioned Parquet with a Data Package that describes it.
//!
//! `dataset/TABLE/site=…/session=…/part-0.parquet`: site and session stand in the path and not in the files. Every file of
//! a table has the same columns, and each is a resource of `dataset/datapackage.json`, since the parts of one resource must
//! be text that can be joined.

use super::datapackage::{DataPackage, TableFormat, ResourceFile};
use super::tables::Table;
use crate::columns::{Column, table as c};
use crate::error::Result;
use crate::results::Results;
use crate::trace::Test;
use crate::write::OutputFolder;
use serde_json::json;
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

/// Columns of whole numbers that may be missing. The common reader of a package has no whole number for a column with gaps.
const MAY_BE_MISSING: [(&str, Column); 3] = [
    ("tests", c::TRIAL),
    ("tests", c::SAMPLES),
    ("technique", c::TEST),
];

/// Writes the dataset into a folder of results; nothing when there is no row.
///
/// # Errors
/// As [`OutputFolder::write`].
pub fn write(results: &Results, folder: &mut OutputFolder) -> Result<()> {
    let mut package = DataPackage::new(FOLDER, "palpation-results");
    if let Some(title) = &results.title {
        package.add("title", json!(title));
    }
    package.add(
        "description",
        json!(
            "Measures of manual palpation from force-displacement traces. Left and right are the subject's. It says what \
             was measured, never what is wrong with anybody."
        ),
    );
    let partitions = PARTITIONS.iter().map(|p| json!({ "name": p.name, "description": p.meaning }));
    package.add("partitioned_by", partitions.collect());
    for (name, title) in TABLES {
        if let Some(table) = results.table(name) {
            write_table(&table, title, &places(name, results), &mut package, folder)?;
        }
    }
    package.finish(folder)
}

/// The parts of one table.
fn write_table(
    table: &Table,
    title: &str,
    places: &[SiteAndSession],
    package: &mut DataPackage,
    folder: &mut OutputFolder,
) -> Result<()> {
    let name = table.name;
    let mut parts: BTreeMap<&SiteAndSession, Vec<usize>> = BTreeMap::new();
    for (row, place) in places.iter().enumerate().take(table.rows.len()) {
        parts.entry(place).or_default().push(row);
    }
    if parts.is_empty() {
        return Ok(());
    }
    let in_path = |column: &Column| PARTITIONS.iter().any(|p| p.name == column.name);
    let kept: Vec<usize> = (0..table.columns.len()).filter(|i| !in_path(&table.columns[*i])).collect();
    let gaps = |column: &Column| MAY_BE_MISSING.iter().any(|(of, c)| *of == name && c.name == column.name);
    let schema = package.schema(name, kept.iter().map(|i| &table.columns[*i]), &gaps, folder)?;
    for (i, (place, rows)) in parts.into_iter().enumerate() {
        let (site, session) = place;
        let file = ResourceFile {
            name: format!("{name}-{}", i + 1),
            path: format!("{name}/{}/part-0.parquet", path_of(place)),
            description: title,
            format: TableFormat::Parquet,
            rows: rows.len(),
            more: vec![
                ("table", json!(name)),
                ("partition", json!({ "site": site, "session": session })),
            ],
        };
        package.write(file, &table.part_to_parquet(&kept, &rows)?, &schema, folder)?;
    }
    Ok(())
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
