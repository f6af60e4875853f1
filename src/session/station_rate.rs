//! The rate that a station's own stamps have, beside the one that its hello claims.

use crate::acquire::station::{Sample, Station};
use crate::read::validity::LOWEST_RATE_HZ;

/// The rate is known after so much time of the device, or so many samples.
const SPAN_S: f64 = 1.0;
const SAMPLES: usize = 512;
/// With fewer samples than this no rate is known.
const LEAST: usize = 4;
/// Two rates that differ by more than this share contradict each other.
const SHARE: f64 = 0.1;

/// Looks at the first samples of a station.
#[derive(Debug, Clone, Default)]
pub struct StationRate {
    first: Vec<Sample>,
    known: bool,
}

/// What the stamps say.
#[derive(Debug, Clone, PartialEq)]
pub struct RateFinding {
    pub measured_hz: f64,
    /// Whether it is another one than the hello's.
    pub contradicts: bool,
    /// For a person, when something is wrong with it.
    pub words: Option<String>,
}

impl StationRate {
    /// Takes samples; gives what was found, once, when it is known.
    pub fn push(&mut self, samples: &[Sample], station: &Station) -> Option<RateFinding> {
        if self.known {
            return None;
        }
        let room = SAMPLES - self.first.len();
        self.first.extend(samples.iter().take(room));
        let span = self.first.last()?.time_s - self.first.first()?.time_s;
        let enough = self.first.len() >= SAMPLES || (span >= SPAN_S && self.first.len() >= LEAST);
        if !enough {
            return None;
        }
        self.known = true;
        Some(found(&self.first, station))
    }

    /// The samples that it was found from, which nobody else has kept.
    pub fn take_first(&mut self) -> Vec<Sample> {
        std::mem::take(&mut self.first)
    }
}

fn found(samples: &[Sample], station: &Station) -> RateFinding {
    let mut steps: Vec<f64> = samples.windows(2).map(|w| w[1].time_s - w[0].time_s).collect();
    // The median: samples that were lost on the way make single steps longer.
    steps.sort_unstable_by(f64::total_cmp);
    let step_s = steps[steps.len() / 2];
    let measured_hz = 1.0 / step_s;
    let claimed = station.rate_hz;
    let contradicts = !(measured_hz / claimed - 1.0).abs().le(&SHARE);
    let mut words = Vec::new();
    if contradicts {
        words.push(format!(
            "The device says that it gives {} samples a second, but its stamps are {} ms apart: {} a second. That is what \
             is taken here; correct rate_hz in its hello, or its stamps.",
            short(claimed),
            short(step_s * 1e3),
            short(measured_hz)
        ));
    }
    if measured_hz < LOWEST_RATE_HZ * (1.0 - SHARE) {
        words.push(format!(
            "This device gives {} samples a second: no test recorded with it will be measured, which takes at least \
             {LOWEST_RATE_HZ}. Set it to more before anybody is pressed. The ceiling is watched all the same, more slowly.",
            short(measured_hz)
        ));
    }
    RateFinding {
        measured_hz,
        contradicts,
        words: (!words.is_empty()).then(|| words.join(" ")),
    }
}

/// To three digits, without needless zeros.
fn short(value: f64) -> String {
    match value {
        v if v >= 100.0 => format!("{v:.0}"),
        v if v >= 10.0 => format!("{}", (v * 10.0).round() / 10.0),
        v => format!("{}", (v * 100.0).round() / 100.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::station::MAX_CHANNELS;
    use std::time::Instant;

    fn finding(claimed_hz: f64, step_s: f64) -> Option<RateFinding> {
        let station = Station {
            device: "bench".to_owned(),
            rate_hz: claimed_hz,
            channels: Vec::new(),
        };
        let samples: Vec<Sample> = (0..600)
            // Every seventh sample was lost.
            .filter(|i| i % 7 != 3)
            .map(|i| Sample {
                time_s: f64::from(i) * step_s,
                arrived: Instant::now(),
                values: [0.0; MAX_CHANNELS],
            })
            .collect();
        let mut rate = StationRate::default();
        let found = samples.chunks(5).find_map(|part| rate.push(part, &station));
        assert!(rate.push(&samples, &station).is_none(), "told once");
        found
    }

    #[test]
    fn a_rate_that_the_stamps_bear_out_is_no_news() {
        assert_eq!(finding(1000.0, 0.001).unwrap().words, None);
        assert_eq!(finding(52.0, 0.019).unwrap().words, None);
    }

    #[test]
    fn a_false_rate_and_one_too_low_to_be_measured_are_named() {
        let lied = finding(1.0, 0.001).unwrap();
        assert!(lied.contradicts && (lied.measured_hz - 1000.0).abs() < 1.0);
        let words = lied.words.unwrap();
        assert!(words.contains("gives 1 samples") && words.contains("1 ms apart: 1000 a second"), "{words}");
        let low = finding(20.0, 0.05).unwrap();
        let words = low.words.unwrap();
        assert!(!low.contradicts && words.contains("20 samples a second: no test"), "{words}");
        // A hello of 200 with stamps of 40 a second is both.
        assert!(finding(200.0, 0.025).unwrap().words.unwrap().contains("40 samples a second: no test"));
    }
}
