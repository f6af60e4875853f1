//! The recorder: what is being recorded, and what comes next.

mod lifecycle;
mod status;
mod commands;
mod teaching;

use super::FOLDER;
use super::assigned::AssignedPlans;
use super::disk::{Disk, FileDisk};
use super::open_recording::{DisplacedRecording, OpenRecording, RecordingEnd, RecordingTarget};
use super::plan_cursor::PlanCursor;
use super::prior::{PriorRecordings, settle_left_open};
use super::request::RecordingRequest;
use self::teaching::{AwaitedEstimate, ClosedTests};
use crate::acquire::station::{LineCounts, Sample, Station};
use crate::error::Result;
use crate::study::folder::Study;
use crate::study::inputs::Inputs;
use crate::study::words::shown;
use crate::terms::{Level, Side};
use crate::trace::About;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// A recording goes on for so long, in s of the device's clock, after the hands were seen to leave: its zero and the end
/// of its last test need it.
pub const TAIL_S: f64 = 0.6;
/// With no hand on, it goes on no longer than this after a person asked for the next one; and with a hand on, keys mean
/// nothing for so long.
pub const TAIL_AT_MOST: Duration = Duration::from_millis(4000);

/// Subject, examiner and level that a call is about, within the session.
type CalledLevel = (Option<String>, Option<String>, Level);

/// Keeps one session: see the module.
pub struct Recorder {
    root: PathBuf,
    request: RecordingRequest,
    /// As it was at the start; roster and draws are read again for the next learner.
    study: Study,
    prior: PriorRecordings,
    called: BTreeSet<CalledLevel>,
    disk: Arc<dyn Disk>,
    /// The longest wait for the disk that a person was told of.
    told_slow: Duration,
    station: Option<Station>,
    counts: LineCounts,
    /// Known with the station: whether one press gives both sides decides what the stops are.
    cursor: Option<PlanCursor>,
    state: State,
    open: Option<CurrentRecording>,
    /// A recording that a person has done with, until the hands are off.
    closing: Option<ClosingRecording>,
    /// Tests seen at this stop in recordings that were cut.
    tests_before: u32,
    touching: bool,
    /// Device time when the hands left, and now.
    released_s: Option<f64>,
    now_s: f64,
    messages: Vec<String>,
    message: Option<String>,
    kept: usize,
    failed: Option<String>,
    closed: Option<ClosedTests>,
    awaited: Option<AwaitedEstimate>,
    /// The last test whose estimate was given or passed.
    estimated: Option<u32>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum State {
    /// Recording, or about to with the first sample.
    Recording,
    /// The call on this level is due.
    CallDue(Level),
    AtEnd,
    Ended,
}

struct CurrentRecording {
    recording: OpenRecording,
    /// Position of its stop.
    stop: Option<usize>,
    tests_before: u32,
}

struct ClosingRecording {
    current: CurrentRecording,
    ending: RecordingEnd,
    /// With no hand on, it ends by then.
    by: Instant,
    /// With a hand on, keys mean something again from then on.
    keys_from: Instant,
}

impl Recorder {
    /// Begins a session in a study; nothing is recorded before a station is connected.
    ///
    /// Recordings that a killed recorder left open are named in [`Recorder::take_messages`].
    ///
    /// # Errors
    /// [`Setting`](crate::error::Error::Setting) for what cannot be meant; [`Io`](crate::error::Error::Io) when the study
    /// cannot be written to.
    pub fn start(inputs: &Inputs, study: &Study, request: RecordingRequest) -> Result<Recorder> {
        Recorder::start_on(Arc::new(FileDisk), inputs, study, request)
    }

