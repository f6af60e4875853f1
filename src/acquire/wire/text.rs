//! Lines of text, for a bench: a hello line, then one line a sample.
//!
//! ```text
//! #tautpoint 1;rate_hz=200;channels=force_n,displacement_mm;device=bench
//! 0,1000,0.12,3.450
//! 1,6000,0.15,3.452
//! ```

use super::VERSION;
use super::frame::crc16;
use super::validate::{MAX_TEXT_BYTES, given, plain, usable};
use crate::acquire::station::{ChannelQuantity, MAX_CHANNELS, Station, StationChannel};
use crate::terms::Side;
use std::fmt::Write as _;

/// How a hello line begins, its version behind it.
const BEGIN: &str = "#tautpoint ";

/// A line of text that was understood.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum TextLine {
    Sample {
        sequence: u16,
        time_us: u32,
        values: [f64; MAX_CHANNELS],
    },
    /// A remark for people, or an empty line.
    Remark,
}

/// A line without its checksum and its end. The checksum is CRC-16/IBM-3740 over everything before the `*`, as four
/// hexadecimal digits; `checked` lines must have a right one, others may.
fn without_checksum(line: &[u8], checked: bool) -> Option<(&str, bool)> {
    let line = std::str::from_utf8(line).ok()?;
    let line = line.strip_suffix('\r').unwrap_or(line);
    let Some((text, digits)) = line.rsplit_once('*') else {
        return (!checked).then_some((line, false));
    };
    let right = digits.len() == 4 && u16::from_str_radix(digits, 16) == Ok(crc16(text.as_bytes()));
    right.then_some((text, true))
}

/// Whether a line can only be meant as a hello.
pub(super) fn is_hello(line: &[u8]) -> bool {
    line.starts_with(BEGIN.as_bytes())
}

/// Reads a hello line; the flag says whether it has a checksum, and then every line must. `None` for a wrong
/// checksum or anything that is no hello.
///
/// # Errors
/// In words, what the device says that cannot be used.
pub(super) fn read_hello(line: &[u8]) -> Option<Result<(Station, bool), String>> {
    let (text, checked) = without_checksum(line, false)?;
    let text = text.strip_prefix(BEGIN)?;
    Some(hello(text).map(|station| (station, checked)))
}

fn hello(text: &str) -> Result<Station, String> {
    let mut parts = text.split(';');
    let version = parts.next().unwrap_or_default().trim();
    if version.parse() != Ok(VERSION) {
        return Err(format!(
            "the device speaks version {} of the wire format; expected {VERSION}",
            plain(version)
        ));
    }
    let (mut rate_hz, mut channels, mut device) = (None, Vec::new(), String::new());
    let (mut sensors, mut calibrations) = (Vec::new(), Vec::new());
    for part in parts {
        let (key, value) = part.split_once('=').unwrap_or((part, ""));
        let list = || value.split(',').map(given);
        match key.trim() {
            "rate_hz" => rate_hz = value.trim().parse::<f64>().ok(),
            "channels" => channels = value.split(',').map(channel).collect::<Result<_, _>>()?,
            "device" => device = plain(value),
            "sensors" => sensors = list().collect(),
            "calibrations" => calibrations = list().collect(),
            // A later version may say more.
            _ => {}
        }
    }
    for (texts, what) in [(&sensors, "sensors"), (&calibrations, "calibrations")] {
        if !texts.is_empty() && texts.len() != channels.len() {
            return Err(format!(
                "the hello line has {} {what} for {} channels; expected one each, empty where there is none",
                texts.len(),
                channels.len()
            ));
        }
        if texts.iter().flatten().any(|t| t.len() > MAX_TEXT_BYTES) {
            return Err(format!(
                "the hello line has {what} of over {MAX_TEXT_BYTES} bytes"
            ));
        }
    }
    for (channel, sensor) in channels.iter_mut().zip(sensors) {
        channel.sensor = sensor;
    }
    for (channel, calibration) in channels.iter_mut().zip(calibrations) {
        channel.calibration = calibration;
    }
    let station = Station {
        device,
        rate_hz: rate_hz.ok_or("the hello line has no rate_hz; expected such as rate_hz=200")?,
        channels,
    };
    usable(&station)?;
    Ok(station)
}

/// A channel by its heading, as in a recording: `force_left_n`, `displacement_mm`.
fn channel(heading: &str) -> Result<StationChannel, String> {
    let words: Vec<&str> = heading.trim().split('_').collect();
    let (quantity, side, unit) = match words.as_slice() {
        [quantity, unit] => (*quantity, None, *unit),
        [quantity, side, unit] => (*quantity, Side::parse(side), *unit),
        _ => ("", None, ""),
    };
    let quantity = match quantity {
        "force" => ChannelQuantity::Force,
        "displacement" => ChannelQuantity::Displacement,
        "drive" => ChannelQuantity::Drive,
        _ => {
            return Err(format!(
                "the hello line has the channel {:?}; expected such as force_n, force_left_n or displacement_mm",
                plain(heading)
            ));
        }
    };
    let made = StationChannel {
        quantity,
        side,
        unit: if unit == "n" { "N" } else { unit }.to_owned(),
        per_count: 1.0,
        sensor: None,
        calibration: None,
    };
    if made.heading() == heading.trim() {
        Ok(made)
    } else {
        Err(format!(
            "the hello line has the channel {:?}; expected such as {}",
            plain(heading),
            made.heading()
        ))
    }
}

