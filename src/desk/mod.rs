//! The whole class from a browser: a study made and filled, several stations at once, a page at each table, one for the
//! room, and what comes after.
//!
//! A [`Desk`] holds one study, the lock of its folder, and a [`table::ClassTable`] for each station: a thread that drives a
//! [`Session`](crate::session::Session) of its own, so that none can disturb another. Its pages ask questions
//! ([`asked`]); what they may ask is settled by whose token they carry ([`access`]). Everything is written to the files that
//! the command line writes, by the same code; what takes long is done by this same program in a process of its own
//! ([`work`]), which cannot hold up an alarm.

pub mod access;
mod answers;
mod asked;
mod class_file;
mod health;
mod home;
mod new_study;
mod opened;
mod pages;
mod people;
mod prompt;
mod qr;
mod room;
pub mod server;
mod study_form;
mod study_toml;
mod table;
mod views;
mod work;

pub use home::{Desk, DeskOptions};
pub use room::RoomTable;
pub use new_study::{NewStudy, make_study};
pub use work::{PROGRESS_LINE, PROGRESS_VARIABLE};
