//! The desk as a program: started, started twice, ended, and started again on what it left.

use super::{class, until};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};

struct Running {
    child: Child,
    lines: Receiver<String>,
    heard: Vec<String>,
}

impl Running {
    fn start(root: &Path, more: &[&str]) -> Running {
        let mut child = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
            .arg("desk")
            .arg(root)
            .args(["--listen", "127.0.0.1:0"])
            .args(more)
            .stdin(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (sender, lines) = channel();
        let stderr = child.stderr.take().unwrap();
        std::thread::spawn(move || {
            BufReader::new(stderr)
                .lines()
                .map_while(Result::ok)
                .for_each(|l| drop(sender.send(l)))
        });
        Running {
            child,
            lines,
            heard: Vec::new(),
        }
    }

    fn says(&mut self, words: &str) -> bool {
        self.heard.extend(self.lines.try_iter());
        self.heard.iter().any(|l| l.contains(words))
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_second_desk_or_recorder_on_the_study_is_told_who_holds_it_and_a_killed_one_is_followed() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let mut first = Running::start(&root, &["--virtual-tables", "2"]);
    until("the address", || first.says("teacher's page: http://127.0.0.1:"));
    for other in ["desk", "record"] {
        let mut second = Command::new(env!("CARGO_BIN_EXE_tautpoint"));
        second.arg(other).arg(&root);
        if other == "record" {
            second.args(["--port", "sim", "--seconds", "1"]);
        }
        let output = second.stdin(Stdio::null()).output().unwrap();
        let words = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{other}: {words}");
        assert!(words.contains("another recorder is at work"), "{other}: {words}");
    }
    first.child.kill().unwrap();
    first.child.wait().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .arg("desk")
        .arg(&root)
        .args(["--listen", "127.0.0.1:0", "--seconds", "1"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let tables = std::fs::read_to_string(root.join("desk.toml")).unwrap();
    assert_eq!(tables.matches("[[table]]").count(), 2, "{tables}");
}

#[test]
fn a_study_with_an_error_is_named_before_anything_is_served() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    std::fs::write(root.join("study.toml"), "title = 3\n").unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .arg("desk")
        .arg(&root)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{words}");
    assert!(words.contains("study.toml has an error"), "{words}");
}
