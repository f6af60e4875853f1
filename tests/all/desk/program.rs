//! The desk as a program: started, started twice, ended in each way, and started again on what it left.

use super::{class, until};
use crate::http;
use crate::record::bench::kept;
use crate::record::program::Running;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;
use tautpoint::terms::RecordingStatus;

const PROGRAM: &str = env!("CARGO_BIN_EXE_tautpoint");
const ANY_PORT: [&str; 2] = ["--listen", "127.0.0.1:0"];

fn command(what: &str, root: &Path, more: &[&str]) -> Command {
    let mut command = Command::new(PROGRAM);
    command.arg(what).arg(root).args(more);
    command
}

fn desk(root: &Path, more: &[&str]) -> Command {
    command("desk", root, &[&ANY_PORT[..], more].concat())
}

/// Exit code, and what it said.
fn run(mut command: Command) -> (Option<i32>, String) {
    let Output { status, stderr, .. } = command.stdin(Stdio::null()).output().unwrap();
    (status.code(), String::from_utf8_lossy(&stderr).into_owned())
}

/// Lets L-01 press V-01 at the first table of a desk that runs.
#[cfg(unix)]
fn begin(running: &mut Running) {
    let line = running.until("teacher's page: http://");
    let (addr, token) = line
        .rsplit_once("http://")
        .unwrap()
        .1
        .split_once("/?token=")
        .unwrap();
    let port = addr.rsplit_once(':').unwrap().1;
    let cookie = format!("Cookie: tautpoint_{port}_teacher={token}");
    let head = format!(
        "POST /table/1/ask/begin HTTP/1.1\r\nHost: {addr}\r\nOrigin: http://{addr}\r\n{cookie}\r\nContent-Type: application/json"
    );
    let body = "{\"examiner\":\"L-01\",\"subject\":\"V-01\",\"cautions\":true}";
    let asked = || http::ask(addr.parse().unwrap(), Duration::from_secs(8), &head, body).0;
    until("people begin", || asked() == 200);
}

/// Asks for the end as a service manager does; exit code, and what it said.
#[cfg(unix)]
fn ended(running: Running) -> (Option<i32>, String) {
    let id = running.child.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-TERM", &id])
            .status()
            .unwrap()
            .success()
    );
    running.end_by_itself()
}

#[test]
fn a_second_desk_or_recorder_on_the_study_is_told_who_holds_it_and_a_killed_one_is_followed() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let mut first = Running::of(desk(&root, &["--virtual-tables", "2"]));
    first.until("teacher's page: http://127.0.0.1:");
    for other in [
        desk(&root, &[]),
        command("record", &root, &["--port", "sim", "--seconds", "1"]),
    ] {
        let (code, words) = run(other);
        assert_eq!(code, Some(2), "{words}");
        assert!(words.contains("another recorder is at work"), "{words}");
    }
    first.child.kill().unwrap();
    first.child.wait().unwrap();
    let (code, words) = run(desk(&root, &["--seconds", "1"]));
    assert_eq!(code, Some(0), "{words}");
    let tables = std::fs::read_to_string(root.join("desk.toml")).unwrap();
    assert_eq!(tables.matches("[[table]]").count(), 2, "{tables}");
}

#[test]
fn a_study_with_an_error_is_named_before_anything_is_served() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    std::fs::write(root.join("study.toml"), "title = 3\n").unwrap();
    let (code, words) = run(desk(&root, &[]));
    assert_eq!(code, Some(2), "{words}");
    assert!(words.contains("study.toml has an error"), "{words}");
}

#[cfg(unix)]
#[test]
fn a_wish_of_the_system_ends_it_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let mut running = Running::of(desk(&root, &["--virtual-tables", "1"]));
    begin(&mut running);
    until("a recording", || !kept(&root).is_empty());
    let (code, words) = ended(running);
    assert_eq!(code, Some(0), "{words}");
    assert!(words.contains("every table has ended"), "{words}");
    let sums = std::fs::read_to_string(root.join("recordings/SHA256SUMS")).unwrap();
    for (name, (_, sidecar)) in kept(&root) {
        assert_eq!(sidecar.status, Some(RecordingStatus::Complete), "{name}");
        assert!(
            sums.contains(name.trim_start_matches("recordings/")),
            "{name} has no hash"
        );
    }
}

/// As on a full disk: the table whose recording cannot grow says so, and the desk goes on.
#[cfg(unix)]
#[test]
fn a_limit_on_the_size_of_files_stops_a_table_and_not_the_desk() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let mut shell = Command::new("sh");
    // The shell counts in blocks of 512 or 1,024 bytes.
    shell.args(["-c", "ulimit -f 60; exec \"$@\"", "sh", PROGRAM, "desk"]);
    shell.arg(&root).args(ANY_PORT).args(["--virtual-tables", "2"]);
    let mut running = Running::of(shell);
    begin(&mut running);
    let longest = || {
        kept(&root)
            .values()
            .map(|(text, _)| text.len())
            .max()
            .unwrap_or(0)
    };
    let mut before = 0;
    until("the limit", || {
        std::thread::sleep(Duration::from_millis(1500));
        let now = longest();
        let stands = now > 20_000 && now == before;
        before = now;
        stands
    });
    assert_eq!(running.child.try_wait().unwrap(), None, "the desk goes on");
    let (code, words) = ended(running);
    assert_eq!(code, Some(0), "{words}");
    for (name, (text, sidecar)) in kept(&root) {
        assert!(text.ends_with('\n'), "{name} ends in the middle of a line");
        assert_eq!(sidecar.status, Some(RecordingStatus::Open), "{name}");
    }
}
