//! From episodes of contact to the hands of a recording: which is the subject's left, and what each did in every frame.

use crate::format::counted;
use super::collect::Frames;
use super::geometry::Geometry;
use super::episode::{HandFrame, MatEpisode, OtherArea, read_episode};
use super::tracks::{episodes, follow};
use crate::terms::Side;

/// A hand over the midline by this much, in mm, for this long, in s, has crossed it.
const CROSSED_MM: f64 = 10.0;
const CROSSED_S: f64 = 0.3;
/// An area that is no hand is told of when it holds this share of the force.
const OTHER_SHARE: f64 = 0.05;
/// Force under which the centre says little, in N.
const FAINT_N: f64 = 5.0;

/// What is known beforehand of who presses.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Expected {
    /// The side that the sidecar names.
    pub side: Option<Side>,
    /// One hand on top of the other, or one hand said to press.
    pub one_hand: bool,
    pub midline_mm: Option<f64>,
}

/// One hand through a recording: every list is as long as the frames.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Hand {
    pub side: Option<Side>,
    /// Force in N, NaN in frames that are left out. While the hand is off, the force on the cells where it presses
    /// at other times: the mat's own noise and drift.
    pub force_n: Vec<f64>,
    /// `None` while the hand is off.
    pub frames: Vec<Option<HandFrame>>,
}

/// The hands of a recording and what is to be said of them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FoundHands {
    /// One, or left and right.
    pub hands: Vec<Hand>,
    pub midline_mm: Option<f64>,
    /// The midline was not given but found between the hands.
    pub midline_found: bool,
    pub notes: Vec<String>,
    pub other: Option<OtherArea>,
    /// Share of the frames with both hands on in which they had grown together and were cut apart.
    pub cut_share: f64,
}

/// Finds the hands of all frames.
pub fn find_hands(geometry: &Geometry, frames: &Frames, expected: Expected) -> FoundHands {
    let tracks = follow(frames);
    let one_hand = expected.one_hand || expected.side.is_some();
    let read: Vec<MatEpisode> = episodes(frames)
        .into_iter()
        .map(|range| read_episode(geometry, frames, &tracks, range, one_hand))
        .filter(|t| !t.hands.is_empty())
        .collect();
    let mut found = FoundHands::default();
    let between = between_hands(&read);
    found.midline_mm = expected.midline_mm.or(between);
    found.midline_found = expected.midline_mm.is_none() && between.is_some();
    let sides = sides(&read, expected, found.midline_mm);
    let mut present: Vec<Option<Side>> = sides.iter().flatten().copied().collect();
    present.sort_unstable();
    present.dedup();
    found.hands = present
        .iter()
        .map(|side| hand(geometry, frames, &read, &sides, *side))
        .collect();
    found.describe(geometry, frames, &read);
    found
}

/// The middle between both hands: the median over the episodes that have two.
fn between_hands(episodes: &[MatEpisode]) -> Option<f64> {
    let mut middles: Vec<f64> = episodes
        .iter()
        .filter(|t| t.hands.len() == 2)
        .map(|t| 0.5 * (t.began_across_mm[0] + t.began_across_mm[1]))
        .collect();
    middles.sort_by(f64::total_cmp);
    middles.get(middles.len() / 2).copied()
}

/// The side of each hand of each episode.
fn sides(episodes: &[MatEpisode], expected: Expected, midline_mm: Option<f64>) -> Vec<Vec<Option<Side>>> {
    let one = |episode: &MatEpisode| match (expected.side, midline_mm) {
        (Some(side), _) => Some(side),
        (None, Some(midline)) => Some(match episode.began_across_mm[0] < midline {
            true => Side::Left,
            false => Side::Right,
        }),
        (None, None) => None,
    };
    episodes
        .iter()
        .map(|t| match t.hands.len() {
            2 => vec![Some(Side::Left), Some(Side::Right)],
            _ => vec![one(t)],
        })
        .collect()
}

