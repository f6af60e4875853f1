//! Conditioning before anything is measured: grid, spikes, delay, geometry, low pass, saturation (METHODS.md §1).
//!
//! The force zero is set later, by [`super::zero`], when it is known where the hand was off.

use super::dropouts::ColumnDropouts;
use super::filter::LowPass;
use super::grid::{Grid, Gridded, put_on_grid, time_base};
use super::noise::{FilteredNoise, resolution, white_noise_sd};
use super::spikes::remove_spikes;
use crate::error::{Error, Problem};
use crate::settings::Settings;
use crate::trace::{Channel, Note, Trace};
use crate::terms::Side;
use std::ops::Range;

/// The cut-off is kept below this share of the sampling rate.
const CUTOFF_SHARE: f64 = 0.4;

/// One signal of one side, raw and conditioned, on the trace's grid.
#[derive(Debug, Clone)]
pub struct Signal {
    /// Spikes taken out, nothing else: what the detector reads.
    pub raw: Vec<f64>,
    /// Low-passed, zero phase.
    pub y: Vec<f64>,
    /// Standard deviation of the white noise of one raw sample.
    pub noise_sd: f64,
    pub gaps: Vec<Range<usize>>,
    /// Samples taken out as spikes, with what stood there.
    pub spikes: Vec<(usize, f64)>,
    pub filled: usize,
    /// Where the sensor gave no reading of its own, and straight lines stand instead.
    pub lost: Vec<Range<usize>>,
}

/// One side's conditioned signals.
#[derive(Debug, Clone)]
pub struct SideSignals {
    pub side: Option<Side>,
    pub force: Signal,
    pub displacement: Option<Signal>,
    pub displacement_shared: bool,
    /// There is a displacement channel, but it stood still throughout and is left out.
    pub displacement_stuck: bool,
    /// Stretches where the force channel stands at its extreme with a flat top.
    pub saturated: Vec<Range<usize>>,
}

/// A trace ready to be measured.
#[derive(Debug, Clone)]
pub struct Conditioned {
    pub grid: Grid,
    pub cutoff_hz: f64,
    pub low_pass: LowPass,
    pub noise: FilteredNoise,
    pub sides: Vec<SideSignals>,
    pub marker: Option<Vec<i64>>,
    pub drive_deg: Option<Vec<f64>>,
    pub notes: Vec<Note>,
}

impl Conditioned {
    /// Remembers where readings were taken out, in samples of the grid.
    pub fn take_note_of(&mut self, columns: &[ColumnDropouts], time_s: &[f64]) {
        for column in columns {
            let Some(side) = self.sides.get_mut(column.channel) else { continue };
            let signal = match column.of_displacement {
                false => Some(&mut side.force),
                true => side.displacement.as_mut(),
            };
            let Some(signal) = signal else { continue };
            signal.lost.extend(column.dropouts.iter().filter_map(|d| {
                let (first, last) = (time_s.get(d.samples.start)?, time_s.get(d.samples.end - 1)?);
                Some(self.grid.nearest(*first)..self.grid.nearest(*last) + 1)
            }));
        }
        let owner = self.sides.first().and_then(|s| s.displacement.as_ref()).map(|x| x.lost.clone());
        for side in self.sides.iter_mut().filter(|s| s.displacement_shared) {
            if let (Some(x), Some(lost)) = (&mut side.displacement, &owner) {
                x.lost.clone_from(lost);
            }
        }
    }
}

/// Conditions a trace.
///
/// # Errors
/// A [`Problem`] when the recording is too slow, too short, or a force channel has no valid sample.
pub fn condition(trace: &Trace, settings: &Settings) -> Result<Conditioned, Error> {
    let grid = time_base(trace)?;
    let rate_hz = grid.rate_hz();
    let cutoff_hz = settings.filter.low_pass_hz.min(CUTOFF_SHARE * rate_hz);
    let low_pass = LowPass::zero_phase(cutoff_hz, rate_hz)?;
    let noise = FilteredNoise::new(&low_pass, rate_hz, cutoff_hz);
    let mut notes: Vec<Note> = trace.notes.iter().cloned().map(Note::Reading).collect();
    let mut sides: Vec<SideSignals> = Vec::with_capacity(trace.channels.len());
    for channel in &trace.channels {
        let shared = if channel.displacement_shared {
            sides.first()
        } else {
            None
        };
        let shared = shared.and_then(|s| s.displacement.clone());
        sides.push(one_side(trace, channel, shared, &grid, &low_pass, settings)?);
    }
    describe_repairs(&sides, &grid, &mut notes);
    let marker = trace
        .marker
        .as_ref()
        .map(|m| nearest_on_grid(&grid, &trace.time_s, m));
    let drive_deg = trace
        .drive_deg
        .as_ref()
        .and_then(|d| put_on_grid(&grid, &trace.time_s, d))
        .map(|g| low_pass.apply(&g.y));
    Ok(Conditioned {
        grid,
        cutoff_hz,
        low_pass,
        noise,
        sides,
        marker,
        drive_deg,
        notes,
    })
}

