//! One stream of events to the pages that show one thing: a station, a room.

use super::connections::ConnectionId;
use crate::live::strip::StripPart;
use crate::live::summary::TestView;
use crate::live::view::{AlarmView, LiveView};
use axum::body::{Body, Bytes};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;
use tokio::sync::mpsc;
use tokio_stream::StreamExt;
use tokio_stream::wrappers::ReceiverStream;

/// Frames that a page may fall behind before it is cut off; it comes back by itself and gets the whole strip.
const MAX_FRAMES_BEHIND: usize = 90;
/// Strip kept for a page that comes later, in s.
const HISTORY_S: f64 = 14.0;
/// How soon a page that lost the stream comes back, in ms.
const RETRY_MS: u32 = 500;

/// The pages that are open on one stream, and what a page that comes later must be told.
#[derive(Default)]
pub struct PageStream {
    inner: Mutex<Inner>,
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
    /// What holds until it is said anew, by the name of its event.
    states: BTreeMap<&'static str, Bytes>,
}

/// A page that is shown.
struct OpenPage {
    connection: ConnectionId,
    frames: mpsc::Sender<Bytes>,
}

/// What is sent with the time of its sending, so that a page notices when it falls behind.
#[derive(Serialize)]
struct Timed<'a, T> {
    sent_ms: f64,
    #[serde(flatten)]
    what: &'a T,
}

impl PageStream {
    /// A panic elsewhere leaves the pages as they are: nothing here is half done.
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How many pages are open.
    pub fn pages(&self) -> usize {
        let mut inner = self.lock();
        inner.pages.retain(|p| !p.frames.is_closed());
        inner.pages.len()
    }

    /// Whether a connection shows this stream.
    pub fn is_shown_on(&self, connection: ConnectionId) -> bool {
        self.lock().pages.iter().any(|p| p.connection == connection)
    }

    /// Sends a frame to every page; the last test beside it when it changed. A view may be sent again when nothing new
    /// came: it is then older, and its strip is not drawn twice.
    pub fn publish(&self, view: &LiveView, sent_ms: f64) {
        let frame = |view: &LiveView| event("frame", &Timed { sent_ms, what: view });
        let mut inner = self.lock();
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

    /// Sends what a page draws anew each time, with when it was sent. A page that comes later waits for the next one: an old
    /// one could show an alarm that is over.
    pub fn publish_whole(&self, what: &impl Serialize, sent_ms: f64) {
        let frame = event("frame", &Timed { sent_ms, what });
        self.lock().send(&frame);
    }

    /// Says something that holds until it is said anew; nothing is sent when it is the same.
    pub fn state(&self, name: &'static str, what: &impl Serialize) {
        let told = event(name, what);
        let mut inner = self.lock();
        if inner.states.get(name) != Some(&told) {
            inner.send(&told);
            inner.states.insert(name, told);
        }
    }

    /// Tells every page at once that the ceiling was crossed, or that it is over.
    pub fn alarm(&self, alarm: &AlarmView) {
        self.tell("alarm", alarm);
    }

    /// Tells every open page something at once.
    pub fn tell(&self, name: &str, what: &impl Serialize) {
        let told = event(name, what);
        self.lock().send(&told);
    }

    /// Ends the stream on every page: whoever may see it still comes back by itself.
    pub fn cut(&self) {
        self.lock().pages.clear();
    }

    /// Ends the oldest pages until there is room for one more among so many.
    pub fn make_room(&self, most: usize) {
        let mut inner = self.lock();
        inner.pages.retain(|p| !p.frames.is_closed());
        let over = (inner.pages.len() + 1).saturating_sub(most);
        inner.pages.drain(..over);
    }

    /// Opens the stream for a page.
    pub fn open(&self, connection: ConnectionId, sent_ms: f64) -> Response {
        let (page, frames) = mpsc::channel(MAX_FRAMES_BEHIND);
        let mut inner = self.lock();
        // Under the lock: no frame can fall between the history and the stream.
        let welcome = inner.welcome(sent_ms);
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

    /// What a page that has just come needs: retry time, what holds, strip so far, last test, newest frame.
    fn welcome(&self, sent_ms: f64) -> Bytes {
        let mut text = format!("retry: {RETRY_MS}\n\n").into_bytes();
        text.extend_from_slice(&event("welcome", &serde_json::json!({ "sent_ms": sent_ms })));
        self.states.values().for_each(|state| text.extend_from_slice(state));
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
