//! What a terminal shows: the summary of an analysis, and its uncertainty budgets.

use super::{CAUTION, Results};
use crate::columns::Measure;
use crate::compare::{ComparisonKind, Decision, Finding, TrialsToDecide};
use crate::study::anatomy;
use crate::technique::Remark;
use crate::trace::{BudgetLine, Estimate, Test};
use std::fmt::Write;

/// Columns of a terminal that the text keeps to.
const WIDTH: usize = 100;

/// Subject, examiner and session.
type ScanKey<'a> = [Option<&'a str>; 3];

/// The summary printed by an analysis that writes nothing: a table of tests and the findings of each scan, then
/// technique, what was left out, problems and the caution. Plain text of at most 100 columns, no colour.
pub fn summary_text(results: &Results) -> String {
    let mut out = String::new();
    for key in scans(results) {
        let _ = writeln!(out, "{}", scan_title(key));
        let mut tests: Vec<&Test> = results.tests.iter().filter(|t| test_scan(t) == key).collect();
        // Level by level as a reader looks them up; the tables keep the order of the recordings.
        tests.sort_by_key(|t| {
            let level = t.about.level.as_deref().and_then(anatomy::rank);
            (level.is_none(), level, t.side(), t.about.trial)
        });
        test_table(&mut out, &tests);
        let findings: Vec<&Finding> = results
            .findings
            .iter()
            .filter(|f| finding_scan(f) == key && f.side_of_resistance.is_some())
            .collect();
        section(&mut out, "Findings", findings.iter().map(|f| finding_sentence(f)));
        let unpaired = results
            .unpaired
            .iter()
            .filter(|u| [&u.key.subject, &u.key.examiner, &u.key.session].map(|k| k.as_deref()) == key)
            .map(|u| {
                let level = anatomy::label(u.key.level.as_deref().unwrap_or("no level"));
                format!("{level} {}: {}", u.side, u.reason)
            });
        section(&mut out, "Not compared", unpaired);
        out.push('\n');
    }
    if results.tests.is_empty() {
        out.push_str("No test was found.\n\n");
    }
    technique_lines(&mut out, &results.remarks);
    let left_out = results.exclusions.iter().map(|e| {
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
        format!("{what}: {} (by {})", e.reason, e.by)
    });
    section(&mut out, "Left out", left_out);
    section(
        &mut out,
        "Problems",
        results.problems.iter().map(|p| p.to_string()),
    );
    let c = results.counts();
    let _ = writeln!(
        out,
        "{} of {} used, {}, {}; {} left out.",
        c.recordings.used,
        counted(c.recordings.given, "recording"),
        counted(c.tests.reported, "test"),
        counted(c.springs.found, "spring"),
        c.exclusions.all
    );
    paragraph(&mut out, "", CAUTION);
    out
}

/// Remarks gathered by what to try next time, so that it is said once.
fn technique_lines(out: &mut String, remarks: &[Remark]) {
    let mut advice: Vec<&str> = Vec::new();
    for remark in remarks {
        if !advice.contains(&remark.advice.as_str()) {
            advice.push(&remark.advice);
        }
    }
    for (i, advice) in advice.into_iter().enumerate() {
        let same = remarks.iter().filter(|r| r.advice == advice);
        section(
            out,
            if i == 0 { "Technique" } else { "" },
            same.map(|r| r.text.clone()),
        );
        paragraph(out, "    ", advice);
    }
}

/// Every measure with its interval and the lines of its budget, test by test.
///
/// The share of a line is its part of the combined variance (JCGM 100:2008, 5.1.2).
pub fn budget_text(results: &Results) -> String {
    let mut out = String::new();
    for test in &results.tests {
        let _ = writeln!(out, "{}", plain(&test_name(test)));
        for measure in Measure::ALL {
            let Some(estimate) = test.measures.get(measure) else {
                continue;
            };
            let info = measure.info();
            let value = with_interval(estimate, info.decimals);
            let unit = if info.unit.is_empty() {
                String::new()
            } else {
                format!(" {}", info.unit)
            };
            let _ = writeln!(out, "  {}: {value}{unit}", info.label);
            budget_lines(&mut out, test.measures.budget(measure), estimate, info.decimals);
        }
        out.push('\n');
    }
    out
}

