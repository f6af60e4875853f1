//! The page on which marks are put right: in a real browser by keyboard, and against whoever else may speak to its server.

mod browser;
mod looks;
mod meanwhile;
mod strangers;

use super::cohort::{code, err, program, run, text};
use super::http;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::time::Duration;

const LEFT: &str = "V-01_L-01_2026-09-07_L3_left_1.csv";

/// A study of one invented subject, one level, one trial a side.
fn study(dir: &Path) -> PathBuf {
    let study = dir.join("study");
    let made = run(&[
        "--quiet",
        "simulate",
        "study",
        "--out",
        text(&study),
        "--seed",
        "3",
        "--subjects",
        "1",
        "--trials",
        "1",
        "--levels",
        "L3",
        "--rate-hz",
        "100",
    ]);
    assert_eq!(code(&made), 0, "{}", err(&made));
    study
}

/// The page of a study, ended with the test.
struct Served {
    child: Child,
    url: String,
    port: u16,
    cookie: String,
}

impl Served {
    fn of(study: &Path) -> Served {
        let mut child = program()
            .args(["correct", text(study), "--page", "--seconds", "300"])
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let url = loop {
            let line = lines.next().expect("the page's address").unwrap();
            if let Some(url) = line.strip_prefix("page: ") {
                break url.to_owned();
            }
        };
        // What follows is read, so that the program never waits for somebody to read it.
        std::thread::spawn(move || lines.for_each(drop));
        let after = url.strip_prefix("http://127.0.0.1:").unwrap();
        let (port, token) = after.split_once("/?token=").unwrap();
        Served {
            port: port.parse().unwrap(),
            cookie: format!("\r\nCookie: tautpoint_{port}={token}"),
            url,
            child,
        }
    }

    /// Status and body of one request.
    fn raw(&self, head: &str, body: &str) -> (u16, String) {
        let addr = SocketAddr::from((Ipv4Addr::LOCALHOST, self.port));
        let (status, _, body) = http::ask(addr, Duration::from_secs(60), head, body);
        (status, body)
    }

    /// A question as the page itself asks it.
    fn ask(&self, what: &str, body: &Value) -> (u16, Value) {
        let (port, cookie) = (self.port, &self.cookie);
        let own = format!("Host: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}{cookie}");
        let head = format!("POST /ask/{what} HTTP/1.1\r\n{own}\r\nContent-Type: application/json");
        let (status, body) = self.raw(&head, &body.to_string());
        (status, serde_json::from_str(&body).unwrap_or(Value::String(body)))
    }

    #[track_caller]
    fn done(&self, what: &str, body: &Value) -> Value {
        let (status, answer) = self.ask(what, body);
        assert_eq!(status, 200, "{what} {body}: {answer}");
        answer
    }

    /// The number by which the page calls a recording.
    fn id_of(&self, recording: &str) -> u64 {
        let study = self.done("study", &json!({}));
        let all = study["recordings"].as_array().unwrap().clone();
        let found = all
            .iter()
            .find(|r| r["name"].as_str().unwrap().ends_with(recording));
        found.unwrap()["id"].as_u64().unwrap()
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn file_of(study: &Path) -> Option<String> {
    std::fs::read_to_string(study.join("corrections.toml")).ok()
}
