//! One episode of contact: which of its tracks are the hands, and what each hand does frame by frame.

use super::collect::Frames;
use super::geometry::Geometry;
use super::tracks::Tracks;
use std::ops::Range;

/// Two areas nearer than this, middle to middle in mm, are one hand.
const LEAST_APART_MM: f64 = 12.0;
/// Beyond this many mm two areas are no likelier to be two hands.
const FAR_MM: f64 = 100.0;
/// What lies further than this from the middle of a hand, in mm, is something else.
const HAND_MM: f64 = 60.0;
/// Two hands are pairs that press together for at least this long, in s.
const TOGETHER_S: f64 = 0.1;
/// A hand was there a moment ago when it was on at most this long before, in s.
const MOMENT_S: f64 = 0.15;
/// Areas that have grown together are cut in two when each part still holds this share of what its hand last held.
const STILL_HELD: f64 = 0.4;

/// What one hand does in one frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct HandFrame {
    pub force_n: f64,
    pub across_mm: f64,
    pub along_mm: f64,
    pub area_mm2: f32,
    pub peak_kpa: f32,
    pub sum_of_squares_n2: f32,
    /// Force on cells that are masked and filled from their neighbours.
    pub filled_n: f32,
}

impl HandFrame {
    fn add(&mut self, other: &HandFrame) {
        let sum = self.force_n + other.force_n;
        if sum > 0.0 {
            self.across_mm += other.force_n / sum * (other.across_mm - self.across_mm);
            self.along_mm += other.force_n / sum * (other.along_mm - self.along_mm);
        }
        self.force_n = sum;
        self.area_mm2 += other.area_mm2;
        self.peak_kpa = self.peak_kpa.max(other.peak_kpa);
        self.sum_of_squares_n2 += other.sum_of_squares_n2;
        self.filled_n += other.filled_n;
    }
}

/// An episode with its hands.
#[derive(Debug, Clone, Default)]
pub struct MatEpisode {
    pub frames: Range<usize>,
    /// One or two, the one at the subject's left first. A frame where a hand is off is `None`.
    pub hands: Vec<Vec<Option<HandFrame>>>,
    /// Where each hand began, across in mm.
    pub began_across_mm: Vec<f64>,
    /// Force times frames of areas that are no hand, and their place.
    pub other: Option<OtherArea>,
    /// Frames in which two hands had grown together and were cut apart.
    pub cut_frames: usize,
}

impl MatEpisode {
    /// Frames in which both hands are on.
    pub fn frames_with_both(&self) -> usize {
        match self.hands.as_slice() {
            [a, b] => a
                .iter()
                .zip(b)
                .filter(|(a, b)| a.is_some() && b.is_some())
                .count(),
            _ => 0,
        }
    }
}

/// A loaded area that is no hand.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct OtherArea {
    pub frames: usize,
    /// Share of the force of all areas over the episode.
    pub share: f64,
    /// Highest force.
    pub most_n: f64,
    pub across_mm: f64,
    pub along_mm: f64,
    pub sum_n: f64,
}

/// Reads an episode. `one_hand` when it is known that a single hand presses.
pub fn read_episode(
    geometry: &Geometry,
    frames: &Frames,
    tracks: &Tracks,
    range: Range<usize>,
    one_hand: bool,
) -> MatEpisode {
    let cores = match one_hand {
        true => strongest(frames, tracks, &range).into_iter().collect(),
        false => cores(frames, tracks, &range),
    };
    let mut reader = EpisodeReader {
        geometry,
        frames,
        tracks,
        last: vec![None; cores.len()],
        episode: MatEpisode {
            hands: vec![vec![None; range.len()]; cores.len()],
            began_across_mm: cores.iter().map(|t| tracks.tracks[*t].began_across_mm).collect(),
            frames: range.clone(),
            ..MatEpisode::default()
        },
        cores,
    };
    for i in range.clone() {
        reader.frame(i);
    }
    let all_n: f64 = range
        .flat_map(|i| frames.areas(i))
        .map(|a| a.force_n.max(0.0))
        .sum();
    if let Some(other) = &mut reader.episode.other {
        other.share = other.sum_n / all_n.max(1e-9);
    }
    reader.episode
}

