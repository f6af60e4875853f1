//! What leaves the process for the page, and what must not: feedback modes and calls are kept here.

use super::ceiling::ActiveCeiling;
use super::control::SessionState;
use super::phase::Phase;
use super::schedule::{Showing, TestBands, Withheld, showing};
use super::strip::{StripPart, round};
use super::summary::{OnsetView, TestView};
use crate::settings::FeedbackSettings;
use crate::terms::{Feedback, Given, Level, Region};
use serde::Serialize;
use std::sync::Arc;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

/// One frame of the page.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LiveView {
    /// Name that the device gives itself: text from outside.
    pub device: String,
    pub rate_hz: f64,
    pub state: SessionState,
    /// Words of the sides, in the order of every list by side; `None` for a sensor that moves from side to side.
    pub sides: Vec<Option<&'static str>>,
    /// Why measured values are not shown, in words; `now`, `strip` and `onsets` are then `None` or empty.
    pub hidden: Option<String>,
    /// Age of the newest sample when this was made, and again when it is sent; `None` before the first.
    pub age_ms: Option<f64>,
    /// When the newest sample's bytes came, in ms since 1970, for whoever measures latency.
    pub arrived_unix_ms: Option<f64>,
    /// The newest sample's arrival, and when this was made: what is sent twice is older and has no new strip.
    #[serde(skip)]
    pub newest: Option<Instant>,
    #[serde(skip)]
    pub made: Instant,
    pub ceiling: ActiveCeiling,
    /// A force over the ceiling: never hidden.
    pub alarm: Option<AlarmView>,
    /// Crossings of a ceiling so far.
    pub crossings: u64,
    /// What a person must know of this station (no calibration, zero not yet taken), in words.
    pub warnings: Vec<String>,
    pub now: Option<CurrentForce>,
    pub strip: Option<StripPart>,
    /// Where pre-tension begins, by side.
    pub onsets: Vec<Option<OnsetView>>,
    /// Why the last test is not shown, when there is one.
    pub last_hidden: Option<String>,
    /// The last test; sent apart from the frames, when it changes.
    #[serde(skip)]
    pub last: Option<Arc<TestView>>,
}

impl LiveView {
    /// With the age that it has now.
    pub fn aged(mut self) -> LiveView {
        let age_ms = |at: Instant| at.elapsed().as_secs_f64() * 1e3;
        let unix_ms = SystemTime::now().duration_since(UNIX_EPOCH);
        let unix_ms = unix_ms.map_or(0.0, |d| d.as_secs_f64() * 1e3);
        self.age_ms = self.newest.map(|at| round(age_ms(at), 10.0));
        self.arrived_unix_ms = self.newest.map(|at| round(unix_ms - age_ms(at), 100.0));
        self
    }
}

impl LiveView {
    /// As it is while no device is connected: nothing is measured now.
    pub fn without_device(self, state: &SessionState) -> LiveView {
        LiveView {
            state: state.clone(),
            age_ms: None,
            arrived_unix_ms: None,
            alarm: None,
            now: None,
            strip: None,
            // The level's call may have been asked for since.
            last: self.last.filter(|_| state.call_wanted.is_none()),
            ..self
        }
    }
}

/// The force of this moment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurrentForce {
    /// Sum of all contacts.
    pub total_n: f64,
    pub sides: Vec<CurrentSideForce>,
    /// Of the hand that is further along.
    pub phase: Phase,
    /// Springs of this touch so far; the detector confirms each within a second.
    pub springs: usize,
    /// Highest sum of this touch.
    pub peak_n: f64,
}

/// One side's.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurrentSideForce {
    pub force_n: f64,
    pub displacement_mm: Option<f64>,
    pub phase: Phase,
}

/// A force over the ceiling, as the page needs it. It carries no measured value unless values are shown.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AlarmView {
    /// Whether it lasts.
    pub on: bool,
    pub region: Region,
    pub ceiling_n: f64,
    pub assumed: bool,
    pub peak_n: Option<f64>,
}

/// What may be shown.
#[derive(Debug, Clone, PartialEq)]
pub struct DisplayGate {
    /// Why the running values are hidden; `None` shows them.
    pub running: Option<String>,
    /// Whether the last test may be shown.
    pub last: LastTest,
}

