//! A trace's tests: the contacts of each side, and which of them belong together.

use super::condition::{Conditioned, SideSignals};
use super::edits::Edits;
use super::events::{Event, SpringMark};
use super::feed::{Feed, FeedSettings};
use super::stillness::stands_still;
use crate::settings::Settings;
use crate::stats::moments::extremes;
use crate::trace::Trace;
use std::ops::Range;

/// Contacts shorter than this without a spring are no tests.
const SHORTEST_S: f64 = 0.5;
/// A recording whose force never spans this much is small-scale data, and the contact floor is this share of what it
/// spans. A hand on a person or a model always spans more, so a live stream needs no such rule.
const SMALL_FORCE_N: f64 = 5.0;
const FLOOR_RANGE_SHARE: f64 = 0.05;
/// Likewise for displacement and the smallest spring.
const SMALL_DISPLACEMENT_MM: f64 = 1.0;
const SPRING_RANGE_SHARE: f64 = 0.08;

/// One contact of one side, in grid samples.
#[derive(Debug, Clone, PartialEq)]
pub struct SideEpisode {
    /// Index into [`Conditioned::sides`].
    pub channel: usize,
    pub contact: Range<usize>,
    pub springs: Vec<SpringMark>,
    pub cut_off: bool,
    /// What a person put right.
    pub edits: Edits,
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
    let (low, high) = extremes(&side.force.y);
    if high - low < SMALL_FORCE_N {
        let floor = FLOOR_RANGE_SHARE * (high - low);
        feed.detect.contact_floor_n = feed.detect.contact_floor_n.min(floor);
        feed.known_noise[0] = side.force.noise_sd;
    }
    if let Some(x) = &side.displacement {
        let (low, high) = extremes(&x.y);
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
    let high = extremes(y).1;
    // Pure noise has a lowest point too: only what stands clear of it is a load.
    let noise_n = c.noise.sample_sd(side.force.noise_sd);
    (mean - low > (0.15 * (high - low)).max(10.0 * noise_n)).then_some(low)
}

/// Finds the episodes of a trace, in time order, and the short contacts left out.
pub fn find_episodes(
    trace: &Trace,
    c: &Conditioned,
    settings: &Settings,
) -> (Vec<Episode>, Vec<Range<usize>>) {
    let mut contacts: Vec<SideEpisode> = Vec::new();
    for (channel, side) in c.sides.iter().enumerate() {
        let mut found = detect_side(trace, c, channel, true, settings);
        let stuck = |t: &SideEpisode| stands_still(c, channel, &t.contact, settings);
        if side.displacement.is_some() && found.iter().any(stuck) {
            let by_force = detect_side(trace, c, channel, false, settings);
            for contact in found.iter_mut().filter(|t| stuck(t)) {
                take_springs(contact, &by_force);
            }
        }
        contacts.extend(found);
    }
    if let Some(marker) = &c.marker
        && marker.iter().any(|m| *m != marker[0])
    {
        contacts = cut_by_marker(contacts, marker);
    }
    group(contacts, c.marker.as_deref(), c.grid.step_s)
}

/// Contacts of all sides to episodes in time order; what is too short to be a test comes second.
pub fn group(
    mut contacts: Vec<SideEpisode>,
    marker: Option<&[i64]>,
    step_s: f64,
) -> (Vec<Episode>, Vec<Range<usize>>) {
    let mut short = Vec::new();
    contacts.retain(|t| {
        let long = t.contact.len() as f64 * step_s >= SHORTEST_S || !t.springs.is_empty();
        if !long {
            short.push(t.contact.clone());
        }
        long
    });
    contacts.sort_by_key(|t| (t.contact.start, t.channel));
    let mut episodes: Vec<Episode> = Vec::new();
    for contact in contacts {
        let marker = marker.map(|m| m[middle(&contact.contact)]);
        let together = episodes
            .last_mut()
            .filter(|e| e.marker == marker && e.sides.iter().any(|s| overlap(&s.contact, &contact.contact)));
        match together {
            Some(episode) => join(episode, contact),
            None => episodes.push(Episode {
                sides: vec![contact],
                marker,
            }),
        }
    }
    for e in &mut episodes {
        e.sides.sort_by_key(|s| s.channel);
    }
    (episodes, short)
}

/// Gives a contact, whose own displacement could show none, the springs that force shows within it.
fn take_springs(contact: &mut SideEpisode, by_force: &[SideEpisode]) {
    let springs = by_force.iter().flat_map(|t| &t.springs);
    let within = springs.filter(|s| contact.contact.contains(&s.peak));
    contact.springs = within.cloned().collect();
}

/// Contacts of one side; its springs by displacement or, where there is none or it is not to be used, by force.
fn detect_side(
    trace: &Trace,
    c: &Conditioned,
    channel: usize,
    by_displacement: bool,
    settings: &Settings,
) -> Vec<SideEpisode> {
    let side = &c.sides[channel];
    let by_displacement = by_displacement && side.displacement.is_some();
    let mut feed = feed_settings(c, side, settings);
    feed.has_displacement = by_displacement;
    let mut feed = Feed::new(feed);
    let of_side = &trace.channels[channel];
    let owner = if of_side.displacement_shared { 0 } else { channel };
    let x = trace.channels[owner].displacement_mm.as_deref();
    let x = x.filter(|_| by_displacement);
    let (mut fold, mut found) = (ContactFold::new(channel), Vec::new());
    let mut take = |events: &mut Vec<Event>, feed: &Feed| {
        // The feed counts samples, the grid counts steps: times say what belongs to what.
        let on_grid = |index: usize| {
            let at = ((feed.time_s(index) - c.grid.start_s) / c.grid.step_s).round();
            (at.max(0.0) as usize).min(c.grid.len - 1)
        };
        found.extend(events.drain(..).filter_map(|e| fold.take(e.at(on_grid))));
    };
    let mut events = Vec::new();
    let whole = |y: &[f64]| y.iter().all(|v| v.is_finite());
    if c.grid.as_recorded && whole(&of_side.force_n) && x.is_none_or(whole) {
        // A grid as recorded has one step a sample, whatever small jitter the clock has.
        feed.push_all(|i| c.grid.time_s(i as f64), &of_side.force_n, x, &mut events);
        take(&mut events, &feed);
    } else {
        for (i, force_n) in of_side.force_n.iter().enumerate() {
            let time_s = if c.grid.as_recorded { c.grid.time_s(i as f64) } else { trace.time_s[i] };
            feed.push(time_s, *force_n, x.map(|x| x[i]), &mut events);
            if !events.is_empty() {
                take(&mut events, &feed);
            }
        }
    }
    feed.finish(&mut events);
    take(&mut events, &feed);
    found
}

/// Folds the detector's events of one side into contacts, each with its springs.
#[derive(Debug, Clone, Default)]
pub struct ContactFold {
    channel: usize,
    open: Option<SideEpisode>,
}

impl ContactFold {
    /// No contact yet on this channel.
    pub fn new(channel: usize) -> Self {
        ContactFold { channel, open: None }
    }

