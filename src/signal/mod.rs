//! Trace to measures.

pub mod filter;
pub mod noise;
pub mod spikes;
pub mod grid;
pub mod condition;
pub mod dropouts;
pub mod flat_tops;
pub mod still_tops;
mod own_rate;
pub mod sensors;
pub mod events;
pub mod candidates;
pub mod running_zero;
pub mod smoother;
pub mod detector;
pub mod feed;
mod correct;
pub mod edits;
pub mod episodes;
pub mod limb_starts;
pub mod zero;
pub mod unloaded;
pub mod view;
pub mod limbs;
pub mod pushes;
mod short_peak;
pub mod springs;
pub mod stillness;
pub mod stretches;
pub mod uncertainty;
pub mod fit;
pub mod onset;
pub mod contact;
pub mod cycles;
pub mod first_contact;
pub mod groups;
pub mod measure;
pub mod mat;

use crate::columns::Measure;
use crate::error::{Error, Problem};
use crate::settings::Settings;
use crate::stats::expanded::combined;
use crate::study::match_plan::EpisodeShape;
use crate::trace::{About, ConditionedSignals, Estimate, Measured, Test, Trace, UncertaintySource};
use crate::terms::Side;
use condition::{Conditioned, condition};
use contact::ZeroedSide;
use episodes::{Episode, find_episodes};
use measure::{PreparedRecording, conditioned_signals, measure_test, zeroed};
use std::borrow::Cow;
use std::ops::Range;

/// Who and where each side of each episode is: one list an episode, one entry a side.
pub type EpisodeNames = Vec<Vec<About>>;

/// The tests of one recording, found but not yet named and measured.
pub struct FoundTests<'a> {
    trace: &'a Trace,
    settings: &'a Settings,
    /// In the order of time; at least one.
    stretches: Vec<Stretch>,
    /// Stretches that could not be analysed.
    refused: Vec<(Range<usize>, Problem)>,
}

/// What lies between two pauses of a recording.
struct Stretch {
    conditioned: Conditioned,
    episodes: Vec<Episode>,
    short_contacts: Vec<Range<usize>>,
    /// What was found of its sensors.
    sensors: Vec<Problem>,
}

/// Conditions a trace and finds its tests.
///
/// # Errors
/// A [`Problem`] when the recording cannot be used at all: too slow, too short, no valid force, or no contact.
pub fn find_tests<'a>(trace: &'a Trace, settings: &'a Settings) -> Result<FoundTests<'a>, Error> {
    let (mut found, mut refused) = (Vec::new(), Vec::new());
    let all = stretches::stretches(trace);
    for stretch in &all {
        match Stretch::find(stretches::part(trace, stretch), settings) {
            Ok(done) => found.push(done),
            Err(Error::Data(problem)) if all.len() > 1 => refused.push((stretch.clone(), *problem)),
            Err(other) => return Err(other),
        }
    }
    if found.is_empty() {
        let longest = refused.into_iter().max_by_key(|(stretch, _)| stretch.len());
        return Err(longest.map_or_else(|| no_contact(trace, 0), |(_, why)| why).into());
    }
    if found.iter().all(|s| s.episodes.is_empty()) {
        return Err(no_contact(trace, found.iter().map(|s| s.short_contacts.len()).sum()).into());
    }
    Ok(FoundTests {
        trace,
        settings,
        stretches: found,
        refused,
    })
}

impl Stretch {
    fn find(trace: Cow<'_, Trace>, settings: &Settings) -> Result<Stretch, Error> {
        let sensors::AsSensed { trace, dropouts, tared, problems } = sensors::as_sensed(trace)?;
        let mut conditioned = condition(&trace, settings)?;
        conditioned.take_note_of(&dropouts, &trace.time_s);
        for of in tared {
            conditioned.sides[of.channel].tared = Some(of);
        }
        stillness::disregard_stuck(&mut conditioned, settings);
        let (episodes, short_contacts) = find_episodes(&trace, &conditioned, settings);
        still_tops::mark(&mut conditioned, &episodes);
        Ok(Stretch {
            conditioned,
            episodes,
            short_contacts,
            sensors: problems,
        })
    }

