//! What a terminal shows: the summary of an analysis, and its uncertainty budgets.

mod budget;
mod lines;

pub use budget::budget_text;

use super::CAUTION;
use super::over::{OverCeilings, Whose};
use crate::columns::Measure;
use crate::format::{NOT_DETERMINED, counted};
use crate::compare::{Comparison, ComparisonKind, Decision, TrialsToDecide, Unpaired};
use crate::results::{Exclusion, Results};
use crate::technique::{TechniqueFinding, TechniqueRule};
use crate::terms::{Level, SessionKey};
use crate::trace::{Note, Test};
use lines::{WIDTH, cut, file_name, padded, paragraph, plain, section, with_interval};
use std::collections::HashSet;
use std::fmt::Write;

/// The summary printed by an analysis that writes nothing: a table of tests and the findings of each scan, then
/// technique, what was left out, problems and the caution. Plain text of at most 100 columns, no colour.
pub fn summary_text(results: &Results) -> String {
    let mut out = String::new();
    let standing = results.standing();
    for (i, line) in standing.iter().enumerate() {
        // Departures stand under the sentence that announces them.
        let lead = if i > 0 && !line.ends_with('.') && !line.ends_with(':') {
            "  - "
        } else {
            ""
        };
        paragraph(&mut out, lead, line);
    }
    if !standing.is_empty() {
        out.push('\n');
    }
    out.push_str(&ceilings_text(results));
    for key in scans(results) {
        scan_lines(&mut out, results, &key);
    }
    if results.tests.is_empty() {
        out.push_str("No test was found.\n\n");
    }
    technique_lines(&mut out, &results.technique);
    let (first_springs, others): (Vec<&Exclusion>, Vec<&Exclusion>) =
        results.exclusions.iter().partition(|e| e.is_preconditioning());
    section(&mut out, "Left out", others.iter().map(|e| exclusion_words(e)));
    let problems = results.problems.iter().map(|p| p.to_string());
    section(&mut out, "Problems", problems);
    let c = results.counts();
    let _ = writeln!(
        out,
        "{} of {} used, {}, {}; {} left out.",
        c.recordings.used,
        counted(c.recordings.given, "recording"),
        counted(c.tests.reported, "test"),
        counted(c.springs.found, "spring"),
        others.len()
    );
    if !first_springs.is_empty() {
        let springs = counted(first_springs.len(), "first spring");
        let _ = writeln!(out, "{springs} left out of the means as preconditioning.");
    }
    paragraph(&mut out, "", CAUTION);
    out
}

/// What is told of ceilings before anything else: every push over one, the furthest over its ceiling first, what could not be looked at, and
/// which ceilings hold.
pub fn ceilings_text(results: &Results) -> String {
    let mut out = String::new();
    let ceilings = OverCeilings::of(results, Whose::All);
    let pushes = ceilings.told();
    let title = format!("Over the ceiling ({}, the furthest over its ceiling first)", pushes.len());
    section(&mut out, &title, pushes.into_iter());
    if let Some(push) = ceilings.pushes().first() {
        paragraph(&mut out, "    ", &push.advice());
    }
    section(&mut out, "Ceilings", ceilings.cautions().into_iter().chain([results.settings.ceilings_words()]));
    out.push('\n');
    out
}

