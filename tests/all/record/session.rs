//! A session without a terminal: commands in, events and state out, as a page or a program with several stations
//! drives it.

use super::bench::{kept, names, plan, request, study};
use std::path::Path;
use std::time::{Duration, Instant};
use tautpoint::acquire::control::Command;
use tautpoint::acquire::recorder::RecordingRequest;
use tautpoint::session::{Session, SessionEvent, SessionReport, SessionSetup};
use tautpoint::study::inputs::collect_any;
use tautpoint::study::mapping::ColumnKey;
use tautpoint::terms::{Feedback, Level, RecordingStatus, Region};

/// What the slowest machine gets.
const PATIENCE: Duration = Duration::from_secs(60);

pub fn setup(root: &Path, port: &str, request: RecordingRequest) -> SessionSetup {
    let inputs = collect_any(&[root.to_owned()]).unwrap();
    SessionSetup {
        study: inputs.study.clone().unwrap(),
        inputs,
        request,
        port: port.to_owned(),
        stop_after: None,
    }
}

/// A session and everything that it reported.
pub struct Driven {
    pub session: Session,
    events: Vec<SessionEvent>,
}

impl Driven {
    pub fn start(setup: SessionSetup) -> Driven {
        Driven {
            session: Session::start(setup).unwrap(),
            events: Vec::new(),
        }
    }

    pub fn until(&mut self, what: &str, done: impl Fn(&Session, &[SessionEvent]) -> bool) {
        let begun = Instant::now();
        while !done(&self.session, &self.events) {
            assert!(begun.elapsed() < PATIENCE, "{what}: {:#?}", self.events);
            assert!(self.session.is_running(), "{what}: {:#?}", self.events);
            let events = &mut self.events;
            self.session
                .advance(Duration::from_millis(10), &mut |event| events.push(event));
        }
    }

    fn until_said(&mut self, words: &str) {
        self.until(words, |_, events| said(events, words));
    }

    fn until_step(&mut self, number: usize) {
        self.until("step", |session, _| {
            session.state().step.as_ref().is_some_and(|s| s.number == number)
        });
    }

    pub fn finish(mut self) -> (SessionReport, Vec<SessionEvent>) {
        let events = &mut self.events;
        let report = self.session.finish(&mut |event| events.push(event)).unwrap();
        (report, self.events)
    }
}

fn said(events: &[SessionEvent], words: &str) -> bool {
    let is = |e: &SessionEvent| matches!(e, SessionEvent::Message(m) if m.contains(words));
    events.iter().any(is)
}

#[test]
fn commands_move_the_scan_and_what_is_kept_is_what_was_pressed() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let steps = [("L3", "left"), ("L3", "right"), ("L4", "left")];
    let request = RecordingRequest {
        plan: Some(plan(&steps)),
        ..request()
    };
    let mut driven = Driven::start(setup(&root, "sim:speed=4,levels=L3", request));
    driven.until_said("L3 left: a test was seen");
    let view = driven.session.view().unwrap();
    assert_eq!(
        (view.device.as_str(), view.ceiling.ceiling_n),
        ("virtual device", 175.0)
    );
    driven.session.command(Command::Next);
    driven.until_step(2);
    driven.session.command(Command::Skip);
    driven.until_step(3);
    driven.session.command(Command::Stop);
    assert!(!driven.session.is_running());
    let (report, events) = driven.finish();
    assert!(said(&events, "missing: L3 right"), "{events:#?}");
    assert_eq!(report.failure, None);
    assert_eq!(report.kept, names(&root).len());
    let view = report.view.unwrap();
    assert_eq!((view.now, view.strip), (None, None));
    let kept = kept(&root);
    let (_, left) = &kept["recordings/2026-09-14/V-07_L-11_L3_left_1.csv"];
    assert_eq!(left.status, Some(RecordingStatus::Complete));
    let (_, right) = &kept["recordings/2026-09-14/V-07_L-11_L3_right_1.csv"];
    assert!(right.about.excluded.is_some());
}

