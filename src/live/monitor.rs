//! Samples in, events and views out: what a running recording knows while the hand is on.

use super::analyst::{Analysed, Analyst};
use super::ceiling::{CeilingWatch, Crossing, Watched, ceiling_at};
use super::channels::{Converter, sides_of};
use super::control::Standing;
use super::ended::{EndedTest, Provisional, ProvisionalSide, springs_s};
use super::kept::{BEFORE_S, Kept};
use super::phase::Phase;
use super::side::LiveSide;
use super::strip::{Strip, round};
use super::summary::{self, Reference, TestView};
use super::view::{AlarmView, Gate, Now, Shown, SideNow, View};
use crate::acquire::station::{Sample, Station};
use crate::calibrate::Calibration;
use crate::settings::Settings;
use crate::signal::episodes::{Episode, SideEpisode, group};
use crate::trace::{About, Side};
use std::sync::Arc;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

/// Bins that the force shown is the mean of: one frame of the page.
const SHOWN_BINS: usize = 4;
/// A zero further from nothing than this is told, in N: the hand may have been on.
const LARGE_ZERO_N: f64 = 20.0;

/// What a study and a session say beforehand.
#[derive(Debug, Clone, Default)]
pub struct MonitorOptions {
    /// For channels of counts.
    pub calibrations: Vec<Calibration>,
    /// The examiner says each level's call before its values are shown.
    pub calls: bool,
    /// The teacher's own values.
    pub reference: Option<Reference>,
}

/// Something that happened.
#[derive(Debug, Clone)]
pub enum MonitorEvent {
    /// The sum of all contacts went over the ceiling: tell at once.
    AlarmBegan(Crossing),
    /// It is back under, and how high and long it was: for the log.
    AlarmEnded(Crossing),
    /// The detector is sure of a spring, up to a second later; number within this touch and side.
    Spring {
        side: Option<Side>,
        time_s: f64,
        number: usize,
    },
    /// A test ended; its measures are provisional.
    TestEnded(Arc<EndedTest>),
    /// The full analysis of a test that ended is there.
    Analysed(Box<Analysed>),
}

/// Watches one station.
pub struct Monitor {
    station: Station,
    settings: Settings,
    options: MonitorOptions,
    converter: Converter,
    sides: Vec<LiveSide>,
    about: About,
    watch: CeilingWatch,
    crossings: u64,
    strip: Strip,
    kept: Kept,
    analyst: Analyst,
    /// Touches that ended while the other hand is still on.
    pending: Vec<SideEpisode>,
    last_end_s: f64,
    newest: Option<(f64, Instant)>,
    tests: u64,
    peak_n: f64,
    test_peak_n: f64,
    last: Option<Arc<TestView>>,
    shown: Shown,
    /// Level of the last test.
    last_level: Option<String>,
    warnings: Vec<String>,
}

impl Monitor {
    /// For a station that has just connected. The settings are the study's.
    pub fn new(station: &Station, settings: &Settings, options: MonitorOptions) -> Self {
        let rate_hz = station.rate_hz;
        let converter = Converter::new(station, &options.calibrations);
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
            .map(|c| LiveSide::new(*c, rate_hz, settings))
            .collect();
        let shown = Shown {
            calls: options.calls,
            ..Shown::default()
        };
        Monitor {
            converter,
            about: About::default(),
            watch: CeilingWatch::new(ceiling_at(std::iter::empty(), settings)),
            crossings: 0,
            strip: Strip::new(rate_hz, sides.len()),
            kept: Kept::default(),
            analyst: Analyst::begin(settings.clone()),
            pending: Vec::new(),
            last_end_s: f64::NEG_INFINITY,
            newest: None,
            tests: 0,
            peak_n: 0.0,
            test_peak_n: 0.0,
            last: None,
            shown,
            last_level: None,
            warnings,
            sides,
            station: station.clone(),
            settings: settings.clone(),
            options,
        }
    }

    /// The step that is to be pressed: its level sets the ceiling. `both` and no side are `None`.
    pub fn set_step(&mut self, level: Option<&str>, side: Option<Side>) -> Vec<MonitorEvent> {
        self.set_about(&About {
            level: level.map(str::to_owned),
            side,
            covers: Vec::new(),
            ..self.about.clone()
        })
    }

