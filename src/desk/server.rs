//! The desk's pages and their one server.
//!
//! Every request passes [`gate`]: host and origin as for every page of the program, then the token. A token comes once in an
//! address and stays as a cookie for the part of the site that its role may see; the browser sends it nowhere else.

use super::access::{PageRole, TableId, unix_s};
use super::home::Desk;
use super::{pages, qr};
use crate::error::Result;
use crate::live::guard::RequestGuard;
use crate::live::server::answering::{AnswerKind, PageAnswer};
use crate::live::server::connections::{ConnectionId, ConnectionLimits, REQUEST_TIME};
use crate::live::server::guarded::{
    CSS, DRAWING, HTML, ICON, JAVASCRIPT, PageFile, SVG, WORDS, file, let_in, listen, refuse, strange, text, token_given, with_headers,
};
use crate::live::server::{PageStream, Served, ServerThread, new_token, sent_ms};
use crate::live::server::live_files;
use crate::fault::isolated;
use axum::body::Bytes;
use axum::extract::{Path as UrlPath, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;

/// Longest question, in bytes: a pasted class is the longest there is.
const MOST_BYTES: usize = 64 * 1024;
/// Pages of the room, for the teacher and for those who only look each, and of one table, that are open at once.
const MOST_OF_ROOM: usize = 8;
const MOST_OF_TABLE: usize = 3;
/// Largest page or figure of results that is sent.
const MOST_RESULT_BYTES: u64 = 256 << 20;

/// What a page of results may do: its own scripts and styles run in a box without cookies, and reach nothing but figures beside it.
fn result_policy(host: &str) -> String {
    format!(
        "sandbox allow-scripts allow-downloads allow-popups; default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; \
         img-src data: http://{host}/open/; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
}

/// Files that every page shares; they hold nothing that a token guards.
const FILES: &[PageFile] = &[
    ("/icon.svg", SVG, ICON),
    ("/files/words.js", JAVASCRIPT, WORDS),
    ("/files/draw.js", JAVASCRIPT, DRAWING),
    ("/files/keys.js", JAVASCRIPT, live_files::KEYS),
    ("/files/strip.js", JAVASCRIPT, live_files::STRIP),
    ("/files/curve.js", JAVASCRIPT, live_files::CURVE),
    ("/files/summary.js", JAVASCRIPT, live_files::SUMMARY),
    ("/files/estimate.js", JAVASCRIPT, live_files::ESTIMATE),
    ("/files/alarm.js", JAVASCRIPT, live_files::ALARM),
    ("/files/stream.js", JAVASCRIPT, live_files::STREAM),
    ("/files/desk.css", CSS, include_str!("page/desk.css")),
    ("/files/ask.js", JAVASCRIPT, include_str!("page/ask.js")),
    ("/files/teacher.js", JAVASCRIPT, include_str!("page/teacher.js")),
    ("/files/study.js", JAVASCRIPT, include_str!("page/study.js")),
    ("/files/people.js", JAVASCRIPT, include_str!("page/people.js")),
    ("/files/tables.js", JAVASCRIPT, include_str!("page/tables.js")),
    ("/files/after.js", JAVASCRIPT, include_str!("page/after.js")),
    ("/files/room.js", JAVASCRIPT, include_str!("page/room.js")),
    ("/files/table.js", JAVASCRIPT, include_str!("page/table.js")),
    ("/files/place.js", JAVASCRIPT, include_str!("page/place.js")),
];

/// A desk that is served. Dropping it ends every page.
pub struct DeskServer {
    server: ServerThread,
}

struct Pages {
    desk: Arc<Desk>,
    guard: RequestGuard,
}

/// Listens for a desk's pages; port 0 takes a free one. Gives the listener and where it is bound.
///
/// # Errors
/// As [`listen`].
pub fn bind(addr: SocketAddr) -> Result<(TcpListener, SocketAddr)> {
    // The desk asks for tokens of its own everywhere; this one is good for nothing.
    let (listener, guard) = listen(addr, Some(new_token()?))?;
    Ok((listener, guard.addr()))
}

impl DeskServer {
    /// Serves a desk on a listener of [`bind`].
    ///
    /// # Errors
    /// When the system gives no thread or random numbers.
    pub fn start(desk: Arc<Desk>, listener: TcpListener, addr: SocketAddr) -> Result<DeskServer> {
        let limits = ConnectionLimits::of_process();
        let guard = RequestGuard::new(addr, Some(new_token()?))?;
        let pages = Arc::new(PagesServed(Arc::new(Pages { desk, guard })));
        Ok(DeskServer {
            server: ServerThread::start(listener, limits, pages)?,
        })
    }

    /// What went wrong with the server since the last call, in words.
    pub fn take_faults(&self) -> Vec<String> {
        self.server.take_faults()
    }
}

struct PagesServed(Arc<Pages>);

impl Served for PagesServed {
    fn app(&self) -> Router {
        let pages = Arc::clone(&self.0);
        Router::new()
            .route("/ask/{what}", post(teacher_asks))
            .route("/room/events", get(room_events))
            .route("/look/", get(|| async { ([(header::CONTENT_TYPE, HTML)], pages::look()) }))
            .route("/look/events", get(look_events))
            .route("/table/{id}/", get(|| async { ([(header::CONTENT_TYPE, HTML)], pages::table()) }))
            .route("/table/{id}/events", get(table_events))
            .route("/table/{id}/ask/{what}", post(table_asks))
            .route("/square/{word}", get(square))
            .route("/open/{word}/{*path}", get(open))
            .fallback(get(page_or_file))
            .layer(from_fn_with_state(Arc::clone(&pages), gate))
            .with_state(pages)
    }

    fn is_page(&self, connection: ConnectionId) -> bool {
        let desk = &self.0.desk;
        desk.room.teacher.is_shown_on(connection)
            || desk.room.look.is_shown_on(connection)
            || desk.tables().iter().any(|(_, t)| t.stream.is_shown_on(connection))
    }
}

/// Whom a path is for; `None` is for nobody in particular.
fn wanted(path: &str) -> Option<PageRole> {
    if path.starts_with("/files/") || path == "/icon.svg" || path.starts_with("/open/") {
        return None;
    }
    let table = path.strip_prefix("/table/").and_then(|rest| rest.split_once('/')?.0.parse().ok());
    if let Some(id) = table {
        return Some(PageRole::Table(TableId(id)));
    }
    Some(if path.starts_with("/look/") { PageRole::Look } else { PageRole::Teacher })
}

/// Whether a path is a page that somebody opens, so that a link may lead there and a token may come in its address.
fn is_page_path(path: &str) -> bool {
    let table = path.strip_prefix("/table/").and_then(|r| r.strip_suffix('/')).is_some_and(|id| id.parse::<u32>().is_ok());
    table || path == "/look/" || path.starts_with("/open/") || pages::teacher(path).is_some()
}

/// Every request passes here: host, origin, token; and every answer leaves with the same headers.
async fn gate(State(pages): State<Arc<Pages>>, request: Request, next: Next) -> Response {
    let response = match pages.refused(&request) {
        Some(refused) => refused,
        None => next.run(request).await,
    };
    with_headers(response)
}

impl Pages {
    fn refused(&self, request: &Request) -> Option<Response> {
        let path = request.uri().path();
        let page = request.method() == Method::GET && is_page_path(path);
        // Results are read from a box that is a stranger to everything, and by a word that nobody can guess.
        let linked = page || path.starts_with("/open/");
        if let Some(refused) = strange(&self.guard, request, linked) {
            return Some(refused);
        }
        let wanted = wanted(path)?;
        let role = |token: &str| self.desk.role_of(token).filter(|role| role.may(wanted));
        if page
            && let Some(given) = token_given(request)
            && let Some(role) = role(given)
        {
            // A teacher who opens a table's page by the teacher's own token keeps the whole site.
            let lasts_s = self.desk.token(role).map_or(0, |t| t.ends_unix_s.saturating_sub(unix_s()));
            let cookie = format!(
                "{}={given}; Path={}; Max-Age={lasts_s}; HttpOnly; SameSite=Strict",
                self.cookie_name(role),
                role.path()
            );
            return Some(let_in(path, &cookie));
        }
        let cookies = request.headers().get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
        let prefix = self.guard.cookie_name();
        let mut pairs = cookies.flat_map(|c| c.split(';')).filter_map(|p| p.trim().split_once('='));
        if pairs.any(|(name, token)| name.starts_with(&prefix) && role(token).is_some()) {
            return None;
        }
        Some(refuse(match wanted {
            PageRole::Teacher => "This page needs the whole address that the program printed, with its token.",
            PageRole::Look | PageRole::Table(_) => {
                "This address is not, or no longer, good for this page: the teacher has the present one on the page Tables."
            }
        }))
    }

    /// Cookies do not know ports, so the name does.
    fn cookie_name(&self, role: PageRole) -> String {
        format!("{}_{}", self.guard.cookie_name(), role.word())
    }

    /// Opens a stream. Each has places of its own: whoever opens many pages of one table pushes out the oldest of that table.
    fn stream(&self, stream: &PageStream, most: usize, connection: ConnectionId) -> Response {
        stream.make_room(most);
        stream.open(connection, sent_ms(self.desk.begun))
    }
}

async fn room_events(State(pages): State<Arc<Pages>>, Extension(connection): Extension<ConnectionId>) -> Response {
    pages.stream(&pages.desk.room.teacher, MOST_OF_ROOM, connection)
}

async fn look_events(State(pages): State<Arc<Pages>>, Extension(connection): Extension<ConnectionId>) -> Response {
    pages.stream(&pages.desk.room.look, MOST_OF_ROOM, connection)
}

async fn table_events(
    State(pages): State<Arc<Pages>>,
    UrlPath(id): UrlPath<u32>,
    Extension(connection): Extension<ConnectionId>,
) -> Response {
    match pages.desk.table(TableId(id)) {
        Ok(table) => pages.stream(&table.stream, MOST_OF_TABLE, connection),
        Err(error) => (StatusCode::NOT_FOUND, error.to_string()).into_response(),
    }
}

async fn teacher_asks(State(pages): State<Arc<Pages>>, UrlPath(what): UrlPath<String>, request: Request) -> Response {
    let desk = Arc::clone(&pages.desk);
    answered(request, move |body| desk.teacher_asks(&what, body)).await
}

async fn table_asks(State(pages): State<Arc<Pages>>, UrlPath((id, what)): UrlPath<(u32, String)>, request: Request) -> Response {
    let desk = Arc::clone(&pages.desk);
    answered(request, move |body| desk.asked_at_table(TableId(id), &what, body)).await
}

/// Reads a question and answers it where it holds up nobody.
async fn answered(request: Request, answer: impl FnOnce(&[u8]) -> PageAnswer + Send + 'static) -> Response {
    if text(request.headers(), header::CONTENT_TYPE.as_str()) != "application/json" {
        return told(StatusCode::UNSUPPORTED_MEDIA_TYPE, "A question is sent as application/json.");
    }
    let body = axum::body::to_bytes(request.into_body(), MOST_BYTES);
    let body: Bytes = match tokio::time::timeout(REQUEST_TIME, body).await {
        Ok(Ok(body)) => body,
        Ok(Err(_)) => return told(StatusCode::PAYLOAD_TOO_LARGE, "This is longer than 64 KiB: paste it in parts."),
        Err(_) => return told(StatusCode::REQUEST_TIMEOUT, "The question did not arrive whole in time: ask once more."),
    };
    match tokio::task::spawn_blocking(move || isolated(|| answer(&body))).await {
        Ok(Ok(answer)) => {
            let json = [(header::CONTENT_TYPE, "application/json")];
            (status(answer.kind), json, answer.json).into_response()
        }
        Ok(Err(fault)) => told(StatusCode::INTERNAL_SERVER_ERROR, &format!("{fault}. Please report this line")),
        Err(_) => told(StatusCode::INTERNAL_SERVER_ERROR, "The answer was broken off: ask once more."),
    }
}

fn status(kind: AnswerKind) -> StatusCode {
    kind.status()
}

/// A refusal in words, as the pages read them.
fn told(status: StatusCode, words: &str) -> Response {
    let json = serde_json::json!({ "message": words }).to_string();
    (status, [(header::CONTENT_TYPE, "application/json")], json).into_response()
}

/// The square of a role's address.
async fn square(State(pages): State<Arc<Pages>>, UrlPath(word): UrlPath<String>) -> Response {
    let there = |role: &PageRole| match role {
        PageRole::Table(id) => pages.desk.table(*id).is_ok(),
        PageRole::Teacher | PageRole::Look => true,
    };
    let role = PageRole::parse(&word).filter(there);
    let url = role.map(|role| pages.desk.url_in_the_room(role).and_then(|url| qr::svg(&url)));
    match url {
        Some(Ok(svg)) => ([(header::CONTENT_TYPE, SVG)], svg).into_response(),
        Some(Err(error)) => (StatusCode::INTERNAL_SERVER_ERROR, error.to_string()).into_response(),
        None => (StatusCode::NOT_FOUND, "There is no such page.").into_response(),
    }
}

/// A page or figure of results.
async fn open(
    State(pages): State<Arc<Pages>>,
    UrlPath((word, path)): UrlPath<(String, String)>,
    headers: HeaderMap,
) -> Response {
    let missing = || {
        let words = "There is no such result; run it again on the page After.";
        (StatusCode::NOT_FOUND, words).into_response()
    };
    let Some(file) = pages.desk.shelf.file(&word, &path) else {
        return missing();
    };
    // The gate has looked at it: a name of this computer and its port.
    let policy = HeaderValue::from_str(&result_policy(text(&headers, header::HOST.as_str())));
    let read = tokio::task::spawn_blocking(move || {
        let small = file.metadata().is_ok_and(|m| m.len() <= MOST_RESULT_BYTES);
        small
            .then(|| std::fs::read(&file).ok().map(|bytes| (bytes, kind(&file))))
            .flatten()
    });
    match (read.await, policy) {
        (Ok(Some((bytes, kind))), Ok(policy)) => {
            let headers = [
                (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
                (header::CONTENT_SECURITY_POLICY, policy),
            ];
            (headers, bytes).into_response()
        }
        _ => missing(),
    }
}

fn kind(file: &std::path::Path) -> &'static str {
    let ending = file.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    match ending.as_deref() {
        Some("html") => HTML,
        Some("svg") => SVG,
        Some("png") => "image/png",
        Some("csv") => "text/csv; charset=utf-8",
        Some("json") => "application/json",
        Some("toml" | "txt" | "md") => "text/plain; charset=utf-8",
        _ => "application/octet-stream",
    }
}

async fn page_or_file(request: Request) -> Response {
    match pages::teacher(request.uri().path()) {
        Some(page) => ([(header::CONTENT_TYPE, HTML)], page).into_response(),
        None => file(FILES, request).await,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_path_is_for_somebody() {
        let table = |n| Some(PageRole::Table(TableId(n)));
        for (path, role) in [
            ("/", Some(PageRole::Teacher)),
            ("/ask/study", Some(PageRole::Teacher)),
            ("/room/events", Some(PageRole::Teacher)),
            ("/square/table-1", Some(PageRole::Teacher)),
            ("/table/3/", table(3)),
            ("/table/3/ask/begin", table(3)),
            ("/table/3", Some(PageRole::Teacher)),
            ("/table/x/ask/begin", Some(PageRole::Teacher)),
            ("/table/4294967296/", Some(PageRole::Teacher)),
            ("/look/events", Some(PageRole::Look)),
            ("/lookout", Some(PageRole::Teacher)),
            ("/files/words.js", None),
            ("/open/0/report.html", None),
        ] {
            assert_eq!(wanted(path), role, "{path}");
        }
        assert!(is_page_path("/table/3/") && !is_page_path("/table/3/events") && !is_page_path("/ask/study"));
    }
}
