//! The over-ceiling log: every time the sum of all contacts was over the ceiling, in practice too.

use super::append::append_row;
use super::disk::Disk;
use crate::error::Result;
use crate::terms::{Level, Region};
use std::path::Path;

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = "over-ceiling.csv";

/// One time over the ceiling.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OverCeiling {
    /// When it began, by the clock on the wall.
    pub time: String,
    /// Where no level is known, so is no region.
    pub region: Option<Region>,
    pub level: Option<Level>,
    pub peak_n: f64,
    pub ceiling_n: f64,
    pub duration_s: f64,
    /// Code of the examiner.
    pub examiner: Option<String>,
}

/// Adds a line; on the disk when this returns.
///
/// # Errors
/// [`crate::error::Error::Refused`] when somebody gave the file other headings, [`crate::error::Error::Io`] when the
/// system will not write.
pub fn append(disk: &dyn Disk, root: &Path, over: &OverCeiling) -> Result<()> {
    let (peak, ceiling) = (format!("{:.1}", over.peak_n), over.ceiling_n.to_string());
    let duration = format!("{:.3}", over.duration_s);
    let cells = [
        ("time", over.time.as_str()),
        ("region", over.region.map_or("", Region::word)),
        ("level", over.level.map_or("", Level::word)),
        ("peak_n", peak.as_str()),
        ("ceiling_n", ceiling.as_str()),
        ("duration_s", duration.as_str()),
        ("examiner", over.examiner.as_deref().unwrap_or_default()),
    ];
    append_row(disk, &root.join(FILE_NAME), &cells, &["time", "peak_n"])
}

#[cfg(test)]
mod tests {
    use super::super::disk::FileDisk;
    use super::*;

    #[test]
    fn each_time_over_the_ceiling_is_a_line() {
        let dir = tempfile::tempdir().unwrap();
        let over = OverCeiling {
            time: "2026-09-14T10:02:31.250+02:00".to_owned(),
            region: Some(Region::Lumbar),
            level: Some(Level::L3),
            peak_n: 181.04,
            ceiling_n: 175.0,
            duration_s: 0.212,
            examiner: Some("=L,1".to_owned()),
        };
        append(&FileDisk, dir.path(), &over).unwrap();
        append(&FileDisk, dir.path(), &OverCeiling::default()).unwrap();
        let text = std::fs::read_to_string(dir.path().join(FILE_NAME)).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(
            lines,
            [
                "time,region,level,peak_n,ceiling_n,duration_s,examiner",
                "2026-09-14T10:02:31.250+02:00,lumbar,L3,181.0,175,0.212,\"=L,1\"",
                ",,,0.0,0,0.000,"
            ]
        );
    }
}
