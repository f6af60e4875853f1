//! The disk while recording: slow, failing at any call, losing its power at any moment.

use super::bench::{Bench, kept, one_hand, plan, request, study};
use super::disks::{Change, TestDisk, played, unsynced};
use std::io::ErrorKind;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tautpoint::acquire::control::Command;
use tautpoint::acquire::recorder::{Recorder, RecordingRequest};
use tautpoint::batch::sums;
use tautpoint::read::calibrations::Calibrations;
use tautpoint::read::recording::{RecordingSource, read_recording};
use tautpoint::session::{Session, SessionEvent, SessionSetup};
use tautpoint::study::inputs::collect_any;
use tautpoint::study::sidecar::Sidecar;
use tautpoint::terms::RecordingStatus;

fn with_plan() -> RecordingRequest {
    RecordingRequest {
        plan: Some(plan(&[("L3", "both")])),
        ..request()
    }
}

fn bench_on(root: &Path, disk: &TestDisk) -> tautpoint::error::Result<Bench> {
    let inputs = collect_any(&[root.to_owned()]).unwrap();
    let study = inputs.study.clone().unwrap();
    Recorder::start_on(Arc::new(disk.clone()), &inputs, &study, with_plan()).map(Bench::of)
}

/// Two tests of a plan, from the first sample to the end. Gives the text that each recording was given.
fn scan(root: &Path, disk: &TestDisk) -> (Bench, Vec<String>) {
    let mut bench = bench_on(root, disk).unwrap();
    bench.connect(&one_hand());
    bench.test();
    bench.command(Command::Next);
    bench.test();
    bench.stop();
    let said = bench.recorder.take_messages();
    (bench, said)
}

/// What a study holds can be read: each recording is whole rows of what was recorded, one that says it is complete is,
/// every problem has a name, and the next recorder starts.
fn understood(root: &Path, whole: &str, what: &str) {
    let inputs = collect_any(&[root.to_owned()]).unwrap();
    let study = inputs.study.clone().unwrap();
    let (calibrations, _) = Calibrations::in_folder(root);
    let mut paths = Vec::new();
    for file in &inputs.files {
        paths.push(file.path.clone());
        let text = std::fs::read_to_string(&file.path).unwrap();
        assert!(
            whole.starts_with(&text),
            "{what}: {} holds other rows",
            file.recording
        );
        let (sidecar, problems) = Sidecar::read(&file.sidecar_path, &file.sidecar);
        let complete = sidecar.status == Some(RecordingStatus::Complete);
        assert!(
            !complete || (text == whole && problems.is_empty()),
            "{what}: {} says that it is complete",
            file.recording
        );
        let source = RecordingSource {
            path: &file.path,
            recording: &file.recording,
            sidecar_name: &file.sidecar,
            sidecar: &sidecar,
            study: &study,
            calibrations: &calibrations,
            strict: false,
        };
        if let Err(error) = read_recording(&source, sidecar.about.clone()) {
            let words = error.to_string();
            assert!(words.contains(&file.recording), "{what}: {words}");
            assert!(text.lines().count() < 3, "{what}: {words}");
        }
    }
    for problem in sums::verify(root, &paths) {
        let words = problem.to_string();
        assert!(!words.contains("changed"), "{what}: {words}");
    }
    let next = Recorder::start(&inputs, &study, with_plan());
    assert!(next.is_ok(), "{what}: {:?}", next.err());
}

fn replace_all(root: &Path, files: &std::collections::BTreeMap<std::path::PathBuf, Vec<u8>>) {
    let recordings = root.join("recordings");
    let _ = std::fs::remove_dir_all(&recordings);
    std::fs::create_dir_all(&recordings).unwrap();
    for (path, bytes) in files {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
}

#[test]
fn the_power_may_fail_after_any_write_and_what_was_not_forced_out_may_be_missing_from_any_point_on() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let disk = TestDisk::default();
    scan(&root, &disk);
    let changes = disk.changes.lock().unwrap().clone();
    let whole = whole_trace(&root);
    let mut cases = 0;
    for end in 0..=changes.len() {
        let open = unsynced(&changes[..end]);
        for first_missing in 0..=open.len() {
            let missing = &open[first_missing..];
            replace_all(&root, &played(&changes[..end], missing));
            understood(
                &root,
                &whole,
                &format!("after {end} changes, without {missing:?}"),
            );
            cases += 1;
        }
    }
    println!("{} changes, {cases} losses of power", changes.len());
    assert!(cases > changes.len(), "{cases}");
}

