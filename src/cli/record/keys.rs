//! Keys and words from standard input.

use crate::acquire::control::Command;
use crate::fault::is_isolated;
use crate::terms::Felt;
use crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use crossterm::terminal::{disable_raw_mode, enable_raw_mode, size};
use std::io::{BufRead, IsTerminal, Read};
use std::sync::Once;
use std::sync::mpsc::{Receiver, Sender, channel};

/// What came from the keyboard.
#[derive(Debug, Clone, PartialEq)]
pub enum KeyPress {
    Command(Command),
    /// An estimate is being typed: its digits so far.
    Typing(String),
    /// A key that must come twice in a row: what it would do.
    Again(&'static str),
    /// Something that means nothing.
    Unknown(String),
    /// Nothing more will come.
    Closed,
}

/// The keyboard, one key at a time where the terminal can; put back as it was when dropped.
pub struct Keyboard {
    pub presses: Receiver<KeyPress>,
    /// Whether a single key is enough.
    pub single: bool,
}

impl Keyboard {
    /// Begins to listen: key by key when standard input is a terminal whose settings can be changed, else line by line.
    pub fn listen() -> Keyboard {
        let (sender, presses) = channel();
        let single = std::io::stdin().is_terminal() && enable_raw_mode().is_ok();
        if single {
            restore_before_a_panic_is_printed();
        }
        // The thread waits in a read that nothing can end; it dies with the program.
        std::thread::spawn(move || match single {
            true => by_key(&sender),
            false => by_line(&sender),
        });
        Keyboard { presses, single }
    }

    /// Columns of the terminal, where there is one that says.
    pub fn columns(&self) -> Option<usize> {
        let (columns, _) = size().ok().filter(|_| self.single)?;
        Some(usize::from(columns)).filter(|n| *n > 0)
    }

    /// Puts the terminal back as it was.
    pub fn restore(&mut self) {
        if std::mem::take(&mut self.single) {
            let _ = disable_raw_mode();
        }
    }
}

impl Drop for Keyboard {
    fn drop(&mut self) {
        self.restore();
    }
}

/// Whichever thread panics: its message would be printed in steps, and the shell be left without its echo.
fn restore_before_a_panic_is_printed() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let print = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            // What is caught prints nothing, and the keys go on as they are.
            if !is_isolated() {
                let _ = disable_raw_mode();
            }
            print(panic);
        }));
    });
}

fn by_line(sender: &Sender<KeyPress>) {
    let mut input = std::io::stdin().lock();
    while let Ok(Some(line)) = next_line(&mut input) {
        let word = line.trim().to_lowercase();
        let press = command_for(&word).map_or(KeyPress::Unknown(word), KeyPress::Command);
        if sender.send(press).is_err() {
            return;
        }
    }
    let _ = sender.send(KeyPress::Closed);
}

/// Longer than any word that is known; the rest of such a line is passed over.
const LONGEST_WORD: u64 = 256;

/// The next line, or as much of it as a word may be long; `None` at the end.
fn next_line(input: &mut impl BufRead) -> std::io::Result<Option<String>> {
    let mut line = Vec::new();
    if input.by_ref().take(LONGEST_WORD).read_until(b'\n', &mut line)? == 0 {
        return Ok(None);
    }
    while !line.ends_with(b"\n") {
        let held = input.fill_buf()?;
        let (passed, ended) = match held.iter().position(|b| *b == b'\n') {
            Some(at) => (at + 1, true),
            None => (held.len(), held.is_empty()),
        };
        input.consume(passed);
        if ended {
            break;
        }
    }
    Ok(Some(String::from_utf8_lossy(&line).into_owned()))
}

fn by_key(sender: &Sender<KeyPress>) {
    let mut filter = KeyFilter::default();
    while let Ok(event) = event::read() {
        if let Event::Key(key) = event
            && let Some(press) = filter.take(&key)
            && sender.send(press).is_err()
        {
            return;
        }
    }
    let _ = sender.send(KeyPress::Closed);
}

