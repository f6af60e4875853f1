//! What was rated comes in clusters: several places of one subject, several rows of one sheet.

use super::CONFIDENCE;
use crate::stats::agreement::Interval;
use crate::stats::agreement::jackknife::{JackknifeScale, without_each};
use std::collections::BTreeSet;

/// Subjects whose places were called, and how many places there are.
pub(super) struct Clusters<'a> {
    pub(super) subjects: BTreeSet<&'a str>,
    places: usize,
}

impl<'a> Clusters<'a> {
    pub(super) fn of(subject_of_each: impl Iterator<Item = &'a str>) -> Clusters<'a> {
        let each: Vec<&str> = subject_of_each.collect();
        Clusters {
            places: each.len(),
            subjects: each.into_iter().collect(),
        }
    }

    /// An interval with subjects as the sample; as it is where each subject has one place, and none where there is one
    /// subject only.
    pub(super) fn interval(
        &self,
        found: Interval,
        scale: JackknifeScale,
        without: impl Fn(&str) -> Option<f64>,
    ) -> Interval {
        if self.subjects.len() == self.places {
            return found;
        }
        let each: Vec<Option<f64>> = self.subjects.iter().map(|s| without(s)).collect();
        without_each(found.value, &each, scale, CONFIDENCE).unwrap_or(Interval::bare(found.value))
    }
}
