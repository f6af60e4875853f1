//! A trace's tests: where each side is touched and left, and what belongs together.

use super::condition::{Conditioned, SideSignals};
use super::detector::{Event, SpringMark};
use super::feed::{Feed, FeedSettings};
use super::grid::Grid;
use crate::settings::Settings;
use crate::trace::Trace;
use std::ops::Range;

/// Touches shorter than this without a spring are bumps, not tests.
const SHORTEST_S: f64 = 0.5;
/// A recording whose force never spans this much is small-scale data, and the contact floor is this share of what it
/// spans. A hand on a person or a model always spans more, so a live stream needs no such rule.
const SMALL_FORCE_N: f64 = 5.0;
const FLOOR_RANGE_SHARE: f64 = 0.05;
/// Likewise for displacement and the smallest spring.
const SMALL_DISPLACEMENT_MM: f64 = 1.0;
const SPRING_RANGE_SHARE: f64 = 0.08;

/// One side from touching to leaving, in grid samples.
#[derive(Debug, Clone, PartialEq)]
pub struct SideEpisode {
    /// Index into [`Conditioned::sides`].
    pub channel: usize,
    pub contact: Range<usize>,
    pub springs: Vec<SpringMark>,
    pub cut_off: bool,
}

/// One episode: one test a side.
#[derive(Debug, Clone, PartialEq)]
pub struct Episode {
    pub sides: Vec<SideEpisode>,
    pub marker: Option<i64>,
}

/// What the feed needs for one side of a conditioned trace: what a live stream has, and what only a whole recording
/// can say: its rate; that it is small-scale data, whose limits are its noise as a whole; that it began with the hand on.
pub fn feed_settings(c: &Conditioned, side: &SideSignals, settings: &Settings) -> FeedSettings {
    let mut feed = FeedSettings::live(c.grid.rate_hz(), side.displacement.is_some(), settings);
    let (low, high) = range(&side.force.y);
    if high - low < SMALL_FORCE_N {
        let floor = FLOOR_RANGE_SHARE * (high - low);
        feed.detect.contact_floor_n = feed.detect.contact_floor_n.min(floor);
        feed.known_noise[0] = side.force.noise_sd;
    }
    if let Some(x) = &side.displacement {
        let (low, high) = range(&x.y);
        if high - low < SMALL_DISPLACEMENT_MM {
            let least = SPRING_RANGE_SHARE * (high - low);
            feed.detect.spring_prominence_mm = feed.detect.spring_prominence_mm.min(least);
        }
    }
    feed.zero_n = zero_of_loaded_start(c, side);
    feed
}

/// Force zero of a recording that begins with the hand on, as far as it can be told: the lowest mean of a 0.2 s
/// stretch, when the first 0.2 s lie well above it. Stretches, since a hand that sticks may pull for a moment.
fn zero_of_loaded_start(c: &Conditioned, side: &SideSignals) -> Option<f64> {
    let y = &side.force.y;
    let n = c.grid.samples(0.2).min(y.len());
    let mean_of = |part: &[f64]| part.iter().sum::<f64>() / n as f64;
    let mean = mean_of(&y[..n]);
    let low = y.chunks_exact(n).map(mean_of).fold(f64::INFINITY, f64::min);
    let high = range(y).1;
    // Pure noise has a lowest point too: only what stands clear of it is a load.
    let noise_n = c.noise.sample_sd(side.force.noise_sd);
    (mean - low > (0.15 * (high - low)).max(10.0 * noise_n)).then_some(low)
}

fn range(y: &[f64]) -> (f64, f64) {
    y.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(*v), h.max(*v))
    })
}

/// Finds the episodes of a trace, in time order, and counts the bumps left out.
pub fn find_episodes(
    trace: &Trace,
    c: &Conditioned,
    settings: &Settings,
) -> (Vec<Episode>, Vec<Range<usize>>) {
    let mut touches: Vec<SideEpisode> = Vec::new();
    for (channel, side) in c.sides.iter().enumerate() {
        touches.extend(detect_side(trace, c, channel, side, settings));
    }
    if let Some(marker) = &c.marker
        && marker.iter().any(|m| *m != marker[0])
    {
        touches = cut_by_marker(touches, marker);
    }
    group(touches, c.marker.as_deref(), c.grid.step_s)
}

/// Touches of all sides to episodes in time order; what is too short to be a test comes second.
pub fn group(
    mut touches: Vec<SideEpisode>,
    marker: Option<&[i64]>,
    step_s: f64,
) -> (Vec<Episode>, Vec<Range<usize>>) {
    let mut bumps = Vec::new();
    touches.retain(|t| {
        let long = t.contact.len() as f64 * step_s >= SHORTEST_S || !t.springs.is_empty();
        if !long {
            bumps.push(t.contact.clone());
        }
        long
    });
    touches.sort_by_key(|t| (t.contact.start, t.channel));
    let mut episodes: Vec<Episode> = Vec::new();
    for touch in touches {
        let marker = marker.map(|m| m[middle(&touch.contact)]);
        let together = episodes
            .last_mut()
            .filter(|e| e.marker == marker && e.sides.iter().any(|s| overlap(&s.contact, &touch.contact)));
        match together {
            Some(episode) => join(episode, touch),
            None => episodes.push(Episode {
                sides: vec![touch],
                marker,
            }),
        }
    }
    for e in &mut episodes {
        e.sides.sort_by_key(|s| s.channel);
    }
    (episodes, bumps)
}

