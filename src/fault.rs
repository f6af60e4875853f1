//! Faults of the program itself: a panic in the work on one input costs that input alone.
//!
//! Nothing here tells users the words of a panic. They are written for programmers, may quote the data and name paths
//! of whoever built the program.

use crate::error::Problem;
use std::cell::{Cell, RefCell};
use std::fmt;
use std::panic::{AssertUnwindSafe, PanicHookInfo, catch_unwind};

thread_local! {
    /// How many pieces of work this thread has isolated, one within the other.
    static DEPTH: Cell<u32> = const { Cell::new(0) };
    static PLACE: RefCell<Option<String>> = const { RefCell::new(None) };
}

/// A panic that was caught.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProgramFault {
    /// File and line in this crate's sources; `None` for a library's.
    place: Option<String>,
}

impl ProgramFault {
    /// One that was caught by a library, which does not tell where it was.
    pub fn elsewhere() -> ProgramFault {
        ProgramFault { place: None }
    }

    /// What it means for the input that was worked on.
    pub fn problem(&self, file: &str) -> Problem {
        Problem::error(
            file,
            format!("contents that the program cannot work with ({self})"),
            "a recording that the program can work through",
            "it is left out and the others stand; check its columns and units, and report this line with the file if \
             you can",
        )
    }
}

impl fmt::Display for ProgramFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.place {
            Some(place) => write!(f, "a fault of the program at {place}"),
            None => f.write_str("a fault of the program in a library"),
        }
    }
}

/// Does the work; a panic in it becomes a [`ProgramFault`]. What the work borrows mutably must not be relied on afterwards.
///
/// # Errors
/// The fault, when the work panics.
pub fn isolated<T>(work: impl FnOnce() -> T) -> Result<T, ProgramFault> {
    DEPTH.set(DEPTH.get() + 1);
    PLACE.take();
    let done = catch_unwind(AssertUnwindSafe(work));
    DEPTH.set(DEPTH.get() - 1);
    // What was thrown may panic again when it is dropped.
    done.map_err(|thrown| {
        std::mem::forget(thrown);
        ProgramFault { place: PLACE.take() }
    })
}

/// Whether this thread is in isolated work: a panic now is caught, and the program goes on.
pub fn is_isolated() -> bool {
    DEPTH.get() > 0
}

/// Keeps the program from printing panics in the words of the language's runtime. A panic in isolated work prints
/// nothing, since whoever isolated it names it; nor does one in a thread of a pool, which carries it to the one that
/// waits. Any other is named in one line.
pub fn speak_plainly() {
    std::panic::set_hook(Box::new(|panic| {
        let fault = ProgramFault {
            place: place_in_crate(panic),
        };
        if DEPTH.get() > 0 {
            PLACE.set(fault.place);
        } else if rayon::current_thread_index().is_none() {
            use std::io::Write;
            let _ = writeln!(std::io::stderr(), "error: {fault}; report this line");
        }
    }));
}

fn place_in_crate(panic: &PanicHookInfo<'_>) -> Option<String> {
    let at = panic.location()?;
    let file = at.file();
    let own = file.starts_with("src/") || file.starts_with("src\\");
    own.then(|| format!("{file}, line {}", at.line()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_costs_its_own_work_alone_and_its_words_are_not_told() {
        let secret = "12.3 N of subject S7";
        let fault = isolated(|| -> u8 { panic!("{secret}") }).unwrap_err();
        let told = fault.problem("a.csv").to_string();
        assert!(!told.contains("S7") && told.starts_with("a.csv: found "), "{told}");
        assert_eq!(isolated(|| 1), Ok(1));
    }

    #[test]
    fn one_within_the_other_ends_with_its_own() {
        let outer = isolated(|| isolated(|| panic!("inner")).map_err(|_| ()));
        assert_eq!(outer, Ok(Err::<(), ()>(())));
        assert_eq!(DEPTH.get(), 0);
    }
}
