//! What a person wishes, and where it leads.

use super::{Called, Closing, Ending, Keeper, State, TAIL_AT_MOST};
use crate::acquire::control::Wish;
use crate::acquire::recorder::calls;
use crate::acquire::recorder::walk::Walk;
use crate::study::call::Call;
use crate::study::words::{list, shown};
use crate::terms::{Felt, Level};
use std::time::Instant;

impl Keeper {
    /// What a person wishes.
    pub fn wish(&mut self, wish: &Wish, now: Instant) {
        match (self.state.clone(), wish) {
            (State::Ended, _) | (_, Wish::Show) => {}
            (_, Wish::Stop) => self.close(now),
            (_, Wish::NextLearner) => self.next_learner(now),
            (State::CallDue(level), Wish::Call { call }) => self.take_call(level, *call),
            (_, Wish::Call { .. }) => self.say("no call is due now".to_owned()),
            (State::CallDue(level), Wish::Next) => {
                self.say(format!(
                    "the call on {} comes first: left, right, even or unsure",
                    level.label()
                ));
            }
            (State::CallDue(level), Wish::Skip) => {
                self.say(format!(
                    "no call was taken on {}: its values stay hidden",
                    level.label()
                ));
                self.go_on();
            }
            (State::AtEnd, Wish::Next) => self.go_on(),
            (State::AtEnd, Wish::Skip) => {}
            (State::AtEnd, Wish::Repeat) => {
                self.walk.iter_mut().for_each(Walk::back_from_end);
                self.begin();
            }
            (State::CallDue(_), Wish::Repeat) => self.begin(),
            (State::Recording, Wish::Next | Wish::Repeat | Wish::Skip) => self.leave(wish, now),
        }
    }

    /// Closes this recording and goes where the wish leads.
    fn leave(&mut self, wish: &Wish, now: Instant) {
        if self.station.is_none() && self.walk.is_none() {
            return self.say("no device is connected yet".to_owned());
        }
        let ending = match wish {
            Wish::Skip => Ending::Skipped,
            _ => Ending::Complete,
        };
        let recorded =
            self.open.as_ref().is_some_and(|c| c.recording.length_s() > 0.0) || self.tests_before > 0;
        // Marked first: closing takes the mark back when no test was seen.
        if let Some(walk) = &mut self.walk {
            match wish {
                Wish::Skip => walk.skipped(),
                _ if recorded => walk.done(),
                _ => {}
            }
        }
        self.let_go(ending, now);
        match wish {
            Wish::Repeat => self.begin(),
            _ => self.advance(),
        }
    }

    /// Closes this recording once the hands are off.
    fn let_go(&mut self, ending: Ending, now: Instant) {
        self.finish_closing(now);
        self.tests_before = 0;
        if let Some(current) = self.open.take() {
            self.closing = Some(Closing {
                current,
                ending,
                by: now + TAIL_AT_MOST,
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
        let level = self.walk.as_ref().and_then(|w| {
            let level = w.stop()?.level;
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
        if let Some(walk) = &mut self.walk {
            walk.next();
            if walk.stop().is_none() {
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
            && let Err(error) = calls::append(&self.root, &call)
        {
            // The call is still due: a full disk can be mended.
            return self.say(format!("the call was not kept: {error}"));
        }
        let key = self.called_key(level);
        self.called.insert(key);
        self.say(format!("{}: {felt}", level.label()));
        self.go_on();
    }

    fn called_key(&self, level: Level) -> Called {
        (self.request.subject.clone(), self.request.examiner.clone(), level)
    }

    pub(super) fn is_called(&self, level: Level) -> bool {
        self.called.contains(&self.called_key(level))
    }

    /// The next learner of the roster who has no recording in this session.
    pub(super) fn next_learner(&mut self, now: Instant) {
        let now_at = self
            .learners
            .iter()
            .position(|l| Some(l) == self.request.examiner.as_ref());
        let from = now_at.map_or(0, |i| i + 1);
        let mut in_turn = self.learners[from..].iter().chain(&self.learners[..from]);
        let next = in_turn
            .find(|l| Some(*l) != self.request.examiner.as_ref() && !self.earlier.has(l))
            .cloned();
        let Some(next) = next else {
            return self.say(match self.learners.is_empty() {
                true => "roster.csv names no examiner: fill it in, and the next learner can be taken from it"
                    .to_owned(),
                false => "every other learner of the roster has a recording in this session".to_owned(),
            });
        };
        self.let_go(Ending::Complete, now);
        // The walk of the next one has other marks; what is closing must not set any there.
        self.finish_closing(now);
        self.say(format!("next learner: {}", shown(&next)));
        self.request.examiner = Some(next);
        if let Some(both) = self.both_at_once() {
            self.state = State::Recording;
            self.set_out(both);
            if self.state == State::Recording {
                self.begin();
            }
        }
    }
}
