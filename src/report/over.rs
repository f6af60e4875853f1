//! Pushes over the ceiling: what every page tells before anything else.

use crate::format::{counted, number};
use crate::technique::{TechniqueFinding, TechniqueRule};
use std::collections::BTreeSet;

/// Pushes told one by one; the rest are counted.
const TOLD: usize = 5;

/// Those of some findings that are about a push over the ceiling.
pub fn pushes<'a>(findings: impl IntoIterator<Item = &'a TechniqueFinding>) -> Vec<&'a TechniqueFinding> {
    let over = |f: &&TechniqueFinding| f.rule == TechniqueRule::OverCeiling;
    findings.into_iter().filter(over).collect()
}

/// How far over its ceiling, as a share of it.
fn share(push: &TechniqueFinding) -> f64 {
    push.value.zip(push.high).map_or(0.0, |(peak, ceiling)| peak / ceiling)
}

fn hardest_first<'a>(pushes: &[&'a TechniqueFinding]) -> Vec<&'a TechniqueFinding> {
    let mut all = pushes.to_vec();
    all.sort_by(|a, b| share(b).total_cmp(&share(a)));
    all
}

/// Each push in words, the hardest first; empty without any.
pub fn told(pushes: &[&TechniqueFinding]) -> Vec<String> {
    let one = |push: &TechniqueFinding| {
        let whose = [("subject", &push.subject), ("examiner", &push.examiner), ("session", &push.session)];
        let whose: Vec<String> = whose
            .into_iter()
            .filter_map(|(word, code)| Some(format!("{word} {}", code.as_ref()?)))
            .collect();
        match whose.is_empty() {
            true => push.text(),
            false => format!("{} ({})", push.text().trim_end_matches('.'), whose.join(", ")),
        }
    };
    let mut lines: Vec<String> = hardest_first(pushes).into_iter().take(TOLD).map(one).collect();
    if pushes.len() > TOLD {
        lines.push(format!("and {} more", pushes.len() - TOLD));
    }
    if !lines.is_empty() {
        lines.insert(0, format!("Over the ceiling: {}.", how_many(pushes.len())));
    }
    lines
}

/// How many there were, without a word of whose; empty without any.
pub fn counted_only(pushes: &[&TechniqueFinding]) -> Vec<String> {
    let Some(hardest) = hardest_first(pushes).first().copied() else {
        return Vec::new();
    };
    let by: BTreeSet<_> = pushes.iter().filter_map(|push| push.examiner.as_ref()).collect();
    let by = match by.len() {
        0 => String::new(),
        n => format!(" by {}", counted(n, "learner")),
    };
    let number = |v: Option<f64>| v.map_or_else(|| "not known".to_owned(), |v| format!("{} N", number(v, 1)));
    vec![format!(
        "Over the ceiling: {}{by}, the hardest {} against a ceiling of {}.",
        how_many(pushes.len()),
        number(hardest.value),
        number(hardest.high)
    )]
}

fn how_many(pushes: usize) -> String {
    match pushes {
        1 => "1 push".to_owned(),
        n => format!("{n} pushes"),
    }
}
