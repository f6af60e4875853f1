//! `firmware-notes/test-vectors.txt`: the paper's examples, the catalogue's check value, whole frames.

use super::heard;
use tautpoint::acquire::station::{ChannelQuantity, Station, StationChannel};
use tautpoint::acquire::wire::{Message, crc16, hello_frame, sample_frame, stuffed};
use tautpoint::terms::Side;

/// One line of the file: its fields, in the order of the file's head.
pub struct Vector {
    pub kind: String,
    pub fields: Vec<String>,
}

pub fn vectors() -> Vec<Vector> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/firmware-notes/test-vectors.txt");
    let text = std::fs::read_to_string(path).unwrap();
    let lines = text
        .lines()
        .filter(|l| !l.is_empty() && !l.starts_with("# ") && *l != "#");
    let vectors: Vec<Vector> = lines
        .map(|line| {
            // A line of text may hold semicolons itself.
            let most = if line.starts_with("lines") { 2 } else { 4 };
            let mut fields = line.splitn(most, " ; ").map(str::to_owned);
            Vector {
                kind: fields.next().unwrap(),
                fields: fields.collect(),
            }
        })
        .collect();
    assert!(vectors.len() > 20);
    vectors
}

/// `45 00 (01)*3` as bytes.
pub fn bytes(text: &str) -> Vec<u8> {
    let mut all = Vec::new();
    for word in text.split(' ').filter(|w| *w != "-") {
        let (digits, times) = match word.strip_prefix('(').and_then(|w| w.split_once(")*")) {
            Some((digits, times)) => (digits, times.parse().unwrap()),
            None => (word, 1),
        };
        all.extend(std::iter::repeat_n(
            u8::from_str_radix(digits, 16).unwrap(),
            times,
        ));
    }
    all
}

/// The station that a hello's words describe, and its number and time.
pub fn station(words: &str) -> (u16, u32, Station) {
    let value = |key: &str| {
        let from = words.find(key).unwrap() + key.len();
        let rest = &words[from..];
        // A device's name may hold a blank; the next key ends it.
        let end = rest
            .find(" rate_hz=")
            .filter(|_| key == "device=")
            .or(rest.find(' '))
            .unwrap();
        rest[..end].to_owned()
    };
    let channels = words.split(' ').filter(|w| w.contains(':')).map(|word| {
        let (heading, more) = word.split_once('=').unwrap();
        let more: Vec<&str> = more.split(':').collect();
        let parts: Vec<&str> = heading.split('_').collect();
        let text = |text: &str| (!text.is_empty()).then(|| text.to_owned());
        StationChannel {
            quantity: match parts[0] {
                "force" => ChannelQuantity::Force,
                "displacement" => ChannelQuantity::Displacement,
                _ => ChannelQuantity::Drive,
            },
            side: parts.get(1).and_then(|s| Side::parse(s)),
            unit: if heading.ends_with("_n") {
                "N"
            } else {
                parts[parts.len() - 1]
            }
            .to_owned(),
            per_count: more[0].parse().unwrap(),
            sensor: text(more[1]),
            calibration: text(more[2]),
        }
    });
    let station = Station {
        device: value("device="),
        rate_hz: value("rate_hz=").parse().unwrap(),
        channels: channels.collect(),
    };
    (
        value("sequence=").parse().unwrap(),
        value("time_us=").parse().unwrap(),
        station,
    )
}

/// Number, time and counts of a sample.
pub fn sample(words: &str) -> (u16, u32, Vec<i32>) {
    let mut numbers = words.split(' ').map(|w| w.parse::<i64>().unwrap());
    let (sequence, time_us) = (numbers.next().unwrap() as u16, numbers.next().unwrap() as u32);
    (sequence, time_us, numbers.map(|n| n as i32).collect())
}

#[test]
fn checksums_and_stuffing_are_those_of_their_sources() {
    let mut checked = 0;
    for vector in vectors() {
        let fields = &vector.fields;
        match vector.kind.as_str() {
            "crc" => {
                let expected = u16::from_str_radix(&fields[1], 16).unwrap();
                assert_eq!(crc16(&bytes(&fields[0])), expected, "{}", fields[0]);
            }
            "cobs" => {
                let mut expected = bytes(&fields[1]);
                expected.push(0);
                assert_eq!(stuffed(&bytes(&fields[0])), expected, "{}", fields[2]);
            }
            _ => continue,
        }
        checked += 1;
    }
    assert!(checked >= 15);
}

#[test]
fn hello_frames_are_those_of_the_vectors_and_say_what_their_words_say() {
    for vector in vectors().iter().filter(|v| v.kind == "hello") {
        let (sequence, time_us, station) = station(&vector.fields[0]);
        let frame = hello_frame(sequence, time_us, &station).unwrap();
        assert_eq!(frame, stuffed(&bytes(&vector.fields[1])));
        assert_eq!(frame, bytes(&vector.fields[2]));
        let said = Message::Hello {
            station,
            time_us: Some(time_us),
        };
        assert_eq!(heard(&frame).0, [said]);
    }
}

#[test]
fn sample_frames_are_those_of_the_vectors() {
    for vector in vectors().iter().filter(|v| v.kind == "sample") {
        let (sequence, time_us, counts) = sample(&vector.fields[0]);
        let frame = sample_frame(sequence, time_us, &counts);
        assert_eq!(frame, stuffed(&bytes(&vector.fields[1])));
        assert_eq!(frame, bytes(&vector.fields[2]));
    }
}

#[test]
fn lines_of_the_vectors_are_understood() {
    let lines: Vec<String> = vectors()
        .into_iter()
        .filter(|v| v.kind == "lines")
        .map(|v| v.fields[0].clone() + "\r\n")
        .collect();
    let (heard, counts) = heard(lines.concat().as_bytes());
    assert_eq!(counts.good, 3);
    let values = super::samples(&heard);
    assert_eq!((values[0].0, values[0].1[0], values[0].1[1]), (1000, 0.12, 3.45));
    assert_eq!((values[1].0, values[1].1[0]), (6000, -0.15));
    assert!(values[1].1[1].is_nan());
}

#[test]
fn the_notes_show_the_frames_of_the_vectors() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/firmware-notes/README.md");
    let notes = std::fs::read_to_string(path).unwrap();
    // Only the bytes: words and blanks between them are for the reader.
    let shown: Vec<&str> = notes
        .split(|c: char| c.is_whitespace())
        .filter(|w| w.len() == 2 && w.chars().all(|c| c.is_ascii_digit() || ('A'..='F').contains(&c)))
        .collect();
    let shown = shown.join(" ");
    let vectors = vectors();
    let first = |kind: &str| vectors.iter().find(|v| v.kind == kind).unwrap();
    let sample = &first("sample").fields;
    assert!(shown.contains(&sample[1]) && shown.contains(&sample[2]));
    assert!(shown.contains(&first("hello").fields[1]));
    let lines: Vec<&String> = vectors
        .iter()
        .filter(|v| v.kind == "lines")
        .map(|v| &v.fields[0])
        .collect();
    for line in &lines {
        assert!(notes.contains(line.rsplit_once('*').unwrap().0), "{line}");
    }
    assert!(notes.contains(lines[1].as_str()));
}
