//! Samples in, events and views out: what a running recording knows while the hand is on.

mod frame;
mod tests_ended;

pub use frame::alarm_view;

use crate::acquire::station::{Sample, Station, StationChannel};
use crate::calibrate::Calibration;
use crate::live::background::{AnalysedTest, BackgroundAnalysis};
use crate::live::ceiling::{CeilingChange, CeilingCrossing, CeilingWatch, active_ceiling};
use crate::live::channels::{ChannelConverter, sides_of};
use crate::live::control::{SessionState, TestsMade};
use crate::live::ended_test::EndedTest;
use crate::live::phase::Phase;
use crate::live::sample_buffer::{BEFORE_S, SampleBuffer};
use crate::live::side::LiveSide;
use crate::live::sign::{ForceSign, SensorGain};
use crate::live::strip::Strip;
use crate::live::summary::{ReferenceValues, SummedTest, TestView};
use crate::live::view::{DisplayGate, GateInputs};
use crate::settings::Settings;
use crate::signal::episodes::SideEpisode;
use crate::study::gains::ColumnGains;
use crate::study::mapping::ColumnKey;
use crate::terms::{Level, Side};
use crate::trace::About;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Instant;

/// Bins that the force shown is the mean of: one frame of the page.
const SHOWN_BINS: usize = 4;

/// What a study and a session say beforehand.
#[derive(Debug, Clone, Default)]
pub struct MonitorOptions {
    /// For channels of counts.
    pub calibrations: Vec<Calibration>,
    /// What the readings of each channel are multiplied by.
    pub gains: ColumnGains,
    /// The examiner says each level's call before its values are shown.
    pub calls: bool,
    /// The teacher's values, to stand beside the last test.
    pub reference: Option<ReferenceValues>,
    /// Tests of the session that were made before.
    pub made: TestsMade,
}

/// The sensor of a force channel, with the factor that its readings are multiplied by.
fn sensor(station: &Station, force: usize, gains: &ColumnGains) -> SensorGain {
    let column = station.channels.get(force).map_or(ColumnKey::Force, StationChannel::column);
    SensorGain {
        column,
        gain: gains.of(column),
    }
}

/// Something that happened.
#[derive(Debug, Clone)]
pub enum MonitorEvent {
    /// The sum of all contacts went over the ceiling: report at once.
    AlarmBegan(CeilingCrossing),
    /// It is back under, and how high and long it was: for the log.
    AlarmEnded(CeilingCrossing),
    /// A force counts down when it is pushed, or up after all.
    ForceSign(ForceSign),
    /// The detector is sure of a spring, up to a second later; number within this touch and side.
    Spring {
        side: Option<Side>,
        time_s: f64,
        number: usize,
    },
    /// A test ended; its measures are provisional.
    TestEnded(Arc<EndedTest>),
    /// The full analysis of a test that ended is there.
    Analysed(Box<AnalysedTest>),
}

/// Watches one station.
pub struct Monitor {
    station: Station,
    settings: Settings,
    options: MonitorOptions,
    converter: ChannelConverter,
    sides: Vec<LiveSide>,
    about: About,
    watch: CeilingWatch,
    crossings: u64,
    strip: Strip,
    buffer: SampleBuffer,
    analysis: BackgroundAnalysis,
    /// Touches that ended while the other hand is still on.
    pending: Vec<SideEpisode>,
    last_end_s: f64,
    newest: Option<(f64, Instant)>,
    tests: u64,
    peak_n: f64,
    test_peak_n: f64,
    last: Option<Arc<TestView>>,
    /// Tests of who presses now, analysed in full, the newest last; and the number that they begin after.
    analysed: Vec<Arc<TestView>>,
    analysed_after: u64,
    shown: GateInputs,
    /// Who made the last test, and where.
    last_of: About,
    /// Tests that may still be shown together, with where each was.
    summed: VecDeque<(About, SummedTest)>,
    /// The last test with those before it, as it was shown.
    together: Option<Arc<TestView>>,
    warnings: Vec<String>,
    /// What was found out between two samples.
    waiting: Vec<MonitorEvent>,
}

