//! What a learner is shown of each test, and what the learner thinks of it before.

use super::{Recorder, place_words, recordings};
use crate::acquire::control::{Estimates, TestTurn, TestsMade};
use crate::acquire::recorder::open_recording::OpenRecording;
use crate::acquire::recorder::{FOLDER, estimates, given};
use crate::study::estimates::{MOST_N, PeakEstimate};
use crate::terms::Given;
use std::path::PathBuf;

/// The recording that was closed last, whose tests may still be shown.
pub(super) struct ClosedTests {
    sidecar: PathBuf,
    turns: Vec<TestTurn>,
}

/// A test whose estimate is waited for.
#[derive(Debug, Clone)]
pub(super) struct AwaitedEstimate {
    number: u32,
    /// `None` when no file of the test is kept.
    of: Option<PeakEstimate>,
}

impl Recorder {
    /// How many tests each examiner had made in this session before it began.
    pub fn tests_made(&self) -> &TestsMade {
        self.prior.tests_made()
    }

    /// A test has ended.
    pub fn test_ended(&mut self, turn: TestTurn) {
        let current = recordings(&mut self.closing, &mut self.open).next();
        let Some(current) = current else { return };
        let recording = &mut current.recording;
        if let Some(tests) = recording.tests.as_mut() {
            *tests += 1;
            recording.turns.push(turn);
        }
        let place = place_words(recording.about());
        let written = recording.rewrite_sidecar(self.disk.as_ref());
        if self.request.estimates {
            let examiner = recording.about().examiner.clone().unwrap_or_default();
            let of = recording.name().map(|name| PeakEstimate {
                examiner,
                recording: format!("{FOLDER}/{name}"),
                test: u32::try_from(recording.turns.len()).unwrap_or(u32::MAX),
                peak_n: None,
            });
            self.awaited = Some(AwaitedEstimate {
                number: turn.number,
                of,
            });
        }
        self.say(format!("{place}a test was seen"));
        if let Err(error) = written {
            self.say(format!(
                "what was shown of it is not in the sidecar yet and is written when the recording is closed: {error}"
            ));
        }
    }

    /// More of a test was shown after it had ended.
    pub fn given(&mut self, turn: TestTurn) {
        let disk = self.disk.as_ref();
        for current in recordings(&mut self.closing, &mut self.open) {
            if set_given(&mut current.recording.turns, turn) {
                // What cannot be written now is written when the recording is closed.
                let _ = current.recording.rewrite_sidecar(disk);
                return;
            }
        }
        let Some(closed) = &mut self.closed else { return };
        if !set_given(&mut closed.turns, turn) {
            return;
        }
        let all: Vec<Given> = closed.turns.iter().map(|t| t.given).collect();
        if let Err(error) = given::amend(disk, &closed.sidecar, &all) {
            self.say(format!("that test {} was shown is not in its sidecar: {error}", turn.number));
        }
    }

    /// Remembers what may still be shown of a recording that is being closed.
    pub(super) fn remember_turns(&mut self, recording: &OpenRecording) {
        if let Some(sidecar) = recording.sidecar_path().filter(|_| !recording.turns.is_empty()) {
            self.closed = Some(ClosedTests {
                sidecar,
                turns: recording.turns.clone(),
            });
        }
    }

    /// Takes what the learner thinks the peak of the last test was; `None` is no estimate.
    pub(super) fn take_estimate(&mut self, peak_n: Option<f64>) {
        if !self.request.estimates {
            return self.say("no estimates are asked for: start with --estimates".to_owned());
        }
        let Some(awaited) = self.awaited.clone() else {
            return self.say("no test waits for an estimate".to_owned());
        };
        if peak_n.is_some_and(|n| !(0.0..=MOST_N).contains(&n)) {
            return self.say(format!("the estimate was not taken: a force from 0 to {MOST_N} N is meant"));
        }
        if let Some(of) = awaited.of.filter(|_| !self.request.practice)
            && let Err(error) = estimates::append(self.disk.as_ref(), &self.root, &PeakEstimate { peak_n, ..of })
        {
            // It is still waited for: a full disk can be cleared.
            return self.say(format!("the estimate was not kept: {error}"));
        }
        self.awaited = None;
        self.estimated = Some(awaited.number);
        self.say(match peak_n {
            Some(n) => format!("estimate: {n} N"),
            None => "no estimate".to_owned(),
        });
    }

    /// Where the estimates of the learner who presses stand; `None` when they are not asked for.
    pub(super) fn estimates(&self) -> Option<Estimates> {
        self.request.estimates.then(|| Estimates {
            wanted: self.awaited.as_ref().map(|a| a.number),
            taken: self.estimated,
        })
    }

    /// Another learner's tests are counted apart.
    pub(super) fn forget_estimates(&mut self) {
        (self.awaited, self.estimated) = (None, None);
    }
}

/// Sets what of a test was shown; false where it is not among them.
fn set_given(turns: &mut [TestTurn], turn: TestTurn) -> bool {
    let found = turns.iter_mut().find(|t| t.number == turn.number);
    found.map(|t| *t = turn).is_some()
}
