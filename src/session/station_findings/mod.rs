//! What a check of a station found, and how fit that leaves it.

mod channel_remarks;

use crate::acquire::station::{ChannelQuantity, LineCounts, Station};
use crate::columns::Measure;
use crate::instrument::noise_cost::{NoiseCost, StationNoise, noise_cost};
use crate::live::sign::{ForceSign, PushDirection, SensorGain};
use crate::read::validity::LOWEST_RATE_HZ;
use crate::settings::Settings;

/// Below this many samples a second springs are seen coarsely: firmware-notes/README.md.
const GOOD_RATE_HZ: f64 = 200.0;
/// Shares of samples lost, told and too many: half of what leaves a test out (METHODS.md §1.13).
const LOST: f64 = 0.001;
const MOST_LOST: f64 = 0.05;
/// Standard deviation of a step between stamps, as a share of it, told and too much; ours.
const JITTER: f64 = 0.05;
const MOST_JITTER: f64 = 0.2;
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

/// Why what a channel gives is no measurement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ChannelFault {
    /// It stood at one value for so long, in s, as nothing that lives does.
    Frozen { value: f64, seconds: f64 },
    /// It stood at the end of its converter, in counts.
    Rail { counts: f64 },
    /// A displacement that rested while its force was pushed.
    Unmoved,
    /// A displacement that went outward while its force was pushed.
    Inverted,
}

