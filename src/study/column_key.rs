//! What a column of a trace can be.

use crate::units::Quantity;

/// What a column of a trace is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ColumnKey {
    Time,
    Force,
    ForceLeft,
    ForceRight,
    Displacement,
    DisplacementLeft,
    DisplacementRight,
    Marker,
    DriveDeg,
}

impl ColumnKey {
    /// Every key, in the order of messages.
    pub const ALL: [ColumnKey; 9] = [
        ColumnKey::Time,
        ColumnKey::Force,
        ColumnKey::ForceLeft,
        ColumnKey::ForceRight,
        ColumnKey::Displacement,
        ColumnKey::DisplacementLeft,
        ColumnKey::DisplacementRight,
        ColumnKey::Marker,
        ColumnKey::DriveDeg,
    ];

    /// The key in `[columns]`, and the beginning of our own heading.
    pub fn word(self) -> &'static str {
        match self {
            ColumnKey::Time => "time",
            ColumnKey::Force => "force",
            ColumnKey::ForceLeft => "force_left",
            ColumnKey::ForceRight => "force_right",
            ColumnKey::Displacement => "displacement",
            ColumnKey::DisplacementLeft => "displacement_left",
            ColumnKey::DisplacementRight => "displacement_right",
            ColumnKey::Marker => "marker",
            ColumnKey::DriveDeg => "drive_deg",
        }
    }

    /// The quantity, for columns that have a unit; `marker` and `drive_deg` have a fixed one.
    pub fn quantity(self) -> Option<Quantity> {
        match self {
            ColumnKey::Time => Some(Quantity::Time),
            ColumnKey::Force | ColumnKey::ForceLeft | ColumnKey::ForceRight => Some(Quantity::Force),
            ColumnKey::Displacement | ColumnKey::DisplacementLeft | ColumnKey::DisplacementRight => {
                Some(Quantity::Displacement)
            }
            ColumnKey::Marker | ColumnKey::DriveDeg => None,
        }
    }
}
