//! Loaded areas followed from frame to frame.

use super::collect::Frames;
use std::ops::Range;

/// An area is the same as the one before when its centre moved no further than this between frames, in mm.
const REACH_MM: f64 = 30.0;
/// A track ends when its area was gone for longer than this, in s.
const GONE_S: f64 = 0.1;
/// Episodes of contact with less than this between them are one, in s.
const APART_S: f64 = 0.2;
/// Where a track began is its mean over this long, in s.
const BEGINNING_S: f64 = 1.0;

/// One loaded area over time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Track {
    /// First and last frame.
    pub first: usize,
    pub last: usize,
    /// Sum of its forces over the frames, in N.
    pub sum_n: f64,
    /// Mean centre, weighted by force, in mm.
    pub across_mm: f64,
    pub along_mm: f64,
    /// The same over its first second.
    pub began_across_mm: f64,
    began_n: f64,
    at: (f64, f64),
}

/// Every area's track, and the tracks.
#[derive(Debug, Clone, Default)]
pub struct Tracks {
    pub tracks: Vec<Track>,
    /// In the order of [`Frames::all_areas`].
    pub of_area: Vec<u32>,
}

/// Follows the areas of all frames: in each frame the nearest pairs of track and area are taken first.
pub fn follow(frames: &Frames) -> Tracks {
    let mut all = Tracks {
        tracks: Vec::new(),
        of_area: vec![u32::MAX; frames.all_areas().len()],
    };
    let mut open: Vec<usize> = Vec::new();
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for i in 0..frames.len() {
        open.retain(|t| frames.time_s[i] - frames.time_s[all.tracks[*t].last] <= GONE_S);
        let range = frames.range_of(i);
        pairs.clear();
        for k in range.clone() {
            let area = &frames.all_areas()[k];
            for &t in &open {
                let (x, y) = all.tracks[t].at;
                let far = (f64::from(area.across_mm) - x).hypot(f64::from(area.along_mm) - y);
                if far <= REACH_MM {
                    pairs.push((far, t, k));
                }
            }
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        for &(_, t, k) in &pairs {
            let taken = all.tracks[t].last == i && all.tracks[t].first != i;
            if !taken && all.of_area[k] == u32::MAX {
                all.extend(frames, t, i, k);
            }
        }
        for k in range {
            if all.of_area[k] == u32::MAX {
                open.push(all.begin(frames, i, k));
            }
        }
    }
    all
}

impl Tracks {
    fn begin(&mut self, frames: &Frames, i: usize, k: usize) -> usize {
        let area = &frames.all_areas()[k];
        let (x, y) = (f64::from(area.across_mm), f64::from(area.along_mm));
        self.of_area[k] = self.tracks.len() as u32;
        self.tracks.push(Track {
            first: i,
            last: i,
            sum_n: area.force_n,
            across_mm: x,
            along_mm: y,
            began_across_mm: x,
            began_n: area.force_n,
            at: (x, y),
        });
        self.tracks.len() - 1
    }

    fn extend(&mut self, frames: &Frames, t: usize, i: usize, k: usize) {
        let area = &frames.all_areas()[k];
        self.of_area[k] = t as u32;
        let track = &mut self.tracks[t];
        let (x, y, f) = (
            f64::from(area.across_mm),
            f64::from(area.along_mm),
            area.force_n.max(0.0),
        );
        track.last = i;
        track.at = (x, y);
        let sum = track.sum_n + f;
        if sum > 0.0 {
            track.across_mm += f / sum * (x - track.across_mm);
            track.along_mm += f / sum * (y - track.along_mm);
        }
        track.sum_n = sum;
        if frames.time_s[i] - frames.time_s[track.first] <= BEGINNING_S {
            track.began_n += f;
            if track.began_n > 0.0 {
                track.began_across_mm += f / track.began_n * (x - track.began_across_mm);
            }
        }
    }
}

/// Stretches of frames in which anything is loaded, short gaps bridged.
pub fn episodes(frames: &Frames) -> Vec<Range<usize>> {
    let mut all: Vec<Range<usize>> = Vec::new();
    for i in 0..frames.len() {
        if frames.areas(i).is_empty() {
            continue;
        }
        match all.last_mut() {
            Some(last) if frames.time_s[i] - frames.time_s[last.end - 1] <= APART_S => last.end = i + 1,
            _ => all.push(i..i + 1),
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mat::areas::LoadedArea;
    use crate::mat::frame::FrameParts;

    fn area(across_mm: f64, force_n: f64) -> LoadedArea {
        LoadedArea {
            force_n,
            across_mm: across_mm as f32,
            along_mm: 100.0,
            area_mm2: 900.0,
            ..LoadedArea::default()
        }
    }

    fn frames(of: &[Vec<LoadedArea>]) -> Frames {
        let mut frames = Frames::new(0);
        for (i, areas) in of.iter().enumerate() {
            let parts = FrameParts {
                areas: areas.clone(),
                ..FrameParts::default()
            };
            frames.push(i as f64 * 0.01, i as u64, None, parts);
        }
        frames
    }

    #[test]
    fn two_areas_that_pass_each_other_keep_their_tracks_whatever_their_order_in_a_frame() {
        let moving: Vec<Vec<LoadedArea>> = (0..100)
            .map(|i| {
                let (a, b) = (area(50.0 + f64::from(i), 30.0), area(300.0 - f64::from(i), 20.0));
                if i % 3 == 0 { vec![b, a] } else { vec![a, b] }
            })
            .collect();
        let tracks = follow(&frames(&moving));
        assert_eq!(tracks.tracks.len(), 2);
        for t in &tracks.tracks {
            assert_eq!((t.first, t.last), (0, 99));
        }
        let ends: Vec<f64> = tracks.tracks.iter().map(|t| t.at.0.round()).collect();
        assert!(ends.contains(&149.0) && ends.contains(&201.0), "{ends:?}");
    }

    #[test]
    fn a_touch_bridges_a_short_gap_and_ends_at_a_long_one() {
        let one = vec![area(100.0, 9.0)];
        let mut of = vec![one.clone(); 20];
        of.extend(vec![vec![]; 10]);
        of.extend(vec![one.clone(); 5]);
        of.extend(vec![vec![]; 40]);
        of.extend(vec![one; 3]);
        assert_eq!(episodes(&frames(&of)), [0..35, 75..78]);
    }
}
