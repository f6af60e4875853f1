//! What a connected device says it is, and one sample of it.

use crate::study::mapping::ColumnKey;
use crate::terms::Side;
use std::time::Instant;

/// Channels that one station can have: two forces, two displacements, the tilt of each hand, and two to spare.
pub const MAX_CHANNELS: usize = 8;

/// What a channel measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChannelQuantity {
    Force,
    Displacement,
    /// Tilt of the push, as the line of drive is counted.
    Drive,
}

/// One channel of a station.
#[derive(Debug, Clone, PartialEq)]
pub struct StationChannel {
    pub quantity: ChannelQuantity,
    /// Under which hand, the subject's side; `None` for a sensor that moves from side to side.
    pub side: Option<Side>,
    /// Unit of a value: `N`, `mm` or `deg`; `counts` when a calibration of the study has yet to turn it into one.
    pub unit: String,
    /// A value is the 32-bit count times this.
    pub per_count: f64,
    /// Code of the sensor.
    pub sensor: Option<String>,
    /// Name of the calibration that the device was loaded with, or that its counts ask for.
    pub calibration: Option<String>,
}

/// A device with its channels, in the order of [`Sample::values`].
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Name that the device gives itself; as hostile as any text from outside.
    pub device: String,
    /// Samples a second, as the device says.
    pub rate_hz: f64,
    /// At most [`MAX_CHANNELS`].
    pub channels: Vec<StationChannel>,
}

impl StationChannel {
    /// The column that it is in a recording.
    pub fn column(&self) -> ColumnKey {
        match (self.quantity, self.side) {
            (ChannelQuantity::Force, Some(Side::Left)) => ColumnKey::ForceLeft,
            (ChannelQuantity::Force, Some(Side::Right)) => ColumnKey::ForceRight,
            (ChannelQuantity::Force, _) => ColumnKey::Force,
            (ChannelQuantity::Displacement, Some(Side::Left)) => ColumnKey::DisplacementLeft,
            (ChannelQuantity::Displacement, Some(Side::Right)) => ColumnKey::DisplacementRight,
            (ChannelQuantity::Displacement, _) => ColumnKey::Displacement,
            (ChannelQuantity::Drive, _) => ColumnKey::DriveDeg,
        }
    }

    /// Heading of the channel's column in a recording: `force_left_n`, `displacement_counts`, `drive_deg`.
    pub fn heading(&self) -> String {
        let quantity = match self.quantity {
            ChannelQuantity::Force => "force",
            ChannelQuantity::Displacement => "displacement",
            ChannelQuantity::Drive => "drive",
        };
        let side = self.side.map_or(String::new(), |s| format!("{s}_"));
        format!("{quantity}_{side}{}", self.unit.to_lowercase())
    }
}

/// One sample of every channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Seconds on the device's clock since the first sample after connecting, its wraps undone. Strictly increasing.
    pub time_s: f64,
    /// When its bytes reached this computer.
    pub arrived: Instant,
    /// In the units of the channels; NaN where the device gave none. Only as many as the station has channels.
    pub values: [f64; MAX_CHANNELS],
}

/// Quality of the line since it was opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LineCounts {
    /// Frames that were complete and correct.
    pub good: u64,
    /// Byte sequences between delimiters that were no correct frame.
    pub bad: u64,
    /// Frames that the sequence numbers say are missing.
    pub lost: u64,
    /// Correct frames that were dropped because they came twice or after their successor.
    pub late: u64,
    /// Times that the device went away and came back.
    pub reconnected: u64,
}

/// What a line reports, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum LineEvent {
    /// A device said what it is. Comes again after a reconnect; `time_s` then starts over.
    Connected(Station),
    /// Samples in order.
    Samples(Vec<Sample>),
    /// Quality of the line; a few times a second, and when something got worse.
    Counts(LineCounts),
    /// The device went away; it is looked for again until it comes back. In words, for a person.
    Gone(String),
    /// The port cannot be used at all, and why. Nothing comes after it.
    Failed(String),
}