    /// The same on another disk than that of the files: for tests of what a disk may do.
    ///
    /// # Errors
    /// As [`Recorder::start`].
    pub fn start_on(
        disk: Arc<dyn Disk>,
        inputs: &Inputs,
        study: &Study,
        request: RecordingRequest,
    ) -> Result<Recorder> {
        let (assigned, mut found) = AssignedPlans::read(study, &request);
        let mut request = request;
        if request.plan.is_none() || request.drawn {
            request.plan = assigned.plan_of(request.examiner.as_deref());
            request.drawn = request.plan.is_some();
        }
        found.extend(assigned.words(&request));
        request.check()?;
        let session = request.session.clone();
        let called = study.calls.iter().filter(|c| c.session == session);
        let mut recorder = Recorder {
            root: study.root.clone(),
            study: study.clone(),
            prior: PriorRecordings::of_session(&inputs.files, &session),
            called: called
                .map(|c| (Some(c.subject.clone()), Some(c.examiner.clone()), c.level))
                .collect(),
            disk: Arc::clone(&disk),
            told_slow: Duration::ZERO,
            station: None,
            counts: LineCounts::default(),
            cursor: None,
            state: State::Recording,
            open: None,
            closing: None,
            tests_before: 0,
            touching: false,
            released_s: None,
            now_s: 0.0,
            messages: Vec::new(),
            message: None,
            kept: 0,
            failed: None,
            closed: None,
            awaited: None,
            estimated: None,
            request,
        };
        found.into_iter().for_each(|words| recorder.say(words));
        if !recorder.request.practice {
            for name in settle_left_open(disk.as_ref(), &recorder.root, &inputs.files)? {
                recorder.say(format!(
                    "{FOLDER}/{name} was left open by a recorder that was killed: it is kept as it is and its step is \
                     to be made again; if its test is cut off, write excluded = \"cut off\" into its sidecar"
                ));
            }
        }
        Ok(recorder)
    }

    /// A station is there, for the first time or again.
    pub fn connected(&mut self, station: &Station, now: Instant) {
        if self.state == State::Ended {
            return;
        }
        self.cut("the device was restarted", now);
        let both_before = self.both_at_once();
        self.station = Some(station.clone());
        // Its clock starts over.
        (self.touching, self.released_s, self.now_s) = (false, None, 0.0);
        match super::columns::TraceColumns::of(station) {
            Ok(columns) if self.cursor.is_none() || both_before != Some(columns.both_at_once()) => {
                self.start_plan(columns.both_at_once());
            }
            Ok(_) => {}
            Err(why) => {
                let device = shown(&station.device);
                return self.fail(
                    format!(
                        "the device {device} cannot be recorded: {why}; correct what its firmware says of it"
                    ),
                    now,
                );
            }
        }
        if self.state == State::Recording {
            self.begin();
        }
    }

    fn both_at_once(&self) -> Option<bool> {
        let station = self.station.as_ref()?;
        super::columns::TraceColumns::of(station)
            .ok()
            .map(|c| c.both_at_once())
    }

    /// Lays out the plan's cursor for this learner and goes to the first stop without a recording.
    fn start_plan(&mut self, both_at_once: bool) {
        let Some(plan) = &self.request.plan else { return };
        let mut cursor = PlanCursor::new(plan, both_at_once);
        let (subject, examiner) = (self.request.subject.as_deref(), self.request.examiner.as_deref());
        let done = cursor.resume(|kind| self.prior.good(subject, examiner, kind));
        let of = done + cursor.missing().count();
        let complete = cursor.stop().is_none();
        self.cursor = Some(cursor);
        if done > 0 {
            self.say(format!("{done} of the plan's {of} steps are recorded already"));
        }
        if complete {
            self.arrive_at_end();
        }
    }

    /// Samples in order.
    pub fn push(&mut self, samples: &[Sample], now: Instant) {
        let first_trial = self
            .open
            .as_ref()
            .map_or(1, |c| self.prior.next_trial(c.recording.about()));
        let place = RecordingTarget {
            root: (!self.request.practice).then_some(self.root.as_path()),
            session: &self.request.session,
            disk: self.disk.as_ref(),
            first_trial,
        };
        let current = recordings(&mut self.closing, &mut self.open).next();
        if let Some(current) = current
            && let Err(error) = current.recording.push(samples, &place, now)
        {
            self.fail(error.to_string(), now);
        }
        self.now_s = samples.last().map_or(self.now_s, |s| s.time_s);
        self.tick(now);
    }

    /// Does what is due; several times a second, samples or not.
    pub fn tick(&mut self, now: Instant) {
        let off = !self.touching && self.released_s.is_none_or(|at| self.now_s - at >= TAIL_S);
        if let Some(closing) = self.closing.as_mut().filter(|_| self.touching) {
            // The press that is under way belongs to its step, however long it lasts.
            closing.by = now + TAIL_AT_MOST;
        }
        if let Some(closing) = self.closing.take_if(|c| off || now >= c.by) {
            self.finish(closing.current, &closing.ending, now);
        }
        let ticked: Result<()> =
            recordings(&mut self.closing, &mut self.open).try_for_each(|c| c.recording.tick(now));
        if let Err(error) = ticked {
            self.fail(error.to_string(), now);
        }
        self.look_at_the_disk(now);
    }

