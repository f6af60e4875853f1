//! Recording: nothing is lost when something fails, and what is kept is what was pressed.

mod bench;
mod disks;
mod disk_faults;
mod endings;
mod rates;
mod recorder;
mod faults;
pub mod program;
mod session;
mod scan;
mod teaching;
#[cfg(target_os = "linux")]
mod strangers;
#[cfg(unix)]
mod terminal;
