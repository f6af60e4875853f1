//! What several people put right in the same recordings, held against each other and against the program (METHODS.md §7.11).

use super::CONFIDENCE;
use crate::columns::Measure;
use crate::stats::agreement::bland_altman::{FACTOR, LimitError, LimitsOfAgreement, limits};
use crate::stats::moments::mean;
use crate::trace::Test;
use std::collections::{BTreeMap, BTreeSet};

/// Two peaks are those of the same spring when they lie no further apart than this, in s; as in METHODS.md §2.11.
const SAME_PEAK_S: f64 = 0.1;

/// The name under which the program stands beside people.
pub const PROGRAM: &str = "program";

/// Recordings as one person, or the program alone, has them.
#[derive(Debug, Clone, Default)]
pub struct CorrectorTests {
    /// The person's code, or [`PROGRAM`].
    pub who: String,
    /// The tests of each recording that the person made an entry for, as that person's entries alone leave them.
    pub recordings: BTreeMap<String, Vec<Test>>,
}

/// Two of them over the recordings that both have.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrectorPair {
    pub first: String,
    pub second: String,
    pub recordings: usize,
    /// Tests that both have.
    pub tests: usize,
    /// Tests that only one of them has: left out, parted or joined by the other.
    pub tests_first_only: usize,
    pub tests_second_only: usize,
    /// Springs that both have.
    pub springs: usize,
    pub springs_first_only: usize,
    pub springs_second_only: usize,
    /// Largest distance of two peaks of the same spring.
    pub peaks_apart_s: Option<f64>,
    /// Tests with an onset by both.
    pub onsets: usize,
    /// Tests with an onset by one alone.
    pub onsets_one_only: usize,
    /// Mean difference of the onsets, first less second.
    pub onset_bias_mm: Option<f64>,
    /// Largest difference of two onsets.
    pub onsets_apart_mm: Option<f64>,
    /// From three tests on.
    pub onset_limits: Option<LimitsOfAgreement>,
}

/// Each two of them that have a recording in common.
pub fn of_correctors(all: &[CorrectorTests]) -> Vec<CorrectorPair> {
    let mut pairs = Vec::new();
    for (i, first) in all.iter().enumerate() {
        pairs.extend(all[i + 1..].iter().filter_map(|second| pair(first, second)));
    }
    pairs
}

fn pair(first: &CorrectorTests, second: &CorrectorTests) -> Option<CorrectorPair> {
    let common = first.recordings.iter().filter_map(|(name, a)| Some((a, second.recordings.get(name)?)));
    let mut found = CorrectorPair {
        first: first.who.clone(),
        second: second.who.clone(),
        recordings: 0,
        tests: 0,
        tests_first_only: 0,
        tests_second_only: 0,
        springs: 0,
        springs_first_only: 0,
        springs_second_only: 0,
        peaks_apart_s: None,
        onsets: 0,
        onsets_one_only: 0,
        onset_bias_mm: None,
        onsets_apart_mm: None,
        onset_limits: None,
    };
    let (mut onsets_first, mut onsets_second) = (Vec::new(), Vec::new());
    for (a, b) in common {
        found.recordings += 1;
        let both = same_tests(a, b);
        found.tests += both.len();
        found.tests_first_only += a.len() - both.len();
        found.tests_second_only += b.len() - both.len();
        for (a, b) in both {
            springs(a, b, &mut found);
            match (a.finding(Measure::Onset), b.finding(Measure::Onset)) {
                (Some(a), Some(b)) => {
                    onsets_first.push(a);
                    onsets_second.push(b);
                }
                (None, None) => {}
                _ => found.onsets_one_only += 1,
            }
        }
    }
    let apart: Vec<f64> = onsets_first.iter().zip(&onsets_second).map(|(a, b)| a - b).collect();
    found.onsets = apart.len();
    found.onset_bias_mm = mean(&apart).ok();
    found.onsets_apart_mm = apart.iter().map(|d| d.abs()).max_by(f64::total_cmp);
    found.onset_limits = limits(&onsets_first, &onsets_second, FACTOR, LimitError::Full, CONFIDENCE).ok();
    (found.recordings > 0).then_some(found)
}

