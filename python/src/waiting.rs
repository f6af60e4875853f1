//! Work on other threads while Python's own looks after Ctrl-C and progress.

use crate::errors::raised;
use pyo3::exceptions::PyRuntimeError;
use pyo3::prelude::*;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;
use tautpoint::Error;

/// How long Python's thread waits before it looks again.
const LOOK: Duration = Duration::from_millis(50);

/// What work that can be stopped is given.
pub struct Watch {
    stop: AtomicBool,
    done: AtomicUsize,
    of: AtomicUsize,
}

impl Watch {
    /// Set once the work should end.
    pub fn stop(&self) -> &AtomicBool {
        &self.stop
    }

    /// Says how much is done.
    pub fn tell(&self, done: usize, of: usize) {
        self.of.store(of, Ordering::Relaxed);
        self.done.fetch_max(done, Ordering::Relaxed);
    }
}

/// Does work on another thread without the interpreter's lock. Python's thread calls `progress` when something more is done; a
/// signal, or an exception of `progress`, stops the work and is what is raised.
pub fn watched<T: Send>(
    py: Python<'_>,
    progress: Option<&Bound<'_, PyAny>>,
    work: impl FnOnce(&Watch) -> Result<T, Error> + Send,
) -> PyResult<T> {
    let watch = Watch {
        stop: AtomicBool::new(false),
        done: AtomicUsize::new(0),
        of: AtomicUsize::new(0),
    };
    let (sender, mut receiver) = channel();
    let (result, interrupted) = std::thread::scope(|scope| {
        let watch = &watch;
        scope.spawn(move || {
            let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| work(watch)));
            // Nobody waits any more only when Python's thread has panicked.
            let _ = sender.send(done);
        });
        let (mut told, mut interrupted) = (0, None);
        loop {
            let receiver = &mut receiver;
            let received = py.detach(move || receiver.recv_timeout(LOOK));
            if interrupted.is_none() {
                let looked = py.check_signals().and_then(|()| tell(progress, watch, &mut told));
                if let Err(error) = looked {
                    watch.stop.store(true, Ordering::Relaxed);
                    interrupted = Some(error);
                }
            }
            match received {
                Ok(done) => return (Some(done), interrupted),
                Err(RecvTimeoutError::Disconnected) => return (None, interrupted),
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    });
    if let Some(error) = interrupted {
        return Err(error);
    }
    match result {
        Some(Ok(done)) => done.map_err(|error| raised(py, &error)),
        _ => Err(fault()),
    }
}

/// A panic of the library: a fault of the program, that ends nothing but this call.
pub fn fault() -> PyErr {
    PyRuntimeError::new_err("a fault of the program; please report it with what was given to it")
}

fn tell(progress: Option<&Bound<'_, PyAny>>, watch: &Watch, told: &mut usize) -> PyResult<()> {
    let done = watch.done.load(Ordering::Relaxed);
    if let Some(progress) = progress.filter(|_| done > *told) {
        *told = done;
        progress.call1((done, watch.of.load(Ordering::Relaxed)))?;
    }
    Ok(())
}
