//! Who may read the page and who may command (DNS rebinding, requests from other sites, framing, tokens).

use super::session::{one_side, state, station_of};
use crate::http;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};
use tautpoint::live::control::Command;
use tautpoint::live::monitor::{Monitor, MonitorOptions};
use tautpoint::live::server::{Hub, new_token, serve};
use tautpoint::settings::Settings;
use tautpoint::terms::{Feedback, Felt};

const LOOPBACK: &str = "127.0.0.1:0";

fn hub() -> Hub {
    serve(LOOPBACK.parse().unwrap(), None).unwrap()
}

/// Status, head in small letters and body; a stream is read for a moment only.
fn ask(addr: SocketAddr, head: &str, body: &str) -> (u16, String, String) {
    let (status, head, body) = http::ask(addr, Duration::from_millis(400), head, body);
    (status, head.to_lowercase(), body)
}

pub fn get(addr: SocketAddr, path: &str, more: &str) -> (u16, String, String) {
    ask(addr, &format!("GET {path} HTTP/1.1\r\nHost: {addr}{more}"), "")
}

fn command(addr: SocketAddr, more: &str, body: &str) -> u16 {
    let json = "\r\nContent-Type: application/json";
    ask(
        addr,
        &format!("POST /command HTTP/1.1\r\nHost: {addr}{json}{more}"),
        body,
    )
    .0
}

#[test]
fn a_name_that_somebody_else_points_here_is_not_answered() {
    let hub = hub();
    let port = hub.addr().port();
    for path in ["/", "/events", "/main.js"] {
        for host in ["evil.example", "127.0.0.1.evil.example"] {
            let head = format!("GET {path} HTTP/1.1\r\nHost: {host}:{port}");
            assert_eq!(ask(hub.addr(), &head, "").0, 403, "{path} {host}");
        }
        let (status, _, body) = get(hub.addr(), path, "");
        assert_eq!(status, 200, "{path}: {body}");
    }
    assert_eq!(
        ask(
            hub.addr(),
            &format!("GET / HTTP/1.1\r\nHost: localhost:{port}"),
            ""
        )
        .0,
        200
    );
}