/// What a word means; a single letter is one too.
fn command_for(word: &str) -> Option<Command> {
    Some(match word {
        "" | "n" | "next" => Command::Next,
        "r" | "repeat" => Command::Repeat,
        "k" | "skip" => Command::Skip,
        "u" | "undo" => Command::Undo,
        "l" | "learner" | "next learner" => Command::NextLearner,
        "v" | "show" => Command::Show,
        "estimate none" | "no estimate" => Command::Estimate { peak_n: None },
        "q" | "stop" => Command::Stop,
        "1" | "left" => call(Felt::Left),
        "2" | "right" => call(Felt::Right),
        "3" | "even" => call(Felt::Even),
        "4" | "unsure" => call(Felt::Unsure),
        _ => return estimate(word.strip_prefix("estimate ")?),
    })
}

/// An estimate of so many newtons; no digits are no estimate.
fn estimate(newtons: &str) -> Option<Command> {
    let newtons = newtons.trim().trim_end_matches('n').trim_end();
    let peak_n = match newtons {
        "" => None,
        some => Some(
            some.replace(',', ".")
                .parse()
                .ok()
                .filter(|n: &f64| n.is_finite())?,
        ),
    };
    Some(Command::Estimate { peak_n })
}

fn call(call: Felt) -> Command {
    Command::Call { call }
}

/// Keys of a terminal to what they mean.
#[derive(Debug, Default)]
struct KeyFilter {
    last: Option<char>,
    /// Digits of an estimate that is being typed.
    digits: Option<String>,
}

impl KeyFilter {
    fn take(&mut self, key: &KeyEvent) -> Option<KeyPress> {
        // Some systems report that a key goes up again, too.
        if key.kind == KeyEventKind::Release {
            return None;
        }
        let control = key.modifiers.contains(KeyModifiers::CONTROL);
        if let Some(digits) = self.digits.take_if(|_| !control) {
            return self.typing(digits, key.code);
        }
        let plain = key.modifiers.is_empty();
        let before = self.last.take();
        Some(KeyPress::Command(match key.code {
            KeyCode::Char('c') if control => Command::Stop,
            // A line feed comes as Ctrl-J.
            KeyCode::Char('j') if control => Command::Next,
            KeyCode::Enter => Command::Next,
            KeyCode::Left if plain => call(Felt::Left),
            KeyCode::Right if plain => call(Felt::Right),
            KeyCode::Char(c) if !control => return self.character(c.to_ascii_lowercase(), before),
            _ => return None,
        }))
    }

    /// The next key of an estimate: Enter gives it, Escape leaves it.
    fn typing(&mut self, mut digits: String, key: KeyCode) -> Option<KeyPress> {
        match key {
            KeyCode::Enter => {
                return Some(match estimate(&digits) {
                    Some(command) => KeyPress::Command(command),
                    None => KeyPress::Unknown(digits),
                });
            }
            KeyCode::Esc => return None,
            KeyCode::Backspace => drop(digits.pop()),
            KeyCode::Char(c) if c.is_ascii_digit() || ".,".contains(c) => digits.push(c),
            _ => {}
        }
        self.digits = Some(digits.clone());
        Some(KeyPress::Typing(digits))
    }

