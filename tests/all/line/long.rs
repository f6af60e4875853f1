//! Two channels at 2 kHz from another process: nothing lost, little work.
//!
//! `TAUTPOINT_LINE_SECONDS=600 cargo test --test all line::long -- --nocapture` for the long run.

use super::RecorderStatus;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tautpoint::acquire::clock::ClockFit;
use tautpoint::acquire::open_line;
use tautpoint::acquire::station::{LineCounts, LineEvent};

/// Ends the device whatever happens.
struct Device(std::process::Child);

impl Drop for Device {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Processor time and resident memory of a process, in s and MB; `None` where the system does not tell.
fn used(pid: &str) -> Option<(f64, f64)> {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    // Fields 14 and 15 of the file, in ticks of 10 ms; the name before them may hold blanks.
    let ticks: f64 = fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?;
    let pages: f64 = fields.get(21)?.parse().ok()?;
    Some((ticks / 100.0, pages * 4096.0 / 1e6))
}

#[test]
fn two_channels_at_two_kilohertz_lose_no_frame() {
    let seconds: f64 = std::env::var("TAUTPOINT_LINE_SECONDS")
        .ok()
        .map_or(3.0, |s| s.parse().unwrap());
    let mut child = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args([
            "simulate",
            "device",
            "--wait",
            "--rate-hz",
            "2000",
            "--drift-ppm",
            "50",
            "--seconds",
        ])
        .arg(seconds.to_string())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut path = String::new();
    BufReader::new(child.stdout.take().unwrap())
        .read_line(&mut path)
        .unwrap();
    let device = Device(child);
    let before = used("self");
    let began = Instant::now();
    let line = open_line(path.trim());
    let mut told = RecorderStatus::default();
    let mut fit = ClockFit::default();
    let (mut count, mut last_s, mut counts) = (0_u64, -1.0, LineCounts::default());
    let mut memory = Vec::new();
    for event in &line {
        match event {
            LineEvent::Samples(samples) => {
                for sample in samples {
                    assert!(sample.time_s > last_s);
                    last_s = sample.time_s;
                    count += 1;
                    fit.add(sample.time_s, sample.arrived);
                }
            }
            LineEvent::Counts(c) => {
                counts = c;
                memory.extend(used("self").map(|u| u.1));
            }
            LineEvent::Gone(_) => break,
            other => told.take(other),
        }
        assert!(began.elapsed().as_secs_f64() < seconds + 60.0);
    }
    let device_used = used(&device.0.id().to_string());
    assert_eq!((counts.bad, counts.lost, counts.late), (0, 0, 0));
    // What was under way when the terminal closed is lost.
    let expected = (2000.0 * seconds * (1.0 + 50e-6)) as u64;
    assert!(count > expected - 1000, "{count} of {expected}");
    if let (Some(before), Some(after)) = (before, used("self")) {
        let share = 100.0 * (after.0 - before.0) / began.elapsed().as_secs_f64();
        let (first, last) = (memory.get(memory.len() / 10), memory.last());
        println!(
            "{count} samples in {:?}: {share:.1} % of a core, memory {first:?} to {last:?} MB",
            began.elapsed()
        );
        println!("the device used {device_used:?}; {:?}", fit.line());
    }
    assert!(Duration::from_secs_f64(seconds) < began.elapsed() + Duration::from_secs(1));
}
