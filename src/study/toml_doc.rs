//! TOML read with its line numbers, so that a fault in a sidecar, a study file or a plan can be named.

use super::door::{self, FileKind, OpenRefusal};
use super::words::{nearest, one_of, resembles_ceiling, shown};
use crate::error::{Problem, Severity};
use crate::terms::{LineOfDrive, Term};
use std::cell::{OnceCell, RefCell};
use std::ops::Range;
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One file being read, and what was found wrong with it so far.
pub struct Doc<'a> {
    file: &'a str,
    text: &'a str,
    /// Where lines end; looked for once.
    line_ends: OnceCell<Vec<usize>>,
    problems: RefCell<Vec<Problem>>,
}

impl<'a> Doc<'a> {
    /// `file` is the name that problems carry.
    pub fn new(file: &'a str, text: &'a str) -> Self {
        Doc {
            file,
            text: text.strip_prefix('\u{feff}').unwrap_or(text),
            line_ends: OnceCell::new(),
            problems: RefCell::default(),
        }
    }

    /// The whole file as a table; `None`, with a problem, when it is no TOML.
    pub fn parse(&self) -> Option<DeTable<'a>> {
        match DeTable::parse(self.text) {
            Ok(table) => Some(table.into_inner()),
            Err(error) => {
                let line = error.span().map(|s| self.line(s.start));
                let commas = line.map_or_else(Vec::new, |line| self.decimal_commas(line));
                if !commas.is_empty() {
                    self.problems.borrow_mut().extend(commas);
                    return None;
                }
                let mut problem = Problem::error(
                    self.file,
                    error.message().lines().next().unwrap_or("no TOML").to_owned(),
                    "a TOML file: key = value lines, text in double quotes",
                    "correct the line",
                );
                problem.line = line;
                self.add(problem);
                None
            }
        }
    }

    /// A problem for each number with a decimal comma from a line on, when that line holds one: whoever writes one writes
    /// them all so, and TOML's own words stop at the first without naming what is wrong with it.
    fn decimal_commas(&self, from_line: u64) -> Vec<Problem> {
        let lines = (1_u64..).zip(self.text.lines()).filter(|(line, _)| *line >= from_line);
        let found: Vec<(u64, DecimalComma<'_>)> = lines
            .filter_map(|(line, text)| Some((line, DecimalComma::of(text)?)))
            .collect();
        if found.first().is_none_or(|(line, _)| *line != from_line) {
            return Vec::new();
        }
        let problem = |(line, comma): &(u64, DecimalComma<'_>)| {
            let found = format!("{}, a number with a comma", shown(comma.number));
            Problem::error(self.file, found, "a decimal point, as in every TOML file", comma.advice())
                .at_line(*line)
                .in_column(shown(comma.key))
        };
        found.iter().map(problem).collect()
    }

    /// Line, from 1, of a byte offset.
    pub fn line(&self, offset: usize) -> u64 {
        let ends = self
            .line_ends
            .get_or_init(|| memchr::memchr_iter(b'\n', self.text.as_bytes()).collect());
        1 + ends.partition_point(|end| *end < offset) as u64
    }

    /// Adds a problem.
    pub fn add(&self, problem: Problem) {
        self.problems.borrow_mut().push(problem);
    }

    /// How many errors were found so far.
    pub fn errors(&self) -> usize {
        let problems = self.problems.borrow();
        problems.iter().filter(|p| p.severity == Severity::Error).count()
    }

    /// What was found wrong, in the order of the lines.
    pub fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|p| p.line);
        problems
    }

    /// An error at a place in the file.
    pub fn error(&self, span: Range<usize>, key: &str, found: &str, expected: &str, advice: &str) {
        self.add(
            Problem::error(self.file, found, expected, advice)
                .at_line(self.line(span.start))
                .in_column(key),
        );
    }

    /// A warning at a place in the file.
    pub fn warning(&self, span: Range<usize>, key: &str, found: &str, expected: &str, advice: &str) {
        self.add(
            Problem::warning(self.file, found, expected, advice)
                .at_line(self.line(span.start))
                .in_column(key),
        );
    }
}

/// `key = 3,2` in a line of TOML.
struct DecimalComma<'a> {
    key: &'a str,
    number: &'a str,
}

impl<'a> DecimalComma<'a> {
    /// The first one of a line, inside an inline table too; what stands in quotes, lists and comments is none.
    fn of(line: &'a str) -> Option<Self> {
        let mut quoted = false;
        let mut depth = 0_i32;
        for (at, c) in line.char_indices() {
            match c {
                '"' | '\'' => quoted = !quoted,
                _ if quoted => {}
                '#' => return None,
                '[' => depth += 1,
                ']' => depth -= 1,
                '=' if depth == 0 => {
                    let found = Self::at(&line[..at], &line[at + 1..]);
                    if found.is_some() {
                        return found;
                    }
                }
                _ => {}
            }
        }
        None
    }

