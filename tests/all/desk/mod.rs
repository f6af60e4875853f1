//! The class from a browser: a study made on a page, several stations at once, and who may see and do what.

mod looks;
mod program;
mod roles;
mod speed;
mod tables;
mod walk;

use crate::http;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tautpoint::acquire::virtual_device::{DeviceSpec, VirtualDevice};
use tautpoint::desk::access::PageRole;
use tautpoint::desk::server::{DeskServer, bind};
use tautpoint::desk::{Desk, DeskOptions};

/// What the slowest machine gets.
const PATIENCE: Duration = Duration::from_secs(60);

/// A desk with its server, ended when dropped.
struct Served {
    desk: Arc<Desk>,
    addr: SocketAddr,
    _server: DeskServer,
}

impl Served {
    fn at(root: &Path) -> Served {
        let (listener, addr) = bind("127.0.0.1:0".parse().unwrap()).unwrap();
        let options = DeskOptions {
            root: root.to_owned(),
            program: PathBuf::from(env!("CARGO_BIN_EXE_tautpoint")),
            addr,
        };
        let desk = Desk::open(options).unwrap();
        Served {
            _server: DeskServer::start(Arc::clone(&desk), listener, addr).unwrap(),
            desk,
            addr,
        }
    }

    fn url(&self, role: PageRole) -> String {
        self.desk.url(role).unwrap()
    }

    /// A question of the teacher's: the answer's status and what it says.
    fn asks(&self, what: &str, body: &str) -> (u16, serde_json::Value) {
        self.post(&format!("/ask/{what}"), body)
    }

    /// A question at a table, by the teacher.
    fn at_table(&self, table: u32, what: &str, body: &str) -> (u16, serde_json::Value) {
        self.post(&format!("/table/{table}/ask/{what}"), body)
    }

    fn post(&self, path: &str, body: &str) -> (u16, serde_json::Value) {
        let token = self.desk.token(PageRole::Teacher).unwrap().token;
        let cookie = format!(
            "Cookie: tautpoint_{}_teacher={token}\r\nOrigin: http://{}",
            self.addr.port(),
            self.addr
        );
        let head = format!(
            "POST {path} HTTP/1.1\r\nHost: {}\r\n{cookie}\r\nContent-Type: application/json",
            self.addr
        );
        let (status, _, text) = ask(self.addr, &head, body);
        (
            status,
            serde_json::from_str(&text).unwrap_or(serde_json::Value::String(text)),
        )
    }

    /// As [`Served::asks`], for what must be done.
    fn done(&self, what: &str, body: &str) -> serde_json::Value {
        let (status, answer) = self.asks(what, body);
        assert_eq!(status, 200, "{what} {body}: {answer}");
        answer
    }

    /// Why something is not done.
    fn refused(&self, what: &str, body: &str) -> String {
        let (status, answer) = self.asks(what, body);
        assert!(matches!(status, 400 | 422), "{what} {body}: {status} {answer}");
        answer["message"].as_str().unwrap().to_owned()
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.desk.close();
    }
}

/// Status, head and body of one request.
fn ask(addr: SocketAddr, head: &str, body: &str) -> (u16, String, String) {
    http::ask(addr, Duration::from_secs(8), head, body)
}

fn until(what: &str, mut is: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !is() {
        assert!(begun.elapsed() < PATIENCE, "never: {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// A study whose ceilings are the lab's, with a short plan on two levels and people to press.
fn class(dir: &Path, learners: u32) -> PathBuf {
    let root = dir.join("class");
    std::fs::create_dir_all(root.join("plans")).unwrap();
    std::fs::create_dir_all(root.join("recordings")).unwrap();
    let study = "title = \"Invented class\"\n[ceiling_n]\nneck = 300.0\nthoracic = 300.0\nlumbar = 300.0\nsacral = 300.0\n[plan]\ndefault = \"short\"\n";
    std::fs::write(root.join("study.toml"), study).unwrap();
    write_plan(&root, "short");
    let mut roster = "code,role\nT-01,teacher\n".to_owned();
    let mut notes = "subject,consent,day,not_over,keep_until,noted_by\n".to_owned();
    for n in 1..=learners {
        roster += &format!("L-{n:02},examiner\nV-{n:02},subject\n");
        notes += &format!("V-{n:02},given,2026-09-14,,2099-12-31,T-01\n");
    }
    std::fs::write(root.join("roster.csv"), roster).unwrap();
    std::fs::write(root.join("volunteers.csv"), notes).unwrap();
    root
}

/// A plan of two levels on both sides: as short as a test wants it.
fn write_plan(root: &Path, name: &str) {
    let step = |level: &str| format!("[[step]]\nlevel = \"{level}\"\nside = \"both\"\ncontact = \"thumb\"\n");
    let plan = format!(
        "name = {name:?}\nposture = \"prone\"\n{}{}",
        step("L4"),
        step("L3")
    );
    std::fs::write(root.join(format!("plans/{name}.toml")), plan).unwrap();
}

/// Adds a table; its number.
fn add_table(served: &Served, port: &str) -> u32 {
    let id = served.done("add-table", &format!("{{\"port\":{port:?}}}"));
    u32::try_from(id.as_u64().unwrap()).unwrap()
}

/// A table whose station was there once and is gone; `None`, with the reason printed, without pseudo-terminals.
fn add_away(served: &Served, dir: &Path) -> Option<u32> {
    let link = dir.join("port");
    match VirtualDevice::start(&DeviceSpec::default(), Some(&link)) {
        Ok(device) => {
            let id = add_table(served, &link.display().to_string());
            drop(device);
            Some(id)
        }
        Err(error) => {
            assert!(
                std::env::var_os("TAUTPOINT_FULL_TESTS").is_none(),
                "no pseudo-terminal: {error}"
            );
            println!("skipped: no pseudo-terminal ({error})");
            None
        }
    }
}

/// Chooses people at a table as soon as its hand is off.
fn begin(served: &Served, table: u32, examiner: &str, subject: &str) {
    let body = format!("{{\"examiner\":{examiner:?},\"subject\":{subject:?},\"cautions\":true}}");
    until("people are chosen", || {
        served.at_table(table, "begin", &body).0 == 200
    });
}

/// What the room shows of a table.
fn shown(served: &Served, table: u32) -> Option<tautpoint::desk::RoomTable> {
    served.desk.tables_shown().into_iter().find(|t| t.id.0 == table)
}
