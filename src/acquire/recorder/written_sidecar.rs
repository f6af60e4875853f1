//! The sidecar of a recording as it is written.

use crate::acquire::station::Sample;
use crate::terms::{Contact, Feedback, Given, Landmark, Level, LineOfDrive, Posture, RecordingStatus, Side};
use serde::Serialize;
use std::collections::BTreeMap;

/// A sidecar in the order of its keys.
#[derive(Serialize)]
pub struct WrittenSidecar<'a> {
    pub format: u8,
    pub subject: Option<&'a str>,
    pub examiner: Option<&'a str>,
    pub session: Option<&'a str>,
    pub recorded_at: Option<&'a str>,
    pub device: Option<&'a str>,
    pub recorder_version: &'a str,
    pub level: Option<Level>,
    pub side: Option<Side>,
    pub landmark: Option<&'a Landmark>,
    pub contact: Option<Contact>,
    pub posture: Option<&'a Posture>,
    pub feedback: Option<Feedback>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub feedback_given: Vec<Given>,
    pub cautions: Option<&'a str>,
    pub plan: Option<&'a str>,
    pub status: RecordingStatus,
    pub excluded: Option<&'a str>,
    pub line_of_drive_deg: Option<LineOfDrive>,
    pub trial: Option<u32>,
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    pub covers: &'a [Level],
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub sensor: Vec<&'a str>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub calibration: Vec<&'a str>,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub columns: BTreeMap<&'static str, WrittenColumn>,
    pub line: Option<WrittenLine<'a>>,
}

/// A column whose numbers are multiplied by something; in the file they stay as the device gave them.
#[derive(Serialize)]
pub struct WrittenColumn {
    pub name: String,
    pub unit: String,
    pub gain: f64,
}

/// What was counted on the line.
#[derive(Serialize)]
pub struct WrittenLine<'a> {
    pub rows: u64,
    pub frames_lost: u64,
    pub frames_bad: u64,
    pub frames_late: u64,
    pub reconnected: u64,
    pub tests_seen: Option<u32>,
    pub clock_drift_ppm: Option<f64>,
    pub ended: Option<&'a str>,
}

/// Each text once, in order.
pub fn distinct<'a>(texts: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut distinct: Vec<&str> = Vec::new();
    for text in texts.map(str::trim).filter(|t| !t.is_empty()) {
        if !distinct.contains(&text) {
            distinct.push(text);
        }
    }
    distinct
}

/// How much faster the device's clock ran than this computer's, in parts per million. Given only for a minute or more:
/// the samples arrive some milliseconds early or late.
pub fn drift_ppm(first: &Sample, last: &Sample) -> Option<f64> {
    let host_s = last
        .arrived
        .saturating_duration_since(first.arrived)
        .as_secs_f64();
    (host_s >= 60.0).then(|| ((last.time_s - first.time_s) / host_s - 1.0) * 1e6)
}
