//! What a hello may say.

use crate::acquire::station::{ChannelQuantity, MAX_CHANNELS, Station};
use crate::terms::Side;

/// Longest text in a hello, in bytes of UTF-8.
pub const MAX_TEXT_BYTES: usize = 32;
/// Rates that a device may have, in samples a second.
const RATES_HZ: std::ops::RangeInclusive<f64> = 1.0..=20_000.0;

/// Whether a station can be recorded from; in words why not.
///
/// It needs 1 to [`MAX_CHANNELS`] channels with a force among them: one force alone, or one for each hand.
/// Displacement may be shared by both hands, or be one for each hand that has a force. No two channels may measure
/// the same thing. A factor is finite and not zero; counts that are left to a calibration have the factor 1.
///
/// # Errors
/// What the device says and what was expected.
pub fn usable(station: &Station) -> Result<(), String> {
    let count = station.channels.len();
    if count == 0 || count > MAX_CHANNELS {
        return Err(format!(
            "the device names {count} channels; expected 1 to {MAX_CHANNELS}"
        ));
    }
    if !RATES_HZ.contains(&station.rate_hz) {
        return Err(format!(
            "the device says {} samples a second; expected {} to {}",
            station.rate_hz,
            RATES_HZ.start(),
            RATES_HZ.end()
        ));
    }
    for (i, channel) in station.channels.iter().enumerate() {
        let name = plain(&channel.heading());
        let number = i + 1;
        let own = match channel.quantity {
            ChannelQuantity::Force => "N",
            ChannelQuantity::Displacement => "mm",
            ChannelQuantity::Drive => "deg",
        };
        if channel.unit != own && channel.unit != "counts" {
            return Err(format!(
                "channel {number} ({name}) is in {}; expected {own} or counts",
                plain(&channel.unit)
            ));
        }
        if !channel.per_count.is_finite() || channel.per_count == 0.0 {
            return Err(format!(
                "channel {number} ({name}) has the factor {}; expected a number that is not 0",
                channel.per_count
            ));
        }
        if channel.unit == "counts"
            && (channel.per_count != 1.0 || channel.quantity == ChannelQuantity::Drive)
        {
            return Err(format!(
                "channel {number} ({name}) is in counts; expected a force or displacement with the factor 1"
            ));
        }
        if channel.side == Some(Side::Midline) {
            return Err(format!(
                "channel {number} ({name}) lies in the midline; expected left, right or no side"
            ));
        }
        let same = |c: &&_| measures(c) == measures(channel);
        if station.channels[..i].iter().any(|c| same(&c)) {
            return Err(format!(
                "channel {number} ({name}) measures what another one does"
            ));
        }
    }
    sides_fit(station)
}

fn measures(channel: &crate::acquire::station::StationChannel) -> (ChannelQuantity, Option<Side>) {
    (channel.quantity, channel.side)
}

fn sides_fit(station: &Station) -> Result<(), String> {
    let sides = |quantity: ChannelQuantity| -> Vec<Option<Side>> {
        let own = station.channels.iter().filter(|c| c.quantity == quantity);
        own.map(|c| c.side).collect()
    };
    let forces = sides(ChannelQuantity::Force);
    if forces.is_empty() {
        return Err("the device has no force channel; one load cell at least is needed".to_owned());
    }
    if forces.len() > 1 && forces.contains(&None) {
        return Err(
            "the device has a force with a side and one without; expected one without, or left and right"
                .into(),
        );
    }
    for quantity in [ChannelQuantity::Displacement, ChannelQuantity::Drive] {
        let others = sides(quantity);
        let shared = others == [None] || others.is_empty();
        if !shared && !others.iter().all(|s| s.is_some() && forces.contains(s)) {
            return Err("the device has displacements or tilts of other sides than its forces; expected one for all, or one a hand".into());
        }
    }
    Ok(())
}

/// A text from outside without what could move a cursor or turn a line around.
pub(super) fn plain(text: &str) -> String {
    let hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
    };
    text.chars()
        .filter(|&c| !hidden(c))
        .collect::<String>()
        .trim()
        .to_owned()
}

/// The text, if there is any of it.
pub(super) fn given(text: &str) -> Option<String> {
    let text = plain(text);
    (!text.is_empty()).then_some(text)
}
