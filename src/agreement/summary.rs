//! One table of ratings to everything that is reported of it.

use super::Design;
use super::rating_table::RatingTable;
use crate::stats::agreement::anova::{MeanSquares, mean_squares};
use crate::stats::agreement::balanced::BalancedPart;
use crate::stats::agreement::bland_altman::{FACTOR, LimitError, LimitsOfAgreement, limits};
use crate::stats::agreement::icc::{Icc, icc};
use crate::stats::agreement::sem::{Sem, sem};
use crate::stats::agreement::spearman_brown::{mdc95_of_mean, stepped_up, trials_for};

/// MDC95 in percent of the mean for which the trials needed are told.
pub const WANTED_PERCENT: [f64; 5] = [5.0, 10.0, 15.0, 20.0, 30.0];
/// How many trials the table of their means goes up to.
const MOST_TRIALS: u32 = 10;

/// A rating that the balanced part leaves out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOut {
    pub subject: String,
    pub rater: String,
    pub reason: &'static str,
}

/// Limits of agreement of two raters, with what is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct PairLimits {
    pub first: String,
    pub second: String,
    pub limits: LimitsOfAgreement,
    pub first_values: Vec<f64>,
    pub second_values: Vec<f64>,
}

/// What the mean of several trials is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrialsRow {
    pub trials: u32,
    /// Spearman–Brown of ICC(1), ICC(A,1) and ICC(C,1).
    pub icc_1: Option<f64>,
    pub icc_a: Option<f64>,
    pub icc_c: Option<f64>,
    /// By the agreement SEM: each trial by its own examiner where examiners differ.
    pub mdc95: f64,
    pub mdc95_percent: Option<f64>,
}

/// Agreement of one table.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    pub design: Design,
    /// Subjects and raters of the balanced part; empty when there is none.
    pub subjects: Vec<String>,
    pub raters: Vec<String>,
    /// Ratings given, used or not.
    pub given: usize,
    pub left_out: Vec<LeftOut>,
    pub squares: Option<MeanSquares>,
    pub icc: Icc,
    pub sem: Option<Sem>,
    pub pairs: Vec<PairLimits>,
    pub trials: Vec<TrialsRow>,
    /// Trials for each of [`WANTED_PERCENT`].
    pub trials_for: Vec<Option<u32>>,
    /// Why numbers are missing, if any are.
    pub reason: Option<String>,
    pub notes: Vec<String>,
}

impl Summary {
    /// A value in the unit of the ratings as percent of their mean; `None` for a mean of 0.
    pub fn percent(&self, value: f64) -> Option<f64> {
        let mean = self.squares?.mean.abs();
        let percent = 100.0 * value / mean;
        (mean > 0.0 && percent.is_finite()).then_some(percent)
    }
}

/// Everything that is reported of a table of ratings; `confidence` between 0 and 1.
///
/// A table with holes is cut down to its largest balanced part. What cannot be had stays `None`, with the reason.
pub fn summarise(table: &RatingTable, confidence: f64) -> Summary {
    let given = table.cells.iter().flatten().flatten().count();
    let mut summary = Summary {
        design: table.design,
        subjects: Vec::new(),
        raters: Vec::new(),
        given,
        left_out: Vec::new(),
        squares: None,
        icc: Icc::default(),
        sem: None,
        pairs: Vec::new(),
        trials: Vec::new(),
        trials_for: vec![None; WANTED_PERCENT.len()],
        reason: None,
        notes: table.notes.clone(),
    };
    let Some(part) = table.balanced() else {
        summary.reason = Some(missing(table, given));
        return summary;
    };
    let rows: Vec<Vec<f64>> = part
        .rows
        .iter()
        .map(|&r| part.columns.iter().filter_map(|&c| table.cells[r][c]).collect())
        .collect();
    let names = |all: &[String], chosen: &[usize]| chosen.iter().map(|&i| all[i].clone()).collect();
    summary.subjects = names(&table.subjects, &part.rows);
    summary.raters = names(&table.raters, &part.columns);
    summary.left_out = left_out(table, &part);
    if !summary.left_out.is_empty() {
        let what = match table.design {
            Design::Ratings => "subjects",
            _ => "places (subject, level and side)",
        };
        summary.notes.push(format!(
            "not balanced: the largest balanced part was used, {} {what} by {} ratings, and {} of {given} ratings left \
             out",
            part.rows.len(),
            part.columns.len(),
            summary.left_out.len()
        ));
    }
    if let Err(error) = fill(&mut summary, &rows, confidence) {
        summary.reason = Some(error.to_string());
    }
    summary
}