/// What one channel does.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelFinding {
    pub heading: String,
    pub quantity: ChannelQuantity,
    /// Its column, and what its readings are multiplied by.
    pub sensor: SensorGain,
    /// Code of the sensor, as the device says it.
    pub code: Option<String>,
    /// `N`, `mm` or `deg`; `counts` when no calibration fits.
    pub unit: String,
    /// Share of samples without a value.
    pub missing: f64,
    /// Where they are missing regularly: one in so many has a value.
    pub every: Option<usize>,
    /// Where it rests.
    pub rest: f64,
    /// Standard deviation of one sample about the line through them.
    pub noise: f64,
    /// The same after the low pass, as the detector and the measures see it.
    pub filtered: f64,
    /// White noise that would leave as much after the low pass.
    pub equivalent: f64,
    /// It moved although nothing was to touch it: neither noise nor drift is known.
    pub moved: bool,
    /// Share of samples at rest that stand alone far from the others.
    pub lone: f64,
    pub step: f64,
    /// `None` when nothing was heard at rest for long enough to tell.
    pub drift_per_min: Option<f64>,
    pub mains: Option<MainsRipple>,
    /// The value that it stood still at under load.
    pub limit: Option<f64>,
    /// What makes it no measurement at all.
    pub faults: Vec<ChannelFault>,
    /// How far from rest it counts as pushed.
    pub clear: f64,
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
    /// Jumps of the stamps forward, in s, that no lost sample explains.
    pub jumps_s: Vec<f64>,
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
            channel.judge(settings, &mut remarks);
        }
        if self.first(ChannelQuantity::Displacement).is_none() {
            remarks.push((
                Weight::Limits,
                "Without a displacement in mm there is no stiffness and no onset in mm.".to_owned(),
            ));
        }
        if self.rate_hz >= LOWEST_RATE_HZ
            && self.channels.iter().all(|c| !c.moved && !c.is_dead(settings))
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
        // Of a line that loses every second sample the stamps say nothing of the device's rate.
        let whole = self.counts.lost as f64 <= 0.2 * samples as f64;
        if whole && (rate / self.station.rate_hz - 1.0).abs() > 0.02 {
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
        self.judge_losses(samples, remarks);
        self.judge_stamps(remarks);
    }

    fn judge_losses(&self, samples: usize, remarks: &mut Vec<(Weight, String)>) {
        let LineCounts { lost, bad, late, .. } = self.counts;
        // A frame that was damaged is missing in the numbers as well.
        let sent = samples as u64 + lost.max(bad);
        let share = lost.max(bad) as f64 / sent.max(1) as f64;
        if share > LOST {
            let words = format!(
                "The line lost {lost} of {sent} samples, and {bad} frames came damaged: a higher speed of the line (BAUD of the firmware), a \
                 shorter cable, or another port."
            );
            remarks.push(beyond(share, MOST_LOST, words));
        }
        let share = late as f64 / (samples as u64 + late).max(1) as f64;
        if share > LOST {
            let words = format!(
                "{late} of {} samples came twice or with a number that was there before and were dropped: correct the numbers in \
                 its firmware.",
                samples as u64 + late
            );
            remarks.push(beyond(share, MOST_LOST, words));
        }
    }

    fn judge_stamps(&self, remarks: &mut Vec<(Weight, String)>) {
        let step_us = 1e6 / self.rate_hz;
        let share = self.jitter_us / step_us;
        if share > JITTER {
            let words = format!(
                "Its stamps waver by {:.0} µs (standard deviation of a step of {step_us:.0} µs): stamp each sample by the clock that \
                 started its conversion.",
                self.jitter_us
            );
            remarks.push(beyond(share, MOST_JITTER, words));
        }
        if let Some(longest) = self.jumps_s.iter().copied().max_by(f64::total_cmp) {
            remarks.push((
                Weight::Forbids,
                format!(
                    "Its stamps jump forward {} times, by up to {longest:.2} s, with no sample lost: its clock is wrong, and with it every \
                     speed and time.",
                    self.jumps_s.len()
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

/// The force from which a touch is seen.
pub fn touch_limit_n(filtered: f64, settings: &Settings) -> f64 {
    settings.detect.contact_floor_n.max(settings.detect.contact_sigma * filtered)
}

/// The remark, and unfit beyond the most.
fn beyond(share: f64, most: f64, words: String) -> (Weight, String) {
    let weight = if share > most { Weight::Forbids } else { Weight::Limits };
    (weight, words)
}

/// A number for a sentence, to so many decimals; a large one by its power of ten.
pub fn told(value: f64, decimals: usize) -> String {
    match value.abs() < 1e7 {
        true => format!("{value:.decimals$}"),
        false => format!("{value:.3e}"),
    }
}

impl ChannelFinding {
    /// Whether it counts down when it is pushed.
    pub fn is_inverted(&self) -> bool {
        let down = self.sign.is_some_and(|s| s.direction == PushDirection::Down);
        down || self.faults.contains(&ChannelFault::Inverted)
    }

    /// Whether what it gives is no measurement, so that its noise says nothing.
    fn is_dead(&self, settings: &Settings) -> bool {
        let wrong = |f: &ChannelFault| !matches!(f, ChannelFault::Inverted);
        self.faults.iter().any(wrong) || self.missing > MOST_LOST || self.rests_beyond(settings)
    }

    /// Whether no sensor without a load rests there.
    fn rests_beyond(&self, settings: &Settings) -> bool {
        let most = match (self.unit.as_str(), self.quantity) {
            ("N", ChannelQuantity::Force) => settings.plausible.force_n,
            _ => return false,
        };
        self.rest.abs() > most || self.noise > most
    }

    fn faults_in_words(&self) -> impl Iterator<Item = String> {
        let (name, unit) = (&self.heading, &self.unit);
        self.faults.iter().map(move |fault| match fault {
            ChannelFault::Frozen { value, seconds } => format!(
                "{name} stood at exactly {} {unit} for {seconds:.1} s: the last digit of a sensor that lives moves. Look at its converter, \
                 its supply and its wires.",
                told(*value, 3)
            ),
            ChannelFault::Rail { counts } => format!(
                "{name} stood at {counts:.0} counts, the end of its converter: a wire of the signal is off, or the gain is too high."
            ),
            ChannelFault::Unmoved => format!(
                "{name} stood still while the force was pushed: push so that both move. If it did move, look at its sensor and \
                 whether the channels are exchanged."
            ),
            ChannelFault::Inverted => {
                let (column, turned) = (self.sensor.column.word(), -self.sensor.gain);
                format!(
                    "{name} counts down when the force is pushed: its sign is inverted, and no stiffness is right. Write {column} = \
                     {turned} under [gain] in study.toml, and check again."
                )
            }
        })
    }
}
