//! An invented session: a simulated scan played to a page at the pace of its own clock.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tautpoint::acquire::station::{ChannelQuantity, MAX_CHANNELS, Sample, Station, StationChannel};
use tautpoint::live::control::{Command, SessionState, StepState};
use tautpoint::live::monitor::{Monitor, MonitorEvent, MonitorOptions, alarm_view};
use tautpoint::live::server::{Hub, serve};
use tautpoint::settings::Settings;
use tautpoint::simulate::{
    Elastic, Examiner, Sensor, Tissue, TraceSpec, TwoHands, simulate_bilateral, simulate_scan,
};
use tautpoint::terms::{Contact, Feedback, Landmark, Level, LineOfDrive, Posture, Side, StepSide};
use tautpoint::trace::Trace;

/// A station whose channels are those of a trace.
pub fn station_of(trace: &Trace, rate_hz: f64) -> Station {
    let channel = |quantity, side, unit: &str| StationChannel {
        quantity,
        side,
        unit: unit.to_owned(),
        per_count: 1.0,
        sensor: None,
        calibration: None,
    };
    let mut channels = Vec::new();
    for c in &trace.channels {
        channels.push(channel(ChannelQuantity::Force, c.side, "N"));
    }
    for (i, c) in trace.channels.iter().enumerate() {
        if c.displacement_mm.is_some() && !(c.displacement_shared && i > 0) {
            let side = c.side.filter(|_| !c.displacement_shared);
            channels.push(channel(ChannelQuantity::Displacement, side, "mm"));
        }
    }
    Station {
        device: "bench <b>one</b>".to_owned(),
        rate_hz,
        channels,
    }
}

/// A row of a trace as the station's sample.
pub fn sample_of(trace: &Trace, row: usize) -> Sample {
    let mut values = [f64::NAN; MAX_CHANNELS];
    let forces = trace.channels.iter().map(|c| c.force_n[row]);
    let own = |(i, c): &(usize, &tautpoint::trace::Channel)| !(c.displacement_shared && *i > 0);
    let displacements = trace.channels.iter().enumerate().filter(own);
    let displacements = displacements.filter_map(|(_, c)| c.displacement_mm.as_ref().map(|x| x[row]));
    for (to, value) in values.iter_mut().zip(forces.chain(displacements)) {
        *to = value;
    }
    Sample {
        time_s: trace.time_s[row],
        arrived: Instant::now(),
        values,
    }
}

fn sensor() -> Sensor {
    Sensor {
        rate_hz: 2000.0,
        ..Sensor::default()
    }
}

fn tissue(end_feel_n_per_mm: f64) -> Tissue {
    Tissue {
        elastic: Elastic::Knee {
            take_up_n_per_mm: 1.6,
            end_feel_n_per_mm,
            onset_mm: 8.0,
            width_mm: 0.15,
        },
        ..Tissue::default()
    }
}

/// Tests of one side at 2 kHz, 9 s each, force to about 66 N.
pub fn one_side() -> Trace {
    let spec = TraceSpec {
        tissue: tissue(11.0),
        sensor: sensor(),
        ..TraceSpec::default()
    };
    simulate_scan(&vec![spec; 6], false, 11).trace
}

/// Two such tests with 12 s between them.
pub fn far_apart() -> Trace {
    let spec = TraceSpec {
        tissue: tissue(11.0),
        sensor: sensor(),
        examiner: Examiner {
            unloaded_after_s: 12.0,
            ..Examiner::default()
        },
    };
    simulate_scan(&vec![spec; 2], false, 11).trace
}

/// Both hands on at once, each with its own displacement: 5 s and one more for each spring, then none.
pub fn both_hands(springs: u32) -> Trace {
    let hands = TwoHands {
        shared_displacement: false,
        left_share: 0.47,
    };
    let examiner = Examiner {
        springs,
        unloaded_after_s: 90.0,
        ..Examiner::default()
    };
    simulate_bilateral(&tissue(9.0), &tissue(12.0), &examiner, &sensor(), hands, 5).trace
}

/// A step of a plan.
pub fn state(level: &str, side: &str, feedback: Feedback) -> SessionState {
    SessionState {
        subject: Some("V-07".into()),
        examiner: Some("L-12".into()),
        session: Some("2026-09-14".into()),
        step: Some(StepState {
            number: 5,
            of: 34,
            level: Level::parse(level).unwrap(),
            side: StepSide::parse(side).unwrap(),
            trial: 1,
            landmark: Landmark::new("mammillary processes"),
            contact: Some(Contact::Thumb),
            posture: Posture::new("prone"),
            line_of_drive: LineOfDrive::new(90.0),
        }),
        feedback,
        ..SessionState::default()
    }
}

/// How a session is played.
pub struct Play {
    pub trace: Trace,
    pub state: SessionState,
    pub options: MonitorOptions,
    pub settings: Settings,
    pub addr: SocketAddr,
    /// 2 plays twice as fast.
    pub speed: f64,
    /// Plays to this device time, then the device falls silent; the page stays.
    pub silent_after_s: f64,
}

