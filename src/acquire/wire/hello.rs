//! The hello frame: what a device is.

use super::VERSION;
use super::frame::{FrameHeader, HELLO, build};
use super::validate::{MAX_TEXT_BYTES, given, plain, usable};
use crate::acquire::station::{ChannelQuantity, Station, StationChannel};
use crate::error::{Error, Result};
use crate::terms::Side;

const QUANTITIES: [ChannelQuantity; 3] = [
    ChannelQuantity::Force,
    ChannelQuantity::Displacement,
    ChannelQuantity::Drive,
];
const UNITS: [&str; 4] = ["counts", "N", "mm", "deg"];
/// Powers of ten that a factor may have: those that are exact as a double, and to spare.
const EXPONENTS: std::ops::RangeInclusive<i8> = -18..=18;

/// A hello frame with its delimiter. `sequence` is the number that the next sample will have.
///
/// # Errors
/// [`Error::Setting`] for a station that no device may claim to be, or a text over [`MAX_TEXT_BYTES`] bytes.
pub fn hello_frame(sequence: u16, time_us: u32, station: &Station) -> Result<Vec<u8>> {
    let wrong = |found: String| Error::Setting {
        what: "the station".to_owned(),
        found,
        expected: "one that the wire format can describe".to_owned(),
    };
    usable(station).map_err(wrong)?;
    let mut content = vec![VERSION];
    content.extend(((station.rate_hz * 1000.0).round() as u32).to_le_bytes());
    put_text(&mut content, &station.device).map_err(wrong)?;
    content.push(station.channels.len() as u8);
    for channel in &station.channels {
        content.push(
            1 + QUANTITIES
                .iter()
                .position(|&q| q == channel.quantity)
                .unwrap_or(0) as u8,
        );
        content.push(match channel.side {
            Some(Side::Left) => 1,
            Some(Side::Right) => 2,
            _ => 0,
        });
        content.push(UNITS.iter().position(|&u| u == channel.unit).unwrap_or(0) as u8);
        let (digits, exponent) = decimal(channel.per_count).map_err(wrong)?;
        content.extend(digits.to_le_bytes());
        content.extend(exponent.to_le_bytes());
        put_text(&mut content, channel.sensor.as_deref().unwrap_or_default()).map_err(wrong)?;
        put_text(&mut content, channel.calibration.as_deref().unwrap_or_default()).map_err(wrong)?;
    }
    let head = FrameHeader {
        kind: HELLO,
        sequence,
        time_us,
    };
    Ok(build(head, &content))
}

fn put_text(content: &mut Vec<u8>, text: &str) -> std::result::Result<(), String> {
    if text.len() > MAX_TEXT_BYTES {
        return Err(format!(
            "{text:?} with {} bytes; {MAX_TEXT_BYTES} at most",
            text.len()
        ));
    }
    content.push(text.len() as u8);
    content.extend(text.as_bytes());
    Ok(())
}

/// A factor as digits times a power of ten, to nine digits.
fn decimal(factor: f64) -> std::result::Result<(i32, i8), String> {
    let cannot = || format!("the factor {factor}");
    let short = format!("{factor:e}");
    let long = format!("{factor:.8e}");
    let text = if short.len() <= long.len() { short } else { long };
    let (digits, exponent) = text.split_once('e').ok_or_else(cannot)?;
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let part = part.trim_end_matches('0');
    let digits: i32 = format!("{whole}{part}").parse().map_err(|_| cannot())?;
    let exponent: i32 = exponent.parse().map_err(|_| cannot())?;
    let exponent = i8::try_from(exponent - part.len() as i32).map_err(|_| cannot())?;
    if EXPONENTS.contains(&exponent) {
        Ok((digits, exponent))
    } else {
        Err(cannot())
    }
}

/// Reads fields one after the other.
struct Fields<'a>(&'a [u8]);

impl<'a> Fields<'a> {
    fn take<const N: usize>(&mut self) -> std::result::Result<[u8; N], String> {
        let (head, rest) = self.0.split_first_chunk::<N>().ok_or("the hello is too short")?;
        self.0 = rest;
        Ok(*head)
    }

    fn byte(&mut self) -> std::result::Result<u8, String> {
        Ok(self.take::<1>()?[0])
    }

