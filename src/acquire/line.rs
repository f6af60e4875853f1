//! The line to a device: opens the port, asks who is there, decodes, and looks for the device again when it went
//! away.

use super::clock::{DeviceClock, Tick};
use super::port::{self, CannotOpen, Stream};
use super::station::{LineCounts, LineEvent, MAX_CHANNELS, Sample, Station};
use super::virtual_device::{Inside, from_words};
use super::wire::{ASK, Decoder, Heard};
use std::io::{self, Read, Write};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::{Duration, Instant};

/// Speed of a port whose name gives none: common practice, no source. USB devices do not care.
const USUAL_BAUD: u32 = 115_200;
/// After a read, so that samples come in batches and the processor rests.
const NAP: Duration = Duration::from_millis(4);
/// Bytes of a read below which nothing waits.
const CAUGHT_UP: usize = 2048;
/// Between two questions who is there.
const ASK_AGAIN: Duration = Duration::from_millis(1000);
/// Between two looks for a device that went away.
const LOOK_AGAIN: Duration = Duration::from_millis(200);
/// Without a sample for so long, a device that is still plugged in counts as gone.
const SILENCE: Duration = Duration::from_secs(3);
/// Without a hello for so long, a person is told.
const NO_HELLO: Duration = Duration::from_secs(5);
/// Between two reports of how the line is, and the same when it got worse.
const REPORT: Duration = Duration::from_millis(250);
const REPORT_WORSE: Duration = Duration::from_millis(50);
/// Events that wait for a receiver; some 30 s of them. Beyond that the line stops reading.
const MOST_WAITING: usize = 8192;

/// Where a device may be: a port, or something that stands in for one.
pub trait Place: Send {
    /// For messages.
    fn name(&self) -> String;
    /// Opens it, each time anew.
    ///
    /// # Errors
    /// Why it cannot be opened now.
    fn open(&mut self) -> Result<Box<dyn Stream>, CannotOpen>;
}

/// A serial port, `PATH` or `PATH@BAUD`.
struct SerialPlace {
    path: String,
    baud: u32,
}

impl SerialPlace {
    fn named(port: &str) -> Self {
        let with_baud = port
            .rsplit_once('@')
            .and_then(|(path, baud)| Some((path, baud.parse().ok()?)));
        let (path, baud) = with_baud.unwrap_or((port, USUAL_BAUD));
        SerialPlace {
            path: path.to_owned(),
            baud,
        }
    }
}

impl Place for SerialPlace {
    fn name(&self) -> String {
        self.path.clone()
    }

    fn open(&mut self) -> Result<Box<dyn Stream>, CannotOpen> {
        port::open(&self.path, self.baud)
    }
}

impl Place for Inside {
    fn name(&self) -> String {
        "the virtual device".to_owned()
    }

    fn open(&mut self) -> Result<Box<dyn Stream>, CannotOpen> {
        Inside::open(self)
    }
}

/// Listens to the device at a port: `/dev/ttyACM0`, `/dev/ttyUSB0@921600` (with the speed of a plain serial line;
/// 115200 unless given), `sim` for a virtual device inside this program, or `sim:` with options
/// ([`from_words`]).
///
/// A thread of its own reads and decodes; it ends when the receiver is dropped, or after [`LineEvent::Failed`].
/// Samples come in batches, at most some 5 ms late. A port that cannot be opened the first time is a failure; one
/// that goes away later is looked for until it comes back.
pub fn open_line(port: &str) -> Receiver<LineEvent> {
    match from_words(port) {
        None => listen(Box::new(SerialPlace::named(port))),
        Some(spec) => match spec.and_then(|spec| Inside::new(&spec)) {
            Ok(inside) => listen(Box::new(inside)),
            Err(error) => {
                let (sender, receiver) = sync_channel(1);
                let _ = sender.send(LineEvent::Failed(error.to_string()));
                receiver
            }
        },
    }
}

/// As [`open_line`], for any place.
pub fn listen(place: Box<dyn Place>) -> Receiver<LineEvent> {
    let (sender, receiver) = sync_channel(MOST_WAITING);
    let now = Instant::now();
    let mut line = Line {
        place,
        sender,
        decoder: Decoder::default(),
        clock: DeviceClock::default(),
        station: None,
        connected_once: false,
        reconnected: 0,
        unusable: None,
        reported: (LineCounts::default(), now),
        batch: Vec::new(),
        sampled: now,
    };
    // Whatever ends it, whoever holds the receiver sees the end of the channel.
    std::thread::spawn(move || {
        let _ = line.run();
    });
    receiver
}

/// Why the thread ends.
enum End {
    /// Nobody listens any more.
    Unheard,
    /// `Failed` was sent.
    Failed,
}

struct Line {
    place: Box<dyn Place>,
    sender: SyncSender<LineEvent>,
    decoder: Decoder,
    clock: DeviceClock,
    /// `None` until the device said what it is, and after it went away.
    station: Option<Station>,
    connected_once: bool,
    reconnected: u64,
    /// Why the last hello cannot be used.
    unusable: Option<String>,
    reported: (LineCounts, Instant),
    batch: Vec<Sample>,
    /// When the last sample came.
    sampled: Instant,
}

impl Line {
    fn run(&mut self) -> Result<(), End> {
        let mut opened = false;
        loop {
            match self.place.open() {
                Ok(stream) => {
                    opened = true;
                    self.session(stream)?;
                }
                Err(cannot) if !opened => {
                    self.send(LineEvent::Failed(cannot.words))?;
                    return Err(End::Failed);
                }
                Err(_) => {}
            }
            std::thread::sleep(LOOK_AGAIN);
            self.report()?;
        }
    }

