//! One continuous trace of a scan, cut into episodes, matched to the steps of its plan.

use crate::format::counted;
use super::plan::{Plan, Step};
use crate::error::Problem;
use crate::terms::{Side, StepSide};
use crate::trace::About;

/// One episode of contact, as the phase detector cut it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EpisodeShape {
    pub start_s: f64,
    pub end_s: f64,
    /// Sides that were pressed: one, or left and right; empty for a single channel whose side nobody named.
    pub sides: Vec<Side>,
    /// Value of the marker when the episode began.
    pub marker: Option<i64>,
}

/// What the plan says of one episode.
#[derive(Debug, Clone, PartialEq)]
pub struct EpisodeAbout {
    /// Position of the step in the plan's list, from 1.
    pub step: usize,
    /// One for each side of the episode, in its order; one for an episode without a side.
    pub sides: Vec<About>,
}

/// One test that the plan asks for.
#[derive(Debug, Clone, Copy)]
struct Slot<'a> {
    /// From 0, in the plan's list.
    index: usize,
    step: &'a Step,
    side: StepSide,
    trial: u32,
}

impl Slot<'_> {
    fn label(&self) -> String {
        let (level, side) = (self.step.level.label(), self.side);
        let mut label = format!("step {} ({level} {side}", self.index + 1);
        if self.step.trials > 1 {
            label.push_str(&format!(", trial {}", self.trial));
        }
        label.push(')');
        label
    }

    /// Whether an episode can be this test.
    fn fits(&self, episode: &EpisodeShape) -> bool {
        match self.side {
            StepSide::Both => episode.sides.len() == 2,
            side => episode.sides.is_empty() || episode.sides == side.sides(),
        }
    }
}

/// Matches episodes, in time order, to the steps of a plan, in the order in which the plan has them made.
///
/// A step on both sides is one episode that presses both at once, or two, left then right (when the channels name
/// the side, either first); repeated trials follow one another, each with both its sides. `about` is the sidecar's:
/// what the plan does not say stays as it is.
///
/// # Errors
/// A problem when tests and steps do not match: it names the missing or doubled step when markers or sides tell it,
/// and otherwise says how many were found and where to look first.
pub fn match_plan(
    plan: &Plan,
    episodes: &[EpisodeShape],
    about: &About,
    recording: &str,
) -> Result<Vec<EpisodeAbout>, Problem> {
    let slots = slots(plan, episodes);
    let fault = Fault {
        recording,
        plan,
        slots: &slots,
        episodes,
    };
    fault.check_markers()?;
    fault.check_sides()?;
    if episodes.len() != slots.len() {
        return Err(fault.count());
    }
    let matched = slots
        .iter()
        .zip(episodes)
        .map(|(slot, episode)| EpisodeAbout {
            step: slot.index + 1,
            sides: sides_of(plan, slot, episode, about),
        })
        .collect();
    Ok(matched)
}

/// The tests that the plan asks for, in the order they are made, a step on both sides taken as the episodes show it.
fn slots<'a>(plan: &'a Plan, episodes: &[EpisodeShape]) -> Vec<Slot<'a>> {
    let mut slots: Vec<Slot<'a>> = Vec::new();
    for (index, step) in plan.ordered() {
        for trial in 1..=step.trials {
            let slot = |side| Slot {
                index,
                step,
                side,
                trial,
            };
            if step.side != StepSide::Both {
                slots.push(slot(step.side));
                continue;
            }
            let next = episodes.get(slots.len());
            if next.map_or_else(|| any_at_once(episodes), |e| e.sides.len() == 2) {
                slots.push(slot(StepSide::Both));
            } else if next.is_some_and(|e| e.sides == [Side::Right]) {
                slots.extend([slot(StepSide::Right), slot(StepSide::Left)]);
            } else {
                slots.extend([slot(StepSide::Left), slot(StepSide::Right)]);
            }
        }
    }
    slots
}

/// Past the last episode: whether the scan pressed both sides at once before.
fn any_at_once(episodes: &[EpisodeShape]) -> bool {
    episodes.iter().any(|e| e.sides.len() == 2)
}

fn sides_of(plan: &Plan, slot: &Slot<'_>, episode: &EpisodeShape, about: &About) -> Vec<About> {
    let step = slot.step;
    let one = |side: Side| About {
        level: Some(step.level),
        side: Some(side),
        contact: step.contact.or(about.contact),
        landmark: step.landmark.clone().or_else(|| about.landmark.clone()),
        posture: plan.posture_of(step).or(about.posture.as_ref()).cloned(),
        line_of_drive: step.line_of_drive.or(about.line_of_drive),
        covers: step.covers.clone(),
        trial: if step.trials > 1 {
            Some(slot.trial)
        } else {
            about.trial
        },
        ..about.clone()
    };
    match (slot.side, episode.sides.as_slice()) {
        (StepSide::Both, sides) => sides.iter().map(|s| one(*s)).collect(),
        (side, _) => side.sides().iter().map(|s| one(*s)).collect(),
    }
}

