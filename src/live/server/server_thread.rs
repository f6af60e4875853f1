//! A server in a thread of its own, started anew when a fault of the program ends it.

use super::connections::{ConnectionId, ConnectionLimits, serve_connections};
use super::guarded::no_thread;
use crate::error::Result;
use crate::fault::isolated;
use axum::Router;
use std::net::TcpListener;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::oneshot;

/// Between two starts of a server that a fault of the program ended.
const START_AGAIN: Duration = Duration::from_millis(500);
/// What was said last still goes out before the end.
const LAST_WORDS: Duration = Duration::from_millis(60);

/// What it serves.
pub trait Served: Send + Sync + 'static {
    /// Its routes.
    fn app(&self) -> Router;
    /// Whether a connection shows a page, and must not make room for a new one.
    fn is_page(&self, connection: ConnectionId) -> bool;
}

/// A server that runs. Dropping it ends the server and every stream.
pub struct ServerThread {
    faults: Faults,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

/// What went wrong, in words, until somebody has taken it.
type Faults = Arc<Mutex<Vec<String>>>;

impl ServerThread {
    /// Starts it.
    ///
    /// # Errors
    /// [`crate::Error::Io`] when the system gives no thread.
    pub fn start(listener: TcpListener, limits: ConnectionLimits, served: Arc<dyn Served>) -> Result<ServerThread> {
        let addr = listener.local_addr().map_err(|e| no_thread("a page", e))?;
        let (stop, stopped) = oneshot::channel();
        let faults = Faults::default();
        let of_thread = Arc::clone(&faults);
        let thread = std::thread::Builder::new()
            .name("live page".to_owned())
            .spawn(move || run_on(&listener, limits, served.as_ref(), &of_thread, stopped))
            .map_err(|e| no_thread(addr, e))?;
        Ok(ServerThread {
            faults,
            stop: Some(stop),
            thread: Some(thread),
        })
    }

    /// What went wrong with the server since the last call, in words.
    pub fn take_faults(&self) -> Vec<String> {
        std::mem::take(&mut *self.faults.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Drop for ServerThread {
    fn drop(&mut self) {
        if let Some(stop) = self.stop.take() {
            let _ = stop.send(());
        }
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn tell(faults: &Faults, words: String) {
    faults.lock().unwrap_or_else(PoisonError::into_inner).push(words);
}

/// Serves to the end; a fault of the program in the server is named, and the server started anew.
fn run_on(
    listener: &TcpListener,
    limits: ConnectionLimits,
    served: &dyn Served,
    faults: &Faults,
    mut stopped: oneshot::Receiver<()>,
) {
    loop {
        let ended = isolated(|| run(listener, limits, served, faults, &mut stopped));
        tell(
            faults,
            match ended {
                Ok(Ok(())) => return,
                Ok(Err(error)) => format!("the live page cannot be served ({error}); it is tried again"),
                Err(fault) => {
                    format!("{fault} ended the live page's server; it is started anew. Please report this line")
                }
            },
        );
        std::thread::sleep(START_AGAIN);
    }
}

fn run(
    listener: &TcpListener,
    limits: ConnectionLimits,
    served: &dyn Served,
    faults: &Faults,
    stopped: &mut oneshot::Receiver<()>,
) -> std::io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async move {
        let listener = tokio::net::TcpListener::from_std(listener.try_clone()?)?;
        let on_fault = |fault| {
            tell(
                faults,
                format!("{fault} ended an answer of the live page's server. Please report this line"),
            );
        };
        tokio::select! {
            () = serve_connections(listener, served.app(), limits, |id| served.is_page(id), on_fault) => {}
            _ = stopped => tokio::time::sleep(LAST_WORDS).await,
        }
        Ok(())
    })
}