/// One side through all episodes.
fn hand(
    geometry: &Geometry,
    frames: &Frames,
    episodes: &[MatEpisode],
    sides: &[Vec<Option<Side>>],
    side: Option<Side>,
) -> Hand {
    let mut own: Vec<(&MatEpisode, usize)> = Vec::new();
    for (episode, sides) in episodes.iter().zip(sides) {
        own.extend(sides.iter().position(|s| *s == side).map(|hand| (episode, hand)));
    }
    let tiles: Vec<usize> = own.iter().map(|(t, h)| tile(geometry, t, *h)).collect();
    let mut hand = Hand {
        side,
        force_n: Vec::with_capacity(frames.len()),
        frames: vec![None; frames.len()],
    };
    for (episode, h) in &own {
        hand.frames[episode.frames.clone()].copy_from_slice(&episode.hands[*h]);
    }
    let mut next = 0;
    for i in 0..frames.len() {
        while next + 1 < own.len() && nearer(i, own[next].0, own[next + 1].0) {
            next += 1;
        }
        hand.force_n.push(match (frames.fault[i], &hand.frames[i]) {
            (Some(_), _) => f64::NAN,
            (None, Some(frame)) => frame.force_n,
            (None, None) => frames.rest_n(i, tiles[next]),
        });
    }
    hand
}

/// Whether a frame lies nearer to the second of two episodes.
fn nearer(i: usize, first: &MatEpisode, second: &MatEpisode) -> bool {
    let after = i.saturating_sub(first.frames.end);
    let before = second.frames.start.saturating_sub(i);
    before < after
}

/// The coarse square in which the hand presses most.
fn tile(geometry: &Geometry, episode: &MatEpisode, hand: usize) -> usize {
    let mut sum = (0.0, 0.0, 0.0);
    for frame in episode.hands[hand].iter().flatten() {
        let f = frame.force_n.max(0.0);
        sum = (sum.0 + f, sum.1 + f * frame.across_mm, sum.2 + f * frame.along_mm);
    }
    geometry.tile_of(geometry.cell_at(sum.1 / sum.0.max(1e-9), sum.2 / sum.0.max(1e-9)))
}

impl FoundHands {
    fn describe(&mut self, geometry: &Geometry, frames: &Frames, episodes: &[MatEpisode]) {
        if let (Some(at), true) = (self.midline_mm, self.midline_found) {
            self.notes.push(format!(
                "midline found: halfway between the hands, {at:.0} mm from the edge at the subject's left; write midline_mm \
                 under [mat] where it is known"
            ));
        }
        if let [only] = self.hands.as_slice()
            && only.side.is_none()
        {
            self.notes.push(
                "one hand: one loaded area and no midline, so its side is not known; write side, or midline_mm under [mat]"
                    .to_owned(),
            );
        }
        let cut: usize = episodes.iter().map(|t| t.cut_frames).sum();
        let both: usize = episodes.iter().map(MatEpisode::frames_with_both).sum();
        self.cut_share = cut as f64 / both.max(1) as f64;
        if cut > 0 {
            self.notes.push(format!(
                "hands grown together: in {} both pressed one loaded area, cut where its pressure was lowest",
                counted(cut, "frame")
            ));
        }
        self.crossings(frames);
        self.others(geometry, episodes);
    }

    fn crossings(&mut self, frames: &Frames) {
        let Some(midline) = self.midline_mm else { return };
        for hand in &self.hands {
            let beyond = |frame: &HandFrame| match hand.side {
                Some(Side::Left) => frame.across_mm - midline,
                Some(Side::Right) => midline - frame.across_mm,
                _ => f64::NEG_INFINITY,
            };
            let crossed = hand
                .frames
                .iter()
                .flatten()
                .filter(|f| f.force_n > FAINT_N && beyond(f) > CROSSED_MM)
                .count();
            let span = frames.time_s.last().unwrap_or(&0.0) - frames.time_s.first().unwrap_or(&0.0);
            let step_s = span / (frames.len() as f64 - 1.0).max(1.0);
            if crossed as f64 * step_s > CROSSED_S
                && let Some(side) = hand.side
            {
                self.notes.push(format!(
                    "over the midline: the {side} hand pressed beyond it for {:.1} s and is followed as the same hand",
                    crossed as f64 * step_s
                ));
            }
        }
    }

    fn others(&mut self, geometry: &Geometry, episodes: &[MatEpisode]) {
        let most = episodes
            .iter()
            .filter_map(|t| t.other)
            .filter(|o| o.share >= OTHER_SHARE)
            .max_by(|a, b| a.sum_n.total_cmp(&b.sum_n));
        let Some(other) = most else { return };
        let cell = geometry.cell_at(other.across_mm, other.along_mm);
        self.other = Some(other);
        self.notes.push(format!(
            "another loaded area: {:.0} % of the force, up to {:.1} N around row {}, column {}, is of neither hand and is left out",
            100.0 * other.share,
            other.most_n,
            cell / geometry.cols + 1,
            cell % geometry.cols + 1
        ));
    }
}