impl Monitor {
    /// For a station that has just connected. The settings are the study's.
    pub fn new(station: &Station, settings: &Settings, options: MonitorOptions) -> Self {
        let rate_hz = station.rate_hz;
        let converter = ChannelConverter::new(station, &options.calibrations, &options.gains);
        let channels = sides_of(station);
        let mut warnings = Vec::new();
        if channels.is_empty() {
            warnings
                .push("This device has no force channel: no force and no ceiling can be watched.".to_owned());
        }
        if channels.iter().any(|c| converter.unknown(c.force)) {
            warnings.push(
                "Force comes as counts without a calibration: no force is shown and no ceiling can be watched. Name a \
                 calibration in study.toml."
                    .to_owned(),
            );
        }
        let sides: Vec<LiveSide> = channels
            .iter()
            .enumerate()
            .map(|(k, c)| LiveSide::new(k, *c, rate_hz, settings, sensor(station, c.force, &options.gains)))
            .collect();
        let shown = GateInputs {
            calls: options.calls,
            settings: settings.feedback,
            ..GateInputs::default()
        };
        Monitor {
            converter,
            about: About::default(),
            watch: CeilingWatch::new(active_ceiling(std::iter::empty(), settings)),
            crossings: 0,
            strip: Strip::new(rate_hz, sides.len()),
            buffer: SampleBuffer::default(),
            analysis: BackgroundAnalysis::begin(settings.clone()),
            pending: Vec::new(),
            last_end_s: f64::NEG_INFINITY,
            newest: None,
            tests: 0,
            peak_n: 0.0,
            test_peak_n: 0.0,
            last: None,
            analysed: Vec::new(),
            analysed_after: 0,
            shown,
            last_of: About::default(),
            summed: VecDeque::new(),
            together: None,
            warnings,
            waiting: Vec::new(),
            sides,
            station: station.clone(),
            settings: settings.clone(),
            options,
        }
    }

    /// The step that is to be pressed: its level sets the ceiling. `both` and no side are `None`.
    pub fn set_step(&mut self, level: Option<Level>, side: Option<Side>) -> Vec<MonitorEvent> {
        self.set_about(&About {
            level,
            side,
            covers: Vec::new(),
            ..self.about.clone()
        })
    }

    /// As [`Monitor::set_step`], with all that is known: subject, contact, levels covered.
    pub fn set_about(&mut self, about: &About) -> Vec<MonitorEvent> {
        if (about.level, about.side, &about.subject)
            != (self.about.level, self.about.side, &self.about.subject)
        {
            self.sides.iter_mut().for_each(LiveSide::forget);
        }
        self.about = about.clone();
        let levels = about.level.iter().chain(&about.covers).copied();
        let ceiling = active_ceiling(levels, &self.settings);
        let watched = self.watch.set(ceiling);
        self.watched(watched).into_iter().collect()
    }

    /// Other ceilings hold from here on, also in the middle of a press. What else the settings say holds from the next monitor on.
    pub fn set_ceilings(&mut self, settings: &Settings) -> Vec<MonitorEvent> {
        self.settings = settings.clone();
        self.set_about(&self.about.clone())
    }

    /// Other people press from here on: nothing of those before is shown to them.
    pub fn begin(&mut self, calls: bool) {
        self.shown = GateInputs {
            calls,
            settings: self.shown.settings,
            ..GateInputs::default()
        };
        (self.last, self.together, self.crossings) = (None, None, 0);
        self.last_of = About::default();
        self.summed.clear();
        self.analysed.clear();
        self.analysed_after = self.tests;
    }

    /// The learner asked for the last test; it stays until the next touch.
    pub fn show_last(&mut self) {
        self.shown.asked = true;
    }

    /// Tests of the session that were made before, when the session is another one.
    pub fn set_made(&mut self, made: TestsMade) {
        self.options.made = made;
    }

    /// The teacher's values, when they change with the step.
    pub fn set_reference(&mut self, reference: Option<ReferenceValues>) {
        self.options.reference = reference;
    }

    /// Takes the next sample.
    pub fn push(&mut self, sample: &Sample) -> Vec<MonitorEvent> {
        let time_s = sample.time_s;
        self.newest = Some((time_s, sample.arrived));
        let mut values = [(f64::NAN, f64::NAN); 2];
        let mut signs = Vec::new();
        for (side, value) in self.sides.iter_mut().zip(&mut values) {
            let x = side.channels.displacement;
            let x = x.map_or(f64::NAN, |c| self.converter.value(sample, c));
            *value = (self.converter.value(sample, side.channels.force), x);
            signs.extend(side.look(time_s, value.0, value.1).map(MonitorEvent::ForceSign));
        }
        let mut events = Vec::new();
        events.extend(self.watch_total(time_s));
        events.append(&mut signs);
        self.keep(time_s, &values);
        self.bins(time_s);
        for (k, (force_n, x)) in values.into_iter().enumerate().take(self.sides.len()) {
            let (ended, told) = self.sides[k].detect(time_s, force_n, x);
            self.touched(k, ended, &told, &mut events);
        }
        self.flush(time_s, &mut events);
        self.take_done();
        events.append(&mut self.waiting);
        events
    }

