//! Scans of a report: the tests and findings of one subject by one examiner in one session.

use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind, DECIDED};
use crate::plot::text;
use crate::results::Results;
use crate::terms::SessionKey;
use std::collections::BTreeMap;

/// What one session gave, in all its postures.
pub struct Scan<'a> {
    pub key: SessionKey,
    /// Indices into the results' tests.
    pub tests: Vec<usize>,
    pub comparisons: Vec<&'a Comparison>,
}

/// The scans of a report, by subject, examiner and session.
pub fn scans(results: &Results) -> Vec<Scan<'_>> {
    fn at<'m, 'a>(scans: &'m mut BTreeMap<SessionKey, Scan<'a>>, key: SessionKey) -> &'m mut Scan<'a> {
        scans.entry(key.clone()).or_insert_with(|| Scan {
            key,
            tests: Vec::new(),
            comparisons: Vec::new(),
        })
    }
    let mut scans = BTreeMap::new();
    for (i, test) in results.tests.iter().enumerate() {
        at(&mut scans, test.about.session()).tests.push(i);
    }
    for comparison in &results.comparisons {
        at(&mut scans, comparison.key.session()).comparisons.push(comparison);
    }
    scans.into_values().collect()
}

impl Scan<'_> {
    /// Who, by whom and when, as a line of words.
    pub fn about(&self) -> String {
        let key = &self.key;
        let codes = [
            ("subject", &key.subject),
            ("examiner", &key.examiner),
            ("session", &key.session),
        ];
        let parts: Vec<String> = codes
            .into_iter()
            .filter_map(|(word, code)| Some(format!("{word} {}", text::one_line(code.as_ref()?))))
            .collect();
        if parts.is_empty() {
            "subject, examiner and session not named".to_owned()
        } else {
            parts.join(", ")
        }
    }

    /// The codes alone, for a file name.
    pub fn slug(&self) -> String {
        let key = &self.key;
        let codes = [&key.subject, &key.examiner, &key.session];
        let parts: Vec<&str> = codes.into_iter().flatten().map(String::as_str).collect();
        if parts.is_empty() {
            "not-named".to_owned()
        } else {
            parts.join("-")
        }
    }

    /// The measure whose decisions head the scan: the first of those that are decided on that has any.
    pub fn main_measure(&self) -> Option<Measure> {
        DECIDED
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
