//! Calls between examiners, and calls against the measured side.

use super::CONFIDENCE;
use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind, DECIDED, Decision};
use crate::stats::agreement::Interval;
use crate::stats::agreement::fleiss_kappa::{FleissKappa, fleiss_kappa};
use super::clusters::Clusters;
use crate::stats::agreement::jackknife::JackknifeScale;
use crate::stats::agreement::kappa::{Kappa, Weights, kappa};
use crate::stats::agreement::psychometric::{Psychometric, just_detected, psychometric, share_interval};
use crate::study::call::Call;
use crate::terms::{Felt, Level};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Words in the order of the scale that weighted kappa runs along; `unsure` stands on no scale.
pub const SCALE: [Felt; 3] = [Felt::Left, Felt::Even, Felt::Right];
/// Rows of the confusion table.
pub const CALLED: [Felt; 4] = [Felt::Left, Felt::Even, Felt::Right, Felt::Unsure];
/// Columns of the confusion table.
pub const MEASURED: [Decision; 4] = [
    Decision::Left,
    Decision::Even,
    Decision::Right,
    Decision::Undecided,
];
/// Edges of the sizes of asymmetry, in percent; the last size has no upper edge.
const SIZES: [f64; 6] = [0.0, 5.0, 10.0, 15.0, 20.0, 30.0];

/// What the reader of call agreement should know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CallNote {
    NoCalls,
    /// No session and trial is shared, so each examiner's first call of a level is used.
    FirstCallsUsed,
    /// No call can be compared with a measurement.
    NoMeasuredLevel,
    /// The study is blind, so calls are not compared with measured sides.
    Blinded,
}

impl fmt::Display for CallNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            CallNote::NoCalls => "no calls: write what examiners felt into calls.csv, one row a level",
            CallNote::FirstCallsUsed => {
                "no two examiners called the same level in the same session and trial: each one's first call of a \
                 subject's level stands"
            }
            CallNote::NoMeasuredLevel => {
                "no call stands beside a level measured on both sides: calls could not be held against measurements"
            }
            CallNote::Blinded => {
                "blinded: measured sides are hidden until `tautpoint open STUDY`, so calls are not held against them"
            }
        })
    }
}

/// Kappas of two examiners.
#[derive(Debug, Clone, PartialEq)]
pub struct PairKappa {
    pub first: String,
    pub second: String,
    /// Rows the first's words, columns the second's, in the order of [`SCALE`].
    pub table: [[f64; 3]; 3],
    /// Places both called, one of them or both `unsure`: in no kappa.
    pub unsure: usize,
    /// Whose places they are. Where they are fewer than the places, intervals take that into account.
    pub subjects: usize,
    /// Plain, linear and quadratic, or why there is none.
    pub kappas: Result<[Kappa; 3], String>,
}

/// How often a size of asymmetry was named.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SizeShare {
    pub from_percent: f64,
    /// `None` for the last.
    pub to_percent: Option<f64>,
    pub n: usize,
    pub detected: usize,
    pub share: Option<Interval>,
}

/// One examiner's calls against the measured side.
#[derive(Debug, Clone, PartialEq)]
pub struct AgainstMeasured {
    pub examiner: String,
    /// Rows [`CALLED`], columns [`MEASURED`].
    pub confusion: [[usize; 4]; 4],
    /// Size of each measured asymmetry in percent, and whether the stiffer side was named.
    pub sizes_percent: Vec<f64>,
    pub detected: Vec<bool>,
    /// Whose levels they are.
    pub subjects: usize,
    pub by_size: Vec<SizeShare>,
    pub curve: Result<Psychometric, String>,
}

/// Everything that calls tell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CallAgreement {
    pub calls: usize,
    pub examiners: Vec<String>,
    pub pairs: Vec<PairKappa>,
    /// Between all examiners, on places that all of them called with a side or `even`.
    pub fleiss: Option<FleissKappa>,
    /// Why there is no kappa between all.
    pub fleiss_reason: Option<String>,
    /// The measure that calls are held against.
    pub measure: Option<Measure>,
    pub against: Vec<AgainstMeasured>,
    pub notes: Vec<CallNote>,
}

/// Agreement of a study's calls; `findings` carry the call beside what was measured.
pub fn of_study(comparisons: &[Comparison], calls: &[Call]) -> CallAgreement {
    let mut all = CallAgreement {
        calls: calls.len(),
        ..CallAgreement::default()
    };
    if calls.is_empty() {
        all.notes.push(CallNote::NoCalls);
        return all;
    }
    between_examiners(calls, &mut all);
    against_measured(comparisons, &mut all);
    all
}