/// Reads a line after the hello. `None` for what is no right line.
pub(super) fn read(line: &[u8], channels: usize, checked: bool) -> Option<TextLine> {
    let (text, _) = without_checksum(line, checked)?;
    if text.trim().is_empty() || text.starts_with('#') {
        return Some(TextLine::Remark);
    }
    let mut cells = text.split(',').map(str::trim);
    // Counters of any width are welcome: what counts is their value modulo 2¹⁶ and 2³².
    let sequence = cells.next()?.parse::<u64>().ok()? as u16;
    let time_us = cells.next()?.parse::<u64>().ok()? as u32;
    let mut values = [f64::NAN; MAX_CHANNELS];
    for value in values.iter_mut().take(channels) {
        let cell = cells.next()?;
        if !cell.is_empty() {
            *value = cell.parse().ok().filter(|v: &f64| v.is_finite())?;
        }
    }
    cells.next().is_none().then_some(TextLine::Sample {
        sequence,
        time_us,
        values,
    })
}

fn finished(mut text: String, checked: bool) -> Vec<u8> {
    if checked {
        let crc = crc16(text.as_bytes());
        let _ = write!(text, "*{crc:04X}");
    }
    text.push('\n');
    text.into_bytes()
}

/// A hello line. Factors are left out: a line holds values, not counts.
pub fn hello_line(station: &Station, checked: bool) -> Vec<u8> {
    let each = |of: fn(&StationChannel) -> String| {
        let all: Vec<String> = station.channels.iter().map(of).collect();
        all.join(",")
    };
    let text = |text: &Option<String>| {
        text.clone()
            .unwrap_or_default()
            .replace([',', ';', '*', '\n'], " ")
    };
    let named = |of: fn(&StationChannel) -> &Option<String>| {
        let all: Vec<String> = station.channels.iter().map(|c| text(of(c))).collect();
        all.join(",")
    };
    let line = format!(
        "{BEGIN}{VERSION};rate_hz={};channels={};device={};sensors={};calibrations={}",
        station.rate_hz,
        each(StationChannel::heading),
        station.device.replace([';', '*', '\n'], " "),
        named(|c| &c.sensor),
        named(|c| &c.calibration),
    );
    finished(line, checked)
}

/// A sample's line; a value that is NaN stays empty.
pub fn sample_line(sequence: u16, time_us: u32, values: &[f64], checked: bool) -> Vec<u8> {
    let mut line = format!("{sequence},{time_us}");
    for value in values {
        line.push(',');
        if !value.is_nan() {
            let _ = write!(line, "{value}");
        }
    }
    finished(line, checked)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(line: &str) -> Result<(Station, bool), String> {
        read_hello(line.as_bytes()).unwrap()
    }

    #[test]
    fn a_hello_line_names_channels_as_a_recording_does() {
        let (station, checked) =
            said("#tautpoint 1;rate_hz=200;channels=force_left_n,force_right_n,displacement_mm").unwrap();
        assert!(!checked && station.rate_hz == 200.0);
        let headings: Vec<String> = station.channels.iter().map(StationChannel::heading).collect();
        assert_eq!(headings, ["force_left_n", "force_right_n", "displacement_mm"]);
        let line = hello_line(&station, true);
        assert_eq!(read_hello(line.trim_ascii_end()), Some(Ok((station, true))));
    }

    #[test]
    fn a_hello_line_that_cannot_be_used_says_why() {
        for (line, word) in [
            ("#tautpoint 2;rate_hz=200;channels=force_n", "version 2"),
            ("#tautpoint 1;channels=force_n", "rate_hz"),
            ("#tautpoint 1;rate_hz=200;channels=displacement_mm", "no force"),
            (
                "#tautpoint 1;rate_hz=200;channels=force_kg",
                "expected N or counts",
            ),
            ("#tautpoint 1;rate_hz=200;channels=weight", "weight"),
            ("#tautpoint 1;rate_hz=200;channels=force_n,force_n", "another one"),
            (
                "#tautpoint 1;rate_hz=200;channels=force_n;sensors=a,b",
                "2 sensors",
            ),
        ] {
            let words = said(line).unwrap_err();
            assert!(words.contains(word), "{line}: {words}");
        }
    }

    #[test]
    fn a_wrong_checksum_or_cell_makes_a_line_bad() {
        let right = sample_line(3, 4000, &[1.5, f64::NAN], true);
        let right = right.trim_ascii_end();
        assert!(matches!(
            read(right, 2, true),
            Some(TextLine::Sample {
                sequence: 3,
                time_us: 4000,
                ..
            })
        ));
        for wrong in ["3,4000,1.5,*0000", "3,4000,1.5,2", "3,4000,1.5,*29B1x"] {
            assert_eq!(read(wrong.as_bytes(), 2, true), None, "{wrong}");
        }
        for wrong in [
            "3,4000,1.5",
            "3,4000,1.5,2,3",
            "3,4000,x,2",
            "3,4000,inf,2",
            "-1,4000,1,2",
        ] {
            assert_eq!(read(wrong.as_bytes(), 2, false), None, "{wrong}");
        }
        assert_eq!(read(b"# warmed up", 2, false), Some(TextLine::Remark));
    }
}
