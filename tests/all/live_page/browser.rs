//! A browser over WebDriver's plain HTTP and JSON (W3C WebDriver, Recommendation of 2018): no client crate.

use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

pub struct Browser {
    port: u16,
    session: String,
    driver: Child,
}

fn call(port: u16, method: &str, path: &str, body: &str) -> Result<Value, String> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).map_err(|e| e.to_string())?;
    stream
        // A page that is looked through for faults answers nothing meanwhile.
        .set_read_timeout(Some(Duration::from_secs(300)))
        .map_err(|e| e.to_string())?;
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).map_err(|e| e.to_string())?;
    stream.write_all(body.as_bytes()).map_err(|e| e.to_string())?;
    // The driver keeps the connection open, so as many bytes are read as the header names.
    let mut reader = BufReader::new(stream);
    let mut length = 0;
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).map_err(|e| e.to_string())?;
        if line.trim().is_empty() {
            break;
        }
        if let Some(n) = line.to_ascii_lowercase().strip_prefix("content-length:") {
            length = n.trim().parse().map_err(|_| "length")?;
        }
    }
    let mut text = vec![0; length];
    reader.read_exact(&mut text).map_err(|e| e.to_string())?;
    let answer: Value = serde_json::from_slice(&text).map_err(|e| e.to_string())?;
    match answer["value"].get("error") {
        Some(_) => Err(answer["value"].to_string()),
        None => Ok(answer["value"].clone()),
    }
}

