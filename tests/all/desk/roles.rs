//! Who may see and do what: each role by its own token, and a stranger nothing.

use super::{Served, add_table, ask, class, shown, until};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};
use tautpoint::desk::access::{PageRole, TableId};

/// Status of a request with a cookie for a role.
fn status(served: &Served, method: &str, path: &str, role: Option<PageRole>, more: &str) -> u16 {
    let port = served.addr.port();
    let cookie = role.map_or_else(String::new, |role| {
        let token = served.desk.token(role).unwrap().token;
        format!("\r\nCookie: tautpoint_{port}_{}={token}", role.word())
    });
    let own = format!("\r\nOrigin: http://{}", served.addr);
    let origin = if method == "POST" && !more.contains("Origin") {
        own.as_str()
    } else {
        ""
    };
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: {}{cookie}{origin}\r\nContent-Type: application/json{more}",
        served.addr
    );
    ask(served.addr, &head, "{}").0
}

#[test]
fn each_role_reaches_what_is_its_own_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 2);
    let served = Served::at(&root);
    let tables = [1, 2].map(|seed| add_table(&served, &format!("sim:seed={seed}")));
    let table = |n: usize| Some(PageRole::Table(TableId(tables[n])));
    let at = |n: usize, rest: &str| format!("/table/{}/{rest}", tables[n]);
    let (teacher, look) = (Some(PageRole::Teacher), Some(PageRole::Look));
    let own = at(0, "");
    for (path, allowed) in [
        ("/", vec![teacher]),
        ("/people", vec![teacher]),
        ("/square/table-1", vec![teacher]),
        ("/look/", vec![teacher, look]),
        (own.as_str(), vec![teacher, table(0)]),
    ] {
        for role in [teacher, look, table(0), table(1), None] {
            let expected = if allowed.contains(&role) { 200 } else { 403 };
            assert_eq!(
                status(&served, "GET", path, role, ""),
                expected,
                "{path} by {role:?}"
            );
        }
    }
    for what in [
        "study",
        "people",
        "tables",
        "end",
        "consent",
        "start-task",
        "new-address",
        "ceilings",
    ] {
        for role in [look, table(0), None] {
            assert_eq!(
                status(&served, "POST", &format!("/ask/{what}"), role, ""),
                403,
                "{what} by {role:?}"
            );
        }
    }
    assert!(!served.desk.is_stopping());
    for (path, role, expected) in [
        (at(0, "ask/choices"), table(0), 200),
        (at(0, "ask/choices"), table(1), 403),
        (at(0, "ask/choices"), look, 403),
        // What a table may not even ask.
        (at(0, "ask/people"), table(0), 400),
        (at(0, "ask/end"), table(0), 400),
    ] {
        assert_eq!(
            status(&served, "POST", &path, role, ""),
            expected,
            "{path} by {role:?}"
        );
    }
    // Another site, another name of this computer, and a token that nobody gave.
    let foreign = "\r\nOrigin: http://evil.example";
    assert_eq!(status(&served, "POST", "/ask/study", teacher, foreign), 403);
    let token = served.desk.token(PageRole::Teacher).unwrap().token;
    let port = served.addr.port();
    let head =
        format!("GET / HTTP/1.1\r\nHost: evil.example:{port}\r\nCookie: tautpoint_{port}_teacher={token}");
    assert_eq!(ask(served.addr, &head, "").0, 403);
    assert_eq!(
        ask(
            served.addr,
            &format!("GET /?token={}x HTTP/1.1\r\nHost: {}", token, served.addr),
            ""
        )
        .0,
        403
    );
}

#[test]
fn a_token_goes_from_the_address_into_a_cookie_of_its_part_of_the_site() {
    let dir = tempfile::tempdir().unwrap();
    let served = Served::at(&class(dir.path(), 1));
    let table = add_table(&served, "sim");
    let url = served.url(PageRole::Table(TableId(table)));
    let path = url.split_once(&served.addr.to_string()).unwrap().1;
    let (status, head, _) = ask(
        served.addr,
        &format!("GET {path} HTTP/1.1\r\nHost: {}", served.addr),
        "",
    );
    assert_eq!(status, 303);
    let cookie = head.lines().find_map(|l| l.strip_prefix("set-cookie: ")).unwrap();
    assert!(
        cookie.contains(&format!("Path=/table/{table}/; ")) && cookie.contains("HttpOnly; SameSite=Strict"),
        "{cookie}"
    );
    assert!(head.contains(&format!("location: /table/{table}/")), "{head}");
    // A new address shuts the old one out, and a table that is removed has none.
    let old = cookie.split(';').next().unwrap();
    let with = |cookie: &str| {
        let head = format!(
            "GET /table/{table}/ HTTP/1.1\r\nHost: {}\r\nCookie: {cookie}",
            served.addr
        );
        ask(served.addr, &head, "").0
    };
    assert_eq!(with(old), 200);
    served.done("new-address", &format!("{{\"word\":\"table-{table}\"}}"));
    assert_eq!(with(old), 403);
    let new = served.desk.token(PageRole::Table(TableId(table))).unwrap().token;
    let new = format!("tautpoint_{}_table-{table}={new}", served.addr.port());
    assert_eq!(with(&new), 200);
    served.done("remove-table", &format!("{{\"table\":{table}}}"));
    assert_eq!(with(&new), 403);
}

