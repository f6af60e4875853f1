//! How another program writes its recordings: `[import]` of study.toml or of a sidecar.

use super::toml_doc::{Section, describe};
use super::words::one_of;
use toml::de::DeValue;

/// Keys of `[import]`.
pub const KEYS: [&str; 8] = [
    "skip_rows",
    "units_row",
    "encoding",
    "delimiter",
    "decimal",
    "thousands",
    "time",
    "columns",
];

/// What a file's bytes stand for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TextEncoding {
    #[default]
    Utf8,
    Utf16Le,
    Utf16Be,
    /// The code page of older programs for western languages; ISO 8859-1 is a part of it.
    Windows1252,
}

impl TextEncoding {
    /// Every one.
    pub const ALL: [TextEncoding; 4] = [
        TextEncoding::Utf8,
        TextEncoding::Utf16Le,
        TextEncoding::Utf16Be,
        TextEncoding::Windows1252,
    ];

    /// As it is written in a profile.
    pub fn word(self) -> &'static str {
        match self {
            TextEncoding::Utf8 => "utf-8",
            TextEncoding::Utf16Le => "utf-16le",
            TextEncoding::Utf16Be => "utf-16be",
            TextEncoding::Windows1252 => "windows-1252",
        }
    }
}

/// How the time column is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TimeForm {
    /// A number, of the unit that its heading or `columns` names.
    #[default]
    Number,
    /// A day and a time of day of ISO 8601.
    Iso,
    /// A time of day: hours, minutes and seconds.
    Clock,
}

impl TimeForm {
    /// Every one.
    pub const ALL: [TimeForm; 3] = [TimeForm::Number, TimeForm::Iso, TimeForm::Clock];

    /// As it is written in a profile.
    pub fn word(self) -> &'static str {
        match self {
            TimeForm::Number => "number",
            TimeForm::Iso => "iso",
            TimeForm::Clock => "clock",
        }
    }
}

/// How a file is written that is not as docs/analyse.md says. The default is one that needs no profile.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ImportProfile {
    /// Lines before the headings, blank ones too.
    pub skip_rows: usize,
    /// The line under the headings holds units.
    pub units_row: bool,
    pub encoding: TextEncoding,
    /// Told from the headings when it is not said.
    pub delimiter: Option<u8>,
    /// Comma or point; the point when it is not said.
    pub decimal: Option<u8>,
    /// What stands between thousands.
    pub thousands: Option<u8>,
    pub time: TimeForm,
}

impl ImportProfile {
    /// The sign before decimals.
    pub fn decimal_mark(&self) -> u8 {
        self.decimal.unwrap_or(b'.')
    }

    /// Reads `[import]`, all but its columns; what cannot be meant is reported to the section's file.
    pub fn read(section: &Section<'_, '_>) -> Self {
        section.warn_unknown(&KEYS);
        let whole = section.whole("skip_rows", 0, 10_000);
        let profile = ImportProfile {
            skip_rows: whole.and_then(|n| usize::try_from(n).ok()).unwrap_or_default(),
            units_row: section.yes_or_no("units_row").unwrap_or_default(),
            encoding: one(section, "encoding", &TextEncoding::ALL.map(|e| (e.word(), e))).unwrap_or_default(),
            delimiter: one(section, "delimiter", &[(",", b','), (";", b';'), ("\t", b'\t'), ("|", b'|')]),
            decimal: one(section, "decimal", &[(".", b'.'), (",", b',')]),
            thousands: one(
                section,
                "thousands",
                &[(",", b','), (".", b'.'), ("'", b'\''), (" ", b' ')],
            ),
            time: one(section, "time", &TimeForm::ALL.map(|t| (t.word(), t))).unwrap_or_default(),
        };
        let clash = [
            ("thousands", profile.thousands, Some(profile.decimal_mark()), "decimal mark"),
            ("thousands", profile.thousands, profile.delimiter, "delimiter"),
        ];
        for (key, one, other, what) in clash {
            if one.is_some() && one == other {
                section.doc.error(
                    section.get(key).map_or(0..0, toml::Spanned::span),
                    &section.dotted(key),
                    &format!("the sign that is the {what} too"),
                    "a sign of its own",
                    "correct one of them, or take the line out",
                );
            }
        }
        profile
    }
}

/// One of a few words.
fn one<T: Copy>(section: &Section<'_, '_>, key: &str, all: &[(&str, T)]) -> Option<T> {
    let value = section.get(key)?;
    let found = match value.get_ref() {
        DeValue::String(text) => all.iter().find(|(word, _)| *word == text.as_ref()),
        _ => None,
    };
    if found.is_none() {
        let words: Vec<String> = all.iter().map(|(word, _)| format!("{word:?}")).collect();
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        section.doc.error(
            value.span(),
            &section.dotted(key),
            &describe(value.get_ref()),
            &one_of(&words),
            "write one of them, or take the line out",
        );
    }
    found.map(|(_, value)| *value)
}
