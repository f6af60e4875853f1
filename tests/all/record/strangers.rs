//! Few descriptors, as a service manager may leave, and hundreds of strangers who open connections to the page and send half a
//! request: log, recordings, device and page go on as without them.

use super::bench::{kept, study};
use super::program::Running;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tautpoint::acquire::virtual_device::{DeviceSpec, VirtualDevice};
use tautpoint::simulate::ExaminerFault;
use tautpoint::terms::RecordingStatus;

/// Descriptors of the recorder.
const DESCRIPTORS: u32 = 80;
/// Half-sent requests at once: several times what the recorder may have open.
const STRANGERS: usize = 300;

fn until(what: &str, is: impl Fn() -> bool) {
    let begun = Instant::now();
    while !is() {
        assert!(begun.elapsed() < Duration::from_secs(90), "{what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().port()
}

/// Strangers who come back as often as they are shown out, until this is dropped.
struct Flood {
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<usize>>,
}

impl Flood {
    fn of(port: u16) -> Flood {
        let over = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&over);
        let thread = std::thread::spawn(move || {
            let mut open = std::collections::VecDeque::new();
            let mut came = 0;
            while !seen.load(Relaxed) {
                if let Ok(mut stream) = TcpStream::connect(("127.0.0.1", port)) {
                    let _ = stream.write_all(b"GET / HT");
                    open.push_back(stream);
                    came += 1;
                }
                if open.len() > STRANGERS {
                    open.pop_front();
                    // Enough of them stand at the door; one more now and then keeps it so.
                    std::thread::sleep(Duration::from_millis(2));
                }
            }
            came
        });
        Flood {
            over,
            thread: Some(thread),
        }
    }

    /// How many came in all.
    fn end(mut self) -> usize {
        self.over.store(true, Relaxed);
        self.thread.take().unwrap().join().unwrap()
    }
}

impl Drop for Flood {
    fn drop(&mut self) {
        self.over.store(true, Relaxed);
    }
}

fn page(port: u16) -> String {
    let mut page = TcpStream::connect(("127.0.0.1", port)).unwrap();
    write!(
        page,
        "GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n"
    )
    .unwrap();
    let mut answer = String::new();
    // One that was pushed out before it was read is tried again, as a browser would.
    let _ = page.read_to_string(&mut answer);
    answer
}

fn served(port: u16) {
    until("the page is served", || {
        TcpStream::connect(("127.0.0.1", port)).is_ok()
    });
}

#[test]
fn they_take_no_descriptor_from_the_log_the_recordings_or_the_page() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let port = free_port();
    let listen = format!("127.0.0.1:{port}");
    let sim = [
        "--port",
        "sim:rate-hz=500,faults=over-ceiling",
        "--level",
        "L3",
        "--listen",
        &listen,
    ];
    let mut running = Running::with_descriptors(DESCRIPTORS, &root, &sim);
    served(port);
    let flood = Flood::of(port);
    let log = root.join("over-ceiling.csv");
    until("a time over the ceiling is written down", || log.is_file());
    until("the page opens", || page(port).starts_with("HTTP/1.1 200"));
    running.say("stop");
    let (code, said) = running.end();
    assert_eq!(code, Some(0), "{said}");
    assert!(flood.end() > STRANGERS);
    assert!(!said.contains("could not be written down"), "{said}");
    assert_eq!(kept(&root).len(), 1, "{said}");
}

fn length(path: &Path) -> u64 {
    path.metadata().map_or(0, |m| m.len())
}

#[test]
fn a_device_that_was_unplugged_comes_back_through_them() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let link = dir.path().join("device");
    let spec = DeviceSpec {
        rate_hz: 500.0,
        faults: vec![ExaminerFault::Over(175.0)],
        rest_s: 0.2,
        ..DeviceSpec::default()
    };
    let Ok(device) = VirtualDevice::start(&spec, Some(&link)) else {
        assert!(
            std::env::var_os("TAUTPOINT_FULL_TESTS").is_none(),
            "no pseudo-terminal"
        );
        eprintln!("skipped: this system has no pseudo-terminal");
        return;
    };
    let port = free_port();
    let listen = format!("127.0.0.1:{port}");
    let who = [
        "--subject",
        "V-07",
        "--examiner",
        "L-12",
        "--session",
        "s1",
        "--level",
        "L3",
    ];
    let more = [&who[..], &["--port", link.to_str().unwrap(), "--listen", &listen]].concat();
    let mut running = Running::with_descriptors(DESCRIPTORS, &root, &more);
    served(port);
    let trace = |n: u32| root.join(format!("recordings/s1/V-07_L-12_L3_{n}.csv"));
    until("the first trace grows", || length(&trace(1)) > 5_000);
    let flood = Flood::of(port);
    let before = length(&trace(1));
    until("it goes on growing among the strangers", || {
        length(&trace(1)) > before + 30_000
    });
    device.unplug();
    running.until("goes on in a new recording");
    let closed = std::fs::read(trace(1)).unwrap();
    device.plug_in();
    until("the second trace grows", || length(&trace(2)) > 10_000);
    let log = root.join("over-ceiling.csv");
    let before = length(&log);
    until("a further time over the ceiling is written down", || {
        length(&log) > before
    });
    until("the page opens", || page(port).starts_with("HTTP/1.1 200"));
    running.say("stop");
    let (code, said) = running.end();
    assert_eq!(code, Some(0), "{said}");
    assert!(flood.end() > STRANGERS);
    assert!(!said.contains("could not be written down"), "{said}");
    assert_eq!(
        std::fs::read(trace(1)).unwrap(),
        closed,
        "something was added to a closed recording"
    );
    let status: Vec<_> = kept(&root)
        .into_values()
        .map(|(_, sidecar)| sidecar.status)
        .collect();
    assert_eq!(
        status,
        [Some(RecordingStatus::Open), Some(RecordingStatus::Complete)],
        "{said}"
    );
}
