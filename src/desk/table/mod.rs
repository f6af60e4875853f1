//! One table: a thread that drives a recording session on its station, whatever happens at the others.

mod driver;
mod orders;

pub use self::orders::{LastWords, TableOrder, TableSetup};

use self::driver::Driver;
use self::orders::Asked;
use super::access::TableId;
use super::room::Room;
use crate::error::{Error, Result};
use crate::live::server::PageStream;
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

/// Whoever orders something waits no longer than this for the answer.
const ANSWER_TIME: Duration = Duration::from_secs(5);
/// Orders that may wait.
const MOST_ORDERS: usize = 16;

/// A table that runs. Dropping it ends its session in order.
pub struct ClassTable {
    pub stream: Arc<PageStream>,
    orders: SyncSender<Asked>,
    thread: Option<JoinHandle<()>>,
    id: TableId,
    room: Arc<Room>,
}

impl ClassTable {
    /// Starts it. A station that cannot be opened is looked for until it can.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(setup: TableSetup) -> std::io::Result<ClassTable> {
        let (orders, asked) = sync_channel(MOST_ORDERS);
        let stream = Arc::new(PageStream::default());
        let (id, room) = (setup.entry.id, Arc::clone(&setup.room));
        let mut driver = Driver::new(setup, Arc::clone(&stream), asked);
        let thread = std::thread::Builder::new()
            .name(format!("table {}", id.0))
            .spawn(move || driver.run())?;
        Ok(ClassTable {
            stream,
            orders,
            thread: Some(thread),
            id,
            room,
        })
    }

    /// Wants something of it, and waits until it is done or refused.
    ///
    /// # Errors
    /// As the table answers; [`Error::Refused`] when it does not.
    pub fn order(&self, order: TableOrder) -> Result<()> {
        let (answer, answered) = sync_channel(1);
        let sent = self.orders.try_send(Asked { order, answer });
        let heard = sent.ok().and_then(|()| answered.recv_timeout(ANSWER_TIME).ok());
        heard.unwrap_or_else(|| {
            Err(Error::Refused {
                found: "the table does not answer".to_owned(),
                advice: "wait a moment and ask again; nothing was changed".to_owned(),
            })
        })
    }
}

impl Drop for ClassTable {
    fn drop(&mut self) {
        let _ = self.order(TableOrder::End);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
        self.room.remove(self.id);
    }
}