fn detect_side(
    trace: &Trace,
    c: &Conditioned,
    channel: usize,
    side: &SideSignals,
    settings: &Settings,
) -> Vec<SideEpisode> {
    let mut feed = Feed::new(feed_settings(c, side, settings));
    let of_side = &trace.channels[channel];
    let owner = if of_side.displacement_shared { 0 } else { channel };
    let x = trace.channels[owner].displacement_mm.as_deref();
    let mut touches = Touches {
        channel,
        found: Vec::new(),
        open: None,
    };
    let mut events = Vec::new();
    for (i, force_n) in of_side.force_n.iter().enumerate() {
        // A grid as recorded has one place a sample, whatever small jitter the clock has.
        let time_s = if c.grid.as_recorded {
            c.grid.time_s(i as f64)
        } else {
            trace.time_s[i]
        };
        feed.push(time_s, *force_n, x.map(|x| x[i]), &mut events);
        touches.take(&mut events, &feed, &c.grid);
    }
    feed.finish(&mut events);
    touches.take(&mut events, &feed, &c.grid);
    touches.found
}

/// Touches of one side as its events come.
struct Touches {
    channel: usize,
    found: Vec<SideEpisode>,
    open: Option<(usize, Vec<SpringMark>)>,
}

impl Touches {
    fn take(&mut self, events: &mut Vec<Event>, feed: &Feed, grid: &Grid) {
        // The feed counts samples, the grid counts steps: times say what belongs to what.
        let place = |index: usize| {
            let at = ((feed.time_s(index) - grid.start_s) / grid.step_s).round();
            (at.max(0.0) as usize).min(grid.len - 1)
        };
        for event in events.drain(..) {
            match event {
                Event::Touch { index } => self.open = Some((place(index), Vec::new())),
                Event::Spring(mark) => {
                    if let Some((_, springs)) = &mut self.open {
                        springs.push(SpringMark {
                            peak: place(mark.peak),
                            rest: place(mark.rest),
                        });
                    }
                }
                Event::Release { index, cut_off } => {
                    if let Some((begin, springs)) = self.open.take() {
                        self.found.push(SideEpisode {
                            channel: self.channel,
                            contact: begin..place(index) + 1,
                            springs,
                            cut_off,
                        });
                    }
                }
            }
        }
    }
}

/// The marker says which test a sample belongs to: touches of one marker are one test, and one touch that runs
/// through several markers is cut where it steps.
fn cut_by_marker(touches: Vec<SideEpisode>, marker: &[i64]) -> Vec<SideEpisode> {
    let mut cut: Vec<(i64, SideEpisode)> = Vec::new();
    for touch in touches {
        let mut begin = touch.contact.start;
        while begin < touch.contact.end {
            let m = marker[begin];
            let end = (begin..touch.contact.end)
                .find(|i| marker[*i] != m)
                .unwrap_or(touch.contact.end);
            let piece = SideEpisode {
                channel: touch.channel,
                contact: begin..end,
                springs: touch
                    .springs
                    .iter()
                    .copied()
                    .filter(|s| (begin..end).contains(&s.peak))
                    .collect(),
                cut_off: touch.cut_off && end == touch.contact.end,
            };
            match cut
                .iter_mut()
                .rev()
                .find(|(n, t)| *n == m && t.channel == piece.channel)
            {
                Some((_, earlier)) => {
                    earlier.contact.end = piece.contact.end;
                    earlier.springs.extend(piece.springs);
                    earlier.cut_off = piece.cut_off;
                }
                None => cut.push((m, piece)),
            }
            begin = end;
        }
    }
    cut.into_iter().map(|(_, t)| t).collect()
}

fn join(episode: &mut Episode, touch: SideEpisode) {
    match episode.sides.iter_mut().find(|s| s.channel == touch.channel) {
        // One hand flickered off while the other stayed on: still one test.
        Some(same) => {
            same.contact.end = same.contact.end.max(touch.contact.end);
            same.springs.extend(touch.springs);
            same.cut_off = touch.cut_off;
        }
        None => episode.sides.push(touch),
    }
}

fn overlap(a: &Range<usize>, b: &Range<usize>) -> bool {
    a.start < b.end && b.start < a.end
}

fn middle(r: &Range<usize>) -> usize {
    r.start + r.len() / 2
}

#[cfg(test)]
mod tests {
    use super::*;

    fn touch(channel: usize, contact: Range<usize>) -> SideEpisode {
        SideEpisode {
            channel,
            contact,
            springs: vec![],
            cut_off: false,
        }
    }

    #[test]
    fn a_marker_cuts_one_touch_and_joins_two() {
        let mut marker = vec![1_i64; 100];
        marker.extend(vec![2; 100]);
        let cut = cut_by_marker(
            vec![touch(0, 10..40), touch(0, 60..150), touch(0, 160..190)],
            &marker,
        );
        assert_eq!(
            cut.iter().map(|t| t.contact.clone()).collect::<Vec<_>>(),
            vec![10..100, 100..190]
        );
    }

    #[test]
    fn both_hands_on_is_one_episode_with_two_sides() {
        let mut e = Episode {
            sides: vec![touch(0, 10..50)],
            marker: None,
        };
        assert!(overlap(&e.sides[0].contact, &(20..60)));
        join(&mut e, touch(1, 20..60));
        join(&mut e, touch(1, 62..70));
        assert_eq!(e.sides.len(), 2);
        assert_eq!(e.sides[1].contact, 20..70);
    }
}
