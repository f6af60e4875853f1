//! Keys and words from standard input.

use crate::acquire::control::Wish;
use crate::terms::Felt;
use std::io::{IsTerminal, Read};
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, Sender, channel};

/// What came from the keyboard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Key {
    Wish(Wish),
    /// A key that must come twice in a row: what it would do.
    Again(&'static str),
    /// Something that means nothing.
    Unknown(String),
    /// Nothing more will come.
    Closed,
}

/// The keyboard, one key at a time where the terminal can; put back as it was when dropped.
pub struct Keys {
    pub keys: Receiver<Key>,
    /// Settings of the terminal before.
    saved: Option<String>,
    /// Signs in a line of the terminal.
    pub columns: Option<usize>,
}

impl Keys {
    /// Begins to listen: key by key when standard input is a terminal whose settings can be changed, else line by line.
    pub fn listen() -> Keys {
        let (sender, keys) = channel();
        let terminal = std::io::stdin().is_terminal();
        let saved = if terminal { one_key_at_a_time() } else { None };
        let raw = saved.is_some();
        // The thread waits in a read that nothing can end; it dies with the program.
        std::thread::spawn(move || match raw {
            true => by_key(&sender),
            false => by_line(&sender),
        });
        Keys {
            keys,
            saved,
            columns: if terminal { columns() } else { None },
        }
    }

    /// Whether a single key is enough.
    pub fn single(&self) -> bool {
        self.saved.is_some()
    }

    /// Puts the terminal back as it was.
    pub fn restore(&mut self) {
        if let Some(saved) = self.saved.take() {
            stty(&[&saved]);
        }
    }
}

impl Drop for Keys {
    fn drop(&mut self) {
        self.restore();
    }
}

/// Runs stty on our own terminal; what it prints.
fn stty(args: &[&str]) -> Option<String> {
    let mut command = Command::new("stty");
    command.args(args).stdin(Stdio::inherit()).stderr(Stdio::null());
    let output = command.output().ok()?;
    let text = String::from_utf8(output.stdout).ok()?;
    output.status.success().then(|| text.trim().to_owned())
}

/// Keys come at once, unseen, Ctrl-C among them, so that it ends the recording in order. Gives the settings before;
/// `None` where there is no stty.
fn one_key_at_a_time() -> Option<String> {
    let saved = stty(&["-g"]).filter(|s| !s.is_empty())?;
    stty(&["-icanon", "-echo", "-isig", "min", "1", "time", "0"])?;
    Some(saved)
}

fn columns() -> Option<usize> {
    let size = stty(&["size"])?;
    size.split_whitespace().nth(1)?.parse().ok().filter(|n| *n > 0)
}

fn by_line(sender: &Sender<Key>) {
    for line in std::io::stdin().lines() {
        let Ok(line) = line else { break };
        let word = line.trim().to_lowercase();
        let key = wish_of(&word).map_or(Key::Unknown(word), Key::Wish);
        if sender.send(key).is_err() {
            return;
        }
    }
    let _ = sender.send(Key::Closed);
}

fn by_key(sender: &Sender<Key>) {
    let mut reader = KeyReader::default();
    let mut input = std::io::stdin().lock();
    let mut bytes = [0; 64];
    loop {
        let count = match input.read(&mut bytes) {
            Ok(0) => break,
            Ok(count) => count,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(_) => break,
        };
        for key in reader.push(&bytes[..count]) {
            if sender.send(key).is_err() {
                return;
            }
        }
    }
    let _ = sender.send(Key::Closed);
}

/// What a word means; a single letter is one too.
fn wish_of(word: &str) -> Option<Wish> {
    let call = |call| Some(Wish::Call { call });
    match word {
        "" | "n" | "next" => Some(Wish::Next),
        "r" | "repeat" => Some(Wish::Repeat),
        "k" | "skip" => Some(Wish::Skip),
        "l" | "learner" | "next learner" => Some(Wish::NextLearner),
        "v" | "show" => Some(Wish::Show),
        "q" | "stop" => Some(Wish::Stop),
        "1" | "left" => call(Felt::Left),
        "2" | "right" => call(Felt::Right),
        "3" | "even" => call(Felt::Even),
        "4" | "unsure" => call(Felt::Unsure),
        _ => None,
    }
}

