//! One table of ratings to everything that is reported of it.

use super::Design;
use super::rating_table::RatingTable;
use crate::stats::agreement::anova::{MeanSquares, mean_squares};
use crate::stats::StatsResult;
use crate::stats::agreement::bland_altman::{FACTOR, LimitError, LimitsOfAgreement, limits};
use crate::stats::agreement::clustered::{VarianceComponent, belong_together, model_agreement};
use crate::stats::agreement::icc::{Icc, icc};
use crate::stats::agreement::sem::{Sem, sem};
use crate::stats::agreement::spearman_brown::{mdc95_of_mean, stepped_up, trials_for};
use crate::stats::moments;

/// MDC95 in percent of the mean for which the trials needed are told.
pub const WANTED_PERCENT: [f64; 5] = [5.0, 10.0, 15.0, 20.0, 30.0];
/// How many trials the table of their means goes up to.
const MOST_TRIALS: u32 = 10;

/// The variance components of a complete table of so many ratings and more are not fitted.
const MOST_FITTED: usize = 20_000;

/// What coefficients and errors were computed by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AgreementBasis {
    /// Mean squares of a complete table whose rows have nothing in common.
    MeanSquares,
    /// The variance model: rows that belong together, or ratings missing.
    VarianceModel,
}

impl AgreementBasis {
    /// The word in tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            AgreementBasis::MeanSquares => "mean_squares",
            AgreementBasis::VarianceModel => "variance_model",
        }
    }
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
    /// Subjects and raters with ratings; empty when nothing can be told.
    pub subjects: Vec<String>,
    pub raters: Vec<String>,
    /// Ratings given.
    pub given: usize,
    /// `None` where nothing could be had.
    pub basis: Option<AgreementBasis>,
    /// Mean of the ratings given.
    pub mean: Option<f64>,
    /// Ratings that the average forms of the coefficients are of.
    pub averaged: Option<f64>,
    /// Of a complete table.
    pub squares: Option<MeanSquares>,
    pub icc: Icc,
    pub sem: Option<Sem>,
    /// What the variance consists of.
    pub components: Vec<VarianceComponent>,
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
        let mean = self.mean?.abs();
        let percent = 100.0 * value / mean;
        (mean > 0.0 && percent.is_finite()).then_some(percent)
    }
}

/// Everything that is reported of a table of ratings; `confidence` between 0 and 1.
///
/// A table with holes, or with rows that belong together, goes through the variance model, which takes every rating. What
/// cannot be had stays `None`, with the reason.
pub fn summarise(table: &RatingTable, confidence: f64) -> Summary {
    let given = table.cells.iter().flatten().flatten().count();
    let mut summary = Summary {
        design: table.design,
        subjects: Vec::new(),
        raters: Vec::new(),
        given,
        basis: None,
        mean: None,
        averaged: None,
        squares: None,
        icc: Icc::default(),
        sem: None,
        components: Vec::new(),
        pairs: Vec::new(),
        trials: Vec::new(),
        trials_for: vec![None; WANTED_PERCENT.len()],
        reason: None,
        notes: table.notes.clone(),
    };
    if !table.has_error() {
        summary.reason = Some(missing(table, given));
        return summary;
    }
    let rows: Vec<usize> = (0..table.cells.len())
        .filter(|r| table.cells[*r].iter().any(Option::is_some))
        .collect();
    let columns: Vec<usize> = (0..table.raters.len())
        .filter(|c| table.cells.iter().any(|r| r[*c].is_some()))
        .collect();
    summary.subjects = rows.iter().map(|r| table.subjects[*r].clone()).collect();
    summary.raters = columns.iter().map(|c| table.raters[*c].clone()).collect();
    let places = rows.len() * columns.len();
    let complete = given == places;
    if !complete {
        summary.notes.push(format!(
            "not complete: {given} of {places} ratings; the variance model takes all of them"
        ));
    }
    let whole: Option<Vec<Vec<f64>>> = complete.then(|| {
        rows.iter()
            .map(|r| columns.iter().filter_map(|c| table.cells[*r][*c]).collect())
            .collect()
    });
    match coefficients(&mut summary, table, whole.as_deref(), confidence) {
        Ok(()) => derived(&mut summary),
        Err(error) => summary.reason = Some(error.to_string()),
    }
    limits_of_pairs(&mut summary, table, &columns, confidence);
    summary
}

