//! A Data Package, version 2 (<https://datapackage.org>, Open Knowledge): one file that says what is in the others.

use crate::columns::{Column, Kind};
use crate::error::Result;
use crate::write::{OutputFolder, sha256_hex};
use serde_json::{Map, Value, json};

const PROFILE: &str = "https://datapackage.org/profiles/2.0/datapackage.json";
const TABLE_PROFILE: &str = "https://datapackage.org/profiles/2.0/tableschema.json";
/// Name of the file.
pub(super) const FILE_NAME: &str = "datapackage.json";

/// The format of a resource.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TableFormat {
    Csv,
    Parquet,
}

impl TableFormat {
    /// The ending of its files, and their media type (RFC 4180, section 3; Apache Parquet).
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            TableFormat::Csv => ("csv", "text/csv"),
            TableFormat::Parquet => ("parquet", "application/vnd.apache.parquet"),
        }
    }
}

/// A file of the package.
pub(super) struct ResourceFile<'a> {
    /// Unique in the package: letters in lower case, digits, `-`.
    pub name: String,
    /// Relative to the package.
    pub path: String,
    pub description: &'a str,
    pub format: TableFormat,
    pub rows: usize,
    /// What the standard has no word for.
    pub more: Vec<(&'static str, Value)>,
}

/// A package in the making: a folder among the results.
pub(super) struct DataPackage {
    folder: &'static str,
    head: Map<String, Value>,
    resources: Vec<Value>,
}

impl DataPackage {
    pub fn new(folder: &'static str, name: &str) -> DataPackage {
        let mut package = DataPackage {
            folder,
            head: Map::new(),
            resources: Vec::new(),
        };
        package.add("$schema", json!(PROFILE));
        package.add("name", json!(name));
        package.add("made_by", json!({ "program": "tautpoint", "version": env!("CARGO_PKG_VERSION") }));
        package
    }

    /// Says something of the package as a whole.
    pub fn add(&mut self, key: &str, value: Value) {
        self.head.insert(key.to_owned(), value);
    }

    /// Writes the schema of a table, which its files share; gives the schema's path. `gaps` are whole numbers that may be
    /// missing.
    ///
    /// # Errors
    /// As [`OutputFolder::write`].
    pub fn schema<'c>(
        &self,
        table: &str,
        columns: impl Iterator<Item = &'c Column>,
        gaps: &dyn Fn(&Column) -> bool,
        folder: &mut OutputFolder,
    ) -> Result<String> {
        let path = format!("schema/{table}.json");
        let fields: Vec<Value> = columns.map(|c| field(c, gaps(c))).collect();
        let schema = json!({ "$schema": TABLE_PROFILE, "fields": fields });
        self.put(&path, format!("{schema:#}\n").as_bytes(), folder)?;
        Ok(path)
    }

    /// Writes a file and lists it, with its size and hash.
    ///
    /// # Errors
    /// As [`OutputFolder::write`].
    pub fn write(&mut self, file: ResourceFile<'_>, bytes: &[u8], schema: &str, folder: &mut OutputFolder) -> Result<()> {
        self.put(&file.path, bytes, folder)?;
        let (format, mediatype) = file.format.words();
        let mut resource = Map::new();
        let mut put = |key: &str, value: Value| resource.insert(key.to_owned(), value);
        put("name", file.name.into());
        put("type", "table".into());
        put("path", file.path.into());
        put("description", file.description.into());
        put("format", format.into());
        put("mediatype", mediatype.into());
        if file.format == TableFormat::Csv {
            // The common reader knows the size of text only, and calls any other wrong.
            put("bytes", bytes.len().into());
        }
        put("hash", format!("sha256:{}", sha256_hex(bytes)).into());
        put("rows", file.rows.into());
        for (key, value) in file.more {
            put(key, value);
        }
        put("schema", schema.into());
        self.resources.push(Value::Object(resource));
        Ok(())
    }

    /// Writes the package itself. One without a file is none: the standard wants at least one.
    ///
    /// # Errors
    /// As [`OutputFolder::write`].
    pub fn finish(mut self, folder: &mut OutputFolder) -> Result<()> {
        if self.resources.is_empty() {
            return Ok(());
        }
        let resources = std::mem::take(&mut self.resources);
        self.add("resources", resources.into());
        let text = format!("{:#}\n", Value::Object(self.head.clone()));
        self.put(FILE_NAME, text.as_bytes(), folder)
    }

    fn put(&self, path: &str, bytes: &[u8], folder: &mut OutputFolder) -> Result<()> {
        folder.write(&format!("{}/{path}", self.folder), bytes)
    }
}

fn field(column: &Column, gaps: bool) -> Value {
    let kind = match column.kind {
        Kind::Text | Kind::List(_) => "string",
        Kind::Int if !gaps => "integer",
        Kind::Int | Kind::Num => "number",
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
    Value::Object(field)
}
