//! What is said of one channel of a station.

use super::{ChannelFinding, MOST_LOST, Weight, beyond, told, touch_limit_n};
use crate::acquire::station::ChannelQuantity;
use crate::live::sign::PushDirection;
use crate::settings::Settings;
use crate::study::words::shown;

/// A drift over a minute that is told, in N and mm; common practice, no source.
const DRIFT_N: f64 = 0.5;
const DRIFT_MM: f64 = 0.05;
/// How long a test lasts in which a drift matters, in s: the zero before it and after it is known.
const TEST_S: f64 = 20.0;
/// Shares of lone values, told and too many; ours.
const LONE: f64 = 0.0005;
const MOST_LONE: f64 = 0.01;

impl ChannelFinding {
    pub(super) fn judge(&self, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
        let name = &self.heading;
        if self.unit == "counts" {
            let code = self.code.as_ref().map_or(String::new(), |code| format!(" (sensor {})", shown(code)));
            remarks.push((
                Weight::Forbids,
                format!(
                    "{name}{code} is in counts and no calibration turns it into a unit. Make one with tautpoint calibrate, name it in \
                     study.toml (calibration = \"...\") or give it the sensor's code, and check with --study."
                ),
            ));
        }
        remarks.extend(self.faults_in_words().map(|words| (Weight::Forbids, words)));
        if self.missing > 0.01 {
            let percent = 100.0 * self.missing;
            let why = match self.every {
                Some(every) => format!("it has one in every {every}, so its converter is set to a lower rate than the firmware's."),
                None => "look at its converter, its plug and its cable.".to_owned(),
            };
            let words = format!("{name} has no value in {percent:.0} % of the samples: {why}");
            remarks.push(beyond(self.missing, MOST_LOST, words));
        }
        self.judge_rest(settings, remarks);
        let dead = self.is_dead(settings);
        match self.sign.map(|s| (s, s.direction)) {
            Some((sign, PushDirection::Down)) => remarks.push((Weight::Forbids, format!("{sign}."))),
            Some((_, PushDirection::Unknown)) if !dead && !self.moved => remarks.push((
                Weight::Forbids,
                format!(
                    "{name} was not seen pushed: it takes {} {} more or less than at rest, for a twentieth of a second after the low pass. Which \
                     way it counts is not known.",
                    told(self.clear, 0),
                    self.unit
                ),
            )),
            _ => {}
        }
        if self.moved {
            remarks.push((
                Weight::Forbids,
                format!("{name} moved while nothing was to touch the station: its noise and drift are not known. Check again with hands off."),
            ));
        } else if !dead && self.unit != "counts" {
            self.judge_drift(settings, remarks);
            self.judge_ripple(settings, remarks);
        }
        if let Some(value) = self.limit {
            remarks.push((
                Weight::Forbids,
                format!("{name} stood still at {} {} under load: sensor or converter is at its limit.", told(value, 1), self.unit),
            ));
        }
    }

    fn judge_rest(&self, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
        let name = &self.heading;
        if self.unit != "N" || !self.rest.is_finite() {
            return;
        }
        let (rest, most) = (told(self.rest, 1), settings.plausible.force_n);
        if self.rests_beyond(settings) {
            remarks.push((
                Weight::Forbids,
                format!(
                    "{name} rests at {rest} N with a noise of {} N: no sensor without a load does ({most} N at most). Look at its unit, its \
                     calibration and its wires.",
                    told(self.noise, 1)
                ),
            ));
        } else if self.rest.abs() > settings.plausible.zero_n {
            remarks.push((
                Weight::Limits,
                format!("{name} rests at {rest} N: take the load off, or tare it; every test will name a zero like that."),
            ));
        }
    }

    fn judge_drift(&self, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
        let name = &self.heading;
        let Some(found) = self.drift_per_min else {
            remarks.push((
                Weight::Limits,
                format!("How {name} drifts is not known: hands off for at least ten seconds (--seconds), better a minute."),
            ));
            return;
        };
        let (drift, most) = match self.quantity {
            ChannelQuantity::Force => (DRIFT_N, settings.detect.contact_floor_n),
            _ => (DRIFT_MM, 10.0 * DRIFT_MM * TEST_S / 60.0),
        };
        if found.abs() <= drift {
            return;
        }
        let in_a_test = found.abs() * TEST_S / 60.0;
        let unit = &self.unit;
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

    fn judge_ripple(&self, settings: &Settings, remarks: &mut Vec<(Weight, String)>) {
        let name = &self.heading;
        let floor = settings.detect.contact_floor_n;
        let touch = touch_limit_n(self.filtered, settings);
        if self.quantity == ChannelQuantity::Force && touch > floor {
            remarks.push((
                Weight::Limits,
                format!(
                    "The noise of {name} after the low pass is {} N; a touch is seen from {} times that, {} N, instead of {floor} N: light \
                     touches are missed.",
                    told(self.filtered, 2),
                    settings.detect.contact_sigma,
                    told(touch, 2)
                ),
            ));
        }
        if self.lone > LONE {
            let words = format!(
                "In {:.2} % of the samples {name} jumps far away from all others: a glitch on the wires of its converter.",
                100.0 * self.lone
            );
            remarks.push(beyond(self.lone, MOST_LONE, words));
        }
        if let Some(m) = self.mains.filter(|m| m.amplitude > 0.5 * self.noise.max(self.step)) {
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
                    self.unit,
                    m.hz
                ),
            ));
        }
    }
}
