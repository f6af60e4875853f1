//! A study's repeated tests to intraclass correlations, errors of measurement, limits of agreement; calls to kappas and
//! to what each examiner just detects (METHODS.md §7).
//!
//! The *target* of a test is what stays the same when it is repeated: subject, level, side, posture, contact and line
//! of drive. Everything is computed for single tests; tables with holes, and rows that belong together, go through one
//! variance model (METHODS.md §13), which takes every test.

pub mod calls;
mod clusters;
pub mod correctors;
pub mod marks;
mod rating_table;
pub mod ratings;
pub mod registered;
pub mod spread;
mod summary;
mod tables;

pub use rating_table::{RatingTable, RowGroups};
pub use summary::{AgreementBasis, PairLimits, Summary, TrialsRow, WANTED_PERCENT, summarise};

use crate::columns::Measure;
use crate::compare::Comparison;
use crate::study::call::Call;
use crate::trace::Test;

/// Coverage of every interval of agreement.
pub const CONFIDENCE: f64 = 0.95;

/// What was repeated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Design {
    /// One target by several examiners.
    BetweenExaminers,
    /// One target several times by one examiner in one session.
    WithinExaminer,
    /// One target by one examiner in several sessions.
    BetweenDays,
    /// Any numbers: a file of subjects, raters and values.
    Ratings,
}

impl Design {
    /// The key in JSON and tables.
    pub fn word(self) -> &'static str {
        match self {
            Design::BetweenExaminers => "between_examiners",
            Design::WithinExaminer => "within_examiner",
            Design::BetweenDays => "between_days",
            Design::Ratings => "ratings",
        }
    }

    /// In words, for pages.
    pub fn label(self) -> &'static str {
        match self {
            Design::BetweenExaminers => "between examiners",
            Design::WithinExaminer => "within examiner",
            Design::BetweenDays => "between days",
            Design::Ratings => "ratings",
        }
    }
}

/// Agreement of one measure.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasureAgreement {
    /// Column name in `tests`, or `value` for a file of ratings.
    pub name: String,
    pub label: String,
    /// Empty for a ratio and for ratings, whose unit nobody stated.
    pub unit: String,
    pub decimals: usize,
    /// One a design, in the order of [`Design`]; a design that the tests do not hold says why.
    pub designs: Vec<Summary>,
}

impl MeasureAgreement {
    /// The design that stands first: between examiners, else within examiner, else between days, whichever has
    /// coefficients; where none has, the first.
    pub fn main(&self) -> Option<&Summary> {
        let sound = |s: &&Summary| s.icc.consistency.is_some();
        let told = |s: &&Summary| s.sem.is_some();
        let all = || self.designs.iter();
        all()
            .find(sound)
            .or_else(|| all().find(told))
            .or_else(|| all().next())
    }

    /// The summary of a design.
    pub fn design(&self, design: Design) -> Option<&Summary> {
        self.designs.iter().find(|s| s.design == design)
    }
}

/// Everything `agree` found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Agreement {
    /// Title of the study.
    pub title: Option<String>,
    /// Each measure with repeated tests.
    pub measures: Vec<MeasureAgreement>,
    /// The lab's own spread, for later decisions.
    pub spread: Option<spread::RepeatSpread>,
    /// `None` for a file of ratings.
    pub calls: Option<calls::CallAgreement>,
    /// People who put marks right, and the program, held against each other.
    pub correctors: Vec<correctors::CorrectorPair>,
    /// What the reader should know, in sentences.
    pub notes: Vec<String>,
}

impl Agreement {
    /// Whether any coefficient or error of measurement could be had.
    pub fn is_empty(&self) -> bool {
        self.measures
            .iter()
            .flat_map(|m| &m.designs)
            .all(|s| s.sem.is_none())
    }
}

/// Agreement of a study: every measure of its tests, and its calls.
///
/// `tests` in any order; `findings` are those of the same tests, with the calls beside them.
pub fn of_study(tests: &[Test], comparisons: &[Comparison], study_calls: &[Call]) -> Agreement {
    let repeats = tables::Repeats::new(tests);
    let of_measure = |measure: Measure| {
        let info = measure.info();
        MeasureAgreement {
            name: info.name.to_owned(),
            label: info.label.to_owned(),
            unit: info.unit.to_owned(),
            decimals: info.decimals,
            designs: repeats
                .tables(measure)
                .iter()
                .map(|t| summarise(t, CONFIDENCE))
                .collect(),
        }
    };
    Agreement {
        title: None,
        measures: Measure::ALL.into_iter().map(of_measure).collect(),
        spread: spread::of_tests(&repeats),
        calls: Some(calls::of_study(comparisons, study_calls)),
        correctors: Vec::new(),
        notes: repeats.notes(),
    }
}

impl Agreement {
    /// Takes out what would tell which side was measured stiffer: calls against the measured side, and which point of a
    /// pair's comparison belongs to which place, by putting the points in the order of their sums.
    pub fn hide_sides(&mut self) {
        for summary in self.measures.iter_mut().flat_map(|m| &mut m.designs) {
            for pair in &mut summary.pairs {
                let both = pair.first_values.iter().zip(&pair.second_values);
                let mut points: Vec<(f64, f64)> = both.map(|(a, b)| (*a, *b)).collect();
                points.sort_by(|a, b| (a.0 + a.1).total_cmp(&(b.0 + b.1)));
                (pair.first_values, pair.second_values) = points.into_iter().unzip();
            }
        }
        if let Some(calls) = self.calls.as_mut().filter(|c| c.calls > 0) {
            calls.measure = None;
            calls.against.clear();
            calls.notes.retain(|n| *n != calls::CallNote::NoMeasuredLevel);
            calls.notes.push(calls::CallNote::Blinded);
        }
    }
}

/// Agreement of any ratings.
pub fn of_ratings(table: &RatingTable) -> Agreement {
    Agreement {
        measures: vec![MeasureAgreement {
            name: "value".to_owned(),
            label: "value".to_owned(),
            unit: String::new(),
            decimals: 3,
            designs: vec![summarise(table, CONFIDENCE)],
        }],
        ..Agreement::default()
    }
}
