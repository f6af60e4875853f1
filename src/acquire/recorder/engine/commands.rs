//! What a person commands, and where it leads.

use crate::study::door;
use super::{CalledLevel, ClosingRecording, Recorder, RecordingEnd, State, TAIL_AT_MOST};
use crate::acquire::control::Command;
use crate::acquire::recorder::calls;
use crate::acquire::recorder::assigned::AssignedPlans;
use crate::acquire::recorder::plan_cursor::PlanCursor;
use crate::study::call::Call;
use crate::study::roster::Roster;
use crate::study::toml_doc::read_text;
use crate::study::words::{list, shown};
use crate::terms::{Felt, Level, Role};
use std::time::Instant;

/// Name of the roster in a study's folder.
const ROSTER: &str = "roster.csv";

impl Recorder {
    /// What a person commands.
    pub fn command(&mut self, command: &Command, now: Instant) {
        if self.hand_holds_step(command, now) {
            return;
        }
        match (self.state.clone(), command) {
            (State::Ended, _) | (_, Command::Show) => {}
            (_, Command::Stop) => self.close(now),
            (_, Command::NextLearner) => self.next_learner(now),
            (_, Command::Estimate { peak_n }) => self.take_estimate(*peak_n),
            (State::CallDue(level), Command::Call { call }) => self.take_call(level, *call),
            (_, Command::Call { .. }) => self.say("no call is due now".to_owned()),
            (State::CallDue(level), Command::Next) => {
                self.say(format!(
                    "the call on {} comes first: left, right, even or unsure",
                    level.label()
                ));
            }
            (State::CallDue(level), Command::Skip) => {
                self.say(format!(
                    "no call was taken on {}: its values stay hidden",
                    level.label()
                ));
                self.go_on();
            }
            (State::AtEnd, Command::Next) => self.go_on(),
            (State::AtEnd, Command::Skip) => {}
            (State::AtEnd, Command::Repeat) => {
                self.cursor.iter_mut().for_each(PlanCursor::back_from_end);
                self.begin();
            }
            (State::CallDue(_), Command::Repeat) => self.begin(),
            (State::Recording, Command::Next | Command::Repeat | Command::Skip) => {
                self.end_step(command, now)
            }
        }
    }

    /// Whether a press is still under way in a step that a person has done with, so that nothing else can begin. It is told.
    fn hand_holds_step(&mut self, command: &Command, now: Instant) -> bool {
        use Command::{Next, NextLearner, Repeat, Skip};
        let (Some(closing), true) = (&self.closing, self.touching) else {
            return false;
        };
        let held = matches!(command, Next | Repeat | Skip | NextLearner) && now < closing.keys_from;
        if held {
            let stop = closing.current.stop.and_then(|i| self.cursor.as_ref()?.stop_at(i));
            let stop = stop.map_or_else(|| "the recording before".to_owned(), |s| s.label());
            self.say(format!(
                "the hand is still on: what it presses stays with {stop}. Take it off first; to end {stop} all the same, \
                 ask once more in a few seconds"
            ));
        }
        held
    }

    /// Closes this recording and goes where the command leads.
    fn end_step(&mut self, command: &Command, now: Instant) {
        if self.station.is_none() && self.cursor.is_none() {
            return self.say("no device is connected yet".to_owned());
        }
        let ending = match command {
            Command::Skip => RecordingEnd::Skipped,
            _ => RecordingEnd::Complete,
        };
        let recorded =
            self.open.as_ref().is_some_and(|c| c.recording.length_s() > 0.0) || self.tests_before > 0;
        // Marked first: closing takes the mark back when no test was seen.
        if let Some(cursor) = &mut self.cursor {
            match command {
                Command::Skip => cursor.skipped(),
                _ if recorded => cursor.done(),
                _ => {}
            }
        }
        self.release_recording(ending, now);
        match command {
            Command::Repeat => self.begin(),
            _ => self.advance(),
        }
    }

    /// Closes this recording once the hands are off.
    fn release_recording(&mut self, ending: RecordingEnd, now: Instant) {
        self.finish_closing(now);
        self.tests_before = 0;
        if let Some(current) = self.open.take() {
            self.closing = Some(ClosingRecording {
                current,
                ending,
                by: now + TAIL_AT_MOST,
                keys_from: now + TAIL_AT_MOST,
            });
            self.tick(now);
        }
    }

    pub(super) fn finish_closing(&mut self, now: Instant) {
        if let Some(closing) = self.closing.take() {
            self.finish(closing.current, &closing.ending, now);
        }
    }

