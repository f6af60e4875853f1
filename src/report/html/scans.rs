//! Scans of a report: the tests and findings of one subject by one examiner in one session.

use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind};
use crate::plot::text;
use crate::results::Results;
use std::collections::BTreeMap;

/// Subject, examiner, session.
pub type ScanKey<'a> = (Option<&'a str>, Option<&'a str>, Option<&'a str>);

/// One scan.
pub struct Scan<'a> {
    pub key: ScanKey<'a>,
    /// Indices into the results' tests.
    pub tests: Vec<usize>,
    pub comparisons: Vec<&'a Comparison>,
}

/// The scans of a report, by subject, examiner and session.
pub fn scans(results: &Results) -> Vec<Scan<'_>> {
    fn at<'m, 'a>(scans: &'m mut BTreeMap<ScanKey<'a>, Scan<'a>>, key: ScanKey<'a>) -> &'m mut Scan<'a> {
        scans.entry(key).or_insert_with(|| Scan {
            key,
            tests: Vec::new(),
            comparisons: Vec::new(),
        })
    }
    let mut scans = BTreeMap::new();
    for (i, test) in results.tests.iter().enumerate() {
        let about = &test.about;
        let key = (
            about.subject.as_deref(),
            about.examiner.as_deref(),
            about.session.as_deref(),
        );
        at(&mut scans, key).tests.push(i);
    }
    for comparison in &results.comparisons {
        let k = &comparison.key;
        let key = (k.subject.as_deref(), k.examiner.as_deref(), k.session.as_deref());
        at(&mut scans, key).comparisons.push(comparison);
    }
    scans.into_values().collect()
}

impl Scan<'_> {
    /// Who, by whom and when, as a line of words.
    pub fn about(&self) -> String {
        let (subject, examiner, session) = self.key;
        let parts: Vec<String> = [("subject", subject), ("examiner", examiner), ("session", session)]
            .into_iter()
            .filter_map(|(word, code)| Some(format!("{word} {}", text::one_line(code?))))
            .collect();
        if parts.is_empty() {
            "subject, examiner and session not named".to_owned()
        } else {
            parts.join(", ")
        }
    }

    /// The codes alone, for a file name.
    pub fn slug(&self) -> String {
        let (subject, examiner, session) = self.key;
        let parts: Vec<&str> = [subject, examiner, session].into_iter().flatten().collect();
        if parts.is_empty() {
            "not-named".to_owned()
        } else {
            parts.join("-")
        }
    }

    /// The measure whose decisions head the scan: the first of the three that are decided on that has any.
    pub fn main_measure(&self) -> Option<Measure> {
        [Measure::EndFeel, Measure::FittedEndFeel, Measure::Window]
            .into_iter()
            .find(|m| {
                self.comparisons
                    .iter()
                    .any(|f| f.measure == *m && f.asymmetry_percent.is_some())
            })
    }

    /// Findings of one measure and kind.
    pub fn of(&self, measure: Measure, kind: ComparisonKind) -> Vec<&Comparison> {
        self.comparisons
            .iter()
            .copied()
            .filter(|f| f.measure == measure && f.kind == kind)
            .collect()
    }
}
