//! A study to record into, a station that is fed by hand, and looks at what was kept.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use tautpoint::acquire::control::TestTurn;
use tautpoint::acquire::recorder::{Recorder, RecordingRequest};
use tautpoint::acquire::station::{ChannelQuantity, MAX_CHANNELS, Sample, Station, StationChannel};
use tautpoint::study::inputs::collect_any;
use tautpoint::study::plan::Plan;
use tautpoint::study::sidecar::Sidecar;
use tautpoint::terms::{Given, RecordingStatus, Side};

/// An empty study with a roster of a subject and three learners.
pub fn study(dir: &Path) -> PathBuf {
    let root = dir.join("class");
    std::fs::create_dir_all(root.join("recordings")).unwrap();
    std::fs::write(root.join("study.toml"), "title = \"Invented class\"\n").unwrap();
    std::fs::write(
        root.join("roster.csv"),
        "code,role\nV-07,subject\nT-1,teacher\nL-11,examiner\nL-12,examiner\nL-13,examiner\n",
    )
    .unwrap();
    root
}

pub fn channel(quantity: ChannelQuantity, side: Option<Side>, unit: &str) -> StationChannel {
    StationChannel {
        quantity,
        side,
        unit: unit.to_owned(),
        per_count: 0.001,
        sensor: Some("cell-4".to_owned()),
        calibration: None,
    }
}

/// One force and one displacement sensor.
pub fn one_hand() -> Station {
    Station {
        device: "bench \"A\"\n[x]".to_owned(),
        rate_hz: 1000.0,
        channels: vec![
            channel(ChannelQuantity::Force, None, "N"),
            channel(ChannelQuantity::Displacement, None, "mm"),
        ],
    }
}

/// A force under each hand.
pub fn two_hands() -> Station {
    Station {
        channels: [Side::Left, Side::Right]
            .map(|side| channel(ChannelQuantity::Force, Some(side), "N"))
            .to_vec(),
        ..one_hand()
    }
}

pub fn request() -> RecordingRequest {
    RecordingRequest {
        subject: Some("V-07".to_owned()),
        examiner: Some("L-11".to_owned()),
        session: "2026-09-14".to_owned(),
        tests_are_seen: true,
        ..RecordingRequest::default()
    }
}

pub fn plan(steps: &[(&str, &str)]) -> Plan {
    let mut text = "name = \"short\"\nposture = \"prone\"\n".to_owned();
    for (level, side) in steps {
        text += &format!("[[step]]\nlevel = \"{level}\"\nside = \"{side}\"\ncontact = \"thumb\"\n");
    }
    Plan::parse("short.toml", &text).0.unwrap()
}

/// A recorder with a clock that is moved by hand.
pub struct Bench {
    pub recorder: Recorder,
    start: Instant,
    pub now_ms: u64,
    device_ms: u64,
    tests: u32,
}

/// A test of the learner and what of it was shown.
pub fn turn(number: u32, given: Given) -> TestTurn {
    TestTurn { number, given }
}

impl Bench {
    pub fn new(root: &Path, request: RecordingRequest) -> Bench {
        let inputs = collect_any(&[root.to_owned()]).unwrap();
        let study = inputs.study.clone().unwrap();
        Bench::of(Recorder::start(&inputs, &study, request).unwrap())
    }

    pub fn of(recorder: Recorder) -> Bench {
        Bench {
            recorder,
            start: Instant::now(),
            now_ms: 0,
            device_ms: 0,
            tests: 0,
        }
    }

    pub fn now(&self) -> Instant {
        self.start + Duration::from_millis(self.now_ms)
    }

    /// Connects a device, whose clock begins anew.
    pub fn connect(&mut self, station: &Station) {
        self.device_ms = 0;
        self.recorder.connected(station, self.now());
    }

    /// Samples for so long, at 1 kHz, in batches of 10.
    pub fn run(&mut self, ms: u64, force_n: f64) {
        for _ in 0..ms / 10 {
            let now = self.now();
            let samples: Vec<Sample> = (0..10)
                .map(|i| {
                    let mut values = [f64::NAN; MAX_CHANNELS];
                    values[0] = force_n;
                    values[1] = 1.0;
                    Sample {
                        time_s: (self.device_ms + i) as f64 / 1e3,
                        arrived: now,
                        values,
                    }
                })
                .collect();
            self.device_ms += 10;
            self.now_ms += 10;
            let now = self.now();
            self.recorder.push(&samples, now);
        }
    }

    /// One test: hands on, off, and the detector's word on it.
    pub fn test(&mut self) {
        self.run(300, 0.0);
        self.recorder.touching(true);
        self.run(500, 40.0);
        self.recorder.touching(false);
        self.tests += 1;
        self.recorder.test_ended(turn(self.tests, Given::None));
        self.run(700, 0.0);
    }

    pub fn command(&mut self, command: tautpoint::acquire::control::Command) {
        let now = self.now();
        self.recorder.command(&command, now);
    }

    pub fn stop(&mut self) {
        self.command(tautpoint::acquire::control::Command::Stop);
    }
}

/// Every recording of a study with its sidecar, by name; the trace must be whole lines.
pub fn kept(root: &Path) -> BTreeMap<String, (String, Sidecar)> {
    let inputs = collect_any(&[root.to_owned()]).unwrap();
    let read = inputs.files.iter().map(|f| {
        let text = std::fs::read_to_string(&f.path).unwrap();
        assert!(text.ends_with('\n'), "{}", f.recording);
        let (sidecar, problems) = Sidecar::read(&f.sidecar_path, &f.sidecar);
        let open = sidecar.status == Some(RecordingStatus::Open);
        assert!(problems.is_empty() || open, "{problems:?}");
        (f.recording.clone(), (text, sidecar))
    });
    read.collect()
}

/// Names of what was kept, without the folder of the session.
pub fn names(root: &Path) -> Vec<String> {
    let folder = "recordings/2026-09-14/";
    kept(root)
        .keys()
        .map(|k| k.trim_start_matches(folder).trim_end_matches(".csv").to_owned())
        .collect()
}

/// Every file under a folder with its bytes.
pub fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path));
        } else {
            found.insert(path.clone(), std::fs::read(&path).unwrap());
        }
    }
    found
}
