//! The local page's server: one thread, loopback unless told otherwise, frames out and commands in.

mod addresses;
pub mod answering;
mod connections;
mod guarded;

pub use crate::live::guard::new_token;

use crate::live::control::Command;
use addresses::own_addresses;
use connections::{ConnectionId, ConnectionLimits, REQUEST_TIME, serve_connections};
use guarded::{CSS, DRAWING, HTML, ICON, JAVASCRIPT, PageFile, SVG, WORDS, check, file, listen, no_thread, text};
use crate::live::guard::RequestGuard;
use crate::live::strip::StripPart;
use crate::live::summary::TestView;
use crate::live::view::{AlarmView, LiveView};
use crate::error::Result;
use crate::fault::isolated;
use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use serde::Serialize;
use std::collections::VecDeque;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};
use tokio_stream::StreamExt;
use tokio_stream::wrappers::ReceiverStream;

/// Frames that a page may fall behind before it is cut off; it comes back by itself and gets the whole strip.
const MAX_FRAMES_BEHIND: usize = 90;
/// Strip kept for a page that comes later, in s.
const HISTORY_S: f64 = 14.0;
/// Commands that may wait.
const MAX_COMMANDS: usize = 64;
/// Between two starts of a server that a fault of the program ended.
const START_AGAIN: Duration = Duration::from_millis(500);
/// Longest body of a command, in bytes.
const MAX_COMMAND_BYTES: usize = 512;
/// How soon a page that lost the stream comes back, in ms.
const RETRY_MS: u32 = 500;

/// Files of the page, in the program itself.
const FILES: &[PageFile] = &[
    ("/", HTML, include_str!("../page/page.html")),
    ("/page.css", CSS, include_str!("../page/page.css")),
    ("/main.js", JAVASCRIPT, include_str!("../page/main.js")),
    ("/stream.js", JAVASCRIPT, include_str!("../page/stream.js")),
    ("/words.js", JAVASCRIPT, WORDS),
    ("/draw.js", JAVASCRIPT, DRAWING),
    ("/strip.js", JAVASCRIPT, include_str!("../page/strip.js")),
    ("/curve.js", JAVASCRIPT, include_str!("../page/curve.js")),
    ("/estimate.js", JAVASCRIPT, include_str!("../page/estimate.js")),
    ("/summary.js", JAVASCRIPT, include_str!("../page/summary.js")),
    ("/alarm.js", JAVASCRIPT, include_str!("../page/alarm.js")),
    ("/icon.svg", SVG, ICON),
];

/// The running server. Dropping it ends the server and every stream.
pub struct Hub {
    shared: Arc<Shared>,
    /// What people command for on the page, in order.
    pub commands: Receiver<Command>,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

struct Shared {
    guard: Arc<RequestGuard>,
    addr: SocketAddr,
    begun: Instant,
    commands: SyncSender<Command>,
    limits: ConnectionLimits,
    inner: Mutex<Inner>,
    /// What went wrong with the server, in words, until somebody has taken it.
    faults: Mutex<Vec<String>>,
}

#[derive(Default)]
struct Inner {
    pages: Vec<OpenPage>,
    frame: Option<Bytes>,
    /// As sent, and what it was made from.
    last: Option<(Arc<TestView>, Bytes)>,
    history: VecDeque<StripPart>,
    /// When the view sent last was made.
    made: Option<Instant>,
}

/// A page that is shown.
struct OpenPage {
    connection: ConnectionId,
    frames: mpsc::Sender<Bytes>,
}

/// A frame with when it was sent, so that a page notices when it falls behind.
#[derive(Serialize)]
struct Frame<'a> {
    sent_ms: f64,
    #[serde(flatten)]
    view: &'a LiveView,
}

/// Starts the server; port 0 takes a free one. Other addresses than loopback need a token ([`new_token`]).
///
/// # Errors
/// [`Error::Setting`] without a token where one is needed; [`Error::Io`] when the address cannot be listened on.
pub fn serve(addr: SocketAddr, token: Option<String>) -> Result<Hub> {
    let (listener, guard) = listen(addr, token)?;
    let (command, commands) = sync_channel(MAX_COMMANDS);
    let shared = Arc::new(Shared {
        addr: guard.addr(),
        guard: Arc::new(guard),
        begun: Instant::now(),
        commands: command,
        limits: ConnectionLimits::of_process(),
        inner: Mutex::default(),
        faults: Mutex::default(),
    });
    let (stop, stopped) = oneshot::channel();
    let of_thread = Arc::clone(&shared);
    let thread = std::thread::Builder::new()
        .name("live page".to_owned())
        .spawn(move || run_on(&listener, &of_thread, stopped))
        .map_err(|e| no_thread(addr, e))?;
    Ok(Hub {
        shared,
        commands,
        stop: Some(stop),
        thread: Some(thread),
    })
}

