//! Recording: nothing is lost when something fails, and what is kept is what was pressed.

#[path = "record/bench.rs"]
mod bench;
#[path = "record/recorder.rs"]
mod recorder;
#[path = "record/faults.rs"]
mod faults;
#[path = "record/program.rs"]
mod program;
#[path = "record/session.rs"]
mod session;
#[path = "record/scan.rs"]
mod scan;
#[cfg(unix)]
#[path = "record/terminal.rs"]
mod terminal;
