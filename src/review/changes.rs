//! What an entry does, in words, and which numbers of a test it changes.

use crate::batch::RecordingOutcome;
use crate::columns::Measure;
use crate::format::{moment, number};
use crate::study::corrections::{Change, CorrectionEntry};
use crate::terms::{ChangeWord, Side};
use crate::trace::{Estimate, Test};
use serde::Serialize;

/// Stands for the reason of a side or level while a study is blind.
pub const HIDDEN_REASON: &str = "its reason is told when the study is opened";

/// What an entry does; without the recording, and without what a blind study hides when it is `hidden`.
pub fn entry_words(entry: &CorrectionEntry, hidden: bool) -> String {
    match entry {
        CorrectionEntry::Undo { entry, .. } => format!("takes entry {entry} back"),
        CorrectionEntry::Correction(c) => {
            let side = c.side.filter(|_| !hidden);
            let side = side.map_or_else(String::new, |s| format!(" {s}"));
            let what = match hidden && c.change.names_place() {
                true => c.change.word().word().to_owned(),
                false => change_words(&c.change),
            };
            format!("test {}{side}: {what}", c.test)
        }
    }
}

/// A change in a few words.
pub fn change_words(change: &Change) -> String {
    let word = change.word().word().replace('_', " ");
    match change {
        Change::Move(_, moved) => format!(
            "{word} from {} to {} s",
            number(moved.from_s, 3),
            number(moved.to_s, 3)
        ),
        Change::AddSpring { to_s } | Change::Split { to_s } => format!("{word} at {}", moment(*to_s)),
        Change::RemoveSpring { from_s } => format!("{word} at {}", moment(*from_s)),
        Change::Side { to, .. } => format!("{word}: {to}"),
        Change::Level { to, .. } => format!("{word}: {}", to.label()),
        Change::OnsetWithin { mm } => match mm.map(|mm| mm.map(|mm| number(mm, 2))) {
            [Some(low), Some(high)] => format!("{word} {low} to {high} mm"),
            [Some(low), None] => format!("{word} {low} mm and deeper"),
            [None, high] => format!("{word} {} mm and less deep", high.unwrap_or_default()),
        },
        Change::Annotate { word: said } => format!("{word} \"{said}\""),
        Change::Join | Change::LeaveOut => word,
    }
}

/// A number before and after a correction, as it is shown.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangedNumber {
    pub label: String,
    /// Empty for a ratio.
    pub unit: &'static str,
    pub before: String,
    pub now: String,
}

/// Side, level and each number of a test that is shown otherwise after a correction.
pub fn changed_numbers(before: &Test, after: &Test) -> Vec<ChangedNumber> {
    let mut changed = Vec::new();
    let mut word = |label: &str, of: &dyn Fn(&Test) -> String| {
        let [before, now] = [of(before), of(after)];
        if before != now {
            let (label, unit) = (label.to_owned(), "");
            changed.push(ChangedNumber { label, unit, before, now });
        }
    };
    let or_none = |word: Option<&str>| word.unwrap_or("none").to_owned();
    word("level", &|t| or_none(t.about.level.map(|l| l.label())));
    word("side", &|t| or_none(t.side().map(Side::word)));
    word("springs", &|t| t.springs.len().to_string());
    let measures = Measure::ALL.into_iter().filter_map(|measure| {
        let info = measure.info();
        let [before, now] = [before, after].map(|t| shown(t.measures.get(measure), info.decimals));
        (before != now).then(|| ChangedNumber {
            label: info.label.to_owned(),
            unit: info.unit,
            before,
            now,
        })
    });
    changed.extend(measures);
    changed
}

/// What of a test is lost with a correction, a sentence each. `hidden` as in [`entry_words`]: then of what is shown all the same.
pub fn losses(before: &Test, after: Option<&Test>, hidden: bool) -> Vec<String> {
    let Some(after) = after else { return Vec::new() };
    let measures: &[Measure] = match hidden {
        true => &[Measure::Onset],
        false => &[Measure::Onset, Measure::EndFeel, Measure::LossRatio],
    };
    let lost = measures.iter().filter(|m| before.finding(**m).is_some() && after.finding(**m).is_none());
    lost.map(|m| format!("The test has no {} any more.", m.info().label)).collect()
}

/// A value with the half-width of its interval.
pub fn shown(estimate: Option<Estimate>, decimals: usize) -> String {
    let Some(e) = estimate else {
        return "nothing".to_owned();
    };
    let interval = e
        .u95()
        .map_or_else(String::new, |u| format!(" ± {}", number(u, decimals)));
    format!("{}{interval}", number(e.value, decimals))
}

/// What became of a test: the one of its side that shares most of its contact.
pub fn counterpart<'o>(after: &'o RecordingOutcome, test: &Test) -> Option<&'o Test> {
    let shared_s = |t: &Test| {
        let (a, b) = (&t.phases, &test.phases);
        a.contact_end_s.min(b.contact_end_s) - a.contact_begin_s.max(b.contact_begin_s)
    };
    let renamed = |t: &&Test| {
        t.side() == test.side() || t.corrections.iter().any(|c| c.change == ChangeWord::Side)
    };
    let left = after.tests.iter().filter(renamed).filter(|t| shared_s(t) > 0.0);
    left.max_by(|a, b| shared_s(a).total_cmp(&shared_s(b)))
}
