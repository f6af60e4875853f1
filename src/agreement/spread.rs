//! agreement.toml: how much one test differs from its repetition, for later single-trial decisions.

use crate::study::door;
use super::tables::Repeats;
use crate::columns::Measure;
use crate::compare::{AgreementSpread, DECIDED, SHOWN};
use crate::error::Problem;
use crate::stats::moments;
use crate::study::toml_doc::read_text;
use crate::study::words::shown;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

/// Name of the file in a study's folder.
pub const FILE_NAME: &str = "agreement.toml";
/// Fewer degrees of freedom say too little to decide with.
const FEWEST_DF: f64 = 3.0;

/// RepeatSpread of one measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasureSpread {
    /// Standard error of a single test, in the measure's unit.
    pub sem: f64,
    /// The same of its natural logarithm; `None` where a value was not above 0.
    pub sem_log: Option<f64>,
    pub degrees_of_freedom: f64,
    /// Tests that went in.
    pub tests: usize,
}

/// RepeatSpread of a study's repeated tests: one examiner, one target, one session.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RepeatSpread {
    pub measures: BTreeMap<Measure, MeasureSpread>,
}

/// Pools the variance of repeated tests within examiner, target and session; nothing need be balanced.
///
/// `None` when no measure has three degrees of freedom.
pub(super) fn of_tests(repeats: &Repeats) -> Option<RepeatSpread> {
    let measures: BTreeMap<Measure, MeasureSpread> = Measure::ALL
        .into_iter()
        .filter_map(|m| Some((m, pooled(&repeats.within_sessions(m))?)))
        .collect();
    (!measures.is_empty()).then_some(RepeatSpread { measures })
}

fn pooled(groups: &[Vec<f64>]) -> Option<MeasureSpread> {
    let df: f64 = groups.iter().map(|g| g.len() as f64 - 1.0).sum();
    let variance = |groups: &[Vec<f64>]| -> Option<f64> {
        let mut squares = 0.0;
        for group in groups {
            squares += moments::variance(group).ok()? * (group.len() as f64 - 1.0);
        }
        Some(squares / df)
    };
    let sem = variance(groups)?.sqrt();
    let positive = groups.iter().flatten().all(|v| *v > 0.0);
    let logs: Vec<Vec<f64>> = groups
        .iter()
        .map(|g| g.iter().map(|v| v.ln()).collect())
        .collect();
    let sem_log = if positive {
        variance(&logs).map(f64::sqrt)
    } else {
        None
    };
    // Repetitions that are all equal are one recording given twice, and no spread.
    (df >= FEWEST_DF && sem.is_finite() && sem > 0.0).then(|| MeasureSpread {
        sem,
        sem_log: sem_log.filter(|s| s.is_finite() && *s > 0.0),
        degrees_of_freedom: df,
        tests: groups.iter().map(Vec::len).sum(),
    })
}

impl RepeatSpread {
    /// The text of agreement.toml.
    pub fn to_toml(&self) -> String {
        let mut text = "# Written by `tautpoint agree`; the next run replaces it.\n\
                        # How much one test differs from its repetition by the same examiner in the same session,\n\
                        # repositioning included. Decisions on a single trial a side rest on it.\n\
                        format = 1\nfrom = \"within_examiner\"\n"
            .to_owned();
        for (measure, s) in &self.measures {
            // Writing into a String cannot fail.
            let _ = write!(text, "\n[measures.{}]\nsem = {:?}\n", measure.info().name, s.sem);
            if let Some(log) = s.sem_log {
                let _ = writeln!(text, "sem_log = {log:?}");
            }
            let _ = writeln!(
                text,
                "degrees_of_freedom = {:?}\ntests = {}",
                s.degrees_of_freedom, s.tests
            );
        }
        text
    }

    /// What comparisons take. The degrees of freedom are the fewest of the measures that are compared.
    pub fn for_comparison(&self) -> AgreementSpread {
        let compared = |m: &&Measure| DECIDED.contains(m) || SHOWN.contains(m);
        let of = |m: &Measure| self.measures.get(m).map(|s| s.degrees_of_freedom);
        let fewest = self
            .measures
            .keys()
            .filter(compared)
            .filter_map(of)
            .reduce(f64::min);
        AgreementSpread {
            sem_log: self
                .measures
                .iter()
                .filter_map(|(m, s)| Some((*m, s.sem_log?)))
                .collect(),
            sem: self.measures.iter().map(|(m, s)| (*m, s.sem)).collect(),
            degrees_of_freedom: fewest,
        }
    }

