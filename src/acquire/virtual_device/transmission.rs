//! The bytes that a virtual device sends.

use super::scan::SimulatedScan;
use super::spec::{DeviceSpec, LinkFaults, value};
use crate::acquire::station::Station;
use crate::acquire::wire::{hello_frame, hello_line, sample_frame, sample_line};
use crate::error::Result;
use crate::simulate::Rng;

/// Stream of the seed that faults of the link are drawn from.
const LINK_FAULTS: u64 = 50;

/// The bytes of a virtual device, as time goes on. The same specification gives the same bytes, however they are
/// asked for; only the answers to a computer that asks for a hello come between.
#[derive(Debug, Clone)]
pub struct Transmission {
    spec: DeviceSpec,
    station: Station,
    scan: SimulatedScan,
    fault_rng: Rng,
    /// Samples since the scan began, sent or not.
    sample: u64,
    /// The same since the device was last switched on.
    since_on: u64,
    ended: bool,
}

impl Transmission {
    /// A device that is switched on now.
    ///
    /// # Errors
    /// As [`DeviceSpec::check`].
    pub fn new(spec: &DeviceSpec) -> Result<Self> {
        spec.check()?;
        Ok(Transmission {
            station: spec.says(),
            scan: SimulatedScan::new(spec),
            fault_rng: Rng::stream(spec.seed, LINK_FAULTS),
            sample: 0,
            since_on: 0,
            ended: false,
            spec: spec.clone(),
        })
    }

    /// Whether the scan is over and nothing more will come.
    pub fn ended(&self) -> bool {
        self.ended
    }

    /// Seconds on this computer's clock, since the start, at which the next sample is due.
    pub fn next_due_s(&self) -> f64 {
        self.sample as f64 / self.spec.rate_hz / (1.0 + self.spec.drift_ppm / 1e6) / self.spec.speed
    }

    /// Everything that is due until so many seconds after the start.
    pub fn until(&mut self, elapsed_s: f64) -> Vec<u8> {
        let mut bytes = Vec::new();
        while self.due(elapsed_s) {
            let Some(counts) = self.next_sample() else {
                break;
            };
            let each_second = (self.spec.rate_hz.round() as u64).max(1);
            if self.since_on.is_multiple_of(each_second) {
                let hello = self.hello();
                self.send(hello, &mut bytes);
            }
            let sample = self.encoded(&counts);
            self.send(sample, &mut bytes);
            self.since_on += 1;
        }
        bytes
    }

    /// The hand goes on, but nothing is sampled: the device is unplugged. Then it is switched on again.
    pub fn skip_until(&mut self, elapsed_s: f64) {
        while self.due(elapsed_s) && self.next_sample().is_some() {}
        self.since_on = 0;
    }

    /// What the device answers when it is asked what it is.
    pub fn hello(&self) -> Vec<u8> {
        let (sequence, time_us) = self.stamp();
        if self.spec.ascii {
            return hello_line(&self.station, true);
        }
        // A leading delimiter ends whatever stood there before.
        let mut bytes = vec![0];
        // The specification was checked: what it says can be described.
        bytes.extend(hello_frame(sequence, time_us, &self.station).unwrap_or_default());
        bytes
    }

    fn due(&self, elapsed_s: f64) -> bool {
        !self.ended && self.next_due_s() <= elapsed_s
    }

    fn next_sample(&mut self) -> Option<Vec<i32>> {
        let over = self.spec.seconds.is_some_and(|s| self.next_due_s() >= s);
        let counts = if over { None } else { self.scan.next() };
        self.ended = counts.is_none();
        self.sample += u64::from(!self.ended);
        counts
    }

    /// Number and time of the next sample.
    fn stamp(&self) -> (u16, u32) {
        let time_us = (self.since_on as f64 * 1e6 / self.spec.rate_hz).round() as u64;
        (
            self.spec.first_sequence.wrapping_add(self.since_on as u16),
            self.spec.first_time_us.wrapping_add(time_us as u32),
        )
    }

    fn encoded(&self, counts: &[i32]) -> Vec<u8> {
        let (sequence, time_us) = self.stamp();
        if !self.spec.ascii {
            return sample_frame(sequence, time_us, counts);
        }
        let quantities = self.station.channels.iter().map(|c| c.quantity);
        let values: Vec<f64> = counts.iter().zip(quantities).map(|(c, q)| value(*c, q)).collect();
        sample_line(sequence, time_us, &values, true)
    }

    /// Puts the bytes on the line, with the faults of the link.
    fn send(&mut self, mut bytes: Vec<u8>, line: &mut Vec<u8>) {
        let LinkFaults {
            dropped,
            corrupted,
            reordered,
        } = self.spec.link_faults;
        if corrupted > 0.0 {
            for byte in &mut bytes {
                if self.fault_rng.uniform() < corrupted {
                    *byte ^= 1 + self.fault_rng.below(255) as u8;
                }
            }
        }
        if reordered > 0.0 {
            for i in 1..bytes.len() {
                if self.fault_rng.uniform() < reordered {
                    bytes.swap(i - 1, i);
                }
            }
        }
        if dropped > 0.0 {
            bytes.retain(|_| self.fault_rng.uniform() >= dropped);
        }
        line.extend(bytes);
    }
}