fn one_side(
    trace: &Trace,
    channel: &Channel,
    shared: Option<Signal>,
    grid: &Grid,
    low_pass: &LowPass,
    settings: &Settings,
) -> Result<SideSignals, Error> {
    let name = channel.side.map_or("force".to_owned(), |s| format!("force_{s}"));
    let no_force = || {
        Problem::error(
            &trace.recording,
            format!("no valid sample in {name}"),
            "numbers",
            "check that the load cell was connected",
        )
    };
    let mut force = put_on_grid(grid, &trace.time_s, &channel.force_n).ok_or_else(no_force)?;
    let saturated = flat_tops(&force.y, grid);
    shift(
        &mut force.y,
        -settings.instrument.force_delay_ms / 1e3 / grid.step_s,
    );
    let own = match (&shared, &channel.displacement_mm) {
        (None, Some(x)) => put_on_grid(grid, &trace.time_s, x),
        _ => None,
    };
    let (force, own) = match own {
        Some(own) => {
            let [force, own] = signals([force, own], grid, low_pass);
            (force, Some(own))
        }
        None => {
            let [force] = signals([force], grid, low_pass);
            (force, None)
        }
    };
    let mut displacement = shared.or(own);
    let compliance = settings.instrument.plinth_compliance_mm_per_n;
    if let (Some(x), true) = (&mut displacement, compliance > 0.0) {
        for (x, f) in x
            .raw
            .iter_mut()
            .zip(&force.raw)
            .chain(x.y.iter_mut().zip(&force.y))
        {
            *x -= compliance * f;
        }
    }
    Ok(SideSignals {
        side: channel.side,
        force,
        displacement,
        displacement_shared: channel.displacement_shared,
        displacement_stuck: false,
        saturated,
    })
}

/// Spikes out, noise measured, low-passed together.
fn signals<const N: usize>(mut gridded: [Gridded; N], grid: &Grid, low_pass: &LowPass) -> [Signal; N] {
    let noise = gridded.each_mut().map(|g| {
        let sd = white_noise_sd(&g.y, &g.filled);
        (sd, remove_spikes(&mut g.y, grid.rate_hz(), sd, &g.filled))
    });
    let mut passed = low_pass
        .apply_all(gridded.each_ref().map(|g| g.y.as_slice()))
        .into_iter();
    let mut noise = noise.into_iter();
    gridded.map(|g| {
        let (noise_sd, spikes) = noise.next().unwrap_or_default();
        let filled = g.filled.iter().filter(|f| **f).count();
        Signal {
            raw: g.y,
            y: passed.next().unwrap_or_default(),
            noise_sd: noise_sd * noise_of_filling(filled, grid.len),
            gaps: g.gaps,
            spikes,
            filled,
            lost: Vec::new(),
        }
    })
}

/// Factor by which filling missing samples from both their neighbours raises the noise of what is averaged.
///
/// # Formula
/// A sample that stands as the mean of its neighbours gives them its weight: of three equal weights, 3w² becomes
/// 2·(1.5w)², so the variance grows by 1.5 times the share that was filled.
fn noise_of_filling(filled: usize, len: usize) -> f64 {
    let share = (filled as f64 / len.max(1) as f64).min(0.3);
    (1.0 + 1.5 * share).sqrt()
}

/// Shifts a series in time by a share of a sample or more, by straight lines; the ends hold.
fn shift(y: &mut [f64], samples: f64) {
    if samples == 0.0 || y.is_empty() {
        return;
    }
    let old = y.to_vec();
    let last = old.len() - 1;
    for (i, v) in y.iter_mut().enumerate() {
        let at = (i as f64 - samples).clamp(0.0, last as f64);
        let k = (at.floor() as usize).min(last.saturating_sub(1));
        let next = old[(k + 1).min(last)];
        *v = old[k] + (at - k as f64) * (next - old[k]);
    }
}

/// Flat tops at the channel's highest value: a sensor at its limit, not a peak.
///
/// A peak rounded to the sensor's resolution is flat too, but falls away by only a few steps over the width of
/// its flat part, and slowly at first; a clipped one falls steeply at once.
fn flat_tops(y: &[f64], grid: &Grid) -> Vec<Range<usize>> {
    let top = y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = grid.samples(0.004).max(3);
    let step = resolution(y);
    let mut found = Vec::new();
    let mut i = 0;
    while i < y.len() {
        if y[i] < top {
            i += 1;
            continue;
        }
        let begin = i;
        while i < y.len() && y[i] >= top {
            i += 1;
        }
        let width = i - begin;
        if width < least || begin == 0 || i == y.len() {
            continue;
        }
        let before: Vec<f64> = y[..begin].iter().rev().map(|v| top - v).collect();
        let after: Vec<f64> = y[i..].iter().map(|v| top - v).collect();
        if [&before, &after].into_iter().any(|fall| is_steep(fall, width, step)) {
            found.push(begin..i);
        }
    }
    found
}

