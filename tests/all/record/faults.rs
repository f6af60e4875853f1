//! What may fail while recording: the program is killed, the cable pulled, the disk full, a second recorder started.

use super::bench::{files, kept, study};
use super::program::{Running, err, run};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tautpoint::acquire::virtual_device::{DeviceSpec, VirtualDevice};
use tautpoint::terms::RecordingStatus;

const WHO: [&str; 6] = ["--subject", "V-07", "--examiner", "L-12", "--session", "s1"];

fn last_time_s(text: &str) -> f64 {
    text.lines()
        .last()
        .unwrap()
        .split(',')
        .next()
        .unwrap()
        .parse()
        .unwrap()
}

fn until(what: &str, is: impl Fn() -> bool) {
    let begun = Instant::now();
    while !is() {
        assert!(begun.elapsed() < Duration::from_secs(60), "{what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn check(root: &Path) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .arg("check")
        .arg(root)
        .output()
        .unwrap();
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Records for so long and is killed; how much is missing at the end, in s.
fn killed_after(root: &Path, long: Duration) -> f64 {
    let mut running = Running::start(root, &[&WHO[..], &["--port", "sim", "--level", "L3"]].concat());
    let trace = root.join("recordings/s1/V-07_L-12_L3_1.csv");
    until("the trace appears", || trace.is_file());
    let begun = Instant::now();
    std::thread::sleep(long);
    // SIGKILL: nothing of the program runs any more.
    running.child.kill().unwrap();
    let ran_s = begun.elapsed().as_secs_f64();
    running.child.wait().unwrap();
    ran_s - last_time_s(&kept(root)["recordings/s1/V-07_L-12_L3_1.csv"].0)
}

#[test]
fn a_recorder_killed_in_the_middle_loses_less_than_a_second_and_the_next_one_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    // On a machine too busy to run the recorder for a second it says nothing, so it may try again.
    let mut lost_s = vec![killed_after(&root, Duration::from_millis(2200))];
    while lost_s.iter().all(|l| *l >= 1.0) && lost_s.len() < 4 {
        let other = tempfile::tempdir().unwrap();
        lost_s.push(killed_after(&study(other.path()), Duration::from_millis(2200)));
    }
    assert!(lost_s.iter().any(|l| *l < 1.0), "{lost_s:?} s are missing");
    let killed = kept(&root);
    let (_, sidecar) = &killed["recordings/s1/V-07_L-12_L3_1.csv"];
    assert_eq!(sidecar.status, Some(RecordingStatus::Open));
    let before = files(&root.join("recordings/s1"));

    let more = [&WHO[..], &["--port", "sim", "--level", "L3", "--seconds", "0.3"]].concat();
    let second = run(&root, &more);
    assert_eq!(second.status.code(), Some(0), "{}", err(&second));
    assert!(
        err(&second).contains("recordings/s1/V-07_L-12_L3_1.csv was left open by a recorder that was killed"),
        "{}",
        err(&second)
    );
    let after = files(&root.join("recordings/s1"));
    assert!(
        before.iter().all(|(path, bytes)| after[path] == *bytes),
        "a killed recording was changed"
    );
    assert_eq!(after.len(), before.len() + 2);
    assert_eq!(
        kept(&root)["recordings/s1/V-07_L-12_L3_2.csv"].1.about.trial,
        Some(2)
    );
    // Reported once; from then on its hash is kept like any other.
    let third = run(&root, &more);
    assert!(!err(&third).contains("left open"), "{}", err(&third));
    let checked = check(&root);
    assert!(
        checked.contains("open: the recording was not closed in order"),
        "{checked}"
    );
    assert!(!checked.contains("SHA256SUMS"), "{checked}");
}

#[test]
fn half_a_row_of_a_killed_recording_is_left_out_even_when_it_has_all_its_cells() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let stem = root.join("recordings/press");
    let mut text = "time_s,force_n\n".to_owned();
    for i in 0..2000 {
        text += &format!("{:.3},{:.2}\n", f64::from(i) * 0.001, 1.25);
    }
    text += "2.000,1";
    std::fs::write(stem.with_extension("csv"), &text).unwrap();
    std::fs::write(stem.with_extension("toml"), "status = \"open\"\n").unwrap();
    let checked = check(&root);
    assert!(
        checked.contains("line 2002: found a last row cut off (2.000,1)"),
        "{checked}"
    );
    assert!(
        checked.contains("1 recording read, 1 of them usable"),
        "{checked}"
    );
    // One that was closed ends as its writer ended it.
    std::fs::write(stem.with_extension("toml"), "status = \"complete\"\n").unwrap();
    assert!(!check(&root).contains("cut off"));
}

#[test]
fn a_cable_pulled_and_put_back_gives_a_further_recording_and_says_what_happened() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    // By a name that stays: plugged in again, the pseudo-terminal may have another number.
    let link = dir.path().join("device");
    let Ok(device) = VirtualDevice::start(&DeviceSpec::default(), Some(&link)) else {
        assert!(
            std::env::var_os("TAUTPOINT_FULL_TESTS").is_none(),
            "no pseudo-terminal"
        );
        eprintln!("skipped: this system has no pseudo-terminal");
        return;
    };
    let port = link.to_string_lossy().into_owned();
    let mut running = Running::start(&root, &[&WHO[..], &["--port", &port, "--level", "L3"]].concat());
    let trace = |n: u32| root.join(format!("recordings/s1/V-07_L-12_L3_{n}.csv"));
    until("the first trace grows", || {
        trace(1).metadata().is_ok_and(|m| m.len() > 10_000)
    });
    device.unplug();
    running.until("goes on in a new recording");
    let first = std::fs::read(trace(1)).unwrap();
    device.plug_in();
    until("the second trace grows", || {
        trace(2).metadata().is_ok_and(|m| m.len() > 10_000)
    });
    running.say("stop");
    let (code, said) = running.end();
    assert_eq!(code, Some(0), "{said}");
    assert!(
        said.contains("V-07_L-12_L3_1.csv") && said.contains("cut off"),
        "{said}"
    );
    assert_eq!(
        std::fs::read(trace(1)).unwrap(),
        first,
        "something was added to a closed recording"
    );
    let kept = kept(&root);
    assert_eq!(kept.len(), 2);
    assert_eq!(
        kept["recordings/s1/V-07_L-12_L3_1.csv"].1.status,
        Some(RecordingStatus::Open)
    );
    assert_eq!(
        kept["recordings/s1/V-07_L-12_L3_2.csv"].1.status,
        Some(RecordingStatus::Complete)
    );
    assert!(!check(&root).contains("SHA256SUMS"), "{}", check(&root));
}