/// Tests that are the same, each at most once: of the same side where there are two, whose contacts share the most time.
fn same_tests<'t>(a: &'t [Test], b: &'t [Test]) -> Vec<(&'t Test, &'t Test)> {
    let shared_s = |a: &Test, b: &Test| {
        let (a, b) = (&a.phases, &b.phases);
        a.contact_end_s.min(b.contact_end_s) - a.contact_begin_s.max(b.contact_begin_s)
    };
    let mut candidates: Vec<(usize, usize)> =
        (0..a.len()).flat_map(|i| (0..b.len()).map(move |j| (i, j))).filter(|(i, j)| shared_s(&a[*i], &b[*j]) > 0.0).collect();
    candidates.sort_by(|(i, j), (k, l)| {
        let same_side = |i: usize, j: usize| a[i].side() == b[j].side();
        let key = |i: usize, j: usize| shared_s(&a[i], &b[j]);
        same_side(*k, *l).cmp(&same_side(*i, *j)).then(key(*k, *l).total_cmp(&key(*i, *j)))
    });
    one_to_one(candidates).into_iter().map(|(i, j)| (&a[i], &b[j])).collect()
}

/// Springs that both have, by the times of their peaks.
fn springs(a: &Test, b: &Test, found: &mut CorrectorPair) {
    let apart = |i: usize, j: usize| (a.springs[i].peak_s - b.springs[j].peak_s).abs();
    let all = (0..a.springs.len()).flat_map(|i| (0..b.springs.len()).map(move |j| (i, j)));
    let mut candidates: Vec<(usize, usize)> = all.filter(|(i, j)| apart(*i, *j) <= SAME_PEAK_S).collect();
    candidates.sort_by(|(i, j), (k, l)| apart(*i, *j).total_cmp(&apart(*k, *l)));
    let both = one_to_one(candidates);
    found.springs += both.len();
    found.springs_first_only += a.springs.len() - both.len();
    found.springs_second_only += b.springs.len() - both.len();
    let furthest = both.iter().map(|(i, j)| apart(*i, *j));
    found.peaks_apart_s = furthest.chain(found.peaks_apart_s).max_by(f64::total_cmp);
}

/// Of candidates in their order of preference each first and each second once.
fn one_to_one(candidates: Vec<(usize, usize)>) -> Vec<(usize, usize)> {
    let (mut firsts, mut seconds) = (BTreeSet::new(), BTreeSet::new());
    let free = |(i, j): &(usize, usize)| {
        let both = !firsts.contains(i) && !seconds.contains(j);
        if both {
            firsts.insert(*i);
            seconds.insert(*j);
        }
        both
    };
    candidates.into_iter().filter(free).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::{Phases, Spring};

    fn test(peaks_s: &[f64]) -> Test {
        Test {
            phases: Phases {
                contact_begin_s: 1.0,
                contact_end_s: 9.0,
                ..Phases::default()
            },
            springs: peaks_s
                .iter()
                .map(|peak_s| Spring {
                    peak_s: *peak_s,
                    ..Spring::default()
                })
                .collect(),
            ..Test::default()
        }
    }

    fn person(who: &str, recordings: &[(&str, &[f64])]) -> CorrectorTests {
        CorrectorTests {
            who: who.to_owned(),
            recordings: recordings.iter().map(|(name, peaks)| ((*name).to_owned(), vec![test(peaks)])).collect(),
        }
    }

    #[test]
    fn springs_are_the_same_by_their_peaks_and_each_counts_once() {
        let all = [
            person("E1", &[("a", &[2.0, 3.0, 4.0]), ("b", &[2.0])]),
            person("E2", &[("a", &[2.05, 3.0, 3.02, 5.0])]),
            person(PROGRAM, &[("a", &[2.0]), ("b", &[])]),
        ];
        let pairs = of_correctors(&all);
        let counts: Vec<_> = pairs
            .iter()
            .map(|p| (p.recordings, p.tests, p.springs, p.springs_first_only, p.springs_second_only))
            .collect();
        assert_eq!(counts, [(1, 1, 2, 1, 2), (2, 2, 1, 3, 0), (1, 1, 1, 3, 0)]);
        assert!((pairs[0].peaks_apart_s.unwrap() - 0.05).abs() < 1e-12);
        assert_eq!(pairs[0].onset_limits, None);
        assert!(of_correctors(&[person("E1", &[("a", &[])]), person("E2", &[("b", &[])])]).is_empty());
    }
}