/// What a call is about, without who made it.
type CallTarget<'a> = (&'a str, Level, &'a str, Option<u32>);
/// Each place with the word of each examiner.
type Words<'a> = BTreeMap<CallTarget<'a>, BTreeMap<&'a str, Felt>>;

fn words(calls: &[Call], same_session: bool) -> Words<'_> {
    let mut in_order: Vec<&Call> = calls.iter().collect();
    in_order.sort_by_key(|c| (&c.session, c.trial));
    let mut words = Words::new();
    for call in in_order {
        let place = match same_session {
            true => (
                call.subject.as_str(),
                call.level,
                call.session.as_str(),
                call.trial,
            ),
            false => (call.subject.as_str(), call.level, "", None),
        };
        // The first call stands where trials and sessions are set aside.
        words
            .entry(place)
            .or_default()
            .entry(&call.examiner)
            .or_insert(call.call);
    }
    words
}

fn between_examiners(calls: &[Call], all: &mut CallAgreement) {
    let examiners: BTreeSet<&str> = calls.iter().map(|c| c.examiner.as_str()).collect();
    let examiners: Vec<&str> = examiners.into_iter().collect();
    all.examiners = examiners.iter().map(|e| (*e).to_owned()).collect();
    if examiners.len() < 2 {
        all.fleiss_reason = Some("calls of one examiner only: a second must call the same levels".to_owned());
        return;
    }
    let shared = |w: &Words| w.values().any(|by| by.len() > 1);
    let mut by_place = words(calls, true);
    if !shared(&by_place) {
        by_place = words(calls, false);
        if shared(&by_place) {
            all.notes.push(CallNote::FirstCallsUsed);
        }
    }
    for (i, first) in examiners.iter().enumerate() {
        for second in &examiners[i + 1..] {
            all.pairs.extend(pair(first, second, &by_place));
        }
    }
    let counts: Vec<(&str, [u32; 3])> = by_place
        .iter()
        .filter(|(_, by)| by.len() == examiners.len())
        .filter_map(|(place, by)| {
            let mut row = [0; 3];
            for call in by.values() {
                row[scale(*call)?] += 1;
            }
            Some((place.0, row))
        })
        .collect();
    if counts.is_empty() {
        all.fleiss_reason = Some("no level was called left, even or right by every examiner".to_owned());
        return;
    }
    let of = |without: Option<&str>| {
        let kept = counts.iter().filter(|(subject, _)| Some(*subject) != without);
        fleiss_kappa(&kept.map(|(_, row)| *row).collect::<Vec<_>>(), CONFIDENCE)
    };
    match of(None) {
        Ok(mut kappa) => {
            let subjects = Clusters::of(counts.iter().map(|(subject, _)| *subject));
            let without = |subject: &str| of(Some(subject)).ok().map(|k| k.kappa.value);
            kappa.kappa = subjects.interval(kappa.kappa, JackknifeScale::FisherZ, without);
            all.fleiss = Some(kappa);
        }
        Err(error) => all.fleiss_reason = Some(error.to_string()),
    }
}

fn scale(call: Felt) -> Option<usize> {
    SCALE.iter().position(|c| *c == call)
}

/// Kappas of two examiners' words, each place with its subject.
fn kappas(words: &[(&str, usize, usize)], without: Option<&str>) -> Result<[Kappa; 3], String> {
    let mut table = [[0.0; 3]; 3];
    for (_, a, b) in words.iter().filter(|(subject, ..)| Some(*subject) != without) {
        table[*a][*b] += 1.0;
    }
    let of = |weights| kappa(&table, weights, CONFIDENCE).map_err(|e| e.to_string());
    Ok([of(Weights::Plain)?, of(Weights::Linear)?, of(Weights::Quadratic)?])
}

/// `None` when the two called no place in common.
fn pair(first: &str, second: &str, by_place: &Words) -> Option<PairKappa> {
    let (mut unsure, mut words) = (0, Vec::new());
    for (place, by) in by_place {
        let (Some(a), Some(b)) = (by.get(first), by.get(second)) else {
            continue;
        };
        match (scale(*a), scale(*b)) {
            (Some(a), Some(b)) => words.push((place.0, a, b)),
            _ => unsure += 1,
        }
    }
    let subjects = Clusters::of(words.iter().map(|(subject, ..)| *subject));
    let clustered = |mut all: [Kappa; 3]| {
        for (i, kappa) in all.iter_mut().enumerate() {
            let without = |subject: &str| kappas(&words, Some(subject)).ok().map(|k| k[i].kappa.value);
            kappa.kappa = subjects.interval(kappa.kappa, JackknifeScale::FisherZ, without);
        }
        all
    };
    let mut table = [[0.0; 3]; 3];
    words.iter().for_each(|(_, a, b)| table[*a][*b] += 1.0);
    (words.len() + unsure > 0).then(|| PairKappa {
        first: first.to_owned(),
        second: second.to_owned(),
        table,
        unsure,
        subjects: subjects.subjects.len(),
        kappas: kappas(&words, None).map(clustered),
    })
}

