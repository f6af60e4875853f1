//! A force that gives no value, or one that stands still, while samples come: nothing then watches a ceiling.

use crate::acquire::station::{ChannelQuantity, Sample, Station};

/// Without a value for so long, in s of the device, it is told.
const NO_VALUE_S: f64 = 0.5;
/// At one value for so long, where the force had noise before, and from the beginning on.
const STILL_S: f64 = 3.0;
const STILL_FROM_THE_BEGINNING_S: f64 = 10.0;
/// A force has noise when of so many samples in a row half differ from the one before.
const LIVELY: u32 = 100;

/// Watches every force of a station, whether a hand is on or not.
#[derive(Debug, Clone, Default)]
pub struct SilentForce {
    forces: Vec<OneForce>,
}

#[derive(Debug, Clone)]
struct OneForce {
    channel: usize,
    name: String,
    unit: String,
    last: f64,
    /// Since when it has no value, and since when it has this one.
    none_since_s: Option<f64>,
    still_since_s: Option<f64>,
    /// Of the samples that are being counted: how many, and how many differed.
    counted: u32,
    differed: u32,
    lively: bool,
    moved: bool,
    told: bool,
}

impl SilentForce {
    pub fn of(station: &Station) -> SilentForce {
        let all = station.channels.iter().enumerate();
        let forces = all.filter(|(_, c)| c.quantity == ChannelQuantity::Force).map(|(channel, c)| OneForce {
            channel,
            name: c.heading(),
            unit: c.unit.clone(),
            last: f64::NAN,
            none_since_s: None,
            still_since_s: None,
            counted: 0,
            differed: 0,
            lively: false,
            moved: false,
            told: false,
        });
        SilentForce {
            forces: forces.collect(),
        }
    }

    /// Takes samples in order; gives what a person must know, in words, once each time that it begins.
    pub fn push(&mut self, samples: &[Sample]) -> Vec<String> {
        let mut words = Vec::new();
        for sample in samples {
            words.extend(self.forces.iter_mut().filter_map(|f| f.push(sample)));
        }
        words
    }
}

impl OneForce {
    fn push(&mut self, sample: &Sample) -> Option<String> {
        let (now_s, value) = (sample.time_s, sample.values[self.channel]);
        if !value.is_finite() {
            self.still_since_s = None;
            self.last = f64::NAN;
            let since_s = *self.none_since_s.get_or_insert(now_s);
            return self.tell(now_s - since_s >= NO_VALUE_S, |f| {
                format!(
                    "{} gives no value: while that lasts no force is seen and no ceiling is watched. Stop, and look at its converter, its \
                     plug and its cable.",
                    f.name
                )
            });
        }
        if self.none_since_s.take().is_some() {
            self.told = false;
        }
        self.count(value != self.last);
        if value != self.last {
            self.moved |= self.last.is_finite();
            self.told = false;
            self.last = value;
            self.still_since_s = Some(now_s);
            return None;
        }
        let still_s = now_s - self.still_since_s.unwrap_or(now_s);
        let too_long = (self.lively && still_s >= STILL_S) || (!self.moved && still_s >= STILL_FROM_THE_BEGINNING_S);
        self.tell(too_long, |f| {
            format!(
                "{} has stood at exactly {} {} for some seconds, as no sensor that lives does: no ceiling may be watched. Stop, push the \
                 sensor with nobody on it, and look at its converter and its wires when it does not follow.",
                f.name, f.last, f.unit
            )
        })
    }

    fn tell(&mut self, so: bool, words: impl Fn(&Self) -> String) -> Option<String> {
        if !so || self.told {
            return None;
        }
        self.told = true;
        Some(words(self))
    }

    fn count(&mut self, differs: bool) {
        self.counted += 1;
        self.differed += u32::from(differs);
        if self.counted == LIVELY {
            self.lively |= 2 * self.differed >= LIVELY;
            (self.counted, self.differed) = (0, 0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::station::{MAX_CHANNELS, StationChannel};
    use std::time::Instant;

    /// What is said, and when, of a force that is this at each time, 200 times a second.
    fn said(seconds: f64, force: impl Fn(usize, f64) -> f64) -> Vec<(f64, String)> {
        let station = Station {
            device: "bench".to_owned(),
            rate_hz: 200.0,
            channels: vec![StationChannel {
                quantity: ChannelQuantity::Force,
                side: None,
                unit: "N".to_owned(),
                per_count: 0.01,
                sensor: None,
                calibration: None,
            }],
        };
        let mut watch = SilentForce::of(&station);
        let mut all = Vec::new();
        for i in 0..(200.0 * seconds) as usize {
            let mut values = [f64::NAN; MAX_CHANNELS];
            let time_s = i as f64 / 200.0;
            values[0] = force(i, time_s);
            let sample = Sample {
                time_s,
                arrived: Instant::now(),
                values,
            };
            all.extend(watch.push(&[sample]).into_iter().map(|words| (time_s, words)));
        }
        all
    }

    fn noise(i: usize) -> f64 {
        (i * 7919 % 13) as f64 * 0.01
    }

    #[test]
    fn a_force_that_lives_says_nothing_nor_does_a_coarse_one_that_moved() {
        assert!(said(30.0, |i, _| noise(i)).is_empty());
        assert!(said(30.0, |_, t| if t < 8.0 { 0.0 } else { 20.0 }).is_empty());
        // Lone samples without a value are none.
        assert!(said(30.0, |i, _| if i % 3 == 0 { f64::NAN } else { noise(i) }).is_empty());
    }

    #[test]
    fn one_without_a_value_is_told_each_time_within_half_a_second() {
        let gone = |t: f64| (5.0..8.0).contains(&t) || t >= 20.0;
        let told = said(25.0, |i, t| if gone(t) { f64::NAN } else { noise(i) });
        assert_eq!(told.iter().map(|(t, _)| *t).collect::<Vec<_>>(), [5.5, 20.5], "{told:?}");
        assert!(told[0].1.contains("force_n gives no value"), "{told:?}");
        assert_eq!(said(5.0, |_, _| f64::NAN).len(), 1);
    }

    #[test]
    fn one_that_stands_still_is_told_after_three_seconds_or_ten_from_the_beginning() {
        let told = said(20.0, |i, t| if t < 5.0 { noise(i) } else { 42.0 });
        assert_eq!(told.len(), 1, "{told:?}");
        assert!((told[0].0 - 8.0).abs() < 0.01 && told[0].1.contains("stood at exactly 42 N"), "{told:?}");
        // A dead converter gives 0 from the beginning.
        let told = said(20.0, |_, _| 0.0);
        assert!(told.len() == 1 && (told[0].0 - 10.0).abs() < 0.01, "{told:?}");
    }
}