#[test]
fn a_wish_from_another_site_does_not_come_through() {
    let hub = hub();
    let addr = hub.addr();
    let stop = r#"{"command":"stop"}"#;
    for origin in [
        "",
        "\r\nOrigin: null",
        "\r\nOrigin: http://evil.example",
        "\r\nOrigin: http://localhost:1",
    ] {
        assert_eq!(command(addr, origin, stop), 403, "{origin}");
    }
    let own = format!("\r\nOrigin: http://{addr}");
    assert_eq!(
        command(addr, &format!("{own}\r\nSec-Fetch-Site: cross-site"), stop),
        403
    );
    // Without the type that makes a browser ask first.
    let plain = format!("POST /command HTTP/1.1\r\nHost: {addr}{own}\r\nContent-Type: text/plain");
    assert_eq!(ask(addr, &plain, stop).0, 400);
    assert_eq!(command(addr, &own, "{}"), 400);
    assert_eq!(command(addr, &own, r#"{"command":"call","call":"<b>"}"#), 400);
    assert_eq!(command(addr, &own, &"x".repeat(4000)), 413);
    assert!(hub.commands.try_iter().next().is_none());
    assert_eq!(command(addr, &own, stop), 204);
    assert_eq!(command(addr, &own, r#"{"command":"call","call":"left"}"#), 204);
    let call = Command::Call { call: Felt::Left };
    assert_eq!(hub.commands.try_iter().collect::<Vec<_>>(), [Command::Stop, call]);
    assert_eq!(get(addr, "/events", "\r\nOrigin: http://evil.example").0, 403);
    assert_eq!(get(addr, "/events", "\r\nSec-Fetch-Site: cross-site").0, 403);
}

#[test]
fn every_answer_forbids_scripts_from_elsewhere_frames_and_copies() {
    let hub = hub();
    let addr = hub.addr();
    for (path, status) in [("/", 200), ("/main.js", 200), ("/events", 200), ("/nothing", 404)] {
        let (found, head, _) = get(addr, path, "");
        assert_eq!(found, status, "{path}");
        // Content Security Policy Level 3 (W3C): what is not named falls to default-src.
        let policy = head
            .lines()
            .find_map(|l| l.strip_prefix("content-security-policy: "))
            .unwrap();
        assert!(policy.starts_with("default-src 'none';"), "{policy}");
        for word in [
            "frame-ancestors 'none'",
            "base-uri 'none'",
            "form-action 'none'",
            "script-src 'self'",
        ] {
            assert!(policy.contains(word), "{path}: {policy}");
        }
        assert!(!policy.contains("unsafe") && !policy.contains('*') && !policy.contains("http"));
        for line in [
            "cache-control: no-store",
            "x-content-type-options: nosniff",
            "referrer-policy: no-referrer",
        ] {
            assert!(head.contains(line), "{path}: {head}");
        }
        assert!(!head.contains("access-control-allow"), "{head}");
    }
}

#[test]
fn the_page_names_no_other_place_and_builds_no_markup_from_text() {
    let hub = hub();
    for path in [
        "/",
        "/page.css",
        "/main.js",
        "/stream.js",
        "/words.js",
        "/draw.js",
        "/strip.js",
        "/curve.js",
        "/summary.js",
        "/alarm.js",
    ] {
        let (_, _, body) = get(hub.addr(), path, "");
        assert!(body.len() > 100, "{path}");
        for word in [
            "://",
            "innerHTML",
            "outerHTML",
            "insertAdjacent",
            "document.write",
            "eval(",
            "onclick=",
            "style=",
        ] {
            assert!(!body.contains(word), "{path} has {word}");
        }
    }
}

#[test]
fn off_loopback_the_token_opens_once_and_a_cookie_after() {
    assert!(serve("0.0.0.0:0".parse().unwrap(), None).is_err());
    let token = new_token().unwrap();
    let hub = serve("0.0.0.0:0".parse().unwrap(), Some(token.clone())).unwrap();
    assert!(hub.url().ends_with(&format!("/?token={token}")));
    let port = hub.addr().port();
    let addr: SocketAddr = ([127, 0, 0, 1], port).into();
    for path in ["/", "/events", "/main.js", "/?token=", "/?token=0000"] {
        assert_eq!(get(addr, path, "").0, 403, "{path}");
    }
    assert_eq!(get(addr, &format!("/events?token={token}"), "").0, 403);
    let (status, head, _) = get(addr, &format!("/?token={token}"), "");
    assert_eq!(status, 303);
    assert!(
        head.contains("location: /\r\n") || head.ends_with("location: /"),
        "{head}"
    );
    let cookie = head.lines().find_map(|l| l.strip_prefix("set-cookie: ")).unwrap();
    for word in ["httponly", "samesite=strict", "path=/"] {
        assert!(cookie.contains(word), "{cookie}");
    }
    let own = cookie.split(';').next().unwrap();
    let last = if own.ends_with('0') { '1' } else { '0' };
    let other = format!("{}{last}", &own[..own.len() - 1]);
    for path in ["/", "/events", "/main.js"] {
        assert_eq!(get(addr, path, &format!("\r\nCookie: {own}")).0, 200, "{path}");
        assert_eq!(get(addr, path, &format!("\r\nCookie: {other}")).0, 403);
    }
    let origin = format!("\r\nOrigin: http://{addr}");
    assert_eq!(command(addr, &origin, r#"{"command":"next"}"#), 403);
    assert_eq!(
        command(
            addr,
            &format!("{origin}\r\nCookie: {own}"),
            r#"{"command":"next"}"#
        ),
        204
    );
}

#[test]
fn a_page_that_comes_later_gets_nothing_that_is_hidden() {
    let hub = hub();
    let trace = one_side();
    let mut monitor = Monitor::new(
        &station_of(&trace, 2000.0),
        &Settings::default(),
        MonitorOptions::default(),
    );
    let play = |monitor: &mut Monitor, rows: std::ops::Range<usize>, mode| {
        for row in rows {
            monitor.push(&super::session::sample_of(&trace, row));
            if row % 66 == 0 {
                hub.publish(&monitor.view(&state("L3", "left", mode)));
            }
        }
    };
    play(&mut monitor, 0..6000, Feedback::Live);
    let (_, _, seen) = get(hub.addr(), "/events", "");
    assert!(seen.contains("event: strip") && seen.contains("low_n"), "{seen}");
    play(&mut monitor, 6000..8000, Feedback::None);
    let (_, _, seen) = get(hub.addr(), "/events", "");
    assert!(
        seen.contains("event: frame") && !seen.contains("low_n") && !seen.contains("total_n"),
        "{seen}"
    );
}

#[test]
fn one_address_serves_one_program() {
    let hub = hub();
    let error = serve(hub.addr(), None).err().unwrap().to_string();
    assert!(error.contains("another program"), "{error}");
}

#[test]
fn half_sent_requests_leave_room_for_a_page_and_are_ended_after_a_while() {
    let hub = hub();
    let addr = hub.addr();
    // A page that is open stays open.
    let mut page = TcpStream::connect(addr).unwrap();
    write!(page, "GET /events HTTP/1.1\r\nHost: {addr}\r\n\r\n").unwrap();
    let mut bytes = [0; 4096];
    page.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    assert!(page.read(&mut bytes).unwrap() > 0);
    let mut half: Vec<TcpStream> = Vec::new();
    for _ in 0..400 {
        let mut stream = TcpStream::connect(addr).unwrap();
        // One that was pushed out already may not take it.
        let _ = stream.write_all(b"GET / HT");
        half.push(stream);
    }
    let begun = Instant::now();
    assert_eq!(get(addr, "/", "").0, 200);
    assert!(begun.elapsed() < Duration::from_secs(3), "{:?}", begun.elapsed());
    let closed = |stream: &mut TcpStream, wait: u64| {
        stream
            .set_read_timeout(Some(Duration::from_millis(wait)))
            .unwrap();
        let mut bytes = Vec::new();
        match stream.read_to_end(&mut bytes) {
            Ok(_) => true,
            Err(e) => e.kind() == std::io::ErrorKind::ConnectionReset,
        }
    };
    let open = half
        .iter_mut()
        .filter_map(|s| (!closed(s, 1)).then_some(()))
        .count();
    assert!(open <= 64, "{open} of 400 half-sent requests are open");
    // The newest was pushed out by nobody: its time is up at last.
    assert!(
        closed(half.last_mut().unwrap(), 15_000),
        "a half-sent request waits for ever"
    );
    assert_eq!(hub.pages(), 1);
    page.set_nonblocking(true).unwrap();
    let still = match page.read(&mut bytes) {
        Ok(count) => count > 0,
        Err(e) => e.kind() == std::io::ErrorKind::WouldBlock,
    };
    assert!(still, "the page was cut off");
}

#[test]
fn a_body_that_does_not_come_is_not_waited_for() {
    let hub = hub();
    let addr = hub.addr();
    let mut stream = TcpStream::connect(addr).unwrap();
    write!(
        stream,
        "POST /command HTTP/1.1\r\nHost: {addr}\r\nOrigin: http://{addr}\r\nContent-Type: application/json\r\nContent-Length: 20\r\n\r\n{{"
    )
    .unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(15))).unwrap();
    let mut bytes = [0; 512];
    let count = stream.read(&mut bytes).unwrap();
    let answer = String::from_utf8_lossy(&bytes[..count]).into_owned();
    assert!(answer.starts_with("HTTP/1.1 408"), "{answer}");
}

#[test]
fn what_listens_everywhere_is_told_by_addresses_that_can_be_opened() {
    let token = new_token().unwrap();
    let hub = serve("0.0.0.0:0".parse().unwrap(), Some(token.clone())).unwrap();
    let port = hub.addr().port();
    assert_eq!(hub.url(), format!("http://127.0.0.1:{port}/?token={token}"));
    for url in hub.urls_in_the_room().unwrap() {
        assert!(
            !url.contains("0.0.0.0") && url.ends_with(&format!(":{port}/?token={token}")),
            "{url}"
        );
        let host = url.trim_start_matches("http://").split('/').next().unwrap();
        let path = format!("/?token={token}");
        let asked = ask(hub.addr(), &format!("GET {path} HTTP/1.1\r\nHost: {host}"), "");
        assert_eq!(asked.0, 303, "{url}");
    }
    assert_eq!(
        serve(LOOPBACK.parse().unwrap(), None).unwrap().urls_in_the_room(),
        None
    );
}
