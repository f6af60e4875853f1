//! The one way to the terminal, and what it lets through.
//!
//! Codes of a roster, names, a device's hello and the descriptors of a USB device are text from outside. Written raw they
//! could move the cursor, hide lines or set the terminal's title. What reaches the terminal is [`PlainText`], which holds no
//! control sequence; the few that the program itself needs are [`TerminalControl`]s.

use crate::error::steers;
use std::fmt;
use std::io::{ErrorKind, IsTerminal, Write};
use std::sync::Mutex;

/// Text that a terminal shows as it stands: line ends and tabs, and nothing else that controls anything.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlainText(String);

impl PlainText {
    /// Takes any text; what would control the terminal stands there in the way of JSON, `\u001b`.
    pub fn of(text: &str) -> PlainText {
        let mut plain = String::with_capacity(text.len());
        for c in text.chars() {
            match steers(c) {
                true => plain.push_str(&format!("\\u{:04x}", u32::from(c))),
                false => plain.push(c),
            }
        }
        PlainText(plain)
    }

    /// The same on one line.
    pub fn one_line(text: &str) -> PlainText {
        PlainText::of(&text.replace(['\n', '\r', '\t'], " "))
    }

    /// At most so many characters of it.
    #[must_use]
    pub fn cut(self, characters: usize) -> PlainText {
        PlainText(self.0.chars().take(characters).collect())
    }
}

/// What the program itself makes a terminal do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TerminalControl {
    /// To the beginning of the line, which is emptied.
    ClearLine,
    /// Rings.
    Bell,
    /// To the beginning of the next line; in raw mode a line feed alone does not go back.
    NextLine,
}

impl TerminalControl {
    fn bytes(self) -> &'static [u8] {
        match self {
            TerminalControl::ClearLine => b"\r\x1b[2K",
            TerminalControl::Bell => b"\x07",
            TerminalControl::NextLine => b"\r\n",
        }
    }
}

/// Why standard output could not be written, when that was not a reader who stopped early.
static OUTPUT_FAULT: Mutex<Option<String>> = Mutex::new(None);

/// Writes to standard output. A reader that stops early (`| head`) is no fault; any other failure is remembered.
pub fn print(words: fmt::Arguments<'_>) {
    let text = PlainText::of(&words.to_string());
    let mut out = std::io::stdout().lock();
    let written = out.write_all(text.0.as_bytes()).and_then(|()| out.flush());
    if let Err(error) = written
        && error.kind() != ErrorKind::BrokenPipe
        && let Ok(mut fault) = OUTPUT_FAULT.lock()
    {
        fault.get_or_insert_with(|| error.to_string());
    }
}

/// What kept standard output from being written, once.
pub fn take_output_fault() -> Option<String> {
    OUTPUT_FAULT.lock().ok()?.take()
}

/// Writes to standard error. Where that cannot be written there is nobody to tell.
pub fn note(words: fmt::Arguments<'_>) {
    let text = PlainText::of(&words.to_string());
    let _ = std::io::stderr().lock().write_all(text.0.as_bytes());
}

/// Whether standard error is a terminal.
pub fn is_watched() -> bool {
    std::io::stderr().is_terminal()
}

/// Writes to standard error what a status line needs, in one go.
pub fn draw(parts: &[TerminalPart<'_>]) {
    let mut bytes = Vec::new();
    for part in parts {
        bytes.extend_from_slice(match part {
            TerminalPart::Text(text) => text.0.as_bytes(),
            TerminalPart::Control(control) => control.bytes(),
        });
    }
    let mut err = std::io::stderr().lock();
    let _ = err.write_all(&bytes);
    let _ = err.flush();
}

/// A part of what is drawn.
pub enum TerminalPart<'a> {
    Text(&'a PlainText),
    Control(TerminalControl),
}

/// Rings on the terminal itself when standard error is none.
pub fn ring() {
    draw(&[TerminalPart::Control(TerminalControl::Bell)]);
    if !is_watched()
        && let Ok(mut terminal) = std::fs::File::options().write(true).open("/dev/tty")
    {
        let _ = terminal.write_all(TerminalControl::Bell.bytes());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_controls_a_terminal_gets_through() {
        // ECMA-48: ESC begins a control sequence, and so does the single character U+009B (CSI).
        for (text, plain) in [
            ("a\u{1b}[2Jb", "a\\u001b[2Jb"),
            ("\u{9b}31m\u{7f}\u{7}\r", "\\u009b31m\\u007f\\u0007\\u000d"),
            ("V\u{202e}70-\u{2069}", "V\\u202e70-\\u2069"),
            ("two\nlines\tand ä 漢 ± µ", "two\nlines\tand ä 漢 ± µ"),
        ] {
            assert_eq!(PlainText::of(text).0, plain);
        }
        assert_eq!(PlainText::one_line("a\r\nb").0, "a  b");
        for c in (0..=0x10_ffff).filter_map(char::from_u32) {
            let plain = PlainText::of(&c.to_string()).0;
            assert!(
                plain.chars().all(|p| p == '\n' || p == '\t' || !p.is_control()),
                "{c:?}"
            );
        }
    }

    #[test]
    fn json_stays_json_of_the_same_meaning() {
        let name = "\u{1b}[31m\u{9b}\u{202e}x";
        let printed = PlainText::of(&serde_json::to_string(name).unwrap()).0;
        assert_eq!(serde_json::from_str::<String>(&printed).unwrap(), name);
    }
}
