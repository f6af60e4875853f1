//! The one table of pages.

use serde::Serialize;

/// A table whose first column heads its rows.
#[derive(Debug, Clone, Serialize)]
pub struct PageTable {
    caption: String,
    heads: Vec<String>,
    rows: Vec<Vec<PageCell>>,
    /// Whether the cells are numbers, to be aligned right.
    numbers: bool,
    /// Sentences below it.
    after: Vec<String>,
}

/// A cell: what is read, and what rows are sorted by where the text alone would not do.
#[derive(Debug, Clone, Serialize)]
pub struct PageCell {
    text: String,
    sort: Option<String>,
}

impl PageTable {
    /// A table of text.
    pub fn of_text<R: Into<PageCell>>(
        caption: impl Into<String>,
        heads: impl IntoIterator<Item = impl Into<String>>,
        rows: impl IntoIterator<Item = Vec<R>>,
    ) -> Self {
        let cells = |row: Vec<R>| row.into_iter().map(Into::into).collect();
        PageTable {
            caption: caption.into(),
            heads: heads.into_iter().map(Into::into).collect(),
            rows: rows.into_iter().map(cells).collect(),
            numbers: false,
            after: Vec::new(),
        }
    }

    /// A table of numbers.
    pub fn of_numbers<R: Into<PageCell>>(
        caption: impl Into<String>,
        heads: impl IntoIterator<Item = impl Into<String>>,
        rows: impl IntoIterator<Item = Vec<R>>,
    ) -> Self {
        PageTable {
            numbers: true,
            ..PageTable::of_text(caption, heads, rows)
        }
    }

    /// The same table with sentences below it.
    pub fn followed_by(mut self, after: Vec<String>) -> Self {
        self.after = after;
        self
    }
}

impl PageCell {
    /// A cell by which rows are sorted as by a number.
    pub fn sorted_by(text: impl Into<String>, by: f64) -> Self {
        PageCell {
            text: text.into(),
            sort: Some(by.to_string()),
        }
    }
}

impl From<String> for PageCell {
    fn from(text: String) -> Self {
        PageCell { text, sort: None }
    }
}

impl From<&str> for PageCell {
    fn from(text: &str) -> Self {
        PageCell::from(text.to_owned())
    }
}
