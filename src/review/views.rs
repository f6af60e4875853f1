//! What the page is told, as JSON. What a blind study hides is left out here, so that it never leaves the program.

use super::changes::{ChangedNumber, HIDDEN_REASON, entry_words, shown};
use super::standing::Standing;
use crate::batch::{RecordingOutcome, RefusedCorrection};
use crate::columns::Measure;
use crate::study::corrections::{CorrectionEntry, Corrections};
use crate::terms::Side;
use crate::trace::{ConditionedSignals, Curve, Test};
use serde::Serialize;
use std::collections::BTreeSet;

/// Samples of a curve that are sent: more than a wide screen has dots.
const MOST_POINTS: usize = 3000;

/// The study and its recordings, those that need a look first at the top.
#[derive(Serialize)]
pub struct StudyView {
    pub title: Option<String>,
    pub hidden: bool,
    pub recordings: Vec<ListedRecording>,
    pub levels: Vec<&'static str>,
    pub sides: Vec<&'static str>,
    /// Entries that hold and whose recording is not there.
    pub problems: Vec<String>,
    pub seen: String,
}

#[derive(Serialize)]
pub struct ListedRecording {
    pub id: usize,
    pub name: String,
    pub reasons: Vec<String>,
    /// Corrections of it that hold.
    pub corrections: usize,
}

/// One recording as it stands, or as it would be.
#[derive(Serialize)]
pub struct ReviewedRecording {
    pub id: usize,
    pub name: String,
    pub hidden: bool,
    pub tests: Vec<ReviewedTest>,
    pub entries: Vec<EntryView>,
    /// What is wrong with it.
    pub problems: Vec<String>,
    /// Tells whether corrections.toml is still as it was read.
    pub seen: String,
    /// Tells whether the recording still has the bytes that are shown.
    pub version: u32,
}

#[derive(Serialize)]
pub struct ReviewedTest {
    pub label: String,
    /// Nothing where it is hidden, as the level.
    pub side: Option<&'static str>,
    pub level: Option<&'static str>,
    pub contact_begin_s: f64,
    pub contact_end_s: f64,
    /// Step of the time base: no mark lies between.
    pub step_s: Option<f64>,
    pub onset_mm: Option<f64>,
    pub onset_n: Option<f64>,
    pub onset_s: Option<f64>,
    pub springs: Vec<ReviewedSpring>,
    pub curve: SentCurve,
    /// Words that people set at moments.
    pub words: Vec<(f64, String)>,
    /// Moments at which a person set a mark.
    pub set_at_s: Vec<f64>,
    /// Entries that it rests on.
    pub corrected_by: Vec<String>,
    pub notes: Vec<String>,
    pub numbers: Vec<ShownNumber>,
}

#[derive(Serialize)]
pub struct ReviewedSpring {
    pub number: u32,
    pub start_s: f64,
    pub peak_s: f64,
    pub end_s: f64,
    pub counted: bool,
}

#[derive(Serialize)]
pub struct SentCurve {
    pub time_s: Vec<f64>,
    pub force_n: Vec<f64>,
    /// Empty without displacement.
    pub displacement_mm: Vec<f64>,
}

#[derive(Serialize)]
pub struct ShownNumber {
    pub label: &'static str,
    pub unit: &'static str,
    pub value: String,
}

#[derive(Serialize)]
pub struct EntryView {
    pub number: u32,
    pub words: String,
    pub who: String,
    pub when: String,
    pub why: String,
    /// It is used.
    pub holds: bool,
    /// What became of it, where it is not used.
    pub state: Option<String>,
    pub taken_back: bool,
}

/// What would become of a recording.
#[derive(Serialize)]
pub struct ProposalView {
    pub recording: ReviewedRecording,
    pub changes: Vec<ChangedTest>,
    /// What would be lost.
    pub losses: Vec<String>,
    /// What does the same on the command line.
    pub commands: Vec<String>,
}

#[derive(Serialize)]
pub struct ChangedTest {
    pub label: String,
    /// It is not used any more.
    pub gone: bool,
    pub numbers: Vec<ChangedNumber>,
}

/// The order in which a recording's tests are shown. In a blind study the hands of a test stand in an order that its bytes
/// decide, since the left one is always measured first.
pub fn rows(outcome: &RecordingOutcome, hidden: bool) -> Vec<usize> {
    let mut rows: Vec<usize> = (0..outcome.tests.len()).collect();
    let turned = hidden && outcome.input.sha256.bytes().last().is_some_and(|b| b % 2 == 1);
    if turned {
        rows.sort_by_key(|i| (outcome.tests[*i].test, std::cmp::Reverse(*i)));
    }
    rows
}