    /// The contact that has begun and not yet ended: from where, and with which springs so far. Its end is not known.
    pub fn open(&self) -> Option<&SideEpisode> {
        self.open.as_ref()
    }

    /// Takes one event; an ended contact comes back.
    pub fn take(&mut self, event: Event) -> Option<SideEpisode> {
        match event {
            Event::ContactBegan { index } => {
                self.open = Some(SideEpisode {
                    channel: self.channel,
                    contact: index..index,
                    springs: Vec::new(),
                    cut_off: false,
                    edits: Edits::default(),
                });
            }
            Event::Spring(mark) => {
                if let Some(open) = &mut self.open {
                    open.springs.push(mark);
                }
            }
            Event::ContactEnded { index, cut_off } => {
                let mut ended = self.open.take()?;
                ended.contact.end = index + 1;
                ended.cut_off = cut_off;
                return Some(ended);
            }
        }
        None
    }
}

/// The marker says which test a sample belongs to: contacts of one marker are one test, and one contact that runs
/// through several markers is cut where it steps.
fn cut_by_marker(contacts: Vec<SideEpisode>, marker: &[i64]) -> Vec<SideEpisode> {
    let mut cut: Vec<(i64, SideEpisode)> = Vec::new();
    for contact in contacts {
        let mut begin = contact.contact.start;
        while begin < contact.contact.end {
            let m = marker[begin];
            let end = (begin..contact.contact.end)
                .find(|i| marker[*i] != m)
                .unwrap_or(contact.contact.end);
            let piece = SideEpisode {
                channel: contact.channel,
                contact: begin..end,
                springs: contact
                    .springs
                    .iter()
                    .copied()
                    .filter(|s| (begin..end).contains(&s.peak))
                    .collect(),
                cut_off: contact.cut_off && end == contact.contact.end,
                edits: Edits::default(),
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

fn join(episode: &mut Episode, contact: SideEpisode) {
    match episode.sides.iter_mut().find(|s| s.channel == contact.channel) {
        // One hand flickered off while the other stayed on: still one test.
        Some(same) => {
            same.contact.end = same.contact.end.max(contact.contact.end);
            same.springs.extend(contact.springs);
            same.cut_off = contact.cut_off;
        }
        None => episode.sides.push(contact),
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

    fn contact(channel: usize, contact: Range<usize>) -> SideEpisode {
        SideEpisode {
            channel,
            contact,
            springs: vec![],
            cut_off: false,
            edits: Edits::default(),
        }
    }

    #[test]
    fn a_marker_cuts_one_contact_and_joins_two() {
        let mut marker = vec![1_i64; 100];
        marker.extend(vec![2; 100]);
        let cut = cut_by_marker(
            vec![contact(0, 10..40), contact(0, 60..150), contact(0, 160..190)],
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
            sides: vec![contact(0, 10..50)],
            marker: None,
        };
        assert!(overlap(&e.sides[0].contact, &(20..60)));
        join(&mut e, contact(1, 20..60));
        join(&mut e, contact(1, 62..70));
        assert_eq!(e.sides.len(), 2);
        assert_eq!(e.sides[1].contact, 20..70);
    }
}
