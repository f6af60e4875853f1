//! The one line at a table that says what to do now.

use crate::acquire::control::SessionState;
use crate::terms::Level;
use serde::Serialize;

/// What is to be done at a table now.
#[derive(Debug, Clone, PartialEq)]
pub enum Prompt {
    /// The teacher holds the table up.
    Paused,
    /// No device answers, and why.
    Away(String),
    /// Recording ended by itself, and why: nothing is kept until somebody begins again.
    Stopped(String),
    /// Hands off until the zero is taken.
    TakingZero,
    /// Nobody is chosen yet.
    Choose,
    /// The learner is asked what the peak force of the last test was.
    Estimate,
    /// The call on a level is due.
    Call(Level),
    /// The plan is at its end; steps may be missing.
    AtEnd { missing: usize },
    /// A hand is on.
    HandOn,
    /// So many tests of this step are in.
    TestsIn(u32),
    /// The step can be pressed.
    Press,
}

/// What a prompt is made from.
#[derive(Debug, Clone, Copy)]
pub struct Situation<'a> {
    pub state: &'a SessionState,
    pub paused: bool,
    pub away: Option<&'a str>,
    pub stopped: Option<&'a str>,
    pub zero_is_taken: bool,
    pub hand_on: bool,
}

impl Prompt {
    /// The most urgent thing first.
    pub fn of(now: Situation<'_>) -> Prompt {
        let state = now.state;
        if let Some(why) = now.stopped {
            return Prompt::Stopped(why.to_owned());
        }
        if let Some(why) = now.away {
            return Prompt::Away(why.to_owned());
        }
        if now.paused {
            return Prompt::Paused;
        }
        if state.practice && state.examiner.is_none() {
            return Prompt::Choose;
        }
        let estimate = state.estimates.is_some_and(|e| e.wanted.is_some());
        if now.hand_on && state.call_wanted.is_none() && !state.ended {
            return Prompt::HandOn;
        }
        if estimate {
            return Prompt::Estimate;
        }
        if let Some(level) = state.call_wanted {
            return Prompt::Call(level);
        }
        if state.ended {
            return Prompt::AtEnd {
                missing: state.missing.len(),
            };
        }
        if !now.zero_is_taken {
            return Prompt::TakingZero;
        }
        match state.tests {
            0 => Prompt::Press,
            tests => Prompt::TestsIn(tests),
        }
    }

    /// As the page has it.
    pub fn view(&self) -> PromptView {
        let (kind, line, detail) = match self {
            Prompt::Paused => ("paused", "Hands off: the teacher has paused this table".to_owned(), String::new()),
            Prompt::Away(why) => (
                "away",
                "The station does not answer".to_owned(),
                format!("{why}. Look at cable and switch; it is looked for all the time and comes back by itself."),
            ),
            Prompt::Stopped(why) => (
                "stopped",
                "Hands off: recording has stopped".to_owned(),
                format!("{why}. Call the teacher. What was recorded up to then is kept; nothing more is until learner and volunteer are chosen again."),
            ),
            Prompt::TakingZero => ("zero", "Hands off".to_owned(), "The zero is being taken.".to_owned()),
            Prompt::Choose => ("choose", "Choose learner and volunteer".to_owned(), String::new()),
            Prompt::Estimate => (
                "estimate",
                "What was the peak force of this press?".to_owned(),
                "All hands together. Its numbers stay hidden until then.".to_owned(),
            ),
            Prompt::Call(level) => (
                "call",
                format!("Which side of {} felt more resistant?", level.label()),
                String::new(),
            ),
            Prompt::AtEnd { missing: 0 } => ("end", "Done: every step is in".to_owned(), String::new()),
            Prompt::AtEnd { missing } => (
                "end",
                format!("At the end: {missing} {} still missing", if *missing == 1 { "step is" } else { "steps are" }),
                "Next goes to the first of them.".to_owned(),
            ),
            Prompt::HandOn => (
                "on",
                "Lean until the slack is out, then spring".to_owned(),
                "Hands off when you have done.".to_owned(),
            ),
            Prompt::TestsIn(1) => ("in", "One test is in: Next".to_owned(), String::new()),
            Prompt::TestsIn(tests) => ("in", format!("{tests} tests are in: Next"), String::new()),
            Prompt::Press => ("press", "Lean and press".to_owned(), String::new()),
        };
        PromptView { kind, line, detail }
    }
}

/// A prompt in words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PromptView {
    /// Which it is, for the page's layout.
    pub kind: &'static str,
    pub line: String,
    /// A sentence more; may be empty.
    pub detail: String,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::control::Estimates;

    fn at(change: impl FnOnce(&mut SessionState, &mut Situation<'static>)) -> Prompt {
        let mut state = SessionState {
            examiner: Some("L-12".to_owned()),
            ..SessionState::default()
        };
        let nothing: &'static SessionState = Box::leak(Box::default());
        let mut now = Situation {
            state: nothing,
            paused: false,
            away: None,
            stopped: None,
            zero_is_taken: true,
            hand_on: false,
        };
        change(&mut state, &mut now);
        Prompt::of(Situation { state: &state, ..now })
    }

    #[test]
    fn what_is_most_urgent_is_said() {
        assert_eq!(at(|_, _| {}), Prompt::Press);
        assert_eq!(at(|_, now| now.zero_is_taken = false), Prompt::TakingZero);
        assert_eq!(at(|_, now| now.hand_on = true), Prompt::HandOn);
        assert_eq!(at(|s, _| s.tests = 1).view().line, "One test is in: Next");
        let asked = Estimates {
            wanted: Some(1),
            taken: None,
        };
        assert_eq!(at(|s, _| (s.tests, s.estimates) = (1, Some(asked))), Prompt::Estimate);
        assert_eq!(at(|s, _| s.call_wanted = Some(Level::L3)), Prompt::Call(Level::L3));
        assert_eq!(at(|s, now| (s.examiner, s.practice, now.hand_on) = (None, true, true)), Prompt::Choose);
        assert_eq!(at(|s, _| s.ended = true), Prompt::AtEnd { missing: 0 });
        assert_eq!(at(|_, now| now.paused = true), Prompt::Paused);
        let gone = at(|s, now| {
            (s.tests, now.paused, now.away) = (1, true, Some("unplugged"));
        });
        assert!(gone.view().detail.starts_with("unplugged. Look at cable"), "{gone:?}");
        assert!(matches!(at(|_, now| (now.away, now.stopped) = (Some("a"), Some("full disk"))), Prompt::Stopped(_)));
    }
}
