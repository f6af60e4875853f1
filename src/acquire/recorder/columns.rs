//! What a station's samples are in a recording: headings, and a row of text for each sample.

use crate::acquire::station::{ChannelQuantity, Sample, Station, StationChannel};
use crate::acquire::wire::usable;
use crate::terms::Side;
use std::io::Write as _;

/// The columns of one recording, in the order of the station's channels.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceColumns {
    headings: Vec<String>,
    /// Digits behind the point.
    decimals: Vec<usize>,
    /// Left and right have a force of their own, so one press gives both sides.
    both_at_once: bool,
}

impl TraceColumns {
    /// Settles the columns.
    ///
    /// # Errors
    /// In words, when a recording of such a station could not be read back: it is not [`usable`], or has one hand's
    /// force alone.
    pub fn of(station: &Station) -> Result<TraceColumns, String> {
        usable(station)?;
        let channels = &station.channels;
        let of = |side| {
            let is = |c: &&StationChannel| c.quantity == ChannelQuantity::Force && c.side == side;
            channels.iter().filter(is).count()
        };
        let both_at_once = match (of(None), of(Some(Side::Left)), of(Some(Side::Right))) {
            (1, 0, 0) => false,
            (0, 1, 1) => true,
            _ => {
                return Err(
                    "its force channels are neither one alone nor one for each of left and right".to_owned(),
                );
            }
        };
        Ok(TraceColumns {
            headings: channels.iter().map(StationChannel::heading).collect(),
            decimals: channels.iter().map(decimals).collect(),
            both_at_once,
        })
    }

    /// Whether one press gives both sides.
    pub fn both_at_once(&self) -> bool {
        self.both_at_once
    }

    /// The line of headings, with its end.
    pub fn header(&self) -> String {
        format!("time_s,{}\n", self.headings.join(","))
    }

    /// Adds the row of a sample, its time counted from `start_s`. A missing value is an empty cell.
    pub fn row(&self, sample: &Sample, start_s: f64, text: &mut Vec<u8>) {
        // Writing into memory does not fail.
        let _ = write!(text, "{:.6}", sample.time_s - start_s);
        for (value, decimals) in sample.values.iter().zip(&self.decimals) {
            text.push(b',');
            if value.is_finite() {
                let _ = write!(text, "{value:.decimals$}");
            }
        }
        text.push(b'\n');
    }
}

/// As many digits as one count has, so that nothing is lost; where that is many, two more than one count is worth, from
/// which the count can be told all the same. Counts have none.
fn decimals(channel: &StationChannel) -> usize {
    if channel.unit.eq_ignore_ascii_case("counts") {
        return 0;
    }
    let step = channel.per_count.abs();
    let two_more = 2.0 - step.log10().floor();
    // A step of 0 or NaN says nothing; nine digits hold a 32-bit count of any range.
    let most = if two_more.is_finite() {
        two_more.clamp(0.0, 9.0) as usize
    } else {
        9
    };
    let written = format!("{step}");
    let digits = written.split_once('.').map_or(0, |(_, behind)| behind.len());
    digits.min(most)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::station::MAX_CHANNELS;
    use std::time::Instant;

    fn channel(quantity: ChannelQuantity, side: Option<Side>, unit: &str, per_count: f64) -> StationChannel {
        StationChannel {
            quantity,
            side,
            unit: unit.to_owned(),
            per_count,
            sensor: None,
            calibration: None,
        }
    }

    fn station(channels: Vec<StationChannel>) -> Station {
        Station {
            device: "bench".to_owned(),
            rate_hz: 1000.0,
            channels,
        }
    }

    #[test]
    fn a_row_holds_the_count_again_and_a_missing_value_is_an_empty_cell() {
        let columns = TraceColumns::of(&station(vec![
            channel(ChannelQuantity::Force, None, "N", 0.000_565_9),
            channel(ChannelQuantity::Displacement, None, "mm", 0.001),
            channel(ChannelQuantity::Drive, None, "deg", 0.1),
        ]))
        .unwrap();
        assert_eq!(columns.header(), "time_s,force_n,displacement_mm,drive_deg\n");
        let mut values = [f64::NAN; MAX_CHANNELS];
        let count = 123_457.0;
        values[0] = count * 0.000_565_9;
        values[1] = 4.2;
        let sample = Sample {
            time_s: 12.000_5,
            arrived: Instant::now(),
            values,
        };
        let mut text = Vec::new();
        columns.row(&sample, 10.0, &mut text);
        let text = String::from_utf8(text).unwrap();
        assert_eq!(text, "2.000500,69.864316,4.200,\n");
        let back: f64 = text.split(',').nth(1).unwrap().parse().unwrap();
        assert_eq!((back / 0.000_565_9).round(), count);
    }

    #[test]
    fn a_station_that_could_not_be_read_back_is_refused_in_words() {
        let force = |side| channel(ChannelQuantity::Force, side, "N", 0.001);
        for (channels, words) in [
            (
                vec![channel(ChannelQuantity::Drive, None, "deg", 0.1)],
                "no force",
            ),
            (vec![force(Some(Side::Left))], "neither one alone"),
            (vec![force(None), force(Some(Side::Left))], "one without"),
            (vec![force(None), force(None)], "(force_n) measures what another"),
            (
                vec![channel(ChannelQuantity::Force, None, "n\n=1+1", 0.001)],
                "expected N or",
            ),
        ] {
            let error = TraceColumns::of(&station(channels)).unwrap_err();
            assert!(error.contains(words), "{error}");
        }
        let both =
            TraceColumns::of(&station(vec![force(Some(Side::Left)), force(Some(Side::Right))])).unwrap();
        assert!(both.both_at_once());
    }
}