    fn text(&mut self) -> std::result::Result<String, String> {
        let length = usize::from(self.byte()?);
        if length > MAX_TEXT_BYTES {
            return Err(format!(
                "the hello holds a text of {length} bytes; {MAX_TEXT_BYTES} at most"
            ));
        }
        let (text, rest) = self.0.split_at_checked(length).ok_or("the hello is too short")?;
        self.0 = rest;
        let text = std::str::from_utf8(text);
        Ok(text.map_err(|_| "the hello holds a text that is no UTF-8")?.to_owned())
    }
}

/// Reads a hello's content.
///
/// # Errors
/// In words, what the device says that cannot be used.
pub(super) fn read(content: &[u8]) -> std::result::Result<Station, String> {
    let mut fields = Fields(content);
    let version = fields.byte()?;
    if version != VERSION {
        return Err(format!(
            "the device speaks version {version} of the wire format; expected {VERSION}"
        ));
    }
    let rate_hz = f64::from(u32::from_le_bytes(fields.take()?)) / 1000.0;
    let device = plain(&fields.text()?);
    let count = fields.byte()?;
    let mut channels = Vec::new();
    for _ in 0..count {
        channels.push(channel(&mut fields)?);
    }
    if !fields.0.is_empty() {
        return Err(format!("the hello is {} bytes too long", fields.0.len()));
    }
    let station = Station {
        device,
        rate_hz,
        channels,
    };
    usable(&station)?;
    Ok(station)
}

fn channel(fields: &mut Fields<'_>) -> std::result::Result<StationChannel, String> {
    let quantity = fields.byte()?;
    let side = fields.byte()?;
    let unit = fields.byte()?;
    let digits = i32::from_le_bytes(fields.take()?);
    let exponent = i8::from_le_bytes(fields.take()?);
    if !EXPONENTS.contains(&exponent) {
        return Err(format!(
            "a channel's factor has the power of ten {exponent}; expected -18 to 18"
        ));
    }
    let quantity = usize::from(quantity)
        .checked_sub(1)
        .and_then(|i| QUANTITIES.get(i));
    Ok(StationChannel {
        quantity: *quantity.ok_or("a channel measures an unknown quantity; expected 1, 2 or 3")?,
        side: match side {
            0 => None,
            1 => Some(Side::Left),
            2 => Some(Side::Right),
            _ => return Err(format!("a channel has the side {side}; expected 0, 1 or 2")),
        },
        unit: (*UNITS
            .get(usize::from(unit))
            .ok_or("a channel has an unknown unit; expected 0 to 3")?)
        .to_owned(),
        per_count: if exponent < 0 {
            f64::from(digits) / 10_f64.powi(-i32::from(exponent))
        } else {
            f64::from(digits) * 10_f64.powi(i32::from(exponent))
        },
        sensor: given(&fields.text()?),
        calibration: given(&fields.text()?),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_keeps_its_decimal_digits() {
        assert_eq!(decimal(0.00125), Ok((125, -5)));
        assert_eq!(decimal(-2.0), Ok((-2, 0)));
        assert_eq!(decimal(1000.0), Ok((1, 3)));
        assert_eq!(decimal(1.0 / 3.0), Ok((333_333_333, -9)));
        assert!(decimal(1e-30).is_err());
    }

    #[test]
    fn a_hello_with_everything_at_its_longest_is_a_frame() {
        let text = "m".repeat(MAX_TEXT_BYTES);
        let channel = |quantity, side, unit: &str| StationChannel {
            quantity,
            side: Some(side),
            unit: unit.to_owned(),
            per_count: 0.001,
            sensor: Some(text.clone()),
            calibration: Some(text.clone()),
        };
        let station = Station {
            device: text.clone(),
            rate_hz: 20_000.0,
            channels: [Side::Left, Side::Right]
                .into_iter()
                .flat_map(|s| {
                    [
                        channel(ChannelQuantity::Force, s, "N"),
                        channel(ChannelQuantity::Displacement, s, "mm"),
                        channel(ChannelQuantity::Drive, s, "deg"),
                    ]
                })
                .collect(),
        };
        let frame = hello_frame(0, 0, &station).unwrap();
        assert!(frame.len() <= super::super::MAX_STUFFED_BYTES + 1);
        let mut stretch = frame[..frame.len() - 1].to_vec();
        let (_, content) = super::super::frame::open(&mut stretch).unwrap();
        assert_eq!(read(content), Ok(station));
    }
}
