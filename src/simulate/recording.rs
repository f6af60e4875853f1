//! True signals through the sensor: a trace as read, and one as a perfect sensor would have read it.

use super::sensor::at;
use super::{Dropped, Rng, Sensor, quantise};
use crate::terms::Side;
use crate::trace::{About, Channel, Trace};

/// Streams of one seed, so that a change in one part of the sensor leaves the others as they were.
const READING: u64 = 2;
const SPIKES: u64 = 3;
const GAPS: u64 = 4;
const TILT: u64 = 5;
const CLOCK: u64 = 6;

/// Noise and resolution of a plain tilt sensor, in degrees: invented.
const TILT_NOISE_DEG: f64 = 0.5;
const TILT_RESOLUTION_DEG: f64 = 0.1;

/// True signals of one side on the fine grid.
#[derive(Debug, Clone, Default)]
pub(super) struct FineSide {
    pub x_mm: Vec<f64>,
    pub force_n: Vec<f64>,
}

/// What is recorded beside the sides, one value a sample of the file.
#[derive(Debug, Clone, Default)]
pub(super) struct ExtraColumns {
    pub marker: Option<Vec<i64>>,
    /// True tilt of the push.
    pub drive_deg: Option<Vec<f64>>,
}

/// Puts the true signals through the sensor; the second trace is what a perfect sensor would have read.
pub(super) fn record(
    sides: &[FineSide],
    shared: bool,
    sensor: &Sensor,
    beside: ExtraColumns,
    seed: u64,
) -> (Trace, Trace) {
    let steps = sensor.fine_steps();
    let count = sides.first().map_or(0, |s| s.x_mm.len().div_ceil(steps));
    let places = sensor.places(count, &mut Rng::stream(seed, CLOCK));
    let at_places = |fine: &[f64]| places.iter().map(|&p| at(fine, p)).collect::<Vec<f64>>();
    let mut reading = Rng::stream(seed, READING);
    let mut spikes = Rng::stream(seed, SPIKES);
    let mut read = Vec::new();
    let mut clean = Vec::new();
    for (i, fine) in sides.iter().enumerate() {
        let side = match (sides.len(), i) {
            (2, 0) => Some(Side::Left),
            (2, _) => Some(Side::Right),
            _ => None,
        };
        let mut force_n = sensor.read_force(&fine.force_n, &places, &mut reading);
        let mut displacement_mm = match read.first() {
            Some(Channel { displacement_mm, .. }) if shared => displacement_mm.clone(),
            _ => sensor
                .has_displacement
                .then(|| sensor.read_displacement(&fine.x_mm, &places, &mut reading)),
        };
        let own = if shared && i > 0 {
            None
        } else {
            displacement_mm.as_mut()
        };
        sensor.add_spikes(&mut force_n, own, &mut spikes);
        clean.push(Channel {
            side,
            force_n: at_places(&fine.force_n),
            displacement_mm: sensor.has_displacement.then(|| at_places(&fine.x_mm)),
            displacement_shared: shared,
        });
        read.push(Channel {
            side,
            force_n,
            displacement_mm,
            displacement_shared: shared,
        });
    }
    let time_s: Vec<f64> = if sensor.jitter_share > 0.0 {
        places
            .iter()
            .map(|p| quantise(p / steps as f64 / sensor.rate_hz, 1e-6))
            .collect()
    } else {
        (0..count).map(|i| i as f64 / sensor.rate_hz).collect()
    };
    let kept = sensor.kept(&time_s, &mut Rng::stream(seed, GAPS));
    let mut tilting = Rng::stream(seed, TILT);
    let tilt: Option<Vec<f64>> = beside.drive_deg.as_ref().map(|true_deg| {
        let read = |d: &f64| quantise(d + TILT_NOISE_DEG * tilting.normal(), TILT_RESOLUTION_DEG);
        true_deg.iter().map(read).collect()
    });
    let finish = |channels: Vec<Channel>, drive_deg: Option<Vec<f64>>| {
        let mut trace = Trace {
            recording: String::from("simulated"),
            time_s: time_s.clone(),
            channels,
            marker: beside.marker.clone(),
            drive_deg,
            about: About::default(),
            notes: Vec::new(),
        };
        drop_samples(&mut trace, &kept, sensor.dropped);
        trace
    };
    (finish(read, tilt), finish(clean, beside.drive_deg.clone()))
}

fn drop_samples(trace: &mut Trace, kept: &[bool], how: Dropped) {
    let all = |values: &mut Vec<f64>| match how {
        Dropped::Rows => keep(values, kept),
        Dropped::Cells => {
            for (value, kept) in values.iter_mut().zip(kept) {
                if !kept {
                    *value = f64::NAN;
                }
            }
        }
    };
    for channel in &mut trace.channels {
        all(&mut channel.force_n);
        if let Some(x) = &mut channel.displacement_mm {
            all(x);
        }
    }
    if let Some(tilt) = &mut trace.drive_deg {
        all(tilt);
    }
    if how == Dropped::Rows {
        keep(&mut trace.time_s, kept);
        if let Some(marker) = &mut trace.marker {
            keep(marker, kept);
        }
    }
}

fn keep<T>(values: &mut Vec<T>, kept: &[bool]) {
    let mut flags = kept.iter();
    values.retain(|_| flags.next().copied().unwrap_or(true));
}
