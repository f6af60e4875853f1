//! What runs in a table's thread: attempts at a session, orders while one runs and between them, and what the pages are told.

use super::super::prompt::{Prompt, Situation};
use super::super::room::{ForTeacher, RoomStep, RoomTable, SteadyLoad};
use super::super::views::{TableView, place_view};
use super::orders::{Asked, TableOrder, TableSetup};
use crate::acquire::control::{Command, SessionState};
use crate::acquire::recorder::RecordingRequest;
use crate::error::{Error, Problem, Result};
use crate::fault::isolated;
use crate::live::server::{PageStream, sent_ms};
use crate::live::view::LiveView;
use crate::session::{Session, SessionEvent, SessionSetup};
use crate::study::folder::{Study, read_study};
use crate::study::inputs::collect_any;
use crate::terms::Feedback;
use std::collections::VecDeque;
use std::path::Path;
use std::sync::{Arc, PoisonError};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::time::{Duration, Instant};

/// How long the line may be silent before orders are looked at.
const WAIT: Duration = Duration::from_millis(5);
/// Between two frames of the page.
const FRAME: Duration = Duration::from_millis(25);
/// Between two attempts to open a station that could not be opened.
const TRY_AGAIN: Duration = Duration::from_secs(2);
/// People who are chosen while a hand is on wait so long for it to leave.
const HAND_LEAVES: Duration = Duration::from_secs(4);
/// Messages that the teacher sees of a table.
const MOST_MESSAGES: usize = 6;
/// Frames of the force that a weight is read from: two seconds.
const LOAD_FRAMES: usize = 80;

/// What a station does while nobody is chosen: nothing is kept but the over-ceiling log, and the lowest ceiling holds.
fn at_rest(session: &str) -> RecordingRequest {
    RecordingRequest {
        session: session.to_owned(),
        feedback: Feedback::Live,
        practice: true,
        others_record: true,
        tests_are_seen: true,
        ..RecordingRequest::default()
    }
}

/// How an attempt to run a session ended.
enum Attempt {
    /// Somebody wanted it.
    Asked,
    /// By itself, and why.
    Failed(String),
}

fn read(root: &Path) -> (Study, Vec<Problem>) {
    let mut problems = Vec::new();
    let study = read_study(root, &mut problems);
    (study, problems)
}

/// What runs in a table's thread.
pub(super) struct Driver {
    setup: TableSetup,
    stream: Arc<PageStream>,
    asked: Receiver<Asked>,
    request: RecordingRequest,
    paused: bool,
    /// Nobody is to be pressed here any more: at rest as soon as no hand is on.
    rest_when_off: bool,
    /// People who have been chosen, until the recorder has begun with them, and since when.
    beginning: Option<(SyncSender<Result<()>>, Instant)>,
    /// Why no device answers.
    away: Option<String>,
    /// Why the recording of somebody ended by itself; until people are chosen again.
    stopped: Option<String>,
    messages: VecDeque<String>,
    /// An order that waits for the hand to leave, and until when.
    waiting: Option<(Asked, Instant)>,
    /// The force shown in the last frames, in N.
    forces_n: VecDeque<f64>,
    framed: Instant,
}

impl Driver {
    /// One whose station rests.
    pub(super) fn new(setup: TableSetup, stream: Arc<PageStream>, asked: Receiver<Asked>) -> Driver {
        Driver {
            request: at_rest(&setup.session),
            stream,
            asked,
            paused: false,
            rest_when_off: false,
            beginning: None,
            away: None,
            stopped: None,
            messages: VecDeque::new(),
            waiting: None,
            forces_n: VecDeque::new(),
            framed: Instant::now(),
            setup,
        }
    }

    /// Runs until somebody ends the table.
    pub(super) fn run(&mut self) {
        loop {
            let ended = match isolated(|| self.attempt()) {
                Ok(Ok(ended)) => ended,
                Ok(Err(error)) => Attempt::Failed(error.to_string()),
                Err(fault) => Attempt::Failed(format!("{fault} ended this table; it is started anew. Please report this line")),
            };
            match ended {
                Attempt::Asked => return,
                Attempt::Failed(why) => {
                    self.failed(why);
                    if !self.wait_and_answer() {
                        return;
                    }
                }
            }
        }
    }

