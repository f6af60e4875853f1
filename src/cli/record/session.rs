//! The loop: samples to the monitor first, then to the keeper; alarm, page, meter, keys.

mod alarm;
mod looking;

use self::looking::without_device;
use super::Args;
use super::keeping::{Hear, Keeping, Told};
use super::keys::Keys;
use super::meter::Meter;
use super::setup::Setup;
use super::target::Targets;
use crate::acquire::line::open_line;
use crate::acquire::recorder::columns::Columns;
use crate::acquire::recorder::lock::StudyLock;
use crate::acquire::station::{LineEvent, Sample, Station};
use crate::batch::settings_in_use;
use crate::calibrate::Calibration;
use crate::cli::Outcome;
use crate::live::monitor::{Monitor, MonitorOptions};
use crate::live::server::{Hub, new_token, serve};
use crate::live::summary::TestView;
use crate::live::view::View;
use crate::read::calibrations::Calibrations;
use crate::settings::Settings;
use crate::study::inputs::Study;
use anyhow::bail;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

/// How long the line may be silent before keys and page are looked at.
const WAIT: Duration = Duration::from_millis(10);
/// Frames of the page.
const FRAME: Duration = Duration::from_micros(33_333);
/// Frames that nobody sees.
const UNSEEN: Duration = Duration::from_secs(1);
/// A device that never sends ends a recording of so many seconds after so many more.
const GRACE: Duration = Duration::from_secs(10);
/// Where the page listens on this computer when that is free.
const PAGE_PORT: u16 = 8350;

/// A session that runs.
pub struct Session {
    study: Study,
    settings: Settings,
    options: MonitorOptions,
    targets: Targets,
    line: Receiver<LineEvent>,
    line_ended: bool,
    keeping: Keeping,
    keys: Keys,
    /// Somebody can still press keys.
    keys_open: bool,
    hub: Option<Hub>,
    meter: Meter,
    monitor: Option<Monitor>,
    told: Told,
    begun: Instant,
    first_sample: Option<Instant>,
    seconds: Option<Duration>,
    framed: Instant,
    view: Option<View>,
    /// The last test that was printed.
    printed: Option<Arc<TestView>>,
    printed_step: Option<String>,
    warned: Vec<String>,
    touching: bool,
    /// How many press at once.
    hands: usize,
    /// When the crossing that lasts began.
    over_since: Option<String>,
    failed: Option<String>,
    stopping: bool,
    quiet: bool,
    /// Held to the end.
    _lock: Option<StudyLock>,
}

impl Session {
    /// Opens the line, the page and the keyboard.
    pub fn begin(args: &Args, setup: Setup, quiet: bool) -> anyhow::Result<Session> {
        let hub = page(args)?;
        if let Some(hub) = &hub {
            eprintln!("page: {}", hub.url());
        }
        let options = MonitorOptions {
            calls: args.calls,
            ..MonitorOptions::default()
        };
        let settings = settings_in_use(&setup.study);
        let keeping = Keeping::begin(setup.keeper, &setup.study.root)?;
        let line = open_line(&setup.port);
        let keys = Keys::listen();
        let mut meter = Meter::new(quiet, keys.columns);
        if !quiet && keys.single() {
            meter.say(
                "keys: n next, r repeat, k skip, l l next learner, v show, q q stop; calls 1 left, 2 right, 3 even, 4 unsure",
            );
        }
        Ok(Session {
            settings,
            options,
            targets: Targets::begin(setup.inputs, setup.study.clone()),
            line,
            line_ended: false,
            keeping,
            keys,
            keys_open: true,
            hub,
            meter,
            monitor: None,
            told: Told::default(),
            begun: Instant::now(),
            first_sample: None,
            seconds: args.seconds.map(Duration::from_secs_f64),
            framed: Instant::now(),
            view: None,
            printed: None,
            printed_step: None,
            warned: Vec::new(),
            touching: false,
            hands: 1,
            over_since: None,
            failed: None,
            stopping: false,
            quiet,
            study: setup.study,
            _lock: setup.lock,
        })
    }

    /// Runs until somebody or something ends it.
    pub fn run(mut self) -> anyhow::Result<Outcome> {
        while !self.stopping && !self.told.ended {
            self.hear_line();
            self.look();
            self.mind_the_end();
        }
        self.end()
    }

