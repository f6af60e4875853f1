//! draws.toml and corrections.toml of all studies in one.

use super::making::Making;
use crate::error::{Error, Problem, Result};
use crate::study::corrections::{self, CorrectionEntry};
use crate::study::door::{self, FileKind};
use crate::study::draws::{self, Draw};
use crate::study::sidecar::any_error;
use crate::study::words::shown;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Puts the draws of all studies there: one stands for each candidate and session, the first.
///
/// # Errors
/// As [`Making::put`].
pub fn put_draws(making: &mut Making<'_>, plans: &BTreeMap<(usize, String), String>) -> Result<()> {
    let mut all: Vec<Draw> = Vec::new();
    let mut first: Option<String> = None;
    for s in 0..making.sources.len() {
        let source = &making.sources[s];
        let Some(text) = text_of(making, s, draws::FILE_NAME)? else { continue };
        let (mut own, problems) = draws::parse(draws::FILE_NAME, &text);
        let mut aside = any_error(&problems);
        if aside {
            making.problems.push(faulty(source.in_it(draws::FILE_NAME), &problems, &source.aside()));
        }
        for draw in &mut own {
            let renamed = |plan: &mut String| {
                if let Some(new) = plans.get(&(s, plan.clone())) {
                    plan.clone_from(new);
                }
            };
            renamed(&mut draw.plan);
            draw.plans.iter_mut().for_each(renamed);
        }
        for draw in own {
            let standing = all.iter().find(|d| (&d.examiner, &d.session) == (&draw.examiner, &draw.session));
            match standing {
                None => all.push(draw),
                Some(standing) if *standing == draw => {}
                Some(standing) => {
                    aside = true;
                    making.problems.push(Problem::error(
                        source.in_it(draws::FILE_NAME),
                        format!(
                            "{} drawn for {} in session {}, and {} was drawn before",
                            shown(&draw.plan),
                            shown(&draw.examiner),
                            shown(&draw.session),
                            shown(&standing.plan)
                        ),
                        "one draw for each candidate and session",
                        format!("the earlier one stands; the file was put into {}", source.aside()),
                    ));
                }
            }
        }
        match &first {
            Some(_) if aside => making.put(&making.aside(s, Path::new(draws::FILE_NAME)), text.as_bytes())?,
            Some(_) => {}
            None => first = Some(text),
        }
    }
    let Some(first) = first else { return Ok(()) };
    let text = match draws::parse(draws::FILE_NAME, &first).0 == all {
        true => first,
        false => draws::to_toml(&all),
    };
    making.put(Path::new(draws::FILE_NAME), text.as_bytes())
}

/// Puts the corrections of all studies there, in the order of the studies and numbered anew; entries that several have stand once.
///
/// # Errors
/// As [`Making::put`]; [`Error::Refused`] when the file would be larger than is read.
pub fn put_corrections(making: &mut Making<'_>) -> Result<()> {
    let mut all: Vec<CorrectionEntry> = Vec::new();
    let mut first: Option<String> = None;
    for s in 0..making.sources.len() {
        let source = &making.sources[s];
        let Some(text) = text_of(making, s, corrections::FILE_NAME)? else { continue };
        let (own, problems) = corrections::parse(corrections::FILE_NAME, &text);
        if own.faulty {
            making.problems.push(faulty(source.in_it(corrections::FILE_NAME), &problems, &source.aside()));
            making.put(&making.aside(s, Path::new(corrections::FILE_NAME)), text.as_bytes())?;
            continue;
        }
        first.get_or_insert(text);
        let names = making.new_names(s);
        let mut numbers: BTreeMap<u32, u32> = BTreeMap::new();
        let mut matched: BTreeSet<u32> = BTreeSet::new();
        for entry in own.entries {
            let (number, entry) = anew(entry, &names, &numbers);
            let known = all.iter().find(|e| with_number(e, 0) == entry && !matched.contains(&e.number()));
            let new = known.map_or_else(|| u32::try_from(all.len()).unwrap_or(u32::MAX).saturating_add(1), CorrectionEntry::number);
            if known.is_none() {
                all.push(with_number(&entry, new));
            }
            matched.insert(new);
            numbers.insert(number, new);
        }
    }
    let Some(first) = first else { return Ok(()) };
    let text = match corrections::parse(corrections::FILE_NAME, &first).0.entries == all {
        true => first,
        false => corrections::file_to_toml(&all),
    };
    if text.len() as u64 > FileKind::Settings.most_bytes() {
        return Err(Error::Refused {
            found: format!("the corrections of all studies would have {} kB", text.len() >> 10),
            advice: "a file of this kind has at most 1 MB: merge fewer studies".to_owned(),
        });
    }
    making.put(Path::new(corrections::FILE_NAME), text.as_bytes())
}

/// The entry in the merged study, numbered 0, and the number that it had.
fn anew(entry: CorrectionEntry, names: &BTreeMap<String, String>, numbers: &BTreeMap<u32, u32>) -> (u32, CorrectionEntry) {
    let number = entry.number();
    let mut entry = with_number(&entry, 0);
    match &mut entry {
        CorrectionEntry::Correction(c) => {
            if let Some(new) = names.get(&c.recording) {
                c.recording.clone_from(new);
            }
        }
        CorrectionEntry::Undo { entry, .. } => {
            if let Some(new) = numbers.get(entry) {
                *entry = *new;
            }
        }
    }
    (number, entry)
}

fn with_number(entry: &CorrectionEntry, number: u32) -> CorrectionEntry {
    let mut entry = entry.clone();
    match &mut entry {
        CorrectionEntry::Correction(c) => c.number = number,
        CorrectionEntry::Undo { number: own, .. } => *own = number,
    }
    entry
}

/// The text of a file of a study; `None` where there is none. One that cannot be read is named.
fn text_of(making: &mut Making<'_>, s: usize, name: &str) -> Result<Option<String>> {
    let source = &making.sources[s];
    let path = source.given.join(name);
    if !door::is_there(&path) {
        return Ok(None);
    }
    match door::read_to_string(&path, FileKind::Settings) {
        Ok(text) => Ok(Some(text)),
        Err(cause) => {
            making.problems.push(Problem::error(
                source.in_it(name),
                format!("a file that cannot be read ({cause})"),
                "a TOML file",
                "look at it, and merge again: nothing of it is in the merged study",
            ));
            if let Ok(sha256) = crate::batch::sha256_of(&path) {
                making.copy(&path, &making.aside(s, Path::new(name)), &sha256)?;
            }
            Ok(None)
        }
    }
}

fn faulty(file: String, problems: &[Problem], aside: &str) -> Problem {
    let first = problems.first().map_or_else(|| "a fault".to_owned(), ToString::to_string);
    Problem::error(
        file,
        first,
        "a file without a fault",
        format!("put it back as it was written, and merge again: what cannot be read of it is not in the merged study; it was put into {aside}"),
    )
}
