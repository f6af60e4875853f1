//! What every page and the terminal tell of ceilings before anything else: pushes over one, recordings that could not be held
//! against one, tests of no known level, and ceilings that can hardly be meant.

use super::frame::{PageCell, PageTable};
use crate::format::{counted, number};
use crate::results::{LookedAt, NotLookedAt, Results};
use crate::technique::{TechniqueFinding, TechniqueRule};
use crate::terms::{Level, SessionKey, Side};
use std::collections::BTreeSet;

/// Pushes told one by one where a table of them all follows.
const TOLD: usize = 5;
/// Recordings named in one sentence; nothing is warned of there, and each stands in the tables too.
const NAMED: usize = 5;

/// Whose pushes and recordings are told.
#[derive(Debug, Clone, Copy)]
pub enum Whose<'a> {
    All,
    /// Of one examiner.
    Examiner(&'a str),
    Scan(&'a SessionKey),
}

impl Whose<'_> {
    fn holds(self, [subject, examiner, session]: [&Option<String>; 3]) -> bool {
        match self {
            Whose::All => true,
            Whose::Examiner(code) => examiner.as_deref() == Some(code),
            Whose::Scan(scan) => [subject, examiner, session] == [&scan.subject, &scan.examiner, &scan.session],
        }
    }
}

/// What is told of ceilings, and every push over one, the furthest over its ceiling first.
pub struct OverCeilings<'a> {
    results: &'a Results,
    whose: Whose<'a>,
    pushes: Vec<&'a TechniqueFinding>,
}

