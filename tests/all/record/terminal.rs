//! At a terminal: one key is enough, one line is redrawn, and the terminal is put back as it was.

use super::bench::{kept, study};
use super::program::command;
use std::fs::File;
use std::io::{Read, Write};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tautpoint::acquire::port::PseudoTerminal;

fn open(path: &str) -> File {
    File::options().read(true).write(true).open(path).unwrap()
}

/// All settings of a terminal, as stty prints them.
fn settings(path: &str) -> String {
    let output = Command::new("stty").arg("-g").stdin(open(path)).output().unwrap();
    String::from_utf8(output.stdout).unwrap()
}

struct Screen {
    end: PseudoTerminal,
    shown: String,
}

impl Screen {
    fn read(&mut self) {
        let mut bytes = [0; 4096];
        if let Ok(n) = self.end.read(&mut bytes) {
            self.shown += &String::from_utf8_lossy(&bytes[..n]);
        }
    }
    fn until(&mut self, words: &str) {
        let begun = Instant::now();
        while !self.shown.contains(words) {
            assert!(
                begun.elapsed() < Duration::from_secs(60),
                "{words:?}:\n{}",
                self.shown
            );
            self.read();
        }
        self.shown = self
            .shown
            .split_off(self.shown.find(words).unwrap() + words.len());
    }
    fn press(&mut self, keys: &[u8]) {
        self.end.write_all(keys).unwrap();
    }
}

#[test]
fn single_keys_move_the_scan_one_line_is_redrawn_and_the_terminal_is_put_back() {
    let has_stty = Command::new("stty").arg("--version").output().is_ok();
    let (Ok(end), true) = (PseudoTerminal::new(), has_stty) else {
        assert!(
            std::env::var_os("TAUTPOINT_FULL_TESTS").is_none(),
            "no pseudo-terminal or no stty"
        );
        eprintln!("skipped: no pseudo-terminal or no stty");
        return;
    };
    let path = end.path().to_owned();
    // Held open, or the settings would be lost between two openings.
    let _held = open(&path);
    let before = settings(&path);
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let more = [
        "--port",
        "sim:speed=2",
        "--subject",
        "V-07",
        "--examiner",
        "L-12",
        "--session",
        "s1",
        "--plan",
        "seated",
    ];
    let mut child = command(&root, &more)
        .stdin(open(&path))
        .stderr(open(&path))
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut screen = Screen {
        end,
        shown: String::new(),
    };
    screen.until("Press Enter");
    screen.press(b"\n");
    screen.until("step 1/46: L5 left, contact thumb, mammillary processes, line of drive 90°, seated");
    screen.until("\r\u{1b}[2K1/46 L5 left · ");
    screen.until(" N · ");
    screen.until("ceiling 175 N lumbar");
    screen.press(b"k");
    screen.until("step 2/46: L5 right");
    screen.press(b"q");
    screen.until("once more to stop");
    screen.press(b"n");
    screen.until("step 3/46: L4 left");
    screen.press(b"\x03");
    screen.until("recordings kept");
    let begun = Instant::now();
    while child.try_wait().unwrap().is_none() {
        assert!(begun.elapsed() < Duration::from_secs(60));
        screen.read();
    }
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert_eq!(settings(&path), before);
    let kept = kept(&root);
    assert!(
        kept["recordings/s1/V-07_L-12_L5_left_1.csv"]
            .1
            .about
            .excluded
            .is_some()
    );
    let sessions = std::fs::read_to_string(root.join("sessions.csv")).unwrap();
    assert!(sessions.ends_with(",confirmed\n"), "{sessions}");
}
