//! Conditioning before anything is measured: grid, spikes, delay, geometry, low pass, saturation (METHODS.md §1).
//!
//! The force zero is set later, by [`super::zero`], when it is known where the hand was off.

use super::dropouts::ColumnDropouts;
use super::filter::LowPass;
use super::grid::{Grid, Gridded, put_on_grid, time_base};
use super::flat_tops::flat_tops;
use super::noise::{FilteredNoise, white_noise_sd};
use super::sensors::Tared;
use super::spikes::remove_spikes;
use crate::error::{Error, Problem};
use crate::settings::Settings;
use crate::stats::moments::resolution;
use crate::trace::{Channel, Note, Trace};
use crate::terms::Side;
use std::ops::Range;

/// What a quiet channel's noise is taken for at least, as one over so many parts of its resolution, where spikes are told.
const STEPS_OF_NO_SPIKE: f64 = 3.0;
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
    /// The same of the displacement: its sensor was at the end of its way.
    pub stopped: Vec<Range<usize>>,
    /// When the force was zeroed under the hand.
    pub tared: Option<Tared>,
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
        stopped: Vec::new(),
        tared: None,
    })
}

/// Spikes out, noise measured, low-passed together.
fn signals<const N: usize>(mut gridded: [Gridded; N], grid: &Grid, low_pass: &LowPass) -> [Signal; N] {
    let noise = gridded.each_mut().map(|g| {
        let sd = white_noise_sd(&g.y, &g.filled);
        // One step of a coarse sensor is no spike.
        let least_sd = sd.max(resolution(&g.y) / STEPS_OF_NO_SPIKE);
        (sd, remove_spikes(&mut g.y, grid.rate_hz(), least_sd, &g.filled))
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

    #[test]
    fn a_shift_of_a_ramp_moves_it_by_that_much() {
        let mut y: Vec<f64> = (0..10).map(f64::from).collect();
        shift(&mut y, 2.5);
        assert_eq!(y[..4], [0.0, 0.0, 0.0, 0.5]);
        assert_eq!(y[9], 6.5);
    }

    #[test]
    fn filled_samples_lend_their_noise_to_their_neighbours() {
        // A tenth filled adds 1.5 tenths of variance; from three tenths on it is no more.
        for (filled, variance) in [(0, 1.0), (10, 1.15), (30, 1.45), (80, 1.45)] {
            assert!((noise_of_filling(filled, 100).powi(2) - variance).abs() < 1e-12, "{filled}");
        }
    }
}
