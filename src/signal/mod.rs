//! Trace to measures.

pub mod filter;
pub mod noise;
pub mod spikes;
pub mod grid;
pub mod condition;
pub mod events;
pub mod candidates;
pub mod running_zero;
pub mod smoother;
pub mod detector;
pub mod feed;
pub mod episodes;
pub mod limb_starts;
pub mod zero;
pub mod view;
pub mod limbs;
pub mod springs;
pub mod uncertainty;
pub mod fit;
pub mod onset;
pub mod contact;
pub mod cycles;
pub mod groups;
pub mod measure;
pub mod mat;

use crate::columns::Measure;
use crate::error::{Error, Problem};
use crate::settings::Settings;
use crate::stats::expanded::combined;
use crate::study::match_plan::EpisodeShape;
use crate::trace::{About, Estimate, Measured, Test, Trace, UncertaintySource};
use crate::terms::Side;
use condition::{Conditioned, condition};
use contact::ZeroedSide;
use episodes::{Episode, find_episodes};
use measure::{PreparedRecording, measure_test, zeroed};
use std::ops::Range;

/// Who and where each side of each episode is: one list an episode, one entry a side.
pub type Names = Vec<Vec<About>>;

/// The tests of one recording, found but not yet named and measured.
pub struct FoundTests<'a> {
    trace: &'a Trace,
    settings: &'a Settings,
    conditioned: Conditioned,
    episodes: Vec<Episode>,
    short_contacts: Vec<Range<usize>>,
}

/// Conditions a trace and finds its tests.
///
/// # Errors
/// A [`Problem`] when the recording cannot be used at all: too slow, too short, no valid force, or no contact.
pub fn find_tests<'a>(trace: &'a Trace, settings: &'a Settings) -> Result<FoundTests<'a>, Error> {
    let conditioned = condition(trace, settings)?;
    let (episodes, short_contacts) = find_episodes(trace, &conditioned, settings);
    if episodes.is_empty() {
        return Err(no_contact(trace, &short_contacts).into());
    }
    Ok(FoundTests {
        trace,
        settings,
        conditioned,
        episodes,
        short_contacts,
    })
}

impl FoundTests<'_> {
    /// The episodes in time order, as a plan is matched to them.
    pub fn episodes(&self) -> Vec<EpisodeShape> {
        let shape = |e: &Episode| EpisodeShape {
            start_s: self.time_s(e.sides.iter().map(|s| s.contact.start).min().unwrap_or(0)),
            end_s: self.time_s(e.sides.iter().map(|s| s.contact.end).max().unwrap_or(0)),
            sides: self.sides(e).flatten().collect(),
            marker: e.marker,
        };
        self.episodes.iter().map(shape).collect()
    }

    /// Contacts too short to be tests: begin and end in the recording's own seconds.
    pub fn short_contacts_s(&self) -> Vec<[f64; 2]> {
        let span = |r: &Range<usize>| [self.time_s(r.start), self.time_s(r.end)];
        self.short_contacts.iter().map(span).collect()
    }

    /// Names each side of each episode by the side that the file gives it, if any.
    pub fn names(&self, about: impl Fn(Option<Side>) -> About) -> Names {
        let episode = |e| self.sides(e).map(&about).collect();
        self.episodes.iter().map(episode).collect()
    }

    /// Names every test as the recording itself is named.
    pub fn names_of_recording(&self) -> Names {
        let recording = &self.trace.about;
        self.names(|side| About {
            side: side.or(recording.side),
            ..recording.clone()
        })
    }

    fn sides<'e>(&'e self, episode: &'e Episode) -> impl Iterator<Item = Option<Side>> + 'e {
        let sides = episode.sides.iter();
        sides.map(|s| self.conditioned.sides[s.channel].side)
    }

    fn time_s(&self, index: usize) -> f64 {
        self.conditioned.grid.time_s(index as f64)
    }
}

/// Measures the tests that were found, in time order, left before right.
pub fn measure(found: &FoundTests, names: Names) -> Vec<Test> {
    let c = &found.conditioned;
    let sides: Vec<ZeroedSide> = c
        .sides
        .iter()
        .enumerate()
        .map(|(k, s)| zeroed(c, s, &contacts_of(&found.episodes, &found.short_contacts, k)))
        .collect();
    let prepared = PreparedRecording {
        recording: &found.trace.recording,
        conditioned: c,
        sides: &sides,
        settings: found.settings,
    };
    let mut tests = Vec::new();
    for (k, (episode, names)) in found.episodes.iter().zip(names).enumerate() {
        let one = |(side, about): (_, About)| {
            let window = found.settings.window_n.at(about.level);
            measure_test(&prepared, episode, side, k as u32 + 1, about, window)
        };
        let mut of_episode: Vec<Test> = episode.sides.iter().zip(names).map(one).collect();
        set_hand_shares(&mut of_episode);
        tests.append(&mut of_episode);
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
        .map(|s| s.contact.clone())
        .chain(short.iter().cloned())
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

fn no_contact(trace: &Trace, short: &[Range<usize>]) -> Problem {
    let found = match short.len() {
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
