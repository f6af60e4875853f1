//! How much the rule decides: where other rules put the onset of the same tests (METHODS.md §4.13).

use crate::report::frame::PageTable;
use crate::results::Results;
use crate::trace::{Knee, OtherRules};

/// A rule by name, and where it has its answer.
type NamedRule = (&'static str, fn(&OtherRules) -> Option<f64>);

const RULES: [NamedRule; 3] = [
    ("two straight lines", |r| r.two_lines_mm),
    ("bent cable", |r| r.bent_cable_mm),
    ("tangents at both ends", |r| r.tangents_mm),
];

/// A line a rule; `None` where no test has an onset by the fit.
pub fn other_rules(results: &Results) -> Option<PageTable> {
    let fits = || results.tests.iter().filter(|t| t.knee == Knee::Fitted).filter_map(|t| t.fit.as_ref());
    let count = fits().count();
    if count == 0 {
        return None;
    }
    let rows = RULES.map(|(name, place)| {
        let mut apart: Vec<f64> = fits().filter_map(|f| Some(place(&f.rules)? - f.onset_mm)).collect();
        apart.sort_by(f64::total_cmp);
        let at = |share: f64| match apart.len() {
            0 => String::new(),
            // Nought added takes the sign off what rounds to nought.
            n => format!("{:+.2}", (100.0 * apart[(share * (n - 1) as f64).round() as usize]).round() / 100.0 + 0.0),
        };
        vec![name.to_owned(), format!("{} of {count}", apart.len()), at(0.5), at(0.05), at(0.95)]
    });
    let caption = "How much the rule decides: where other rules put the onset of these tests, from the onset by the written definition";
    let heads = ["rule", "tests with such an onset", "median, mm", "5 % lie below, mm", "5 % lie above, mm"];
    Some(PageTable::of_numbers(caption, heads, rows))
}