/// The track with the most force in the episode.
fn strongest(frames: &Frames, tracks: &Tracks, range: &Range<usize>) -> Option<usize> {
    present(frames, tracks, range)
        .into_iter()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(t, _)| t)
}

/// Tracks of an episode with the sum of their forces.
fn present(frames: &Frames, tracks: &Tracks, range: &Range<usize>) -> Vec<(usize, f64)> {
    let mut all: Vec<usize> = range
        .clone()
        .flat_map(|i| frames.range_of(i))
        .map(|k| tracks.of_area[k] as usize)
        .collect();
    all.sort_unstable();
    all.dedup();
    all.into_iter().map(|t| (t, tracks.tracks[t].sum_n)).collect()
}

/// The two tracks that press together with the most force and well apart; one when no two do. Left first.
///
/// # Formula
/// The pair with the largest Σ min(F₁, F₂) · min(distance, 100 mm) over the frames that both are in.
fn cores(frames: &Frames, tracks: &Tracks, range: &Range<usize>) -> Vec<usize> {
    let step_s = (frames.time_s[range.end - 1] - frames.time_s[range.start]) / (range.len() as f64).max(1.0);
    let least = ((TOGETHER_S / step_s.max(1e-4)) as usize).clamp(2, 1000);
    let mut pairs: std::collections::BTreeMap<(usize, usize), (f64, usize)> = Default::default();
    for i in range.clone() {
        let areas = frames.range_of(i);
        for a in areas.clone() {
            for b in a + 1..areas.end {
                let (x, y) = (&frames.all_areas()[a], &frames.all_areas()[b]);
                let (t, u) = (tracks.of_area[a] as usize, tracks.of_area[b] as usize);
                let far = f64::from(x.across_mm - y.across_mm).abs();
                let entry = pairs.entry((t.min(u), t.max(u))).or_insert((0.0, 0));
                if far >= LEAST_APART_MM {
                    entry.0 += x.force_n.min(y.force_n).max(0.0) * far.min(FAR_MM);
                    entry.1 += 1;
                }
            }
        }
    }
    let best = pairs
        .into_iter()
        .filter(|(_, (_, n))| *n >= least)
        .max_by(|a, b| a.1.0.total_cmp(&b.1.0));
    let Some(((a, b), _)) = best else {
        return strongest(frames, tracks, range).into_iter().collect();
    };
    let mut both = vec![a, b];
    both.sort_by(|a, b| {
        let began = |t: usize| tracks.tracks[t].began_across_mm;
        began(*a).total_cmp(&began(*b))
    });
    both
}

struct EpisodeReader<'a> {
    geometry: &'a Geometry,
    frames: &'a Frames,
    tracks: &'a Tracks,
    cores: Vec<usize>,
    /// What each hand last did, and when.
    last: Vec<Option<(usize, HandFrame)>>,
    episode: MatEpisode,
}