    /// What was being recorded is over; the alarm is back as soon as the station is.
    fn failed(&mut self, why: String) {
        if !self.request.practice {
            self.stopped = Some(why.clone());
        }
        self.say(why.clone());
        self.away = Some(why);
        let waiting = self.waiting.take().map(|(asked, _)| asked.answer);
        for answer in waiting.into_iter().chain(self.beginning.take().map(|(answer, _)| answer)) {
            let _ = answer.send(Err(self.nobody_there()));
        }
        self.request = at_rest(&self.setup.session);
        self.show_without_session();
    }

    /// Answers orders until it is time for the next attempt; false when the table is to end.
    fn wait_and_answer(&mut self) -> bool {
        let until = Instant::now() + TRY_AGAIN;
        loop {
            let left = until.saturating_duration_since(Instant::now());
            match self.asked.recv_timeout(left) {
                Ok(asked) => {
                    let ends = matches!(asked.order, TableOrder::End);
                    let answer = match asked.order {
                        TableOrder::Command(_) | TableOrder::Begin(_) => Err(self.nobody_there()),
                        TableOrder::Rest => {
                            self.stopped = None;
                            Ok(())
                        }
                        other => {
                            self.kept(other);
                            Ok(())
                        }
                    };
                    let _ = asked.answer.send(answer);
                    if ends {
                        return false;
                    }
                    self.show_without_session();
                }
                Err(RecvTimeoutError::Timeout) => return true,
                Err(RecvTimeoutError::Disconnected) => return false,
            }
        }
    }

    fn nobody_there(&self) -> Error {
        Error::Refused {
            found: format!("the station at {} does not answer", self.setup.entry.name),
            advice: "look at its cable and its switch; it is looked for all the time".to_owned(),
        }
    }

    fn attempt(&mut self) -> Result<Attempt> {
        let inputs = collect_any(std::slice::from_ref(&self.setup.root))?;
        let study = inputs.study.clone().ok_or_else(|| Error::Refused {
            found: format!("{} is no study any more", self.setup.root.display()),
            advice: "put its study.toml back".to_owned(),
        })?;
        let mut session = Session::start(SessionSetup {
            study,
            inputs,
            request: self.request.clone(),
            port: self.setup.entry.port.clone(),
            stop_after: None,
        })?;
        let mut ends = false;
        while session.is_running() && !ends {
            session.advance(WAIT, &mut |event| self.event(event));
            ends = self.answer(&mut session);
            if self.framed.elapsed() >= FRAME {
                self.framed = Instant::now();
                self.show(&mut session);
            }
        }
        let last_words = Arc::clone(&self.setup.last_words);
        let report = session.finish(&mut |event| {
            if let SessionEvent::Message(words) = &event {
                last_words.lock().unwrap_or_else(PoisonError::into_inner).push(words.clone());
            }
            self.event(event);
        })?;
        Ok(match ends {
            true => Attempt::Asked,
            false => Attempt::Failed(report.failure.unwrap_or_else(|| "the recording ended".to_owned())),
        })
    }

    fn event(&mut self, event: SessionEvent) {
        match event {
            SessionEvent::AlarmBegan(alarm) | SessionEvent::AlarmEnded { alarm, .. } => {
                self.stream.alarm(&alarm);
                self.setup.room.alarm(self.setup.entry.id, &alarm);
            }
            SessionEvent::Message(words) => self.say(words),
        }
    }

    fn say(&mut self, words: String) {
        if self.messages.back() == Some(&words) {
            return;
        }
        if self.messages.len() == MOST_MESSAGES {
            self.messages.pop_front();
        }
        self.messages.push_back(words);
    }

