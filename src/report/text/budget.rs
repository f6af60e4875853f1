//! The uncertainty budgets in words.

use super::lines::{padded, plain, with_interval};
use crate::columns::Measure;
use crate::results::Results;
use crate::trace::{BudgetLine, Estimate, Test};
use std::fmt::Write;

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
            let open = match test.measures.finding(measure) {
                Some(_) => "",
                None => " (not determined: the interval is wider than the number itself)",
            };
            let _ = writeln!(out, "  {}: {value}{unit}{open}", info.label);
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
    let variance: f64 = budget.iter().map(|l| l.u.powi(2)).sum();
    let digits = decimals + 2;
    let _ = writeln!(
        out,
        "    {:<52} {:>14} {:>8} {:>9}",
        "source", "std. unc.", "dof", "share"
    );
    for line in budget {
        let share = if variance > 0.0 {
            format!("{:.1} %", 100.0 * line.u.powi(2) / variance)
        } else {
            "-".to_owned()
        };
        let _ = writeln!(
            out,
            "    {} {:>14.digits$} {:>8.0} {share:>9}",
            padded(&line.source.to_string(), 52),
            line.u,
            line.df
        );
    }
    let combined = variance.sqrt();
    let expanded = match estimate.u95() {
        Some(u95) if combined > 0.0 => format!(", times {:.2} for 95 %", u95 / combined),
        _ => String::new(),
    };
    let _ = writeln!(out, "    combined {combined:.digits$}{expanded}");
}

fn test_name(test: &Test) -> String {
    let mut name = format!("{}, test {}", test.recording, test.test);
    if let Some(level) = test.about.level {
        let _ = write!(name, ", {}", level.label());
    }
    if let Some(side) = test.side() {
        let _ = write!(name, ", {side}");
    }
    name
}