impl EpisodeReader<'_> {
    fn frame(&mut self, i: usize) {
        let range = self.frames.range_of(i);
        if range.len() == 1 && self.both_a_moment_ago(i) && self.cut(i) {
            return;
        }
        let mut now: Vec<Option<HandFrame>> = vec![None; self.cores.len()];
        for k in range {
            let part = self.part(k);
            match self.hand_of(i, k, &part) {
                Some(hand) => now[hand].get_or_insert_default().add(&part),
                None => self.no_hand(&part),
            }
        }
        for (hand, frame) in now.into_iter().enumerate() {
            self.put(i, hand, frame);
        }
    }

    fn put(&mut self, i: usize, hand: usize, frame: Option<HandFrame>) {
        if let Some(frame) = frame {
            self.last[hand] = Some((i, frame));
        }
        self.episode.hands[hand][i - self.episode.frames.start] = frame;
    }

    fn part(&self, k: usize) -> HandFrame {
        let area = &self.frames.all_areas()[k];
        HandFrame {
            force_n: area.force_n,
            across_mm: f64::from(area.across_mm),
            along_mm: f64::from(area.along_mm),
            area_mm2: area.area_mm2,
            peak_kpa: area.peak_kpa,
            sum_of_squares_n2: area.sum_of_squares_n2,
            filled_n: area.filled_n,
        }
    }

    /// A hand's own track is its own; other areas go to the nearest hand that they may belong to.
    fn hand_of(&self, i: usize, k: usize, part: &HandFrame) -> Option<usize> {
        let track = self.tracks.of_area[k] as usize;
        if let Some(hand) = self.cores.iter().position(|c| *c == track) {
            return Some(hand);
        }
        let far = |hand: usize| {
            let (x, y) = self.place(hand, i);
            (part.across_mm - x).hypot(part.along_mm - y)
        };
        (0..self.cores.len())
            .map(|hand| (far(hand), hand))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|(far, _)| *far <= HAND_MM)
            .map(|(_, hand)| hand)
    }

    /// Where a hand last was, else where its track is on the whole.
    fn place(&self, hand: usize, i: usize) -> (f64, f64) {
        match &self.last[hand] {
            Some((at, frame)) if self.frames.time_s[i] - self.frames.time_s[*at] <= 1.0 => {
                (frame.across_mm, frame.along_mm)
            }
            _ => {
                let track = &self.tracks.tracks[self.cores[hand]];
                (track.across_mm, track.along_mm)
            }
        }
    }

    fn both_a_moment_ago(&self, i: usize) -> bool {
        let recent = |last: &Option<(usize, HandFrame)>| {
            last.is_some_and(|(at, _)| self.frames.time_s[i] - self.frames.time_s[at] <= MOMENT_S)
        };
        self.cores.len() == 2 && self.last.iter().all(recent)
    }

    /// Cuts a single area into both hands, where it is both grown together: at the lowest place of its profile
    /// between where they last were. False when one of the hands has simply left.
    fn cut(&mut self, i: usize) -> bool {
        let (Some(profile), [Some((_, a)), Some((_, b))]) = (self.frames.profile(i), self.last.as_slice())
        else {
            return false;
        };
        let pitch = self.geometry.across_pitch_mm();
        let index = |x: f64| ((x / pitch).max(0.0) as usize).min(profile.len() - 1);
        let (low, high) = match a.across_mm <= b.across_mm {
            true => (index(a.across_mm), index(b.across_mm)),
            false => (index(b.across_mm), index(a.across_mm)),
        };
        if high - low < 2 {
            return false;
        }
        let valley = (low + 1..high)
            .min_by(|x, y| profile[*x][0].total_cmp(&profile[*y][0]))
            .unwrap_or(low + 1);
        // The valley's own column is shared by halves.
        let half = |from: Range<usize>| {
            let mut part = HandFrame::default();
            let columns = from.map(|c| (c, 1.0)).chain([(valley, 0.5)]);
            for (c, share) in columns {
                let f = share * f64::from(profile[c][0]);
                part.force_n += f;
                part.across_mm += f * (c as f64 + 0.5) * pitch;
                part.along_mm += share * f64::from(profile[c][1]);
            }
            part.across_mm /= part.force_n;
            part.along_mm /= part.force_n;
            part
        };
        let mut parts = [half(0..valley), half(valley + 1..profile.len())];
        if a.across_mm > b.across_mm {
            parts.swap(0, 1);
        }
        let held = |part: &HandFrame, last: &HandFrame| {
            part.force_n > 0.0 && part.force_n >= STILL_HELD * last.force_n
        };
        if !held(&parts[0], a) || !held(&parts[1], b) {
            return false;
        }
        let area = self.frames.areas(i)[0];
        let all = parts[0].force_n + parts[1].force_n;
        for (hand, mut part) in parts.into_iter().enumerate() {
            let share = part.force_n / all;
            part.area_mm2 = area.area_mm2 * share as f32;
            part.sum_of_squares_n2 = area.sum_of_squares_n2 * share as f32;
            part.filled_n = area.filled_n * share as f32;
            part.peak_kpa = area.peak_kpa;
            self.put(i, hand, Some(part));
        }
        self.episode.cut_frames += 1;
        true
    }

    fn no_hand(&mut self, part: &HandFrame) {
        let other = self.episode.other.get_or_insert_default();
        let f = part.force_n.max(0.0);
        other.frames += 1;
        other.most_n = other.most_n.max(f);
        other.sum_n += f;
        if other.sum_n > 0.0 {
            other.across_mm += f / other.sum_n * (part.across_mm - other.across_mm);
            other.along_mm += f / other.sum_n * (part.along_mm - other.along_mm);
        }
    }
}
