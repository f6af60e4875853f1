//! A device whose every byte and silence the test says, at a place that is no port.

use super::RecorderStatus;
use std::collections::VecDeque;
use std::io::{self, Read, Write};
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tautpoint::acquire::device_source::{DeviceSource, Stream};
use tautpoint::acquire::line::listen;
use tautpoint::acquire::station::{ChannelQuantity, LineEvent, Station, StationChannel};
use tautpoint::acquire::wire::{hello_frame, sample_frame};
use tautpoint::error::{Error, Result};

/// What happens next at the port.
#[derive(Clone)]
enum Then {
    Bytes(Vec<u8>),
    Silence(Duration),
    /// The port is gone, and cannot be opened so many times.
    Gone(usize),
    /// A fault of the program while it reads.
    Panic,
}

#[derive(Clone)]
struct Script {
    steps: Arc<Mutex<VecDeque<Then>>>,
    /// What was written to it.
    asked: Arc<Mutex<Vec<u8>>>,
    away: Arc<Mutex<usize>>,
}

impl DeviceSource for Script {
    fn name(&self) -> String {
        "the scripted port".to_owned()
    }

    fn open(&mut self) -> Result<Box<dyn Stream>> {
        let mut away = self.away.lock().unwrap();
        if *away > 0 {
            *away -= 1;
            return Err(Error::Refused {
                found: "away".to_owned(),
                advice: "wait".to_owned(),
            });
        }
        Ok(Box::new(self.clone()))
    }
}

impl Read for Script {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let next = self.steps.lock().unwrap().pop_front();
        match next {
            Some(Then::Bytes(bytes)) => {
                buffer[..bytes.len()].copy_from_slice(&bytes);
                Ok(bytes.len())
            }
            Some(Then::Panic) => {
                // As a fault anywhere else in the thread would, with nothing held.
                panic!("made to fail");
            }
            Some(Then::Gone(times)) => {
                *self.away.lock().unwrap() = times;
                Err(io::ErrorKind::BrokenPipe.into())
            }
            Some(Then::Silence(left)) => {
                let nap = left.min(Duration::from_millis(50));
                std::thread::sleep(nap);
                if left > nap {
                    self.steps.lock().unwrap().push_front(Then::Silence(left - nap));
                }
                Err(io::ErrorKind::TimedOut.into())
            }
            None => {
                std::thread::sleep(Duration::from_millis(50));
                Err(io::ErrorKind::TimedOut.into())
            }
        }
    }
}