impl Browser {
    /// `None`, with the reason printed, where there is no browser; with TAUTPOINT_FULL_TESTS=1 that is a failure.
    pub fn start() -> Option<Browser> {
        let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let port = free.local_addr().unwrap().port();
        drop(free);
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        let Ok(driver) = driver else {
            let full = std::env::var("TAUTPOINT_FULL_TESTS").as_deref() == Ok("1");
            assert!(!full, "no chromedriver on the PATH (Debian: chromium-driver)");
            println!("skipped: no chromedriver on the PATH (Debian: chromium-driver)");
            return None;
        };
        let mut browser = Browser {
            port,
            session: String::new(),
            driver,
        };
        let arguments = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--hide-scrollbars",
            "--window-size=1280,800",
        ];
        let options = json!({ "args": arguments });
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "goog:chromeOptions": options, "goog:loggingPrefs": { "browser": "ALL" } } } });
        let end = Instant::now() + Duration::from_secs(40);
        loop {
            match call(port, "POST", "/session", &wanted.to_string()) {
                Ok(v) => {
                    browser.session = v["sessionId"].as_str().unwrap().to_owned();
                    return Some(browser);
                }
                Err(e) if Instant::now() > end => panic!("no browser session: {e}"),
                Err(_) => std::thread::sleep(Duration::from_millis(100)),
            }
        }
    }

    fn post(&self, what: &str, body: &Value) -> Value {
        let path = format!("/session/{}/{what}", self.session);
        call(self.port, "POST", &path, &body.to_string()).unwrap()
    }

    pub fn goto(&self, url: &str) {
        self.post("url", &json!({ "url": url }));
    }

    /// Runs a script's body in the page.
    pub fn run(&self, script: &str) -> Value {
        self.post("execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// Runs a script that gives its answer to its first argument later.
    pub fn run_async(&self, script: &str) -> Value {
        self.post("timeouts", &json!({ "script": 30_000 }));
        self.post("execute/async", &json!({ "script": script, "args": [] }))
    }

    /// What axe-core finds against WCAG 2.2 AA and common practice. Nothing, with the reason printed, where it is not to be had; with
    /// TAUTPOINT_FULL_TESTS=1 that is a failure.
    pub fn axe(&self) -> Vec<String> {
        let Some(file) = axe_core() else {
            let where_to = "axe-core: TAUTPOINT_AXE names no file, and .ci/run did not fetch it";
            let full = std::env::var("TAUTPOINT_FULL_TESTS").as_deref() == Ok("1");
            assert!(!full, "{where_to}");
            println!("not looked at by {where_to}");
            return Vec::new();
        };
        self.run(&std::fs::read_to_string(file).unwrap());
        self.post("timeouts", &json!({ "script": 300_000 }));
        // Large pages take their time where other tests run too; the answer is asked for again and again, so that no request waits long.
        self.run(
            "window.axeFound = null; \
             setTimeout(() => axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }).then((r) => \
             { window.axeFound = r.violations.flatMap((v) => v.nodes.map((n) => `${v.id}: ${n.html} ${n.failureSummary}`)) }, \
             (e) => { window.axeFound = [String(e)] }))",
        );
        self.within(
            Duration::from_secs(300),
            "an answer of axe-core",
            "window.axeFound",
        );
        let found = self.run("return window.axeFound");
        found
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_str().unwrap().to_owned())
            .collect()
    }

    /// Text of an element as it is seen; nothing for a hidden one.
    pub fn text(&self, id: &str) -> String {
        let script = format!(
            "const e = document.getElementById('{id}'); return e.checkVisibility() ? e.innerText : ''"
        );
        self.run(&script).as_str().unwrap_or("").trim().to_owned()
    }

    /// Waits for a script to be true.
    pub fn until(&self, what: &str, script: &str) {
        self.within(Duration::from_secs(15), what, script);
    }

    pub fn within(&self, most: Duration, what: &str, script: &str) {
        let end = Instant::now() + most;
        let script = format!("return Boolean({script})");
        while self.run(&script) != Value::Bool(true) {
            assert!(
                Instant::now() < end,
                "never: {what}\n{}",
                self.run("return document.body.innerText")
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Presses a key in the page. Names as the standard's code points (`\u{E004}` is Tab, `\u{E007}` Enter).
    pub fn key(&self, key: &str) {
        let down = json!({ "type": "keyDown", "value": key });
        let up = json!({ "type": "keyUp", "value": key });
        self.post(
            "actions",
            &json!({ "actions": [{ "type": "key", "id": "keyboard", "actions": [down, up] }] }),
        );
    }

    /// A command of the browser's own protocol.
    pub fn devtools(&self, command: &str, parameters: Value) -> Value {
        self.post(
            "goog/cdp/execute",
            &json!({ "cmd": command, "params": parameters }),
        )
    }

    /// Size of the page, and whether it is dark.
    pub fn look(&self, width: u32, height: u32, dark: bool) {
        let size = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.devtools("Emulation.setDeviceMetricsOverride", size);
        let scheme = if dark { "dark" } else { "light" };
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        self.devtools("Emulation.setEmulatedMedia", json!({ "features": features }));
    }

    /// Keeps a picture in the folder that TAUTPOINT_KEEP_FIGURES names.
    pub fn keep(&self, name: &str) {
        let Ok(folder) = std::env::var("TAUTPOINT_KEEP_FIGURES") else {
            return;
        };
        let picture = self.devtools("Page.captureScreenshot", json!({ "format": "png" }));
        let bytes = base64(picture["data"].as_str().unwrap());
        std::fs::write(Path::new(&folder).join(format!("{name}.png")), bytes).unwrap();
    }

    /// What the page complained of on its console.
    pub fn complaints(&self) -> Vec<String> {
        let path = format!("/session/{}/se/log", self.session);
        let log = call(
            self.port,
            "POST",
            &path,
            &json!({ "type": "browser" }).to_string(),
        )
        .unwrap();
        let lines = log.as_array().unwrap().iter();
        lines.map(|l| l["message"].as_str().unwrap().to_owned()).collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = call(self.port, "DELETE", &format!("/session/{}", self.session), "");
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// The file of axe-core: as TAUTPOINT_AXE names it, else where .ci/run puts it.
fn axe_core() -> Option<PathBuf> {
    if let Some(named) = std::env::var_os("TAUTPOINT_AXE") {
        return Some(PathBuf::from(named)).filter(|f| f.is_file());
    }
    let cache = std::env::var_os("XDG_CACHE_HOME").map(PathBuf::from);
    let cache = cache.or_else(|| Some(Path::new(&std::env::var_os("HOME")?).join(".cache")))?;
    Some(cache.join("tautpoint-axe/axe_playwright_python/axe.min.js")).filter(|f| f.is_file())
}

/// RFC 4648, section 4.
fn base64(text: &str) -> Vec<u8> {
    let value = |b: u8| match b {
        b'A'..=b'Z' => b - b'A',
        b'a'..=b'z' => b - b'a' + 26,
        b'0'..=b'9' => b - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let signs: Vec<u8> = text.bytes().filter(|b| *b != b'=').map(value).collect();
    let mut bytes = Vec::with_capacity(signs.len() * 3 / 4);
    for four in signs.chunks(4) {
        let word = four.iter().fold(0_u32, |w, s| w << 6 | u32::from(*s)) << (6 * (4 - four.len()));
        bytes.extend(&word.to_be_bytes()[1..four.len()]);
    }
    bytes
}