fn fill(summary: &mut Summary, rows: &[Vec<f64>], confidence: f64) -> crate::stats::StatsResult<()> {
    let squares = mean_squares(rows)?;
    let (all, errors) = (icc(&squares, confidence)?, sem(&squares, confidence)?);
    summary.squares = Some(squares);
    summary.icc = all;
    summary.sem = Some(errors);
    summary.reason = if all.consistency.is_none() {
        Some("constant ratings: subjects do not differ, so no intraclass correlation is defined".to_owned())
    } else if squares.error == 0.0 {
        Some("raters never disagree beyond a constant: no error to make an interval of".to_owned())
    } else {
        None
    };
    let value = |form: Option<crate::stats::agreement::Interval>| form.map(|i| i.value);
    let step = |form, trials: u32| value(form).and_then(|r| stepped_up(r, f64::from(trials)));
    let one = errors.agreement.value;
    for trials in 1..=MOST_TRIALS {
        let mdc95 = mdc95_of_mean(one, trials);
        summary.trials.push(TrialsRow {
            trials,
            icc_1: step(all.one, trials),
            icc_a: step(all.agreement, trials),
            icc_c: step(all.consistency, trials),
            mdc95,
            mdc95_percent: summary.percent(mdc95),
        });
    }
    let mean = squares.mean.abs();
    summary.trials_for = WANTED_PERCENT
        .iter()
        .map(|percent| trials_for(one, mean * percent / 100.0))
        .collect();
    let column = |c: usize| rows.iter().map(|r| r[c]).collect::<Vec<f64>>();
    for first in 0..squares.raters {
        for second in first + 1..squares.raters {
            let (a, b) = (column(first), column(second));
            if let Ok(limits) = limits(&a, &b, FACTOR, LimitError::Full, confidence) {
                summary.pairs.push(PairLimits {
                    first: summary.raters[first].clone(),
                    second: summary.raters[second].clone(),
                    limits,
                    first_values: a,
                    second_values: b,
                });
            }
        }
    }
    Ok(())
}

fn left_out(table: &RatingTable, part: &BalancedPart) -> Vec<LeftOut> {
    let mut all = Vec::new();
    for (r, row) in table.cells.iter().enumerate() {
        for (c, cell) in row.iter().enumerate() {
            let (row_in, column_in) = (part.rows.contains(&r), part.columns.contains(&c));
            if cell.is_none() || (row_in && column_in) {
                continue;
            }
            all.push(LeftOut {
                subject: table.subjects[r].clone(),
                rater: table.raters[c].clone(),
                reason: match (row_in, column_in) {
                    (false, true) => "another rating of this subject is missing",
                    (true, false) => "not every subject has this rating",
                    _ => "neither this subject nor this rating is complete",
                },
            });
        }
    }
    all
}

/// What is missing for an agreement, and what to do.
fn missing(table: &RatingTable, given: usize) -> String {
    let raters = (0..table.raters.len())
        .filter(|&c| table.cells.iter().any(|r| r[c].is_some()))
        .count();
    let subjects = table
        .cells
        .iter()
        .filter(|r| r.iter().any(Option::is_some))
        .count();
    if given == 0 {
        return match table.design {
            Design::Ratings => "no ratings: give rows of subject, rater and value".to_owned(),
            _ => "no test has this measure".to_owned(),
        };
    }
    match table.design {
        Design::BetweenExaminers if raters < 2 => {
            "one examiner only: a second examiner must test the same levels of the same subjects".to_owned()
        }
        Design::BetweenExaminers => {
            "no two examiners tested the same two levels or more of the same subjects: let them \
                                     test the same ones"
                .to_owned()
        }
        Design::WithinExaminer if raters < 2 => {
            "one trial only: each examiner must test the same level at least twice in a session".to_owned()
        }
        Design::WithinExaminer => {
            "only one level was tested twice: at least two levels or subjects with two trials are needed"
                .to_owned()
        }
        Design::BetweenDays if raters < 2 => {
            "one session only: the same examiner must test the same levels in a second session".to_owned()
        }
        Design::BetweenDays => {
            "only one level was tested in two sessions: at least two levels or subjects are needed".to_owned()
        }
        Design::Ratings if raters < 2 => {
            format!(
                "one rater only ({}): a second rating of each subject is needed",
                table.raters.join(", ")
            )
        }
        Design::Ratings if subjects < 2 => "one subject only: at least two subjects are needed".to_owned(),
        Design::Ratings => "no two subjects were rated by the same two raters".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(cells: &[&[Option<f64>]]) -> RatingTable {
        RatingTable {
            design: Design::Ratings,
            subjects: (0..cells.len()).map(|i| format!("S-{i}")).collect(),
            raters: (0..cells[0].len()).map(|i| format!("R-{i}")).collect(),
            cells: cells.iter().map(|r| r.to_vec()).collect(),
            notes: vec![],
        }
    }

    #[test]
    fn what_the_balanced_part_leaves_out_is_told_and_the_counts_add_up() {
        let (a, n) = (Some(1.0), None);
        let t = table(&[
            &[a, Some(2.0), n],
            &[Some(4.0), Some(4.5), Some(4.2)],
            &[Some(7.0), n, n],
            &[Some(8.0), Some(8.4), n],
        ]);
        let s = summarise(&t, 0.95);
        assert_eq!((s.subjects.len(), s.raters.len()), (3, 2));
        assert_eq!(s.given, s.subjects.len() * s.raters.len() + s.left_out.len());
        assert_eq!(s.left_out[0].rater, "R-2");
        assert_eq!(s.left_out[1].subject, "S-2");
        assert!(s.notes[0].contains("2 of 8 ratings"), "{:?}", s.notes);
        assert_eq!(s.pairs.len(), 1);
    }

    #[test]
    fn one_rater_and_constant_ratings_say_what_is_missing() {
        let one = summarise(&table(&[&[Some(1.0)], &[Some(2.0)]]), 0.95);
        assert!(one.reason.unwrap().contains("one rater only"));
        assert!(one.squares.is_none());
        let flat = summarise(&table(&[&[Some(0.1), Some(0.1)], &[Some(0.1), Some(0.1)]]), 0.95);
        assert!(flat.reason.unwrap().contains("constant ratings"));
        assert_eq!(flat.icc, Icc::default());
        assert_eq!(flat.sem.unwrap().agreement.value, 0.0);
    }
}
