//! What a session reports the moment it happens.

use crate::live::view::AlarmView;

/// Something that happened. None of it holds a measured value that must not be shown now.
#[derive(Debug, Clone, PartialEq)]
pub enum SessionEvent {
    /// The force went over the ceiling: sound the alarm before anything else.
    AlarmBegan(AlarmView),
    /// The force is back under the ceiling.
    AlarmEnded { alarm: AlarmView, duration_s: f64 },
    /// Something that a person should read, once.
    Message(String),
}