    fn at(before: &'a str, after: &'a str) -> Option<Self> {
        let after = after.trim_start();
        let part = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '_' | '+' | '-');
        let number = after.split(|c| !part(c)).next()?.trim_end_matches([',', '.']);
        let digits = number.trim_start_matches(['+', '-']);
        let (whole, rest) = digits.split_once(',')?;
        let begins = |text: &str| text.starts_with(|c: char| c.is_ascii_digit());
        let key = before.rsplit(['{', ',']).next()?.trim().trim_matches(['"', '\'']);
        (begins(whole) && begins(rest)).then_some(DecimalComma { key, number })
    }

    fn advice(&self) -> String {
        let marks = self.number.matches([',', '.']).count();
        match self.number.split_once(',') {
            Some((whole, rest)) if marks == 1 && rest.len() != 3 => format!("write {} = {whole}.{rest}", self.key),
            Some((whole, rest)) if marks == 1 => {
                format!("write {whole}.{rest}, or {whole}{rest} if the comma parts thousands")
            }
            _ => "write it with a decimal point, and without marks between thousands".to_owned(),
        }
    }
}

/// One table of a file, with typed access that reports what is wrong.
#[derive(Clone, Copy)]
pub struct Section<'d, 'a> {
    pub doc: &'d Doc<'a>,
    pub table: &'d DeTable<'a>,
    /// Dotted path before the keys, empty at the top.
    pub path: &'d str,
}

impl<'d, 'a> Section<'d, 'a> {
    /// The key as it is named in a problem.
    pub fn dotted(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    /// The raw value.
    pub fn get(&self, key: &str) -> Option<&'d Spanned<DeValue<'a>>> {
        self.table.get(key)
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'a>>, expected: &str) {
        self.doc.error(
            value.span(),
            &self.dotted(key),
            &describe(value.get_ref()),
            expected,
            "correct the value or take the line out",
        );
    }

    /// Text; a date or time without quotes counts as text. Empty text is `None`.
    pub fn text(&self, key: &str) -> Option<String> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::String(s) => {
                let s = s.trim();
                if s.contains(|c: char| c.is_control() && !matches!(c, '\n' | '\r' | '\t')) {
                    self.wrong_type(key, value, "text without control characters");
                    return None;
                }
                (!s.is_empty()).then(|| s.to_owned())
            }
            DeValue::Datetime(d) => Some(d.to_string()),
            _ => {
                self.wrong_type(key, value, "text in double quotes");
                None
            }
        }
    }

    /// A word out of a closed list.
    pub fn word<T: Term>(&self, key: &str) -> Option<T> {
        let found = self.text(key)?;
        if let Some(term) = T::parse(&found) {
            return Some(term);
        }
        let words = T::words();
        let advice = match nearest(&found, words.iter().copied()) {
            Some(near) => format!("write \"{near}\" if that is meant"),
            None => "correct the word or take the line out".to_owned(),
        };
        let span = self.get(key).map_or(0..0, Spanned::span);
        self.doc
            .error(span, &self.dotted(key), &shown(&found), &one_of(&words), &advice);
        None
    }

    /// `true` or `false`.
    pub fn yes_or_no(&self, key: &str) -> Option<bool> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Boolean(b) => Some(*b),
            _ => {
                self.wrong_type(key, value, "true or false without quotes");
                None
            }
        }
    }

    /// A finite number from `low` to `high`.
    pub fn number(&self, key: &str, low: f64, high: f64) -> Option<f64> {
        let value = self.get(key)?;
        let Some(number) = as_number(value.get_ref()) else {
            self.wrong_type(key, value, "a number without quotes");
            return None;
        };
        if number.is_finite() && (low..=high).contains(&number) {
            return Some(number);
        }
        self.wrong_type(key, value, &format!("a number from {low} to {high}"));
        None
    }

    /// A line of drive, in degrees.
    pub fn line_of_drive(&self, key: &str) -> Option<LineOfDrive> {
        self.number(key, 0.0, 180.0).and_then(LineOfDrive::new)
    }

    /// A whole number from `low` to `high`.
    pub fn whole(&self, key: &str, low: i64, high: i64) -> Option<i64> {
        let value = self.get(key)?;
        match as_whole(value.get_ref()) {
            Some(n) if (low..=high).contains(&n) => Some(n),
            _ => {
                self.wrong_type(key, value, &format!("a whole number from {low} to {high}"));
                None
            }
        }
    }

    /// Several words out of a closed list.
    pub fn words<T: Term>(&self, key: &str) -> Vec<T> {
        let Some(value) = self.get(key) else {
            return Vec::new();
        };
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong_type(key, value, "a list of words, [\"T6\", \"T7\"]");
            return Vec::new();
        };
        let mut words = Vec::new();
        for item in items {
            match item.get_ref().as_str().and_then(T::parse) {
                Some(word) => words.push(word),
                None => self.wrong_type(key, item, &format!("words out of {}", one_of(&T::words()))),
            }
        }
        words
    }

    /// Texts: one, or a list of them.
    pub fn texts(&self, key: &str) -> Vec<String> {
        let Some(value) = self.get(key) else {
            return Vec::new();
        };
        let DeValue::Array(items) = value.get_ref() else {
            return self.text(key).into_iter().collect();
        };
        let mut texts = Vec::new();
        for item in items {
            match item.get_ref().as_str().map(str::trim) {
                Some(text) if !text.is_empty() => texts.push(text.to_owned()),
                _ => self.wrong_type(key, item, "text in double quotes, or a list of such"),
            }
        }
        texts
    }

    /// A table inside this one.
    pub fn table(&self, key: &str) -> Option<&'d DeTable<'a>> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(table),
            _ => {
                self.wrong_type(key, value, &format!("a table, [{}]", self.dotted(key)));
                None
            }
        }
    }

    /// Warns of every key that is not known, naming the nearest one that is. One that may be meant for a ceiling is an
    /// error: somebody counts on being warned at that force.
    pub fn warn_unknown(&self, known: &[&str]) {
        for key in self.table.keys() {
            let word = key.get_ref().as_ref();
            if known.contains(&word) {
                continue;
            }
            if resembles_ceiling(word) {
                self.unknown_ceiling(key.span(), word);
                continue;
            }
            let advice = match nearest(word, known.iter().copied()) {
                Some(near) => format!("write {near} if that is meant; the line has no effect"),
                None => "take it out or correct it; the line has no effect".to_owned(),
            };
            self.doc.warning(
                key.span(),
                &self.dotted(&shown(word)),
                &format!("unknown key {}", shown(word)),
                "a key this file may hold",
                &advice,
            );
        }
    }

    /// An error for a key that has no effect and may be meant for a ceiling.
    pub fn unknown_ceiling(&self, span: Range<usize>, word: &str) {
        self.doc.error(
            span,
            &self.dotted(&shown(word)),
            &format!("{}, which sets no ceiling", shown(word)),
            "ceilings in study.toml: [ceiling_n] with neck, thoracic, lumbar or sacral = newtons",
            "write it so, or take it out: with it nobody would be warned at the force it names",
        );
    }
}

