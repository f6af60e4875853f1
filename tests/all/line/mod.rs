//! The line to a device, through the wire format: the virtual device inside the program and behind a pseudo-terminal.

mod long;
mod scripted;
mod sent;

use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};
use tautpoint::acquire::open_line;
use tautpoint::acquire::station::{LineCounts, LineEvent, Sample, Station};
use tautpoint::acquire::virtual_device::{DeviceSpec, Sensors, Transmission, VirtualDevice};
use tautpoint::acquire::wire::{Decoder, Message};

/// What a line told.
#[derive(Debug, Default)]
struct RecorderStatus {
    stations: Vec<Station>,
    /// Since the last time it connected.
    samples: Vec<Sample>,
    all: usize,
    counts: LineCounts,
    gone: Vec<String>,
    failed: Option<String>,
}

impl RecorderStatus {
    fn take(&mut self, event: LineEvent) {
        match event {
            LineEvent::Connected(station) => {
                self.stations.push(station);
                self.samples.clear();
            }
            LineEvent::Samples(samples) => {
                self.all += samples.len();
                self.samples.extend(samples);
            }
            LineEvent::Counts(counts) => self.counts = counts,
            LineEvent::Gone(words) => self.gone.push(words),
            LineEvent::Failed(words) => self.failed = Some(words),
        }
    }

    /// Listens until something is so; fails after two minutes.
    fn until(&mut self, line: &Receiver<LineEvent>, what: &str, so: impl Fn(&RecorderStatus) -> bool) {
        let began = Instant::now();
        while !so(self) {
            match line.recv_timeout(Duration::from_millis(100)) {
                Ok(event) => self.take(event),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    assert!(so(self), "the line ended before {what}: {self:?}")
                }
            }
            assert!(
                began.elapsed() < Duration::from_secs(120),
                "waited in vain for {what}"
            );
        }
    }
}

/// The samples that the specification sends, decoded apart from any line.
fn sent(spec: &DeviceSpec, seconds: f64) -> Vec<[f64; 2]> {
    let bytes = Transmission::new(spec).unwrap().until(seconds);
    let mut samples = Vec::new();
    Decoder::default().push(&bytes, |heard| {
        if let Message::Sample { values, .. } = heard {
            samples.push([values[0], values[1]]);
        }
    });
    samples
}

fn assert_increasing(samples: &[Sample]) {
    for pair in samples.windows(2) {
        assert!(pair[0].time_s < pair[1].time_s && pair[0].arrived <= pair[1].arrived);
    }
}

#[test]
fn the_port_sim_gives_the_samples_of_its_seed_without_any_hardware() {
    let line = open_line("sim:seed=4,rate-hz=2000,speed=4");
    let mut told = RecorderStatus::default();
    told.until(&line, "3000 samples", |t| {
        t.samples.len() > 3000 && t.counts.good > 0
    });
    assert_eq!(told.stations.len(), 1);
    assert_eq!(told.stations[0].channels[0].heading(), "force_n");
    assert_eq!(told.stations[0].channels[1].heading(), "displacement_mm");
    assert_increasing(&told.samples);
    assert_eq!((told.counts.bad, told.counts.lost), (0, 0));
    let spec = DeviceSpec {
        seed: 4,
        rate_hz: 2000.0,
        ..DeviceSpec::default()
    };
    for (got, sent) in told.samples.iter().zip(sent(&spec, 1.5)) {
        assert_eq!([got.values[0], got.values[1]], sent);
        assert!(got.values[2].is_nan());
    }
    assert!((told.samples[2000].time_s - 1.0).abs() < 1e-9);
}

#[test]
fn a_device_behind_a_pseudo_terminal_is_found_and_found_again() {
    let spec = DeviceSpec {
        rate_hz: 2000.0,
        sensors: Sensors::TwoHanded,
        ..DeviceSpec::default()
    };
    let device = VirtualDevice::start(&spec, None).unwrap();
    let line = open_line(device.path().to_str().unwrap());
    let mut told = RecorderStatus::default();
    told.until(&line, "samples", |t| t.samples.len() > 500);
    assert_eq!(told.stations[0].channels.len(), 3);
    device.unplug();
    told.until(&line, "the device to go away", |t| !t.gone.is_empty());
    assert!(told.gone[0].contains("went away"), "{:?}", told.gone);
    device.plug_in();
    told.until(&line, "samples after plugging in", |t| {
        t.stations.len() == 2 && t.samples.len() > 500 && t.counts.reconnected == 1
    });
    assert_increasing(&told.samples);
    assert_eq!((told.counts.bad, told.counts.lost), (0, 0), "{:?}", told.counts);
}

