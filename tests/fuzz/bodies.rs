//! What is done with bytes of any kind. Each function is the body of a fuzz target (`fuzz_targets/`), and `cargo test` replays
//! the corpus through it (`tests/all/hostile/corpus.rs`). None may panic; what each promises beyond that it asserts.

use std::path::Path;
use tautpoint::agreement::ratings;
use tautpoint::agreement::registered::Registered;
use tautpoint::agreement::spread::RepeatSpread;
use tautpoint::calibrate::Calibration;
use tautpoint::calibrate::drift;
use tautpoint::columns::Measure;
use tautpoint::error::Problem;
use tautpoint::instrument::Instrument;
use tautpoint::read::calibrations::Calibrations;
use tautpoint::read::import;
use tautpoint::read::readings::{ReadingsOptions, read_readings};
use tautpoint::read::recording::{RecordingSource, read_recording};
use tautpoint::settings::Settings;
use tautpoint::signal::feed::{Feed, FeedSettings};
use tautpoint::signal::measure_trace;
use tautpoint::study::folder::Study;
use tautpoint::study::opened::Opened;
use tautpoint::study::plan::Plan;
use tautpoint::study::roster::Roster;
use tautpoint::study::sidecar::Sidecar;
use tautpoint::study::study_file::StudyFile;
use tautpoint::study::{calls, corrections, draws};
use tautpoint::terms::Side;
use tautpoint::trace::{About, Channel, Trace};

