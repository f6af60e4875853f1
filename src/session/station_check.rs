//! Whether a station is fit for the work: what its channels do with nothing on them, and which way they count when pushed.

use super::station_channel::ChannelSamples;
use super::station_findings::{ChannelFinding, StationFindings};
use crate::acquire::station::{ChannelQuantity, LineCounts, Sample, Station};
use crate::calibrate::Calibration;
use crate::live::channels::{ChannelConverter, sides_of};
use crate::live::sign::{ForceSign, PushDirection, SensorGain};
use crate::settings::Settings;
use crate::stats::moments::{median_in_place, sd};
use crate::study::gains::ColumnGains;
use crate::trace::{About, Channel, Trace};

/// A step of the stamps forward by more than this, in s, is a jump unless samples were lost in it.
const JUMP_S: f64 = 0.1;

/// Samples of a station: first nothing touches it, then its sensors are pushed.
pub struct StationCheck {
    station: Station,
    converter: ChannelConverter,
    quiet_s: f64,
    time_s: Vec<f64>,
    values: Vec<Vec<f64>>,
    /// The device's own whole numbers.
    device_counts: Vec<Vec<f64>>,
    counts: LineCounts,
    counts_before: LineCounts,
}

impl StationCheck {
    /// The first `quiet_s` seconds nothing touches the station.
    pub fn new(station: Station, calibrations: &[Calibration], gains: &ColumnGains, quiet_s: f64) -> StationCheck {
        StationCheck {
            converter: ChannelConverter::new(&station, calibrations, gains),
            values: vec![Vec::new(); station.channels.len()],
            device_counts: vec![Vec::new(); station.channels.len()],
            station,
            quiet_s,
            time_s: Vec::new(),
            counts: LineCounts::default(),
            counts_before: LineCounts::default(),
        }
    }

    /// What the line had counted before this check began.
    #[must_use]
    pub fn counting_from(mut self, before: LineCounts) -> StationCheck {
        (self.counts, self.counts_before) = (before, before);
        self
    }

    /// Takes samples in order.
    pub fn push(&mut self, samples: &[Sample]) {
        for sample in samples {
            self.time_s.push(sample.time_s);
            for (i, values) in self.values.iter_mut().enumerate() {
                let given = sample.values[i];
                // Counts without a calibration are all there is to look at.
                values.push(match self.converter.unknown(i) {
                    true => given,
                    false => self.converter.value(sample, i),
                });
                self.device_counts[i].push((given / self.station.channels[i].per_count).round());
            }
        }
    }

    /// Takes the quality of the line.
    pub fn count(&mut self, counts: LineCounts) {
        self.counts = counts;
    }

    /// The quality of the line since the check began.
    fn counts(&self) -> LineCounts {
        let (now, before) = (self.counts, self.counts_before);
        LineCounts {
            good: now.good.saturating_sub(before.good),
            bad: now.bad.saturating_sub(before.bad),
            lost: now.lost.saturating_sub(before.lost),
            late: now.late.saturating_sub(before.late),
            reconnected: now.reconnected.saturating_sub(before.reconnected),
        }
    }

    /// Time with samples, in s.
    pub fn seconds(&self) -> f64 {
        self.time_s.last().zip(self.time_s.first()).map_or(0.0, |(l, f)| l - f)
    }

    /// Each channel with its newest value and unit.
    pub fn now(&self) -> Vec<(String, f64, String)> {
        let last = |values: &Vec<f64>| values.last().copied().unwrap_or(f64::NAN);
        let named = self.station.channels.iter().zip(&self.values).enumerate();
        named.map(|(i, (c, v))| (c.heading(), last(v), self.unit(i))).collect()
    }

    fn unit(&self, channel: usize) -> String {
        let plain = &self.station.channels[channel];
        match (plain.unit.as_str(), plain.quantity, self.converter.unknown(channel)) {
            ("counts", ChannelQuantity::Force, false) => "N".to_owned(),
            ("counts", ChannelQuantity::Displacement, false) => "mm".to_owned(),
            (unit, ..) => unit.to_owned(),
        }
    }

    /// What was recorded after the quiet time, as a trace: presses of a reference spring.
    pub fn pressed(&self) -> Option<Trace> {
        let side = sides_of(&self.station).into_iter().next()?;
        Some(Trace {
            recording: "station".to_owned(),
            time_s: self.time_s.clone(),
            channels: vec![Channel {
                side: None,
                force_n: self.values[side.force].clone(),
                displacement_mm: side.displacement.map(|d| self.values[d].clone()),
                displacement_shared: false,
            }],
            marker: None,
            drive_deg: None,
            about: About::default(),
            notes: Vec::new(),
        })
    }