    /// Listens to an open port until it is gone.
    fn session(&mut self, mut stream: Box<dyn Stream>) -> Result<(), End> {
        self.forget();
        let opened = Instant::now();
        let mut asked: Option<Instant> = None;
        let mut bytes_came = false;
        let mut told = false;
        let mut buffer = vec![0; 1 << 16];
        self.sampled = opened;
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
                    // A terminal hands out 4 kB at once: a full portion means that more waits, as after a stall.
                    if count < CAUGHT_UP {
                        std::thread::sleep(NAP);
                    }
                }
                Err(e) if benign(&e) => {
                    if self.mind_silence()? {
                        // Opened anew: the name may lead elsewhere by now, and some devices wake up by it.
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
    fn forget(&mut self) {
        self.decoder.reset();
        self.clock = DeviceClock::default();
        self.station = None;
    }

    fn gone(&mut self, error: io::Error) -> Result<(), End> {
        let name = self.place.name();
        let words = match error.kind() {
            io::ErrorKind::BrokenPipe | io::ErrorKind::UnexpectedEof => {
                format!("{name} went away; plug it in again, it is looked for")
            }
            _ => format!("{name} went away ({error}); plug it in again, it is looked for"),
        };
        self.send(LineEvent::Gone(words))
    }

    /// A device that stays plugged in but says nothing more; whether it is given up.
    fn mind_silence(&mut self) -> Result<bool, End> {
        let silent = self.station.is_some() && self.sampled.elapsed() >= SILENCE;
        if silent {
            let words = format!(
                "no sample came from {} for {} s; look whether it is switched on and its cable is fast",
                self.place.name(),
                SILENCE.as_secs()
            );
            self.forget();
            self.send(LineEvent::Gone(words))?;
        }
        Ok(silent)
    }

    fn no_hello(&self, bytes_came: bool) -> String {
        let name = self.place.name();
        if bytes_came {
            format!(
                "bytes come from {name} but no hello is among them; look whether it is the right device, and give \
                 the speed of a plain serial line behind its name ({name}@921600)"
            )
        } else {
            format!(
                "{name} is open but nothing comes from it; look whether it is the right device and switched on"
            )
        }
    }

    fn take(&mut self, bytes: &[u8], arrived: Instant) -> Result<(), End> {
        let mut heard = Vec::new();
        self.decoder.push(bytes, |h| heard.push(h));
        for one in heard {
            match one {
                Heard::Sample { time_us, values } => self.sample(time_us, values, arrived)?,
                Heard::Hello { station, .. } => self.hello(station)?,
                Heard::Unusable(words) => self.unusable(words)?,
            }
        }
        self.send_batch()
    }

    fn sample(&mut self, time_us: u32, values: [f64; MAX_CHANNELS], arrived: Instant) -> Result<(), End> {
        let Some(station) = &self.station else {
            return Ok(());
        };
        let time_s = match self.clock.tick(time_us, arrived) {
            Tick::At(time_s) => time_s,
            Tick::NotLater => return Ok(()),
            Tick::Restarted => {
                let station = station.clone();
                self.begin_anew(station, "the device was switched off and on")?;
                0.0
            }
        };
        self.sampled = arrived;
        self.batch.push(Sample {
            time_s,
            arrived,
            values,
        });
        Ok(())
    }

    fn hello(&mut self, station: Station) -> Result<(), End> {
        self.unusable = None;
        match &self.station {
            Some(known) if *known == station => Ok(()),
            Some(_) => {
                self.clock = DeviceClock::default();
                self.begin_anew(station, "the device says that it is another one than before")
            }
            None => {
                self.clock = DeviceClock::default();
                self.connect(station)
            }
        }
    }

    fn begin_anew(&mut self, station: Station, words: &str) -> Result<(), End> {
        self.send_batch()?;
        self.send(LineEvent::Gone(words.to_owned()))?;
        self.connect(station)
    }

    fn connect(&mut self, station: Station) -> Result<(), End> {
        self.send_batch()?;
        self.reconnected += u64::from(self.connected_once);
        self.connected_once = true;
        self.sampled = Instant::now();
        self.station = Some(station.clone());
        self.send(LineEvent::Connected(station))
    }

    /// A hello that cannot be used is believed when it comes twice.
    fn unusable(&mut self, words: String) -> Result<(), End> {
        if self.station.is_some() || self.unusable.replace(words.clone()) != Some(words.clone()) {
            return Ok(());
        }
        self.send(LineEvent::Failed(format!(
            "{} cannot be recorded from: {words}",
            self.place.name()
        )))?;
        Err(End::Failed)
    }

    fn send_batch(&mut self) -> Result<(), End> {
        if self.batch.is_empty() {
            return Ok(());
        }
        let batch = std::mem::take(&mut self.batch);
        self.send(LineEvent::Samples(batch))
    }

    fn report(&mut self) -> Result<(), End> {
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

    fn send(&self, event: LineEvent) -> Result<(), End> {
        self.sender.send(event).map_err(|_| End::Unheard)
    }
}

/// Nothing came in time, or the system woke the reader for something else.
fn benign(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::TimedOut | io::ErrorKind::Interrupted | io::ErrorKind::WouldBlock
    )
}