/// Whether the last test may be shown.
#[derive(Debug, Clone, PartialEq)]
pub enum LastTest {
    Shown,
    /// With those before it: so many in all.
    Summary(u32),
    /// Why it is hidden.
    Hidden(String),
}

/// What the gate looks at beside the state.
#[derive(Debug, Clone, Copy, Default)]
pub struct GateInputs {
    /// The examiner says each level's call before its values are shown.
    pub calls: bool,
    /// The call for the last test's level was taken.
    pub called: bool,
    /// The learner asked for the last test.
    pub asked: bool,
    /// Which of its learner's tests in this session the last one is, from 1; 0 before the first.
    pub number: u32,
    /// Where the last test lies to its bands.
    pub bands: TestBands,
    /// How often the schedules give feedback.
    pub settings: FeedbackSettings,
}

impl DisplayGate {
    /// Feedback modes (METHODS.md §9.9), calls and estimates. None of it touches the alarm.
    pub fn of(state: &SessionState, shown: GateInputs) -> DisplayGate {
        let showing = showing(state.feedback, &shown.settings, shown.number, shown.bands);
        DisplayGate {
            running: running_hidden(state, shown),
            last: last_test(state, shown, showing),
        }
    }

    /// What it gives of a test that ends now; more may be given later.
    pub fn given_so_far(&self) -> Given {
        match self.running {
            None => Given::During,
            Some(_) => Given::None,
        }
    }
}

/// Why the running values are hidden.
fn running_hidden(state: &SessionState, shown: GateInputs) -> Option<String> {
    if let Some(level) = state.call_wanted {
        return Some(before_call(level));
    }
    let here = state.step.as_ref().map(|s| s.level);
    let waits = shown.calls || here.is_some_and(|l| state.hidden_levels.contains(&l));
    let words = match state.feedback {
        Feedback::None => "No feedback in this session.",
        _ if waits => "Values are hidden until the call for this level.",
        _ if state.estimates.is_some() => "Values come after the test, once you have said what you think its peak was.",
        Feedback::Live => return None,
        Feedback::After => "Feedback comes when the test has ended.",
        Feedback::OnRequest => "Feedback after the test, when you ask for it.",
        Feedback::Faded => "Feedback comes after some of the tests, less and less often.",
        Feedback::Alternate => "Feedback comes after every second test.",
        Feedback::Bandwidth => "Feedback comes after a test of which something lay outside its band.",
        Feedback::Summary => "Feedback comes after several tests, for all of them.",
    };
    Some(words.to_owned())
}

fn last_test(state: &SessionState, shown: GateInputs, showing: Showing) -> LastTest {
    let hidden = |words: &str| LastTest::Hidden(words.to_owned());
    if let Some(level) = state.call_wanted {
        return LastTest::Hidden(before_call(level));
    }
    if shown.calls && !shown.called {
        return hidden("Not shown before the call for its level.");
    }
    if state.feedback != Feedback::None && state.estimates.is_some_and(|e| e.taken != Some(shown.number)) {
        return hidden("Not shown before you have said what you think its peak force was.");
    }
    match showing {
        Showing::During | Showing::After => LastTest::Shown,
        Showing::OnRequest if shown.asked => LastTest::Shown,
        Showing::OnRequest => hidden("Shown when you ask for it."),
        Showing::Summary(tests) => LastTest::Summary(tests),
        Showing::Withheld(Withheld::Always) => hidden("No feedback in this session."),
        Showing::Withheld(Withheld::NotItsTurn) => hidden("No feedback on this test: judge it by yourself."),
        Showing::Withheld(Withheld::Awaited) => hidden("Being measured."),
        Showing::Withheld(Withheld::InsideBands) => hidden("Nothing that was measured lay outside its band."),
        Showing::Withheld(Withheld::SummaryAfter(1)) => hidden("Shown with the next test."),
        Showing::Withheld(Withheld::SummaryAfter(tests)) => {
            LastTest::Hidden(format!("Shown with the others after {tests} more tests."))
        }
    }
}

fn before_call(level: Level) -> String {
    format!("Values of {} are hidden until its call is made.", level.label())
}