impl Play {
    pub fn new(trace: Trace, state: SessionState) -> Self {
        Play {
            trace,
            state,
            options: MonitorOptions::default(),
            settings: Settings::default(),
            addr: "127.0.0.1:0".parse().unwrap(),
            speed: 1.0,
            silent_after_s: f64::INFINITY,
        }
    }

    pub fn begin(self) -> Playing {
        let hub = serve(self.addr, None).unwrap();
        let mut playing = Playing {
            url: hub.url(),
            addr: hub.addr(),
            state: Arc::new(Mutex::new(self.state.clone())),
            commands: Arc::default(),
            events: Arc::default(),
            alarms_unix_ms: Arc::default(),
            go: Arc::default(),
            stop: Arc::default(),
            thread: None,
        };
        let mut player = Player {
            play: self,
            hub,
            state: Arc::clone(&playing.state),
            commands: Arc::clone(&playing.commands),
            events: Arc::clone(&playing.events),
            alarms_unix_ms: Arc::clone(&playing.alarms_unix_ms),
        };
        let (go, stop) = (Arc::clone(&playing.go), Arc::clone(&playing.stop));
        playing.thread = Some(std::thread::spawn(move || player.run(&go, &stop)));
        playing
    }
}

/// A session being played.
pub struct Playing {
    pub url: String,
    pub addr: SocketAddr,
    pub state: Arc<Mutex<SessionState>>,
    pub commands: Arc<Mutex<Vec<Command>>>,
    pub events: Arc<Mutex<Vec<MonitorEvent>>>,
    /// When the samples of each alarm came, in ms since 1970.
    pub alarms_unix_ms: Arc<Mutex<Vec<f64>>>,
    go: Arc<AtomicBool>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Playing {
    /// Samples begin to come.
    pub fn go(&self) {
        self.go.store(true, Ordering::Relaxed);
    }

    pub fn tests_ended(&self) -> usize {
        let events = self.events.lock().unwrap();
        events
            .iter()
            .filter(|e| matches!(e, MonitorEvent::Analysed(_)))
            .count()
    }

    /// Waits for a number of tests to be analysed.
    pub fn until_tests(&self, count: usize) {
        let end = Instant::now() + Duration::from_secs(40);
        while self.tests_ended() < count {
            assert!(Instant::now() < end, "{} of {count} tests", self.tests_ended());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Ends the session and its server, and waits for it.
    pub fn end(mut self) {
        self.halt();
    }

    fn halt(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.join().unwrap();
        }
    }
}

impl Drop for Playing {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

struct Player {
    play: Play,
    hub: Hub,
    state: Arc<Mutex<SessionState>>,
    commands: Arc<Mutex<Vec<Command>>>,
    events: Arc<Mutex<Vec<MonitorEvent>>>,
    alarms_unix_ms: Arc<Mutex<Vec<f64>>>,
}

impl Player {
    fn run(&mut self, go: &AtomicBool, stop: &AtomicBool) {
        let station = station_of(&self.play.trace, 2000.0);
        let mut monitor = Monitor::new(&station, &self.play.settings, self.play.options.clone());
        let mut begun: Option<Instant> = None;
        let mut row = 0;
        let mut frame = Instant::now();
        while !stop.load(Ordering::Relaxed) {
            if begun.is_none() && go.load(Ordering::Relaxed) {
                begun = Some(Instant::now());
            }
            let played_s = begun.map_or(-1.0, |b| b.elapsed().as_secs_f64() * self.play.speed);
            let played_s = played_s.min(self.play.silent_after_s);
            let state = self.state.lock().unwrap().clone();
            let level = state.step.as_ref().map(|s| s.level);
            let side = state.step.as_ref().and_then(|s| Side::parse(s.side.word()));
            let mut events = monitor.set_step(level, side);
            while row < self.play.trace.time_s.len() && self.play.trace.time_s[row] <= played_s {
                let sample = sample_of(&self.play.trace, row);
                let told = monitor.push(&sample);
                if told.iter().any(|e| matches!(e, MonitorEvent::AlarmBegan(_))) {
                    let came = SystemTime::now() - sample.arrived.elapsed();
                    let came = came.duration_since(UNIX_EPOCH).unwrap().as_secs_f64() * 1e3;
                    self.alarms_unix_ms.lock().unwrap().push(came);
                }
                events.extend(told);
                row += 1;
            }
            events.extend(monitor.poll());
            self.tell(&monitor, &state, &events);
            for command in self.hub.commands.try_iter() {
                if command == Command::Show {
                    monitor.show_last();
                }
                self.commands.lock().unwrap().push(command);
            }
            self.events.lock().unwrap().extend(events);
            if frame.elapsed() >= Duration::from_micros(33_333) {
                frame = Instant::now();
                self.hub.publish(&monitor.view(&state));
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// An alarm does not wait for the next frame.
    fn tell(&self, monitor: &Monitor, state: &SessionState, events: &[MonitorEvent]) {
        let visible = monitor.gate(state).running.is_none();
        for event in events {
            match event {
                MonitorEvent::AlarmBegan(c) => self.hub.alarm(&alarm_view(c, true, visible)),
                MonitorEvent::AlarmEnded(c) => self.hub.alarm(&alarm_view(c, false, visible)),
                _ => {}
            }
        }
    }
}
