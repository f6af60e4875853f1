//! What `correct` prints: the entries, and what one changes.

use crate::columns::Measure;
use crate::format::{moment, number};
use crate::study::corrections::{Change, Correction, CorrectionEntry, Corrections};
use crate::trace::{Estimate, Test};

/// One line an entry, with whether it holds.
pub fn list(known: &Corrections) {
    if known.entries.is_empty() {
        sayln!("no corrections");
    }
    for entry in &known.entries {
        let by = entry.by();
        let what = match entry {
            CorrectionEntry::Undo { entry, .. } => format!("takes entry {entry} back"),
            CorrectionEntry::Correction(c) => {
                let side = c.side.map_or_else(String::new, |s| format!(" {s}"));
                format!(
                    "{}, test {}{side}: {}",
                    c.recording,
                    c.test,
                    change_words(&c.change)
                )
            }
        };
        let holds = if known.holds(entry.number()) {
            ""
        } else {
            " (taken back)"
        };
        sayln!(
            "{}  {what}{holds}; {} by {}: {}",
            entry.number(),
            by.when,
            by.who,
            by.why
        );
    }
}

fn change_words(change: &Change) -> String {
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
        Change::OnsetWithin { mm: [low, high] } => {
            format!("{word} {} to {} mm", number(*low, 2), number(*high, 2))
        }
        Change::Annotate { word: said } => format!("{word} \"{said}\""),
        Change::Join | Change::LeaveOut => word,
    }
}

/// Each measure that is another one now.
pub fn difference(before: &Test, after: Option<&Test>, correction: &Correction) {
    sayln!(
        "{}, test {}: {}",
        correction.recording,
        correction.test,
        change_words(&correction.change)
    );
    let Some(after) = after else {
        sayln!("  the test is not used any more");
        return;
    };
    let shown = |e: Option<Estimate>, decimals: usize| match e {
        Some(e) => {
            let interval = e
                .u95()
                .map_or_else(String::new, |u| format!(" ± {}", number(u, decimals)));
            format!("{}{interval}", number(e.value, decimals))
        }
        None => "nothing".to_owned(),
    };
    let mut same = before.springs.len() == after.springs.len();
    if !same {
        sayln!(
            "  springs: {} before, {} now",
            before.springs.len(),
            after.springs.len()
        );
    }
    for measure in Measure::ALL {
        let info = measure.info();
        let [old, new] = [before, after].map(|t| shown(t.measures.get(measure), info.decimals));
        if old != new {
            same = false;
            let unit = if info.unit.is_empty() {
                String::new()
            } else {
                format!(", {}", info.unit)
            };
            sayln!("  {}{unit}: {old} before, {new} now", info.label);
        }
    }
    if same && !correction.change.is_annotation() {
        sayln!("  no number of the test changes by as much as is shown");
    }
}
