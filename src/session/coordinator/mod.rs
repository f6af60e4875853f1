//! Samples go to the monitor first, then to the recorder: the ceiling alarm waits for nothing.

mod line;
mod watch;

use super::event::SessionEvent;
use super::recorder_thread::{RecorderInput, RecorderStatus, RecorderThread};
use super::reference::ReferenceLoader;
use super::silent_force::SilentForce;
use super::station_rate::StationRate;
use crate::acquire::control::{Command, SessionState, TestTurn, TestsMade};
use crate::acquire::open_line;
use crate::acquire::recorder::disk::{Disk, FileDisk};
use crate::acquire::recorder::{Recorder, RecordingRequest};
use crate::acquire::station::{LineEvent, Station};
use crate::batch::settings_in_use;
use crate::calibrate::Calibration;
use crate::error::{Error, Problem, Result};
use crate::live::ceiling::CeilingCrossing;
use crate::live::monitor::{Monitor, MonitorOptions};
use crate::live::view::LiveView;
use crate::read::calibrations::Calibrations;
use crate::settings::{CeilingOrigin, Settings};
use crate::study::inputs::{Inputs, Study};
use crate::study::words::list;
use crate::terms::Feedback;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

/// A session that is to end after some seconds of samples ends this much later when none come.
const GRACE: Duration = Duration::from_secs(10);
/// A disk that makes the recorder wait for longer than this is named.
const DISK_WAIT: Duration = Duration::from_secs(1);
/// Between two looks whether the recorder has ended.
const LOOK: Duration = Duration::from_millis(20);

/// Everything that is settled before the first sample.
#[derive(Debug, Clone)]
pub struct SessionSetup {
    pub study: Study,
    pub inputs: Inputs,
    pub request: RecordingRequest,
    /// As [`open_line`] takes it.
    pub port: String,
    /// Ends by itself after so much time with samples.
    pub stop_after: Option<Duration>,
}

/// How a session ended.
#[derive(Debug, Clone, PartialEq)]
pub struct SessionReport {
    /// Recordings kept.
    pub kept: usize,
    /// Why it ended, when no person ended it.
    pub failure: Option<String>,
    /// The last view, with the state at the end.
    pub view: Option<LiveView>,
}

/// A session that runs.
pub struct Session {
    study: Study,
    settings: Settings,
    options: MonitorOptions,
    reference: ReferenceLoader,
    port: String,
    line: Receiver<LineEvent>,
    line_ended: bool,
    /// The line said why it ends.
    line_failed: bool,
    /// The station that is connected, with the rate that its stamps have.
    station: Option<Station>,
    rate: StationRate,
    silent: SilentForce,
    recorder: RecorderThread,
    status: RecorderStatus,
    monitor: Option<Monitor>,
    view: Option<LiveView>,
    touching: bool,
    /// The recorder has yet to begin with other people.
    beginning: bool,
    /// Tests of each examiner in this session.
    made: TestsMade,
    /// The last test, by its number in the monitor, and what the recorder was told to have been shown of it.
    told_given: Option<(u64, TestTurn)>,
    /// How many hands press at once.
    hands: usize,
    /// When the crossing that lasts began, by the clock on the wall.
    over_since: Option<String>,
    /// As it was when it began, for when the monitor is lost meanwhile.
    over: Option<CeilingCrossing>,
    /// What stays on the page: faults of the program and of the station.
    notices: Vec<String>,
    /// What the terminal has not been told of them.
    untold: Vec<String>,
    /// The longest wait for the disk that was told.
    disk_told: Duration,
    begun: Instant,
    first_sample: Option<Instant>,
    stop_after: Option<Duration>,
    failure: Option<String>,
    stopping: bool,
}

/// Those that turn the station's counts into N and mm: the ones it names itself, else the study's, else those of its sensors; and
/// what is wrong with them.
pub fn calibrations_of(study: &Study, station: &Station) -> (Vec<Calibration>, Vec<Problem>) {
    let (all, problems) = Calibrations::in_folder(&study.root);
    let own: Vec<&String> = station
        .channels
        .iter()
        .filter_map(|c| c.calibration.as_ref())
        .collect();
    let names: Vec<&String> = match own.is_empty() {
        true => study.calibrations.iter().collect(),
        false => own,
    };
    let chosen = match names.is_empty() {
        true => {
            let sensors: Vec<String> = station.channels.iter().filter_map(|c| c.sensor.clone()).collect();
            all.of_sensors(&sensors).into_iter().cloned().collect()
        }
        false => all.iter().filter(|c| names.contains(&&c.name)).cloned().collect(),
    };
    (chosen, problems)
}

type OnEvent<'a> = &'a mut dyn FnMut(SessionEvent);

impl Session {
    /// Opens the line and starts the recorder. Unless it is practice, the caller holds the study's lock
    /// ([`StudyLock`](crate::acquire::recorder::lock::StudyLock)) as long as any session on the study runs.
    ///
    /// While a study is blind no measured value is shown, whatever feedback was asked for.
    ///
    /// # Errors
    /// A request that cannot be meant, or a study that cannot be written to.
    pub fn start(setup: SessionSetup) -> Result<Session> {
        Session::start_on(Arc::new(FileDisk), setup)
    }

