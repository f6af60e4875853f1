//! The line to a device: opens the port, asks who is there, decodes, and looks for the device again when it went
//! away.

use super::clock::{ClockReading, DeviceClock};
use super::device_source::{DeviceSource, Stream};
use super::station::{LineCounts, LineEvent, MAX_CHANNELS, Sample, Station};
use super::wire::{ASK, Decoder, Message};
use crate::fault::isolated;
use std::io;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::{Duration, Instant};

/// After a read, so that samples come in batches and the processor rests.
const PAUSE: Duration = Duration::from_millis(4);
/// Bytes of a read below which nothing waits.
const CAUGHT_UP: usize = 2048;
/// Between two questions who is there.
const ASK_AGAIN: Duration = Duration::from_millis(1000);
/// Between two looks for a device that went away.
const LOOK_AGAIN: Duration = Duration::from_millis(200);
/// The longest such look after faults of the program that follow each other.
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// Without a sample for so long, a device that is still plugged in counts as gone.
const SILENCE: Duration = Duration::from_secs(3);
/// Without a hello for so long, a person is warned.
const NO_HELLO: Duration = Duration::from_secs(5);
/// Between two reports of how the line is, and the same when it got worse.
const REPORT: Duration = Duration::from_millis(250);
const REPORT_WORSE: Duration = Duration::from_millis(50);
/// Events that wait for a receiver; some 30 s of them. Beyond that the line stops reading.
const MOST_WAITING: usize = 8192;

/// Listens to a device.
///
/// A thread of its own reads and decodes; it ends when the receiver is dropped, or after [`LineEvent::Failed`].
/// Samples come in batches, at most some 5 ms late. A source that cannot be opened the first time is a failure; one
/// that goes away later is looked for until it comes back.
pub fn listen(source: Box<dyn DeviceSource>) -> Receiver<LineEvent> {
    let (sender, receiver) = sync_channel(MOST_WAITING);
    let now = Instant::now();
    let mut line = LineReader {
        source,
        sender,
        decoder: Decoder::default(),
        clock: DeviceClock::default(),
        station: None,
        opened: false,
        connected_once: false,
        reconnected: 0,
        unusable: None,
        reported: (LineCounts::default(), now),
        batch: Vec::new(),
        sampled: now,
        not_later: 0,
        of_no_use: 0,
    };
    // Whatever ends it, whoever holds the receiver sees the end of the channel.
    std::thread::spawn(move || line.run_on());
    receiver
}

/// Why the thread stops.
enum StopReason {
    /// Nobody listens any more.
    ReceiverGone,
    /// `Failed` was sent.
    Failed,
}

struct LineReader {
    source: Box<dyn DeviceSource>,
    sender: SyncSender<LineEvent>,
    decoder: Decoder,
    clock: DeviceClock,
    /// `None` until the device said what it is, and after it went away.
    station: Option<Station>,
    /// The source could be opened at least once.
    opened: bool,
    connected_once: bool,
    reconnected: u64,
    /// Why the last hello cannot be used.
    unusable: Option<String>,
    reported: (LineCounts, Instant),
    batch: Vec<Sample>,
    /// When the last sample came.
    sampled: Instant,
    /// Samples whose stamp was no later than the one before.
    not_later: u64,
    /// How many frames of no use had come with the last sample.
    of_no_use: u64,
}