#[cfg(test)]
mod tests {
    use super::super::control::{Estimates, StepState};
    use super::*;
    use crate::terms::StepSide;

    /// Whether running values are shown, and whether the last test is.
    fn gate(feedback: Feedback, call_wanted: Option<Level>, shown: GateInputs) -> (bool, bool) {
        let state = SessionState {
            feedback,
            call_wanted,
            ..SessionState::default()
        };
        of(&state, shown)
    }

    fn of(state: &SessionState, shown: GateInputs) -> (bool, bool) {
        let gate = DisplayGate::of(state, shown);
        (gate.running.is_none(), !matches!(gate.last, LastTest::Hidden(_)))
    }

    fn test(number: u32, bands: TestBands) -> GateInputs {
        GateInputs {
            number,
            bands,
            ..GateInputs::default()
        }
    }

    #[test]
    fn every_mode_shows_what_it_says_and_no_more() {
        let plain = GateInputs::default();
        let asked = GateInputs { asked: true, ..plain };
        assert_eq!(gate(Feedback::Live, None, plain), (true, true));
        assert_eq!(gate(Feedback::After, None, plain), (false, true));
        assert_eq!(gate(Feedback::OnRequest, None, plain), (false, false));
        assert_eq!(gate(Feedback::OnRequest, None, asked), (false, true));
        assert_eq!(gate(Feedback::None, None, asked), (false, false));
    }

    #[test]
    fn a_schedule_shows_its_tests_and_never_a_running_value() {
        use TestBands::{Inside, Outside};
        // By hand, with four a block and a summary after five; what the learner asks for changes nothing.
        for (feedback, number, bands, shown) in [
            (Feedback::Faded, 4, Outside, true),
            (Feedback::Faded, 8, Outside, false),
            (Feedback::Alternate, 1, Outside, false),
            (Feedback::Alternate, 2, Inside, true),
            (Feedback::Bandwidth, 1, Inside, false),
            (Feedback::Bandwidth, 1, Outside, true),
            (Feedback::Summary, 4, Outside, false),
            (Feedback::Summary, 5, Outside, true),
        ] {
            let asked = GateInputs {
                asked: true,
                ..test(number, bands)
            };
            assert_eq!(gate(feedback, None, asked), (false, shown), "{feedback} {number}");
        }
    }

    #[test]
    fn nothing_is_shown_before_the_call_in_any_mode() {
        let calls = GateInputs {
            calls: true,
            called: false,
            asked: true,
            ..test(10, TestBands::Outside)
        };
        let called = GateInputs {
            called: true,
            ..calls
        };
        for &mode in Feedback::ALL {
            assert_eq!(gate(mode, Some(Level::L3), called), (false, false));
            assert_eq!(gate(mode, None, calls), (false, false));
        }
        assert_eq!(gate(Feedback::Live, None, called), (false, true));
        let mut state = SessionState {
            step: Some(StepState {
                number: 1,
                of: 2,
                level: Level::L3,
                side: StepSide::Left,
                trial: 1,
                landmark: None,
                contact: None,
                posture: None,
                line_of_drive: None,
            }),
            hidden_levels: vec![Level::L3],
            ..SessionState::default()
        };
        assert!(DisplayGate::of(&state, GateInputs::default()).running.is_some());
        state.hidden_levels = vec![Level::L4];
        assert!(DisplayGate::of(&state, GateInputs::default()).running.is_none());
    }

    #[test]
    fn nothing_is_shown_before_the_estimate_in_any_mode() {
        let asked = GateInputs {
            asked: true,
            ..test(10, TestBands::Outside)
        };
        for &feedback in Feedback::ALL {
            let waits = |taken| {
                let state = SessionState {
                    feedback,
                    estimates: Some(Estimates { wanted: None, taken }),
                    ..SessionState::default()
                };
                of(&state, asked)
            };
            // The recorder may not know of the test yet: what it knows is of the one before.
            assert_eq!((waits(None), waits(Some(9))), ((false, false), (false, false)), "{feedback}");
            // Faded feedback leaves the tenth out.
            let shown = ![Feedback::None, Feedback::Faded].contains(&feedback);
            assert_eq!(waits(Some(10)), (false, shown), "{feedback}");
        }
    }
}