/// Coefficients and errors: by mean squares where the table is complete and its rows have nothing in common, else by the
/// variance model.
fn coefficients(
    summary: &mut Summary,
    table: &RatingTable,
    complete: Option<&[Vec<f64>]>,
    confidence: f64,
) -> StatsResult<()> {
    let placed = table.placed();
    let values: Vec<f64> = placed.iter().map(|r| r.value).collect();
    summary.mean = moments::mean(&values).ok();
    let mut by_squares = false;
    if let Some(rows) = complete {
        let squares = mean_squares(rows)?;
        summary.icc = icc(&squares, confidence)?;
        summary.sem = Some(sem(&squares, confidence)?);
        summary.mean = Some(squares.mean);
        summary.averaged = Some(squares.raters as f64);
        summary.squares = Some(squares);
        summary.basis = Some(AgreementBasis::MeanSquares);
        summary.reason = if summary.icc.consistency.is_none() {
            Some("constant ratings: subjects do not differ, so no intraclass correlation is defined".to_owned())
        } else if squares.error == 0.0 {
            Some("raters never disagree beyond a constant: no error to make an interval of".to_owned())
        } else {
            None
        };
        by_squares = summary.reason.is_some() || !belong_together(&placed);
        if summary.reason.is_some() || (by_squares && placed.len() >= MOST_FITTED) {
            return Ok(());
        }
    }
    match model_agreement(&placed, confidence) {
        Ok(model) => {
            summary.components = model.components;
            if !by_squares {
                summary.icc = model.icc;
                summary.sem = Some(model.sem);
                summary.averaged = Some(model.ratings);
                summary.basis = Some(AgreementBasis::VarianceModel);
            }
        }
        Err(error) if complete.is_some() => summary.notes.push(format!(
            "the variance model could not be fitted ({error}): coefficients take the rows as independent"
        )),
        Err(error) => summary.reason = Some(error.to_string()),
    }
    Ok(())
}

/// What follows from coefficients and errors.
fn derived(summary: &mut Summary) {
    let (Some(sem), Some(mean)) = (summary.sem, summary.mean) else {
        return;
    };
    let all = summary.icc;
    let value = |form: Option<crate::stats::agreement::Interval>| form.map(|i| i.value);
    let step = |form, trials: u32| value(form).and_then(|r| stepped_up(r, f64::from(trials)));
    let one = sem.agreement.value;
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
    summary.trials_for = WANTED_PERCENT
        .iter()
        .map(|percent| trials_for(one, mean.abs() * percent / 100.0))
        .collect();
}

/// Limits of agreement of each two raters, over the rows that both rated.
fn limits_of_pairs(summary: &mut Summary, table: &RatingTable, columns: &[usize], confidence: f64) {
    for (i, first) in columns.iter().enumerate() {
        for second in &columns[i + 1..] {
            let both = table.cells.iter().filter_map(|r| Some((r[*first]?, r[*second]?)));
            let (a, b): (Vec<f64>, Vec<f64>) = both.unzip();
            if let Ok(limits) = limits(&a, &b, FACTOR, LimitError::Full, confidence) {
                summary.pairs.push(PairLimits {
                    first: table.raters[*first].clone(),
                    second: table.raters[*second].clone(),
                    limits,
                    first_values: a,
                    second_values: b,
                });
            }
        }
    }
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
            groups: RatingTable::apart(cells.len()),
            notes: vec![],
        }
    }

    #[test]
    fn a_table_with_holes_keeps_every_rating() {
        let (a, n) = (Some(1.0), None);
        let t = table(&[
            &[a, Some(2.0), n],
            &[Some(4.0), Some(4.5), Some(4.2)],
            &[Some(7.0), n, n],
            &[Some(8.0), Some(8.4), n],
        ]);
        let s = summarise(&t, 0.95);
        assert_eq!((s.subjects.len(), s.raters.len(), s.given), (4, 3, 8));
        assert_eq!(s.basis, Some(AgreementBasis::VarianceModel));
        assert!(s.notes[0].contains("8 of 12 ratings"), "{:?}", s.notes);
        assert!(s.squares.is_none() && s.icc.agreement.is_some() && s.sem.is_some());
        // Limits are of the three rows that both rated.
        assert_eq!((s.pairs.len(), s.pairs[0].limits.n), (1, 3));
    }

    #[test]
    fn rows_of_one_subject_are_not_independent() {
        let rows: Vec<Vec<Option<f64>>> = (0..12)
            .map(|i| {
                let (own, here) = (3.0 * f64::from(i / 4), f64::from(i * 7 % 5));
                let noise = |k: i32| 0.3 * f64::from((i * 5 + k * 3) % 7);
                vec![Some(own + here + noise(0)), Some(own + here + noise(1)), Some(own + here + noise(2))]
            })
            .collect();
        let rows: Vec<&[Option<f64>]> = rows.iter().map(Vec::as_slice).collect();
        let mut t = table(&rows);
        let apart = summarise(&t, 0.95);
        for (i, group) in t.groups.iter_mut().enumerate() {
            (group.subject, group.visit) = (i / 4, i / 4);
        }
        let together = summarise(&t, 0.95);
        assert_eq!(apart.basis, Some(AgreementBasis::MeanSquares));
        assert_eq!(together.basis, Some(AgreementBasis::VarianceModel));
        let wide = |s: &Summary| {
            let i = s.icc.agreement.unwrap();
            i.high.unwrap() - i.low.unwrap()
        };
        assert!(wide(&together) > wide(&apart), "{:?} {:?}", together.icc, apart.icc);
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