    /// As [`Monitor::set_step`], with all that is known: subject, contact, levels covered.
    pub fn set_about(&mut self, about: &About) -> Vec<MonitorEvent> {
        if (&about.level, about.side, &about.subject)
            != (&self.about.level, self.about.side, &self.about.subject)
        {
            self.sides.iter_mut().for_each(LiveSide::forget);
        }
        self.about = about.clone();
        let levels = about.level.iter().chain(&about.covers).map(String::as_str);
        let ceiling = ceiling_at(levels, &self.settings);
        let watched = self.watch.set(ceiling);
        self.watched(watched).into_iter().collect()
    }

    /// The learner asked for the last test; it stays until the next touch.
    pub fn show_last(&mut self) {
        self.shown.asked = true;
    }

    /// The teacher's values, when they change with the step.
    pub fn set_reference(&mut self, reference: Option<Reference>) {
        self.options.reference = reference;
    }

    /// Takes the next sample.
    pub fn push(&mut self, sample: &Sample) -> Vec<MonitorEvent> {
        let time_s = sample.time_s;
        self.newest = Some((time_s, sample.arrived));
        let mut values = [(f64::NAN, f64::NAN); 2];
        for (side, value) in self.sides.iter_mut().zip(&mut values) {
            let x = side.channels.displacement;
            let x = x.map_or(f64::NAN, |c| self.converter.value(sample, c));
            *value = (self.converter.value(sample, side.channels.force), x);
            side.look(value.0, value.1);
        }
        let mut events = Vec::new();
        events.extend(self.watch_total(time_s));
        self.keep(time_s, &values);
        self.bins(time_s);
        for (k, (force_n, x)) in values.into_iter().enumerate().take(self.sides.len()) {
            let (ended, told) = self.sides[k].detect(k, time_s, force_n, x);
            self.touched(k, ended, &told, &mut events);
        }
        self.flush(time_s, &mut events);
        events
    }

    /// The line is gone or the recording ends: what is open ends here.
    pub fn finish(&mut self) -> Vec<MonitorEvent> {
        let mut events = Vec::new();
        let watched = self.watch.finish();
        events.extend(self.watched(watched));
        for k in 0..self.sides.len() {
            let (ended, told) = self.sides[k].finish(k);
            self.touched(k, ended, &told, &mut events);
        }
        let now = self.newest.map_or(0.0, |(t, _)| t);
        self.flush(now, &mut events);
        events
    }

    /// Sum of all contacts with the zero taken off, in N, spikes taken out; `None` until the zero is known.
    pub fn total_n(&self) -> Option<f64> {
        let forces: Option<Vec<f64>> = self.sides.iter().map(|s| s.force_n).collect();
        forces.filter(|f| !f.is_empty()).map(|f| f.iter().sum())
    }

    /// What may be shown now.
    pub fn gate(&self, standing: &Standing) -> Gate {
        Gate::of(standing, self.shown)
    }

    /// Whether a hand is on.
    pub fn touching(&self) -> bool {
        self.sides.iter().any(|s| s.tracker.on() || s.open.is_some())
    }

    /// Phase of the hand that is further along. Not for a screen unless [`Monitor::gate`] lets it.
    pub fn phase(&self) -> Phase {
        self.sides.iter().map(|s| s.phase).max().unwrap_or_default()
    }

    /// Takes what the full analysis has finished; also done by every sample and view.
    pub fn poll(&mut self) -> Vec<MonitorEvent> {
        let mut events = Vec::new();
        while let Some(analysed) = self.analyst.done() {
            self.analysed(&analysed);
            events.push(MonitorEvent::Analysed(Box::new(analysed)));
        }
        events
    }

    /// The frame for the page. It takes the strip since the last view with it, so there is one viewer: the hub.
    pub fn view(&mut self, standing: &Standing) -> View {
        let hidden = |level: &String| standing.hidden_levels.contains(level);
        self.shown.called = !self.last_level.as_ref().is_some_and(hidden);
        let gate = self.gate(standing);
        let visible = gate.running.is_none();
        let now_n = self.now();
        let strip = self.strip.take();
        let age = |at: Instant| at.elapsed().as_secs_f64() * 1e3;
        let unix_ms = SystemTime::now().duration_since(UNIX_EPOCH);
        let unix_ms = unix_ms.map_or(0.0, |d| d.as_secs_f64() * 1e3);
        let alarm = self.watch.over().map(|c| alarm_view(c, true, visible));
        View {
            device: self.station.device.clone(),
            rate_hz: self.station.rate_hz,
            standing: standing.clone(),
            sides: self.sides.iter().map(|s| self.side_word(s)).collect(),
            age_ms: self.newest.map(|(_, at)| round(age(at), 10.0)),
            arrived_unix_ms: self.newest.map(|(_, at)| round(unix_ms - age(at), 100.0)),
            ceiling: self.watch.ceiling,
            alarm,
            crossings: self.crossings,
            warnings: self.warnings(),
            now: now_n.filter(|_| visible),
            strip: visible.then_some(strip),
            onsets: self.sides.iter().map(|s| s.onset().filter(|_| visible)).collect(),
            last: self.last.clone().filter(|_| gate.last),
            hidden: gate.running,
        }
    }

