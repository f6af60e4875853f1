//! One quiet line: the force now, the phase, the ceiling, the step.

use super::keys::Keyboard;
use crate::acquire::control::SessionState;
use crate::cli::terminal::TerminalControl::{ClearLine, NextLine};
use crate::cli::terminal::{self, PlainText, TerminalPart, draw};
use crate::format::counted;
use crate::live::phase::Phase;
use crate::live::view::LiveView;
use crate::settings::CeilingOrigin;
use crate::study::words::shown;
use crate::terms::{Landmark, Posture};
use std::time::{Duration, Instant};

/// Redrawn at most this often.
const EVERY: Duration = Duration::from_millis(100);
/// The bell is rung again while the force stays over the ceiling.
const BELL_EVERY: Duration = Duration::from_millis(400);
/// An older value is no value.
const NO_SIGNAL_MS: f64 = 200.0;
/// TraceColumns of a terminal that does not say.
const COLUMNS: usize = 80;

/// The line, messages above it, and the bell.
pub struct StatusLine {
    /// Redraws: standard error is a terminal and nobody wants quiet.
    draws: bool,
    /// The terminal gives single keys, and goes back to the first column only when told.
    raw: bool,
    columns: usize,
    drawn: Option<Instant>,
    rung: Option<Instant>,
}

impl StatusLine {
    pub fn new(quiet: bool, keyboard: &Keyboard) -> StatusLine {
        let terminal = terminal::is_watched();
        StatusLine {
            draws: !quiet && terminal,
            raw: keyboard.single && terminal,
            columns: keyboard.columns().unwrap_or(COLUMNS).max(20),
            drawn: None,
            rung: None,
        }
    }

    /// Whether it would draw now.
    pub fn is_due(&self) -> bool {
        self.draws && self.drawn.is_none_or(|at| at.elapsed() >= EVERY)
    }

    /// Draws the line.
    pub fn draw(&mut self, line: &str) {
        self.drawn = Some(Instant::now());
        let line = PlainText::one_line(line).cut(self.columns - 1);
        draw(&[TerminalPart::Control(ClearLine), TerminalPart::Text(&line)]);
    }

    /// Prints a message above the line.
    pub fn say(&mut self, message: &str) {
        let message = PlainText::one_line(message);
        let mut parts = Vec::new();
        if self.drawn.take().is_some() {
            parts.push(TerminalPart::Control(ClearLine));
        }
        parts.push(TerminalPart::Text(&message));
        let line_end = PlainText::of("\n");
        parts.push(match self.raw {
            true => TerminalPart::Control(NextLine),
            false => TerminalPart::Text(&line_end),
        });
        draw(&parts);
    }

    /// Rings, at most a few times a second. Never silenced: neither by quiet nor by a standard error that is no terminal.
    pub fn ring(&mut self) {
        if self.rung.is_some_and(|at| at.elapsed() < BELL_EVERY) {
            return;
        }
        self.rung = Some(Instant::now());
        terminal::ring();
    }

    /// The alarm is over: the next one rings at once.
    pub fn hush(&mut self) {
        self.rung = None;
    }

    /// Takes the line away.
    pub fn clear(&mut self) {
        if self.drawn.take().is_some() {
            draw(&[TerminalPart::Control(ClearLine)]);
        }
    }
}

/// The line. Measured values come from the view, which has none where they must not be shown.
pub fn line(state: &SessionState, view: Option<&LiveView>) -> String {
    let mut parts = vec![step(state)];
    if let Some(level) = state.call_wanted {
        parts.push(format!(
            "call on {}: 1 left  2 right  3 even  4 unsure",
            level.label()
        ));
        return joined(parts);
    }
    if state.estimates.is_some_and(|e| e.wanted.is_some()) {
        parts.push("what was the peak? e, newtons, Enter".to_owned());
    }
    let Some(view) = view else {
        parts.push("no device".to_owned());
        return joined(parts);
    };
    let whose = match view.ceiling.origin {
        CeilingOrigin::Lab => "",
        CeilingOrigin::Shipped => " (shipped)",
    };
    let ceiling = format!(
        "ceiling {:.0} N {}{whose}",
        view.ceiling.ceiling_n, view.ceiling.region
    );
    if view.alarm.as_ref().is_some_and(|a| a.on) {
        parts.push("OVER THE CEILING".to_owned());
    }
    match (&view.now, view.age_ms.is_some_and(|age| age <= NO_SIGNAL_MS)) {
        (_, false) => parts.push("no signal".to_owned()),
        (None, true) => parts.push(
            view.hidden
                .clone()
                .unwrap_or_else(|| "zero being taken".to_owned()),
        ),
        (Some(now), true) => {
            parts.push(format!("{:.0} N", now.total_n));
            if let [left, right] = now.sides.as_slice() {
                parts.push(format!("left {:.0} right {:.0}", left.force_n, right.force_n));
            }
            parts.push(phase(now.phase).to_owned());
            parts.push(counted(now.springs, "spring"));
        }
    }
    parts.push(ceiling);
    joined(parts)
}

fn joined(parts: Vec<String>) -> String {
    let parts: Vec<String> = parts.into_iter().filter(|p| !p.is_empty()).collect();
    parts.join(" · ")
}

fn step(state: &SessionState) -> String {
    let practice = if state.practice { "practice " } else { "" };
    match &state.step {
        Some(s) => {
            let trial = if s.trial > 1 {
                format!(" trial {}", s.trial)
            } else {
                String::new()
            };
            format!(
                "{practice}{}/{} {} {}{trial}",
                s.number,
                s.of,
                s.level.label(),
                s.side
            )
        }
        None if state.ended => "end".to_owned(),
        None => format!("{practice}{}", shown_code(state.examiner.as_deref())),
    }
}

fn shown_code(code: Option<&str>) -> String {
    code.map_or_else(String::new, shown)
}

/// What the step asks for, for a line of its own.
pub fn step_words(state: &SessionState) -> Option<String> {
    let s = state.step.as_ref()?;
    let mut words = vec![format!(
        "step {}/{}: {} {}",
        s.number,
        s.of,
        s.level.label(),
        s.side
    )];
    words.extend(
        s.contact
            .map(|c| format!("contact {}", c.word().replace('_', " and "))),
    );
    words.extend(s.landmark.as_ref().map(Landmark::to_string));
    words.extend(s.line_of_drive.map(|d| format!("line of drive {d}°")));
    words.extend(s.posture.as_ref().map(Posture::to_string));
    Some(words.join(", "))
}

fn phase(phase: Phase) -> &'static str {
    match phase {
        Phase::Off => "off",
        Phase::Release => "release",
        Phase::Lean => "lean",
        Phase::TakeUp => "take-up",
        Phase::Hold => "hold",
        Phase::PreTension => "pre-tension",
        Phase::Recoil => "recoil",
        Phase::Spring => "spring",
    }
}
