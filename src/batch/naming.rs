//! Who and where each test is: from the sidecar, or from the scan plan for a continuous recording.

use crate::error::{Error, Problem};
use crate::signal::{FoundTests, EpisodeNames};
use crate::study::inputs::Study;
use crate::study::match_plan::{EpisodeShape, match_plan};
use crate::study::plan::Plan;
use crate::study::sidecar::Sidecar;
use crate::terms::{Level, Side, TestKey};
use crate::trace::{Test, Trace};
use std::collections::BTreeMap;

/// How the tests of one recording get their names.
pub struct Naming<'a> {
    trace: &'a Trace,
    /// The plan to match with, and whether it was asked for by name: a study's default is used only for a
    /// recording of several tests.
    plan: Option<(Plan, bool)>,
}

impl<'a> Naming<'a> {
    /// Settles which plan, if any. A recording whose sidecar names a level needs none.
    pub fn new(
        trace: &'a Trace,
        sidecar: &Sidecar,
        study: &Study,
        given: Option<&Plan>,
    ) -> Result<Self, Box<Problem>> {
        let plan = match (&sidecar.plan, given, &study.default_plan) {
            _ if trace.about.level.is_some() => None,
            (Some(name), ..) => Some((
                study.plan(name).ok_or_else(|| Box::new(study.no_plan(name, &trace.recording)))?,
                true,
            )),
            (None, Some(plan), _) => Some((plan.clone(), true)),
            (None, None, Some(plan)) => Some((plan.clone(), false)),
            (None, None, None) => None,
        };
        Ok(Naming { trace, plan })
    }

    /// Names the tests that were found, by the plan or as the recording is named.
    pub fn name(&self, found: &FoundTests) -> Result<EpisodeNames, Problem> {
        let episodes = found.episodes();
        let Some(plan) = self.plan_for(episodes.len()) else {
            return Ok(found.names_of_recording());
        };
        let matched = |episodes: &[EpisodeShape]| match_plan(plan, episodes, &self.trace.about, &self.trace.recording);
        let kept = found.kept();
        match matched(&episodes) {
            Ok(all) => Ok(all.into_iter().map(|m| m.sides).collect()),
            // A touch that was none, left out by hand, stood between the steps.
            Err(_) if kept.contains(&false) => {
                let left: Vec<EpisodeShape> =
                    episodes.into_iter().zip(&kept).filter(|(_, kept)| **kept).map(|(e, _)| e).collect();
                let mut of_plan = matched(&left)?.into_iter().map(|m| m.sides);
                let names = found.names_of_recording().into_iter().zip(kept);
                Ok(names.filter_map(|(own, kept)| if kept { of_plan.next() } else { Some(own) }).collect())
            }
            Err(problem) => Err(problem),
        }
    }

    fn plan_for(&self, episodes: usize) -> Option<&Plan> {
        self.plan
            .as_ref()
            .filter(|(_, asked)| *asked || episodes > 1)
            .map(|(plan, _)| plan)
    }

    /// Name of the plan that these tests were matched with.
    pub fn plan_used(&self, tests: &[Test]) -> Option<String> {
        self.plan_of(tests).map(|p| p.name.clone())
    }

    /// The levels of that plan.
    pub fn planned_levels(&self, tests: &[Test]) -> Vec<Level> {
        self.plan_of(tests).map_or_else(Vec::new, levels_of)
    }

    fn plan_of(&self, tests: &[Test]) -> Option<&Plan> {
        self.plan_for(tests.iter().map(|t| t.test).max().unwrap_or(0) as usize)
    }
}

/// Every level that a plan's steps touch.
pub fn levels_of(plan: &Plan) -> Vec<Level> {
    let steps = plan.ordered().into_iter();
    steps.flat_map(|(_, step)| std::iter::once(step.level).chain(step.covers.iter().copied())).collect()
}

/// A fault as a problem of its recording, without a path of this machine.
pub fn problem_of(error: Error, recording: &str) -> Problem {
    match error {
        Error::Data(problem) => *problem,
        Error::Io { cause, advice, .. } => {
            Problem::error(recording, cause.to_string(), "a readable file", advice)
        }
        other => Problem::error(
            recording,
            other.to_string(),
            "a recording that can be analysed",
            "see the message",
        ),
    }
}

/// Numbers the trials of each side and level in time order, unless the sidecars number each of them already.
pub fn number_trials(tests: &mut [Test]) {
    let mut groups: BTreeMap<(TestKey, Option<Side>), Vec<usize>> = BTreeMap::new();
    for (i, t) in tests.iter().enumerate() {
        groups.entry((t.about.key(), t.side())).or_default().push(i);
    }
    for mut group in groups.into_values() {
        let mut given: Vec<Option<u32>> = group.iter().map(|i| tests[*i].about.trial).collect();
        given.sort_unstable();
        if given.iter().all(Option::is_some) && given.windows(2).all(|w| w[0] != w[1]) {
            continue;
        }
        group.sort_by(|a, b| time_order(&tests[*a]).cmp(&time_order(&tests[*b])));
        for (trial, i) in group.into_iter().enumerate() {
            tests[i].about.trial = Some(trial as u32 + 1);
        }
    }
}

fn time_order(t: &Test) -> (Option<u32>, Option<&str>, &str, u32) {
    (
        t.about.trial,
        t.about.recorded_at.as_deref(),
        &t.recording,
        t.test,
    )
}