    fn side_word(&self, side: &LiveSide) -> Option<&'static str> {
        let only = self.sides.len() == 1;
        let side = side.channels.side.or(self.about.side.filter(|_| only));
        side.map(Side::word)
    }

    fn warnings(&self) -> Vec<String> {
        let mut warnings = self.warnings.clone();
        let zeros: Vec<f64> = self.sides.iter().filter_map(|s| s.feed.zero_n()).collect();
        if self.newest.is_some() && zeros.len() < self.sides.len() && warnings.is_empty() {
            warnings.push("The zero is being taken: keep the hands off.".to_owned());
        }
        if let Some(zero) = zeros.iter().find(|z| z.abs() > LARGE_ZERO_N) {
            warnings.push(format!(
                "The sensor reads {zero:.0} N where zero was taken. If a hand was on, take it off until this goes away; \
                 until then force and ceiling count from there."
            ));
        }
        warnings
    }

    fn now(&self) -> Option<Now> {
        let now_s = self.newest?.0;
        let bins: Vec<_> = self.strip.newest(SHOWN_BINS).collect();
        let mean = |k: usize| {
            let sum: f64 = bins.iter().map(|b| b.sides[k].mean_n).sum();
            if bins.is_empty() {
                self.sides[k].force_n
            } else {
                Some(sum / bins.len() as f64)
            }
        };
        let sides: Option<Vec<SideNow>> = self
            .sides
            .iter()
            .enumerate()
            .map(|(k, s)| {
                s.force_n?;
                Some(SideNow {
                    force_n: round(mean(k)?, 1e2),
                    displacement_mm: s.displacement_mm.map(|x| round(x, 1e3)),
                    phase: s.phase,
                })
            })
            .collect();
        let sides = sides.filter(|s| !s.is_empty())?;
        Some(Now {
            total_n: round(sides.iter().map(|s| s.force_n).sum(), 1e2),
            phase: self.phase(),
            springs: self.sides.iter().map(|s| s.springs(now_s)).max().unwrap_or(0),
            peak_n: round(self.peak_n, 1e2),
            sides,
        })
    }

    fn watch_total(&mut self, time_s: f64) -> Option<MonitorEvent> {
        let total_n = self.total_n()?;
        self.peak_n = self.peak_n.max(total_n);
        self.test_peak_n = self.test_peak_n.max(total_n);
        let watched = self.watch.push(time_s, total_n);
        self.watched(watched)
    }

    fn watched(&mut self, watched: Option<Watched>) -> Option<MonitorEvent> {
        Some(match watched? {
            Watched::Began(crossing) => {
                self.crossings += 1;
                MonitorEvent::AlarmBegan(crossing)
            }
            Watched::Ended(crossing) => MonitorEvent::AlarmEnded(crossing),
        })
    }

    fn keep(&mut self, time_s: f64, values: &[(f64, f64); 2]) {
        let open = self
            .sides
            .iter()
            .filter_map(|s| s.open.as_ref().map(|(i, _)| s.feed.time_s(*i)));
        let waiting = self
            .pending
            .iter()
            .map(|p| self.sides[p.channel].feed.time_s(p.contact.start));
        let first = open.chain(waiting).fold(time_s, f64::min);
        let sides = values.iter().take(self.sides.len()).copied();
        self.kept.push(time_s, sides, first - BEFORE_S);
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

    fn touched(
        &mut self,
        channel: usize,
        ended: Vec<SideEpisode>,
        told: &[crate::signal::detector::SpringMark],
        events: &mut Vec<MonitorEvent>,
    ) {
        let side = &self.sides[channel];
        let of_touch = match (&side.open, ended.last()) {
            (Some((_, springs)), _) => springs.len(),
            (None, Some(last)) => last.springs.len(),
            (None, None) => 0,
        };
        for (i, mark) in told.iter().enumerate() {
            events.push(MonitorEvent::Spring {
                side: side.channels.side,
                time_s: side.feed.time_s(mark.peak),
                number: of_touch.saturating_sub(told.len()) + 1 + i,
            });
        }
        self.pending.extend(ended);
    }

    /// Ends the episodes that no hand can still belong to.
    fn flush(&mut self, now_s: f64, events: &mut Vec<MonitorEvent>) {
        if self.pending.is_empty() {
            return;
        }
        let end = self.pending.iter().map(|p| p.contact.end).max().unwrap_or(0);
        let joined = |s: &LiveSide| s.open.as_ref().is_some_and(|(begin, _)| *begin < end);
        if self.sides.iter().any(joined) {
            return;
        }
        let touches = std::mem::take(&mut self.pending);
        let (episodes, _bumps) = group(touches, None, 1.0 / self.station.rate_hz);
        for episode in episodes {
            let ended = Arc::new(self.ended(&episode, now_s));
            self.last_end_s = ended.end_s;
            self.analyst.hand(&ended);
            let view = summary::provisional(&ended, self.options.reference.as_ref());
            self.last = Some(Arc::new(view));
            self.last_level = ended.about.level.clone();
            events.push(MonitorEvent::TestEnded(ended));
        }
        self.test_peak_n = 0.0;
    }

    fn ended(&mut self, episode: &Episode, now_s: f64) -> EndedTest {
        self.tests += 1;
        let time = |channel: usize, index: usize| self.sides[channel].feed.time_s(index);
        let begins = episode.sides.iter().map(|s| time(s.channel, s.contact.start));
        let begin_s = begins.fold(f64::INFINITY, f64::min);
        let ends = episode.sides.iter().map(|s| time(s.channel, s.contact.end - 1));
        let end_s = ends.fold(f64::NEG_INFINITY, f64::max);
        let channels: Vec<_> = self.sides.iter().map(|s| s.channels).collect();
        // The zero before this test must not come from the hand of the last one.
        let from_s = (begin_s - BEFORE_S).max(self.last_end_s + 0.02);
        let trace = self.kept.trace(from_s, now_s, &channels, &self.about);
        let sides = episode.sides.iter().map(|s| {
            let side = &self.sides[s.channel];
            let Some(trace) = &trace else {
                return ProvisionalSide {
                    side: side.channels.side,
                    springs: s.springs.len(),
                    ..ProvisionalSide::default()
                };
            };
            let springs = springs_s(&s.springs, |i| time(s.channel, i));
            Provisional {
                trace,
                channel: s.channel,
                springs_s: &springs,
                contact_s: [
                    time(s.channel, s.contact.start),
                    time(s.channel, s.contact.end - 1),
                ],
                zero_n: side.feed.zero_n().unwrap_or(0.0),
            }
            .measure()
        });
        let sides = sides.collect();
        EndedTest {
            number: self.tests,
            about: self.about.clone(),
            begin_s,
            end_s,
            sides,
            total_peak_n: self.test_peak_n,
            trace,
        }
    }

    fn analysed(&mut self, analysed: &Analysed) {
        let same_step =
            analysed.ended.about.level == self.about.level && analysed.ended.about.side == self.about.side;
        if same_step {
            for side in &mut self.sides {
                let own =
                    |t: &&crate::trace::Test| side.channels.side.is_none() || t.side() == side.channels.side;
                let onset = analysed.tests.iter().find(own).and_then(summary::onset);
                side.known = onset.or(side.known);
            }
        }
        if self
            .last
            .as_ref()
            .is_some_and(|l| l.number == analysed.ended.number)
        {
            let view = summary::full(analysed, self.options.reference.as_ref());
            self.last = Some(Arc::new(view));
        }
    }
}

/// An alarm for the page; its peak only where values are shown.
pub fn alarm_view(crossing: &Crossing, on: bool, visible: bool) -> AlarmView {
    AlarmView {
        on,
        region: crossing.ceiling.region,
        ceiling_n: crossing.ceiling.ceiling_n,
        assumed: crossing.ceiling.assumed,
        peak_n: visible.then(|| round(crossing.peak_n, 10.0)),
    }
}
