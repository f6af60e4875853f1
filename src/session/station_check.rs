//! Whether a station is fit for the work: what its channels do with nothing on them, and which way they count when pushed.

use super::station_findings::{ChannelFinding, MainsRipple, StationFindings};
use crate::acquire::station::{ChannelQuantity, LineCounts, Sample, Station};
use crate::calibrate::Calibration;
use crate::live::channels::{ChannelConverter, sides_of};
use crate::live::sign::{ForceSign, PushDirection, SensorGain, SignWatch};
use crate::settings::Settings;
use crate::signal::filter::LowPass;
use crate::signal::noise::{FilteredNoise, white_noise_sd};
use crate::stats::line::line;
use crate::stats::moments::{median_in_place, resolution, sd};
use crate::study::gains::ColumnGains;
use crate::trace::{About, Channel, Trace};

/// A shorter rest tells no drift of a minute.
const DRIFT_OVER_S: f64 = 10.0;
/// Equal highest values in a row, this far above rest, are a sensor at its limit.
const FLAT_SAMPLES: usize = 8;
const FLAT_ABOVE_N: f64 = 10.0;
/// A channel at rest stays this near the line through it, in mm; a force, within what counts as contact.
const AT_REST_MM: f64 = 0.05;
/// And within so many standard deviations of its white noise after the low pass; slow noise has more than white.
const MOVED: f64 = 20.0;
/// Frequencies of the mains.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// A ripple that white noise gives by chance in one check of a thousand: √(2·ln 1000).
const CHANCE: f64 = 3.717;

/// Samples of a station: first nothing touches it, then its sensors are pushed.
pub struct StationCheck {
    station: Station,
    converter: ChannelConverter,
    quiet_s: f64,
    time_s: Vec<f64>,
    values: Vec<Vec<f64>>,
    counts: LineCounts,
}

impl StationCheck {
    /// The first `quiet_s` seconds nothing touches the station.
    pub fn new(station: Station, calibrations: &[Calibration], gains: &ColumnGains, quiet_s: f64) -> StationCheck {
        StationCheck {
            converter: ChannelConverter::new(&station, calibrations, gains),
            values: vec![Vec::new(); station.channels.len()],
            station,
            quiet_s,
            time_s: Vec::new(),
            counts: LineCounts::default(),
        }
    }

    /// Takes samples in order.
    pub fn push(&mut self, samples: &[Sample]) {
        for sample in samples {
            self.time_s.push(sample.time_s);
            for (i, values) in self.values.iter_mut().enumerate() {
                values.push(self.converter.value(sample, i));
            }
        }
    }

    /// Takes the quality of the line.
    pub fn count(&mut self, counts: LineCounts) {
        self.counts = counts;
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
        let step_s = median_in_place(&mut steps)?;
        if self.seconds() < 1.0 || step_s <= 0.0 {
            return None;
        }
        let whole: Vec<f64> = steps.into_iter().filter(|s| *s < 1.5 * step_s).map(|s| 1e6 * (s - step_s)).collect();
        let rate_hz = 1.0 / step_s;
        let channels: Vec<ChannelFinding> =
            (0..self.values.len()).map(|i| self.channel(i, rate_hz, settings, gains)).collect();
        let mut findings = StationFindings {
            station: self.station.clone(),
            rate_hz,
            jitter_us: sd(&whole).unwrap_or(0.0),
            counts: self.counts,
            seconds: self.seconds(),
            channels,
            costs: Vec::new(),
            remarks: Vec::new(),
        };
        findings.judge(self.time_s.len(), settings);
        Some(findings)
    }

