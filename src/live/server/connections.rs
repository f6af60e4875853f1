//! Connections of the page's server: how many there may be, and how long each may keep it waiting.
//!
//! Whoever connects costs the program a descriptor before he has shown that he may. So few are taken that the log, the
//! device and the recordings always find one, and the oldest that shows no page makes room for a new one: somebody who
//! opens a thousand connections and sends nothing pushes out his own.

use crate::fault::ProgramFault;
use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::VecDeque;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::{AbortHandle, JoinSet};

/// A request must have come whole after so long, and the next one on the same connection too.
pub const REQUEST_TIME: Duration = Duration::from_secs(5);
/// Pages at once, where the system gives enough descriptors.
const MOST_PAGES: usize = 24;
/// Connections that show no page.
const MOST_OTHERS: usize = 64;
/// Descriptors that are left to the log, the device, the recordings and the terminal.
const RESERVED: usize = 40;
/// Descriptors of a system that does not say: the least that is usual (macOS).
const USUAL_LIMIT: usize = 256;
/// After the system would give no connection.
const PAUSE: Duration = Duration::from_millis(50);

/// How many connections there may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ConnectionLimits {
    /// That show a page.
    pub pages: usize,
    /// All others.
    pub others: usize,
}

impl ConnectionLimits {
    /// As this process's limit of descriptors allows.
    pub fn of_process() -> ConnectionLimits {
        ConnectionLimits::within(descriptor_limit().unwrap_or(USUAL_LIMIT))
    }

    fn within(descriptors: usize) -> ConnectionLimits {
        let room = descriptors.saturating_sub(RESERVED).max(4);
        let pages = MOST_PAGES.min(room / 2);
        ConnectionLimits {
            pages,
            others: MOST_OTHERS.min(room - pages),
        }
    }
}

/// The limit of open files that this process runs under, where the system tells it in a file.
fn descriptor_limit() -> Option<usize> {
    let limits = std::fs::read_to_string("/proc/self/limits").ok()?;
    let line = limits.lines().find_map(|l| l.strip_prefix("Max open files"))?;
    line.split_whitespace().next()?.parse().ok()
}

/// One connection; requests carry it as an extension.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ConnectionId(u64);

/// Takes connections without end. `is_page` says which of them show a page, `on_fault` hears of faults of the program that
/// ended one.
pub async fn serve_connections(
    listener: TcpListener,
    app: Router,
    limits: ConnectionLimits,
    is_page: impl Fn(ConnectionId) -> bool,
    on_fault: impl Fn(ProgramFault),
) {
    let mut tasks = JoinSet::new();
    let mut open: VecDeque<(ConnectionId, AbortHandle)> = VecDeque::new();
    let mut next = 0;
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            Some(ended) = tasks.join_next() => {
                if ended.is_err_and(|e: tokio::task::JoinError| e.is_panic()) {
                    on_fault(ProgramFault::elsewhere());
                }
                continue;
            }
        };
        open.retain(|(_, task)| !task.is_finished());
        let others = open.iter().filter(|(id, _)| !is_page(*id)).count();
        // Without a descriptor for it nobody could be answered any more.
        if (accepted.is_err() || others >= limits.others)
            && let Some(oldest) = open.iter().position(|(id, _)| !is_page(*id))
            && let Some((_, task)) = open.remove(oldest)
        {
            task.abort();
        }
        match accepted {
            Ok((stream, _)) => {
                let id = ConnectionId(next);
                next += 1;
                open.push_back((id, tasks.spawn(connection(stream, app.clone(), id))));
                // What has come on it is read before further ones can push it out.
                tokio::task::yield_now().await;
            }
            Err(_) => tokio::time::sleep(PAUSE).await,
        }
    }
}

async fn connection(stream: TcpStream, app: Router, id: ConnectionId) {
    // A frame is small and must not wait for the next one.
    let _ = stream.set_nodelay(true);
    let service = TowerToHyperService::new(app.layer(Extension(id)));
    // How a connection ends is its own affair: the browser comes back by itself.
    let _ = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(REQUEST_TIME)
        .serve_connection(TokioIo::new(stream), service)
        .await;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn descriptors_are_left_for_everything_else() {
        let within = |n| {
            let limits = ConnectionLimits::within(n);
            (limits.pages, limits.others)
        };
        assert_eq!(within(1024), (24, 64));
        assert_eq!(within(256), (24, 64));
        assert_eq!(within(64), (12, 12));
        assert_eq!(within(16), (2, 2));
    }
}
