//! How far repeated tests and ratings agree: the numbers, tables, figures and page of `tautpoint agree`.

use super::Analysis;
use crate::agreement::calls::CallNote;
use crate::agreement::{self, Agreement, ratings};
use crate::batch;
use crate::error::{Error, Problem, Result};
use crate::plot::Figure;
use crate::report::agreement as report;
use crate::report::tables::Table;
use crate::results::Results;
use crate::study::call::Call;
use crate::study::inputs;
use std::path::PathBuf;
use std::sync::atomic::AtomicBool;

/// What was found of agreement.
pub struct AgreementReport {
    agreement: Agreement,
    problems: Vec<Problem>,
}

/// Agreement of the repeated tests, and the calls, of a study or of folders of recordings.
///
/// # Errors
/// As [`analyze_paths`](super::analyze_paths); `stop` ends it with the recordings in hand.
pub fn agree_on_paths(paths: &[PathBuf], stop: Option<&AtomicBool>) -> Result<AgreementReport> {
    let inputs = inputs::collect_in_study(paths)?;
    let calls = inputs.study.as_ref().map_or_else(Vec::new, |s| s.calls.clone());
    let options = batch::Options {
        keep_hidden: true,
        thin: true,
        stop,
        ..batch::Options::default()
    };
    let results = batch::run_on(inputs, &options)?;
    Ok(AgreementReport {
        agreement: of_results(&results, &calls),
        problems: results.problems,
    })
}

/// Agreement of ratings: delimited text with the columns subject, rater and value, as a file of this name would hold it.
///
/// # Errors
/// What is wrong with the table.
pub fn agree_on_ratings(name: &str, text: &str) -> Result<AgreementReport> {
    match ratings::parse(name, text) {
        Ok((table, problems)) => Ok(AgreementReport {
            agreement: agreement::of_ratings(&table),
            problems,
        }),
        Err(problems) => Err(problems.into_iter().next().map_or_else(
            || Error::Refused {
                found: format!("{name} holds no ratings"),
                advice: "give the columns subject, rater and value".to_owned(),
            },
            Error::from,
        )),
    }
}

/// What the repeated tests and the calls of a study agree in. Results of a blind study keep what it hides; no finding of them
/// goes further than here.
pub(crate) fn of_results(results: &Results, calls: &[Call]) -> Agreement {
    let comparisons = if results.blinded { &[][..] } else { &results.comparisons };
    let mut agreement = agreement::of_study(&results.tests, comparisons, calls);
    if results.blinded {
        agreement.hide_sides();
        agreement.notes.push(CallNote::Blinded.to_string());
    }
    agreement.title.clone_from(&results.title);
    agreement
}

impl Analysis {
    /// Agreement of the repeated tests of this analysis.
    ///
    /// # Errors
    /// [`Error::Refused`] for a blind study, whose values are not in it.
    pub fn agreement(&self) -> Result<AgreementReport> {
        if self.results.blinded {
            return Err(Error::Refused {
                found: "a blind study hides the values of this analysis".to_owned(),
                advice: "ask for the agreement of the study itself".to_owned(),
            });
        }
        Ok(AgreementReport {
            agreement: of_results(&self.results, &self.job.study.calls),
            problems: self.results.problems.clone(),
        })
    }
}

impl AgreementReport {
    /// What `tautpoint agree --json` prints.
    pub fn json(&self) -> String {
        report::object_text(&self.agreement, &self.problems)
    }

    /// Its tables.
    pub fn tables(&self) -> Vec<Table> {
        report::tables(&self.agreement)
    }

    /// Its figures with their names.
    pub fn figures(&self) -> Vec<(String, Figure)> {
        report::figures(&self.agreement)
    }

    /// Its page, that stands alone.
    ///
    /// # Errors
    /// When the page could not be put together.
    pub fn page(&self) -> Result<String> {
        report::page(&self.agreement, &self.problems, &self.figures())
    }

    /// What is wrong with the inputs.
    pub fn problems(&self) -> &[Problem] {
        &self.problems
    }
}