/// A target: its name, which is that of its folder of the corpus too, and its body.
pub type Target = (&'static str, fn(&[u8]));

/// All but the decoder of the line, which has a file of its own.
pub const TARGETS: [Target; 4] = [
    ("recording", recording),
    ("texts", texts),
    ("values", values),
    ("records", records),
];

/// Between the sidecar and the recording in the bytes of [`recording`].
pub const BORDER: &[u8] = b"\n=====\n";

/// A sidecar, [`BORDER`], and a recording: text, Parquet or the frames of a mat.
pub fn recording(data: &[u8]) {
    let border = data.windows(BORDER.len()).position(|w| w == BORDER);
    let (sidecar, bytes) = match border {
        Some(at) => (&data[..at], &data[at + BORDER.len()..]),
        None => (&[][..], data),
    };
    let (sidecar, problems) = Sidecar::parse("r.toml", &String::from_utf8_lossy(sidecar));
    said(&problems);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let ending = if bytes.starts_with(b"PAR1") {
        "parquet"
    } else {
        "csv"
    };
    let path = folder.path().join("r").with_extension(ending);
    std::fs::write(&path, bytes).expect("room for a small file");
    if let Some(looked) = import::look(bytes) {
        let _ = looked.why();
    }
    let study = Study::default();
    let source = RecordingSource {
        path: &path,
        recording: "r",
        sidecar_name: "r.toml",
        sidecar: &sidecar,
        study: &study,
        calibrations: &Calibrations::default(),
        strict: false,
    };
    match read_recording(&source, sidecar.about.clone()) {
        Ok(read) => {
            said(&read.problems);
            let t = &read.trace;
            assert!(t.time_s.windows(2).all(|w| w[0] < w[1]) && t.time_s.iter().all(|t| t.is_finite()));
            assert!(t.channels.iter().all(|c| c.force_n.len() == t.time_s.len()));
            // No row of a file takes fewer than two bytes, but for what packed columns repeat.
            assert!(ending == "parquet" || t.time_s.len() <= bytes.len());
            measured(t);
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// The first byte chooses the kind of a study's text file.
pub fn texts(data: &[u8]) {
    let Some((kind, rest)) = data.split_first() else {
        return;
    };
    let text = &*String::from_utf8_lossy(rest);
    match kind % 14 {
        0 => said(&Sidecar::parse("f", text).1),
        1 => said(&StudyFile::parse("f", text).1),
        2 => said(&Plan::parse("f", text).1),
        3 => said(&Roster::parse("f", text).1),
        4 => said(&calls::parse("f", text).1),
        5 => said(&draws::parse("f", text).1),
        6 => said(&Opened::parse("f", text).1),
        7 => said(&Instrument::parse("f", text).1),
        8 => said(&RepeatSpread::parse("f", text).1),
        9 => said(&Calibration::parse("f", text).1),
        10 => match ratings::parse("f", text) {
            Ok((_, problems)) | Err(problems) => said(&problems),
        },
        11 => {
            let (readings, problems) = read_readings("f", text, &ReadingsOptions::default());
            said(&problems);
            if let Some(readings) = readings {
                let _ = tautpoint::calibration::make(&readings, &Default::default());
            }
        }
        12 => said(&Registered::parse("f", text).1),
        _ => said(&corrections::parse("f", text).1),
    }
}

/// Values that have broken something somewhere, or stand near what rules ask of a value.
const VALUES: [f64; 24] = [
    0.0,
    -0.0,
    1.0,
    -1.0,
    1e-320,
    1e-12,
    0.01,
    0.1,
    2.0,
    3.0,
    5.0,
    9.99,
    30.0,
    60.0,
    90.0,
    175.0,
    499.0,
    -30.0,
    1e3,
    1e6,
    1e150,
    1e300,
    -1e300,
    f64::NAN,
];
const RATES: [f64; 8] = [20.0, 50.0, 60.0, 100.0, 200.0, 1000.0, 2000.0, 20_000.0];
const MOST_SAMPLES: usize = 6000;

/// A trace made of stretches that are constant, huge, tiny, jumping, equal, missing, or a press: measured as from a file, and followed
/// as live.
pub fn values(data: &[u8]) {
    let Some((first, rest)) = data.split_first() else {
        return;
    };
    let rate = RATES[usize::from(first & 7)];
    let (mut force, mut displacement): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    let mut lcg = u32::from(*first);
    for op in rest.chunks_exact(4) {
        let count = (1 + usize::from(op[1])) * if op[0] & 64 == 0 { 4 } else { 1 };
        let [f, x] = [op[2], op[3]].map(|v| VALUES[usize::from(v) % VALUES.len()]);
        let [f0, x0] = [&force, &displacement].map(|c| c.last().copied().unwrap_or(0.0));
        for i in 0..count {
            let share = (i + 1) as f64 / count as f64;
            let wave = 0.5 - 0.5 * (share * std::f64::consts::TAU).cos();
            lcg = lcg.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = f64::from(lcg >> 16) / 65_536.0 - 0.5;
            let (a, b) = match op[0] % 7 {
                0 => (f, x),
                1 => (f0 + share * (f - f0), x0 + share * (x - x0)),
                2 => (f0 + wave * f, x0 + wave * x),
                3 => (f0 + noise * f, x0 + noise * x),
                4 => (f0, x0 + share * x),
                5 => (f0 + share * f, x0),
                _ => (f * (1.0 - 2.0 * (i % 2) as f64), x * (1.0 - 2.0 * (i % 3) as f64)),
            };
            force.push(a);
            displacement.push(b);
        }
        if force.len() > MOST_SAMPLES {
            break;
        }
    }
    force.truncate(MOST_SAMPLES);
    displacement.truncate(MOST_SAMPLES);
    let time_s: Vec<f64> = (0..force.len()).map(|i| i as f64 / rate).collect();
    let with_displacement = first & 8 == 0;
    let mut feed = Feed::new(FeedSettings::live(rate, with_displacement, &Settings::default()));
    let mut events = Vec::new();
    for i in 0..force.len() {
        feed.push(
            time_s[i],
            force[i],
            with_displacement.then(|| displacement[i]),
            &mut events,
        );
    }
    feed.finish(&mut events);
    let channel = |side| Channel {
        side,
        force_n: force.clone(),
        displacement_mm: with_displacement.then(|| displacement.clone()),
        displacement_shared: false,
    };
    let channels = match first & 16 == 0 {
        true => vec![channel(Some(Side::Left))],
        false => vec![channel(Some(Side::Left)), channel(Some(Side::Right))],
    };
    measured(&Trace {
        recording: "values".to_owned(),
        time_s,
        channels,
        marker: None,
        drive_deg: None,
        about: About::default(),
        notes: Vec::new(),
    });
}

/// What a run keeps of a recording, and what a certificate's table of daily checks says.
pub fn records(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    said(&drift::read_history("f", &text).1);
    #[cfg(feature = "parquet")]
    let _ = rmp_serde::from_slice::<tautpoint::batch::RecordingOutcome>(data);
}

fn measured(trace: &Trace) {
    let Ok(tests) = measure_trace(trace, &Settings::default()) else {
        return;
    };
    for test in &tests {
        for e in Measure::ALL.iter().filter_map(|m| test.measures.get(*m)) {
            assert!(
                e.value.is_finite() && e.u.is_none_or(|u| u >= 0.0) && e.df > 0.0,
                "{e:?}"
            );
        }
    }
}

/// Problems are lines of text that name their file.
fn said(problems: &[Problem]) {
    for problem in problems {
        let words = problem.to_string();
        assert!(!words.chars().any(char::is_control), "{words:?}");
        assert!(words.len() < 20_000, "{} bytes", words.len());
    }
}

/// Names of the files of a folder of the corpus, sorted.
pub fn corpus(folder: &Path) -> Vec<std::path::PathBuf> {
    let files = std::fs::read_dir(folder).into_iter().flatten();
    let mut files: Vec<_> = files.filter_map(|f| Some(f.ok()?.path())).collect();
    files.sort();
    files
}
