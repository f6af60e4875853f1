//! Where a scan is in its plan: one stop for each recording.

use crate::acquire::control::StepState;
use crate::study::plan::{Plan, Step};
use crate::terms::{Contact, Level, LineOfDrive, Posture, Side, StepSide};
use crate::trace::About;

/// One recording that the plan asks for.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanStop {
    /// With the posture that holds here; on `Both` sides only where one press gives both.
    pub step: Step,
    /// Which of the plan's stops of this kind it is, from 1.
    pub trial: u32,
}

/// What tells recordings of one kind from others: level, side, contact, posture and line of drive.
pub type RecordingKind = (
    Option<Level>,
    Option<Side>,
    Option<Contact>,
    Option<Posture>,
    Option<LineOfDrive>,
);

impl PlanStop {
    /// As a person reads it: `L3 left`, with the trial where the plan asks for several.
    pub fn label(&self) -> String {
        let trial = if self.trial > 1 {
            format!(" {}", self.trial)
        } else {
            String::new()
        };
        format!("{}{trial}", self.step.label())
    }

    /// Its kind.
    pub fn kind(&self) -> RecordingKind {
        (
            Some(self.step.level),
            self.one_side(),
            self.step.contact,
            self.step.posture.clone(),
            self.step.line_of_drive,
        )
    }

    /// The side, where a recording has one.
    pub fn one_side(&self) -> Option<Side> {
        match self.step.side.sides() {
            [only] => Some(*only),
            _ => None,
        }
    }
}

/// The kind of a recording.
pub fn kind(of: &About) -> RecordingKind {
    (
        of.level,
        of.side,
        of.contact,
        of.posture.clone(),
        of.line_of_drive,
    )
}

/// How a stop stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum StopState {
    #[default]
    Open,
    Done,
    Skipped,
}

/// Where one learner is in the plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanCursor {
    stops: Vec<PlanStop>,
    states: Vec<StopState>,
    /// `None` at the end.
    at: Option<usize>,
}

impl PlanCursor {
    /// All stops of a plan, in the order in which they are made; a step on both sides is one where one press gives
    /// both, else left and then right.
    pub fn new(plan: &Plan, both_at_once: bool) -> PlanCursor {
        let mut stops: Vec<PlanStop> = Vec::new();
        for (_, step) in plan.ordered() {
            for _ in 0..step.trials {
                let sides = match step.side {
                    StepSide::Both if both_at_once => vec![StepSide::Both],
                    side => side.sides().iter().map(|s| StepSide::from(*s)).collect(),
                };
                for side in sides {
                    let mut stop = PlanStop {
                        step: Step {
                            side,
                            posture: plan.posture_of(step).cloned(),
                            ..step.clone()
                        },
                        trial: 1,
                    };
                    let kind = stop.kind();
                    stop.trial += stops.iter().filter(|s| s.kind() == kind).count() as u32;
                    stops.push(stop);
                }
            }
        }
        PlanCursor {
            states: vec![StopState::Open; stops.len()],
            at: (!stops.is_empty()).then_some(0),
            stops,
        }
    }

    /// Marks as done what was recorded before, `recorded` giving how many good recordings there are of a kind, and
    /// goes to the first that is not. Gives how many are done.
    pub fn resume(&mut self, recorded: impl Fn(&RecordingKind) -> u32) -> usize {
        for (stop, state) in self.stops.iter().zip(&mut self.states) {
            if stop.trial <= recorded(&stop.kind()) {
                *state = StopState::Done;
            }
        }
        self.at = self.first_open(0).or_else(|| self.first_missing());
        self.states.iter().filter(|s| **s == StopState::Done).count()
    }

    /// The stop that is being recorded.
    pub fn stop(&self) -> Option<&PlanStop> {
        self.stop_at(self.at?)
    }

    /// Marks this stop done: it has a test.
    pub fn done(&mut self) {
        self.mark(StopState::Done);
    }

    /// Marks this stop as left out, unless it has a test already.
    pub fn skipped(&mut self) {
        if self.at.is_some_and(|i| self.states[i] == StopState::Open) {
            self.mark(StopState::Skipped);
        }
    }

    fn mark(&mut self, state: StopState) {
        if let Some(i) = self.at {
            self.states[i] = state;
        }
    }

    /// Position of this stop.
    pub fn at(&self) -> Option<usize> {
        self.at
    }

    /// Takes back that a stop was done: no test was seen in its recording.
    pub fn not_done(&mut self, position: usize) {
        if let Some(state) = self.states.get_mut(position) {
            *state = StopState::Open;
        }
    }

    /// Goes back to a stop, which is to be made again.
    pub fn back_to(&mut self, position: usize) {
        if position < self.stops.len() {
            self.not_done(position);
            self.at = Some(position);
        }
    }

    /// The stop at a position.
    pub fn stop_at(&self, position: usize) -> Option<&PlanStop> {
        self.stops.get(position)
    }

    /// Goes to the next stop that is neither done nor left out; none is the end. From the end it goes to the first
    /// that is missing.
    pub fn next(&mut self) {
        self.at = match self.at {
            Some(i) => self.first_open(i + 1),
            None => self.first_missing(),
        };
    }

