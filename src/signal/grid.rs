//! Raw samples onto a uniform grid, with what was filled in and where gaps lie.

use crate::error::Problem;
use crate::format::{duration, moment};
use crate::trace::Trace;
use std::ops::Range;

/// Slower recordings than this are refused.
pub const MIN_RATE_HZ: f64 = 50.0;
/// Shorter recordings than this are refused.
pub const MIN_SECONDS: f64 = 1.0;
/// Jitter beyond this share of a step means resampling.
const JITTER_SHARE: f64 = 0.2;
/// When no step strays from the mean by more than this, none strays from any other by more than the jitter.
const EVEN_SHARE: f64 = 0.05;
/// A hole longer than this inside a spring drops that spring.
pub const GAP_S: f64 = 0.05;

/// A grid holds at most this many times the samples that were recorded, and a second or so more: beyond it a recording
/// is holes, and its memory would not be bounded by its size.
const MOST_FILLED: usize = 10;
const MOST_FILLED_AT_LEAST: usize = 10_000;

/// A uniform time base.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Time of sample 0 in the recording's own seconds.
    pub start_s: f64,
    pub step_s: f64,
    pub len: usize,
    /// The samples as recorded already lie on it.
    pub as_recorded: bool,
}

impl Grid {
    /// Samples a second.
    pub fn rate_hz(&self) -> f64 {
        1.0 / self.step_s
    }

    /// Time of a sample, which need not be whole.
    pub fn time_s(&self, index: f64) -> f64 {
        self.start_s + index * self.step_s
    }

    /// The sample nearest to a time.
    pub fn nearest(&self, time_s: f64) -> usize {
        let at = ((time_s - self.start_s) / self.step_s).round().max(0.0) as usize;
        at.min(self.len.saturating_sub(1))
    }

    /// Samples in that many seconds, at least one.
    pub fn samples(&self, seconds: f64) -> usize {
        ((seconds / self.step_s).round() as usize).max(1)
    }
}

/// One raw channel on the grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Gridded {
    pub y: Vec<f64>,
    /// Samples that were interpolated; empty when none was.
    pub filled: Vec<bool>,
    /// Holes longer than [`GAP_S`], as grid indices.
    pub gaps: Vec<Range<usize>>,
}