/// Tests, findings and what found no partner, of one scan.
fn scan_lines(out: &mut String, results: &Results, key: &SessionKey) {
    let _ = writeln!(out, "{}", scan_title(key));
    let mut tests: Vec<&Test> = results
        .tests
        .iter()
        .filter(|t| t.about.session() == *key)
        .collect();
    // Level by level as a reader looks them up; the tables keep the order of the recordings.
    tests.sort_by_key(|t| (t.about.level.is_none(), t.about.level, t.side(), t.about.trial));
    test_table(out, &tests);
    let of_scan = results.comparisons.iter().filter(|f| f.key.session() == *key);
    let decided = of_scan.filter(|f| f.side_of_resistance.is_some());
    section(out, "  Findings", decided.map(comparison_sentence));
    let unpaired = results.unpaired.iter().filter(|u| u.key.session() == *key);
    let words = |u: &Unpaired| {
        let trials = counted(u.trials as usize, "trial");
        match u.key.level.map(Level::label) {
            Some(level) => format!("{level} {}, {trials}: {}", u.side, u.reason),
            None => format!("{trials}: {}", u.reason),
        }
    };
    section(out, "  Not compared", unpaired.map(words));
    out.push('\n');
}

fn exclusion_words(e: &Exclusion) -> String {
    let mut what = e.recording.clone();
    if let Some(test) = e.test {
        let _ = write!(what, ", test {test}");
    }
    if let Some(side) = &e.side {
        let _ = write!(what, ", {side}");
    }
    if let Some(spring) = e.spring {
        let _ = write!(what, ", spring {spring}");
    }
    format!("{what}: {} (by {})", e.cause, e.by())
}

/// Remarks gathered by what to try next time, so that it is said once.
fn technique_lines(out: &mut String, findings: &[TechniqueFinding]) {
    let mut advice: Vec<&str> = Vec::new();
    // What went over the ceiling stands before all else.
    let findings: Vec<&TechniqueFinding> = findings.iter().filter(|f| f.rule != TechniqueRule::OverCeiling).collect();
    for finding in &findings {
        if !advice.contains(&finding.next_time) {
            advice.push(finding.next_time);
        }
    }
    for (i, advice) in advice.into_iter().enumerate() {
        let same = findings.iter().filter(|r| r.next_time == advice);
        section(
            out,
            if i == 0 { "Technique" } else { "" },
            same.map(|finding| finding.text()),
        );
        paragraph(out, "    ", &format!("Next time {advice}"));
    }
}

/// Scans in the order in which their first test stands.
fn scans(results: &Results) -> Vec<SessionKey> {
    let tests = results.tests.iter().map(|t| t.about.session());
    let comparisons = results.comparisons.iter().map(|f| f.key.session());
    let unpaired = results.unpaired.iter().map(|u| u.key.session());
    let mut seen = HashSet::new();
    tests
        .chain(comparisons)
        .chain(unpaired)
        .filter(|key| seen.insert(key.clone()))
        .collect()
}

fn scan_title(key: &SessionKey) -> String {
    let codes = [
        ("subject", &key.subject),
        ("examiner", &key.examiner),
        ("session", &key.session),
    ];
    let parts: Vec<String> = codes
        .into_iter()
        .filter_map(|(word, code)| code.as_ref().map(|code| format!("{word} {}", plain(code))))
        .collect();
    if parts.is_empty() {
        "Tests of no named scan".to_owned()
    } else {
        format!("Scan: {}", parts.join(", "))
    }
}

const HEADINGS: [&str; 7] = [
    "level",
    "side",
    "trial",
    "onset, mm",
    "end-feel, N/mm",
    "peak, N",
    "notes",
];
const WIDTHS: [usize; 6] = [16, 7, 5, 14, 14, 14];

fn test_table(out: &mut String, tests: &[&Test]) {
    if tests.is_empty() {
        return;
    }
    table_line(out, HEADINGS.map(str::to_owned));
    for test in tests {
        let cell = |m: Measure| match (test.measures.finding(m), test.value(m)) {
            (Some(e), _) => with_interval(e, m.info().decimals),
            (None, Some(_)) => NOT_DETERMINED.to_owned(),
            (None, None) => String::new(),
        };
        let short = |note: &Note| {
            let words = note.to_string();
            words.split(':').next().unwrap_or_default().to_owned()
        };
        let notes: Vec<String> = test.remarks().iter().map(short).collect();
        table_line(
            out,
            [
                // A test whose level nobody named is known by its recording.
                match test.about.level {
                    Some(level) => level.label().to_owned(),
                    None => format!("{} #{}", file_name(&test.recording), test.test),
                },
                test.side().map_or("", |s| s.word()).to_owned(),
                test.about.trial.map_or_else(String::new, |t| t.to_string()),
                cell(Measure::Onset),
                cell(Measure::EndFeel),
                cell(Measure::Peak),
                notes.join(", "),
            ],
        );
    }
}