    fn character(&mut self, key: char, before: Option<char>) -> Option<KeyPress> {
        // What ends a scan must not be a slip of the hand.
        let what = match key {
            ' ' => return Some(KeyPress::Command(Command::Next)),
            'u' => Some("take back what was pressed last"),
            'e' => {
                self.digits = Some(String::new());
                return Some(KeyPress::Typing(String::new()));
            }
            'l' => Some("take the next learner"),
            'q' => Some("stop"),
            _ => None,
        };
        if let Some(what) = what.filter(|_| before != Some(key)) {
            self.last = Some(key);
            return Some(KeyPress::Again(what));
        }
        let word = key.to_string();
        match command_for(&word) {
            Some(command) => Some(KeyPress::Command(command)),
            None => key.is_ascii_graphic().then_some(KeyPress::Unknown(word)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pressed(filter: &mut KeyFilter, keys: &str) -> Vec<KeyPress> {
        let key = |c| match c {
            '\r' => KeyEvent::from(KeyCode::Enter),
            '\n' => KeyEvent::new(KeyCode::Char('j'), KeyModifiers::CONTROL),
            '\u{3}' => KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL),
            'A'..='Z' => KeyEvent::new(KeyCode::Char(c), KeyModifiers::SHIFT),
            _ => KeyEvent::from(KeyCode::Char(c)),
        };
        keys.chars().filter_map(|c| filter.take(&key(c))).collect()
    }

    #[test]
    fn one_key_is_enough_and_what_ends_a_scan_takes_two() {
        let mut filter = KeyFilter::default();
        let command = KeyPress::Command;
        assert_eq!(
            pressed(&mut filter, "n\r\n R3kl"),
            [
                command(Command::Next),
                command(Command::Next),
                command(Command::Next),
                command(Command::Next),
                command(Command::Repeat),
                command(call(Felt::Even)),
                command(Command::Skip),
                KeyPress::Again("take the next learner"),
            ]
        );
        assert_eq!(pressed(&mut filter, "l"), [command(Command::NextLearner)]);
        assert_eq!(
            pressed(&mut filter, "l"),
            [KeyPress::Again("take the next learner")]
        );
        assert_eq!(
            pressed(&mut filter, "uu"),
            [
                KeyPress::Again("take back what was pressed last"),
                command(Command::Undo)
            ]
        );
        assert_eq!(
            pressed(&mut filter, "vq"),
            [command(Command::Show), KeyPress::Again("stop")]
        );
        assert_eq!(
            pressed(&mut filter, "nq"),
            [command(Command::Next), KeyPress::Again("stop")]
        );
        assert_eq!(
            pressed(&mut filter, "q\u{3}"),
            [command(Command::Stop), command(Command::Stop)]
        );
    }

    #[test]
    fn plain_arrows_are_calls_and_a_released_key_is_nothing() {
        let mut filter = KeyFilter::default();
        let mut take = |code, modifiers, kind| filter.take(&KeyEvent::new_with_kind(code, modifiers, kind));
        let (none, press) = (KeyModifiers::NONE, KeyEventKind::Press);
        let called = |word| Some(KeyPress::Command(call(word)));
        assert_eq!(take(KeyCode::Left, none, press), called(Felt::Left));
        assert_eq!(take(KeyCode::Right, none, press), called(Felt::Right));
        assert_eq!(take(KeyCode::Left, KeyModifiers::CONTROL, press), None);
        assert_eq!(take(KeyCode::Up, none, press), None);
        assert_eq!(take(KeyCode::Char('n'), none, KeyEventKind::Release), None);
        let unknown = Some(KeyPress::Unknown("x".to_owned()));
        assert_eq!(take(KeyCode::Char('x'), none, press), unknown);
    }

    #[test]
    fn an_estimate_is_typed_as_digits_or_said_in_a_line() {
        let mut filter = KeyFilter::default();
        let typed = pressed(&mut filter, "e8n5\r4");
        let estimate = |peak_n| KeyPress::Command(Command::Estimate { peak_n });
        assert_eq!(typed[0], KeyPress::Typing(String::new()));
        assert_eq!(typed[3], KeyPress::Typing("85".to_owned()));
        assert_eq!(
            typed[4..],
            [estimate(Some(85.0)), KeyPress::Command(call(Felt::Unsure))]
        );
        assert_eq!(pressed(&mut filter, "e\r").pop(), Some(estimate(None)));
        assert_eq!(
            pressed(&mut filter, "e1,2.3\r").pop(),
            Some(KeyPress::Unknown("1,2.3".to_owned()))
        );
        assert_eq!(
            pressed(&mut filter, "e8\u{3}").pop(),
            Some(KeyPress::Command(Command::Stop))
        );
        let line = |word| command_for(word).map(KeyPress::Command);
        assert_eq!(line("estimate 84,5"), Some(estimate(Some(84.5))));
        assert_eq!(line("estimate 85 n"), Some(estimate(Some(85.0))));
        assert_eq!(line("no estimate"), Some(estimate(None)));
        assert_eq!((line("estimate much"), line("estimate")), (None, None));
    }

    #[test]
    fn words_mean_what_they_say() {
        assert_eq!(command_for("next learner"), Some(Command::NextLearner));
        assert_eq!(command_for("unsure"), Some(call(Felt::Unsure)));
        assert_eq!(command_for("rihgt"), None);
    }
}