/// The stiffness with the most called and measured levels; of equals the fitted, which is the sharpest.
fn chosen_measure(comparisons: &[Comparison]) -> Option<Measure> {
    let usable = |m: Measure| {
        comparisons
            .iter()
            .filter(move |f| f.measure == m && usable(f))
            .count()
    };
    DECIDED
        .into_iter()
        .filter(|m| usable(*m) > 0)
        .max_by_key(|m| usable(*m))
}

fn usable(comparison: &Comparison) -> bool {
    comparison.kind == ComparisonKind::LeftRight
        && comparison.call.is_some()
        && comparison.asymmetry_percent.is_some_and(f64::is_finite)
}

fn against_measured(comparisons: &[Comparison], all: &mut CallAgreement) {
    all.measure = chosen_measure(comparisons);
    let Some(measure) = all.measure else {
        all.notes.push(CallNote::NoMeasuredLevel);
        return;
    };
    let mut by_examiner: BTreeMap<&str, Vec<&Comparison>> = BTreeMap::new();
    for comparison in comparisons.iter().filter(|f| f.measure == measure && usable(f)) {
        let examiner = comparison.key.examiner.as_deref().unwrap_or("not named");
        by_examiner.entry(examiner).or_default().push(comparison);
    }
    all.against = by_examiner
        .into_iter()
        .map(|(examiner, rows)| against(examiner, &rows))
        .collect();
}

fn against(examiner: &str, comparisons: &[&Comparison]) -> AgainstMeasured {
    let mut confusion = [[0; 4]; 4];
    let (mut sizes, mut detected, mut of_subject) = (Vec::new(), Vec::new(), Vec::new());
    for comparison in comparisons {
        let (Some(call), Some(asymmetry)) = (comparison.call, comparison.asymmetry_percent) else {
            continue;
        };
        let measured = comparison.side_of_resistance.unwrap_or(Decision::Undecided);
        let row = CALLED.iter().position(|c| *c == call);
        let column = MEASURED.iter().position(|m| *m == measured);
        if let (Some(row), Some(column)) = (row, column) {
            confusion[row][column] += 1;
        }
        if asymmetry != 0.0 {
            let stiffer = if asymmetry > 0.0 { Felt::Right } else { Felt::Left };
            sizes.push(asymmetry.abs());
            detected.push(call == stiffer);
            of_subject.push(comparison.key.subject.as_deref().unwrap_or("not named"));
        }
    }
    let subjects = Clusters::of(of_subject.iter().copied());
    let curve = curve(&sizes, &detected).map(|mut curve| {
        let without = |subject: &str| {
            let kept = |i: &usize| of_subject[*i] != subject;
            let (sizes, detected): (Vec<f64>, Vec<bool>) =
                (0..sizes.len()).filter(kept).map(|i| (sizes[i], detected[i])).unzip();
            just_detected(&sizes, &detected, curve.lapse)
        };
        let found = curve.just_detected;
        curve.just_detected = subjects.interval(found, JackknifeScale::Log, without);
        curve
    });
    AgainstMeasured {
        examiner: examiner.to_owned(),
        confusion,
        by_size: by_size(&sizes, &detected),
        curve,
        subjects: subjects.subjects.len(),
        sizes_percent: sizes,
        detected,
    }
}

/// The curve; a just-detected size at or below 0 is none, and an interval does not reach below 0.
fn curve(sizes: &[f64], detected: &[bool]) -> Result<Psychometric, String> {
    let mut curve = psychometric(sizes, detected, CONFIDENCE).map_err(|e| e.to_string())?;
    if curve.just_detected.value <= 0.0 {
        return Err(
            "more than half of even the smallest differences were named; smaller ones are needed".to_owned(),
        );
    }
    let low = curve.just_detected.low.map_or(0.0, |low| low.max(0.0));
    curve.just_detected.low = Some(low);
    Ok(curve)
}

