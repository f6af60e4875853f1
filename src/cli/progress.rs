//! A progress bar for work over a second on a terminal; lines for a program that asks for them.

use super::terminal::is_watched;
use crate::desk::{PROGRESS_LINE, PROGRESS_VARIABLE};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// Shorter work shows no bar.
const AFTER: Duration = Duration::from_secs(1);
/// Between two lines.
const LINE_EVERY: Duration = Duration::from_millis(200);

/// A bar that appears only when the work takes over a second.
pub struct Bar {
    bar: ProgressBar,
    began: Instant,
    /// When the last line was written, where lines are asked for.
    lines: Option<Mutex<Instant>>,
}

impl Bar {
    /// A bar that counts `what`. Hidden when quiet or when standard error is no terminal.
    pub fn new(what: &'static str, quiet: bool) -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
        if !quiet && is_watched() {
            bar.set_draw_target(ProgressDrawTarget::stderr_with_hz(8));
        }
        let shape = "{pos} of {len} {msg}  {wide_bar}  {eta} left";
        if let Ok(style) = ProgressStyle::with_template(shape) {
            bar.set_style(style);
        }
        bar.set_message(what);
        Bar {
            bar,
            began: Instant::now(),
            lines: (std::env::var_os(PROGRESS_VARIABLE).is_some_and(|v| v == "lines"))
                .then(|| Mutex::new(Instant::now())),
        }
    }

    /// Says how far the work is.
    pub fn tell(&self, done: usize, total: usize) {
        if let Some(lines) = &self.lines
            && let Ok(mut last) = lines.lock()
            && (last.elapsed() >= LINE_EVERY || done == total)
        {
            *last = Instant::now();
            note!("{PROGRESS_LINE} {done} {total}");
        }
        if self.began.elapsed() > AFTER {
            self.bar.set_length(total as u64);
            self.bar.set_position(done as u64);
        }
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}
