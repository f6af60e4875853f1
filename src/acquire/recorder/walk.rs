//! The walk through a scan plan: one stop for each recording.

use crate::acquire::control::StepStanding;
use crate::study::plan::Plan;
use crate::terms::{Contact, Landmark, Level, LineOfDrive, Posture, Side, StepSide};
use crate::trace::About;

/// One recording that the plan asks for.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    pub level: Level,
    /// `Both` only where one press gives both sides.
    pub side: StepSide,
    pub contact: Option<Contact>,
    pub landmark: Option<Landmark>,
    pub posture: Option<Posture>,
    pub line_of_drive: Option<LineOfDrive>,
    pub covers: Vec<Level>,
    /// Which of the plan's stops of this kind it is, from 1.
    pub trial: u32,
}

/// What tells recordings of one kind from others: level, side, contact, posture and line of drive.
pub type Kind = (
    Option<Level>,
    Option<Side>,
    Option<Contact>,
    Option<Posture>,
    Option<LineOfDrive>,
);

impl Stop {
    /// As a person reads it: `L3 left`, with the trial where the plan asks for several.
    pub fn label(&self) -> String {
        let trial = if self.trial > 1 {
            format!(" {}", self.trial)
        } else {
            String::new()
        };
        format!("{} {}{trial}", self.level.label(), self.side)
    }

    /// Its kind.
    pub fn kind(&self) -> Kind {
        (
            Some(self.level),
            self.one_side(),
            self.contact,
            self.posture.clone(),
            self.line_of_drive,
        )
    }

    /// The side, where a recording has one.
    pub fn one_side(&self) -> Option<Side> {
        match self.side.sides() {
            [only] => Some(*only),
            _ => None,
        }
    }
}

/// The kind of a recording.
pub fn kind(of: &About) -> Kind {
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
enum State {
    #[default]
    Open,
    Done,
    Skipped,
}

/// Where one learner is in the plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Walk {
    stops: Vec<Stop>,
    states: Vec<State>,
    /// `None` at the end.
    at: Option<usize>,
}

impl Walk {
    /// All stops of a plan, in the order in which they are made; a step on both sides is one where one press gives
    /// both, else left and then right.
    pub fn new(plan: &Plan, both_at_once: bool) -> Walk {
        let mut stops: Vec<Stop> = Vec::new();
        for (_, step) in plan.ordered() {
            for _ in 0..step.trials {
                let sides = match step.side {
                    StepSide::Both if both_at_once => vec![StepSide::Both],
                    side => side.sides().iter().map(|s| StepSide::from(*s)).collect(),
                };
                for side in sides {
                    let mut stop = Stop {
                        level: step.level,
                        side,
                        contact: step.contact,
                        landmark: step.landmark.clone(),
                        posture: plan.posture_of(step).cloned(),
                        line_of_drive: step.line_of_drive,
                        covers: step.covers.clone(),
                        trial: 1,
                    };
                    let kind = stop.kind();
                    stop.trial += stops.iter().filter(|s| s.kind() == kind).count() as u32;
                    stops.push(stop);
                }
            }
        }
        Walk {
            states: vec![State::Open; stops.len()],
            at: (!stops.is_empty()).then_some(0),
            stops,
        }
    }

    /// Marks as done what was recorded before, `recorded` giving how many good recordings there are of a kind, and
    /// goes to the first that is not. Gives how many are done.
    pub fn resume(&mut self, recorded: impl Fn(&Kind) -> u32) -> usize {
        for (stop, state) in self.stops.iter().zip(&mut self.states) {
            if stop.trial <= recorded(&stop.kind()) {
                *state = State::Done;
            }
        }
        self.at = self.first_open(0).or_else(|| self.first_missing());
        self.states.iter().filter(|s| **s == State::Done).count()
    }

    /// The stop that is being recorded.
    pub fn stop(&self) -> Option<&Stop> {
        self.stop_at(self.at?)
    }

    /// Marks this stop done: it has a test.
    pub fn done(&mut self) {
        self.mark(State::Done);
    }

    /// Marks this stop as left out, unless it has a test already.
    pub fn skipped(&mut self) {
        if self.at.is_some_and(|i| self.states[i] == State::Open) {
            self.mark(State::Skipped);
        }
    }