fn by_size(sizes: &[f64], detected: &[bool]) -> Vec<SizeShare> {
    let bins = SIZES.iter().enumerate().map(|(i, from)| {
        let to = SIZES.get(i + 1).copied();
        let inside = |s: f64| s >= *from && to.is_none_or(|to| s < to);
        let hits: Vec<bool> = sizes
            .iter()
            .zip(detected)
            .filter(|(s, _)| inside(**s))
            .map(|(_, d)| *d)
            .collect();
        let seen = hits.iter().filter(|d| **d).count();
        SizeShare {
            from_percent: *from,
            to_percent: to,
            n: hits.len(),
            detected: seen,
            share: share_interval(seen, hits.len(), CONFIDENCE).ok().flatten(),
        }
    });
    bins.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::agreement::jackknife::without_each;

    fn call(subject: &str, examiner: &str, session: &str, word: &str) -> Call {
        Call {
            subject: subject.to_owned(),
            examiner: examiner.to_owned(),
            session: session.to_owned(),
            level: Level::L3,
            trial: None,
            call: Felt::parse(word).unwrap(),
            confidence: None,
        }
    }

    #[test]
    fn two_examiners_are_held_against_each_other_and_unsure_is_counted_apart() {
        let calls: Vec<Call> = [
            ("left", "left"),
            ("right", "left"),
            ("even", "even"),
            ("unsure", "left"),
        ]
        .iter()
        .enumerate()
        .flat_map(|(i, (a, b))| {
            let subject = format!("V-0{i}");
            [call(&subject, "L-1", "s", a), call(&subject, "L-2", "s", b)]
        })
        .collect();
        let all = of_study(&[], &calls);
        assert_eq!(all.pairs.len(), 1);
        let pair = &all.pairs[0];
        assert_eq!(
            (pair.unsure, pair.table[0][0], pair.table[2][0], pair.table[1][1]),
            (1, 1.0, 1.0, 1.0)
        );
        // By hand: observed 2/3; chance (1/3)(2/3) + (1/3)(1/3) = 1/3; kappa 1/2.
        assert!((pair.kappas.as_ref().unwrap()[0].kappa.value - 0.5).abs() < 1e-12);
        assert_eq!(all.fleiss.unwrap().subjects, 3);
        assert_eq!(all.notes, [CallNote::NoMeasuredLevel]);
    }

    #[test]
    fn places_of_one_subject_are_no_replication() {
        let words = ["left", "right", "even", "left", "left", "even", "right", "right", "even"];
        let other = ["left", "right", "left", "left", "even", "even", "right", "left", "even"];
        let levels = [Level::L3, Level::L4, Level::L5];
        let of = |kept: &dyn Fn(usize) -> bool| -> Vec<Call> {
            (0..9)
                .filter(|i| kept(i / 3))
                .flat_map(|i| {
                    let subject = format!("V-{}", i / 3);
                    [("L-1", words[i]), ("L-2", other[i])].map(|(examiner, word)| Call {
                        level: levels[i % 3],
                        ..call(&subject, examiner, "s", word)
                    })
                })
                .collect()
        };
        let kappas = |calls: &[Call]| {
            let all = of_study(&[], calls);
            let pair = all.pairs[0].clone();
            (pair.kappas.unwrap()[0].kappa, all.fleiss.unwrap().kappa, pair.subjects)
        };
        let (cohen, fleiss, subjects) = kappas(&of(&|_| true));
        assert_eq!(subjects, 3);
        let without: Vec<_> = (0..3).map(|s| kappas(&of(&|i| i != s))).collect();
        let by = |value: f64, each: [f64; 3]| {
            without_each(value, &each.map(Some), JackknifeScale::FisherZ, CONFIDENCE).unwrap()
        };
        assert_eq!(cohen, by(cohen.value, [0, 1, 2].map(|i| without[i].0.value)));
        assert_eq!(fleiss, by(fleiss.value, [0, 1, 2].map(|i| without[i].1.value)));
        // One subject alone tells nothing of others.
        let (alone, ..) = kappas(&of(&|i| i == 0));
        assert_eq!((alone.low, alone.high), (None, None));
    }

    #[test]
    fn sessions_are_set_aside_when_examiners_share_none() {
        let calls = [call("V-1", "L-1", "s1", "left"), call("V-1", "L-2", "s2", "left")];
        let all = of_study(&[], &calls);
        assert_eq!(all.notes[0], CallNote::FirstCallsUsed);
        assert!(
            all.pairs[0]
                .kappas
                .as_ref()
                .unwrap_err()
                .contains("one and the same word")
        );
    }

    #[test]
    fn one_examiner_and_no_calls_say_what_is_missing() {
        let one = of_study(&[], &[call("V-1", "L-1", "s1", "left")]);
        assert!(one.fleiss_reason.unwrap().contains("one examiner only"));
        assert_eq!(of_study(&[], &[]).notes, [CallNote::NoCalls]);
    }

    #[test]
    fn shares_by_size_count_every_size_once() {
        let shares = by_size(&[0.1, 5.0, 14.9, 31.0, 99.0], &[false, true, true, true, false]);
        let n: Vec<usize> = shares.iter().map(|s| s.n).collect();
        assert_eq!(n, [1, 1, 1, 0, 0, 2]);
        assert_eq!(shares[3].share, None);
        assert_eq!(shares[5].share.unwrap().value, 0.5);
    }
}