    fn hear_line(&mut self) {
        if self.line_ended {
            std::thread::sleep(WAIT);
            return;
        }
        match self.line.recv_timeout(WAIT) {
            Ok(event) => {
                self.event(event);
                while let Ok(event) = self.line.try_recv() {
                    self.event(event);
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => self.line_ended = true,
        }
    }

    fn event(&mut self, event: LineEvent) {
        match event {
            LineEvent::Connected(station) => {
                self.leave_monitor();
                self.connected(&station);
                self.keeping.hear(Hear::Connected(station));
            }
            LineEvent::Samples(samples) => {
                if self.first_sample.is_none() && !samples.is_empty() {
                    self.first_sample = Some(Instant::now());
                }
                let told = self.watch(&samples);
                self.keeping.hear(Hear::Samples(samples));
                // What was seen in samples is told after them.
                told.into_iter().for_each(|h| self.keeping.hear(h));
            }
            LineEvent::Counts(counts) => self.keeping.hear(Hear::Counts(counts)),
            LineEvent::Gone(why) => {
                self.leave_monitor();
                self.keeping.hear(Hear::Gone(why));
            }
            LineEvent::Failed(why) => {
                self.failed = Some(why);
                self.stopping = true;
            }
        }
    }

    fn connected(&mut self, station: &Station) {
        let options = MonitorOptions {
            calibrations: self.calibrations(station),
            ..self.options.clone()
        };
        let mut monitor = Monitor::new(station, &self.settings, options);
        let columns = Columns::of(station);
        self.hands = if columns.is_ok_and(|c| c.both_at_once()) {
            2
        } else {
            1
        };
        monitor.set_about(&self.told.pressed_of);
        monitor.set_reference(self.targets.at(&self.told.pressed_of, self.hands));
        self.monitor = Some(monitor);
    }

    /// Those that turn the station's counts into N and mm: the ones it names itself, else the study's.
    fn calibrations(&mut self, station: &Station) -> Vec<Calibration> {
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
            self.meter.say(&problem.to_string());
        }
        all.iter().filter(|c| names.contains(&&c.name)).cloned().collect()
    }

    /// Gives the samples to the monitor; the alarm is out before anything else is done. Gives what the keeper is to hear.
    fn watch(&mut self, samples: &[Sample]) -> Vec<Hear> {
        let Some(mut monitor) = self.monitor.take() else {
            return Vec::new();
        };
        let mut hears = Vec::new();
        for sample in samples {
            for event in monitor.push(sample) {
                self.happened(&monitor, event, &mut hears);
            }
        }
        let touching = monitor.touching();
        if touching != self.touching {
            self.touching = touching;
            hears.push(Hear::Touching(touching));
        }
        self.monitor = Some(monitor);
        hears
    }

    /// The line is gone or the session ends: what is open in the monitor ends here.
    fn leave_monitor(&mut self) {
        let Some(mut monitor) = self.monitor.take() else {
            return;
        };
        let mut hears = Vec::new();
        for event in monitor.finish() {
            self.happened(&monitor, event, &mut hears);
        }
        hears.into_iter().for_each(|h| self.keeping.hear(h));
        if std::mem::take(&mut self.touching) {
            self.keeping.hear(Hear::Touching(false));
        }
    }

    fn end(mut self) -> anyhow::Result<Outcome> {
        self.leave_monitor();
        let (told, sound) = self.keeping.end();
        told.into_iter().for_each(|told| self.hear_keeper(told));
        self.meter.clear();
        self.keys.restore();
        if let (Some(hub), Some(view)) = (&self.hub, &self.view) {
            hub.publish(&without_device(view, &self.told.standing));
        }
        let kept = self.told.kept;
        if !self.quiet && !self.told.standing.practice {
            eprintln!("{kept} recording{} kept", if kept == 1 { "" } else { "s" });
        }
        if !sound {
            bail!(
                "a fault of the program ended the recording; what was written up to then is kept; please report it"
            );
        }
        match self.told.failed.take().or(self.failed.take()) {
            Some(why) if kept == 0 => bail!("{why}"),
            Some(why) => {
                eprintln!("error: {why}");
                Ok(Outcome::Partly)
            }
            None => Ok(Outcome::Done),
        }
    }
}

/// The page's server, when one is wanted.
fn page(args: &Args) -> anyhow::Result<Option<Hub>> {
    if let Some(addr) = args.listen {
        let token = match addr.ip().is_loopback() {
            true => None,
            false => Some(new_token()?),
        };
        return Ok(Some(serve(addr, token)?));
    }
    if !args.page {
        return Ok(None);
    }
    let own = |port| SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    Ok(Some(
        serve(own(PAGE_PORT), None).or_else(|_| serve(own(0), None))?,
    ))
}