    /// Reads the text of agreement.toml. What cannot be used is left out with a problem; a file of another format gives
    /// nothing.
    pub fn parse(file: &str, text: &str) -> (Option<RepeatSpread>, Vec<Problem>) {
        let again = "run `tautpoint agree` on the study again";
        let table = match text.parse::<toml::Table>() {
            Ok(table) => table,
            Err(error) => {
                let line = error
                    .span()
                    .map_or(1, |s| 1 + text[..s.start].matches('\n').count() as u64);
                let found = shown(error.message());
                let problem = Problem::error(file, found, "TOML as `tautpoint agree` writes it", again);
                return (None, vec![problem.at_line(line)]);
            }
        };
        let format = table.get("format").and_then(toml::Value::as_integer);
        if format != Some(1) {
            let found = format.map_or("no format".to_owned(), |f| format!("format {f}"));
            return (
                None,
                vec![Problem::error(file, found, "format = 1", again).in_column("format")],
            );
        }
        let mut spread = RepeatSpread::default();
        let mut problems = Vec::new();
        let measures = table.get("measures").and_then(toml::Value::as_table);
        for (name, entry) in measures.into_iter().flatten() {
            let key = format!("measures.{}", shown(name));
            match Measure::by_name(name) {
                None => problems.push(
                    Problem::warning(file, "an unknown measure", "a measure of `tests`", again)
                        .in_column(key),
                ),
                Some(measure) => match read_measure(entry) {
                    Some(read) => {
                        spread.measures.insert(measure, read);
                    }
                    None => problems.push(
                        Problem::error(
                            file,
                            "no usable spread",
                            "sem, degrees_of_freedom and perhaps sem_log, each above 0",
                            again,
                        )
                        .in_column(key),
                    ),
                },
            }
        }
        (Some(spread), problems)
    }
}

fn read_measure(entry: &toml::Value) -> Option<MeasureSpread> {
    let number = |key: &str| match entry.get(key) {
        Some(toml::Value::Float(f)) => Some(*f),
        Some(toml::Value::Integer(i)) => Some(*i as f64),
        _ => None,
    };
    let above_nought = |v: &f64| v.is_finite() && *v > 0.0;
    let sem_log = number("sem_log");
    if sem_log.is_some_and(|s| !above_nought(&s)) {
        return None;
    }
    Some(MeasureSpread {
        sem: number("sem").filter(above_nought)?,
        sem_log,
        degrees_of_freedom: number("degrees_of_freedom").filter(above_nought)?,
        tests: number("tests").map_or(0, |t| t.max(0.0) as usize),
    })
}

/// Reads a study's agreement.toml for comparisons; `None` when there is no such file, or none that can be used.
///
/// Problems carry the file's name alone, not where it lies.
pub fn read(path: &Path) -> (Option<AgreementSpread>, Vec<Problem>) {
    if !door::is_there(path) {
        return (None, Vec::new());
    }
    match read_text(path, FILE_NAME) {
        Ok(text) => {
            let (spread, problems) = RepeatSpread::parse(FILE_NAME, &text);
            let usable = spread.filter(|s| !s.measures.is_empty());
            (usable.map(|s| s.for_comparison()), problems)
        }
        Err(problem) => (None, vec![problem]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pooled_spread_is_that_of_the_definition_and_needs_no_balance() {
        // Squares about the means: 2, 8 and 2, with 1, 1 and 2 degrees of freedom (by hand).
        let s = pooled(&[vec![1.0, 3.0], vec![5.0, 9.0], vec![1.0, 2.0, 3.0]]).unwrap();
        assert!((s.sem - 3f64.sqrt()).abs() < 1e-15);
        assert_eq!((s.degrees_of_freedom, s.tests), (4.0, 7));
        // One group with values 1 and e has a variance of 1/2 in logarithms.
        let e = std::f64::consts::E;
        let s = pooled(&[vec![1.0, e], vec![1.0, e], vec![1.0, e]]).unwrap();
        assert!((s.sem_log.unwrap() - 0.5f64.sqrt()).abs() < 1e-15);
    }

    #[test]
    fn too_few_repetitions_equal_ones_and_values_below_nought_are_no_spread() {
        assert_eq!(pooled(&[vec![1.0, 2.0]]), None);
        assert_eq!(pooled(&[vec![2.0; 5]]), None);
        assert_eq!(pooled(&[]), None);
        assert_eq!(pooled(&[vec![-1.0, 2.0, 3.0, 1.0]]).unwrap().sem_log, None);
    }

    #[test]
    fn what_is_written_reads_back() {
        let one = MeasureSpread {
            sem: 0.1 + 0.2,
            sem_log: Some(1e-5),
            degrees_of_freedom: 24.0,
            tests: 48,
        };
        let two = MeasureSpread {
            sem_log: None,
            degrees_of_freedom: 7.0,
            ..one
        };
        let spread = RepeatSpread {
            measures: [
                (Measure::EndFeel, one),
                (Measure::LossRatio, two),
                (Measure::Damping, two),
            ]
            .into(),
        };
        let (read, problems) = RepeatSpread::parse("agreement.toml", &spread.to_toml());
        assert_eq!((read.unwrap(), problems), (spread.clone(), vec![]));
        let compared = spread.for_comparison();
        assert_eq!(compared.degrees_of_freedom, Some(7.0));
        assert_eq!(compared.sem_log, [(Measure::EndFeel, 1e-5)].into());
    }

    #[test]
    fn a_file_that_was_broken_says_where() {
        let (none, problems) = RepeatSpread::parse("agreement.toml", "format = 1\n[measures\n");
        assert!(none.is_none());
        assert_eq!(problems[0].line, Some(2));
        let (none, problems) = RepeatSpread::parse("agreement.toml", "format = 2\n");
        assert!(none.is_none() && problems[0].found == "format 2");
        let text =
            "format = 1\n[measures.end_feel_n_per_mm]\nsem = -1.0\ndegrees_of_freedom = 3\n[measures.x]\n";
        let (some, problems) = RepeatSpread::parse("agreement.toml", text);
        assert!(some.unwrap().measures.is_empty());
        assert_eq!(problems.len(), 2);
    }
}
