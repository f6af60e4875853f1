//! One side of a running station.

use super::channels::SideChannels;
use super::phase::{Phase, PhaseInput, PhaseTracker};
use super::sign::{ForceSign, PushDirection, SensorGain, SignWatch};
use super::provisional_onset::ProvisionalOnset;
use super::strip::SideBin;
use super::summary::OnsetView;
use crate::settings::Settings;
use crate::signal::episodes::{ContactFold, SideEpisode};
use crate::signal::events::{Event, SpringMark};
use crate::signal::feed::{Feed, FeedSettings};
use crate::signal::pushes::PushFilter;

/// Contact limit before noise is known, in N.
const FIRST_LIMIT_N: f64 = 2.0;

/// What is known of one side while samples come.
pub struct LiveSide {
    pub channels: SideChannels,
    pub feed: Feed,
    force: PushFilter,
    displacement: PushFilter,
    /// Zero taken off; `None` until the zero is known.
    pub force_n: Option<f64>,
    /// The force that a ceiling is held against.
    pub watched_n: Option<f64>,
    sign: SignWatch,
    sensor: SensorGain,
    pub displacement_mm: Option<f64>,
    pub tracker: PhaseTracker,
    pub phase: Phase,
    guess: ProvisionalOnset,
    /// The onset that the full analysis gave for the last test of this step.
    pub known: Option<OnsetView>,
    /// The contact that is on, by sample index.
    pub contact: ContactFold,
    /// Springs of the last contact, while no hand is on.
    pub last_springs: usize,
    least_mm: f64,
}

impl LiveSide {
    pub fn new(
        channel: usize,
        channels: SideChannels,
        rate_hz: f64,
        settings: &Settings,
        sensor: SensorGain,
    ) -> Self {
        LiveSide {
            channels,
            feed: Feed::new(FeedSettings::live(
                rate_hz,
                channels.displacement.is_some(),
                settings,
            )),
            force: PushFilter::new(rate_hz),
            displacement: PushFilter::new(rate_hz),
            force_n: None,
            watched_n: None,
            sign: SignWatch::default(),
            sensor,
            displacement_mm: None,
            tracker: PhaseTracker::new(rate_hz),
            phase: Phase::Off,
            guess: ProvisionalOnset::default(),
            known: None,
            contact: ContactFold::new(channel),
            last_springs: 0,
            least_mm: settings.detect.spring_prominence_mm,
        }
    }

    /// Takes one sample in N and mm, before the detector does. Gives the way that a push counts when this sample shows
    /// another than was taken for granted.
    pub fn look(&mut self, time_s: f64, force_n: f64, displacement_mm: f64) -> Option<ForceSign> {
        let before = self.sign.direction();
        let force = self.force.push(force_n);
        let seen = force.zip(self.feed.zero_n());
        let limit_n = self.feed.limit_n().unwrap_or(FIRST_LIMIT_N);
        self.watched_n = seen.map(|(f, zero)| self.sign.push(time_s, f, zero, limit_n));
        self.force_n = seen.map(|(f, zero)| f - self.sign.zero_n(zero));
        self.displacement_mm = self.displacement.push(displacement_mm);
        let now = self.sign.direction();
        let is_news = now != before && (now, before) != (PushDirection::Up, PushDirection::Unknown);
        Some(self.force_sign()).filter(|_| is_news)
    }

    /// Which way the force counts when it is pushed.
    pub fn force_sign(&self) -> ForceSign {
        ForceSign {
            sensor: self.sensor,
            direction: self.sign.direction(),
        }
    }

    /// The force of a push, whichever way it counts.
    pub fn pushed_n(&self) -> Option<f64> {
        match self.sign.direction() {
            PushDirection::Down => self.watched_n,
            PushDirection::Up | PushDirection::Unknown => self.force_n,
        }
    }

    /// Takes one sample into the detector. Touches that ended come back; whether a spring was told comes beside.
    pub fn detect(
        &mut self,
        time_s: f64,
        force_n: f64,
        displacement_mm: f64,
    ) -> (Vec<SideEpisode>, Vec<SpringMark>) {
        let mut events = Vec::new();
        let x = self.channels.displacement.map(|_| displacement_mm);
        self.feed.push(time_s, force_n, x, &mut events);
        self.take(events)
    }

    /// No more samples come.
    pub fn finish(&mut self) -> (Vec<SideEpisode>, Vec<SpringMark>) {
        let mut events = Vec::new();
        self.feed.finish(&mut events);
        self.take(events)
    }

    fn take(&mut self, events: Vec<Event>) -> (Vec<SideEpisode>, Vec<SpringMark>) {
        let (mut ended, mut told) = (Vec::new(), Vec::new());
        for event in events {
            if let (Event::Spring(mark), Some(_)) = (event, self.contact.open()) {
                told.push(mark);
            }
            if let Some(contact) = self.contact.take(event) {
                self.last_springs = contact.springs.len();
                ended.push(contact);
            }
        }
        (ended, told)
    }

    /// Takes a bin: phase, and the provisional onset.
    pub fn bin(&mut self, time_s: f64, bin: &SideBin) {
        let was_on = self.tracker.on();
        self.phase = self.tracker.push(&PhaseInput {
            time_s,
            force_n: bin.mean_n,
            displacement_mm: bin.displacement_mm,
            limit_n: self.feed.limit_n().unwrap_or(FIRST_LIMIT_N),
            least_mm: self.least_mm,
            onset_mm: self.onset().map(|o| o.displacement_mm),
        });
        if self.tracker.on() && !was_on {
            self.guess.restart();
        }
        if self.tracker.on()
            && let Some(x) = bin.displacement_mm
            && (self.tracker.leaning() || self.guess.found().is_none())
        {
            self.guess.push(x, bin.mean_n);
        }
    }

    /// The onset as far as it is known: of this touch, provisionally, or of the last test at this step.
    pub fn onset(&self) -> Option<OnsetView> {
        let guessed = self.guess.found().filter(|_| self.tracker.on());
        let guessed = guessed.map(|g| OnsetView {
            displacement_mm: g.displacement_mm,
            force_n: g.force_n,
            force_u95_n: None,
            provisional: true,
        });
        guessed.or(self.known)
    }

    /// Another level or side: what was known of the last one says nothing here.
    pub fn forget(&mut self) {
        self.known = None;
        self.guess = ProvisionalOnset::default();
        self.last_springs = 0;
    }

    /// Springs of this touch: the detector's, and those it has yet to speak of.
    pub fn springs(&self, now_s: f64) -> usize {
        let confirmed = self.contact.open().map_or(0, |c| c.springs.len());
        if !self.tracker.on() {
            return self.last_springs.max(confirmed);
        }
        let behind_s = match self.feed.look_ahead_s() {
            Some(s) if self.feed.by_displacement() => s,
            // Without displacement the detector reports at the release only.
            _ => f64::INFINITY,
        };
        confirmed + self.tracker.peaks_after(now_s - behind_s)
    }
}