/// Bytes of a terminal to keys.
#[derive(Debug, Default)]
struct KeyReader {
    /// Bytes of an escape sequence so far.
    escape: Vec<u8>,
    last: Option<u8>,
}

const ESCAPE: u8 = 0x1b;
const CTRL_C: u8 = 0x03;

impl KeyReader {
    fn push(&mut self, bytes: &[u8]) -> Vec<Key> {
        let mut keys = Vec::new();
        for &byte in bytes {
            if !self.escape.is_empty() || byte == ESCAPE {
                keys.extend(self.escaped(byte));
            } else {
                keys.extend(self.plain(byte));
            }
        }
        keys
    }

    fn plain(&mut self, byte: u8) -> Option<Key> {
        let key = byte.to_ascii_lowercase();
        let before = self.last.replace(key);
        match key {
            CTRL_C => Some(Key::Wish(Wish::Stop)),
            b'\r' | b'\n' | b' ' => Some(Key::Wish(Wish::Next)),
            // What ends a scan must not be a slip of the hand.
            b'l' | b'q' if before != Some(key) => Some(Key::Again(if key == b'l' {
                "take the next learner"
            } else {
                "stop"
            })),
            _ => {
                self.last = (key != b'l' && key != b'q').then_some(key);
                let word = char::from(key).to_string();
                Some(match wish_of(&word) {
                    Some(wish) => Key::Wish(wish),
                    None if key.is_ascii_graphic() => Key::Unknown(word),
                    None => return None,
                })
            }
        }
    }

    /// Arrows to the left and to the right are calls; any other sequence means nothing.
    fn escaped(&mut self, byte: u8) -> Option<Key> {
        self.last = None;
        let begins = self.escape.len() == 1 && (byte == b'[' || byte == b'O');
        let parameter = self.escape.len() > 1 && (b'0'..=b'?').contains(&byte);
        if byte == ESCAPE || begins || parameter {
            if byte == ESCAPE {
                self.escape.clear();
            }
            self.escape.push(byte);
            return None;
        }
        let plain = self.escape.len() == 2;
        self.escape.clear();
        let call = match byte {
            b'C' => Felt::Right,
            b'D' => Felt::Left,
            _ => return None,
        };
        plain.then_some(Key::Wish(Wish::Call { call }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn call(call: Felt) -> Key {
        Key::Wish(Wish::Call { call })
    }

    #[test]
    fn one_key_is_enough_and_what_ends_a_scan_takes_two() {
        let mut reader = KeyReader::default();
        let keys = reader.push(b"n\r r3kl");
        let wish = Key::Wish;
        assert_eq!(
            keys,
            [
                wish(Wish::Next),
                wish(Wish::Next),
                wish(Wish::Next),
                wish(Wish::Repeat),
                call(Felt::Even),
                wish(Wish::Skip),
                Key::Again("take the next learner"),
            ]
        );
        assert_eq!(reader.push(b"l"), [wish(Wish::NextLearner)]);
        assert_eq!(reader.push(b"l"), [Key::Again("take the next learner")]);
        assert_eq!(reader.push(b"vq"), [wish(Wish::Show), Key::Again("stop")]);
        assert_eq!(reader.push(b"nq"), [wish(Wish::Next), Key::Again("stop")]);
        assert_eq!(reader.push(b"q\x03"), [wish(Wish::Stop), wish(Wish::Stop)]);
    }

    #[test]
    fn arrows_are_calls_also_when_their_bytes_come_one_by_one() {
        let mut reader = KeyReader::default();
        let mut keys = Vec::new();
        for byte in b"\x1b[D\x1bOC\x1b[1;5D\x1b[A\x1b[3~x" {
            keys.extend(reader.push(&[*byte]));
        }
        assert_eq!(
            keys,
            [call(Felt::Left), call(Felt::Right), Key::Unknown("x".to_owned())]
        );
    }

    #[test]
    fn words_mean_what_they_say() {
        assert_eq!(wish_of("next learner"), Some(Wish::NextLearner));
        assert_eq!(wish_of("unsure"), Some(Wish::Call { call: Felt::Unsure }));
        assert_eq!(wish_of("rihgt"), None);
    }
}
