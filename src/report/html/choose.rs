//! Which tests get a figure, and what its file is called.

use super::{FIGURES_AT_MOST, FiguresChoice};
use crate::compare::Decision;
use crate::results::Results;
use crate::technique::TechniqueRule;
use crate::terms::TestKey;
use std::collections::{HashMap, HashSet};

/// Longest name made, so that file systems and archives take it.
const LONGEST: usize = 80;

/// Names given so far.
#[derive(Default)]
pub struct Names {
    taken: HashSet<String>,
}

impl Names {
    /// A safe, new name near the wanted one.
    pub fn take(&mut self, wanted: &str) -> String {
        let safe: String = wanted
            .chars()
            .map(|c| {
                if c.is_ascii_alphanumeric() || matches!(c, '_' | '-') {
                    c
                } else {
                    '-'
                }
            })
            .take(LONGEST)
            .collect();
        let mut name = safe.clone();
        let mut next = 2;
        while !self.taken.insert(name.to_ascii_lowercase()) {
            name = format!("{safe}-{next}");
            next += 1;
        }
        name
    }
}

/// A code as the beginning of a file's name that no shell or system takes for something else: with a letter or digit
/// in front, and none of the names that Windows keeps for devices.
pub fn safe_name(code: &str) -> String {
    const KEPT: [&str; 6] = ["con", "prn", "aux", "nul", "com", "lpt"];
    let lower = code.to_ascii_lowercase();
    let device = KEPT.iter().any(|k| {
        let rest = lower.strip_prefix(k);
        rest.is_some_and(|r| r.is_empty() || r.starts_with('.') || (r.len() == 1 && k.ends_with(['m', 't'])))
    });
    match code.starts_with(|c: char| c.is_ascii_alphanumeric()) && !device {
        true => code.to_owned(),
        false => format!("code-{code}"),
    }
}

/// Indices of the tests that get a figure, in order.
pub fn tests(results: &Results, choice: FiguresChoice) -> Vec<usize> {
    let all = 0..results.tests.len();
    match choice {
        FiguresChoice::All => all.collect(),
        FiguresChoice::None => Vec::new(),
        FiguresChoice::Auto if results.tests.len() <= FIGURES_AT_MOST => all.collect(),
        FiguresChoice::Auto => worth_a_look(results),
    }
}

/// The first of those over the ceiling or sprung early, then those behind a named side, then undecided ones, then
/// the rest that has a finding or a problem.
fn worth_a_look(results: &Results) -> Vec<usize> {
    let mut by_group: HashMap<&TestKey, u8> = HashMap::new();
    for comparison in &results.comparisons {
        let urgency = match comparison.side_of_resistance {
            Some(Decision::Left | Decision::Right | Decision::StifferThanNeighbours) => 1,
            Some(Decision::Undecided) => 2,
            _ => continue,
        };
        let entry = by_group.entry(&comparison.key).or_insert(urgency);
        *entry = urgency.min(*entry);
    }
    let mut by_test: HashMap<(&str, Option<u32>), u8> = HashMap::new();
    for finding in &results.technique {
        let urgency = match finding.rule {
            TechniqueRule::OverCeiling | TechniqueRule::SprungBeforeSlackOut => 0,
            _ => 3,
        };
        if let Some(recording) = &finding.recording {
            let entry = by_test.entry((recording, finding.test)).or_insert(urgency);
            *entry = urgency.min(*entry);
        }
    }
    for problem in &results.problems {
        by_test.entry((&problem.file, None)).or_insert(3);
    }
    let mut ranked: Vec<(u8, usize)> = results
        .tests
        .iter()
        .enumerate()
        .filter_map(|(i, t)| {
            let own = [Some(t.test), None]
                .into_iter()
                .filter_map(|n| by_test.get(&(t.recording.as_str(), n)));
            let found = own.chain(by_group.get(&t.about.key())).min()?;
            Some((*found, i))
        })
        .collect();
    ranked.sort_unstable();
    let mut chosen: Vec<usize> = ranked.into_iter().take(FIGURES_AT_MOST).map(|r| r.1).collect();
    chosen.sort_unstable();
    chosen
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_of_a_file_begins_with_a_letter_or_digit_and_is_no_device() {
        assert_eq!(safe_name("L-05"), "L-05");
        assert_eq!(safe_name("-rf"), "code--rf");
        assert_eq!(safe_name(""), "code-");
        assert_eq!(safe_name("CON"), "code-CON");
        assert_eq!(safe_name("com1"), "code-com1");
        assert_eq!(safe_name("common"), "common");
    }

    #[test]
    fn names_are_safe_and_unique_even_where_case_is_ignored() {
        let mut names = Names::default();
        let given: Vec<String> = ["a/../b.csv", "A/../B.csv", "a b", "µ", ""]
            .iter()
            .map(|n| names.take(n))
            .collect();
        assert_eq!(given, ["a----b-csv", "A----B-csv-2", "a-b", "-", ""]);
        assert!(names.take(&"x".repeat(500)).len() <= LONGEST);
    }
}