    /// Says that the disk is slow while it is, and keeps what somebody deleted or replaced.
    fn look_at_the_disk(&mut self, now: Instant) {
        let waits = recordings(&mut self.closing, &mut self.open).map(|c| c.recording.waits_for_disk(now));
        let waited = waits.max().flatten();
        if let Some(waited) = waited.filter(|w| *w >= self.told_slow * 2) {
            self.told_slow = waited;
            self.say(format!(
                "the disk is slow: it has been storing the recording for {:.1} s. Recording and alarm go on; were the \
                 power to fail now, more than the last second would be lost. Record onto another disk if this stays",
                waited.as_secs_f64()
            ));
        }
        self.keep_displaced(now);
    }

    /// A recording whose file is gone or another one by now goes on under another name.
    fn keep_displaced(&mut self, now: Instant) {
        let (mut closing, mut open) = (self.closing.take(), self.open.take());
        let kept: Result<()> =
            recordings(&mut closing, &mut open).try_for_each(|c| self.keep_in_place(c, false, now));
        (self.closing, self.open) = (closing, open);
        if let Err(error) = kept {
            self.fail(error.to_string(), now);
        }
    }

    fn keep_in_place(&mut self, current: &mut CurrentRecording, at_once: bool, now: Instant) -> Result<()> {
        let disk = Arc::clone(&self.disk);
        let place = RecordingTarget {
            root: (!self.request.practice).then_some(self.root.as_path()),
            session: &self.request.session,
            disk: disk.as_ref(),
            first_trial: current.recording.about().trial.unwrap_or(1),
        };
        let displaced = current.recording.keep_if_displaced(&place, at_once, now)?;
        if let Some(DisplacedRecording { from, to }) = displaced {
            self.say(format!(
                "{FOLDER}/{from} was deleted or replaced while it was being recorded: all of it is kept in {FOLDER}/{to}. \
                 Let no other program work in that folder while recording"
            ));
        }
        Ok(())
    }

    /// How the line is.
    pub fn counts(&mut self, counts: LineCounts) {
        self.counts = counts;
        recordings(&mut self.closing, &mut self.open).for_each(|c| c.recording.counts(counts));
    }

    /// The hands touch, or have left.
    pub fn touching(&mut self, touching: bool) {
        if self.touching && !touching {
            self.released_s = Some(self.now_s);
        }
        self.touching = touching;
    }

    fn say(&mut self, message: String) {
        self.message = Some(message.clone());
        self.messages.push(message);
    }

    /// What a person should read, once.
    pub fn take_messages(&mut self) -> Vec<String> {
        std::mem::take(&mut self.messages)
    }

    /// Whether there is something to read.
    pub fn has_messages(&self) -> bool {
        !self.messages.is_empty()
    }

    /// Recordings kept so far.
    pub fn kept(&self) -> usize {
        self.kept
    }

    /// Whether the session is over.
    pub fn ended(&self) -> bool {
        self.state == State::Ended
    }

    /// Whether the plan is at its end and nothing is being recorded.
    pub fn at_end(&self) -> bool {
        self.state == State::AtEnd && self.closing.is_none()
    }

    /// Why the session ended, when it was not by a person.
    pub fn failed(&self) -> Option<&str> {
        self.failed.as_deref()
    }
}

/// Recordings that are open; samples belong to the first.
fn recordings<'a>(
    closing: &'a mut Option<ClosingRecording>,
    open: &'a mut Option<CurrentRecording>,
) -> impl Iterator<Item = &'a mut CurrentRecording> {
    let closing = closing.as_mut().map(|c| &mut c.current);
    closing.into_iter().chain(open.as_mut())
}

/// `L3 left: `, as far as it is known.
fn place_words(about: &About) -> String {
    let level = about.level.map(Level::label);
    let words: Vec<&str> = level.into_iter().chain(about.side.map(Side::word)).collect();
    match words.is_empty() {
        true => String::new(),
        false => format!("{}: ", words.join(" ")),
    }
}