/// Serves to the end; a fault of the program in the server is named, and the server started anew.
fn run_on(listener: &std::net::TcpListener, shared: &Arc<Shared>, mut stopped: oneshot::Receiver<()>) {
    loop {
        let served = isolated(|| run(listener, shared, &mut stopped));
        shared.fault(match served {
            Ok(Ok(())) => return,
            Ok(Err(error)) => format!("the live page cannot be served ({error}); it is tried again"),
            Err(fault) => {
                format!("{fault} ended the live page's server; it is started anew. Please report this line")
            }
        });
        std::thread::sleep(START_AGAIN);
    }
}

fn run(
    listener: &std::net::TcpListener,
    shared: &Arc<Shared>,
    stopped: &mut oneshot::Receiver<()>,
) -> std::io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async move {
        let listener = tokio::net::TcpListener::from_std(listener.try_clone()?)?;
        let app = Router::new()
            .route("/events", get(events))
            .route("/command", post(command))
            .fallback(get(|request| file(FILES, request)))
            .layer(from_fn_with_state(Arc::clone(&shared.guard), check))
            .with_state(Arc::clone(shared));
        let is_page = |id| shared.lock().pages.iter().any(|p| p.connection == id);
        let on_fault = |fault| {
            shared.fault(format!(
                "{fault} ended an answer of the live page's server. Please report this line"
            ));
        };
        tokio::select! {
            () = serve_connections(listener, app, shared.limits, is_page, on_fault) => {}
            _ = stopped => tokio::time::sleep(Duration::from_millis(60)).await,
        }
        Ok(())
    })
}

impl Hub {
    /// Where it listens.
    pub fn addr(&self) -> SocketAddr {
        self.shared.addr
    }

    /// The address to open on this computer, token included.
    pub fn url(&self) -> String {
        let mut here = self.shared.addr;
        if here.ip().is_unspecified() {
            here.set_ip(match here {
                SocketAddr::V4(_) => Ipv4Addr::LOCALHOST.into(),
                SocketAddr::V6(_) => Ipv6Addr::LOCALHOST.into(),
            });
        }
        self.shared.guard.url_at(here)
    }

    /// The addresses to open on other devices in the room, token included; `None` when only this computer can reach the
    /// page. Empty when this computer is on no network.
    pub fn urls_in_the_room(&self) -> Option<Vec<String>> {
        let addr = self.shared.addr;
        if addr.ip().is_loopback() {
            return None;
        }
        let own = match addr.ip().is_unspecified() {
            true => own_addresses(addr.is_ipv6()),
            false => vec![addr.ip()],
        };
        let urls = own
            .into_iter()
            .map(|ip| self.shared.guard.url_at(SocketAddr::new(ip, addr.port())));
        Some(urls.collect())
    }

    /// How many pages are open.
    pub fn pages(&self) -> usize {
        let mut inner = self.shared.lock();
        inner.pages.retain(|p| !p.frames.is_closed());
        inner.pages.len()
    }

