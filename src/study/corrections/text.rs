//! The text of corrections.toml: an entry written, and the file read.

use super::{By, Change, Correction, Corrections, CorrectionEntry, FILE_NAME, CorrectedMark, Moved};
use crate::error::{Problem, steers};
use crate::study::codes::code_warning;
use crate::study::opened::is_sha256;
use crate::study::sidecar::any_error;
use crate::study::toml_doc::{Doc, Section, as_number, describe};
use crate::terms::{ChangeWord, Side};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use toml::de::DeValue;

/// Seconds and millimetres in the file lie within this.
const LARGEST: f64 = 1e12;

const HEADING: &str = "\
# Written by `tautpoint correct`. Entries are only ever added: to take one back, add an undo.
format = 1
# How many entries follow, and the hash of their values: an entry that is missing, also at the end, or was changed is seen by them.
";

/// The two lines that tell of all entries.
fn tallies(entries: &[CorrectionEntry]) -> [String; 2] {
    [format!("entries = {}", entries.len()), format!("sha256 = \"{}\"", sum(entries))]
}

/// Hash of the entries' values as they are written, so that comments and ends of lines are free.
pub(super) fn sum(entries: &[CorrectionEntry]) -> String {
    let mut hash = Sha256::new();
    entries.iter().for_each(|e| hash.update(entry_to_toml(e)));
    hash.finalize().iter().map(|b| format!("{b:02x}")).collect()
}

/// A whole file.
pub fn file_to_toml(entries: &[CorrectionEntry]) -> String {
    let [number, sum] = tallies(entries);
    let head = format!("{HEADING}{number}\n{sum}\n");
    entries.iter().fold(head, |text, e| text + &entry_to_toml(e))
}

/// The text of a file with entries added at its end: all entries and comments before them stay as they are, byte by byte, and the
/// two lines at the top tell of `all`.
pub fn with_added(old: &str, all: &[CorrectionEntry], added: &[CorrectionEntry]) -> String {
    let (head, body) = old.split_at(old.find("[[entry]]").unwrap_or(old.len()));
    let [number, sum] = tallies(all);
    let line = |line: &str| {
        let (content, end) = line.split_at(line.trim_end_matches(['\r', '\n']).len());
        match content.split('=').next().map(str::trim) {
            Some("entries") => format!("{number}{end}"),
            Some("sha256") => format!("{sum}{end}"),
            _ => line.to_owned(),
        }
    };
    let mut text: String = head.split_inclusive('\n').map(line).collect();
    text.push_str(body);
    if !text.ends_with('\n') {
        text.push('\n');
    }
    added.iter().fold(text, |text, e| text + &entry_to_toml(e))
}

/// A string on one line, whatever it holds: where an editor changes the ends of lines, a string of several would be another one.
fn quoted(text: &str) -> String {
    // Basic strings of TOML have the escapes of JSON; it asks for one more.
    serde_json::Value::from(text).to_string().replace('\u{7f}', "\\u007f")
}

/// One entry as the file holds it; [`parse`] reads it back.
pub fn entry_to_toml(entry: &CorrectionEntry) -> String {
    let mut text = format!("\n[[entry]]\nnumber = {}\n", entry.number());
    let mut line = |key: &str, value: &str| {
        let _ = writeln!(text, "{key} = {value}");
    };
    match entry {
        CorrectionEntry::Undo { entry, .. } => {
            line("change", &quoted(ChangeWord::Undo.word()));
            line("entry", &entry.to_string());
        }
        CorrectionEntry::Correction(c) => {
            line("recording", &quoted(&c.recording));
            line("sha256", &quoted(&c.sha256));
            line("test", &c.test.to_string());
            line("at_s", &format!("{:?}", c.at_s));
            if let Some(side) = c.side {
                line("side", &quoted(side.word()));
            }
            line("change", &quoted(c.change.word().word()));
            let (from, to) = values(&c.change);
            from.into_iter().for_each(|from| line("from", &from));
            to.into_iter().for_each(|to| line("to", &to));
        }
    }
    let by = entry.by();
    line("who", &quoted(&by.who));
    line("when", &quoted(&by.when));
    line("why", &quoted(&by.why));
    text
}