#[test]
fn two_stations_run_at_once_and_one_that_fails_does_not_disturb_the_other() {
    let dir = tempfile::tempdir().unwrap();
    let (one, other) = (study(&dir.path().join("1")), study(&dir.path().join("2")));
    // Pressed over the ceiling of the neck, 60 N, while no measured value may be shown.
    let neck = RecordingRequest {
        level: Some(Level::C4),
        feedback: Feedback::None,
        ..request()
    };
    let sound = setup(&one, "sim:speed=4,levels=L3", neck);
    let mut failing = Driven::start(setup(&other, "sim:speed=-1", request()));
    // A session can be handed to a thread of its own.
    let sound = std::thread::spawn(move || {
        let mut driven = Driven::start(sound);
        driven.until("an alarm that ended", |_, events| {
            events
                .iter()
                .any(|e| matches!(e, SessionEvent::AlarmEnded { .. }))
        });
        driven.finish()
    });
    while failing.session.is_running() {
        failing.session.advance(Duration::from_millis(10), &mut |_| {});
    }
    let (report, _) = failing.finish();
    assert!(report.failure.unwrap().contains("speed"));
    assert_eq!(report.kept, 0);
    let (report, events) = sound.join().unwrap();
    assert_eq!(report.kept, 1);
    let alarm = events.iter().find_map(|e| match e {
        SessionEvent::AlarmBegan(alarm) => Some(alarm),
        _ => None,
    });
    let alarm = alarm.unwrap();
    assert_eq!(
        (alarm.region, alarm.ceiling_n, alarm.peak_n),
        (Region::Neck, 60.0, None)
    );
    let log = std::fs::read_to_string(one.join("over-ceiling.csv")).unwrap();
    assert!(log.lines().count() > 1 && log.contains(",neck,C4,"), "{log}");
}

#[test]
fn a_blind_study_shows_no_value_whatever_feedback_was_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    std::fs::write(root.join("study.toml"), "title = \"Invented\"\nblind = true\n").unwrap();
    let mut driven = Driven::start(setup(&root, "sim:speed=4,levels=L3", request()));
    driven.until_said("a test was seen");
    assert_eq!(driven.session.state().feedback, Feedback::None);
    let view = driven.session.view().unwrap();
    assert_eq!((&view.now, &view.strip, &view.last), (&None, &None, &None));
    driven.session.command(Command::Stop);
    driven.finish();
}

#[test]
fn a_force_that_counts_down_is_said_and_the_gain_stands_in_the_sidecar() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    // The virtual device counts up: with this gain it is an inverted sensor.
    std::fs::write(
        root.join("study.toml"),
        "[gain]\nforce = -1\n\n[ceiling_n]\nlumbar = 20.0\n",
    )
    .unwrap();
    let request = RecordingRequest {
        plan: Some(plan(&[("L3", "left")])),
        ..request()
    };
    let mut driven = Driven::start(setup(&root, "sim:speed=4,levels=L3", request));
    driven.until_said("force counts down when it is pushed");
    driven.until("alarm", |session, _| session.is_over_ceiling());
    assert!(
        said(&driven.events, "write force = 1 under [gain]"),
        "{:#?}",
        driven.events
    );
    let warnings = driven.session.view().unwrap().warnings.join("\n");
    assert!(warnings.contains("counts down"), "{warnings}");
    driven.session.command(Command::Stop);
    driven.finish();
    let kept = kept(&root);
    let (text, sidecar) = &kept["recordings/2026-09-14/V-07_L-11_L3_left_1.csv"];
    let column = &sidecar.columns.columns[&ColumnKey::Force];
    assert_eq!((column.name.as_str(), column.gain), ("force_n", Some(-1.0)));
    assert!(!text.contains("-4"), "the trace stays as the device gave it");
}
