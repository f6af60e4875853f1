//! One recording session: a station's line, the monitor that watches it and the recorder that keeps it, coordinated.
//!
//! A [`Session`] has no terminal, page or keyboard of its own. Whoever drives it calls [`Session::advance`] in a loop,
//! passes on [`Command`](crate::acquire::control::Command)s, gets [`SessionEvent`]s the moment they happen, and asks for
//! a [`LiveView`](crate::live::view::LiveView) as often as there is something to draw on. Several sessions can run in
//! one program, each in a thread of its own.

mod coordinator;
mod event;
mod recorder_thread;
mod reference;
mod silent_force;
mod station_channel;
pub mod station_check;
pub mod station_findings;
mod station_rate;

pub use coordinator::{Session, SessionReport, SessionSetup, calibrations_of};
pub use event::SessionEvent;
