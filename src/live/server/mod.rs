//! The local page's server: one thread, loopback unless told otherwise, frames out and commands in.

mod addresses;
pub mod answering;
pub mod connections;
mod end_asked;
pub mod guarded;
mod page_stream;
mod server_thread;

pub use crate::live::guard::new_token;
pub use addresses::{address_here, addresses_in_the_room};
pub use end_asked::EndAsked;
pub use page_stream::PageStream;
pub use server_thread::{Served, ServerThread};

use crate::live::control::Command;
use crate::live::guard::RequestGuard;
use crate::live::view::{AlarmView, LiveView};
use crate::error::Result;
use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use connections::{ConnectionId, ConnectionLimits, REQUEST_TIME};
use guarded::{CSS, DRAWING, HTML, ICON, JAVASCRIPT, PageFile, SVG, WORDS, check, file, listen, text};
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Instant;

/// Commands that may wait.
const MAX_COMMANDS: usize = 64;
/// Longest body of a command, in bytes.
const MAX_COMMAND_BYTES: usize = 512;
/// Modules that every page of a running recording is made of.
pub mod live_files {
    pub const STREAM: &str = include_str!("../page/stream.js");
    pub const KEYS: &str = include_str!("../page/keys.js");
    pub const STRIP: &str = include_str!("../page/strip.js");
    pub const CURVE: &str = include_str!("../page/curve.js");
    pub const SUMMARY: &str = include_str!("../page/summary.js");
    pub const ESTIMATE: &str = include_str!("../page/estimate.js");
    pub const ALARM: &str = include_str!("../page/alarm.js");
}

/// Files of the page, in the program itself.
const FILES: &[PageFile] = &[
    ("/", HTML, include_str!("../page/page.html")),
    ("/page.css", CSS, include_str!("../page/page.css")),
    ("/main.js", JAVASCRIPT, include_str!("../page/main.js")),
    ("/stream.js", JAVASCRIPT, live_files::STREAM),
    ("/words.js", JAVASCRIPT, WORDS),
    ("/draw.js", JAVASCRIPT, DRAWING),
    ("/keys.js", JAVASCRIPT, live_files::KEYS),
    ("/strip.js", JAVASCRIPT, live_files::STRIP),
    ("/curve.js", JAVASCRIPT, live_files::CURVE),
    ("/estimate.js", JAVASCRIPT, live_files::ESTIMATE),
    ("/summary.js", JAVASCRIPT, live_files::SUMMARY),
    ("/alarm.js", JAVASCRIPT, live_files::ALARM),
    ("/icon.svg", SVG, ICON),
];

/// The running server. Dropping it ends the server and every stream.
pub struct Hub {
    shared: Arc<Shared>,
    /// What people command for on the page, in order.
    pub commands: Receiver<Command>,
    server: ServerThread,
}

struct Shared {
    guard: Arc<RequestGuard>,
    begun: Instant,
    commands: SyncSender<Command>,
    limits: ConnectionLimits,
    stream: PageStream,
}

/// Starts the server; port 0 takes a free one. Other addresses than loopback need a token ([`new_token`]).
///
/// # Errors
/// [`Error::Setting`] without a token where one is needed; [`Error::Io`] when the address cannot be listened on.
///
/// [`Error::Setting`]: crate::Error::Setting
/// [`Error::Io`]: crate::Error::Io
pub fn serve(addr: SocketAddr, token: Option<String>) -> Result<Hub> {
    let (listener, guard) = listen(addr, token)?;
    let (command, commands) = sync_channel(MAX_COMMANDS);
    let shared = Arc::new(Shared {
        guard: Arc::new(guard),
        begun: Instant::now(),
        commands: command,
        limits: ConnectionLimits::of_process(),
        stream: PageStream::default(),
    });
    let served = Arc::new(LivePage(Arc::clone(&shared)));
    Ok(Hub {
        server: ServerThread::start(listener, shared.limits, served)?,
        shared,
        commands,
    })
}

/// The page as it is served.
struct LivePage(Arc<Shared>);

impl Served for LivePage {
    fn app(&self) -> Router {
        Router::new()
            .route("/events", get(events))
            .route("/command", post(command))
            .fallback(get(|request| file(FILES, request)))
            .layer(from_fn_with_state(Arc::clone(&self.0.guard), check))
            .with_state(Arc::clone(&self.0))
    }

    fn is_page(&self, connection: ConnectionId) -> bool {
        self.0.stream.is_shown_on(connection)
    }
}

impl Hub {
    /// Where it listens.
    pub fn addr(&self) -> SocketAddr {
        self.shared.guard.addr()
    }

    /// The address to open on this computer, token included.
    pub fn url(&self) -> String {
        self.shared.guard.url_at(address_here(self.addr()))
    }

    /// The addresses to open on other devices in the room, token included, as [`addresses_in_the_room`].
    pub fn urls_in_the_room(&self) -> Option<Vec<String>> {
        let addresses = addresses_in_the_room(self.addr())?;
        Some(addresses.into_iter().map(|a| self.shared.guard.url_at(a)).collect())
    }

    /// How many pages are open.
    pub fn pages(&self) -> usize {
        self.shared.stream.pages()
    }

    /// What went wrong with the server since the last call, in words.
    pub fn take_faults(&self) -> Vec<String> {
        self.server.take_faults()
    }

    /// Sends a frame to every page, as [`PageStream::publish`].
    pub fn publish(&self, view: &LiveView) {
        self.shared.stream.publish(view, sent_ms(self.shared.begun));
    }

    /// Tells every page at once that the ceiling was crossed, or that it is over.
    pub fn alarm(&self, alarm: &AlarmView) {
        self.shared.stream.alarm(alarm);
    }
}

/// The time since the server began, in ms to a tenth: what a frame is stamped with.
pub fn sent_ms(begun: Instant) -> f64 {
    (begun.elapsed().as_secs_f64() * 1e4).round() / 10.0
}

async fn events(
    State(shared): State<Arc<Shared>>,
    Extension(connection): Extension<ConnectionId>,
) -> Response {
    if shared.stream.pages() >= shared.limits.pages {
        return (StatusCode::SERVICE_UNAVAILABLE, "too many pages are open").into_response();
    }
    shared.stream.open(connection, sent_ms(shared.begun))
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