/// Both recordings of the scan hold the same rows.
fn whole_trace(root: &Path) -> String {
    let kept = kept(root);
    let texts: Vec<&String> = kept.values().map(|(text, _)| text).collect();
    assert!(texts.len() == 2 && texts[0] == texts[1]);
    texts[0].clone()
}

#[test]
fn what_was_forced_out_is_there_after_any_loss_of_power() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let disk = TestDisk::default();
    scan(&root, &disk);
    let changes = disk.changes.lock().unwrap().clone();
    let forced = changes.iter().filter(|c| matches!(c, Change::Sync(_))).count();
    assert!(
        forced >= 4,
        "each recording at its beginning and its end: {forced}"
    );
    let everything = played(&changes, &[]);
    let surviving = played(&changes, &unsynced(&changes));
    assert!(surviving == everything, "a scan that has ended loses something");
}

#[test]
fn the_nth_call_may_fail_and_what_is_kept_is_sound_and_the_failure_named() {
    let calls = {
        let dir = tempfile::tempdir().unwrap();
        let root = study(dir.path());
        let disk = TestDisk::default();
        scan(&root, &disk);
        disk.changes.lock().unwrap().len()
    };
    let reference = {
        let dir = tempfile::tempdir().unwrap();
        let root = study(dir.path());
        scan(&root, &TestDisk::default());
        whole_trace(&root)
    };
    let mut cases = 0;
    for (kind, persists) in [
        (ErrorKind::StorageFull, true),
        (ErrorKind::Other, false),
        (ErrorKind::Interrupted, false),
    ] {
        for n in 0..calls {
            let what = format!("call {n} of {calls} gives {kind}, for good: {persists}");
            let dir = tempfile::tempdir().unwrap();
            let root = study(dir.path());
            let disk = TestDisk {
                fails: Some((n, kind, persists)),
                ..TestDisk::default()
            };
            let (bench, said) = scan(&root, &disk);
            understood(&root, &reference, &what);
            let failed = match disk.changes.lock().unwrap().get(n) {
                Some(Change::SyncFolder(_)) | None => false,
                // A write that a signal interrupted is made again.
                Some(Change::Write(..) | Change::Sync(_)) => kind != ErrorKind::Interrupted,
                Some(_) => true,
            };
            if failed {
                let why = bench.recorder.failed();
                // What was shown of a test is written again when its recording is closed.
                let again = said.iter().any(|m| m.contains("not in the sidecar yet"));
                assert!(why.is_some() || again, "{what}: no failure was named: {said:?}");
            }
            let complete = complete(&root);
            assert!(complete <= bench.recorder.kept() + usize::from(failed), "{what}");
            cases += 1;
        }
    }
    println!("{cases} failures");
}

/// How many recordings say that they are complete.
fn complete(root: &Path) -> usize {
    let inputs = collect_any(&[root.to_owned()]).unwrap();
    let status = inputs
        .files
        .iter()
        .map(|f| Sidecar::read(&f.sidecar_path, &f.sidecar).0.status);
    status.filter(|s| *s == Some(RecordingStatus::Complete)).count()
}

/// Runs a session on a disk until it was recorded for so long, and ends it.
fn session_on(root: &Path, disk: TestDisk, port: &str, long: Duration) -> (Vec<String>, Duration) {
    let inputs = collect_any(&[root.to_owned()]).unwrap();
    let setup = SessionSetup {
        study: inputs.study.clone().unwrap(),
        inputs,
        request: request(),
        port: port.to_owned(),
        stop_after: None,
    };
    let mut session = Session::start_on(Arc::new(disk), setup).unwrap();
    let mut said = Vec::new();
    let mut hear = |event: SessionEvent| {
        if let SessionEvent::Message(words) = event {
            said.push(words);
        }
    };
    let begun = Instant::now();
    while begun.elapsed() < long {
        session.advance(Duration::from_millis(10), &mut hear);
    }
    session.command(Command::Stop);
    let stopped = Instant::now();
    session.finish(&mut hear).unwrap();
    (said, stopped.elapsed())
}

