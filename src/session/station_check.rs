//! Whether a station is fit for the work: what its channels do with nothing on them, and which way they count when pushed.

use crate::acquire::station::{ChannelQuantity, LineCounts, Sample, Station};
use crate::calibrate::Calibration;
use crate::columns::Measure;
use crate::instrument::noise_cost::{NoiseCost, StationNoise, noise_cost};
use crate::live::channels::{ChannelConverter, sides_of};
use crate::live::sign::{ForceSign, PushDirection, SensorGain, SignWatch};
use crate::read::validity::LOWEST_RATE_HZ;
use crate::settings::Settings;
use crate::signal::filter::LowPass;
use crate::signal::noise::{FilteredNoise, white_noise_sd};
use crate::stats::moments::resolution;
use crate::stats::line::line;
use crate::stats::moments::{median_in_place, sd};
use crate::study::gains::ColumnGains;
use crate::trace::{About, Channel, Trace};

/// Below this many samples a second springs are seen coarsely: firmware-notes/README.md.
const GOOD_RATE_HZ: f64 = 200.0;
/// Trials a side that the smallest asymmetry is told for.
pub const TRIALS: usize = 3;
/// A drift over a minute that is told, in N and mm; common practice, no source.
const DRIFT_N: f64 = 0.5;
const DRIFT_MM: f64 = 0.05;
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

/// Ripple of the mains on a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MainsRipple {
    pub hz: f64,
    /// Where it comes to lie after sampling.
    pub seen_at_hz: f64,
    pub amplitude: f64,
}

/// What one channel does.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelFinding {
    pub heading: String,
    pub quantity: ChannelQuantity,
    /// `N`, `mm` or `deg`; `counts` when no calibration fits.
    pub unit: String,
    /// Share of samples without a value.
    pub missing: f64,
    /// Where it rests.
    pub rest: f64,
    /// Standard deviation of one sample.
    pub noise: f64,
    /// The same after the low pass, as the detector and the measures see it.
    pub filtered: f64,
    /// White noise that would leave as much after the low pass.
    pub equivalent: f64,
    /// It moved although nothing was to touch it: neither noise nor drift is known.
    pub moved: bool,
    pub step: f64,
    /// `None` when nothing was heard at rest for long enough to tell.
    pub drift_per_min: Option<f64>,
    pub mains: Option<MainsRipple>,
    /// The value that it stood still at under load.
    pub limit: Option<f64>,
    /// Of a force that was pushed.
    pub sign: Option<ForceSign>,
}

/// How much something that was found matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// It limits what can be found.
    Limits,
    /// Until it is mended nothing measured is right.
    Forbids,
}

/// What a check found.
#[derive(Debug, Clone)]
pub struct StationFindings {
    pub station: Station,
    pub rate_hz: f64,
    /// Standard deviation of the steps between stamps, in µs.
    pub jitter_us: f64,
    pub counts: LineCounts,
    pub seconds: f64,
    pub channels: Vec<ChannelFinding>,
    pub costs: Vec<NoiseCost>,
    /// In words, the weightiest first.
    pub remarks: Vec<(Weight, String)>,
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

impl StationFindings {
    /// Whether anything forbids work with it.
    pub fn is_fit(&self) -> bool {
        self.remarks.iter().all(|(weight, _)| *weight < Weight::Forbids)
    }

    /// The verdict on the station, in a sentence.
    pub fn verdict(&self) -> &'static str {
        match (self.is_fit(), self.remarks.is_empty()) {
            (true, true) => "This station is fit for the work.",
            (true, false) => "This station is fit for the work within limits.",
            (false, _) => "This station is not fit for the work yet.",
        }
    }

    /// Smallest difference in end-feel between left and right that its noise alone lets tell from none, in percent.
    pub fn smallest_asymmetry_percent(&self) -> Option<f64> {
        smallest(&self.costs)
    }

    fn first(&self, quantity: ChannelQuantity) -> Option<&ChannelFinding> {
        self.channels.iter().find(|c| c.quantity == quantity && c.unit != "counts")
    }

    fn noise(&self, force: f64, displacement: f64) -> Option<StationNoise> {
        let f = self.first(ChannelQuantity::Force)?;
        Some(StationNoise {
            rate_hz: self.rate_hz,
            force_n: force * f.equivalent,
            force_step_n: f.step,
            displacement_mm: self
                .first(ChannelQuantity::Displacement)
                .map(|d| [displacement * d.equivalent, d.step]),
        })
    }

    fn judge(&mut self, samples: usize, settings: &Settings) {
        let mut remarks = Vec::new();
        self.judge_line(samples, &mut remarks);
        for channel in &self.channels {
            judge_channel(channel, settings, &mut remarks);
        }
        if self.first(ChannelQuantity::Displacement).is_none() {
            remarks.push((
                Weight::Limits,
                "Without a displacement in mm there is no stiffness and no onset in mm.".to_owned(),
            ));
        }
        if self.rate_hz >= LOWEST_RATE_HZ
            && self.channels.iter().all(|c| !c.moved)
            && let Some(noise) = self.noise(1.0, 1.0)
        {
            self.costs = noise_cost(&noise, settings);
            self.judge_noise(settings, &mut remarks);
        }
        remarks.sort_by_key(|(weight, _)| std::cmp::Reverse(*weight));
        self.remarks = remarks;
    }