#[test]
fn a_device_that_sends_lines_of_text_is_understood() {
    let spec = DeviceSpec {
        rate_hz: 200.0,
        ascii: true,
        sensors: Sensors::ForceOnly,
        ..DeviceSpec::default()
    };
    let device = VirtualDevice::start(&spec, None).unwrap();
    let line = open_line(device.path().to_str().unwrap());
    let mut told = RecorderStatus::default();
    told.until(&line, "samples", |t| t.samples.len() > 50 && t.counts.good > 50);
    assert_eq!(told.stations[0].channels[0].heading(), "force_n");
    assert_eq!((told.counts.bad, told.counts.lost), (0, 0));
}

#[test]
fn a_port_that_cannot_be_used_fails_in_words() {
    let failed = |port: &str| {
        let mut told = RecorderStatus::default();
        told.until(&open_line(port), "failure", |t| t.failed.is_some());
        told.failed.unwrap()
    };
    assert!(failed("/dev/no-such-port").contains("there is no port /dev/no-such-port"));
    assert!(failed("sim:sped=4").contains("did you mean speed"));
    let file = tempfile::NamedTempFile::new().unwrap();
    assert!(failed(file.path().to_str().unwrap()).contains("is no serial port"));
    // Held by a first line, then by none.
    let device = VirtualDevice::start(&DeviceSpec::default(), None).unwrap();
    let path = device.path().to_str().unwrap();
    let first = open_line(path);
    let mut told = RecorderStatus::default();
    told.until(&first, "the first line", |t| !t.samples.is_empty());
    assert!(failed(path).contains("in use by another program"));
}

#[test]
fn a_line_ends_when_nobody_listens_and_the_port_is_free_again() {
    let device = VirtualDevice::start(&DeviceSpec::default(), None).unwrap();
    let path = device.path().to_str().unwrap();
    let line = open_line(path);
    RecorderStatus::default().until(&line, "samples", |t| !t.samples.is_empty());
    drop(line);
    std::thread::sleep(Duration::from_millis(500));
    let mut told = RecorderStatus::default();
    told.until(&open_line(path), "samples", |t| t.samples.len() > 10);
    assert!(told.failed.is_none());
}

#[test]
fn bytes_lost_and_damaged_on_the_line_are_counted_and_the_rest_is_kept() {
    let line = open_line("sim:seed=9,rate-hz=2000,speed=4,corrupted-percent=0.2,dropped-percent=0.1");
    let mut told = RecorderStatus::default();
    told.until(&line, "bad and lost frames", |t| {
        t.counts.bad > 100 && t.counts.lost > 100
    });
    assert!(told.counts.good > 5 * told.counts.bad);
    assert_increasing(&told.samples);
}

#[test]
fn a_waiting_device_gives_its_whole_scan_and_ends() {
    let spec = DeviceSpec {
        rate_hz: 500.0,
        speed: 8.0,
        once: true,
        waits: true,
        first_time_us: u32::MAX - 2_000_000,
        first_sequence: 65_000,
        steps: DeviceSpec::default().steps[..2].to_vec(),
        ..DeviceSpec::default()
    };
    let device = VirtualDevice::start(&spec, None).unwrap();
    std::thread::sleep(Duration::from_millis(100));
    let line = open_line(device.path().to_str().unwrap());
    let mut told = RecorderStatus::default();
    told.until(&line, "the end", |t| !t.gone.is_empty());
    assert!(device.ended());
    let all = sent(&spec, 1e6);
    // What was under way when the plug was pulled is lost, as with any cable.
    assert!(
        all.len() - told.samples.len() < all.len() / 4,
        "{} of {}",
        told.samples.len(),
        all.len()
    );
    for (got, sent) in told.samples.iter().zip(&all) {
        assert_eq!([got.values[0], got.values[1]], *sent);
    }
    // Over the wrap of counter and number the time goes on evenly.
    for (i, sample) in told.samples.iter().enumerate() {
        assert!(
            (sample.time_s - i as f64 / 500.0).abs() < 1e-5,
            "{i}: {}",
            sample.time_s
        );
    }
    assert_eq!((told.counts.bad, told.counts.lost), (0, 0));
}