/// What a test is called.
pub fn label(outcome: &RecordingOutcome, row: usize, rows: &[usize], hidden: bool) -> String {
    let test = &outcome.tests[rows[row]];
    let of_test = |r: &&usize| outcome.tests[**r].test == test.test;
    if hidden {
        let place = rows[..row].iter().filter(of_test).count();
        let hand = match rows.iter().filter(of_test).count() {
            0 | 1 => String::new(),
            _ => format!(", hand {}", ["A", "B"].get(place).copied().unwrap_or("C")),
        };
        return format!("test {}{hand}", test.test);
    }
    let level = test.about.level.map(|l| l.label().to_owned());
    let side = test.side().map(|s| s.word().to_owned());
    let place: Vec<String> = level.into_iter().chain(side).collect();
    match place.is_empty() {
        true => format!("test {}", test.test),
        false => format!("test {}, {}", test.test, place.join(" ")),
    }
}

/// One test; without any number that was measured where they are hidden.
pub fn test_view(test: &Test, label: String, signals: Option<&ConditionedSignals>, hidden: bool) -> ReviewedTest {
    let onset = |m: Measure| test.finding(m).map(|v| rounded(v, 3));
    let notes = test.remarks();
    let numbers = Measure::ALL.into_iter().filter_map(|m| {
        let info = m.info();
        Some(ShownNumber {
            label: info.label,
            unit: info.unit,
            value: shown(Some(test.measures.get(m)?), info.decimals),
        })
    });
    let springs = test.springs.iter().map(|s| ReviewedSpring {
        number: s.number,
        start_s: s.start_s,
        peak_s: s.peak_s,
        end_s: s.end_s,
        counted: s.counted && s.dropped.is_none(),
    });
    let shown_place = |word: Option<&'static str>| word.filter(|_| !hidden);
    ReviewedTest {
        label,
        side: shown_place(test.side().map(Side::word)),
        level: shown_place(test.about.level.map(|l| l.word())),
        contact_begin_s: test.phases.contact_begin_s,
        contact_end_s: test.phases.contact_end_s,
        step_s: signals.and_then(|s| Some(rounded(s.time_s.get(1)? - s.time_s.first()?, 6))),
        onset_mm: onset(Measure::Onset),
        onset_n: onset(Measure::OnsetForce),
        onset_s: test.phases.onset_s,
        springs: springs.collect(),
        curve: signals.map_or_else(|| of_curve(&test.curve), of_signals),
        words: test.annotations().map(|(at_s, word)| (at_s, word.to_owned())).collect(),
        set_at_s: test.corrections.iter().filter_map(|c| c.at_s).collect(),
        corrected_by: test.corrections.iter().map(ToString::to_string).collect(),
        notes: match hidden {
            true => Vec::new(),
            false => notes.iter().map(ToString::to_string).collect(),
        },
        numbers: match hidden {
            true => Vec::new(),
            false => numbers.collect(),
        },
    }
}

fn of_signals(signals: &ConditionedSignals) -> SentCurve {
    let step = signals.time_s.len().div_ceil(MOST_POINTS).max(1);
    let thin = |all: &[f64], decimals| all.iter().step_by(step).map(|v| rounded(*v, decimals)).collect();
    SentCurve {
        time_s: thin(&signals.time_s, 4),
        force_n: thin(&signals.force_n, 3),
        displacement_mm: thin(signals.displacement_mm.as_deref().unwrap_or(&[]), 4),
    }
}

fn of_curve(curve: &Curve) -> SentCurve {
    let step = curve.time_s.len().div_ceil(MOST_POINTS).max(1);
    let thin = |all: &[f32], decimals| all.iter().step_by(step).map(|v| rounded(f64::from(*v), decimals)).collect();
    SentCurve {
        time_s: thin(&curve.time_s, 4),
        force_n: thin(&curve.force_n, 3),
        displacement_mm: thin(&curve.displacement_mm, 4),
    }
}

/// For a drawing.
fn rounded(value: f64, decimals: i32) -> f64 {
    let by = 10.0_f64.powi(decimals);
    (value * by).round() / by
}

/// The entries of a recording, and those that take one of them back. `refused` are those that do not fit it.
pub fn entries(known: &Corrections, recording: &str, refused: &[RefusedCorrection], hidden: bool) -> Vec<EntryView> {
    let mut own: BTreeSet<u32> = BTreeSet::new();
    let mut views = Vec::new();
    for entry in &known.entries {
        let is_own = match entry {
            CorrectionEntry::Correction(c) => c.recording == recording,
            CorrectionEntry::Undo { entry, .. } => own.contains(entry),
        };
        if is_own {
            own.insert(entry.number());
            let by = entry.by();
            let standing = Standing::of(known, entry.number(), refused);
            // The reason for another side would tell it.
            let names_place = matches!(entry, CorrectionEntry::Correction(c) if c.change.names_place());
            views.push(EntryView {
                number: entry.number(),
                words: entry_words(entry, hidden),
                who: by.who.clone(),
                when: by.when.clone(),
                why: match hidden && names_place {
                    true => HIDDEN_REASON.to_owned(),
                    false => by.why.clone(),
                },
                holds: standing == Standing::Holds,
                state: (standing != Standing::Holds).then(|| standing.to_string()),
                taken_back: standing == Standing::TakenBack,
            });
        }
    }
    views
}