#[test]
fn a_second_recorder_on_the_same_study_is_told_who_is_at_work_and_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut first = Running::start(&root, &[&WHO[..], &["--port", "sim"]].concat());
    until("the first records", || {
        root.join("recordings/s1/V-07_L-12_1.csv").is_file()
    });
    let second = run(
        &root,
        &[
            "--port",
            "sim",
            "--seconds",
            "1",
            "--subject",
            "V-08",
            "--session",
            "s2",
        ],
    );
    assert_eq!(second.status.code(), Some(2));
    let said = err(&second);
    assert!(
        said.contains(&format!("(process {}, since 20", first.child.id())),
        "{said}"
    );
    assert!(!root.join("recordings/s2").exists() && !root.join("over-ceiling.csv").exists());
    assert!(
        !std::fs::read_to_string(root.join("sessions.csv"))
            .unwrap()
            .contains("s2")
    );
    first.say("stop");
    assert_eq!(first.end().0, Some(0));
    // The lock dies with its holder, also when that is killed.
    let mut killed = Running::start(&root, &[&WHO[..], &["--port", "sim"]].concat());
    until("it records", || {
        root.join("recordings/s1/V-07_L-12_2.csv").is_file()
    });
    killed.child.kill().unwrap();
    killed.child.wait().unwrap();
    let next = run(
        &root,
        &[&WHO[..], &["--port", "sim", "--seconds", "0.1"]].concat(),
    );
    assert_eq!(next.status.code(), Some(0), "{}", err(&next));
}

/// Runs the recorder on a study that lies on a disk of 160 kB, in a name space of its own; the study is copied back.
fn on_a_small_disk(dir: &Path, root: &Path, port: &str) -> Option<(Option<i32>, String)> {
    let script = r#"
        mount -t tmpfs -o size=160k none "$1/disk" || exit 99
        cp -r "$2" "$1/disk/class" || exit 99
        "$3" record "$1/disk/class" --port "$4" --subject V-07 --examiner L-12 --session s1 --level L3
        code=$?
        cp -r "$1/disk/class/." "$2"
        exit $code"#;
    std::fs::create_dir(dir.join("disk")).unwrap();
    let output = Command::new("unshare")
        .args(["-rm", "sh", "-c", script, "sh"])
        .args([dir, root])
        .args([env!("CARGO_BIN_EXE_tautpoint"), port])
        .stdin(Stdio::null())
        .output()
        .ok()?;
    let refused = output.status.code() == Some(99) || err(&output).contains("unshare:");
    (!refused).then(|| (output.status.code(), err(&output)))
}

#[test]
fn a_full_disk_ends_the_recording_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let Some((code, said)) = on_a_small_disk(dir.path(), &root, "sim:rate-hz=2000") else {
        eprintln!("skipped: this system lets nobody mount a disk of his own");
        return;
    };
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains("No space left on device") && said.contains("make room on the disk"),
        "{said}"
    );
    let kept = kept(&root);
    let (text, sidecar) = &kept["recordings/s1/V-07_L-12_L3_1.csv"];
    assert!(text.len() > 60_000, "{}", text.len());
    assert_eq!(text.lines().last().unwrap().split(',').count(), 3);
    assert_eq!(sidecar.status, Some(RecordingStatus::Open));
    assert!(
        check(&root).contains("1 recording read, 1 of them usable"),
        "{}",
        check(&root)
    );
}