    /// The same on another disk than that of the files: for tests of what a disk may do.
    ///
    /// # Errors
    /// As [`Session::start`].
    pub fn start_on(disk: Arc<dyn Disk>, setup: SessionSetup) -> Result<Session> {
        let SessionSetup {
            study,
            inputs,
            mut request,
            port,
            stop_after,
        } = setup;
        if study.hidden() {
            request.feedback = Feedback::None;
        }
        let options = MonitorOptions {
            calls: request.calls,
            gains: study.gains.clone(),
            ..MonitorOptions::default()
        };
        let settings = settings_in_use(&study);
        let mut gaps = request.gaps();
        gaps.extend(shipped_ceilings(&settings));
        let recorder = Recorder::start_on(Arc::clone(&disk), &inputs, &study, request)?;
        let made = recorder.tests_made().clone();
        let recorder = RecorderThread::start(recorder, disk, &study.root)
            .map_err(|e| Error::io(&study.root, e, "close other programs and try again"))?;
        Ok(Session {
            settings,
            options,
            reference: ReferenceLoader::start(inputs, study.clone()),
            line: open_line(&port),
            port,
            line_ended: false,
            line_failed: false,
            station: None,
            rate: StationRate::default(),
            silent: SilentForce::default(),
            recorder,
            status: RecorderStatus::default(),
            monitor: None,
            view: None,
            touching: false,
            beginning: false,
            made,
            told_given: None,
            hands: 1,
            over_since: None,
            over: None,
            untold: gaps.clone(),
            notices: gaps,
            disk_told: Duration::ZERO,
            begun: Instant::now(),
            first_sample: None,
            stop_after,
            failure: None,
            stopping: false,
            study,
        })
    }

    /// Whether it goes on; when not, [`Session::finish`] it.
    pub fn is_running(&self) -> bool {
        !self.stopping && !self.status.ended
    }

    /// Where the scan stands.
    pub fn state(&self) -> &SessionState {
        &self.status.state
    }

    /// Whether the plan is at its end and nothing is being recorded.
    pub fn is_at_end(&self) -> bool {
        self.status.at_end
    }

    /// Whether the force is over the ceiling.
    pub fn is_over_ceiling(&self) -> bool {
        self.over_since.is_some()
    }

    /// What a person wants.
    pub fn command(&mut self, command: Command) {
        match command {
            Command::Stop => self.stopping = true,
            Command::Show => {
                self.with_monitor(Monitor::show_last);
            }
            other => self.recorder.send(RecorderInput::Command(other)),
        }
    }

    /// From here on something else is recorded, while the line to the device stays as it is: what is open ends in order, and
    /// nothing of the people before is shown to those who come. Practice with nobody is what a station does at rest.
    ///
    /// # Errors
    /// A request that cannot be meant; a hand that is on. Then all stays as it was.
    pub fn begin(&mut self, mut request: RecordingRequest) -> Result<()> {
        if self.beginning {
            return Err(Error::Refused {
                found: "others are being chosen here just now".to_owned(),
                advice: "wait a moment and choose again".to_owned(),
            });
        }
        if self.touching {
            return Err(Error::Refused {
                found: "a hand is on".to_owned(),
                advice: "take it off first".to_owned(),
            });
        }
        if self.study.hidden() {
            request.feedback = Feedback::None;
        }
        request.check()?;
        self.options.calls = request.calls;
        self.beginning = true;
        self.with_monitor(|monitor| monitor.begin(request.calls));
        self.recorder.send(RecorderInput::Begin(Box::new(request)));
        Ok(())
    }

    /// The study's settings have changed: its ceilings hold from here on, also in the middle of a press.
    pub fn set_ceilings(&mut self, study: &Study, on_event: OnEvent<'_>) {
        if let Some(before) = shipped_ceilings(&self.settings) {
            self.notices.retain(|words| *words != before);
        }
        self.settings = settings_in_use(study);
        self.study.settings = study.settings.clone();
        if let Some(words) = shipped_ceilings(&self.settings) {
            self.notice(words);
        }
        let settings = self.settings.clone();
        let events = self.with_monitor(|monitor| monitor.set_ceilings(&settings));
        for event in events.unwrap_or_default() {
            let seen = self.monitor_event(event, on_event);
            seen.into_iter().for_each(|input| self.recorder.send(input));
        }
    }

    /// Whether the recorder has yet to begin with those whom [`Session::begin`] named last.
    pub fn is_beginning(&self) -> bool {
        self.beginning
    }

    /// Whether a hand is on.
    pub fn is_touched(&self) -> bool {
        self.touching
    }

    /// Whether the zero of every force is known: before, a hand that is on would be part of it.
    pub fn zero_is_taken(&self) -> bool {
        self.monitor.as_ref().is_some_and(Monitor::zero_is_taken)
    }

    /// Whether a device is connected.
    pub fn is_connected(&self) -> bool {
        self.station.is_some()
    }