/// `from` and `to` of a change.
fn values(change: &Change) -> (Option<String>, Option<String>) {
    let seconds = |s: &f64| Some(format!("{s:?}"));
    let word = |w: &str| Some(toml::Value::String(w.to_owned()).to_string());
    match change {
        Change::Move(_, Moved { from_s, to_s }) => (seconds(from_s), seconds(to_s)),
        Change::AddSpring { to_s } | Change::Split { to_s } => (None, seconds(to_s)),
        Change::RemoveSpring { from_s } => (seconds(from_s), None),
        Change::Side { from, to } => (from.and_then(|s| word(s.word())), word(to.word())),
        Change::Level { from, to } => (from.and_then(|l| word(l.word())), word(to.word())),
        Change::OnsetWithin { mm: [low, high] } => {
            // TOML has no word for nothing in an array, and one for endless.
            let (low, high) = (low.unwrap_or(f64::NEG_INFINITY), high.unwrap_or(f64::INFINITY));
            (None, Some(format!("[{low:?}, {high:?}]")))
        }
        Change::Annotate { word: said } => (None, word(said)),
        Change::Join | Change::LeaveOut => (None, None),
    }
}

/// Whether a text stands in one line of every table and page as it is: nothing in it ends the line, steers a terminal, turns the
/// writing direction or is there without being seen.
pub fn is_plain_line(text: &str) -> bool {
    let unseen = |c: char| {
        matches!(c, '\u{ad}' | '\u{200b}' | '\u{2028}' | '\u{2029}' | '\u{2060}'..='\u{2064}' | '\u{feff}' | '\u{e0000}'..='\u{e007f}')
    };
    // Some scripts need joiners within their words; alone they are nothing.
    let joins = |c: char| matches!(c, '\u{200c}' | '\u{200d}');
    let hidden = |c: char| matches!(c, '\n' | '\t') || steers(c) || unseen(c);
    !text.contains(hidden) && text.chars().any(|c| !c.is_whitespace() && !joins(c))
}

/// Reads the text of the file; with a fault in it anywhere nothing of it is used.
pub fn parse(file: &str, text: &str) -> (Corrections, Vec<Problem>) {
    let doc = Doc::new(file, text);
    let mut entries = Vec::new();
    if let Some(table) = doc.parse() {
        let top = Section {
            doc: &doc,
            table: &table,
            path: "",
        };
        top.warn_unknown(&["format", "entries", "sha256", "entry"]);
        top.whole("format", 1, 1);
        all(&top, &mut entries);
        if doc.errors() == 0 {
            told_at_the_top(&top, &entries);
        }
    }
    let mut problems = doc.into_problems();
    let faulty = any_error(&problems);
    if faulty {
        entries.clear();
        problems.push(Problem::error(
            FILE_NAME,
            "a file with a fault",
            "every entry as it was written",
            "put it back as it was; until then none of it is used, and results are as detected",
        ));
    }
    (Corrections { entries, faulty }, problems)
}

/// Whether the entries are those that the top of the file tells of: what was cut off whole leaves no other trace.
fn told_at_the_top(top: &Section<'_, '_>, entries: &[CorrectionEntry]) {
    let span = |key: &str| top.get(key).map_or(0..0, toml::Spanned::span);
    let advice = "put the file back as it was written";
    let told = top.whole("entries", 0, i64::from(u32::MAX));
    let there = entries.len();
    if told != Some(there as i64) {
        let told = told.map_or_else(|| "a number of entries".to_owned(), |n| n.to_string());
        let expected = format!("{told}, as its top says: the end of the file may be missing");
        return top.doc.error(span("entries"), "entries", &counted_entries(there), &expected, advice);
    }
    if top.text("sha256").is_none_or(|told| !told.eq_ignore_ascii_case(&sum(entries))) {
        let expected = "the entries that it was written with: one was changed";
        top.doc.error(span("sha256"), "sha256", "entries with another hash", expected, advice);
    }
}

fn counted_entries(n: usize) -> String {
    match n {
        1 => "one entry".to_owned(),
        n => format!("{n} entries"),
    }
}

fn all(top: &Section<'_, '_>, entries: &mut Vec<CorrectionEntry>) {
    let Some(value) = top.get("entry") else {
        return;
    };
    let DeValue::Array(items) = value.get_ref() else {
        let found = describe(value.get_ref());
        let expected = "[[entry]], in double brackets";
        return top.doc.error(value.span(), "entry", &found, expected, "put it back as it was written");
    };
    for (i, item) in items.iter().enumerate() {
        let path = format!("entry {}", i + 1);
        let read = match item.get_ref() {
            DeValue::Table(table) => one(&Section {
                doc: top.doc,
                table,
                path: &path,
            }),
            _ => None,
        };
        match read {
            Some(entry) if entry.number() as usize == i + 1 => entries.push(entry),
            Some(entry) => top.doc.error(
                item.span(),
                &path,
                &format!("number {}", entry.number()),
                &format!("number {}: entries are numbered in their order and none is taken out", i + 1),
                "put it back as it was written",
            ),
            None => top.doc.error(
                item.span(),
                &path,
                "an entry that lacks something",
                "what `tautpoint correct` writes",
                "put it back as it was written",
            ),
        }
    }
}

