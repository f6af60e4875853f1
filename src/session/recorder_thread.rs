//! The recorder in a thread of its own: a slow disk must not hold up the ceiling alarm.

use crate::acquire::control::{Command, SessionState, TestTurn, TestsMade};
use crate::acquire::recorder::disk::Disk;
use crate::acquire::recorder::{Recorder, RecordingRequest};
use crate::acquire::recorder::over_ceiling::{self, OverCeiling};
use crate::acquire::station::{LineCounts, Sample, Station};
use crate::error::Result;
use crate::fault::{ProgramFault, isolated};
use crate::format::duration;
use crate::study::inputs::collect_any;
use crate::trace::About;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// What is due is looked for this often when nothing comes.
const IDLE: Duration = Duration::from_millis(50);
/// The status is reported at least this often.
const REPORT_EVERY: Duration = Duration::from_millis(250);

/// Between two attempts to write down a time over the ceiling that could not be written.
const WRITE_AGAIN: Duration = Duration::from_secs(1);
/// Faults of the program after which the recorder is not started anew.
const MOST_FAULTS: u32 = 3;

/// What the recorder is given.
pub enum RecorderInput {
    Connected(Station),
    Samples(Vec<Sample>),
    Counts(LineCounts),
    Gone(String),
    Command(Command),
    Touching(bool),
    TestEnded(TestTurn),
    /// More of a test was shown after it had ended.
    Given(TestTurn),
    OverCeiling(OverCeiling),
    /// What is open ends in order, and something else is recorded from here on.
    Begin(Box<RecordingRequest>),
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
    /// How many tests each examiner has made in the session, once, when something else is recorded from here on.
    pub made: Option<TestsMade>,
}

/// A recorder that runs.
pub struct RecorderThread {
    inputs: Option<Sender<RecorderInput>>,
    statuses: Receiver<RecorderStatus>,
    thread: Option<JoinHandle<()>>,
    busy: BusySince,
}

/// Since when the thread has been at work on one thing.
type BusySince = Arc<Mutex<Option<Instant>>>;