/// Whether values fall from a flat top as from a limit. From a turn they fall with the square of the way, so that sixteen steps take
/// twice as far as four; from a limit four times, or more than four at once.
fn is_steep(fall: &[f64], width: usize, step: f64) -> bool {
    let beyond = |steps: f64| fall.iter().take(100 * width).position(|f| *f > steps * step).map(|k| k + 1);
    let over_the_width = fall.get(width - 1).or(fall.last()).is_some_and(|f| *f > 10.0 * step);
    match (beyond(4.0), beyond(16.0)) {
        (Some(1), Some(_)) => over_the_width,
        (Some(four), Some(sixteen)) => over_the_width && sixteen >= 3 * four,
        _ => false,
    }
}

fn nearest_on_grid(grid: &Grid, time_s: &[f64], marker: &[i64]) -> Vec<i64> {
    if grid.as_recorded {
        return marker.to_vec();
    }
    let mut k = 0;
    (0..grid.len)
        .map(|i| {
            let t = grid.time_s(i as f64) + 0.5 * grid.step_s;
            while k + 1 < time_s.len() && time_s[k + 1] <= t {
                k += 1;
            }
            marker[k]
        })
        .collect()
}

fn describe_repairs(sides: &[SideSignals], grid: &Grid, notes: &mut Vec<Note>) {
    for s in sides {
        let of = s.side.map_or(String::new(), |side| format!("_{side}"));
        for (name, signal) in [
            ("force", Some(&s.force)),
            ("displacement", s.displacement.as_ref()),
        ] {
            let Some(signal) = signal else { continue };
            if name == "displacement" && s.displacement_shared && s.side == Some(Side::Right) {
                continue;
            }
            if !signal.spikes.is_empty() {
                notes.push(Note::Spikes {
                    signal: format!("{name}{of}"),
                    samples: signal.spikes.len(),
                });
            }
            if signal.filled > 0 {
                notes.push(Note::Resampled {
                    signal: format!("{name}{of}"),
                    percent: 100.0 * signal.filled as f64 / grid.len as f64,
                });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GRID: Grid = Grid {
        start_s: 0.0,
        step_s: 0.001,
        len: 1000,
        as_recorded: true,
    };

    fn press() -> Vec<f64> {
        (0..1000)
            .map(|i| 17.5 * (1.0 - (i as f64 * 0.001 * std::f64::consts::TAU * 2.0).cos()))
            .collect()
    }

    #[test]
    fn a_clipped_top_is_saturation_and_a_rounded_one_is_not() {
        let clipped: Vec<f64> = press()
            .iter()
            .map(|v| (v.min(30.0) * 100.0).round() / 100.0)
            .collect();
        assert_eq!(flat_tops(&clipped, &GRID).len(), 2);
        // The same at a sixth of the force: what is steep is told in steps, not in newtons.
        let light: Vec<f64> = clipped.iter().map(|v| v / 6.0).collect();
        assert_eq!(flat_tops(&light, &GRID), flat_tops(&clipped, &GRID));
        for resolution in [0.01, 0.1, 0.5, 1.0] {
            let rounded: Vec<f64> = press()
                .iter()
                .map(|v| (v / resolution).round() * resolution)
                .collect();
            assert!(flat_tops(&rounded, &GRID).is_empty(), "{resolution}");
        }
        // A spring that rests at its turn, in coarse steps, and three equal samples at a low rate.
        let resting: Vec<f64> = (0..200)
            .map(|i| {
                let turn = ((f64::from(i) - 100.0).abs() - 14.0).max(0.0) * 0.1;
                (40.0 - 10.0 * (1.0 - turn.min(3.1).cos())).round()
            })
            .collect();
        let slow = Grid { step_s: 0.005, len: 200, ..GRID };
        assert!(flat_tops(&resting, &slow).is_empty());
        let quick: Vec<f64> = (0..200)
            .map(|i| (40.0 + 15.0 * (f64::from(i) * 0.0785).cos()) / 0.05)
            .map(|v| v.round() * 0.05)
            .collect();
        assert!(flat_tops(&quick, &slow).is_empty());
    }

    #[test]
    fn a_shift_of_a_ramp_moves_it_by_that_much() {
        let mut y: Vec<f64> = (0..10).map(f64::from).collect();
        shift(&mut y, 2.5);
        assert_eq!(y[..4], [0.0, 0.0, 0.0, 0.5]);
        assert_eq!(y[9], 6.5);
    }
}
