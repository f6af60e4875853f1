//! All tables at once, for the teacher and for whoever only looks.

use super::access::TableId;
use super::prompt::PromptView;
use crate::live::phase::Phase;
use crate::live::server::{PageStream, sent_ms};
use crate::live::strip::round;
use crate::live::view::AlarmView;
use crate::terms::Region;
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Between two frames of the room.
const FRAME: Duration = Duration::from_millis(25);

/// One table, as the room sees it. What is hidden at the table is hidden here: `force_n` and `phase` are `None` then.
#[derive(Debug, Clone, Serialize)]
pub struct RoomTable {
    pub id: TableId,
    pub name: String,
    pub subject: Option<String>,
    pub examiner: Option<String>,
    /// Number of the step, of how many, and where.
    pub step: Option<RoomStep>,
    pub prompt: PromptView,
    pub phase: Option<Phase>,
    /// Sum of all contacts.
    pub force_n: Option<f64>,
    /// Why no value is shown, in words.
    pub hidden: Option<String>,
    pub ceiling_n: Option<f64>,
    /// `None` where no level is set and the lowest ceiling of all holds.
    pub region: Option<Region>,
    /// A force over the ceiling now.
    pub alarm: bool,
    /// Crossings of a ceiling by who presses now.
    pub crossings: u64,
    pub connected: bool,
    pub touched: bool,
    /// Age of the newest sample when this is sent.
    pub age_ms: Option<f64>,
    /// When the newest sample's bytes came, in ms since 1970, for whoever measures latency.
    pub arrived_unix_ms: Option<f64>,
    #[serde(skip)]
    pub newest: Option<Instant>,
    /// The force of the last seconds, for a weight that lies on the sensor.
    #[serde(skip)]
    pub load: Option<SteadyLoad>,
    /// What only the teacher sees.
    pub teacher: Option<ForTeacher>,
}

/// A force over some seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteadyLoad {
    pub mean_n: f64,
    /// Standard deviation.
    pub spread_n: f64,
}

/// Where a table is in its plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoomStep {
    pub number: usize,
    pub of: usize,
    /// `L3 left`.
    pub place: String,
}

/// What only the teacher sees of a table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ForTeacher {
    pub port: String,
    pub device: Option<String>,
    pub rate_hz: Option<f64>,
    pub plan: Option<String>,
    pub paused: bool,
    /// What a person must know of this station, in words.
    pub warnings: Vec<String>,
    /// What happened last, the newest last.
    pub messages: Vec<String>,
    pub missing: Vec<String>,
}

/// A room as it is sent.
#[derive(Serialize)]
struct RoomFrame<'a> {
    tables: &'a [RoomTable],
}

/// An alarm at a table, sent at once.
#[derive(Serialize)]
struct RoomAlarm<'a> {
    table: TableId,
    #[serde(flatten)]
    alarm: &'a AlarmView,
}

/// The room's pages and the newest of each table.
pub struct Room {
    /// The teacher's pages.
    pub teacher: PageStream,
    /// Pages that only look.
    pub look: PageStream,
    tables: Mutex<BTreeMap<TableId, RoomTable>>,
    begun: Instant,
}

impl Room {
    /// A room without tables; `begun` is what frames count their time from.
    pub fn new(begun: Instant) -> Room {
        Room {
            teacher: PageStream::default(),
            look: PageStream::default(),
            tables: Mutex::default(),
            begun,
        }
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<TableId, RoomTable>> {
        self.tables.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How a table is now.
    pub fn set(&self, table: RoomTable) {
        self.lock().insert(table.id, table);
    }

    /// A table is gone.
    pub fn remove(&self, id: TableId) {
        self.lock().remove(&id);
    }

    /// What a table's people are called, for as long as they are there: examiner and subject.
    pub fn people(&self) -> Vec<(TableId, Option<String>, Option<String>)> {
        let tables = self.lock();
        tables.values().map(|t| (t.id, t.examiner.clone(), t.subject.clone())).collect()
    }

    /// The tables as they are now, alarms first.
    pub fn tables(&self) -> Vec<RoomTable> {
        let mut tables: Vec<RoomTable> = self.lock().values().cloned().collect();
        tables.sort_by_key(|t| (!t.alarm, t.id));
        for table in &mut tables {
            table.age_ms = table.newest.map(|at| round(at.elapsed().as_secs_f64() * 1e3, 10.0));
        }
        tables
    }

    /// An alarm began or ended: it waits for no frame.
    pub fn alarm(&self, table: TableId, alarm: &AlarmView) {
        let told = RoomAlarm { table, alarm };
        self.teacher.tell("alarm", &told);
        // The peak is a measured value.
        let bare = AlarmView {
            peak_n: None,
            ..alarm.clone()
        };
        self.look.tell("alarm", &RoomAlarm { table, alarm: &bare });
    }

    fn publish(&self) {
        if self.teacher.pages() + self.look.pages() == 0 {
            return;
        }
        let mut tables = self.tables();
        let now_ms = sent_ms(self.begun);
        self.teacher.publish_whole(&RoomFrame { tables: &tables }, now_ms);
        for table in &mut tables {
            table.teacher = None;
            table.prompt.detail.clear();
        }
        self.look.publish_whole(&RoomFrame { tables: &tables }, now_ms);
    }
}

/// Sends the room's frames until it is dropped.
pub struct RoomThread {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl RoomThread {
    /// Starts it.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(room: Arc<Room>) -> std::io::Result<RoomThread> {
        let stop = Arc::new(AtomicBool::new(false));
        let of_thread = Arc::clone(&stop);
        let thread = std::thread::Builder::new().name("room".to_owned()).spawn(move || {
            while !of_thread.load(Ordering::Relaxed) {
                room.publish();
                std::thread::sleep(FRAME);
            }
        })?;
        Ok(RoomThread {
            stop,
            thread: Some(thread),
        })
    }
}

impl Drop for RoomThread {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