    fn judge_line(&self, samples: usize, remarks: &mut Vec<(Weight, String)>) {
        let rate = self.rate_hz;
        if (rate / self.station.rate_hz - 1.0).abs() > 0.02 {
            remarks.push((
                Weight::Limits,
                format!("Its hello says {} samples a second, its stamps {rate:.1}: correct the rate in its firmware.", self.station.rate_hz),
            ));
        }
        if rate < LOWEST_RATE_HZ {
            remarks.push((
                Weight::Forbids,
                format!("{rate:.1} samples a second are too few: no test is measured with less than {LOWEST_RATE_HZ}."),
            ));
        } else if rate < GOOD_RATE_HZ * 0.95 {
            remarks.push((
                Weight::Limits,
                format!("{rate:.0} samples a second show a quick spring coarsely; {GOOD_RATE_HZ} or more are better."),
            ));
        }
        let lost = self.counts.lost + self.counts.bad;
        if lost as f64 > 0.001 * samples as f64 {
            remarks.push((
                Weight::Limits,
                format!(
                    "The line lost {} and damaged {} of {} samples: a faster line, a shorter cable, or another port.",
                    self.counts.lost, self.counts.bad, samples
                ),
            ));
        }
    }

    fn judge_noise(&self, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
        let Some(percent) = self.smallest_asymmetry_percent() else {
            if self.first(ChannelQuantity::Displacement).is_some() {
                remarks.push((
                    Weight::Forbids,
                    "With this noise no end-feel is determined at all.".to_owned(),
                ));
            }
            return;
        };
        let margin = settings.compare.threshold_percent;
        if percent < margin / 3.0 {
            return;
        }
        // What would be left without the noise of one channel.
        let without = |f, d| self.noise(f, d).and_then(|n| smallest(&noise_cost(&n, settings))).unwrap_or(percent);
        let what = match without(0.0, 1.0) < without(1.0, 0.0) {
            true => "force",
            false => "displacement",
        };
        let weight = if percent > margin { Weight::Forbids } else { Weight::Limits };
        remarks.push((
            weight,
            format!(
                "Noise alone hides differences in end-feel under {percent:.1} % ({TRIALS} trials a side); the threshold of this \
                 study is {margin} %. The {what} limits it."
            ),
        ));
    }
}

fn smallest(costs: &[NoiseCost]) -> Option<f64> {
    let end_feel = costs.iter().find(|c| c.measure == Measure::EndFeel)?;
    Some(end_feel.smallest_difference_percent(TRIALS))
}

fn judge_channel(c: &ChannelFinding, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
    let name = &c.heading;
    if c.unit == "counts" {
        remarks.push((
            Weight::Forbids,
            format!("{name} is in counts and no calibration of the study fits it: tautpoint calibrate makes one."),
        ));
        return;
    }
    if c.missing > 0.01 {
        let percent = 100.0 * c.missing;
        let weight = if c.missing > 0.2 { Weight::Forbids } else { Weight::Limits };
        remarks.push((
            weight,
            format!("{name} has no value in {percent:.0} % of the samples: look at its converter, its plug and its cable."),
        ));
    }
    match c.sign.map(|s| (s, s.direction)) {
        Some((sign, PushDirection::Down)) => remarks.push((Weight::Forbids, format!("{sign}."))),
        Some((_, PushDirection::Unknown)) => remarks.push((
            Weight::Limits,
            format!("{name} was not pushed, or by less than 10 N: which way it counts is not known."),
        )),
        _ => {}
    }
    if c.moved {
        remarks.push((
            Weight::Forbids,
            format!("{name} moved while nothing was to touch the station: its noise and drift are not known. Check again with hands off."),
        ));
        return;
    }
    let (drift, contact) = match c.quantity {
        ChannelQuantity::Force => (DRIFT_N, settings.detect.contact_floor_n),
        _ => (DRIFT_MM, settings.detect.contact_floor_n),
    };
    if let Some(found) = c.drift_per_min.filter(|d| d.abs() > drift) {
        remarks.push((
            Weight::Limits,
            format!("{name} drifts by {:.2} {} a minute: let it warm up, and keep it out of draughts.", found, c.unit),
        ));
    }
    if c.quantity == ChannelQuantity::Force && settings.detect.contact_sigma * c.filtered > contact {
        remarks.push((
            Weight::Limits,
            format!(
                "The noise of {name} after the low pass, {:.2} N, is more than the {contact} N that a touch is seen by: light \
                 touches are missed.",
                c.filtered
            ),
        ));
    }
    if let Some(m) = c.mains.filter(|m| m.amplitude > 0.5 * c.noise.max(c.step)) {
        let folded = match (m.seen_at_hz - m.hz).abs() > 0.5 {
            true => format!(", which this rate shows at {:.0} Hz", m.seen_at_hz),
            false => String::new(),
        };
        remarks.push((
            Weight::Limits,
            format!(
                "{name} carries {:.3} {} of mains ripple ({} Hz{folded}): a screened cable, one ground, a low pass in front of the \
                 converter.",
                m.amplitude, c.unit, m.hz
            ),
        ));
    }
    if let Some(value) = c.limit {
        remarks.push((
            Weight::Forbids,
            format!("{name} stood still at {value:.1} {} under load: sensor or converter is at its limit.", c.unit),
        ));
    }
}
