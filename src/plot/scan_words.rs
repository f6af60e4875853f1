//! The words beside the rows of a scan.

use super::text;
use crate::format;
use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind, Decision, TrialsToDecide};
use crate::terms::{Contact, Level, LineOfDrive, Posture, covered_label};

/// The rows of one kind of comparison, from the neck down.
pub(super) struct ScanSection<'a> {
    pub kind: ComparisonKind,
    pub rows: Vec<&'a Comparison>,
}

impl<'a> ScanSection<'a> {
    pub fn of(kind: ComparisonKind, measure: Measure, comparisons: &[&'a Comparison]) -> ScanSection<'a> {
        let mut rows: Vec<&Comparison> = comparisons
            .iter()
            .copied()
            .filter(|f| f.kind == kind && f.measure == measure && f.asymmetry_percent.is_some())
            .collect();
        rows.sort_by(|a, b| order(a).cmp(&order(b)));
        ScanSection { kind, rows }
    }

    /// The threshold that all rows share; `None` when they differ or have none.
    pub fn threshold_percent(&self) -> Option<f64> {
        let first = self.rows.first()?.threshold_percent?;
        self.rows
            .iter()
            .all(|f| f.threshold_percent == Some(first))
            .then_some(first)
    }

    pub fn has_calls(&self) -> bool {
        self.kind == ComparisonKind::LeftRight && self.rows.iter().any(|f| f.call.is_some())
    }

    pub fn has_undecided(&self) -> bool {
        self.rows.iter().any(|f| decide_words(f).is_some())
    }
}

type RowOrder<'a> = (
    bool,
    Option<Level>,
    Option<&'a Posture>,
    Option<Contact>,
    Option<LineOfDrive>,
);

fn order(f: &Comparison) -> RowOrder<'_> {
    let key = &f.key;
    (
        key.level.is_none(),
        key.level,
        key.posture.as_ref(),
        key.contact,
        key.line_of_drive,
    )
}

/// The level, or the levels covered; where a level has several rows, what tells them apart.
pub fn row_label(f: &Comparison, rows: &[&Comparison]) -> String {
    let mut label = level_label(f);
    let others: Vec<_> = rows.iter().filter(|o| level_label(o) == label).collect();
    let differs = |part: fn(&Comparison) -> Option<String>| others.iter().any(|o| part(o) != part(f));
    let parts: [fn(&Comparison) -> Option<String>; 3] = [
        |f| f.key.posture.as_ref().map(Posture::to_string),
        |f| f.key.contact.map(|c| c.to_string()),
        |f| f.key.line_of_drive.map(|d| format!("{d:.0}°")),
    ];
    for part in parts {
        if differs(part)
            && let Some(word) = part(f)
        {
            label = format!("{label}, {word}");
        }
    }
    text::one_line(&label)
}

/// The level as a person reads it; `T4–T6` where one contact covers several.
pub fn level_label(f: &Comparison) -> String {
    covered_label(&f.covers, f.key.level).unwrap_or_else(|| "not named".to_owned())
}

pub(super) fn decision_word(f: &Comparison) -> &'static str {
    match f.side_of_resistance {
        Some(Decision::StifferThanNeighbours) => "stiffer than neighbours",
        Some(Decision::LikeNeighbours) => "like neighbours",
        Some(Decision::Undecided) if f.kind == ComparisonKind::Neighbours => "undecided beside these",
        Some(decision) => decision.word(),
        None => "not decided on",
    }
}

/// `34 % (26 to 43)`, with true minus signs.
pub(super) fn percent_words(f: &Comparison) -> String {
    let Some(at) = f.asymmetry_percent else {
        return String::new();
    };
    let at = format::number(at, 0);
    match (f.low_percent, f.high_percent) {
        (Some(low), Some(high)) => {
            format!("{at} % ({} to {})", format::number(low, 0), format::number(high, 0))
        }
        _ => format!("{at} %"),
    }
}

pub(super) fn call_words(f: &Comparison) -> Option<String> {
    let call = f.call?;
    Some(match f.call_agrees {
        Some(true) => format!("{call}, agrees"),
        Some(false) => format!("{call}, differs"),
        None => call.to_string(),
    })
}

/// What would decide an undecided level.
pub(super) fn decide_words(f: &Comparison) -> Option<String> {
    if f.side_of_resistance != Some(Decision::Undecided) {
        return None;
    }
    Some(match f.trials_to_decide? {
        TrialsToDecide::Trials(n) if f.kind == ComparisonKind::Neighbours => format::counted(n as usize, "test"),
        TrialsToDecide::Trials(n) => format!("{n} a side"),
        TrialsToDecide::NotInOneSession => "not in one session".to_owned(),
    })
}

/// What is to be seen, in words.
pub(super) fn alt(sections: &[ScanSection<'_>], measure: Measure) -> String {
    let mut parts = vec![format!(
        "Interval plot of {}, one row for each level, from the neck down",
        measure.info().label
    )];
    for section in sections {
        for f in &section.rows {
            parts.push(format!(
                "{}: {}, {}",
                row_label(f, &section.rows),
                decision_word(f),
                percent_words(f)
            ));
        }
    }
    parts.join(". ") + "."
}
