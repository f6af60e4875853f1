//! Trace to measures.

pub mod filter;
pub mod noise;
pub mod spikes;
pub mod grid;
pub mod condition;
pub mod candidates;
pub mod running_zero;
pub mod smoother;
pub mod detector;
pub mod feed;
pub mod episodes;
pub mod feet;
pub mod zero;
pub mod view;
pub mod limbs;
pub mod springs;
pub mod uncertainty;
pub mod fit;
pub mod onset;
pub mod contact;
pub mod found;
pub mod groups;
pub mod measure;
pub mod mat;
pub mod mat_frames;

use crate::error::{Error, Problem};
use crate::settings::Settings;
use crate::stats::expanded::combined;
use crate::terms::Side;
use crate::trace::{About, Estimate, Measured, Test, Trace, UncertaintySource};
use condition::condition;
use contact::ZeroedSide;
use episodes::{Episode, find_episodes};
use measure::{Ready, measure_test, zeroed};
use std::ops::Range;

/// What one recording gave.
#[derive(Debug, Clone, Default)]
pub struct AnalysedRecording {
    /// Tests in time order, left before right.
    pub tests: Vec<Test>,
    /// Touches too short to be tests: begin and end in the recording's own seconds.
    pub bumps: Vec<[f64; 2]>,
}

/// An episode as the one who names its tests needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct EpisodeShape {
    /// Sides in the order of the trace's channels; `None` when the file does not say.
    pub sides: Vec<Option<Side>>,
    pub begin_s: f64,
    pub end_s: f64,
    pub marker: Option<i64>,
}

/// Says who and where each side of each episode is, or refuses.
pub type NameTests<'a> = dyn Fn(&[EpisodeShape]) -> Result<Vec<Vec<About>>, Problem> + 'a;

/// The whole chain for one recording: condition, find the tests, name them, measure them.
///
/// `name_tests` is given the episodes in time order and says who and where each of their sides is (one list an
/// episode, one entry a side); it may refuse, when a plan does not match.
///
/// # Errors
/// A [`Problem`] when the recording cannot be used at all: too slow, too short, no valid force, no contact, or a
/// plan that does not match.
pub fn analyze(
    trace: &Trace,
    settings: &Settings,
    name_tests: &NameTests,
) -> Result<AnalysedRecording, Error> {
    let c = condition(trace, settings)?;
    let (episodes, bumps) = find_episodes(trace, &c, settings);
    if episodes.is_empty() {
        return Err(no_contact(trace, &bumps).into());
    }
    let time = |i: usize| c.grid.time_s(i as f64);
    let shapes: Vec<EpisodeShape> = episodes.iter().map(|e| episode_shape(e, &c, &time)).collect();
    let names = name_tests(&shapes)?;
    let sides: Vec<ZeroedSide> = c
        .sides
        .iter()
        .enumerate()
        .map(|(k, s)| zeroed(&c, s, &contacts_of(&episodes, &bumps, k)))
        .collect();
    let ready = Ready {
        conditioned: &c,
        sides: &sides,
        settings,
    };
    let mut tests = Vec::new();
    for (k, (episode, names)) in episodes.iter().zip(names).enumerate() {
        for (side, about) in episode.sides.iter().zip(names) {
            let window = settings.window_n.at(about.level);
            let mut test = measure_test(&ready, episode, side, k as u32 + 1, about, window);
            test.recording = trace.recording.clone();
            tests.push(test);
        }
        share_preload(&mut tests, k as u32 + 1);
    }
    let bumps = bumps.iter().map(|b| [time(b.start), time(b.end)]).collect();
    Ok(AnalysedRecording { tests, bumps })
}

fn episode_shape(e: &Episode, c: &condition::Conditioned, time: &dyn Fn(usize) -> f64) -> EpisodeShape {
    EpisodeShape {
        sides: e.sides.iter().map(|s| c.sides[s.channel].side).collect(),
        begin_s: time(e.sides.iter().map(|s| s.contact.start).min().unwrap_or(0)),
        end_s: time(e.sides.iter().map(|s| s.contact.end).max().unwrap_or(0)),
        marker: e.marker,
    }
}

/// Where one side's hand was on, sorted and joined, bumps included: none of it may serve as a zero.
fn contacts_of(episodes: &[Episode], bumps: &[Range<usize>], channel: usize) -> Vec<Range<usize>> {
    let own = episodes
        .iter()
        .flat_map(|e| &e.sides)
        .filter(|s| s.channel == channel);
    let mut all: Vec<Range<usize>> = own
        .map(|s| s.contact.clone())
        .chain(bumps.iter().cloned())
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

fn no_contact(trace: &Trace, bumps: &[Range<usize>]) -> Problem {
    let found = match bumps.len() {
        0 => "no contact: the force never rose and stayed up".to_owned(),
        n => format!("no contact of 0.5 s or more ({n} short bumps)"),
    };
    Problem::error(
        &trace.recording,
        found,
        "at least one touch of half a second",
        "check that the load cell was under the hand and its sign is right",
    )
}

/// With both hands on, each one's share of the preload.
fn share_preload(tests: &mut [Test], number: u32) {
    use crate::columns::Measure;
    let mut both: Vec<&mut Test> = tests.iter_mut().filter(|t| t.test == number).collect();
    let [a, b] = both.as_mut_slice() else { return };
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
