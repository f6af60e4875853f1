//! Bytes in, in chunks of any size; hellos and samples out.

use super::frame::{HELLO, MAX_STUFFED_BYTES, MISSING, SAMPLE, open};
use super::sequence::{Continuity, NumberedSample, SequenceTracker};
use super::text::{self, TextLine};
use crate::acquire::station::{MAX_CHANNELS, Station};

/// What the bytes say.
#[derive(Debug, Clone, PartialEq)]
pub enum Message {
    /// A device said what it is: for the first time since [`Decoder::reset`], once more, or after a change.
    Hello {
        station: Station,
        /// The device's counter; lines give none.
        time_us: Option<u32>,
    },
    /// A sample in order, in the units of the channels; NaN where there is none. The time is later than that of
    /// the sample before, modulo 2³² µs, unless the device was restarted.
    Sample {
        time_us: u32,
        values: [f64; MAX_CHANNELS],
    },
    /// A complete hello that cannot be used, and why.
    Unusable(String),
}

/// Quality of the bytes since the decoder was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct WireCounts {
    /// Frames or lines that were complete and correct, too late or not.
    pub good: u64,
    /// Stretches between delimiters that were no correct frame or line.
    pub bad: u64,
    /// Samples that the sequence numbers say are missing; one that comes after its successor is among them.
    pub lost: u64,
    /// Right samples that were dropped because they came twice or after their successor.
    pub late: u64,
}

/// Bytes since the last delimiter, never more than the longest frame.
#[derive(Debug, Clone, Default)]
struct Segment {
    bytes: Vec<u8>,
    too_long: bool,
}

impl Segment {
    fn extend(&mut self, bytes: &[u8]) {
        if self.bytes.len() + bytes.len() > MAX_STUFFED_BYTES {
            self.too_long = true;
            self.bytes.clear();
        }
        if !self.too_long {
            self.bytes.extend(bytes);
        }
    }

    fn clear(&mut self) {
        self.bytes.clear();
        self.too_long = false;
    }

    fn is_empty(&self) -> bool {
        self.bytes.is_empty() && !self.too_long
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Mode {
    /// No correct hello yet: both ways are tried, nothing is counted.
    #[default]
    Unknown,
    Frames,
    Lines {
        checked: bool,
    },
}

/// Turns bytes into hellos and samples, whatever the chunks they come in.
///
/// Until the first correct hello both framings are tried and nothing is counted; that hello decides. A zero byte
/// (in lines: a line feed) starts over, so one damaged frame never costs the next. Memory is bounded by the longest
/// frame; no bytes make it panic.
///
/// ```
/// use tautpoint::acquire::wire::{Decoder, Message, hello_line, sample_line};
/// let mut heard = Vec::new();
/// let mut decoder = Decoder::default();
/// decoder.push(b"#tautpoint 1;rate_hz=200;channels=force_n\n0,5000,12.5\n", |h| heard.push(h));
/// assert!(matches!(&heard[1], Message::Sample { time_us: 5000, values } if values[0] == 12.5));
/// ```
#[derive(Debug, Clone, Default)]
pub struct Decoder {
    mode: Mode,
    segment: Segment,
    /// Beside `segment` as long as the mode is unknown.
    line: Segment,
    station: Option<Station>,
    /// A hello that differs from the last: believed when it comes twice.
    changed: Option<Station>,
    tracker: SequenceTracker,
    counts: WireCounts,
}

impl Decoder {
    /// Forgets the device, as after unplugging; the counts go on.
    pub fn reset(&mut self) {
        *self = Decoder {
            counts: self.counts,
            ..Decoder::default()
        };
    }

    /// Quality of the bytes since the decoder was made.
    pub fn counts(&self) -> WireCounts {
        self.counts
    }

    /// The device, once it said what it is.
    pub fn station(&self) -> Option<&Station> {
        self.station.as_ref()
    }

    /// Whether the device should be asked for a hello: none yet, or one that differs waits for a second.
    pub fn wants_hello(&self) -> bool {
        self.station.is_none() || self.changed.is_some()
    }

    /// Bytes kept until their delimiter comes: at most [`MAX_STUFFED_BYTES`], twice that before the first hello.
    pub fn waiting_bytes(&self) -> usize {
        self.segment.bytes.len() + self.line.bytes.len()
    }

    /// Takes bytes as they come.
    pub fn push(&mut self, bytes: &[u8], mut emit: impl FnMut(Message)) {
        let mut rest = bytes;
        while !rest.is_empty() {
            rest = match self.mode {
                Mode::Unknown => self.push_unknown(rest, &mut emit),
                Mode::Frames => self.push_until(0, rest, &mut emit),
                Mode::Lines { .. } => self.push_until(b'\n', rest, &mut emit),
            };
        }
    }

    /// Takes bytes up to the delimiter and gives back the rest.
    fn push_until<'a>(&mut self, delimiter: u8, bytes: &'a [u8], emit: &mut impl FnMut(Message)) -> &'a [u8] {
        let Some(end) = memchr::memchr(delimiter, bytes) else {
            self.segment.extend(bytes);
            return &[];
        };
        self.segment.extend(&bytes[..end]);
        if !self.segment.is_empty() {
            let mut segment = std::mem::take(&mut self.segment);
            let right = !segment.too_long
                && match self.mode {
                    Mode::Lines { checked } => self.line(&segment.bytes, checked, emit),
                    _ => self.frame(&mut segment.bytes, emit),
                };
            if right {
                self.counts.good += 1;
            } else {
                self.counts.bad += 1;
            }
            // The buffer is used again.
            segment.clear();
            self.segment = segment;
        }
        &bytes[end + 1..]
    }

