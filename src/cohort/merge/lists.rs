//! The lists of the studies, and what is to be told of codes and calls that several of them have.

use super::list::{List, unite};
use super::making::Making;
use crate::calibrate::drift::HISTORY;
use crate::error::{Error, Problem, Result};
use crate::format::counted;
use crate::read::calibrations;
use crate::study::door::{self, FileKind};
use crate::study::words::{list, shown};
use crate::terms::Level;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// What a row says, by heading.
type Said = BTreeMap<String, String>;

/// Whose trial, by subject, examiner and session; the level; the trial.
type TrialKey = (String, String, String, Level, u32);

/// Whether a file of a study is a list that is united row by row.
pub fn is_list(place: &Path) -> bool {
    let table = place.extension().is_some_and(|e| e.eq_ignore_ascii_case("csv"));
    table && place.components().count() == 1 || place == Path::new(calibrations::FOLDER).join(HISTORY)
}

/// Whether it is a trace that lies where no recording is looked for: its rows are nobody's to mix.
pub fn holds_forces(path: &Path) -> bool {
    let text = door::read_to_string(path, FileKind::Table).unwrap_or_default();
    List::parse("", &text).is_some_and(|list| ["time", "force"].iter().all(|word| list.has_heading(word)))
}

/// Unites one list of all studies that have it.
///
/// # Errors
/// [`Error::Refused`] when it would be larger than is read.
pub fn put_list(making: &mut Making<'_>, place: &PathBuf) -> Result<()> {
    let file = place.to_string_lossy().into_owned();
    let mut lists = Vec::new();
    for (s, source) in making.sources.iter().enumerate() {
        let path = source.given.join(place);
        if !door::is_there(&path) {
            continue;
        }
        match door::read_to_string(&path, FileKind::Table) {
            // One without headings holds nothing.
            Ok(text) => lists.extend(List::parse(&source.label, &text).map(|list| (s, list))),
            Err(cause) => {
                making.problems.push(Problem::error(
                    source.in_it(&file),
                    format!("a list that cannot be read ({cause})"),
                    "a table of text",
                    format!("look at it: none of its rows are in the merged list, and it was put into {} if it could be copied", source.aside()),
                ));
                let aside = making.aside(s, place);
                if let Ok(sha256) = crate::batch::sha256_of(&path) {
                    making.copy(&path, &aside, &sha256)?;
                }
            }
        }
    }
    for (s, list) in &mut lists {
        let names = making.new_names(*s);
        for i in 0..list.rows.len() {
            if let Some(new) = names.get(&list.cell(&list.rows[i], "recording")) {
                list.set_cell(i, "recording", new);
            }
        }
    }
    let mut besides = "";
    match file.as_str() {
        "roster.csv" => roster(making, &mut lists),
        "calls.csv" => calls(making, &mut lists),
        _ if place.starts_with(calibrations::FOLDER) => {
            besides = "check";
            number_checks(&mut lists);
        }
        _ => {}
    }
    let lists: Vec<List> = lists.into_iter().map(|(_, list)| list).collect();
    let (text, mut problems) = unite(&file, &lists, besides);
    making.problems.append(&mut problems);
    if text.len() as u64 > FileKind::Table.most_bytes() {
        return Err(Error::Refused {
            found: format!("{file} of all studies would have {} MB", text.len() >> 20),
            advice: "a list of this kind has at most 16 MB: merge fewer studies".to_owned(),
        });
    }
    match lists.is_empty() {
        true => Ok(()),
        false => making.put(place, text.as_bytes()),
    }
}

/// A code that two rosters tell different things of may be two persons.
fn roster(making: &mut Making<'_>, lists: &mut [(usize, List)]) {
    // What the first roster that has a code says of it, by role.
    let mut said: BTreeMap<String, (String, BTreeMap<String, Said>)> = BTreeMap::new();
    for (s, list) in lists.iter_mut() {
        let label = making.sources[*s].label.clone();
        let mut own: BTreeMap<String, BTreeMap<String, Said>> = BTreeMap::new();
        for row in &list.rows {
            let (code, role) = (list.cell(row, "code"), list.cell(row, "role").to_lowercase());
            own.entry(code).or_default().entry(role).or_insert_with(|| list.said(row, ""));
        }
        for (code, rows) in own {
            let Some((first, before)) = said.get(&code).filter(|(_, before)| *before != rows) else {
                said.entry(code).or_insert((label.clone(), rows));
                continue;
            };
            let words = |rows: &BTreeMap<String, Said>| {
                let rows: Vec<String> = rows.values().map(|r| r.values().cloned().collect::<Vec<_>>().join(" ")).collect();
                shown(&rows.join(", "))
            };
            making.problems.push(
                Problem::error(
                    format!("{label}/roster.csv"),
                    format!("{} ({}), and {first} has {}", shown(&code), words(&rows), words(before)),
                    "one person for each code",
                    format!(
                        "find out whether that is one person: if so, correct the roster; if not, give one of them another code in roster, \
                         lists and sidecars of {label}, and merge again. The row of {first} holds"
                    ),
                )
                .in_column("code"),
            );
            let clashing: Vec<usize> = (0..list.rows.len())
                .filter(|i| {
                    let row = &list.rows[*i];
                    let role = list.cell(row, "role").to_lowercase();
                    list.cell(row, "code") == code && before.get(&role).is_some_and(|b| *b != list.said(row, ""))
                })
                .collect();
            for i in clashing {
                list.put_aside(i, &format!("{first} says something else of that code"));
            }
        }
    }
}

