//! A scan against its plan: levels missed, doubled, out of order.

use crate::format::counted;
use super::{RuleInput, TechniqueFinding, TechniqueRule};
use crate::terms::{Level, SessionKey, Side, StepSide};
use crate::trace::Test;
use std::collections::BTreeMap;

/// One step of a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlanStep {
    pub level: Level,
    /// `Both`: two tests, together or in either order.
    pub side: StepSide,
}

/// The steps that one scan was to make, in the order in which it was to make them (for a random order: as drawn).
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PlanCoverage {
    /// Name of the plan.
    pub plan: String,
    pub scan: SessionKey,
    pub steps: Vec<PlanStep>,
}

impl PlanCoverage {
    fn tests<'a>(&self, seen: &RuleInput<'a>) -> Vec<&'a Test> {
        let of_scan = |t: &&Test| t.about.session() == self.scan;
        seen.tests.iter().filter(of_scan).collect()
    }

    /// Positions of the steps at each level and side, `both` standing at both.
    fn positions(&self) -> BTreeMap<(Level, Side), Vec<usize>> {
        let mut positions: BTreeMap<(Level, Side), Vec<usize>> = BTreeMap::new();
        for (i, step) in self.steps.iter().enumerate() {
            for side in step.side.sides() {
                positions.entry((step.level, *side)).or_default().push(i);
            }
        }
        positions
    }

    fn finding(&self, level: Level, side: Side, observed: String, next_time: &'static str) -> TechniqueFinding {
        TechniqueFinding {
            recording: None,
            test: None,
            subject: self.scan.subject.clone(),
            examiner: self.scan.examiner.clone(),
            session: self.scan.session.clone(),
            level: Some(level),
            side: Some(side),
            rule: TechniqueRule::LevelMissed,
            value: None,
            unit: "",
            low: None,
            high: None,
            observed,
            next_time,
            corrections: Vec::new(),
        }
    }
}

/// Level and side of a test, where both are known.
fn spot(test: &Test) -> Option<(Level, Side)> {
    Some((test.about.level?, test.side()?))
}

/// Steps with fewer tests than the plan has them, in the order of the plan. A scan of which nothing is known is not
/// reported on step by step.
pub(super) fn missed(seen: &RuleInput<'_>) -> Vec<TechniqueFinding> {
    let mut findings = Vec::new();
    for plan in seen.plans {
        let tests = plan.tests(seen);
        if tests.is_empty() {
            continue;
        }
        let mut missing: Vec<(usize, Level, Side, usize, usize)> = Vec::new();
        for ((level, side), steps) in plan.positions() {
            let done = tests.iter().filter(|t| spot(t) == Some((level, side))).count();
            if let Some(first) = steps.get(done) {
                missing.push((*first, level, side, done, steps.len()));
            }
        }
        missing.sort_unstable();
        for (_, level, side, done, wanted) in missing {
            let text = format!(
                "{}, plan {}.",
                if done == 0 {
                    "no test".to_owned()
                } else {
                    format!("{done} of {}", counted(wanted, "test"))
                },
                plan.plan
            );
            let advice = "go through the plan step by step and tick each one off.";
            findings.push(TechniqueFinding {
                value: Some(done as f64),
                unit: "tests",
                low: Some(wanted as f64),
                ..plan.finding(level, side, text, advice)
            });
        }
    }
    findings
}

/// Tests of one trial at one level and side beyond the plan's steps there.
///
/// Repetitions that carry trial numbers of their own are trials, not doubles: the tool itself asks for more of them.
/// Without a number, only tests of one recording count together.
pub(super) fn doubled(seen: &RuleInput<'_>) -> Vec<TechniqueFinding> {
    let mut findings = Vec::new();
    for plan in seen.plans {
        let positions = plan.positions();
        let mut groups: BTreeMap<_, Vec<&Test>> = BTreeMap::new();
        for test in plan.tests(seen) {
            let Some(spot) = spot(test).filter(|s| positions.contains_key(s)) else {
                continue;
            };
            let unnumbered = test.about.trial.is_none().then_some(test.recording.as_str());
            groups
                .entry((spot, test.about.trial, unnumbered))
                .or_default()
                .push(test);
        }
        for ((spot, trial, _), tests) in groups {
            let planned = positions.get(&spot).map_or(0, Vec::len);
            let (Some(first_too_many), done) = (tests.get(planned), tests.len()) else {
                continue;
            };
            let of_trial = trial.map_or_else(String::new, |t| format!(" of trial {t}"));
            let text = format!(
                "{}{of_trial}, plan {} has {planned}.",
                counted(done, "test"),
                plan.plan
            );
            findings.push(TechniqueFinding {
                value: Some(done as f64),
                unit: "tests",
                high: Some(planned as f64),
                ..TechniqueFinding::on(TechniqueRule::LevelDoubled,
                    first_too_many,
                    text,
                    "count the levels as you go; give a wanted repetition a trial number of its own.",
                )
            });
        }
    }
    findings
}

