//! What a session reports, on the terminal and on the page.

use super::status_line::{self, StatusLine};
use crate::format::{counted, duration};
use crate::live::server::Hub;
use crate::live::summary::TestView;
use crate::live::view::{AlarmView, LiveView};
use crate::session::{Session, SessionEvent};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Between two frames of the page.
const FRAME: Duration = Duration::from_micros(33_333);
/// Between two frames that nobody sees: warnings of the station are still looked for.
const UNSEEN: Duration = Duration::from_secs(1);

/// Terminal and page of a session.
pub struct Console {
    pub status_line: StatusLine,
    pub hub: Option<Hub>,
    quiet: bool,
    framed: Instant,
    printed_test: Option<Arc<TestView>>,
    printed_step: Option<String>,
    warned: Vec<String>,
}

impl Console {
    pub fn new(status_line: StatusLine, hub: Option<Hub>, quiet: bool) -> Console {
        Console {
            status_line,
            hub,
            quiet,
            framed: Instant::now(),
            printed_test: None,
            printed_step: None,
            warned: Vec::new(),
        }
    }

    /// Shows what has just happened.
    pub fn event(&mut self, event: SessionEvent) {
        match event {
            SessionEvent::AlarmBegan(alarm) => {
                self.status_line.ring();
                self.tell_page(&alarm);
                let assumed = match alarm.assumed {
                    true => " (no level is known: the lowest of all)",
                    false => "",
                };
                self.status_line.say(&format!(
                    "over the ceiling: {} {:.0} N{assumed}",
                    alarm.region, alarm.ceiling_n
                ));
            }
            SessionEvent::AlarmEnded { alarm, duration_s } => {
                self.status_line.hush();
                self.tell_page(&alarm);
                let peak = alarm
                    .peak_n
                    .map_or_else(String::new, |peak| format!(", highest {peak:.0} N"));
                self.status_line
                    .say(&format!("under the ceiling again after {}{peak}", duration(duration_s)));
            }
            SessionEvent::Message(message) => {
                self.status_line.say(&message);
                // What stays on the page is not printed twice.
                self.warned.push(message);
            }
        }
    }

    fn tell_page(&self, alarm: &AlarmView) {
        if let Some(hub) = &self.hub {
            hub.alarm(alarm);
        }
    }

    /// Step, frame, warnings, last test and meter, as far as they are due.
    pub fn refresh(&mut self, session: &mut Session) {
        if session.is_over_ceiling() {
            self.status_line.ring();
        }
        for words in self.hub.iter().flat_map(Hub::take_faults) {
            session.notice(words);
        }
        self.print_step(session);
        let frame_due = self.framed.elapsed() >= if self.hub.is_some() { FRAME } else { UNSEEN };
        let line_due = self.status_line.is_due();
        if !frame_due && !line_due {
            return;
        }
        self.framed = Instant::now();
        let state = session.state().clone();
        let view = session.view();
        if let (Some(hub), Some(view)) = (&self.hub, view) {
            hub.publish(view);
        }
        if let Some(view) = view {
            self.warn(view);
        }
        if line_due {
            if let Some(view) = view {
                self.print_test(view);
            }
            self.status_line.draw(&status_line::line(&state, view));
        }
    }

    fn print_step(&mut self, session: &Session) {
        let step = status_line::step_words(session.state());
        if step != self.printed_step && session.is_running() {
            if let Some(words) = step.as_ref().filter(|_| !self.quiet) {
                self.status_line.say(words);
            }
            self.printed_step = step;
        }
    }

    /// What a person must know of the station, each once.
    fn warn(&mut self, view: &LiveView) {
        for warning in &view.warnings {
            if !self.warned.contains(warning) {
                self.status_line.say(warning);
                self.warned.push(warning.clone());
            }
        }
    }

    /// One line for the last test, once its full analysis is there and it may be shown.
    fn print_test(&mut self, view: &LiveView) {
        let Some(test) = view.last.as_ref().filter(|t| !t.provisional) else {
            return;
        };
        if self.printed_test.as_ref().is_some_and(|p| Arc::ptr_eq(p, test)) {
            return;
        }
        for side in &test.sides {
            let rows: Vec<String> = side
                .rows
                .iter()
                .map(|r| format!("{} {} {}", r.label, r.value, r.unit))
                .collect();
            self.status_line
                .say(&test_words(test.level.as_deref(), side.side, side.springs, &rows));
        }
        self.printed_test = Some(Arc::clone(test));
    }
}

/// `L3 left: 5 springs; preload 12 N`, as far as it is known.
fn test_words(level: Option<&str>, side: Option<&str>, springs: usize, rows: &[String]) -> String {
    let place: Vec<&str> = [level, side].into_iter().flatten().collect();
    let place = match place.is_empty() {
        true => "last test".to_owned(),
        false => place.join(" "),
    };
    let springs = counted(springs, "spring");
    match rows.is_empty() {
        true => format!("{place}: {springs}"),
        false => format!("{place}: {springs}; {}", rows.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_test_of_no_known_place_is_the_last_one() {
        let rows = ["preload 12 N".to_owned()];
        assert_eq!(
            test_words(Some("L3"), Some("left"), 5, &rows),
            "L3 left: 5 springs; preload 12 N"
        );
        assert_eq!(test_words(None, None, 1, &[]), "last test: 1 spring");
    }
}