    /// Does what was ordered since the last call; true when the table is to end.
    fn answer(&mut self, session: &mut Session) -> bool {
        self.answer_begun(session);
        let due = self
            .waiting
            .take_if(|(_, until)| !session.is_touched() || Instant::now() >= *until);
        if let Some((asked, _)) = due {
            self.do_and_answer(session, asked);
        }
        while let Ok(asked) = self.asked.try_recv() {
            let changes_people = matches!(asked.order, TableOrder::Begin(_) | TableOrder::Rest);
            if changes_people && session.is_touched() && self.waiting.is_none() {
                self.waiting = Some((asked, Instant::now() + HAND_LEAVES));
                continue;
            }
            let ends = matches!(asked.order, TableOrder::End);
            self.do_and_answer(session, asked);
            if ends {
                return true;
            }
        }
        if self.rest_when_off && !session.is_touched() && !session.is_beginning() {
            self.rest_when_off = self.rest(session).is_err();
        }
        false
    }

    /// Whoever chose people hears of it when the recorder has begun with them, and the room shows it.
    fn answer_begun(&mut self, session: &mut Session) {
        let begun = self
            .beginning
            .take_if(|(_, since)| !session.is_beginning() || since.elapsed() >= HAND_LEAVES);
        if let Some((answer, _)) = begun {
            self.show(session);
            let _ = answer.send(Ok(()));
        }
    }

    fn do_and_answer(&mut self, session: &mut Session, asked: Asked) {
        let done = self.done(session, asked.order);
        match done.is_ok() && session.is_beginning() && self.beginning.is_none() {
            true => self.beginning = Some((asked.answer, Instant::now())),
            false => drop(asked.answer.send(done)),
        }
    }

    fn rest(&mut self, session: &mut Session) -> Result<()> {
        let request = at_rest(&self.setup.session);
        session.begin(request.clone())?;
        self.request = request;
        Ok(())
    }

    fn done(&mut self, session: &mut Session, order: TableOrder) -> Result<()> {
        match order {
            TableOrder::Command(Command::Stop | Command::NextLearner) => Err(Error::Refused {
                found: "a table does not end or change its people so".to_owned(),
                advice: "choose learner and volunteer".to_owned(),
            }),
            TableOrder::Command(_) | TableOrder::Begin(_) if self.paused => Err(Error::Refused {
                found: "the teacher has paused this table".to_owned(),
                advice: "wait until it goes on".to_owned(),
            }),
            TableOrder::Command(command) => {
                session.command(command);
                Ok(())
            }
            // A session waits for its device to come back; nobody is to stand at a table meanwhile and press unrecorded.
            TableOrder::Begin(_) if !session.is_connected() => Err(self.nobody_there()),
            // Pressed twice in a hurry: they have begun already.
            TableOrder::Begin(request) if *request == self.request && !request.afresh && self.stopped.is_none() => Ok(()),
            TableOrder::Begin(request) => {
                session.begin((*request).clone())?;
                (self.request, self.stopped, self.rest_when_off) = (*request, None, false);
                Ok(())
            }
            TableOrder::Rest => {
                self.rest(session)?;
                self.stopped = None;
                Ok(())
            }
            TableOrder::Withdraw(why) => {
                (self.stopped, self.rest_when_off) = (Some(why), true);
                Ok(())
            }
            TableOrder::ReadAgain => {
                let (study, problems) = read(&self.setup.root);
                if study.faulty {
                    return Err(problems.into_iter().next().map_or_else(|| self.nobody_there(), Error::from));
                }
                session.set_ceilings(&study, &mut |event| self.event(event));
                Ok(())
            }
            other => {
                self.kept(other);
                Ok(())
            }
        }
    }

    /// Takes what needs no session.
    fn kept(&mut self, order: TableOrder) {
        match order {
            TableOrder::Pause(paused) => self.paused = paused,
            TableOrder::Rename(name) => self.setup.entry.name = name,
            _ => {}
        }
    }