    /// Tries both framings, byte by byte, until a hello decides.
    fn push_unknown<'a>(&mut self, bytes: &'a [u8], emit: &mut impl FnMut(Message)) -> &'a [u8] {
        for (i, &byte) in bytes.iter().enumerate() {
            match byte {
                0 => {
                    let mut segment = std::mem::take(&mut self.segment);
                    if !segment.too_long {
                        self.first_frame(&mut segment.bytes, emit);
                    }
                }
                _ => self.segment.extend(&[byte]),
            }
            match byte {
                b'\n' => {
                    let line = std::mem::take(&mut self.line);
                    if !line.too_long {
                        self.first_line(&line.bytes, emit);
                    }
                }
                _ => self.line.extend(&[byte]),
            }
            if self.mode != Mode::Unknown {
                self.segment.clear();
                self.line = Segment::default();
                self.counts.good += 1;
                return &bytes[i + 1..];
            }
        }
        &[]
    }

    fn first_frame(&mut self, segment: &mut [u8], emit: &mut impl FnMut(Message)) {
        let Some((head, content)) = open(segment).filter(|(head, _)| head.kind == HELLO) else {
            return;
        };
        match super::hello::read(content) {
            Ok(station) => {
                self.mode = Mode::Frames;
                self.tracker = SequenceTracker::new(station.rate_hz);
                self.tracker.expect(head.sequence, head.time_us);
                self.hello(station, Some(head.time_us), emit);
            }
            Err(words) => emit(Message::Unusable(words)),
        }
    }

    fn first_line(&mut self, line: &[u8], emit: &mut impl FnMut(Message)) {
        match text::read_hello(line) {
            Some(Ok((station, checked))) => {
                self.mode = Mode::Lines { checked };
                self.tracker = SequenceTracker::new(station.rate_hz);
                self.hello(station, None, emit);
            }
            Some(Err(words)) => emit(Message::Unusable(words)),
            None => {}
        }
    }

    /// Whether the segment is a correct frame.
    fn frame(&mut self, segment: &mut [u8], emit: &mut impl FnMut(Message)) -> bool {
        let Some((head, content)) = open(segment) else {
            return false;
        };
        match head.kind {
            HELLO => match super::hello::read(content) {
                Ok(station) => self.hello(station, Some(head.time_us), emit),
                Err(words) => emit(Message::Unusable(words)),
            },
            SAMPLE => {
                let Some(values) = self.values(content) else {
                    return false;
                };
                let numbered = NumberedSample {
                    sequence: head.sequence,
                    time_us: head.time_us,
                    values,
                };
                return self.sample(numbered, emit);
            }
            // A later version may send more kinds.
            _ => {}
        }
        true
    }

    /// Whether the line is a right one.
    fn line(&mut self, line: &[u8], checked: bool, emit: &mut impl FnMut(Message)) -> bool {
        if text::is_hello(line) {
            match text::read_hello(line) {
                Some(Ok((station, now))) if now || !checked => self.hello(station, None, emit),
                Some(Err(words)) => emit(Message::Unusable(words)),
                _ => return false,
            }
            return true;
        }
        let channels = self.station.as_ref().map_or(0, |s| s.channels.len());
        match text::read(line, channels, checked) {
            Some(TextLine::Sample {
                sequence,
                time_us,
                values,
            }) => self.sample(
                NumberedSample {
                    sequence,
                    time_us,
                    values,
                },
                emit,
            ),
            Some(TextLine::Remark) => true,
            None => false,
        }
    }

    /// Counts in the units of the channels; `None` when there are not as many as channels.
    fn values(&self, content: &[u8]) -> Option<[f64; MAX_CHANNELS]> {
        let channels = &self.station.as_ref()?.channels;
        let (counts, rest) = content.as_chunks::<4>();
        if counts.len() != channels.len() || !rest.is_empty() {
            return None;
        }
        let mut values = [f64::NAN; MAX_CHANNELS];
        for ((value, bytes), channel) in values.iter_mut().zip(counts).zip(channels) {
            let count = i32::from_le_bytes(*bytes);
            if count != MISSING {
                *value = scaled(count, channel.per_count);
            }
        }
        Some(values)
    }

    fn hello(&mut self, station: Station, time_us: Option<u32>, emit: &mut impl FnMut(Message)) {
        let known = self.station.as_ref();
        if known.is_some_and(|k| *k != station) && self.changed.as_ref() != Some(&station) {
            self.changed = Some(station);
            return;
        }
        if known.is_some_and(|k| k.rate_hz != station.rate_hz) {
            self.tracker = SequenceTracker::new(station.rate_hz);
        }
        self.changed = None;
        self.station = Some(station.clone());
        emit(Message::Hello { station, time_us });
    }

    /// Whether the sample is right, be it too late.
    fn sample(&mut self, sample: NumberedSample, emit: &mut impl FnMut(Message)) -> bool {
        if self.changed.is_some() {
            // In which units this one is, the next hello says; until then it counts as lost.
            return true;
        }
        let mut give = |s: NumberedSample| {
            emit(Message::Sample {
                time_us: s.time_us,
                values: s.values,
            });
        };
        let (continuity, wrong) = self.tracker.assess(sample);
        if wrong {
            // It was counted as good when it came.
            self.counts.good -= 1;
            self.counts.bad += 1;
        }
        match continuity {
            Continuity::Take { lost } => {
                self.counts.lost += lost;
                give(sample);
            }
            Continuity::TakeBoth { waited, lost } => {
                self.counts.lost += lost;
                give(waited);
                give(sample);
            }
            Continuity::Late => self.counts.late += 1,
            Continuity::Wait => {}
            Continuity::Bad => return false,
        }
        true
    }
}

/// A count times its factor. A factor such as 0.001 is not exact as a double, its inverse is: dividing by that gives
/// the double nearest to the decimal.
fn scaled(count: i32, per_count: f64) -> f64 {
    let count = f64::from(count);
    let inverse = (1.0 / per_count).round();
    if inverse.abs() > 1.0 && inverse.abs() < 1e15 && 1.0 / inverse == per_count {
        count / inverse
    } else {
        count * per_count
    }
}
