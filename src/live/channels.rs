//! Which channel of a station is which side's force and displacement, and what its values are in N and mm.

use crate::acquire::station::{ChannelQuantity, Sample, Station, StationChannel};
use crate::calibrate::Calibration;
use crate::study::gains::ColumnGains;
use crate::terms::Side;
use crate::units;

/// One force channel and the displacement that belongs to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SideChannels {
    /// The subject's side; `None` for a sensor that moves from side to side.
    pub side: Option<Side>,
    /// Index into the station's channels.
    pub force: usize,
    pub displacement: Option<usize>,
    /// The displacement also belongs to the other side.
    pub shared: bool,
}

/// At most two sides, left before right.
pub fn sides_of(station: &Station) -> Vec<SideChannels> {
    let of = |quantity: ChannelQuantity| {
        let all = station.channels.iter().enumerate();
        all.filter(move |(_, c)| c.quantity == quantity)
    };
    let displacement = |side: Option<Side>| {
        let own = of(ChannelQuantity::Displacement).find(|(_, c)| c.side == side);
        let common = || of(ChannelQuantity::Displacement).find(|(_, c)| c.side.is_none());
        own.or_else(common).map(|(i, _)| i)
    };
    let mut sides: Vec<SideChannels> = of(ChannelQuantity::Force)
        .map(|(force, c)| SideChannels {
            side: c.side,
            force,
            displacement: displacement(c.side),
            shared: false,
        })
        .collect();
    sides.sort_by_key(|s| s.side);
    let both: Vec<SideChannels> = sides
        .iter()
        .copied()
        .filter(|s| matches!(s.side, Some(Side::Left | Side::Right)))
        .collect();
    // Two hands are left and right; of anything else the first force channel is the station.
    let mut sides = if both.len() == 2 { both } else { sides };
    if sides.first().is_some_and(|s| !matches!(s.side, Some(Side::Left))) || sides.len() > 2 {
        sides.truncate(1);
    }
    let used: Vec<Option<usize>> = sides.iter().map(|s| s.displacement).collect();
    if let [Some(a), Some(b)] = used[..] {
        sides.iter_mut().for_each(|s| s.shared = a == b);
    }
    sides
}

/// How one channel's values become N or mm.
enum ChannelScale {
    Plain,
    Calibrated(Box<Calibration>),
    /// Counts that no calibration fits.
    Unknown,
}

/// Turns samples into N and mm.
pub struct ChannelConverter {
    channels: Vec<(f64, ChannelScale)>,
}

impl ChannelConverter {
    /// With the calibrations of the study that may serve: each channel of counts takes the one that it names, else the
    /// one for its sensor, else the one for its column, else the only one of its quantity. Each reading is first multiplied
    /// by its gain.
    pub fn new(station: &Station, calibrations: &[Calibration], gains: &ColumnGains) -> Self {
        let of = |c: &StationChannel| {
            if c.unit != "counts" {
                return ChannelScale::Plain;
            }
            match calibration_of(c, calibrations) {
                Some(calibration) => ChannelScale::Calibrated(Box::new(calibration.clone())),
                None => ChannelScale::Unknown,
            }
        };
        ChannelConverter {
            channels: station.channels.iter().map(|c| (gains.of(c.column()), of(c))).collect(),
        }
    }

    /// The value of a channel in N or mm; NaN when it is missing or cannot be converted.
    pub fn value(&self, sample: &Sample, channel: usize) -> f64 {
        let Some((gain, scale)) = self.channels.get(channel) else {
            return f64::NAN;
        };
        let reading = sample.values.get(channel).copied().unwrap_or(f64::NAN) * gain;
        match scale {
            ChannelScale::Plain => reading,
            ChannelScale::Calibrated(calibration) => calibration.value(reading).unwrap_or(f64::NAN),
            ChannelScale::Unknown => f64::NAN,
        }
    }

    /// Whether a channel's values mean nothing without a calibration.
    pub fn unknown(&self, channel: usize) -> bool {
        matches!(self.channels.get(channel), Some((_, ChannelScale::Unknown)))
    }
}

fn calibration_of<'c>(channel: &StationChannel, calibrations: &'c [Calibration]) -> Option<&'c Calibration> {
    let (quantity, word) = match channel.quantity {
        ChannelQuantity::Force => (units::Quantity::Force, "force"),
        ChannelQuantity::Displacement => (units::Quantity::Displacement, "displacement"),
        ChannelQuantity::Drive => return None,
    };
    let column = channel.side.map_or(word.to_owned(), |s| format!("{word}_{s}"));
    let fitting = || calibrations.iter().filter(|c| c.quantity == quantity);
    let named = |name: &String| fitting().find(|c| c.name == *name);
    let sensor = |code: &String| fitting().find(|c| c.sensor.as_ref() == Some(code));
    if let Some(name) = &channel.calibration {
        return named(name);
    }
    let by_sensor = channel.sensor.as_ref().and_then(sensor);
    let by_column = || fitting().find(|c| c.channel.as_deref() == Some(&column));
    let only = || {
        let mut any = fitting().filter(|c| c.channel.is_none());
        any.next().filter(|_| any.next().is_none())
    };
    by_sensor.or_else(by_column).or_else(only)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(quantity: ChannelQuantity, side: Option<Side>) -> StationChannel {
        StationChannel {
            quantity,
            side,
            unit: "N".into(),
            per_count: 1.0,
            sensor: None,
            calibration: None,
        }
    }

    fn station(channels: Vec<StationChannel>) -> Station {
        Station {
            device: "bench".into(),
            rate_hz: 1000.0,
            channels,
        }
    }

    #[test]
    fn two_hands_share_one_displacement_or_have_their_own() {
        use ChannelQuantity::{Displacement, Force};
        let shared = station(vec![
            channel(Displacement, None),
            channel(Force, Some(Side::Right)),
            channel(Force, Some(Side::Left)),
        ]);
        let sides = sides_of(&shared);
        assert_eq!(sides.iter().map(|s| s.force).collect::<Vec<_>>(), [2, 1]);
        assert!(sides.iter().all(|s| s.displacement == Some(0) && s.shared));
        let own = station(vec![
            channel(Force, Some(Side::Left)),
            channel(Force, Some(Side::Right)),
            channel(Displacement, Some(Side::Left)),
            channel(Displacement, Some(Side::Right)),
        ]);
        let sides = sides_of(&own);
        assert_eq!(sides[1].displacement, Some(3));
        assert!(!sides[1].shared);
    }

    #[test]
    fn one_load_cell_alone_is_a_station() {
        let sides = sides_of(&station(vec![channel(ChannelQuantity::Force, None)]));
        assert_eq!(sides.len(), 1);
        assert_eq!(sides[0].displacement, None);
    }
}
