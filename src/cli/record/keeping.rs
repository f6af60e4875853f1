//! The keeper in a thread of its own: a slow disk must not hold up the ceiling alarm.

use crate::acquire::control::{Standing, Wish};
use crate::acquire::recorder::Keeper;
use crate::acquire::recorder::over_ceiling::{self, OverCeiling};
use crate::acquire::station::{LineCounts, Sample, Station};
use crate::trace::About;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// What is due is looked for this often when nothing comes.
const IDLE: Duration = Duration::from_millis(50);
/// Where the scan stands is told at least this often.
const TELL_EVERY: Duration = Duration::from_millis(250);

/// What the keeper hears.
pub enum Hear {
    Connected(Station),
    Samples(Vec<Sample>),
    Counts(LineCounts),
    Gone(String),
    Wish(Wish),
    Touching(bool),
    TestEnded,
    Over(OverCeiling),
}

/// What the keeper tells.
#[derive(Debug, Clone, Default)]
pub struct Told {
    pub standing: Standing,
    /// What samples coming now are of.
    pub pressed_of: About,
    /// For a person, each once.
    pub messages: Vec<String>,
    /// The session is over.
    pub ended: bool,
    /// The plan is at its end and nothing is being recorded.
    pub at_end: bool,
    /// Why it ended, when it was not by a person.
    pub failed: Option<String>,
    pub kept: usize,
}

/// A keeper that runs.
pub struct Keeping {
    to: Option<Sender<Hear>>,
    from: Receiver<Told>,
    thread: Option<JoinHandle<()>>,
}

impl Keeping {
    /// Starts the thread; `root` is the study's folder.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn begin(keeper: Keeper, root: &Path) -> std::io::Result<Keeping> {
        let (to, hears) = channel();
        let (tells, from) = channel();
        let root = root.to_owned();
        let thread = std::thread::Builder::new()
            .name("keeper".to_owned())
            .spawn(move || {
                Work {
                    keeper,
                    root,
                    tells,
                    told: Instant::now(),
                    trouble: Vec::new(),
                }
                .run(&hears);
            })?;
        Ok(Keeping {
            to: Some(to),
            from,
            thread: Some(thread),
        })
    }

    /// Passes something on. After its end nothing is heard any more.
    pub fn hear(&self, what: Hear) {
        if let Some(to) = &self.to {
            let _ = to.send(what);
        }
    }

    /// What was told since the last look.
    pub fn told(&self) -> impl Iterator<Item = Told> {
        self.from.try_iter()
    }

    /// Ends the session in order and gives what is told last; false when the thread died of a fault of the program.
    pub fn end(&mut self) -> (Vec<Told>, bool) {
        self.to = None;
        let sound = self.thread.take().is_none_or(|t| t.join().is_ok());
        (self.from.try_iter().collect(), sound)
    }
}

impl Drop for Keeping {
    fn drop(&mut self) {
        self.end();
    }
}

struct Work {
    keeper: Keeper,
    root: PathBuf,
    tells: Sender<Told>,
    told: Instant,
    /// Messages that are not the keeper's own.
    trouble: Vec<String>,
}

impl Work {
    fn run(&mut self, hears: &Receiver<Hear>) {
        self.tell();
        loop {
            let now = Instant::now();
            let news = match hears.recv_timeout(IDLE) {
                Ok(heard) => self.hear(heard),
                Err(RecvTimeoutError::Timeout) => {
                    self.keeper.tick(now);
                    false
                }
                Err(RecvTimeoutError::Disconnected) => break,
            };
            if news || self.keeper.has_messages() || self.told.elapsed() >= TELL_EVERY {
                self.tell();
            }
        }
        self.keeper.close(Instant::now());
        self.tell();
    }

    /// Whether it changes where the scan stands.
    fn hear(&mut self, heard: Hear) -> bool {
        let now = Instant::now();
        match heard {
            Hear::Samples(samples) => {
                self.keeper.push(&samples, now);
                return false;
            }
            Hear::Counts(counts) => {
                self.keeper.counts(counts);
                return false;
            }
            Hear::Connected(station) => self.keeper.connected(&station, now),
            Hear::Gone(why) => self.keeper.gone(&why, now),
            Hear::Wish(wish) => self.keeper.wish(&wish, now),
            Hear::Touching(touching) => self.keeper.touching(touching),
            Hear::TestEnded => self.keeper.test_ended(),
            Hear::Over(over) => {
                if let Err(error) = over_ceiling::append(&self.root, &over) {
                    self.trouble.push(format!(
                        "a time over the ceiling could not be written down: {error}"
                    ));
                }
            }
        }
        true
    }

    fn tell(&mut self) {
        self.told = Instant::now();
        let mut messages = self.keeper.take_messages();
        messages.append(&mut self.trouble);
        // Whoever listened may be gone: then the session ends all the same.
        let _ = self.tells.send(Told {
            standing: self.keeper.standing(),
            pressed_of: self.keeper.pressed_of(),
            messages,
            ended: self.keeper.ended(),
            at_end: self.keeper.at_end(),
            failed: self.keeper.failed().map(str::to_owned),
            kept: self.keeper.kept(),
        });
    }
}