impl<'a> OverCeilings<'a> {
    pub fn of(results: &'a Results, whose: Whose<'a>) -> OverCeilings<'a> {
        let own = results.technique.iter().filter(|f| {
            f.rule == TechniqueRule::OverCeiling && whose.holds([&f.subject, &f.examiner, &f.session])
        });
        let mut pushes: Vec<&TechniqueFinding> = own.collect();
        pushes.sort_by(|a, b| share(b).total_cmp(&share(a)));
        OverCeilings {
            results,
            whose,
            pushes,
        }
    }

    /// Every push.
    pub fn pushes(&self) -> &[&'a TechniqueFinding] {
        &self.pushes
    }

    /// The head of a page: the first pushes, then what else must be known.
    pub fn head(&self) -> Vec<String> {
        let mut lines: Vec<String> = self.pushes.iter().take(TOLD).map(|p| whole_words(p)).collect();
        if self.pushes.len() > TOLD {
            lines.push(format!("and {} more, in the table of pushes below", self.pushes.len() - TOLD));
        }
        if !lines.is_empty() {
            lines.insert(0, format!("Over the ceiling: {}, the furthest over its ceiling first.", how_many(self.pushes.len())));
        }
        lines.extend(self.cautions());
        lines
    }

    /// The same without a word of whose, for a page that names nobody.
    pub fn unnamed_head(&self) -> Vec<String> {
        let hardest = self.pushes.first().map(|hardest| {
            let by: BTreeSet<_> = self.pushes.iter().filter_map(|push| push.examiner.as_ref()).collect();
            let by = match by.len() {
                0 => String::new(),
                n => format!(" by {}", counted(n, "examiner")),
            };
            format!(
                "Over the ceiling: {}{by}, the furthest over it {} against a ceiling of {}.",
                how_many(self.pushes.len()),
                newtons(hardest.value),
                newtons(hardest.high)
            )
        });
        hardest.into_iter().chain(self.said(false)).collect()
    }

    /// Every push in words, for a terminal.
    pub fn told(&self) -> Vec<String> {
        self.pushes.iter().map(|p| whole_words(p)).collect()
    }

    /// What could not be looked at, line by line. Ceilings that can hardly be meant are problems of study.toml already.
    pub fn warnings(&self) -> Vec<String> {
        self.gaps(true)
    }

    /// What should be known besides: tests held against a ceiling that stands in, and which ceilings hold.
    pub fn notes(&self) -> Vec<String> {
        let held = self.results.settings.ceilings_words();
        self.level_not_given(true).into_iter().chain([format!("ceilings: {held}")]).collect()
    }

    /// Every push as a table, with whose it was or without; none without a push.
    pub fn table(&self, named: bool) -> Option<PageTable> {
        let mut heads = vec!["peak, N", "ceiling, N", "level", "side"];
        if named {
            heads.extend(["learner", "subject", "session", "recording", "test"]);
        }
        heads.push("what was seen");
        let code = |v: &Option<String>| PageCell::from(v.clone().unwrap_or_default());
        let of = |v: Option<f64>| PageCell::sorted_by(v.map_or(String::new(), |v| number(v, 1)), v.unwrap_or(-1.0));
        let rows: Vec<Vec<PageCell>> = self.pushes.iter().map(|push| {
            let mut row = vec![
                of(push.value),
                of(push.high),
                PageCell::from(push.level.map_or("not given", Level::label)),
                PageCell::from(push.side.map_or("", Side::word)),
            ];
            if named {
                row.extend([&push.examiner, &push.subject, &push.session, &push.recording].map(code));
                row.push(PageCell::from(push.test.map_or_else(|| "none".to_owned(), |t| t.to_string())));
            }
            row.push(PageCell::from(push.observed.clone()));
            row
        }).collect();
        let caption = format!("Every push over a ceiling ({}), the furthest over its ceiling first", self.pushes.len());
        (!rows.is_empty()).then(|| PageTable::of_text(caption, heads, rows))
    }

    /// What must be known beside the pushes: what could not be looked at, what was held against a ceiling that stands in, and
    /// ceilings that can hardly be meant.
    pub fn cautions(&self) -> Vec<String> {
        self.said(true)
    }

    /// That nothing went over, as far as that can be said; `None` when something did.
    pub fn none_over(&self) -> Option<String> {
        if !self.pushes.is_empty() {
            return None;
        }
        let left = self.not_looked_at().count();
        Some(match left {
            0 => "No push went over its ceiling".to_owned(),
            n => format!(
                "No push over a ceiling was found in what could be looked at, and {} could not be or not in full",
                counted(n, "recording")
            ),
        })
    }

    fn not_looked_at(&self) -> impl Iterator<Item = &'a NotLookedAt> {
        let whose = self.whose;
        let all = self.results.not_looked_at.iter();
        all.filter(move |n| whose.holds([&n.subject, &n.examiner, &n.session]))
    }

    fn said(&self, named: bool) -> Vec<String> {
        let doubts = self.results.settings.ceiling_doubts();
        let mut lines = self.gaps(named);
        lines.extend(self.level_not_given(named));
        lines.extend(doubts.iter().map(ToString::to_string));
        lines
    }

    /// What could not be looked at.
    fn gaps(&self, named: bool) -> Vec<String> {
        let mut lines = Vec::new();
        for (looked_at, could) in [
            (LookedAt::Nothing, "could not be looked at for ceilings"),
            (LookedAt::Part, "could be looked at for ceilings only in part"),
        ] {
            let own: Vec<&NotLookedAt> = self.not_looked_at().filter(|n| n.looked_at == looked_at).collect();
            if own.is_empty() {
                continue;
            }
            let names: Vec<String> = own.iter().map(|n| format!("{} ({})", n.recording, n.why)).collect();
            let names = if named { format!(": {}", names.join("; ")) } else { String::new() };
            lines.push(format!("{} {could}{names}.", counted(own.len(), "recording")));
        }
        lines
    }

    /// Tests of no known level, which the lowest ceiling is held against.
    fn level_not_given(&self, named: bool) -> Option<String> {
        let whose = self.whose;
        let nowhere = self.results.tests.iter().filter(move |t| {
            let about = &t.about;
            about.levels().next().is_none() && whose.holds([&about.subject, &about.examiner, &about.session])
        });
        let tests: BTreeSet<(&str, u32)> = nowhere.map(|t| (t.recording.as_str(), t.test)).collect();
        let files: BTreeSet<&str> = tests.iter().map(|(recording, _)| *recording).collect();
        if tests.is_empty() {
            return None;
        }
        let lowest = self.results.settings.ceiling_at([]);
        let mut names: Vec<String> = files.iter().take(NAMED).map(|f| (*f).to_owned()).collect();
        if files.len() > NAMED {
            names.push(format!("and {} more", files.len() - NAMED));
        }
        let names = if named { format!(": {}", names.join(", ")) } else { String::new() };
        Some(format!(
            "Level not given in {}: held against the lowest ceiling, {} {}\u{a0}N{names}. Write `level` into the sidecar, or follow \
             a plan.",
            counted(tests.len(), "test"),
            lowest.region,
            lowest.newtons
        ))
    }
}

/// How far over its ceiling, as a share of it.
fn share(push: &TechniqueFinding) -> f64 {
    push.value.zip(push.high).map_or(0.0, |(peak, ceiling)| peak / ceiling)
}

/// What was seen, with the file and whose it was.
fn whole_words(push: &TechniqueFinding) -> String {
    let file = push.recording.as_ref().filter(|_| push.level.is_some()).map(|recording| match push.test {
        Some(test) => format!("{recording}, test {test}"),
        None => recording.clone(),
    });
    let whose = [("subject", &push.subject), ("examiner", &push.examiner), ("session", &push.session)];
    let whose = whose
        .into_iter()
        .filter_map(|(word, code)| Some(format!("{word} {}", code.as_ref()?)));
    let from: Vec<String> = file.into_iter().chain(whose).collect();
    match from.is_empty() {
        true => push.text(),
        false => format!("{} ({})", push.text().trim_end_matches('.'), from.join(", ")),
    }
}

fn newtons(v: Option<f64>) -> String {
    v.map_or_else(|| "not known".to_owned(), |v| format!("{} N", number(v, 1)))
}

fn how_many(pushes: usize) -> String {
    match pushes {
        1 => "1 push".to_owned(),
        n => format!("{n} pushes"),
    }
}