fn one(section: &Section<'_, '_>) -> Option<CorrectionEntry> {
    section.warn_unknown(&[
        "number", "recording", "sha256", "test", "at_s", "side", "change", "from", "to", "entry", "who", "when", "why",
    ]);
    let count = |key: &str| section.whole(key, 1, i64::from(u32::MAX)).and_then(|n| u32::try_from(n).ok());
    let number = count("number")?;
    let by = by(section)?;
    let word: ChangeWord = section.word("change")?;
    if word == ChangeWord::Undo {
        // What it takes back comes before it.
        let entry = count("entry").filter(|e| *e < number)?;
        return Some(CorrectionEntry::Undo { number, entry, by });
    }
    Some(CorrectionEntry::Correction(Box::new(Correction {
        number,
        recording: section.text("recording")?,
        sha256: section.text("sha256").filter(|h| is_sha256(h))?.to_ascii_lowercase(),
        test: count("test")?,
        at_s: section.number("at_s", -LARGEST, LARGEST)?,
        side: match section.get("side") {
            Some(_) => Some(section.word::<Side>("side")?),
            None => None,
        },
        change: change(section, word)?,
        by,
    })))
}

/// A text of plain lines: only one is ever written, and one with line ends was read from the first.
fn plain(section: &Section<'_, '_>, key: &str) -> Option<String> {
    let lines_joined = |text: &String| text.replace(['\r', '\n', '\t'], " ");
    section.text(key).filter(|text| is_plain_line(&lines_joined(text)))
}

fn by(section: &Section<'_, '_>) -> Option<By> {
    let by = By {
        who: plain(section, "who")?,
        when: section.text("when").filter(|t| t.parse::<jiff::Timestamp>().is_ok())?,
        why: plain(section, "why")?,
    };
    if let Some(looks_like) = code_warning(&by.who) {
        let span = section.get("who").map_or(0..0, toml::Spanned::span);
        let found = format!("what looks like {looks_like}");
        section.doc.warning(span, &section.dotted("who"), &found, "a code", "write codes, never names");
    }
    Some(by)
}

fn change(section: &Section<'_, '_>, word: ChangeWord) -> Option<Change> {
    let seconds = |key: &str| section.number(key, -LARGEST, LARGEST);
    let moved = |mark: CorrectedMark| {
        let (from_s, to_s) = (seconds("from")?, seconds("to")?);
        Some(Change::Move(mark, Moved { from_s, to_s }))
    };
    Some(match word {
        ChangeWord::ContactBegin => moved(CorrectedMark::ContactBegin)?,
        ChangeWord::ContactEnd => moved(CorrectedMark::ContactEnd)?,
        ChangeWord::SpringStart => moved(CorrectedMark::SpringStart)?,
        ChangeWord::SpringPeak => moved(CorrectedMark::SpringPeak)?,
        ChangeWord::SpringEnd => moved(CorrectedMark::SpringEnd)?,
        ChangeWord::AddSpring => Change::AddSpring { to_s: seconds("to")? },
        ChangeWord::RemoveSpring => Change::RemoveSpring { from_s: seconds("from")? },
        ChangeWord::Split => Change::Split { to_s: seconds("to")? },
        ChangeWord::Join => Change::Join,
        ChangeWord::Side => Change::Side {
            from: section.get("from").and_then(|_| section.word("from")),
            to: section.word("to")?,
        },
        ChangeWord::Level => Change::Level {
            from: section.get("from").and_then(|_| section.word("from")),
            to: section.word("to")?,
        },
        ChangeWord::LeaveOut => Change::LeaveOut,
        ChangeWord::OnsetWithin => Change::OnsetWithin { mm: range(section)? },
        ChangeWord::Annotate => Change::Annotate { word: plain(section, "to")? },
        ChangeWord::Undo => return None,
    })
}

/// Two displacements, the smaller first; an open side is endless, and one of them is given.
fn range(section: &Section<'_, '_>) -> Option<[Option<f64>; 2]> {
    let DeValue::Array(items) = section.get("to")?.get_ref() else {
        return None;
    };
    let numbers: Vec<f64> = items.iter().filter_map(|item| as_number(item.get_ref())).collect();
    match numbers[..] {
        [low, high] if low < high => {
            let given = |mm: f64, open: f64| if mm == open { Some(None) } else { (mm.abs() < LARGEST).then_some(Some(mm)) };
            let mm = [given(low, f64::NEG_INFINITY)?, given(high, f64::INFINITY)?];
            mm.iter().any(Option::is_some).then_some(mm)
        }
        _ => None,
    }
}
