//! The system's wish that a program end, and limits that would end it without a word.

use std::io::Result;
use std::thread::JoinHandle;
use tokio::sync::oneshot;

/// Listens until it is dropped.
pub struct EndAsked {
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl EndAsked {
    /// Calls `ended` each time the system asks for the end (on Unix SIGTERM, SIGINT and SIGHUP). A file that would grow over a
    /// limit (SIGXFSZ) is an error of its writer from here on, as on a full disk, and no end of the program.
    ///
    /// # Errors
    /// When the system gives no thread, or takes no wishes.
    pub fn listen(ended: impl Fn() + Send + 'static) -> Result<EndAsked> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let (stop, stopped) = oneshot::channel();
        let thread = std::thread::Builder::new().name("end asked".to_owned()).spawn(move || {
            runtime.block_on(async move {
                tokio::select! {
                    _ = stopped => {}
                    () = wishes(ended) => {}
                }
            });
        })?;
        Ok(EndAsked {
            stop: Some(stop),
            thread: Some(thread),
        })
    }
}

impl Drop for EndAsked {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

#[cfg(unix)]
async fn wishes(ended: impl Fn()) {
    use tokio::signal::unix::{SignalKind, signal};
    // Number of SIGXFSZ on Linux and macOS.
    const FILE_TOO_LARGE: i32 = 25;
    let _limit = signal(SignalKind::from_raw(FILE_TOO_LARGE));
    let (Ok(mut terminate), Ok(mut interrupt), Ok(mut hangup)) = (
        signal(SignalKind::terminate()),
        signal(SignalKind::interrupt()),
        signal(SignalKind::hangup()),
    ) else {
        return std::future::pending().await;
    };
    loop {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
            _ = hangup.recv() => {}
        }
        ended();
    }
}

#[cfg(not(unix))]
async fn wishes(ended: impl Fn()) {
    while tokio::signal::ctrl_c().await.is_ok() {
        ended();
    }
}
