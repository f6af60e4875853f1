//! Findings as sentences, for people who do not read intervals.

use super::scans::Scan;
use crate::format;
use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind, Decision, TrialsToDecide};
use crate::plot::row_label;
use serde::Serialize;

/// What a scan found, the most telling first.
#[derive(Debug, Serialize, Default)]
pub struct Sentences {
    /// Levels where a side, or a level, was named.
    pub named: Vec<Sentence>,
    pub undecided: Vec<Sentence>,
    /// Even levels in one sentence, and where the examiner's call differed.
    pub even: Vec<String>,
}

/// One level: its label, then the rest of the sentence.
#[derive(Debug, Serialize)]
pub struct Sentence {
    pub label: String,
    pub text: String,
}

/// The findings of a scan for its main measure, in words.
pub fn sentences(scan: &Scan<'_>, measure: Measure) -> Sentences {
    let mut all = Sentences::default();
    for kind in [ComparisonKind::LeftRight, ComparisonKind::Neighbours] {
        let mut rows = scan.of(measure, kind);
        rows.retain(|f| f.asymmetry_percent.is_some());
        rows.sort_by_key(|f| (f.key.level.is_none(), f.key.level));
        let mut even = Vec::new();
        for f in &rows {
            let label = row_label(f, &rows);
            match f.side_of_resistance {
                Some(Decision::Left | Decision::Right | Decision::StifferThanNeighbours) => {
                    let text = format!(
                        "{}{}{}",
                        named(f, measure),
                        call_sentence(f),
                        others(scan, f, measure)
                    );
                    all.named.push(Sentence { label, text });
                }
                Some(Decision::Undecided) => {
                    let text = format!("{}{}", undecided(f), call_sentence(f));
                    all.undecided.push(Sentence { label, text });
                }
                Some(Decision::Even | Decision::LikeNeighbours) => even.push((label, *f)),
                None => {}
            }
        }
        even_sentences(&mut all, kind, &even);
    }
    all
}

fn percent(value: f64) -> String {
    format::number(value, 0)
}

/// `35 % (26 to 43 %)`, without sign: the words say which side.
fn size(f: &Comparison) -> String {
    let at = percent(f.asymmetry_percent.unwrap_or(0.0).abs());
    let (Some(low), Some(high)) = (f.low_percent, f.high_percent) else {
        return format!("{at}\u{a0}%");
    };
    let (low, high) = if f.side_of_resistance == Some(Decision::Left) {
        (-high, -low)
    } else {
        (low, high)
    };
    format!("{at}\u{a0}% ({} to {}\u{a0}%)", percent(low), percent(high))
}

fn named(f: &Comparison, measure: Measure) -> String {
    let info = measure.info();
    let number = |v: Option<f64>| {
        v.map_or("not given".to_owned(), |v| {
            format!("{}\u{a0}{}", format::number(v, info.decimals), info.unit)
        })
    };
    let (left, right) = (number(f.left), number(f.right));
    match f.side_of_resistance {
        Some(Decision::StifferThanNeighbours) => format!(
            "resisted more than the levels beside it: {}. Its {} was {right}, theirs {left}, over {} of its own.",
            size(f),
            info.label,
            format::counted(f.right_trials as usize, "test")
        ),
        side => format!(
            "the {} side resisted more: {}. The {} was {left} on the left and {right} on the right, \
             over {} + {} tests.",
            side.map_or("", Decision::word),
            size(f),
            info.label,
            f.left_trials,
            f.right_trials
        ),
    }
}

/// An end of an interval, named by the side it lies on.
fn sided(value: f64, kind: ComparisonKind) -> String {
    let word = match (kind, value < 0.0) {
        (ComparisonKind::LeftRight, true) => "stiffer on the left",
        (ComparisonKind::LeftRight, false) => "stiffer on the right",
        (ComparisonKind::Neighbours, true) => "softer",
        (ComparisonKind::Neighbours, false) => "stiffer",
    };
    match percent(value.abs()).as_str() {
        "0" => "no difference".to_owned(),
        number => format!("{number}\u{a0}% {word}"),
    }
}

fn undecided(f: &Comparison) -> String {
    let kind = f.kind;
    let at = sided(f.asymmetry_percent.unwrap_or(0.0), kind);
    let range = match (f.low_percent, f.high_percent) {
        (Some(low), Some(high)) => format!(
            ", and anything from {} to {} agrees with the tests",
            sided(low, kind),
            sided(high, kind)
        ),
        _ => String::new(),
    };
    let where_to = match kind {
        ComparisonKind::LeftRight => " a side",
        ComparisonKind::Neighbours => "",
    };
    let more = match f.trials_to_decide {
        Some(TrialsToDecide::Trials(1)) => format!(" One test{where_to} would decide it at this spread."),
        Some(TrialsToDecide::Trials(n)) => format!(" {n} tests{where_to} would decide it at this spread."),
        Some(TrialsToDecide::NotInOneSession) => {
            " At this spread it is not decidable in one session.".to_owned()
        }
        None => String::new(),
    };
    let against = match kind {
        ComparisonKind::LeftRight => "left against right undecided",
        ComparisonKind::Neighbours => "undecided against its neighbours",
    };
    format!("{against}. Measured: {at}{range}.{more}")
}

fn call_sentence(f: &Comparison) -> String {
    match (&f.call, f.call_agrees) {
        (Some(call), Some(true)) => format!(" The examiner's call was {call}, which agrees."),
        (Some(call), Some(false)) => format!(" The examiner's call was {call}, which differs."),
        (Some(call), None) => format!(" The examiner's call was {call}."),
        (None, _) => String::new(),
    }
}

/// What the other decided measures say of the same level.
fn others(scan: &Scan<'_>, f: &Comparison, measure: Measure) -> String {
    let words: Vec<String> = scan
        .comparisons
        .iter()
        .filter(|o| o.key == f.key && o.kind == f.kind && o.measure != measure)
        .filter_map(|o| {
            let word = o.side_of_resistance?.word().replace('_', " ");
            Some(format!("{}: {word}", o.measure.info().label))
        })
        .collect();
    if words.is_empty() {
        return String::new();
    }
    format!(" By other measures, {}.", words.join("; "))
}

fn even_sentences(all: &mut Sentences, kind: ComparisonKind, even: &[(String, &Comparison)]) {
    if even.is_empty() {
        return;
    }
    let threshold = even[0].1.threshold_percent;
    let within = match threshold.filter(|t| even.iter().all(|e| e.1.threshold_percent == Some(*t))) {
        Some(t) => format!(
            " within {} %",
            format::number(t, if t.fract() == 0.0 { 0 } else { 1 })
        ),
        None => " within the threshold".to_owned(),
    };
    let levels: Vec<&str> = even.iter().map(|e| e.0.as_str()).collect();
    let levels = levels.join(", ");
    all.even.push(match kind {
        ComparisonKind::LeftRight => format!("Left and right even{within}: {levels}."),
        ComparisonKind::Neighbours => format!("Like their neighbours{within}: {levels}."),
    });
    let differing: Vec<String> = even
        .iter()
        .filter(|e| e.1.call_agrees == Some(false))
        .filter_map(|e| Some(format!("{} ({})", e.0, e.1.call?)))
        .collect();
    if !differing.is_empty() {
        let levels = differing.join(", ");
        all.even.push(format!(
            "Measured even where the examiner's call named a side: {levels}."
        ));
    }
}