    fn channel(&self, i: usize, rate_hz: f64, settings: &Settings, gains: &ColumnGains) -> ChannelFinding {
        let plain = &self.station.channels[i];
        let all = &self.values[i];
        let first = self.time_s.first().copied().unwrap_or(0.0);
        let quiet: Vec<(f64, f64)> = self
            .time_s
            .iter()
            .zip(all)
            .filter(|(t, v)| **t - first < self.quiet_s && v.is_finite())
            .map(|(t, v)| (*t, *v))
            .collect();
        let (time, y): (Vec<f64>, Vec<f64>) = quiet.into_iter().unzip();
        let rest = median_in_place(&mut y.clone()).unwrap_or(f64::NAN);
        let trend = line(&time, &y).ok();
        let span_s = time.last().zip(time.first()).map_or(0.0, |(l, f)| l - f);
        let level: Vec<f64> = time.iter().zip(&y).map(|(t, v)| v - trend.map_or(rest, |l| l.at(*t))).collect();
        let noise = white_noise_sd(&y, &[]);
        let (mut filtered, mut equivalent, mut moved) = (noise, noise, false);
        if let Ok(low_pass) = LowPass::zero_phase(settings.filter.low_pass_hz, rate_hz)
            && level.len() > 64
        {
            let left = FilteredNoise::new(&low_pass, rate_hz, settings.filter.low_pass_hz).sample_sd(1.0);
            let smooth = low_pass.apply(&level);
            filtered = sd(&smooth).unwrap_or(noise);
            equivalent = (filtered / left).max(noise);
            let furthest = smooth.iter().fold(0.0, |most: f64, v| most.max(v.abs()));
            let least = match plain.quantity {
                ChannelQuantity::Force => settings.detect.contact_floor_n,
                _ => AT_REST_MM,
            };
            moved = furthest > least && furthest > MOVED * noise * left;
        }
        let missing = all.iter().filter(|v| !v.is_finite()).count() as f64 / all.len().max(1) as f64;
        ChannelFinding {
            heading: plain.heading(),
            quantity: plain.quantity,
            unit: self.unit(i),
            missing,
            rest,
            noise,
            filtered,
            equivalent,
            moved,
            step: resolution(&all.iter().copied().filter(|v| v.is_finite()).collect::<Vec<f64>>()),
            drift_per_min: trend.filter(|_| span_s >= DRIFT_OVER_S).map(|l| 60.0 * l.slope),
            mains: ripple(&time, &level, rate_hz),
            limit: limit(all, rest),
            sign: (plain.quantity == ChannelQuantity::Force).then(|| ForceSign {
                sensor: SensorGain {
                    column: plain.column(),
                    gain: gains.of(plain.column()),
                },
                direction: self.direction(all, rest, filtered, settings),
            }),
        }
    }

    fn direction(&self, force: &[f64], rest: f64, filtered: f64, settings: &Settings) -> PushDirection {
        let mut watch = SignWatch::default();
        let limit = settings.detect.contact_floor_n.max(settings.detect.contact_sigma * filtered);
        for (t, v) in self.time_s.iter().zip(force).filter(|(_, v)| v.is_finite()) {
            watch.push(*t, *v, rest, limit);
        }
        watch.direction()
    }
}

/// The stronger of both ripples, where it is more than white noise gives by chance.
fn ripple(time_s: &[f64], level: &[f64], rate_hz: f64) -> Option<MainsRipple> {
    let spread = sd(level).ok()?;
    let n = level.len() as f64;
    MAINS_HZ
        .iter()
        .filter_map(|&hz| {
            let seen_at_hz = (hz - (hz / rate_hz).round() * rate_hz).abs();
            // At rest or at half the rate its size is not known.
            if seen_at_hz < 1.0 || seen_at_hz > 0.49 * rate_hz {
                return None;
            }
            let (mut re, mut im) = (0.0, 0.0);
            for (t, v) in time_s.iter().zip(level) {
                let phase = std::f64::consts::TAU * hz * t;
                re += v * phase.cos();
                im += v * phase.sin();
            }
            let amplitude = 2.0 * re.hypot(im) / n;
            let by_chance = CHANCE * spread * (2.0 / n).sqrt();
            (amplitude > by_chance).then_some(MainsRipple { hz, seen_at_hz, amplitude })
        })
        .max_by(|a, b| a.amplitude.total_cmp(&b.amplitude))
}

/// The highest value, when the channel stood at it far from rest.
fn limit(values: &[f64], rest: f64) -> Option<f64> {
    let far = |v: f64| (v - rest).abs();
    let top = values.iter().copied().filter(|v| v.is_finite()).max_by(|a, b| far(*a).total_cmp(&far(*b)))?;
    let longest = values.chunk_by(|a, b| a == b).filter(|run| run[0] == top).map(<[f64]>::len).max()?;
    (longest >= FLAT_SAMPLES && far(top) > FLAT_ABOVE_N).then_some(top)
}