    /// The line is gone or the recording ends: what is open ends here.
    pub fn finish(&mut self) -> Vec<MonitorEvent> {
        let mut events = Vec::new();
        let watched = self.watch.finish();
        events.extend(self.watched(watched));
        for k in 0..self.sides.len() {
            let (ended, told) = self.sides[k].finish();
            self.touched(k, ended, &told, &mut events);
        }
        let now = self.newest.map_or(0.0, |(t, _)| t);
        self.flush(now, &mut events);
        events
    }

    /// Sum of all contacts with the zero taken off, in N, spikes taken out; `None` until the zero is known.
    pub fn total_n(&self) -> Option<f64> {
        self.sum(|side| side.force_n)
    }

    fn sum(&self, of: impl Fn(&LiveSide) -> Option<f64>) -> Option<f64> {
        let forces: Option<Vec<f64>> = self.sides.iter().map(of).collect();
        forces.filter(|f| !f.is_empty()).map(|f| f.iter().sum())
    }

    /// What may be shown now.
    pub fn gate(&self, state: &SessionState) -> DisplayGate {
        DisplayGate::of(state, self.shown)
    }

    /// Whether a hand is on.
    pub fn touching(&self) -> bool {
        self.sides
            .iter()
            .any(|s| s.tracker.on() || s.contact.open().is_some())
    }

    /// Whether the zero of every force is known.
    pub fn zero_is_taken(&self) -> bool {
        !self.sides.is_empty() && self.sides.iter().all(|s| s.feed.zero_n().is_some())
    }

    /// Phase of the hand that is further along. Not for a screen unless [`Monitor::gate`] lets it.
    pub fn phase(&self) -> Phase {
        self.sides.iter().map(|s| s.phase).max().unwrap_or_default()
    }

    /// What the full analysis has finished, where no samples come; a sample brings it too.
    pub fn poll(&mut self) -> Vec<MonitorEvent> {
        self.take_done();
        std::mem::take(&mut self.waiting)
    }

    fn take_done(&mut self) {
        while let Some(analysed) = self.analysis.done() {
            self.analysed(&analysed);
            self.waiting.push(MonitorEvent::Analysed(Box::new(analysed)));
        }
    }

    fn watch_total(&mut self, time_s: f64) -> Option<MonitorEvent> {
        let pushed_n = self.sum(LiveSide::pushed_n)?;
        self.peak_n = self.peak_n.max(pushed_n);
        self.test_peak_n = self.test_peak_n.max(pushed_n);
        let watched = self.watch.push(time_s, self.sum(|side| side.watched_n)?);
        self.watched(watched)
    }

    fn watched(&mut self, watched: Option<CeilingChange>) -> Option<MonitorEvent> {
        Some(match watched? {
            CeilingChange::Began(crossing) => {
                self.crossings += 1;
                MonitorEvent::AlarmBegan(crossing)
            }
            CeilingChange::Ended(crossing) => MonitorEvent::AlarmEnded(crossing),
        })
    }

    fn keep(&mut self, time_s: f64, values: &[(f64, f64); 2]) {
        let open = self
            .sides
            .iter()
            .filter_map(|s| s.contact.open().map(|c| s.feed.time_s(c.contact.start)));
        let waiting = self
            .pending
            .iter()
            .map(|p| self.sides[p.channel].feed.time_s(p.contact.start));
        let first = open.chain(waiting).fold(time_s, f64::min);
        let sides = values.iter().take(self.sides.len()).copied();
        self.buffer.push(time_s, sides, first - BEFORE_S);
    }

    fn bins(&mut self, time_s: f64) {
        if self.sides.iter().any(|s| s.force_n.is_none()) {
            return;
        }
        let was_on = self.sides.iter().any(|s| s.tracker.on());
        let values = self
            .sides
            .iter()
            .map(|s| (s.force_n.unwrap_or(0.0), s.displacement_mm));
        let Some(bin) = self.strip.push(time_s, values) else {
            return;
        };
        for (side, bin) in self.sides.iter_mut().zip(&bin.sides) {
            side.bin(time_s, bin);
        }
        let on = self.sides.iter().any(|s| s.tracker.on());
        if on && !was_on {
            self.peak_n = 0.0;
            self.shown.asked = false;
        }
    }
}
