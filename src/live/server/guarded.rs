//! What every page of the program's own has in common: where it listens, who may ask, and what it lets in.

use crate::error::{Error, Result};
use crate::live::guard::RequestGuard;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;

/// Nothing but this server's own files; nobody may frame the page; no script in the markup.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'";


/// A file of a page: path, content type, content.
pub type PageFile = (&'static str, &'static str, &'static str);
pub const HTML: &str = "text/html; charset=utf-8";
pub const CSS: &str = "text/css; charset=utf-8";
pub const JAVASCRIPT: &str = "text/javascript; charset=utf-8";
pub const SVG: &str = "image/svg+xml";
/// Axes and ticks.
pub const DRAWING: &str = include_str!("../page/draw.js");
/// Small helpers that turn text into text, never into markup.
pub const WORDS: &str = include_str!("../page/words.js");
pub const ICON: &str = include_str!("../page/icon.svg");

/// Listens, and who may ask there; port 0 takes a free one.
///
/// # Errors
/// [`Error::Setting`] without a token where one is needed; [`Error::Io`] when the address cannot be listened on.
pub fn listen(addr: SocketAddr, token: Option<String>) -> Result<(TcpListener, RequestGuard)> {
    RequestGuard::new(addr, token.clone())?;
    let busy = "another program listens there: choose another port, or 0 for any free one";
    let fault = |e: std::io::Error| Error::io(addr.to_string(), e, busy);
    let listener = TcpListener::bind(addr).map_err(fault)?;
    let bound = listener.local_addr().map_err(fault)?;
    listener.set_nonblocking(true).map_err(fault)?;
    Ok((listener, RequestGuard::new(bound, token)?))
}

/// The system would start no thread for a server.
pub fn no_thread(addr: impl ToString, cause: std::io::Error) -> Error {
    Error::io(addr.to_string(), cause, "close other programs and try again")
}

/// One of a page's files.
pub async fn file(files: &'static [PageFile], request: Request) -> Response {
    let path = request.uri().path();
    match files.iter().find(|f| f.0 == path) {
        Some((_, kind, body)) => ([(header::CONTENT_TYPE, *kind)], *body).into_response(),
        None => (StatusCode::NOT_FOUND, "There is no such page.").into_response(),
    }
}

/// Every request passes here: host, origin, token; and every answer leaves with the same headers.
pub async fn check(State(guard): State<Arc<RequestGuard>>, request: Request, next: Next) -> Response {
    let response = match refused(&guard, &request) {
        Some(refused) => refused,
        None => next.run(request).await,
    };
    with_headers(response)
}

/// An answer as every page of the program leaves: with what it allows its page, unless it says so itself.
pub fn with_headers(mut response: Response) -> Response {
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
    ];
    for (name, value) in fixed {
        let own = response.headers_mut().entry(name);
        own.or_insert(HeaderValue::from_static(value));
    }
    for name in ["cross-origin-resource-policy", "cross-origin-opener-policy"] {
        response
            .headers_mut()
            .insert(name, HeaderValue::from_static("same-origin"));
    }
    response
}

fn refused(guard: &RequestGuard, request: &Request) -> Option<Response> {
    // Following a link is the one thing that may come from elsewhere.
    let page = request.uri().path() == "/" && request.method() == Method::GET;
    if let Some(refused) = strange(guard, request, page) {
        return Some(refused);
    }
    let headers = request.headers();
    if !guard.needs_token() || guard.cookie(text(headers, header::COOKIE.as_str())) {
        return None;
    }
    if page
        && token_given(request).is_some_and(|t| guard.token(t))
        && let Some(cookie) = guard.set_cookie()
    {
        return Some(let_in("/", &cookie));
    }
    Some(refuse(
        "This page needs the whole address that the program printed, with its token.",
    ))
}

/// The token in an address.
pub fn token_given(request: &Request) -> Option<&str> {
    let query = request.uri().query().unwrap_or("");
    query.split('&').find_map(|p| p.strip_prefix("token="))
}

/// Lets a browser in by a cookie: the token leaves the address bar and the history.
pub fn let_in(path: &str, cookie: &str) -> Response {
    let go = [(header::LOCATION, path.to_owned()), (header::SET_COOKIE, cookie.to_owned())];
    (StatusCode::SEE_OTHER, go).into_response()
}

/// Why a request is refused whatever token it has: by another name of this computer, or from another page. `may_be_linked` says
/// that a link from elsewhere may lead there.
pub fn strange(guard: &RequestGuard, request: &Request, may_be_linked: bool) -> Option<Response> {
    let headers = request.headers();
    let host = text(headers, header::HOST.as_str());
    if !guard.host(host) {
        return Some(refuse("Open the page by the address that the program printed."));
    }
    let origin = headers.contains_key(header::ORIGIN);
    let own_origin = guard.origin(text(headers, header::ORIGIN.as_str()), host);
    let posted = request.method() != Method::GET && request.method() != Method::HEAD;
    if (origin || posted) && !own_origin {
        return Some(refuse("Only the page itself may speak to this program."));
    }
    let site = text(headers, "sec-fetch-site");
    if !may_be_linked && !matches!(site, "" | "same-origin" | "none") {
        return Some(refuse("Only the page itself may speak to this program."));
    }
    None
}

/// A refusal in words.
pub fn refuse(words: &'static str) -> Response {
    (
        StatusCode::FORBIDDEN,
        [(header::CONTENT_TYPE, "text/plain; charset=utf-8")],
        words,
    )
        .into_response()
}

/// A header; empty where there is none.
pub fn text<'h>(headers: &'h HeaderMap, name: &str) -> &'h str {
    headers.get(name).and_then(|v| v.to_str().ok()).unwrap_or("")
}