/// The fewest tests whose removal would bring a pass through the plan into order.
///
/// A pass is one trial number, or all tests without one. Its order in time is known when it is one recording, or when
/// each recording says when it was made, in one form and all different; otherwise nothing is reported.
pub(super) fn out_of_order(seen: &RuleInput<'_>) -> Vec<TechniqueFinding> {
    let mut findings = Vec::new();
    for plan in seen.plans {
        let positions = plan.positions();
        let mut passes: BTreeMap<Option<u32>, Vec<&Test>> = BTreeMap::new();
        for test in plan.tests(seen) {
            passes.entry(test.about.trial).or_default().push(test);
        }
        for tests in passes.into_values() {
            let Some(tests) = in_time(tests) else { continue };
            let mut met: BTreeMap<(Level, Side), usize> = BTreeMap::new();
            let mut walked: Vec<(usize, &Test)> = Vec::new();
            for test in tests {
                let Some(spot) = spot(test) else { continue };
                let nth = met.entry(spot).or_default();
                if let Some(step) = positions.get(&spot).and_then(|steps| steps.get(*nth)) {
                    walked.push((*step, test));
                }
                *nth += 1;
            }
            let steps: Vec<usize> = walked.iter().map(|w| w.0).collect();
            let kept = longest_rising(&steps);
            for (i, (step, test)) in walked.iter().enumerate() {
                if kept.contains(&i) {
                    continue;
                }
                let text = format!(
                    "out of order, step {} of {} in plan {}{}.",
                    step + 1,
                    plan.steps.len(),
                    plan.plan,
                    match i.checked_sub(1).and_then(|before| spot(walked.get(before)?.1)) {
                        Some((level, side)) => format!(", done after {} {side}", level.label()),
                        None => ", done first".to_owned(),
                    }
                );
                let advice = "find each level from the last one by its landmark before you lean.";
                findings.push(TechniqueFinding {
                    value: Some((i + 1) as f64),
                    unit: "place in the scan",
                    ..TechniqueFinding::on(TechniqueRule::LevelOutOfOrder, test, text, advice)
                });
            }
        }
    }
    findings
}

/// Tests in the order in which they were made, when that is known.
fn in_time(mut tests: Vec<&Test>) -> Option<Vec<&Test>> {
    let first = tests.first()?;
    if tests.iter().all(|t| t.recording == first.recording) {
        tests.sort_by_key(|t| t.test);
        return Some(tests);
    }
    let mut stamps: BTreeMap<&str, &str> = BTreeMap::new();
    for test in &tests {
        let stamp = test.about.recorded_at.as_deref()?;
        if *stamps.entry(stamp).or_insert(&test.recording) != test.recording {
            return None;
        }
    }
    // Times of one form (RFC 3339, same length, same zone) sort as text.
    let form = |stamp: &str| (stamp.len(), stamp.get(19..).map(str::to_owned));
    let wanted = form(stamps.keys().next()?);
    if stamps.keys().any(|s| form(s) != wanted) {
        return None;
    }
    tests.sort_by_key(|t| (t.about.recorded_at.as_deref(), t.test));
    Some(tests)
}

/// Places of a longest subsequence that never falls; of several, the one that ends first.
fn longest_rising(steps: &[usize]) -> Vec<usize> {
    let mut best: Vec<(usize, Option<usize>)> = Vec::with_capacity(steps.len());
    for (i, step) in steps.iter().enumerate() {
        let before = (0..i)
            .filter(|j| steps[*j] <= *step)
            .max_by_key(|j| (best[*j].0, std::cmp::Reverse(*j)));
        best.push((before.map_or(1, |j| best[j].0 + 1), before));
    }
    let mut at = (0..steps.len()).max_by_key(|i| (best[*i].0, std::cmp::Reverse(*i)));
    let mut kept = Vec::new();
    while let Some(i) = at {
        kept.push(i);
        at = best[i].1;
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_rising_run_leaves_out_as_little_as_can_be() {
        assert_eq!(longest_rising(&[]), Vec::<usize>::new());
        assert_eq!(longest_rising(&[0, 1, 1, 2]).len(), 4);
        // One step done late: only that one is out of order.
        let mut kept = longest_rising(&[0, 2, 3, 1, 4]);
        kept.sort_unstable();
        assert_eq!(kept, [0, 1, 2, 4]);
        // Longest rising subsequence of this sequence has length 6 (textbook example, e.g. 0 2 6 9 11 15).
        let textbook = [0, 8, 4, 12, 2, 10, 6, 14, 1, 9, 5, 13, 3, 11, 7, 15];
        assert_eq!(longest_rising(&textbook).len(), 6);
    }
}