    /// What was found; `None` with less than a second of samples.
    pub fn findings(&self, settings: &Settings, gains: &ColumnGains) -> Option<StationFindings> {
        let mut steps: Vec<f64> = self.time_s.windows(2).map(|w| w[1] - w[0]).collect();
        let step_s = median_in_place(&mut steps.clone())?;
        if self.seconds() < 1.0 || step_s <= 0.0 {
            return None;
        }
        let jumps = self.jumps(&steps, step_s);
        steps.retain(|s| *s < 1.5 * step_s);
        let whole: Vec<f64> = steps.into_iter().map(|s| 1e6 * (s - step_s)).collect();
        let rate_hz = 1.0 / step_s;
        let mut findings = StationFindings {
            station: self.station.clone(),
            rate_hz,
            jitter_us: sd(&whole).unwrap_or(0.0),
            jumps_s: jumps,
            counts: self.counts(),
            seconds: self.seconds(),
            channels: self.channels(rate_hz, settings, gains),
            costs: Vec::new(),
            remarks: Vec::new(),
        };
        findings.judge(self.time_s.len(), settings);
        Some(findings)
    }

    /// Steps forward, in s, that no number of lost samples explains.
    fn jumps(&self, steps: &[f64], step_s: f64) -> Vec<f64> {
        let counts = self.counts();
        let mut explained_s = (counts.lost + counts.bad + counts.late) as f64 * step_s;
        let mut long: Vec<f64> = steps.iter().copied().filter(|s| *s > 3.0 * step_s && *s > JUMP_S).collect();
        long.sort_unstable_by(f64::total_cmp);
        long.retain(|s| {
            explained_s -= s - step_s;
            explained_s < -JUMP_S
        });
        long
    }

    fn channels(&self, rate_hz: f64, settings: &Settings, gains: &ColumnGains) -> Vec<ChannelFinding> {
        let mut all: Vec<ChannelFinding> =
            (0..self.values.len()).map(|i| self.channel(i, rate_hz, settings, gains)).collect();
        for side in sides_of(&self.station) {
            let Some(d) = side.displacement else { continue };
            let force = &all[side.force];
            if force.sign.is_none_or(|s| s.direction == PushDirection::Unknown) {
                continue;
            }
            let samples = self.samples(d, rate_hz);
            let beside = samples.beside_push(&samples.at_rest(settings), &self.values[side.force], force.rest);
            let new = beside.filter(|fault| !all[d].faults.contains(fault));
            all[d].faults.extend(new);
        }
        all
    }

    fn samples(&self, i: usize, rate_hz: f64) -> ChannelSamples<'_> {
        let first = self.time_s.first().copied().unwrap_or(0.0);
        ChannelSamples {
            quantity: self.station.channels[i].quantity,
            in_counts: self.converter.unknown(i),
            rate_hz,
            time_s: &self.time_s,
            values: &self.values[i],
            counts: &self.device_counts[i],
            quiet: self.time_s.partition_point(|t| t - first < self.quiet_s),
        }
    }

    fn channel(&self, i: usize, rate_hz: f64, settings: &Settings, gains: &ColumnGains) -> ChannelFinding {
        let plain = &self.station.channels[i];
        let samples = self.samples(i, rate_hz);
        let at_rest = samples.at_rest(settings);
        let without = samples.values.iter().filter(|v| !v.is_finite()).count();
        let limit = samples.limit(at_rest.rest).filter(|_| !samples.in_counts);
        let is_force = plain.quantity == ChannelQuantity::Force;
        ChannelFinding {
            heading: plain.heading(),
            quantity: plain.quantity,
            sensor: SensorGain {
                column: plain.column(),
                gain: gains.of(plain.column()),
            },
            code: plain.sensor.clone(),
            unit: self.unit(i),
            missing: without as f64 / samples.values.len().max(1) as f64,
            every: samples.every(),
            rest: at_rest.rest,
            noise: at_rest.noise,
            filtered: at_rest.filtered,
            equivalent: at_rest.equivalent,
            moved: at_rest.moved,
            lone: at_rest.lone,
            step: samples.step(),
            drift_per_min: at_rest.drift_per_min,
            mains: at_rest.mains,
            limit,
            faults: samples.rail().into_iter().chain(samples.frozen(limit)).collect(),
            clear: samples.clear(&at_rest, settings),
            sign: is_force.then(|| ForceSign {
                sensor: SensorGain {
                    column: plain.column(),
                    gain: gains.of(plain.column()),
                },
                direction: samples.direction(&at_rest, settings),
            }),
        }
    }
}