fn budget_lines(out: &mut String, budget: &[BudgetLine], estimate: Estimate, decimals: usize) {
    if budget.is_empty() {
        out.push_str("    no budget\n");
        return;
    }
    let variance: f64 = budget.iter().map(|l| l.standard_uncertainty.powi(2)).sum();
    let digits = decimals + 2;
    let _ = writeln!(
        out,
        "    {:<52} {:>14} {:>8} {:>9}",
        "source", "std. unc.", "dof", "share"
    );
    for line in budget {
        let share = if variance > 0.0 {
            format!("{:.1} %", 100.0 * line.standard_uncertainty.powi(2) / variance)
        } else {
            "-".to_owned()
        };
        let dof = line
            .degrees_of_freedom
            .map_or_else(|| "inf".to_owned(), |dof| format!("{dof:.0}"));
        let _ = writeln!(
            out,
            "    {} {:>14.digits$} {dof:>8} {share:>9}",
            padded(line.source, 52),
            line.standard_uncertainty
        );
    }
    let combined = variance.sqrt();
    let expanded = match estimate.u95 {
        Some(u95) if combined > 0.0 => format!(", times {:.2} for 95 %", u95 / combined),
        _ => String::new(),
    };
    let _ = writeln!(out, "    combined {combined:.digits$}{expanded}");
}

fn test_scan(t: &Test) -> ScanKey<'_> {
    [&t.about.subject, &t.about.examiner, &t.about.session].map(|k| k.as_deref())
}

fn finding_scan(f: &Finding) -> ScanKey<'_> {
    [&f.key.subject, &f.key.examiner, &f.key.session].map(|k| k.as_deref())
}

/// Scans in the order in which their first test stands.
fn scans(results: &Results) -> Vec<ScanKey<'_>> {
    let mut keys = Vec::new();
    let tests = results.tests.iter().map(test_scan);
    for key in tests.chain(results.findings.iter().map(finding_scan)) {
        if !keys.contains(&key) {
            keys.push(key);
        }
    }
    keys
}

fn scan_title([subject, examiner, session]: ScanKey<'_>) -> String {
    let parts: Vec<String> = [("subject", subject), ("examiner", examiner), ("session", session)]
        .into_iter()
        .filter_map(|(word, code)| code.map(|code| format!("{word} {}", plain(code))))
        .collect();
    if parts.is_empty() {
        "Tests of no named scan".to_owned()
    } else {
        format!("Scan: {}", parts.join(", "))
    }
}

