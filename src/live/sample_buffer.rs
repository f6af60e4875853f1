//! Samples kept while a test goes on, so that the full analysis can run on them when it ends.

use super::channels::SideChannels;
use crate::trace::{About, Channel, Trace};
use std::collections::VecDeque;

/// Kept before a touch, in s: the zero comes from there.
pub const BEFORE_S: f64 = 1.5;
/// Longest touch that is kept whole, in s; what lies further back is in the recording's file.
pub const LONGEST_S: f64 = 90.0;

/// One sample of both sides.
#[derive(Debug, Clone, Copy)]
struct BufferedSample {
    time_s: f64,
    force_n: [f64; 2],
    displacement_mm: [f64; 2],
}

/// The last samples.
#[derive(Debug, Default)]
pub struct SampleBuffer {
    rows: VecDeque<BufferedSample>,
    /// Whether rows were thrown away that belong to a touch.
    cut: bool,
}

impl SampleBuffer {
    /// Takes force and displacement (NaN where there is none) of each side. `since_s` is the time from which on rows
    /// must stay.
    pub fn push(&mut self, time_s: f64, sides: impl Iterator<Item = (f64, f64)>, since_s: f64) {
        let mut row = BufferedSample {
            time_s,
            force_n: [f64::NAN; 2],
            displacement_mm: [f64::NAN; 2],
        };
        for (k, (force_n, x)) in sides.take(2).enumerate() {
            row.force_n[k] = force_n;
            row.displacement_mm[k] = x;
        }
        self.rows.push_back(row);
        while let Some(first) = self.rows.front() {
            let too_long = time_s - first.time_s > LONGEST_S;
            self.cut |= too_long && first.time_s >= since_s;
            if first.time_s >= since_s && !too_long {
                break;
            }
            self.rows.pop_front();
        }
    }

    /// The rows of a stretch as a trace; `None` when some of it was thrown away.
    pub fn trace(&mut self, from_s: f64, to_s: f64, sides: &[SideChannels], about: &About) -> Option<Trace> {
        if std::mem::take(&mut self.cut) {
            return None;
        }
        let begin = self.rows.partition_point(|r| r.time_s < from_s);
        let end = self.rows.partition_point(|r| r.time_s <= to_s);
        let rows = || self.rows.range(begin..end);
        let channels = sides.iter().enumerate().map(|(k, s)| Channel {
            side: s.side,
            force_n: rows().map(|r| r.force_n[k]).collect(),
            displacement_mm: s
                .displacement
                .map(|_| rows().map(|r| r.displacement_mm[k]).collect()),
            displacement_shared: s.shared,
        });
        Some(Trace {
            recording: "live".to_owned(),
            time_s: rows().map(|r| r.time_s).collect(),
            channels: channels.collect(),
            marker: None,
            drive_deg: None,
            about: about.clone(),
            notes: Vec::new(),
        })
    }
}