    /// On to the call, the next stop or the end.
    fn advance(&mut self) {
        let level = self.cursor.as_ref().and_then(|w| {
            let level = w.stop()?.step.level;
            (self.request.calls && !self.is_called(level) && w.level_is_complete(level)).then_some(level)
        });
        match level {
            Some(level) => {
                self.say(format!("which side of {} felt more resistant?", level.label()));
                self.state = State::CallDue(level);
            }
            None => self.go_on(),
        }
    }

    fn go_on(&mut self) {
        if self.state == State::Ended {
            return;
        }
        if let Some(cursor) = &mut self.cursor {
            cursor.next();
            if cursor.stop().is_none() {
                return self.arrive_at_end();
            }
        }
        self.begin();
    }

    pub(super) fn arrive_at_end(&mut self) {
        self.state = State::AtEnd;
        let missing = self.missing();
        self.say(match missing.as_slice() {
            [] => "the plan is at its end; nothing is missing".to_owned(),
            _ => format!("the plan is at its end; missing: {}", list(&missing)),
        });
    }

    fn take_call(&mut self, level: Level, felt: Felt) {
        let call = Call {
            subject: self.request.subject.clone().unwrap_or_default(),
            examiner: self.request.examiner.clone().unwrap_or_default(),
            session: self.request.session.clone(),
            level,
            trial: None,
            call: felt,
            confidence: None,
        };
        if !self.request.practice
            && let Err(error) = calls::append(self.disk.as_ref(), &self.root, &call)
        {
            // The call is still due: a full disk can be cleared.
            return self.say(format!("the call was not kept: {error}"));
        }
        let key = self.call_key(level);
        self.called.insert(key);
        self.say(format!("{}: {felt}", level.label()));
        self.go_on();
    }

    fn call_key(&self, level: Level) -> CalledLevel {
        (self.request.subject.clone(), self.request.examiner.clone(), level)
    }

    pub(super) fn is_called(&self, level: Level) -> bool {
        self.called.contains(&self.call_key(level))
    }

    /// The next learner of the roster who has no recording in this session.
    pub(super) fn next_learner(&mut self, now: Instant) {
        if self.touching {
            return self.say("the hand is still on: take it off before the next learner comes".to_owned());
        }
        let learners = self.learners();
        let now_at = learners
            .iter()
            .position(|l| Some(l) == self.request.examiner.as_ref());
        let from = now_at.map_or(0, |i| i + 1);
        let mut in_turn = learners[from..].iter().chain(&learners[..from]);
        let next = in_turn
            .find(|l| Some(*l) != self.request.examiner.as_ref() && !self.prior.has(l))
            .cloned();
        let Some(next) = next else {
            return self.say(match learners.is_empty() {
                true => "roster.csv names no examiner: fill it in, and the next learner can be taken from it"
                    .to_owned(),
                false => "every other learner of the roster has a recording in this session".to_owned(),
            });
        };
        self.release_recording(RecordingEnd::Complete, now);
        // The cursor of the next one has other marks; what is closing must not set any there.
        self.finish_closing(now);
        self.say(format!("next learner: {}", shown(&next)));
        self.request.examiner = Some(next);
        self.forget_estimates();
        self.assign_plan();
        if let Some(both) = self.both_at_once() {
            self.state = State::Recording;
            self.cursor = None;
            self.start_plan(both);
            if self.state == State::Recording {
                self.begin();
            }
        }
    }

    /// Learners of the roster as it is now: people are added while a class runs.
    fn learners(&mut self) -> Vec<String> {
        let path = self.root.join(ROSTER);
        if door::is_there(&path) {
            match read_text(&path, ROSTER) {
                Ok(text) => {
                    let (roster, problems) = Roster::parse(ROSTER, &text);
                    problems.iter().for_each(|p| self.say(p.to_string()));
                    self.study.roster = roster;
                }
                Err(problem) => self.say(problem.to_string()),
            }
        }
        let people = self.study.roster.people.iter();
        let examiners = people.filter(|p| p.role == Role::Examiner);
        examiners.map(|p| p.code.clone()).collect()
    }

    /// The plan drawn for this learner, unless one was asked for.
    fn assign_plan(&mut self) {
        let (assigned, mut found) = AssignedPlans::read(&self.study, &self.request);
        if assigned.is_empty() || (self.request.plan.is_some() && !self.request.drawn) {
            return;
        }
        self.request.plan = assigned.plan_of(self.request.examiner.as_deref());
        self.request.drawn = true;
        found.extend(assigned.words(&self.request));
        found.into_iter().for_each(|words| self.say(words));
    }
}
