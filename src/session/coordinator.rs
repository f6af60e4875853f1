//! Samples go to the monitor first, then to the recorder: the ceiling alarm waits for nothing.

use super::event::SessionEvent;
use super::recorder_thread::{RecorderInput, RecorderStatus, RecorderThread};
use super::reference::ReferenceLoader;
use crate::acquire::control::{Command, SessionState};
use crate::acquire::open_line;
use crate::acquire::recorder::columns::TraceColumns;
use crate::acquire::recorder::over_ceiling::OverCeiling;
use crate::acquire::recorder::{Recorder, RecordingRequest, stamp};
use crate::acquire::station::{LineEvent, Sample, Station};
use crate::batch::settings_in_use;
use crate::calibrate::Calibration;
use crate::error::{Error, Result};
use crate::live::ceiling::CeilingCrossing;
use crate::live::monitor::{Monitor, MonitorEvent, MonitorOptions, alarm_view};
use crate::live::view::LiveView;
use crate::read::calibrations::Calibrations;
use crate::settings::Settings;
use crate::study::inputs::{Inputs, Study};
use crate::terms::Feedback;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

/// A session that is to end after some seconds of samples ends this much later when none come.
const GRACE: Duration = Duration::from_secs(10);

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
    line: Receiver<LineEvent>,
    line_ended: bool,
    recorder: RecorderThread,
    status: RecorderStatus,
    monitor: Option<Monitor>,
    view: Option<LiveView>,
    touching: bool,
    /// How many hands press at once.
    hands: usize,
    /// When the crossing that lasts began, by the clock on the wall.
    over_since: Option<String>,
    begun: Instant,
    first_sample: Option<Instant>,
    stop_after: Option<Duration>,
    failure: Option<String>,
    stopping: bool,
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
            ..MonitorOptions::default()
        };
        let recorder = Recorder::start(&inputs, &study, request)?;
        let recorder = RecorderThread::start(recorder, &study.root)
            .map_err(|e| Error::io(&study.root, e, "close other programs and try again"))?;
        Ok(Session {
            settings: settings_in_use(&study),
            options,
            reference: ReferenceLoader::start(inputs, study.clone()),
            line: open_line(&port),
            line_ended: false,
            recorder,
            status: RecorderStatus::default(),
            monitor: None,
            view: None,
            touching: false,
            hands: 1,
            over_since: None,
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
            Command::Show => self.monitor.iter_mut().for_each(Monitor::show_last),
            other => self.recorder.send(RecorderInput::Command(other)),
        }
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
        self.stop_when_due();
    }

    /// A frame for a page or a meter; `None` before the first device. It takes the strip since the last call with it,
    /// so there must be one caller.
    pub fn view(&mut self) -> Option<&LiveView> {
        let state = &self.status.state;
        self.view = match (&mut self.monitor, self.view.take()) {
            (Some(monitor), _) => Some(monitor.view(state)),
            (None, view) => view.map(|view| view.without_device(state)),
        };
        self.view.as_ref()
    }

    /// Ends it in order: what is open is closed and kept.
    ///
    /// # Errors
    /// When a fault of the program ended the recorder.
    pub fn finish(mut self, on_event: OnEvent<'_>) -> Result<SessionReport> {
        self.leave_monitor(on_event);
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

    fn read_line(&mut self, wait: Duration, on_event: OnEvent<'_>) {
        if self.line_ended {
            std::thread::sleep(wait);
            return;
        }
        match self.line.recv_timeout(wait) {
            Ok(event) => {
                self.line_event(event, on_event);
                while let Ok(event) = self.line.try_recv() {
                    self.line_event(event, on_event);
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => self.line_ended = true,
        }
    }

    fn line_event(&mut self, event: LineEvent, on_event: OnEvent<'_>) {
        match event {
            LineEvent::Connected(station) => {
                self.leave_monitor(on_event);
                self.connected(&station, on_event);
                self.recorder.send(RecorderInput::Connected(station));
            }
            LineEvent::Samples(samples) => {
                if self.first_sample.is_none() && !samples.is_empty() {
                    self.first_sample = Some(Instant::now());
                }
                let seen = self.watch(&samples, on_event);
                self.recorder.send(RecorderInput::Samples(samples));
                // What was seen in the samples comes after them.
                seen.into_iter().for_each(|input| self.recorder.send(input));
            }
            LineEvent::Counts(counts) => self.recorder.send(RecorderInput::Counts(counts)),
            LineEvent::Gone(why) => {
                self.leave_monitor(on_event);
                self.recorder.send(RecorderInput::Gone(why));
            }
            LineEvent::Failed(why) => self.fail(why),
        }
    }

    fn fail(&mut self, why: String) {
        self.failure = Some(why);
        self.stopping = true;
    }

    fn connected(&mut self, station: &Station, on_event: OnEvent<'_>) {
        let options = MonitorOptions {
            calibrations: self.calibrations(station, on_event),
            ..self.options.clone()
        };
        let mut monitor = Monitor::new(station, &self.settings, options);
        let both_at_once = TraceColumns::of(station).is_ok_and(|c| c.both_at_once());
        self.hands = if both_at_once { 2 } else { 1 };
        monitor.set_about(&self.status.pressed_of);
        self.monitor = Some(monitor);
        self.update_reference();
    }

    fn update_reference(&mut self) {
        let reference = self.reference.values_for(&self.status.pressed_of, self.hands);
        if let Some(monitor) = &mut self.monitor {
            monitor.set_reference(reference);
        }
    }

    /// Those that turn the station's counts into N and mm: the ones it names itself, else the study's.
    fn calibrations(&self, station: &Station, on_event: OnEvent<'_>) -> Vec<Calibration> {
        let own: Vec<&String> = station
            .channels
            .iter()
            .filter_map(|c| c.calibration.as_ref())
            .collect();
        let names: Vec<&String> = match own.is_empty() {
            true => self.study.calibrations.iter().collect(),
            false => own,
        };
        let (all, problems) = Calibrations::in_folder(&self.study.root);
        for problem in problems {
            on_event(SessionEvent::Message(problem.to_string()));
        }
        all.iter().filter(|c| names.contains(&&c.name)).cloned().collect()
    }

    /// Gives samples to the monitor; the alarm is out before anything else is done. Returns what the recorder must know.
    fn watch(&mut self, samples: &[Sample], on_event: OnEvent<'_>) -> Vec<RecorderInput> {
        let Some(mut monitor) = self.monitor.take() else {
            return Vec::new();
        };
        let mut seen = Vec::new();
        for sample in samples {
            for event in monitor.push(sample) {
                seen.extend(self.monitor_event(&monitor, event, on_event));
            }
        }
        let touching = monitor.touching();
        if touching != self.touching {
            self.touching = touching;
            seen.push(RecorderInput::Touching(touching));
        }
        self.monitor = Some(monitor);
        seen
    }

    /// The line is gone or the session ends: what is open in the monitor ends here.
    fn leave_monitor(&mut self, on_event: OnEvent<'_>) {
        let Some(mut monitor) = self.monitor.take() else {
            return;
        };
        for event in monitor.finish() {
            let seen = self.monitor_event(&monitor, event, on_event);
            seen.into_iter().for_each(|input| self.recorder.send(input));
        }
        if std::mem::take(&mut self.touching) {
            self.recorder.send(RecorderInput::Touching(false));
        }
    }

    fn monitor_event(
        &mut self,
        monitor: &Monitor,
        event: MonitorEvent,
        on_event: OnEvent<'_>,
    ) -> Option<RecorderInput> {
        let visible = || monitor.gate(&self.status.state).running.is_none();
        match event {
            MonitorEvent::AlarmBegan(crossing) => {
                on_event(SessionEvent::AlarmBegan(alarm_view(&crossing, true, visible())));
                self.over_since = Some(stamp());
                None
            }
            MonitorEvent::AlarmEnded(crossing) => {
                on_event(SessionEvent::AlarmEnded {
                    alarm: alarm_view(&crossing, false, visible()),
                    duration_s: crossing.duration_s(),
                });
                Some(RecorderInput::OverCeiling(self.over_ceiling(&crossing)))
            }
            MonitorEvent::TestEnded(_) => Some(RecorderInput::TestEnded),
            MonitorEvent::Spring { .. } | MonitorEvent::Analysed(_) => None,
        }
    }

    fn over_ceiling(&mut self, crossing: &CeilingCrossing) -> OverCeiling {
        let about = &self.status.pressed_of;
        OverCeiling {
            time: self.over_since.take().unwrap_or_else(stamp),
            region: Some(crossing.ceiling.region).filter(|_| !crossing.ceiling.assumed),
            level: about.level,
            peak_n: crossing.peak_n,
            ceiling_n: crossing.ceiling.ceiling_n,
            duration_s: crossing.duration_s(),
            examiner: about.examiner.clone(),
        }
    }

    fn recorder_status(&mut self, status: RecorderStatus, on_event: OnEvent<'_>) {
        for message in &status.messages {
            on_event(SessionEvent::Message(message.clone()));
        }
        let moved = status.pressed_of != self.status.pressed_of;
        if moved && let Some(mut monitor) = self.monitor.take() {
            for event in monitor.set_about(&status.pressed_of) {
                let seen = self.monitor_event(&monitor, event, on_event);
                seen.into_iter().for_each(|input| self.recorder.send(input));
            }
            self.monitor = Some(monitor);
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