impl Write for Script {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.asked.lock().unwrap().extend(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn play(steps: Vec<Then>) -> (Receiver<LineEvent>, Script) {
    let script = Script {
        steps: Arc::new(Mutex::new(steps.into())),
        asked: Arc::default(),
        away: Arc::default(),
    };
    (listen(Box::new(script.clone())), script)
}

fn station(unit: &str) -> Station {
    Station {
        device: "bench".to_owned(),
        rate_hz: 100.0,
        channels: vec![StationChannel {
            quantity: ChannelQuantity::Force,
            side: None,
            unit: unit.to_owned(),
            per_count: if unit == "N" { 0.5 } else { 1.0 },
            sensor: None,
            calibration: None,
        }],
    }
}

fn hello(sequence: u16, time_us: u32, unit: &str) -> Then {
    Then::Bytes(hello_frame(sequence, time_us, &station(unit)).unwrap())
}

/// Samples every 10 ms.
fn samples(from: u16, count: u16, time_us: u32) -> Then {
    let sample = |i: u16| {
        sample_frame(
            from + i,
            time_us.wrapping_add(10_000 * u32::from(i)),
            &[i32::from(i)],
        )
    };
    Then::Bytes((0..count).flat_map(sample).collect())
}

#[test]
fn a_device_that_falls_silent_counts_as_gone_until_it_speaks_again() {
    let silence = Then::Silence(Duration::from_millis(3300));
    let (line, script) = play(vec![
        hello(0, 0, "N"),
        samples(0, 50, 0),
        silence,
        hello(0, 0, "N"),
        samples(0, 5, 0),
    ]);
    let began = Instant::now();
    let mut told = RecorderStatus::default();
    told.until(&line, "silence", |t| !t.gone.is_empty());
    assert!(began.elapsed() > Duration::from_millis(2900));
    assert!(
        told.gone[0].contains("no sample came from the scripted port for 3 s"),
        "{:?}",
        told.gone
    );
    told.until(&line, "its coming back", |t| {
        t.stations.len() == 2 && t.counts.reconnected == 1 && t.samples.len() == 5
    });
    assert_eq!(
        (told.all, told.samples.len(), told.samples[0].time_s),
        (55, 5, 0.0)
    );
    assert_eq!(script.asked.lock().unwrap()[..2], *b"?\n");
}

#[test]
fn a_fault_in_the_line_is_named_and_the_port_opened_anew() {
    let (line, _) = play(vec![
        hello(0, 0, "N"),
        samples(0, 50, 0),
        Then::Panic,
        hello(0, 0, "N"),
        samples(0, 5, 0),
    ]);
    let mut told = RecorderStatus::default();
    told.until(&line, "its coming back", |t| {
        t.stations.len() == 2 && t.samples.len() == 5
    });
    assert!(
        told.gone[0].contains("interrupted the line to the scripted port; it is opened anew"),
        "{:?}",
        told.gone
    );
}

#[test]
fn a_device_switched_off_and_on_begins_anew_without_its_port_going_away() {
    let (line, _) = play(vec![
        hello(0, 200_000_000, "N"),
        samples(0, 300, 200_000_000),
        hello(0, 0, "N"),
        samples(0, 20, 0),
    ]);
    let mut told = RecorderStatus::default();
    told.until(&line, "the second start", |t| {
        t.stations.len() == 2 && t.counts.good == 322
    });
    assert_eq!(told.gone, ["the device was switched off and on"]);
    assert_eq!(
        (told.all, told.samples.len(), told.samples[0].time_s),
        (320, 20, 0.0)
    );
    assert_eq!(
        (told.counts.reconnected, told.counts.lost, told.counts.bad),
        (1, 0, 0)
    );
}

#[test]
fn another_hello_than_before_connects_anew_in_its_own_units() {
    let (line, _) = play(vec![
        hello(0, 0, "N"),
        samples(0, 10, 0),
        hello(10, 100_000, "counts"),
        hello(10, 100_000, "counts"),
        samples(10, 10, 100_000),
    ]);
    let mut told = RecorderStatus::default();
    told.until(&line, "the second hello", |t| {
        t.stations.len() == 2 && t.samples.len() == 10
    });
    assert_eq!(told.stations[1], station("counts"));
    assert_eq!((told.samples[9].values[0], told.samples[0].time_s), (9.0, 0.0));
}

#[test]
fn a_port_that_comes_back_after_some_looks_is_used_again() {
    let (line, _) = play(vec![
        hello(0, 0, "N"),
        samples(0, 10, 0),
        Then::Gone(3),
        hello(7, 70_000, "N"),
        samples(7, 10, 70_000),
    ]);
    let mut told = RecorderStatus::default();
    told.until(&line, "both", |t| t.all == 20 && t.counts.reconnected == 1);
    assert_eq!(told.gone.len(), 1);
    assert_eq!((told.counts.lost, told.counts.bad), (0, 0));
}

#[test]
fn a_hello_that_cannot_be_used_twice_is_a_failure_in_words() {
    let line = b"#tautpoint 1;rate_hz=100;channels=displacement_mm\n".to_vec();
    let (line, _) = play(vec![Then::Bytes(line.clone()), Then::Bytes(line)]);
    let mut told = RecorderStatus::default();
    told.until(&line, "failure", |t| t.failed.is_some());
    let words = told.failed.unwrap();
    assert!(
        words.contains("the scripted port cannot be recorded from: the device has no force"),
        "{words}"
    );
}

#[test]
fn bytes_without_a_hello_are_told_of_after_some_seconds() {
    let mut steps = vec![Then::Silence(Duration::from_millis(40)); 3];
    steps.push(Then::Bytes(b"12.5\n12.6\n".to_vec()));
    let (line, _) = play(steps);
    let mut told = RecorderStatus::default();
    told.until(&line, "words", |t| !t.gone.is_empty());
    assert!(
        told.gone[0].contains("no hello is among them") && told.gone[0].contains("@500000"),
        "{:?}",
        told.gone
    );
}

/// Frames came all the time, and it was said that nothing came, or nothing was said at all.
#[test]
fn samples_whose_stamps_stand_still_are_told_of() {
    let mut steps = vec![hello(0, 0, "N"), samples(0, 10, 0)];
    for k in 0..90 {
        steps.push(Then::Silence(Duration::from_millis(40)));
        steps.push(samples(10 + k, 1, 90_000));
    }
    let (line, _) = play(steps);
    let mut told = RecorderStatus::default();
    told.until(&line, "words", |t| !t.gone.is_empty());
    assert!(
        told.gone[0].contains("frames came from the scripted port") && told.gone[0].contains("stands still"),
        "{:?}",
        told.gone
    );
}
