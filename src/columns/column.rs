//! A column of a result table, and those that a measure has.

use super::Measure;
use std::borrow::Cow;

/// What the cells of a column are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Text.
    Text,
    /// Whole numbers.
    Int,
    /// Numbers.
    Num,
    /// True or false.
    Bool,
    /// Several texts: a list in JSON, joined by this in CSV and Parquet.
    List(&'static str),
}

impl Kind {
    /// The word in the codebook.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Text => "text",
            Kind::Int => "whole number",
            Kind::Num => "number",
            Kind::Bool => "true or false",
            Kind::List(_) => "list",
        }
    }
}

/// A column of a result table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Name, as a heading has it.
    pub name: Cow<'static, str>,
    /// What its cells are.
    pub kind: Kind,
    /// Unit as printed; empty where there is none.
    pub unit: &'static str,
    /// What it means, in a sentence.
    pub meaning: Cow<'static, str>,
    /// Section of the methods that defines it; empty where none does.
    pub section: &'static str,
}

impl Column {
    /// Where it is defined, as a reader finds it: `METHODS.md §3.4`; empty where nothing defines it.
    pub fn reference(&self) -> String {
        match self.section {
            "" => String::new(),
            section => format!("METHODS.md §{section}"),
        }
    }
}

impl Measure {
    /// The column that holds the value.
    pub fn column(self) -> Column {
        let info = self.info();
        Column {
            name: info.name.into(),
            kind: Kind::Num,
            unit: info.unit,
            meaning: info.meaning.into(),
            section: info.section,
        }
    }

    /// The column that holds the half-width of the 95 % interval of the measurement.
    pub fn u95_column(self) -> Column {
        let info = self.info();
        Column {
            name: format!("{}_u95", info.name).into(),
            meaning: format!(
                "half-width of the 95 % interval of the measurement of {}",
                info.name
            )
            .into(),
            section: "5.1",
            ..self.column()
        }
    }

    /// The column that holds the standard deviation between springs, for a mean over springs.
    pub fn sd_column(self) -> Option<Column> {
        let info = self.info();
        info.over_springs.then(|| Column {
            name: format!("{}_sd", info.name).into(),
            meaning: format!(
                "standard deviation of {} between the springs of the mean",
                info.name
            )
            .into(),
            section: "3.1",
            ..self.column()
        })
    }
}

/// Constants of columns, one a row: name in the code and in the tables, kind, and where there are any the unit and the
/// section of METHODS.md; last the meaning.
macro_rules! columns {
    ($($constant:ident = $name:literal: $kind:ident $(($separator:literal))?
        $(, in $unit:literal)? $(, at $section:literal)?, $meaning:literal;)*) => {
        $(pub const $constant: $crate::columns::Column = $crate::columns::Column {
            name: std::borrow::Cow::Borrowed($name),
            kind: $crate::columns::Kind::$kind $(($separator))?,
            unit: concat!($($unit)?),
            meaning: std::borrow::Cow::Borrowed($meaning),
            section: concat!($($section)?),
        };)*
    };
}
pub(super) use columns;
