//! The words of the field, each a type: levels of the spine, sides, contacts, calls. Text is parsed into them at the
//! door and printed at the end; in between nothing compares text.

mod change;
pub(crate) mod closed;
mod day;
mod free;
mod hand;
mod keys;
mod level;
mod line_of_drive;
mod person;
mod side;

pub use change::ChangeWord;
pub use closed::Term;
pub(crate) use closed::closed_terms;
pub use day::{Day, is_moment, looks_like_a_day, now};
pub use free::{Landmark, Posture};
pub use hand::Contact;
pub use keys::{ScanKey, SessionKey, TestKey};
pub use level::{Level, Region, covered_label};
pub use line_of_drive::LineOfDrive;
pub use person::{Feedback, Felt, Given, RecordingStatus, Role};
pub use side::{Side, StepSide};