    fn show(&mut self, session: &mut Session) {
        let state = session.state().clone();
        if session.is_connected() {
            self.away = None;
        } else if self.away.is_none() {
            let port = &self.setup.entry.port;
            self.away = Some(self.messages.back().cloned().unwrap_or_else(|| format!("no device answers on {port}")));
        }
        let (zero_is_taken, hand_on) = (session.zero_is_taken(), session.is_touched());
        let view = session.view().cloned();
        if let Some(view) = &view {
            self.stream.publish(view, sent_ms(self.setup.begun));
            self.stream.state("both", &view.level_tests());
        }
        match view.as_ref().and_then(|v| v.now.as_ref()) {
            Some(now) => {
                if self.forces_n.len() == LOAD_FRAMES {
                    self.forces_n.pop_front();
                }
                self.forces_n.push_back(now.total_n);
            }
            None => self.forces_n.clear(),
        }
        self.tell(&state, view.as_ref(), zero_is_taken, hand_on);
    }

    /// Mean and spread of the force, once two seconds of it are there.
    fn load(&self) -> Option<SteadyLoad> {
        let n = self.forces_n.len();
        if n < LOAD_FRAMES {
            return None;
        }
        let mean_n = self.forces_n.iter().sum::<f64>() / n as f64;
        let squares: f64 = self.forces_n.iter().map(|f| (f - mean_n).powi(2)).sum();
        Some(SteadyLoad {
            mean_n,
            spread_n: (squares / (n - 1) as f64).sqrt(),
        })
    }

    fn show_without_session(&mut self) {
        let state = SessionState {
            practice: true,
            ..SessionState::default()
        };
        self.tell(&state, None, false, false);
    }

    fn tell(&self, state: &SessionState, view: Option<&LiveView>, zero_is_taken: bool, hand_on: bool) {
        let prompt = Prompt::of(Situation {
            state,
            paused: self.paused,
            away: self.away.as_deref(),
            stopped: self.stopped.as_deref(),
            zero_is_taken,
            hand_on,
        });
        let entry = &self.setup.entry;
        let plan = self.request.plan.as_ref().map(|p| p.name.clone());
        let prompt = prompt.view();
        self.stream.state(
            "table",
            &TableView {
                id: entry.id,
                name: &entry.name,
                prompt: &prompt,
                subject: state.subject.as_deref(),
                examiner: state.examiner.as_deref(),
                session: &self.request.session,
                plan: plan.as_deref(),
                resting: self.request.practice,
                paused: self.paused,
                place: state.step.as_ref().map(place_view),
                tests: if self.request.practice { 0 } else { state.tests },
                missing: &state.missing,
                ended: state.ended,
            },
        );
        let connected = view.is_some() && self.away.is_none();
        let now = view.and_then(|v| v.now.as_ref()).filter(|_| connected);
        self.setup.room.set(RoomTable {
            id: entry.id,
            name: entry.name.clone(),
            subject: state.subject.clone(),
            examiner: state.examiner.clone(),
            step: state.step.as_ref().map(|s| RoomStep {
                number: s.number,
                of: s.of,
                place: format!("{} {}", s.level.label(), s.side),
            }),
            prompt,
            phase: now.map(|n| n.phase),
            force_n: now.map(|n| n.total_n),
            hidden: view.and_then(|v| v.hidden.clone()),
            ceiling_n: view.map(|v| v.ceiling.ceiling_n),
            region: view.filter(|v| !v.ceiling.assumed).map(|v| v.ceiling.region),
            alarm: view.is_some_and(|v| v.alarm.as_ref().is_some_and(|a| a.on)),
            crossings: view.map_or(0, |v| v.crossings),
            connected,
            touched: hand_on,
            age_ms: None,
            arrived_unix_ms: view.and_then(|v| v.arrived_unix_ms),
            newest: view.and_then(|v| v.newest),
            load: self.load(),
            teacher: Some(ForTeacher {
                port: entry.port.clone(),
                device: view.map(|v| v.device.clone()),
                rate_hz: view.map(|v| v.rate_hz),
                plan,
                paused: self.paused,
                warnings: view.map(|v| v.warnings.clone()).unwrap_or_default(),
                messages: self.messages.iter().cloned().collect(),
                missing: state.missing.clone(),
            }),
        });
    }
}
