//! What a check of a station found, and how fit that leaves it.

use crate::acquire::station::{ChannelQuantity, LineCounts, Station};
use crate::columns::Measure;
use crate::instrument::noise_cost::{NoiseCost, StationNoise, noise_cost};
use crate::live::sign::{ForceSign, PushDirection, SensorGain};
use crate::read::validity::LOWEST_RATE_HZ;
use crate::settings::Settings;
use crate::study::words::shown;

/// Below this many samples a second springs are seen coarsely: firmware-notes/README.md.
const GOOD_RATE_HZ: f64 = 200.0;
/// A drift over a minute that is told, in N and mm; common practice, no source.
const DRIFT_N: f64 = 0.5;
const DRIFT_MM: f64 = 0.05;
/// How long a test lasts in which a drift matters, in s: the zero before it and after it is known.
const TEST_S: f64 = 20.0;
/// Shares of samples lost, told and too many: half of what leaves a test out (METHODS.md §1.13).
const LOST: f64 = 0.001;
const MOST_LOST: f64 = 0.05;
/// Shares of lone values, told and too many; ours.
const LONE: f64 = 0.0005;
const MOST_LONE: f64 = 0.01;
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
            judge_channel(channel, settings, &mut remarks);
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

fn judge_channel(c: &ChannelFinding, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
    let name = &c.heading;
    if c.unit == "counts" {
        let code = c.code.as_ref().map_or(String::new(), |code| format!(" (sensor {})", shown(code)));
        remarks.push((
            Weight::Forbids,
            format!(
                "{name}{code} is in counts and no calibration turns it into a unit. Make one with tautpoint calibrate, name it in \
                 study.toml (calibration = \"...\") or give it the sensor's code, and check with --study."
            ),
        ));
    }
    remarks.extend(c.faults_in_words().map(|words| (Weight::Forbids, words)));
    if c.missing > 0.01 {
        let percent = 100.0 * c.missing;
        let why = match c.every {
            Some(every) => format!("it has one in every {every}, so its converter is set to a lower rate than the firmware's."),
            None => "look at its converter, its plug and its cable.".to_owned(),
        };
        let words = format!("{name} has no value in {percent:.0} % of the samples: {why}");
        remarks.push(beyond(c.missing, MOST_LOST, words));
    }
    judge_rest(c, settings, remarks);
    let dead = c.is_dead(settings);
    match c.sign.map(|s| (s, s.direction)) {
        Some((sign, PushDirection::Down)) => remarks.push((Weight::Forbids, format!("{sign}."))),
        Some((_, PushDirection::Unknown)) if !dead && !c.moved => remarks.push((
            Weight::Forbids,
            format!(
                "{name} was not seen pushed: it takes {} {} more or less than at rest, for a twentieth of a second after the low pass. Which \
                 way it counts is not known.",
                told(c.clear, 0),
                c.unit
            ),
        )),
        _ => {}
    }
    if c.moved {
        remarks.push((
            Weight::Forbids,
            format!("{name} moved while nothing was to touch the station: its noise and drift are not known. Check again with hands off."),
        ));
    } else if !dead && c.unit != "counts" {
        judge_drift(c, settings, remarks);
        judge_ripple(c, settings, remarks);
    }
    if let Some(value) = c.limit {
        remarks.push((
            Weight::Forbids,
            format!("{name} stood still at {} {} under load: sensor or converter is at its limit.", told(value, 1), c.unit),
        ));
    }
}

fn judge_rest(c: &ChannelFinding, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
    let name = &c.heading;
    if c.unit != "N" || !c.rest.is_finite() {
        return;
    }
    let (rest, most) = (told(c.rest, 1), settings.plausible.force_n);
    if c.rests_beyond(settings) {
        remarks.push((
            Weight::Forbids,
            format!(
                "{name} rests at {rest} N with a noise of {} N: no sensor without a load does ({most} N at most). Look at its unit, its \
                 calibration and its wires.",
                told(c.noise, 1)
            ),
        ));
    } else if c.rest.abs() > settings.plausible.zero_n {
        remarks.push((
            Weight::Limits,
            format!("{name} rests at {rest} N: take the load off, or tare it; every test will name a zero like that."),
        ));
    }
}

fn judge_drift(c: &ChannelFinding, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
    let name = &c.heading;
    let Some(found) = c.drift_per_min else {
        remarks.push((
            Weight::Limits,
            format!("How {name} drifts is not known: hands off for at least ten seconds (--seconds), better a minute."),
        ));
        return;
    };
    let (drift, most) = match c.quantity {
        ChannelQuantity::Force => (DRIFT_N, settings.detect.contact_floor_n),
        _ => (DRIFT_MM, 10.0 * DRIFT_MM * TEST_S / 60.0),
    };
    if found.abs() <= drift {
        return;
    }
    let in_a_test = found.abs() * TEST_S / 60.0;
    let unit = &c.unit;
    let words = match in_a_test > most {
        true => format!(
            "{name} drifts by {} {unit} a minute, {} {unit} within a test of {TEST_S} s; more than {} {unit} is too much for its \
             zero. Let it warm up, keep it out of draughts, and look at its wires.",
            told(found, 2),
            told(in_a_test, 2),
            told(most, 2)
        ),
        false => format!("{name} drifts by {} {unit} a minute: let it warm up, and keep it out of draughts.", told(found, 2)),
    };
    remarks.push(beyond(in_a_test, most, words));
}

fn judge_ripple(c: &ChannelFinding, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
    let name = &c.heading;
    let floor = settings.detect.contact_floor_n;
    let touch = touch_limit_n(c.filtered, settings);
    if c.quantity == ChannelQuantity::Force && touch > floor {
        remarks.push((
            Weight::Limits,
            format!(
                "The noise of {name} after the low pass is {} N; a touch is seen from {} times that, {} N, instead of {floor} N: light \
                 touches are missed.",
                told(c.filtered, 2),
                settings.detect.contact_sigma,
                told(touch, 2)
            ),
        ));
    }
    if c.lone > LONE {
        let words = format!(
            "In {:.2} % of the samples {name} jumps far away from all others: a glitch on the wires of its converter.",
            100.0 * c.lone
        );
        remarks.push(beyond(c.lone, MOST_LONE, words));
    }
    if let Some(m) = c.mains.filter(|m| m.amplitude > 0.5 * c.noise.max(c.step)) {
        let folded = match (m.seen_at_hz - m.hz).abs() > 0.5 {
            true => format!(", which this rate shows at {:.0} Hz", m.seen_at_hz),
            false => String::new(),
        };
        remarks.push((
            Weight::Limits,
            format!(
                "{name} carries {} {} of mains ripple ({} Hz{folded}): a screened cable, one ground, a low pass in front of the \
                 converter.",
                told(m.amplitude, 3),
                c.unit,
                m.hz
            ),
        ));
    }
}