fn test_name(test: &Test) -> String {
    let mut name = format!("{}, test {}", test.recording, test.test);
    if let Some(level) = &test.about.level {
        let _ = write!(name, ", {}", anatomy::label(level));
    }
    if let Some(side) = test.side() {
        let _ = write!(name, ", {side}");
    }
    name
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
        let cell = |m: Measure| {
            test.measures
                .get(m)
                .map_or_else(String::new, |e| with_interval(e, m.info().decimals))
        };
        let short = |note: &String| note.split(':').next().unwrap_or_default().to_owned();
        let notes: Vec<String> = test.notes.iter().map(short).collect();
        table_line(
            out,
            [
                // A test whose level nobody named is known by its recording.
                match &test.about.level {
                    Some(level) => anatomy::label(level).to_owned(),
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
fn finding_sentence(f: &Finding) -> String {
    let info = f.measure.info();
    let level = anatomy::label(f.key.level.as_deref().unwrap_or("no level"));
    let number = |v: Option<f64>| v.map_or_else(|| "?".to_owned(), |v| format!("{v:.*}", info.decimals));
    let (left, right) = (number(f.left), number(f.right));
    let values = match f.comparison {
        ComparisonKind::LeftRight => format!("left {left}, right {right} {}", info.unit),
        ComparisonKind::Neighbours => format!("{right} {} against {left} at its neighbours", info.unit),
    };
    let mut text = format!(
        "{level}, {}: {}; {}",
        info.label,
        decision_words(f),
        values.trim_end()
    );
    if let (Some(a), Some(low), Some(high)) = (f.asymmetry_percent, f.low_percent, f.high_percent) {
        let _ = write!(text, ", difference {a:.1} % ({low:.1} to {high:.1})");
    }
    if let Some(threshold) = f.threshold_percent {
        let _ = write!(text, ", threshold {threshold} %");
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

fn decision_words(f: &Finding) -> String {
    let Some(decision) = f.side_of_resistance else {
        return "no word".to_owned();
    };
    match decision {
        Decision::Left | Decision::Right => format!("side of resistance {decision}"),
        Decision::Even => "even".to_owned(),
        Decision::StifferThanNeighbours => "stiffer than its neighbours".to_owned(),
        Decision::LikeNeighbours => "like its neighbours".to_owned(),
        Decision::Undecided => match f.trials_to_decide {
            Some(TrialsToDecide::Trials(n)) => {
                format!(
                    "undecided, {} a side would decide it at this spread",
                    counted(n as usize, "trial")
                )
            }
            Some(TrialsToDecide::NotInOneSession) => "undecided, not decidable in one session".to_owned(),
            None => "undecided".to_owned(),
        },
    }
}

/// `8.20 ± 0.02`; an interval too small for the decimals is shown as less than the last one.
fn with_interval(e: Estimate, decimals: usize) -> String {
    let value = format!("{:.decimals$}", e.value);
    match e.u95 {
        None => value,
        Some(u95) => {
            let least = 10f64.powi(-(decimals as i32));
            if u95 < least / 2.0 {
                format!("{value} ± <{least:.decimals$}")
            } else {
                format!("{value} ± {u95:.decimals$}")
            }
        }
    }
}

fn section(out: &mut String, title: &str, items: impl Iterator<Item = String>) {
    let mut items = items.peekable();
    if items.peek().is_none() {
        return;
    }
    if !title.is_empty() {
        let _ = writeln!(out, "  {title}");
    }
    for item in items {
        paragraph(out, "  - ", &item);
    }
}

/// Writes text broken at spaces to the width, later lines indented as far as the first one's lead.
fn paragraph(out: &mut String, lead: &str, text: &str) {
    let indent = " ".repeat(lead.chars().count());
    let mut line = lead.to_owned();
    let mut used = line.chars().count();
    let mut fresh = true;
    for word in plain(text).split_whitespace() {
        let length = word.chars().count();
        if !fresh && used + 1 + length > WIDTH {
            let _ = writeln!(out, "{}", line.trim_end());
            line.clone_from(&indent);
            used = indent.chars().count();
            fresh = true;
        }
        if !fresh {
            line.push(' ');
            used += 1;
        }
        line.push_str(word);
        used += length;
        fresh = false;
    }
    let _ = writeln!(out, "{}", line.trim_end());
}

/// Takes out what is not for reading: nothing that comes from a file may steer the terminal or turn the writing
/// direction of what stands around it.
fn plain(text: &str) -> String {
    let tame = |c: char| match c {
        '\n' | '\r' | '\t' => ' ',
        '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => '\u{fffd}',
        c if c.is_control() => '\u{fffd}',
        c => c,
    };
    text.chars().map(tame).collect()
}

/// The text on exactly `width` columns.
fn padded(text: &str, width: usize) -> String {
    format!("{:<width$}", cut(&plain(text), width))
}

/// The text on at most `width` columns, its end marked when cut.
fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    let kept: String = text.chars().take(width.saturating_sub(1)).collect();
    format!("{kept}…")
}

fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}

/// `1 test`, `2 tests`.
fn counted(n: usize, word: &str) -> String {
    if n == 1 {
        format!("{n} {word}")
    } else {
        format!("{n} {word}s")
    }
}
