//! What a check of a station found, and how fit that leaves it.

use crate::acquire::station::{ChannelQuantity, LineCounts, Station};
use crate::columns::Measure;
use crate::instrument::noise_cost::{NoiseCost, StationNoise, noise_cost};
use crate::live::sign::{ForceSign, PushDirection};
use crate::read::validity::LOWEST_RATE_HZ;
use crate::settings::Settings;

/// Below this many samples a second springs are seen coarsely: firmware-notes/README.md.
const GOOD_RATE_HZ: f64 = 200.0;
/// A drift over a minute that is told, in N and mm; common practice, no source.
const DRIFT_N: f64 = 0.5;
const DRIFT_MM: f64 = 0.05;
/// Trials a side that the smallest asymmetry is told for.
pub const TRIALS: usize = 3;

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

    /// Noise of the first force and the first displacement, so many times as large.
    pub(super) fn noise(&self, force: f64, displacement: f64) -> Option<StationNoise> {
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

    /// Puts what matters into words.
    pub(super) fn judge(&mut self, samples: usize, settings: &Settings) {
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