    fn sides<'e>(&'e self, episode: &'e Episode) -> impl Iterator<Item = Option<Side>> + 'e {
        let sides = episode.sides.iter();
        sides.map(|s| self.conditioned.sides[s.channel].side)
    }

    fn time_s(&self, index: usize) -> f64 {
        self.conditioned.grid.time_s(index as f64)
    }

    /// An episode as a plan is matched to it.
    fn shape(&self, e: &Episode) -> EpisodeShape {
        EpisodeShape {
            start_s: self.time_s(e.sides.iter().map(|s| s.contact.start).min().unwrap_or(0)),
            end_s: self.time_s(e.sides.iter().map(|s| s.contact.end).max().unwrap_or(0)),
            sides: self.sides(e).flatten().collect(),
            marker: e.marker,
        }
    }

    /// Does `work` with the signals zeroed.
    fn prepared<T>(&self, trace: &Trace, settings: &Settings, work: impl FnOnce(&PreparedRecording) -> T) -> T {
        let c = &self.conditioned;
        let zeroed_side = |(k, s)| zeroed(c, s, &contacts_of(&self.episodes, &self.short_contacts, k));
        let sides: Vec<ZeroedSide> = c.sides.iter().enumerate().map(zeroed_side).collect();
        work(&PreparedRecording {
            recording: &trace.recording,
            conditioned: c,
            sides: &sides,
            settings,
        })
    }

    /// Measures its tests; the first of them has the number after `before`.
    fn measure(
        &self,
        trace: &Trace,
        settings: &Settings,
        before: usize,
        names: impl Iterator<Item = Vec<About>>,
    ) -> Vec<Test> {
        self.prepared(trace, settings, |prepared| {
            let mut tests = Vec::new();
            for (k, (episode, names)) in self.episodes.iter().zip(names).enumerate() {
                let one = |(side, about): (_, About)| {
                    let window = settings.window_n.at(about.level);
                    let number = (before + k) as u32 + 1;
                    measure_test(prepared, episode, side, number, about, window)
                };
                let mut of_episode: Vec<Test> = episode.sides.iter().zip(names).map(one).collect();
                set_hand_shares(&mut of_episode);
                tests.append(&mut of_episode);
            }
            tests
        })
    }
}

impl FoundTests<'_> {
    /// The episodes in time order, as a plan is matched to them.
    pub fn episodes(&self) -> Vec<EpisodeShape> {
        let of_stretch = |s: &Stretch| s.episodes.iter().map(|e| s.shape(e)).collect::<Vec<_>>();
        self.stretches.iter().flat_map(of_stretch).collect()
    }

    /// The conditioned signals of each test, in the order of [`measure`], with so much around it, in s, as long as no other test
    /// lies there; else with a little.
    pub fn signals(&self, around_s: Option<f64>) -> Vec<ConditionedSignals> {
        let of_stretch = |s: &Stretch| {
            s.prepared(self.trace, self.settings, |prepared| {
                let sides = s.episodes.iter().enumerate().flat_map(|(k, e)| e.sides.iter().map(move |side| (k, side)));
                let around = |k| around_s.map(|around_s| s.around(k, around_s));
                sides.map(|(k, side)| conditioned_signals(prepared, side, around(k))).collect::<Vec<_>>()
            })
        };
        self.stretches.iter().flat_map(of_stretch).collect()
    }

    /// Contacts too short to be tests: begin and end in the recording's own seconds.
    pub fn short_contacts_s(&self) -> Vec<[f64; 2]> {
        let of_stretch = |s: &Stretch| {
            let span = |r: &Range<usize>| [s.time_s(r.start), s.time_s(r.end)];
            s.short_contacts.iter().map(span).collect::<Vec<_>>()
        };
        self.stretches.iter().flat_map(of_stretch).collect()
    }

    /// What is told of its sensors: where they gave no readings of their own, and what was undone.
    pub fn sensors(&self) -> Vec<Problem> {
        self.stretches.iter().flat_map(|s| s.sensors.iter().cloned()).collect()
    }

    /// What pauses in the recording cost it, when it has any.
    pub fn pauses(&self) -> Option<Problem> {
        stretches::describe(self.trace, &self.refused)
    }

    /// Names each side of each episode by the side that the file gives it, if any.
    pub fn names(&self, about: impl Fn(Option<Side>) -> About) -> EpisodeNames {
        let of_stretch = |s: &Stretch| {
            let episode = |e| s.sides(e).map(&about).collect();
            s.episodes.iter().map(episode).collect::<Vec<_>>()
        };
        self.stretches.iter().flat_map(of_stretch).collect()
    }

    /// Names every test as the recording itself is named.
    pub fn names_of_recording(&self) -> EpisodeNames {
        let recording = &self.trace.about;
        self.names(|side| About {
            side: side.or(recording.side),
            ..recording.clone()
        })
    }
}