#[test]
fn a_slow_disk_is_named_at_once_and_costs_no_row_no_stop_and_no_line_of_the_log() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let slow = TestDisk {
        sync_takes: Duration::from_millis(1100),
        ..TestDisk::default()
    };
    let port = "sim:rate-hz=2000,faults=over-ceiling";
    let (said, stop_took) = session_on(&root, slow, port, Duration::from_secs(24));
    let said = said.join("\n");
    assert!(
        said.contains("the disk is slow") || said.contains("the disk does not answer"),
        "{said}"
    );
    let kept = kept(&root);
    let (text, sidecar) = kept.values().next().unwrap();
    let rows = text.lines().count();
    // 24 s at 2 kHz; a busy machine gives the virtual device a little less.
    assert!(rows > 40_000, "{rows} rows");
    assert_eq!(sidecar.status, Some(RecordingStatus::Complete));
    assert!(stop_took < Duration::from_secs(20), "stop took {stop_took:?}");
    let log = std::fs::read_to_string(root.join("over-ceiling.csv")).unwrap();
    assert!(log.lines().count() >= 2, "{log}");
}

#[test]
fn a_time_over_the_ceiling_that_cannot_be_written_down_is_tried_again() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    // A folder of that name stands in its way, and is taken away later.
    std::fs::create_dir(root.join("over-ceiling.csv")).unwrap();
    let free = root.clone();
    let way = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_secs(16));
        std::fs::remove_dir(free.join("over-ceiling.csv")).unwrap();
    });
    let port = "sim:rate-hz=500,faults=over-ceiling";
    let (said, _) = session_on(&root, TestDisk::default(), port, Duration::from_secs(20));
    way.join().unwrap();
    let said = said.join("\n");
    assert!(said.contains("it is tried again"), "{said}");
    let log = std::fs::read_to_string(root.join("over-ceiling.csv")).unwrap();
    assert!(log.lines().count() >= 2, "{log}");
}

#[test]
fn a_trace_deleted_or_replaced_while_it_grows_is_kept_whole_under_another_name() {
    for replaced in [false, true] {
        let dir = tempfile::tempdir().unwrap();
        let root = study(dir.path());
        let mut bench = bench_on(&root, &TestDisk::default()).unwrap();
        bench.connect(&one_hand());
        bench.run(3000, 1.0);
        let path = root.join("recordings/2026-09-14/V-07_L-11_L3_left_1.csv");
        std::fs::remove_file(&path).unwrap();
        if replaced {
            std::fs::write(&path, "somebody else's\n").unwrap();
        }
        bench.test();
        // Again, right before the end.
        let second = root.join("recordings/2026-09-14/V-07_L-11_L3_left_2.csv");
        std::fs::remove_file(&second).unwrap();
        bench.stop();
        let said = bench.recorder.take_messages().join("\n");
        assert!(
            said.contains(
                "L3_left_1.csv was deleted or replaced while it was being recorded: all of it is kept in"
            ),
            "{said}"
        );
        assert!(
            said.contains("kept recordings/2026-09-14/V-07_L-11_L3_left_3.csv: 4.5 s"),
            "{said}"
        );
        let third = root.join("recordings/2026-09-14/V-07_L-11_L3_left_3.csv");
        let text = std::fs::read_to_string(&third).unwrap();
        assert_eq!(text.lines().count(), 4501);
        assert_eq!(
            replaced,
            std::fs::read_to_string(&path).is_ok_and(|t| t == "somebody else's\n")
        );
        let sums = std::fs::read_to_string(root.join("recordings/SHA256SUMS")).unwrap();
        assert!(
            sums.contains(&tautpoint::write::sha256_hex(text.as_bytes())),
            "{sums}"
        );
    }
}

#[test]
fn a_fault_in_the_recorder_is_named_and_the_recording_goes_on_in_a_new_one() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let disk = TestDisk {
        panics: Some(12),
        ..TestDisk::default()
    };
    let (said, _) = session_on(&root, disk, "sim:rate-hz=500", Duration::from_secs(5));
    let said = said.join("\n");
    assert!(
        said.contains(
            "interrupted the recording: what was recorded up to then is kept, and a new recording goes on"
        ),
        "{said}"
    );
    let inputs = collect_any(std::slice::from_ref(&root)).unwrap();
    assert_eq!(inputs.files.len(), 2, "{said}");
    assert_eq!(complete(&root), 1, "{said}");
}