    /// From the end back to the last stop.
    pub fn back_from_end(&mut self) {
        if self.at.is_none() {
            self.at = self.stops.len().checked_sub(1);
        }
    }

    fn first_open(&self, from: usize) -> Option<usize> {
        (from..self.stops.len()).find(|i| self.states[*i] == StopState::Open)
    }

    fn first_missing(&self) -> Option<usize> {
        self.states.iter().position(|s| *s != StopState::Done)
    }

    /// Stops without a test.
    pub fn missing(&self) -> impl Iterator<Item = &PlanStop> {
        self.stops
            .iter()
            .zip(&self.states)
            .filter(|(_, state)| **state != StopState::Done)
            .map(|(stop, _)| stop)
    }

    /// Whether a call on this level can be taken now: both sides have a test, and no stop of the level is still to come
    /// after this one.
    pub fn level_is_complete(&self, level: Level) -> bool {
        let of_level = || {
            let all = self.stops.iter().zip(&self.states).enumerate();
            all.filter(|(_, (stop, _))| stop.step.level == level)
        };
        let from = self.at.map_or(self.stops.len(), |i| i + 1);
        let to_come = of_level().any(|(i, (_, state))| i >= from && *state == StopState::Open);
        let has = |side| {
            of_level().any(|(_, (stop, state))| {
                *state == StopState::Done && (stop.step.side == side || stop.step.side == StepSide::Both)
            })
        };
        !to_come && has(StepSide::Left) && has(StepSide::Right)
    }

    /// Levels on which left and right are compared, in the order in which they are met.
    pub fn levels_with_sides(&self) -> Vec<Level> {
        let mut levels = Vec::new();
        for stop in self.stops.iter().filter(|s| s.step.side != StepSide::Midline) {
            if !levels.contains(&stop.step.level) {
                levels.push(stop.step.level);
            }
        }
        levels
    }

    /// Where the cursor is, for the learner; `trial` is that of the recording.
    pub fn step_state(&self, trial: u32) -> Option<StepState> {
        let i = self.at?;
        let step = &self.stops.get(i)?.step;
        Some(StepState {
            number: i + 1,
            of: self.stops.len(),
            level: step.level,
            side: step.side,
            trial,
            landmark: step.landmark.clone(),
            contact: step.contact,
            posture: step.posture.clone(),
            line_of_drive: step.line_of_drive,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(steps: &str) -> Plan {
        let text = format!("name = \"p\"\nposture = \"prone\"\n{steps}");
        let (plan, problems) = Plan::parse("p.toml", &text);
        plan.unwrap_or_else(|| panic!("{problems:?}"))
    }

    fn cursor() -> PlanCursor {
        let both = "[[step]]\nlevel = \"L3\"\nside = \"both\"\ntrials = 2\n";
        let midline = "[[step]]\nlevel = \"T7\"\nside = \"midline\"\n";
        PlanCursor::new(&plan(&format!("{both}{midline}")), false)
    }

    fn labels(cursor: &PlanCursor) -> Vec<String> {
        cursor.missing().map(PlanStop::label).collect()
    }

    #[test]
    fn a_step_on_both_sides_is_two_stops_with_one_sensor_and_one_with_two() {
        assert_eq!(
            labels(&cursor()),
            ["L3 left", "L3 right", "L3 left 2", "L3 right 2", "T7 midline"]
        );
        let both = PlanCursor::new(&plan("[[step]]\nlevel = \"L3\"\nside = \"both\"\n"), true);
        assert_eq!(labels(&both), ["L3 both"]);
    }

    #[test]
    fn what_is_skipped_stays_missing_and_is_offered_again_at_the_end() {
        let mut cursor = cursor();
        cursor.done();
        cursor.next();
        cursor.skipped();
        cursor.next();
        assert_eq!(cursor.stop().map(PlanStop::label).as_deref(), Some("L3 left 2"));
        for _ in 0..3 {
            cursor.done();
            cursor.next();
        }
        assert_eq!(cursor.stop(), None);
        assert_eq!(labels(&cursor), ["L3 right"]);
        cursor.next();
        assert_eq!(cursor.stop().map(PlanStop::label).as_deref(), Some("L3 right"));
        cursor.done();
        cursor.next();
        assert_eq!((cursor.stop(), cursor.missing().count()), (None, 0));
    }

    #[test]
    fn a_half_done_scan_goes_on_where_it_stopped() {
        let mut cursor = cursor();
        let left = cursor.stops[0].kind();
        let right = cursor.stops[1].kind();
        let done = cursor.resume(|k| u32::from(*k == left) * 2 + u32::from(*k == right));
        assert_eq!(done, 3);
        assert_eq!(cursor.stop().map(PlanStop::label).as_deref(), Some("L3 right 2"));
        assert_eq!(labels(&cursor), ["L3 right 2", "T7 midline"]);
    }

    #[test]
    fn a_level_is_complete_when_both_sides_are_done_and_none_is_to_come() {
        let mut cursor = cursor();
        let mut complete = Vec::new();
        for _ in 0..4 {
            cursor.done();
            complete.push(cursor.level_is_complete(Level::L3));
            cursor.next();
        }
        assert_eq!(complete, [false, false, false, true]);
        assert_eq!(cursor.levels_with_sides(), [Level::L3]);
        assert!(!cursor.level_is_complete(Level::T7));
    }
}