/// Measures the tests that were found, in time order, left before right.
pub fn measure(found: &FoundTests, names: EpisodeNames) -> Vec<Test> {
    let mut names = names.into_iter();
    let (mut tests, mut before) = (Vec::new(), 0);
    for stretch in &found.stretches {
        let of_stretch = names.by_ref().take(stretch.episodes.len());
        tests.extend(stretch.measure(found.trace, found.settings, before, of_stretch));
        before += stretch.episodes.len();
    }
    tests
}

/// Measures a trace by itself: every test in it, named as the trace is.
///
/// # Errors
/// As [`find_tests`].
pub fn measure_trace(trace: &Trace, settings: &Settings) -> Result<Vec<Test>, Error> {
    let found = find_tests(trace, settings)?;
    let names = found.names_of_recording();
    Ok(measure(&found, names))
}

/// Where one side's hand was on, sorted and joined, short contacts included: none of it may serve as a zero.
fn contacts_of(episodes: &[Episode], short: &[Range<usize>], channel: usize) -> Vec<Range<usize>> {
    let own = episodes
        .iter()
        .flat_map(|e| &e.sides)
        .filter(|s| s.channel == channel);
    let mut all: Vec<Range<usize>> = own
        .flat_map(|s| s.edits.loaded.iter().chain([&s.contact]))
        .chain(short)
        .cloned()
        .collect();
    all.sort_by_key(|r| r.start);
    let mut joined: Vec<Range<usize>> = Vec::new();
    for r in all {
        match joined.last_mut() {
            Some(last) if r.start <= last.end => last.end = last.end.max(r.end),
            _ => joined.push(r),
        }
    }
    joined
}

fn no_contact(trace: &Trace, short: usize) -> Problem {
    let found = match short {
        0 => "no contact: the force never rose and stayed up".to_owned(),
        n => format!("no contact of 0.5 s or more ({n} shorter contacts)"),
    };
    Problem::error(
        &trace.recording,
        found,
        "at least one touch of half a second",
        "check that the load cell was under the hand and its sign is right",
    )
}

/// With both hands on, each one's share of the preload.
fn set_hand_shares(tests: &mut [Test]) {
    let [a, b] = tests else { return };
    let (Some(pa), Some(pb)) = (a.measures.get(Measure::Preload), b.measures.get(Measure::Preload)) else {
        return;
    };
    let total = pa.value + pb.value;
    if total <= 0.0 || pa.value < 0.0 || pb.value < 0.0 {
        return;
    }
    // ∂(a/(a + b)) is b/(a + b)² to a and −a/(a + b)² to b: the same for either hand.
    let part = |p: Estimate, other: Estimate| {
        let (u, df) = p.uncertainty()?;
        Some((100.0 * other.value * u / (total * total), df))
    };
    let both = combined([part(pa, pb), part(pb, pa)].into_iter().flatten());
    for (test, own) in [(a, pa), (b, pb)] {
        let line = both.map(|(u, df)| UncertaintySource::BothPreloads.line(u, df));
        let share = Measured::new(100.0 * own.value / total, line);
        test.measures.set(Measure::HandShare, share);
    }
}
