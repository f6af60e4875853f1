//! The frames of a recording as they are worked on: what is kept of each, and what was left out.

use super::areas::LoadedArea;
use super::frame::{FrameFault, FrameParts};
use std::collections::BTreeMap;
use std::ops::Range;

/// A frame carries load when all cells together carry this share of the most that they ever do, and at least
/// [`LOADED_N`].
const LOADED_SHARE: f64 = 0.2;
const LOADED_N: f64 = 10.0;

/// What is kept of the frames, in the order of time. A frame that is left out keeps its time.
#[derive(Debug, Clone, Default)]
pub struct Frames {
    pub time_s: Vec<f64>,
    /// Where each frame stands in its file, for reading it again: a byte offset or a row.
    pub place: Vec<u64>,
    pub total_n: Vec<f64>,
    /// Left out, and why.
    pub fault: Vec<Option<FrameFault>>,
    areas: Vec<LoadedArea>,
    area_ends: Vec<u32>,
    rest_n: Vec<f32>,
    tiles: usize,
    profiles: BTreeMap<usize, Vec<[f32; 2]>>,
    all_zero: Vec<bool>,
    /// Frames with at least one cell at the highest reading.
    pub clipped: Vec<usize>,
    pub faults: BTreeMap<FrameFault, FaultCount>,
}

/// How often a fault was found, and where first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaultCount {
    pub frames: usize,
    pub first_s: Option<f64>,
    /// Line of the file, where it has lines.
    pub first_line: Option<u64>,
}

impl Frames {
    /// None yet; `tiles` is how many coarse squares the mat has.
    pub fn new(tiles: usize) -> Frames {
        Frames {
            tiles,
            ..Frames::default()
        }
    }

    /// How many there are, those left out included.
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.time_s.is_empty()
    }

    /// Adds a frame; its time must be later than the last one's.
    pub fn push(&mut self, time_s: f64, place: u64, line: Option<u64>, parts: FrameParts) {
        if let Some(fault) = parts.fault {
            self.count(fault, Some(time_s), line);
        }
        if parts.clipped > 0 {
            self.clipped.push(self.time_s.len());
        }
        if !parts.profile.is_empty() {
            self.profiles.insert(self.time_s.len(), parts.profile);
        }
        self.time_s.push(time_s);
        self.place.push(place);
        self.total_n.push(match parts.fault {
            None => parts.total_n,
            Some(_) => f64::NAN,
        });
        self.fault.push(parts.fault);
        self.all_zero.push(parts.all_zero);
        self.areas.extend(parts.areas);
        self.area_ends.push(self.areas.len() as u32);
        match parts.rest_n.len() == self.tiles {
            true => self.rest_n.extend(parts.rest_n),
            false => self.rest_n.extend(std::iter::repeat_n(0.0, self.tiles)),
        }
    }

    /// Counts a fault of a frame that is not kept at all.
    pub fn count(&mut self, fault: FrameFault, time_s: Option<f64>, line: Option<u64>) {
        let count = self.faults.entry(fault).or_insert(FaultCount {
            frames: 0,
            first_s: time_s,
            first_line: line,
        });
        count.frames += 1;
    }

    /// How many frames are left out.
    pub fn left_out(&self) -> usize {
        self.faults.values().map(|c| c.frames).sum()
    }

    /// Where the areas of a frame stand among all areas.
    pub fn range_of(&self, frame: usize) -> Range<usize> {
        let begin = match frame {
            0 => 0,
            _ => self.area_ends[frame - 1] as usize,
        };
        begin..self.area_ends[frame] as usize
    }

    /// All areas, frame after frame.
    pub fn all_areas(&self) -> &[LoadedArea] {
        &self.areas
    }

    /// The areas of a frame.
    pub fn areas(&self, frame: usize) -> &[LoadedArea] {
        &self.areas[self.range_of(frame)]
    }

    /// Force on a coarse square outside of the loaded areas.
    pub fn rest_n(&self, frame: usize, tile: usize) -> f64 {
        self.rest_n
            .get(frame * self.tiles + tile)
            .map_or(f64::NAN, |v| f64::from(*v))
    }

    /// The profile of a frame with a single area.
    pub fn profile(&self, frame: usize) -> Option<&[[f32; 2]]> {
        self.profiles.get(&frame).map(Vec::as_slice)
    }

    /// Leaves out the runs of frames that are all zero between frames that carry load: no hand leaves and comes back
    /// within a frame.
    pub fn leave_out_dropouts(&mut self, longest_s: f64) {
        let most = self.total_n.iter().copied().fold(0.0, f64::max);
        let limit = (LOADED_SHARE * most).max(LOADED_N);
        let loaded = |f: Option<&f64>| f.is_some_and(|f| *f > limit);
        let mut from = 0;
        while from < self.len() {
            if !self.all_zero[from] {
                from += 1;
                continue;
            }
            let to = (from..self.len())
                .find(|i| !self.all_zero[*i])
                .unwrap_or(self.len());
            let before = self.total_n[..from].iter().rev().find(|t| !t.is_nan());
            let after = self.total_n[to..].iter().find(|t| !t.is_nan());
            let short = self.time_s[to - 1] - self.time_s[from] <= longest_s;
            if loaded(before) && loaded(after) && short {
                for i in from..to {
                    self.fault[i] = Some(FrameFault::AllZero);
                    self.total_n[i] = f64::NAN;
                    self.count(FrameFault::AllZero, Some(self.time_s[i]), None);
                }
            }
            from = to;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zero_frames_inside_a_push_are_left_out_and_those_before_it_are_not() {
        let mut frames = Frames::new(0);
        for i in 0..20_u32 {
            let zero = i < 5 || (10..12).contains(&i);
            frames.push(
                f64::from(i) * 0.01,
                u64::from(i),
                None,
                FrameParts {
                    all_zero: zero,
                    total_n: if zero { 0.0 } else { 50.0 },
                    ..FrameParts::default()
                },
            );
        }
        frames.leave_out_dropouts(1.0);
        assert_eq!(frames.left_out(), 2);
        assert!(frames.total_n[10].is_nan() && frames.total_n[4] == 0.0);
    }
}