impl LineReader {
    /// Runs to the end; a fault of the program in it is named, and the line opened anew.
    fn run_on(&mut self) {
        let mut pause = LOOK_AGAIN;
        while let Err(fault) = isolated(|| self.run()) {
            self.batch.clear();
            self.reset();
            let words = format!(
                "{fault} interrupted the line to {}; it is opened anew. Please report this line",
                self.source.name()
            );
            if self.send(LineEvent::Gone(words)).is_err() {
                break;
            }
            std::thread::sleep(pause);
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    fn run(&mut self) -> Result<(), StopReason> {
        loop {
            match self.source.open() {
                Ok(stream) => {
                    self.opened = true;
                    self.session(stream)?;
                }
                Err(error) if !self.opened => {
                    self.send(LineEvent::Failed(error.to_string()))?;
                    return Err(StopReason::Failed);
                }
                Err(_) => {}
            }
            std::thread::sleep(LOOK_AGAIN);
            self.report()?;
        }
    }

    /// Listens to an open port until it is gone.
    fn session(&mut self, mut stream: Box<dyn Stream>) -> Result<(), StopReason> {
        self.reset();
        let opened = Instant::now();
        let mut asked: Option<Instant> = None;
        let mut bytes_came = false;
        let mut told = false;
        let mut buffer = vec![0; 1 << 16];
        self.sampled = opened;
        self.of_no_use = self.frames_of_no_use();
        loop {
            let silent = self.station.is_none() || self.decoder.wants_hello();
            if silent && asked.is_none_or(|a| a.elapsed() >= ASK_AGAIN) {
                asked = Some(Instant::now());
                // A device that cannot hear says what it is by itself, so a failed question is no fault.
                let _ = stream.write_all(ASK);
            }
            match stream.read(&mut buffer) {
                Ok(0) => return self.gone(io::ErrorKind::UnexpectedEof.into()),
                Ok(count) => {
                    bytes_came = true;
                    self.take(&buffer[..count], Instant::now())?;
                    if self.check_silence()? {
                        return Ok(());
                    }
                    // A terminal hands out 4 kB at once: a full portion means that more waits, as after a stall.
                    if count < CAUGHT_UP {
                        std::thread::sleep(PAUSE);
                    }
                }
                Err(e) if is_no_data_yet(&e) => {
                    if self.check_silence()? {
                        // Opened again: the name may lead elsewhere by now, and some devices wake up by it.
                        return Ok(());
                    }
                }
                Err(e) => return self.gone(e),
            }
            if self.station.is_none() && !told && self.sampled.elapsed() >= NO_HELLO {
                told = true;
                let words = self.no_hello(bytes_came);
                self.send(LineEvent::Gone(words))?;
            }
            self.report()?;
        }
    }

    /// The next hello is the device's first.
    fn reset(&mut self) {
        self.decoder.reset();
        self.clock = DeviceClock::default();
        self.station = None;
    }

    fn gone(&mut self, error: io::Error) -> Result<(), StopReason> {
        let name = self.source.name();
        let words = match error.kind() {
            io::ErrorKind::BrokenPipe | io::ErrorKind::UnexpectedEof => {
                format!("{name} went away; plug it in again, it is looked for")
            }
            _ => format!("{name} went away ({error}); plug it in again, it is looked for"),
        };
        self.send(LineEvent::Gone(words))
    }

    /// A device that stays plugged in but says nothing more; whether it is given up.
    fn check_silence(&mut self) -> Result<bool, StopReason> {
        let silent = self.station.is_some() && self.sampled.elapsed() >= SILENCE;
        if silent {
            let (name, seconds) = (self.source.name(), SILENCE.as_secs());
            let words = match self.frames_of_no_use().saturating_sub(self.of_no_use) {
                0 => format!("no sample came from {name} for {seconds} s; look whether it is switched on and its cable is fast"),
                some => format!(
                    "{some} frames came from {name} in {seconds} s and none of them was a sample that can be used: damaged, with a number \
                     that was there before, or with a time stamp that stands still or goes back. Look at the speed of the line, and at \
                     numbers and clock of the device"
                ),
            };
            self.reset();
            self.send(LineEvent::Gone(words))?;
        }
        Ok(silent)
    }

    fn frames_of_no_use(&self) -> u64 {
        let counts = self.decoder.counts();
        counts.bad + counts.late + self.not_later
    }

    fn no_hello(&self, bytes_came: bool) -> String {
        let name = self.source.name();
        if bytes_came {
            format!(
                "bytes come from {name} but no hello is among them; look whether it is the right device, and give \
                 the speed of a plain serial line behind its name ({name}@500000)"
            )
        } else {
            format!(
                "{name} is open but nothing comes from it; look whether it is the right device and switched on"
            )
        }
    }

    fn take(&mut self, bytes: &[u8], arrived: Instant) -> Result<(), StopReason> {
        let mut messages = Vec::new();
        self.decoder.push(bytes, |message| messages.push(message));
        for message in messages {
            match message {
                Message::Sample { time_us, values } => self.sample(time_us, values, arrived)?,
                Message::Hello { station, .. } => self.hello(station)?,
                Message::Unusable(words) => self.unusable(words)?,
            }
        }
        self.send_batch()
    }

    fn sample(
        &mut self,
        time_us: u32,
        values: [f64; MAX_CHANNELS],
        arrived: Instant,
    ) -> Result<(), StopReason> {
        let Some(station) = &self.station else {
            return Ok(());
        };
        let time_s = match self.clock.tick(time_us, arrived) {
            ClockReading::At(time_s) => time_s,
            ClockReading::NotLater => {
                self.not_later += 1;
                return Ok(());
            }
            ClockReading::Restarted => {
                let station = station.clone();
                self.restart(station, "the device was switched off and on")?;
                0.0
            }
        };
        self.sampled = arrived;
        self.of_no_use = self.frames_of_no_use();
        self.batch.push(Sample {
            time_s,
            arrived,
            values,
        });
        Ok(())
    }

    fn hello(&mut self, station: Station) -> Result<(), StopReason> {
        self.unusable = None;
        match &self.station {
            Some(known) if *known == station => Ok(()),
            Some(_) => {
                self.clock = DeviceClock::default();
                self.restart(station, "the device says that it is another one than before")
            }
            None => {
                self.clock = DeviceClock::default();
                self.connect(station)
            }
        }
    }

    fn restart(&mut self, station: Station, words: &str) -> Result<(), StopReason> {
        self.send_batch()?;
        self.send(LineEvent::Gone(words.to_owned()))?;
        self.connect(station)
    }

    fn connect(&mut self, station: Station) -> Result<(), StopReason> {
        self.send_batch()?;
        self.reconnected += u64::from(self.connected_once);
        self.connected_once = true;
        self.sampled = Instant::now();
        self.of_no_use = self.frames_of_no_use();
        self.station = Some(station.clone());
        self.send(LineEvent::Connected(station))
    }

    /// A hello that cannot be used is believed when it comes twice.
    fn unusable(&mut self, words: String) -> Result<(), StopReason> {
        if self.station.is_some() || self.unusable.replace(words.clone()) != Some(words.clone()) {
            return Ok(());
        }
        self.send(LineEvent::Failed(format!(
            "{} cannot be recorded from: {words}",
            self.source.name()
        )))?;
        Err(StopReason::Failed)
    }

    fn send_batch(&mut self) -> Result<(), StopReason> {
        if self.batch.is_empty() {
            return Ok(());
        }
        let batch = std::mem::take(&mut self.batch);
        self.send(LineEvent::Samples(batch))
    }

    fn report(&mut self) -> Result<(), StopReason> {
        let counts = self.counts();
        let (last, at) = self.reported;
        let worse = counts.bad > last.bad || counts.lost > last.lost || counts.reconnected > last.reconnected;
        if at.elapsed() < if worse { REPORT_WORSE } else { REPORT } {
            return Ok(());
        }
        self.reported = (counts, Instant::now());
        self.send(LineEvent::Counts(counts))
    }

    fn counts(&self) -> LineCounts {
        let wire = self.decoder.counts();
        LineCounts {
            good: wire.good,
            bad: wire.bad,
            lost: wire.lost,
            late: wire.late,
            reconnected: self.reconnected,
        }
    }

    fn send(&self, event: LineEvent) -> Result<(), StopReason> {
        self.sender.send(event).map_err(|_| StopReason::ReceiverGone)
    }
}

/// Nothing came in time, or the system woke the reader for something else.
fn is_no_data_yet(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::TimedOut | io::ErrorKind::Interrupted | io::ErrorKind::WouldBlock
    )
}