/// A float or an integer as a number.
pub fn as_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(f) => f.as_str().parse().ok(),
        DeValue::Integer(_) => as_whole(value).map(|n| n as f64),
        _ => None,
    }
}

/// An integer.
pub fn as_whole(value: &DeValue<'_>) -> Option<i64> {
    match value {
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok(),
        _ => None,
    }
}

/// What stands there, in a few words.
pub fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(s) => format!("the text \"{}\"", shown(s)),
        DeValue::Integer(i) => i.as_str().to_owned(),
        DeValue::Float(f) => f.as_str().to_owned(),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Datetime(d) => d.to_string(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// Reads a text file that people write: TOML, or a table.
///
/// # Errors
/// As [`read_text_as`].
pub fn read_text(path: &Path, file: &str) -> Result<String, Problem> {
    read_text_as(path, file, FileKind::of_text(path))
}

/// Reads a text file of a kind.
///
/// # Errors
/// A problem that names the file: no ordinary file, too large, not readable, not UTF-8.
pub fn read_text_as(path: &Path, file: &str, kind: FileKind) -> Result<String, Problem> {
    let bytes = door::read(path, kind).map_err(|e| match OpenRefusal::of(&e) {
        Some(refusal) => Problem::error(
            file,
            refusal.to_string(),
            "an ordinary file, or a link to one, of a size that such a file may have",
            "check that the right file has this name",
        ),
        None => Problem::error(
            file,
            format!("a file that cannot be read ({e})"),
            "a readable file",
            "check that it is there, and its permissions",
        ),
    })?;
    String::from_utf8(bytes).map_err(|e| {
        let good = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        Problem::error(
            file,
            "bytes that are no UTF-8 text",
            "UTF-8 text",
            "save it again as UTF-8",
        )
        .at_line(1 + memchr::memchr_iter(b'\n', good).count() as u64)
    })
}