#[test]
fn a_hostile_tablet_can_do_no_more_than_its_table() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let served = Served::at(&root);
    let table = add_table(&served, "sim:speed=3");
    until("it is there", || {
        shown(&served, table).is_some_and(|t| t.connected)
    });
    let before = crate::record::bench::files(&root);
    for body in [
        "{\"command\":\"stop\"}",
        "{\"command\":\"next_learner\"}",
        "{\"command\":\"format\"}",
        "[]",
        "{",
        "",
        "{\"command\":\"call\",\"call\":\"up\"}",
    ] {
        let (status, answer) = served.at_table(table, "command", body);
        assert!(matches!(status, 400 | 422), "{body}: {status} {answer}");
    }
    for (examiner, subject) in [
        ("../../x", "V-01"),
        ("L-01", "<script>"),
        ("", ""),
        ("L-01", "L-01"),
        ("V-01", "L-01"),
    ] {
        let body =
            serde_json::json!({ "examiner": examiner, "subject": subject, "cautions": true }).to_string();
        assert_eq!(served.at_table(table, "begin", &body).0, 422, "{body}");
    }
    let long = format!("{{\"examiner\":\"{}\"}}", "x".repeat(70_000));
    assert_eq!(served.at_table(table, "begin", &long).0, 413);
    // A port that is a file, and names that steer.
    for port in [
        "/etc/passwd",
        "/dev/null",
        "../x",
        "",
        "sim:nonsense=1",
        "sim:rate-hz=1e99",
    ] {
        served.refused("add-table", &serde_json::json!({ "port": port }).to_string());
    }
    served.refused(
        "rename-table",
        &serde_json::json!({ "table": table, "name": "a\nb" }).to_string(),
    );
    served.refused("start-task", "{\"task\":\"rm -rf\"}");
    let after = crate::record::bench::files(&root);
    let changed: Vec<_> = after
        .iter()
        .filter(|(name, bytes)| before.get(*name) != Some(bytes) && !name.ends_with("over-ceiling.csv"))
        .map(|(n, _)| n)
        .collect();
    assert!(changed.is_empty(), "{changed:?}");
    assert!(
        shown(&served, table).is_some_and(|t| t.connected),
        "the table goes on"
    );
}

/// An event stream that somebody holds open.
struct Held(TcpStream);

impl Held {
    fn open(served: &Served, path: &str, role: PageRole) -> Held {
        let (port, word) = (served.addr.port(), role.word());
        let token = served.desk.token(role).unwrap().token;
        let mut stream = TcpStream::connect(served.addr).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
        let cookie = format!("Cookie: tautpoint_{port}_{word}={token}");
        write!(
            stream,
            "GET {path} HTTP/1.1\r\nHost: {}\r\n{cookie}\r\n\r\n",
            served.addr
        )
        .unwrap();
        let mut held = Held(stream);
        let head = held.next();
        assert!(head.starts_with("HTTP/1.1 200"), "{path}: {head}");
        held
    }

    /// What comes next; nothing at the end of the stream.
    fn next(&mut self) -> String {
        let mut bytes = vec![0; 1 << 16];
        let n = self.0.read(&mut bytes).unwrap_or(0);
        String::from_utf8_lossy(&bytes[..n]).into_owned()
    }

    fn ends(&mut self) -> bool {
        let end = Instant::now() + Duration::from_secs(10);
        while Instant::now() < end {
            if self.next().is_empty() {
                return true;
            }
        }
        false
    }
}

#[test]
fn no_table_takes_the_places_of_others_and_a_new_address_ends_what_was_open() {
    let dir = tempfile::tempdir().unwrap();
    let served = Served::at(&class(dir.path(), 1));
    let tables = [1, 2].map(|seed| add_table(&served, &format!("sim:seed={seed}")));
    let table = |n: usize| PageRole::Table(TableId(tables[n]));
    let events = |n: usize| format!("/table/{}/events", tables[n]);
    let mut many: Vec<Held> = (0..24)
        .map(|_| Held::open(&served, &events(0), table(0)))
        .collect();
    assert!(many[0].ends(), "the oldest makes room");
    assert!(!many[23].next().is_empty());
    let mut others = [
        Held::open(&served, "/room/events", PageRole::Teacher),
        Held::open(&served, "/look/events", PageRole::Look),
        Held::open(&served, &events(1), table(1)),
        Held::open(&served, &events(1), PageRole::Teacher),
    ];
    assert!(others.iter_mut().all(|held| !held.next().is_empty()));
    // The teacher's address opens every page.
    served.done("new-address", "{\"word\":\"teacher\"}");
    assert!(others.iter_mut().all(Held::ends));
    // Others come back by themselves: theirs is good still.
    Held::open(&served, &events(1), table(1));
    // Nobody has an address of a table that is not there.
    served.refused("new-address", "{\"word\":\"table-77\"}");
    assert_eq!(
        status(&served, "GET", "/square/table-77", Some(PageRole::Teacher), ""),
        404
    );
}