    fn mark(&mut self, state: State) {
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
            *state = State::Open;
        }
    }

    /// The stop at a position.
    pub fn stop_at(&self, position: usize) -> Option<&Stop> {
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
        (from..self.stops.len()).find(|i| self.states[*i] == State::Open)
    }

    fn first_missing(&self) -> Option<usize> {
        self.states.iter().position(|s| *s != State::Done)
    }

    /// Stops without a test.
    pub fn missing(&self) -> impl Iterator<Item = &Stop> {
        self.stops
            .iter()
            .zip(&self.states)
            .filter(|(_, state)| **state != State::Done)
            .map(|(stop, _)| stop)
    }

    /// Whether a call on this level can be taken now: both sides have a test, and no stop of the level is still to come
    /// after this one.
    pub fn level_is_complete(&self, level: Level) -> bool {
        let of_level = || {
            let all = self.stops.iter().zip(&self.states).enumerate();
            all.filter(|(_, (stop, _))| stop.level == level)
        };
        let from = self.at.map_or(self.stops.len(), |i| i + 1);
        let to_come = of_level().any(|(i, (_, state))| i >= from && *state == State::Open);
        let has = |side| {
            of_level().any(|(_, (stop, state))| {
                *state == State::Done && (stop.side == side || stop.side == StepSide::Both)
            })
        };
        !to_come && has(StepSide::Left) && has(StepSide::Right)
    }

    /// Levels on which left and right are compared, in the order in which they are met.
    pub fn levels_with_sides(&self) -> Vec<Level> {
        let mut levels = Vec::new();
        for stop in self.stops.iter().filter(|s| s.side != StepSide::Midline) {
            if !levels.contains(&stop.level) {
                levels.push(stop.level);
            }
        }
        levels
    }

    /// Where the walk is, for the learner; `trial` is that of the recording.
    pub fn standing(&self, trial: u32) -> Option<StepStanding> {
        let i = self.at?;
        let stop = self.stops.get(i)?;
        Some(StepStanding {
            number: i + 1,
            of: self.stops.len(),
            level: stop.level,
            side: stop.side,
            trial,
            landmark: stop.landmark.clone(),
            contact: stop.contact,
            posture: stop.posture.clone(),
            line_of_drive: stop.line_of_drive,
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

    fn walk() -> Walk {
        let both = "[[step]]\nlevel = \"L3\"\nside = \"both\"\ntrials = 2\n";
        let midline = "[[step]]\nlevel = \"T7\"\nside = \"midline\"\n";
        Walk::new(&plan(&format!("{both}{midline}")), false)
    }

    fn labels(walk: &Walk) -> Vec<String> {
        walk.missing().map(Stop::label).collect()
    }

    #[test]
    fn a_step_on_both_sides_is_two_stops_with_one_sensor_and_one_with_two() {
        assert_eq!(
            labels(&walk()),
            ["L3 left", "L3 right", "L3 left 2", "L3 right 2", "T7 midline"]
        );
        let both = Walk::new(&plan("[[step]]\nlevel = \"L3\"\nside = \"both\"\n"), true);
        assert_eq!(labels(&both), ["L3 both"]);
    }

    #[test]
    fn what_is_skipped_stays_missing_and_is_offered_again_at_the_end() {
        let mut walk = walk();
        walk.done();
        walk.next();
        walk.skipped();
        walk.next();
        assert_eq!(walk.stop().map(Stop::label).as_deref(), Some("L3 left 2"));
        for _ in 0..3 {
            walk.done();
            walk.next();
        }
        assert_eq!(walk.stop(), None);
        assert_eq!(labels(&walk), ["L3 right"]);
        walk.next();
        assert_eq!(walk.stop().map(Stop::label).as_deref(), Some("L3 right"));
        walk.done();
        walk.next();
        assert_eq!((walk.stop(), walk.missing().count()), (None, 0));
    }

    #[test]
    fn a_half_done_scan_goes_on_where_it_stopped() {
        let mut walk = walk();
        let left = walk.stops[0].kind();
        let right = walk.stops[1].kind();
        let done = walk.resume(|k| u32::from(*k == left) * 2 + u32::from(*k == right));
        assert_eq!(done, 3);
        assert_eq!(walk.stop().map(Stop::label).as_deref(), Some("L3 right 2"));
        assert_eq!(labels(&walk), ["L3 right 2", "T7 midline"]);
    }

    #[test]
    fn a_level_is_complete_when_both_sides_are_done_and_none_is_to_come() {
        let mut walk = walk();
        let mut complete = Vec::new();
        for _ in 0..4 {
            walk.done();
            complete.push(walk.level_is_complete(Level::L3));
            walk.next();
        }
        assert_eq!(complete, [false, false, false, true]);
        assert_eq!(walk.levels_with_sides(), [Level::L3]);
        assert!(!walk.level_is_complete(Level::T7));
    }
}
