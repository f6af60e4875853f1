//! Keeps what a station sends: one recording a step of the plan, calls, and what the ceiling alarm saw.
//!
//! [`Recorder`] has no thread and no clock of its own: samples, commands and the time are given to it. The order in which
//! it writes is such that a kill at any moment leaves at most the last second unwritten:
//!
//! 1. the sidecar, whole, with `status = "open"`;
//! 2. the trace, under its final name and never over another file: headings, then whole lines, handed to the system every
//!    250 ms and forced to the disk every second, in a thread of its own: a slow disk makes that second longer, which is
//!    said, and holds up nothing else;
//! 3. at the end the trace's hash in SHA256SUMS, then the sidecar again, whole, with `status = "complete"` and what was
//!    counted.
//!
//! Nothing is ever added to a recording that was closed: after a device came back, a new one begins.

pub mod calls;
pub mod columns;
pub mod prior;
pub mod lock;
pub mod file_names;
pub mod disk;
mod open_recording;
pub mod over_ceiling;
pub mod append;
pub mod estimates;
mod given;
pub mod sessions;
mod sums;
mod taken_back;
mod written_sidecar;
pub mod trace_file;
mod assigned;
mod plan_cursor;

mod engine;
mod request;

pub use engine::Recorder;
pub use sums::{FOLDER, SUMS, line_of};
pub use plan_cursor::{PlanCursor, PlanStop};
pub use request::RecordingRequest;

use std::path::Path;

/// Now, by the clock on the wall, with its offset from universal time: `2026-09-14T10:02:31.250+02:00`.
pub fn stamp() -> String {
    let now = jiff::ZonedDateTime::now();
    now.strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string()
}

/// Forces a folder's list of names to the disk, where the system can.
fn sync_folder(folder: &Path) {
    // Some systems cannot open a folder; the names are then on the disk a little later.
    if let Ok(folder) = std::fs::File::open(folder) {
        let _ = folder.sync_all();
    }
}