    /// Handles what has come since the last call, waiting at most `wait` for the first sample.
    pub fn advance(&mut self, wait: Duration, on_event: OnEvent<'_>) {
        self.read_line(wait, on_event);
        let statuses: Vec<RecorderStatus> = self.recorder.statuses().collect();
        for status in statuses {
            self.recorder_status(status, on_event);
        }
        if self.reference.has_arrived() {
            self.update_reference();
        }
        if let Some(fault) = self.reference.take_fault() {
            self.notice(format!(
                "{fault} kept the teacher's values from being read: nothing stands beside the learner's. Please report \
                 this line."
            ));
        }
        self.watch_disk();
        for words in std::mem::take(&mut self.untold) {
            on_event(SessionEvent::Message(words));
        }
        self.stop_when_due();
    }

    /// Something that stays true for the session, or until it ends: said once, and kept on the page.
    pub fn notice(&mut self, words: String) {
        if !self.notices.contains(&words) {
            self.notices.push(words.clone());
            self.untold.push(words);
        }
    }

    /// Says at once that the recorder waits for the disk, and again when it waits for much longer.
    fn watch_disk(&mut self) {
        let waited = self.recorder.waits();
        if waited < DISK_WAIT || waited < self.disk_told * 2 {
            return;
        }
        self.disk_told = waited;
        let words = format!(
            "the disk does not answer: the recording has waited for it for {:.1} s. The alarm works on, and what the device \
             sends is kept in memory until the disk takes it; a program that is killed now loses it",
            waited.as_secs_f64()
        );
        self.status.state.message = Some(words.clone());
        self.untold.push(words);
    }

    /// A frame for a page or a meter; `None` before the first device. It takes the strip since the last call with it,
    /// so there must be one caller.
    pub fn view(&mut self) -> Option<&LiveView> {
        let state = self.status.state.clone();
        let before = self.view.take();
        self.view = match self.with_monitor(|monitor| monitor.view(&state)) {
            Some(mut view) => {
                view.warnings.extend(self.notices.iter().cloned());
                Some(view)
            }
            None => before.map(|view| view.without_device(&state)),
        };
        self.tell_given();
        self.view.as_ref()
    }

    /// Ends it in order: what is open is closed and kept.
    ///
    /// # Errors
    /// When a fault of the program ended the recorder.
    pub fn finish(mut self, on_event: OnEvent<'_>) -> Result<SessionReport> {
        self.leave_monitor(on_event);
        self.recorder.close();
        // A slow disk is waited for, and the wait is said.
        while !self.recorder.has_ended() {
            std::thread::sleep(LOOK);
            self.watch_disk();
            for words in std::mem::take(&mut self.untold) {
                on_event(SessionEvent::Message(words));
            }
        }
        let (statuses, sound) = self.recorder.finish();
        for status in statuses {
            self.recorder_status(status, on_event);
        }
        if !sound {
            return Err(Error::Refused {
                found: "a fault of the program ended the recording".to_owned(),
                advice: "what was written up to then is kept; please report it".to_owned(),
            });
        }
        Ok(SessionReport {
            kept: self.status.kept,
            failure: self.status.failure.or(self.failure),
            view: self.view.map(|view| view.without_device(&self.status.state)),
        })
    }

    fn fail(&mut self, why: String) {
        self.failure = Some(why);
        self.stopping = true;
    }

    fn recorder_status(&mut self, status: RecorderStatus, on_event: OnEvent<'_>) {
        if let Some(made) = &status.made {
            self.beginning = false;
            self.made.clone_from(made);
            self.with_monitor(|monitor| monitor.set_made(made.clone()));
        }
        for message in &status.messages {
            on_event(SessionEvent::Message(message.clone()));
        }
        let moved = status.pressed_of != self.status.pressed_of;
        if moved {
            let events = self.with_monitor(|monitor| monitor.set_about(&status.pressed_of));
            for event in events.unwrap_or_default() {
                let seen = self.monitor_event(event, on_event);
                seen.into_iter().for_each(|input| self.recorder.send(input));
            }
        }
        self.status = status;
        if moved {
            self.update_reference();
        }
    }

    /// Ends by time, or because the recorder cannot go on.
    fn stop_when_due(&mut self) {
        if self.recorder.has_ended() {
            self.stopping = true;
        }
        let Some(seconds) = self.stop_after else { return };
        match self.first_sample {
            Some(first) => self.stopping |= first.elapsed() >= seconds,
            None if self.begun.elapsed() >= seconds + GRACE => self.fail(
                "no sample arrived: check that this is the right device and that it is switched on"
                    .to_owned(),
            ),
            None => {}
        }
    }
}

/// Which ceilings nobody in the lab has set, in words.
fn shipped_ceilings(settings: &Settings) -> Option<String> {
    let shipped = settings.ceilings().filter(|c| c.origin == CeilingOrigin::Shipped);
    let named: Vec<String> = shipped
        .map(|c| format!("{} {:.0} N", c.region, c.newtons))
        .collect();
    (!named.is_empty()).then(|| {
        format!(
            "not set by this lab, but shipped with the program: the ceiling of {}. Set the lab's own under [ceiling_n] in \
             study.toml",
            list(&named)
        )
    })
}