impl RecorderThread {
    /// Starts the thread; `root` is the study's folder, `disk` the one that it is on.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(recorder: Recorder, disk: Arc<dyn Disk>, root: &Path) -> std::io::Result<RecorderThread> {
        let (inputs, received) = channel();
        let (reports, statuses) = channel();
        let busy = BusySince::default();
        let mut worker = Worker {
            recorder,
            disk,
            root: root.to_owned(),
            reports,
            reported: Instant::now(),
            messages: Vec::new(),
            unwritten: VecDeque::new(),
            tried: Instant::now(),
            kept_before: 0,
            made: None,
            faults: 0,
            busy: Arc::clone(&busy),
        };
        let thread = std::thread::Builder::new()
            .name("recorder".to_owned())
            .spawn(move || worker.run(&received))?;
        Ok(RecorderThread {
            inputs: Some(inputs),
            statuses,
            thread: Some(thread),
            busy,
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

    /// For how long it has been at work on one thing: on nothing but a disk that does not answer can it be for long.
    pub fn waits(&self) -> Duration {
        let since = *self.busy.lock().unwrap_or_else(PoisonError::into_inner);
        since.map_or(Duration::ZERO, |since| since.elapsed())
    }

    /// Whether the thread ended by itself, which only a fault of the program can do.
    pub fn has_ended(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// Nothing more will come: what is open is to be closed.
    pub fn close(&mut self) {
        self.inputs = None;
    }

    /// Ends the recording in order and gives what is reported last; false when the thread died of a fault of the
    /// program.
    pub fn finish(&mut self) -> (Vec<RecorderStatus>, bool) {
        self.close();
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
    disk: Arc<dyn Disk>,
    root: PathBuf,
    reports: Sender<RecorderStatus>,
    reported: Instant,
    /// Messages that are not the recorder's own.
    messages: Vec<String>,
    /// Times over the ceiling that could not be written down yet.
    unwritten: VecDeque<OverCeiling>,
    tried: Instant,
    /// Recordings kept by recorders that a fault of the program ended.
    kept_before: usize,
    faults: u32,
    busy: BusySince,
    made: Option<TestsMade>,
}

impl Worker {
    fn run(&mut self, inputs: &Receiver<RecorderInput>) {
        self.report();
        loop {
            let input = match inputs.recv_timeout(IDLE) {
                Ok(input) => Some(input),
                Err(RecvTimeoutError::Timeout) => None,
                Err(RecvTimeoutError::Disconnected) => break,
            };
            let news = self.at_work(|worker| worker.take(input)).unwrap_or(true);
            if news || self.recorder.has_messages() || self.reported.elapsed() >= REPORT_EVERY {
                self.report();
            }
        }
        self.at_work(|worker| {
            worker.recorder.close(Instant::now());
            worker.write_down();
        });
        self.give_up_unwritten();
        self.report();
    }

    /// Does something; a fault of the program in it costs the recording that is open, and no more.
    fn at_work<T>(&mut self, work: impl FnOnce(&mut Worker) -> T) -> Option<T> {
        let busy = Arc::clone(&self.busy);
        let set = |since| *busy.lock().unwrap_or_else(PoisonError::into_inner) = since;
        set(Some(Instant::now()));
        let done = isolated(|| work(self));
        set(None);
        done.map_err(|fault| self.start_anew(&fault)).ok()
    }

    /// Closes what a fault of the program interrupted and goes on with a new recorder.
    fn start_anew(&mut self, fault: &ProgramFault) {
        self.faults += 1;
        let now = Instant::now();
        let why = format!("{fault} interrupted the recording");
        let (request, station) = (self.recorder.request().clone(), self.recorder.station().cloned());
        // A recorder whose closing fails as well has written what it had written.
        let _ = isolated(|| self.recorder.cut(&why, now));
        self.messages.append(&mut self.recorder.take_messages());
        if self.recorder.ended() {
            return;
        }
        let next = match self.faults <= MOST_FAULTS {
            true => isolated(|| self.next_recorder(request)),
            false => Err(fault.clone()),
        };
        match next {
            Ok(Ok(mut next)) => {
                if let Some(station) = station {
                    next.connected(&station, now);
                }
                self.kept_before += self.recorder.kept();
                self.recorder = next;
                self.messages.push(format!(
                    "{why}: what was recorded up to then is kept, and a new recording goes on. Please report this line"
                ));
            }
            Ok(Err(error)) => self.recorder.fail(error.to_string(), now),
            Err(_) => self.recorder.fail(
                format!("{why}, and a new one cannot go on; what was recorded is kept. Please report this line"),
                now,
            ),
        }
    }

    /// Ends what is open in order and goes on with what is asked for. Where that cannot be, nothing is kept until something else
    /// is asked for, and it is said why.
    fn begin(&mut self, request: RecordingRequest, now: Instant) {
        self.recorder.close(now);
        self.messages.append(&mut self.recorder.take_messages());
        self.kept_before += self.recorder.kept();
        let station = self.recorder.station().cloned();
        let next = self.next_recorder(request).or_else(|error| {
            self.messages.push(format!("nothing is recorded: {error}"));
            self.next_recorder(RecordingRequest {
                practice: true,
                others_record: true,
                session: self.recorder.request().session.clone(),
                ..RecordingRequest::default()
            })
        });
        match next {
            Ok(mut next) => {
                if let Some(station) = station {
                    next.connected(&station, now);
                }
                self.made = Some(next.tests_made().clone());
                self.recorder = next;
            }
            Err(error) => {
                self.made = Some(self.recorder.tests_made().clone());
                self.messages.push(error.to_string());
            }
        }
    }

    fn next_recorder(&self, request: RecordingRequest) -> Result<Recorder> {
        let inputs = collect_any(std::slice::from_ref(&self.root))?;
        let study = inputs.study.clone().unwrap_or_default();
        Recorder::start_on(Arc::clone(&self.disk), &inputs, &study, request)
    }

    /// Whether it changes where the scan stands.
    fn take(&mut self, input: Option<RecorderInput>) -> bool {
        let now = Instant::now();
        if !self.unwritten.is_empty() && self.tried.elapsed() >= WRITE_AGAIN {
            self.write_down();
        }
        let Some(input) = input else {
            self.recorder.tick(now);
            return false;
        };
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
            RecorderInput::TestEnded(turn) => self.recorder.test_ended(turn),
            RecorderInput::Given(turn) => self.recorder.given(turn),
            RecorderInput::Begin(request) => self.begin(*request, now),
            RecorderInput::OverCeiling(over) => {
                self.unwritten.push_back(over);
                self.write_down();
            }
        }
        true
    }

    /// Writes down the times over the ceiling; one that cannot be written waits for better times.
    fn write_down(&mut self) {
        self.tried = Instant::now();
        while let Some(over) = self.unwritten.front() {
            match over_ceiling::append(self.disk.as_ref(), &self.root, over) {
                Ok(()) => {
                    self.unwritten.pop_front();
                }
                Err(error) => {
                    let words = format!(
                        "a time over the ceiling could not be written down yet, it is tried again: {error}"
                    );
                    if !self.messages.contains(&words) {
                        self.messages.push(words);
                    }
                    return;
                }
            }
        }
    }

    /// What could not be written to the end is at least said.
    fn give_up_unwritten(&mut self) {
        for over in std::mem::take(&mut self.unwritten) {
            self.messages.push(format!(
                "not written down: at {} the force was over the ceiling of {:.0} N for {}, {:.1} N at most; add it \
                 to {} by hand",
                over.time,
                over.ceiling_n,
                duration(over.duration_s),
                over.peak_n,
                over_ceiling::FILE_NAME
            ));
        }
    }

    fn report(&mut self) {
        self.reported = Instant::now();
        let mut messages = self.recorder.take_messages();
        messages.append(&mut self.messages);
        let mut state = self.recorder.session_state();
        if let Some(last) = messages.last() {
            state.message = Some(last.clone());
        }
        // Whoever listened may be gone: then the session ends all the same.
        let _ = self.reports.send(RecorderStatus {
            state,
            pressed_of: self.recorder.pressed_of(),
            messages,
            ended: self.recorder.ended(),
            at_end: self.recorder.at_end(),
            failure: self.recorder.failed().map(str::to_owned),
            kept: self.kept_before + self.recorder.kept(),
            made: self.made.take(),
        });
    }
}