    /// What went wrong with the server since the last call, in words.
    pub fn take_faults(&self) -> Vec<String> {
        std::mem::take(&mut *self.shared.faults.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Sends a frame to every page; the last test beside it when it changed. A view may be sent again when nothing new
    /// came: it is then older, and its strip is not drawn twice.
    pub fn publish(&self, view: &LiveView) {
        let sent_ms = self.shared.sent_ms();
        let frame = |view: &LiveView| event("frame", &Frame { sent_ms, view });
        let mut inner = self.shared.lock();
        let view = view.clone().aged();
        let again = inner.made.replace(view.made) == Some(view.made);
        if !again {
            inner.remember(&view);
        }
        let changed = match (&inner.last, &view.last) {
            (None, None) => false,
            (Some((old, _)), Some(new)) => !Arc::ptr_eq(old, new),
            _ => true,
        };
        if changed {
            let last = event("last", &view.last.as_deref());
            inner.last = view.last.clone().map(|v| (v, last.clone()));
            inner.send(&last);
        }
        let whole = (!again).then(|| frame(&view));
        // For a page that comes later: the frame as it was, its strip comes from the history.
        let bare = frame(&LiveView {
            strip: view.strip.as_ref().map(|s| StripPart {
                from: s.from + s.time_s.len() as u64,
                ..StripPart::default()
            }),
            ..view
        });
        inner.send(whole.as_ref().unwrap_or(&bare));
        inner.frame = Some(bare);
    }

    /// Tells every page at once that the ceiling was crossed, or that it is over.
    pub fn alarm(&self, alarm: &AlarmView) {
        let told = event("alarm", alarm);
        self.shared.lock().send(&told);
    }
}

impl Drop for Hub {
    fn drop(&mut self) {
        if let Some(stop) = self.stop.take() {
            let _ = stop.send(());
        }
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl Shared {
    /// A panic elsewhere leaves the pages as they are: nothing here is half done.
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn fault(&self, words: String) {
        self.faults
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(words);
    }

    fn sent_ms(&self) -> f64 {
        (self.begun.elapsed().as_secs_f64() * 1e4).round() / 10.0
    }
}

impl Inner {
    fn send(&mut self, bytes: &Bytes) {
        self.pages
            .retain(|page| page.frames.try_send(bytes.clone()).is_ok());
    }

    /// What was hidden is not shown to whoever comes later either.
    fn remember(&mut self, view: &LiveView) {
        let Some(part) = &view.strip else {
            self.history.clear();
            return;
        };
        if part.time_s.is_empty() {
            return;
        }
        let newest = part.time_s.last().copied().unwrap_or(0.0);
        self.history.push_back(part.clone());
        let old = |p: &StripPart| {
            let end = p.time_s.last().copied().unwrap_or(0.0);
            newest - end > HISTORY_S || end > newest
        };
        while self.history.front().is_some_and(old) {
            self.history.pop_front();
        }
    }

    /// What a page that has just come needs: retry time, strip so far, last test, newest frame.
    fn welcome(&self, sent_ms: f64) -> Bytes {
        let mut text = format!("retry: {RETRY_MS}\n\n").into_bytes();
        text.extend_from_slice(&event("welcome", &serde_json::json!({ "sent_ms": sent_ms })));
        for part in &self.history {
            text.extend_from_slice(&event("strip", part));
        }
        match &self.last {
            Some((_, last)) => text.extend_from_slice(last),
            None => text.extend_from_slice(&event("last", &None::<TestView>)),
        }
        if let Some(frame) = &self.frame {
            text.extend_from_slice(frame);
        }
        text.into()
    }
}

/// One server-sent event. JSON has no raw line feeds, so one data line holds it.
fn event(name: &str, data: &impl Serialize) -> Bytes {
    let data = serde_json::to_string(data).unwrap_or_else(|_| "null".to_owned());
    format!("event: {name}\ndata: {data}\n\n").into()
}

async fn events(
    State(shared): State<Arc<Shared>>,
    Extension(connection): Extension<ConnectionId>,
) -> Response {
    let (page, frames) = mpsc::channel(MAX_FRAMES_BEHIND);
    let mut inner = shared.lock();
    inner.pages.retain(|p| !p.frames.is_closed());
    if inner.pages.len() >= shared.limits.pages {
        return (StatusCode::SERVICE_UNAVAILABLE, "too many pages are open").into_response();
    }
    // Under the lock: no frame can fall between the history and the stream.
    let welcome = inner.welcome(shared.sent_ms());
    if page.try_send(welcome).is_ok() {
        inner.pages.push(OpenPage {
            connection,
            frames: page,
        });
    }
    drop(inner);
    let stream = ReceiverStream::new(frames).map(Ok::<Bytes, std::convert::Infallible>);
    (
        [(header::CONTENT_TYPE, "text/event-stream")],
        Body::from_stream(stream),
    )
        .into_response()
}

async fn command(State(shared): State<Arc<Shared>>, request: Request) -> Response {
    let json = text(request.headers(), header::CONTENT_TYPE.as_str()) == "application/json";
    let body = axum::body::to_bytes(request.into_body(), MAX_COMMAND_BYTES);
    let body = match tokio::time::timeout(REQUEST_TIME, body).await {
        Ok(Ok(body)) => body,
        Ok(Err(_)) => return (StatusCode::PAYLOAD_TOO_LARGE, "the command is too long").into_response(),
        Err(_) => return (StatusCode::REQUEST_TIMEOUT, "the command did not arrive whole in time").into_response(),
    };
    let command = json
        .then(|| serde_json::from_slice::<Command>(&body).ok())
        .flatten();
    match command {
        None => {
            let why = "unknown command; a call is left, right, even or unsure";
            (StatusCode::BAD_REQUEST, why).into_response()
        }
        Some(command) => match shared.commands.try_send(command) {
            Ok(()) => StatusCode::NO_CONTENT.into_response(),
            Err(_) => (StatusCode::SERVICE_UNAVAILABLE, "too many commands are waiting").into_response(),
        },
    }
}