struct Fault<'a> {
    recording: &'a str,
    plan: &'a Plan,
    slots: &'a [Slot<'a>],
    episodes: &'a [EpisodeShape],
}

impl Fault<'_> {
    fn expected(&self) -> String {
        format!("{}, as in the plan {}", counted(self.slots.len(), "test"), self.plan.name)
    }

    fn found(&self) -> String {
        counted(self.episodes.len(), "test")
    }

    fn problem(&self, found: String, advice: String) -> Problem {
        Problem::error(self.recording, found, self.expected(), advice)
    }

    /// Markers number the tests: a number that stands twice is a test too many, one left out is a test missing.
    fn check_markers(&self) -> Result<(), Problem> {
        let markers: Vec<i64> = self.episodes.iter().filter_map(|e| e.marker).collect();
        let distinct = markers.windows(2).any(|w| w[0] != w[1]);
        if markers.len() != self.episodes.len() || !distinct {
            return Ok(());
        }
        // Counting begins at 1, or at 0 where the recorder does so.
        let base = markers.first().map_or(1, |m| (*m).min(1));
        let mut expected = base;
        for (i, marker) in markers.iter().enumerate() {
            let position = usize::try_from(expected.saturating_sub(base)).unwrap_or(usize::MAX);
            if *marker > expected {
                return Err(self.missing(
                    position,
                    &format!("the marker goes from {} to {marker}", expected - 1),
                ));
            }
            if *marker < expected {
                return Err(self.doubled(
                    position.saturating_sub(1),
                    i,
                    &format!("the marker {marker} stands for two tests"),
                ));
            }
            expected = expected.saturating_add(1);
        }
        if markers.len() < self.slots.len() {
            return Err(self.missing(markers.len(), "the last steps have no test"));
        }
        Ok(())
    }

    fn missing(&self, position: usize, why: &str) -> Problem {
        let label = self.slots.get(position).map_or("a step".to_owned(), Slot::label);
        self.problem(
            format!("{} and none for {label}: {why}", self.found()),
            "take the step out of a copy of the plan and name that in the sidecar (plan = \"…\"), or cut the recording \
             into one file for each test"
                .to_owned(),
        )
    }

    fn doubled(&self, position: usize, episode: usize, why: &str) -> Problem {
        let label = self.slots.get(position).map_or("a step".to_owned(), Slot::label);
        self.problem(
            format!("{} and two for {label}: {why}", self.found()),
            format!(
                "look at {}; cut out the one that does not count, or add trials = 2 to the step in a copy of the plan",
                self.when(episode)
            ),
        )
    }

    /// Channels that name their side tell where the order breaks.
    fn check_sides(&self) -> Result<(), Problem> {
        for (i, (slot, episode)) in self.slots.iter().zip(self.episodes).enumerate() {
            if slot.fits(episode) {
                continue;
            }
            let words: Vec<&str> = episode.sides.iter().map(|s| s.word()).collect();
            return Err(self.problem(
                format!(
                    "{}; {} is on {} where {} should be",
                    self.found(),
                    self.when(i),
                    words.join(" and "),
                    slot.label()
                ),
                "a step before it was missed or made twice; correct a copy of the plan and name it in the sidecar \
                 (plan = \"…\"), or cut the recording into one file for each test"
                    .to_owned(),
            ));
        }
        Ok(())
    }

    fn when(&self, episode: usize) -> String {
        match self.episodes.get(episode) {
            Some(e) => format!("test {} at {:.1} s", episode + 1, e.start_s),
            None => format!("test {}", episode + 1),
        }
    }

    /// Only the number is wrong: where to look first.
    fn count(&self) -> Problem {
        let (found, wanted) = (self.episodes.len(), self.slots.len());
        let advice = if found < wanted {
            let left: Vec<String> = self.slots[found..].iter().take(3).map(Slot::label).collect();
            let more = if wanted - found > 3 { ", …" } else { "" };
            format!(
                "counted in order, no test is left for {}{more}, unless a step before was missed{}; a marker column that steps \
                 up at each test would tell which",
                left.join(", "),
                self.break_between(true)
            )
        } else {
            format!(
                "counted in order, {} is the first without a step, unless a step before was made twice or its contact was \
                 broken{}; a marker column that steps up at each test would tell which",
                self.when(wanted),
                self.break_between(false)
            )
        };
        self.problem(self.found(), advice)
    }

    /// The longest break hints at a step missed, the shortest at a contact broken.
    fn break_between(&self, longest: bool) -> String {
        let breaks = self
            .episodes
            .windows(2)
            .enumerate()
            .map(|(i, w)| (w[1].start_s - w[0].end_s, i));
        let pick = if longest {
            breaks.max_by(|a, b| a.0.total_cmp(&b.0))
        } else {
            breaks.min_by(|a, b| a.0.total_cmp(&b.0))
        };
        let word = if longest { "longest" } else { "shortest" };
        pick.map_or(String::new(), |(gap_s, i)| {
            format!(
                " (the {word} break, {gap_s:.1} s, is between tests {} and {})",
                i + 1,
                i + 2
            )
        })
    }
}