/// Calls go along with the recordings whose trial became another one; those that contradict each other are named.
fn calls(making: &mut Making<'_>, lists: &mut [(usize, List)]) {
    let mut said: BTreeMap<Vec<String>, (String, String)> = BTreeMap::new();
    for (s, list) in lists.iter_mut() {
        let moved = moved_trials(making, *s);
        let label = making.sources[*s].label.clone();
        for i in 0..list.rows.len() {
            let cell = |heading: &str| list.cell(&list.rows[i], heading);
            let trial = cell("trial").parse::<u32>().ok();
            let key = Level::parse(&cell("level")).zip(trial);
            let key = key.map(|(level, trial)| (cell("subject"), cell("examiner"), cell("session"), level, trial));
            match key.and_then(|key| moved.get(&key)).map(|to| to.iter().copied().collect::<Vec<u32>>()).as_deref() {
                Some([to]) => list.set_cell(i, "trial", &to.to_string()),
                Some(several) => making.problems.push(
                    Problem::error(
                        format!("{label}/calls.csv"),
                        format!("a call for trial {}, whose recordings became trials {}", cell("trial"), counts(several)),
                        "one trial for each call",
                        "correct the trial of that call in the merged calls.csv",
                    )
                    .in_column("trial"),
                ),
                None => {}
            }
            let row = &list.rows[i];
            let about: Vec<String> = ["subject", "examiner", "session", "level", "trial"].map(|h| list.cell(row, h)).to_vec();
            let call = list.cell(row, "call");
            match said.get(&about) {
                Some((other, before)) if *before != call && *other != label => making.problems.push(
                    Problem::error(
                        format!("{label}/calls.csv"),
                        format!("{} for {}, and {} in {other}", shown(&call), shown(&about.join(" ")), shown(before)),
                        "one call for a subject, examiner, session, level and trial",
                        "delete the wrong one in the merged calls.csv; until then none of them is used",
                    )
                    .in_column("call"),
                ),
                Some(_) => {}
                None => {
                    said.insert(about, (label.clone(), call));
                }
            }
        }
    }
}

fn counts(numbers: &[u32]) -> String {
    list(&numbers.iter().map(u32::to_string).collect::<Vec<_>>())
}

/// The trials of a study that got another number, each with the numbers that its recordings got.
fn moved_trials(making: &Making<'_>, s: usize) -> BTreeMap<TrialKey, BTreeSet<u32>> {
    let mut moved: BTreeMap<TrialKey, BTreeSet<u32>> = BTreeMap::new();
    for (r, recording) in making.sources[s].recordings.iter().enumerate() {
        let about = &recording.sidecar.about;
        let key = || {
            let code = |code: &Option<String>| code.clone().unwrap_or_default();
            let (subject, examiner, session) = (code(&about.subject), code(&about.examiner), code(&about.session));
            Some((subject, examiner, session, about.level?, about.trial?))
        };
        if let (Some(trial), Some(key)) = (making.places.new_trial((s, r)), key()) {
            moved.entry(key).or_default().insert(trial);
        }
    }
    moved
}

/// Daily checks are numbered over the whole history: those of a further study go on counting.
fn number_checks(lists: &mut [(usize, List)]) {
    let number = |list: &List, i: usize| list.cell(&list.rows[i], "check").parse::<u32>().ok();
    let mut known: BTreeSet<BTreeMap<String, String>> = BTreeSet::new();
    let mut last = 0;
    for (position, (_, list)) in lists.iter_mut().enumerate() {
        let mut new: BTreeMap<u32, u32> = BTreeMap::new();
        for i in 0..list.rows.len() {
            let fresh = known.insert(list.said(&list.rows[i], "check"));
            let Some(check) = number(list, i) else { continue };
            if position == 0 {
                last = last.max(check);
            } else if fresh {
                let to = *new.entry(check).or_insert_with(|| {
                    last += 1;
                    last
                });
                list.set_cell(i, "check", &to.to_string());
            }
        }
    }
}

/// Codes that stand in the recordings of more than one study, which are taken for the same persons.
pub fn shared_codes(making: &Making<'_>) -> Option<String> {
    let mut holders: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
    for (s, source) in making.sources.iter().enumerate() {
        for about in source.recordings.iter().map(|r| &r.sidecar.about) {
            for code in [&about.subject, &about.examiner].into_iter().flatten() {
                holders.entry(code).or_default().insert(s);
            }
        }
    }
    let shared: Vec<String> = holders.iter().filter(|(_, s)| s.len() > 1).map(|(code, _)| shown(code)).collect();
    let mut named: Vec<String> = shared.iter().take(12).cloned().collect();
    if shared.len() > named.len() {
        named.push(format!("{} more", shared.len() - named.len()));
    }
    (!shared.is_empty()).then(|| format!("{} in recordings of several studies: {}", counted(shared.len(), "code"), list(&named)))
}
