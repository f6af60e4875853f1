//! A page of the program's own that asks and is answered: its files, and one answer to each request in JSON.

pub use super::guarded::{CSS, DRAWING, HTML, ICON, JAVASCRIPT, PageFile, SVG, WORDS};

use super::connections::{ConnectionLimits, REQUEST_TIME, serve_connections};
use super::guarded::{check, file, listen, no_thread, text};
use crate::error::Result;
use crate::fault::isolated;
use crate::live::guard::RequestGuard;
use axum::Router;
use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

/// Longest question, in bytes.
const MOST_BYTES: usize = 64 * 1024;

/// An answer in JSON.
#[derive(Debug, Clone, PartialEq)]
pub struct PageAnswer {
    pub kind: AnswerKind,
    pub json: String,
}

/// What an answer comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AnswerKind {
    /// What was asked for.
    Done,
    /// Nothing that is known was asked for, or it cannot be read.
    Unknown,
    /// It does not fit; the answer says why.
    Refused,
    /// Somebody else wrote meanwhile.
    Conflict,
}

impl AnswerKind {
    /// As HTTP has it.
    pub fn status(self) -> StatusCode {
        match self {
            AnswerKind::Done => StatusCode::OK,
            AnswerKind::Unknown => StatusCode::BAD_REQUEST,
            AnswerKind::Refused => StatusCode::UNPROCESSABLE_ENTITY,
            AnswerKind::Conflict => StatusCode::CONFLICT,
        }
    }
}

/// Who answers. Questions may come at the same time, each in a thread of its own.
pub trait Answers: Send + Sync + 'static {
    /// Answers what was asked at `/ask/WHAT` with this body.
    fn answer(&self, what: &str, body: &[u8]) -> PageAnswer;
}

/// A server that listens and does not answer yet.
pub struct AnsweringServer {
    listener: std::net::TcpListener,
    guard: Arc<RequestGuard>,
}

impl AnsweringServer {
    /// Listens; port 0 takes a free one. `token` is asked for on every address.
    ///
    /// # Errors
    /// As [`listen`].
    pub fn new(addr: SocketAddr, token: String) -> Result<AnsweringServer> {
        let (listener, guard) = listen(addr, Some(token))?;
        Ok(AnsweringServer {
            listener,
            guard: Arc::new(guard),
        })
    }

    /// The address to open, token included.
    pub fn url(&self) -> String {
        self.guard.url_at(self.guard.addr())
    }

    /// Answers until the program is ended, or for so long.
    ///
    /// # Errors
    /// [`crate::Error::Io`] when the system will serve nothing.
    pub fn run(self, files: &'static [PageFile], answers: Arc<dyn Answers>, most: Option<Duration>) -> Result<()> {
        let addr = self.guard.addr();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let runtime = runtime.map_err(|e| no_thread(addr, e))?;
        let served: std::io::Result<()> = runtime.block_on(async move {
            let listener = tokio::net::TcpListener::from_std(self.listener)?;
            let app = Router::new()
                .route("/ask/{what}", post(ask).fallback(only_asked))
                .fallback(get(move |request| file(files, request)).fallback(only_asked))
                .layer(from_fn_with_state(self.guard, check))
                .with_state(answers);
            // None of its connections is kept open for long, so none is spared when there are too many.
            let served = serve_connections(listener, app, ConnectionLimits::of_process(), |_| false, |_| {});
            match most {
                Some(most) => drop(tokio::time::timeout(most, served).await),
                None => served.await,
            }
            Ok(())
        });
        served.map_err(|e| no_thread(addr, e))
    }
}

async fn ask(State(answers): State<Arc<dyn Answers>>, request: Request) -> Response {
    if text(request.headers(), header::CONTENT_TYPE.as_str()) != "application/json" {
        return told(StatusCode::UNSUPPORTED_MEDIA_TYPE, "A question is sent as application/json.");
    }
    let what = request.uri().path().trim_start_matches("/ask/").to_owned();
    let body = axum::body::to_bytes(request.into_body(), MOST_BYTES);
    let body = match tokio::time::timeout(REQUEST_TIME, body).await {
        Ok(Ok(body)) => body,
        Ok(Err(_)) => {
            let words = format!("The question is longer than {} KiB: keep or discard some of what is proposed first.", MOST_BYTES / 1024);
            return told(StatusCode::PAYLOAD_TOO_LARGE, &words);
        }
        Err(_) => return told(StatusCode::REQUEST_TIMEOUT, "The question did not arrive whole in time: ask once more."),
    };
    // An analysis takes its time; other questions are answered meanwhile.
    let answered = tokio::task::spawn_blocking(move || isolated(|| answers.answer(&what, &body))).await;
    match answered {
        Ok(Ok(answer)) => {
            let json = [(header::CONTENT_TYPE, "application/json")];
            (answer.kind.status(), json, answer.json).into_response()
        }
        Ok(Err(fault)) => told(StatusCode::INTERNAL_SERVER_ERROR, &format!("{fault}. Please report this line")),
        Err(_) => told(StatusCode::INTERNAL_SERVER_ERROR, "The answer was broken off: ask once more."),
    }
}

async fn only_asked() -> Response {
    told(StatusCode::METHOD_NOT_ALLOWED, "Pages are asked for with GET, questions with POST.")
}

/// A refusal in words, as the page reads them.
fn told(status: StatusCode, words: &str) -> Response {
    let json = serde_json::json!({ "message": words }).to_string();
    (status, [(header::CONTENT_TYPE, "application/json")], json).into_response()
}