fn table_line(out: &mut String, cells: [String; 7]) {
    let mut line = String::from(" ");
    for (i, cell) in cells.iter().enumerate() {
        line.push(' ');
        match WIDTHS.get(i) {
            // Words to the left, numbers to the right.
            Some(width) if i < 2 => line.push_str(&padded(cell, *width)),
            Some(width) => {
                let _ = write!(line, "{:>width$}", cut(&plain(cell), *width));
            }
            None => {
                line.push(' ');
                let room = WIDTH - line.chars().count();
                line.push_str(&cut(&plain(cell), room));
            }
        }
    }
    let _ = writeln!(out, "{}", line.trim_end());
}

/// A comparison in a sentence.
fn comparison_sentence(f: &Comparison) -> String {
    let info = f.measure.info();
    let level = f.key.level.map_or("no level", Level::label);
    let number = |v: Option<f64>| v.map_or_else(|| "?".to_owned(), |v| format!("{v:.*}", info.decimals));
    let (left, right) = (number(f.left), number(f.right));
    let values = match f.kind {
        ComparisonKind::LeftRight => format!("left {left}, right {right} {}", info.unit),
        ComparisonKind::Neighbours => format!("{right} {} against {left} at its neighbours", info.unit),
    };
    let mut text = format!(
        "{level}, {}: {}; {}",
        info.label,
        decision_words(f),
        values.trim_end()
    );
    let word = match f.kind {
        ComparisonKind::LeftRight => "asymmetry",
        ComparisonKind::Neighbours => "difference",
    };
    if let (Some(a), Some(low), Some(high)) = (f.asymmetry_percent, f.low_percent, f.high_percent) {
        let _ = write!(text, ", {word} {a:.1}\u{a0}% ({low:.1} to {high:.1})");
    }
    if let Some(threshold) = f.threshold_percent {
        let _ = write!(text, ", threshold {threshold}\u{a0}%");
    }
    let _ = write!(text, ", trials {} and {}", f.left_trials, f.right_trials);
    match (&f.call, f.call_agrees) {
        (Some(call), Some(true)) => {
            let _ = write!(text, "; call {call}, agrees");
        }
        (Some(call), Some(false)) => {
            let _ = write!(text, "; call {call}, does not agree");
        }
        (Some(call), None) => {
            let _ = write!(text, "; call {call}");
        }
        (None, _) => {}
    }
    text
}

fn decision_words(f: &Comparison) -> String {
    let Some(decision) = f.side_of_resistance else {
        return "no word".to_owned();
    };
    match decision {
        Decision::Left | Decision::Right => format!("side of resistance {decision}"),
        Decision::Even => "left and right even".to_owned(),
        Decision::StifferThanNeighbours => "stiffer than its neighbours".to_owned(),
        Decision::LikeNeighbours => "like its neighbours".to_owned(),
        Decision::Undecided => {
            let (against, where_to) = match f.kind {
                ComparisonKind::LeftRight => ("left against right undecided", " a side"),
                ComparisonKind::Neighbours => ("undecided against its neighbours", ""),
            };
            match f.trials_to_decide {
                Some(TrialsToDecide::Trials(n)) => format!(
                    "{against}, {}{where_to} would decide it at this spread",
                    counted(n as usize, "trial")
                ),
                Some(TrialsToDecide::NotInOneSession) => format!("{against}, not decidable in one session"),
                None => against.to_owned(),
            }
        }
    }
}
