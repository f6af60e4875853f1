//! The recorder in a thread of its own: a slow disk must not hold up the ceiling alarm.

use crate::acquire::control::{Command, SessionState};
use crate::acquire::recorder::Recorder;
use crate::acquire::recorder::over_ceiling::{self, OverCeiling};
use crate::acquire::station::{LineCounts, Sample, Station};
use crate::trace::About;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// What is due is looked for this often when nothing comes.
const IDLE: Duration = Duration::from_millis(50);
/// The status is reported at least this often.
const REPORT_EVERY: Duration = Duration::from_millis(250);

/// What the recorder is given.
pub enum RecorderInput {
    Connected(Station),
    Samples(Vec<Sample>),
    Counts(LineCounts),
    Gone(String),
    Command(Command),
    Touching(bool),
    TestEnded,
    OverCeiling(OverCeiling),
}

/// What the recorder reports.
#[derive(Debug, Clone, Default)]
pub struct RecorderStatus {
    pub state: SessionState,
    /// What samples arriving now are of.
    pub pressed_of: About,
    /// For a person, each once.
    pub messages: Vec<String>,
    /// The session is over.
    pub ended: bool,
    /// The plan is at its end and nothing is being recorded.
    pub at_end: bool,
    /// Why it ended, when no person ended it.
    pub failure: Option<String>,
    pub kept: usize,
}

/// A recorder that runs.
pub struct RecorderThread {
    inputs: Option<Sender<RecorderInput>>,
    statuses: Receiver<RecorderStatus>,
    thread: Option<JoinHandle<()>>,
}

impl RecorderThread {
    /// Starts the thread; `root` is the study's folder.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(recorder: Recorder, root: &Path) -> std::io::Result<RecorderThread> {
        let (inputs, received) = channel();
        let (reports, statuses) = channel();
        let mut worker = Worker {
            recorder,
            root: root.to_owned(),
            reports,
            reported: Instant::now(),
            messages: Vec::new(),
        };
        let thread = std::thread::Builder::new()
            .name("recorder".to_owned())
            .spawn(move || worker.run(&received))?;
        Ok(RecorderThread {
            inputs: Some(inputs),
            statuses,
            thread: Some(thread),
        })
    }

    /// Passes something on. After its end nothing is taken any more.
    pub fn send(&self, input: RecorderInput) {
        if let Some(inputs) = &self.inputs {
            let _ = inputs.send(input);
        }
    }

    /// What was reported since the last call.
    pub fn statuses(&self) -> impl Iterator<Item = RecorderStatus> {
        self.statuses.try_iter()
    }

    /// Whether the thread ended by itself, which only a fault of the program can do.
    pub fn has_ended(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// Ends the recording in order and gives what is reported last; false when the thread died of a fault of the
    /// program.
    pub fn finish(&mut self) -> (Vec<RecorderStatus>, bool) {
        self.inputs = None;
        let sound = self.thread.take().is_none_or(|t| t.join().is_ok());
        (self.statuses.try_iter().collect(), sound)
    }
}

impl Drop for RecorderThread {
    fn drop(&mut self) {
        self.finish();
    }
}

struct Worker {
    recorder: Recorder,
    root: PathBuf,
    reports: Sender<RecorderStatus>,
    reported: Instant,
    /// Messages that are not the recorder's own.
    messages: Vec<String>,
}

impl Worker {
    fn run(&mut self, inputs: &Receiver<RecorderInput>) {
        self.report();
        loop {
            let news = match inputs.recv_timeout(IDLE) {
                Ok(input) => self.take(input),
                Err(RecvTimeoutError::Timeout) => {
                    self.recorder.tick(Instant::now());
                    false
                }
                Err(RecvTimeoutError::Disconnected) => break,
            };
            if news || self.recorder.has_messages() || self.reported.elapsed() >= REPORT_EVERY {
                self.report();
            }
        }
        self.recorder.close(Instant::now());
        self.report();
    }

    /// Whether it changes where the scan stands.
    fn take(&mut self, input: RecorderInput) -> bool {
        let now = Instant::now();
        match input {
            RecorderInput::Samples(samples) => {
                self.recorder.push(&samples, now);
                return false;
            }
            RecorderInput::Counts(counts) => {
                self.recorder.counts(counts);
                return false;
            }
            RecorderInput::Connected(station) => self.recorder.connected(&station, now),
            RecorderInput::Gone(why) => self.recorder.gone(&why, now),
            RecorderInput::Command(command) => self.recorder.command(&command, now),
            RecorderInput::Touching(touching) => self.recorder.touching(touching),
            RecorderInput::TestEnded => self.recorder.test_ended(),
            RecorderInput::OverCeiling(over) => {
                if let Err(error) = over_ceiling::append(&self.root, &over) {
                    self.messages.push(format!(
                        "a time over the ceiling could not be written down: {error}"
                    ));
                }
            }
        }
        true
    }

    fn report(&mut self) {
        self.reported = Instant::now();
        let mut messages = self.recorder.take_messages();
        messages.append(&mut self.messages);
        // Whoever listened may be gone: then the session ends all the same.
        let _ = self.reports.send(RecorderStatus {
            state: self.recorder.session_state(),
            pressed_of: self.recorder.pressed_of(),
            messages,
            ended: self.recorder.ended(),
            at_end: self.recorder.at_end(),
            failure: self.recorder.failed().map(str::to_owned),
            kept: self.recorder.kept(),
        });
    }
}