/// The time base of a trace.
///
/// The step is the mean of the recorded steps within 20 % of their median, so that rounded time stamps and
/// dropped samples do not bend it.
///
/// # Errors
/// A recording under 50 Hz or under 1 s, or one that is nearly all holes.
pub fn time_base(trace: &Trace) -> Result<Grid, Problem> {
    let t = &trace.time_s;
    let duration_s = match (t.first(), t.last()) {
        (Some(a), Some(b)) if t.len() > 1 => b - a,
        _ => 0.0,
    };
    if duration_s < MIN_SECONDS {
        return Err(Problem::error(
            &trace.recording,
            format!("{duration_s:.3} s of data in {} samples", t.len()),
            "at least 1 s",
            "record from before the touch to after the release",
        ));
    }
    // Nearly every recording is even: then the median need not be looked for.
    let mean_s = duration_s / (t.len() - 1) as f64;
    let even = |[a, b]: &[f64; 2]| (b - a - mean_s).abs() <= EVEN_SHARE * mean_s;
    if (EVEN_SHARE + 1.0) * mean_s * MIN_RATE_HZ < 1.0 && duration_s.is_finite() && t.array_windows().all(even) {
        return Ok(Grid {
            start_s: t[0],
            step_s: mean_s,
            len: t.len(),
            as_recorded: true,
        });
    }
    let mut steps: Vec<f64> = t.windows(2).map(|w| w[1] - w[0]).collect();
    let middle = steps.len() / 2;
    let (_, median, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    let median = *median;
    if 1.0 / median < MIN_RATE_HZ * 0.999 {
        return Err(Problem::error(
            &trace.recording,
            format!("{:.1} samples a second", 1.0 / median),
            "at least 50 a second",
            "record faster; 200 Hz or more shows a spring well",
        ));
    }
    let near = |s: &&f64| (**s - median).abs() <= JITTER_SHARE * median;
    let (sum, n) = steps
        .iter()
        .filter(near)
        .fold((0.0, 0_usize), |(s, n), v| (s + v, n + 1));
    let step_s = sum / n as f64;
    let uniform = steps.iter().all(|s| (s - step_s).abs() <= JITTER_SHARE * step_s);
    let len = if uniform {
        t.len()
    } else {
        (duration_s / step_s).round() as usize + 1
    };
    let most = MOST_FILLED * t.len() + MOST_FILLED_AT_LEAST;
    if !(duration_s.is_finite() && step_s > 0.0) || len > most {
        return Err(mostly_holes(trace, duration_s, median));
    }
    // Steps that are each nearly right add up: over the whole, a uniform recording defines its own step.
    let step_s = if uniform {
        duration_s / (t.len() - 1) as f64
    } else {
        step_s
    };
    Ok(Grid {
        start_s: t[0],
        step_s,
        len,
        as_recorded: uniform,
    })
}

fn mostly_holes(trace: &Trace, duration_s: f64, median_s: f64) -> Problem {
    let n = trace.time_s.len();
    Problem::error(
        &trace.recording,
        format!(
            "{n} samples over {}, most of them {} apart: nearly all of it is holes",
            moment(duration_s),
            duration(median_s)
        ),
        "samples that follow each other evenly",
        "check the time column and its unit: a clock that jumps, or stamps of packets, look like this",
    )
    .in_column("time")
}

/// Puts a channel on the grid by straight lines between its valid samples; NaN is a missing sample.
///
/// Beyond the first and the last valid sample the nearest one holds. `None` when fewer than two are valid.
pub fn put_on_grid(grid: &Grid, time_s: &[f64], raw: &[f64]) -> Option<Gridded> {
    if grid.as_recorded && raw.iter().all(|v| v.is_finite()) {
        return Some(Gridded {
            y: raw.to_vec(),
            filled: Vec::new(),
            gaps: Vec::new(),
        });
    }
    let valid: Vec<(f64, f64)> = time_s
        .iter()
        .zip(raw)
        .filter(|(_, v)| v.is_finite())
        .map(|(t, v)| (*t, *v))
        .collect();
    if valid.len() < 2 {
        return None;
    }
    let (mut y, mut filled) = (Vec::with_capacity(grid.len), Vec::with_capacity(grid.len));
    let mut k = 0;
    for i in 0..grid.len {
        let t = grid.time_s(i as f64);
        while k + 2 < valid.len() && valid[k + 1].0 <= t {
            k += 1;
        }
        let ((ta, ya), (tb, yb)) = (valid[k], valid[k + 1]);
        let share = ((t - ta) / (tb - ta)).clamp(0.0, 1.0);
        y.push(ya + share * (yb - ya));
        let nearest = (t - ta).abs().min((tb - t).abs());
        filled.push(nearest > 0.3 * grid.step_s);
    }
    let index = |t: f64| ((t - grid.start_s) / grid.step_s).round().max(0.0) as usize;
    let mut gaps: Vec<Range<usize>> = valid
        .windows(2)
        .filter(|w| w[1].0 - w[0].0 > GAP_S)
        .map(|w| index(w[0].0)..index(w[1].0))
        .collect();
    let (first, last) = (index(valid[0].0), index(valid[valid.len() - 1].0));
    if first as f64 * grid.step_s > GAP_S {
        gaps.insert(0, 0..first);
    }
    if (grid.len - 1).saturating_sub(last) as f64 * grid.step_s > GAP_S {
        gaps.push(last..grid.len);
    }
    Some(Gridded { y, filled, gaps })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::{About, Channel};

    fn trace(time_s: Vec<f64>) -> Trace {
        let force_n = vec![0.0; time_s.len()];
        let channel = Channel {
            side: None,
            force_n,
            displacement_mm: None,
            displacement_shared: false,
        };
        Trace {
            recording: "r.csv".into(),
            time_s,
            channels: vec![channel],
            marker: None,
            drive_deg: None,
            about: About::default(),
            notes: vec![],
        }
    }

    #[test]
    fn rounded_time_stamps_do_not_bend_the_rate() {
        // 80 Hz written with three decimals: steps of 12 and 13 ms.
        let t: Vec<f64> = (0..800).map(|i| (i as f64 * 12.5).round() / 1000.0).collect();
        let grid = time_base(&trace(t)).unwrap();
        assert!((grid.rate_hz() - 80.0).abs() < 0.02, "{}", grid.rate_hz());
        assert!(grid.as_recorded);
    }

    #[test]
    fn dropped_samples_are_filled_on_the_line_and_long_holes_are_named() {
        let t: Vec<f64> = (0..3000)
            .filter(|i| i % 20 != 7 && !(1000..1100).contains(i))
            .map(|i| i as f64 / 1000.0)
            .collect();
        let y: Vec<f64> = t.iter().map(|t| 3.0 * t).collect();
        let grid = time_base(&trace(t.clone())).unwrap();
        assert_eq!(grid.len, 3000);
        let g = put_on_grid(&grid, &t, &y).unwrap();
        for (i, v) in g.y.iter().enumerate() {
            assert!((v - 0.003 * i as f64).abs() < 1e-9);
        }
        assert!(g.filled[7] && !g.filled[8]);
        assert_eq!(g.gaps, vec![999..1100]);
    }

    #[test]
    fn a_channel_that_begins_late_or_ends_early_has_a_gap_there() {
        let t: Vec<f64> = (0..3000).map(|i| f64::from(i) / 1000.0).collect();
        let grid = time_base(&trace(t.clone())).unwrap();
        let held: Vec<f64> = (0..3000)
            .map(|i| if (400..2500).contains(&i) { 7.0 } else { f64::NAN })
            .collect();
        let g = put_on_grid(&grid, &t, &held).unwrap();
        assert_eq!(g.gaps, vec![0..400, 2499..3000]);
        assert!(g.y.iter().all(|v| *v == 7.0));
    }

    #[test]
    fn slow_and_short_recordings_are_refused_with_what_to_do() {
        let slow = time_base(&trace((0..100).map(|i| i as f64 * 0.05).collect())).unwrap_err();
        assert!(slow.found.contains("20.0 samples"), "{slow}");
        let short = time_base(&trace((0..100).map(|i| i as f64 * 0.001).collect())).unwrap_err();
        assert!(short.expected.contains("1 s"), "{short}");
    }

    #[test]
    fn a_recording_that_is_nearly_all_one_hole_is_refused() {
        let mut t: Vec<f64> = (0..500).map(|i| f64::from(i) / 100.0).collect();
        t.push(1e6);
        let refused = time_base(&trace(t)).unwrap_err();
        assert!(refused.found.contains("nearly all of it is holes"), "{refused:?}");
    }
}
