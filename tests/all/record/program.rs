//! The program as it runs: started, spoken to line by line, listened to.

use super::bench::{files, kept, study};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Output, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use tautpoint::terms::RecordingStatus;

/// What the slowest machine gets.
const PATIENCE: Duration = Duration::from_secs(60);

pub fn command(study: &Path, more: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tautpoint"));
    command.arg("record").arg(study).args(more);
    command
}

/// Runs to the end, with an input that is no terminal and says nothing.
pub fn run(study: &Path, more: &[&str]) -> Output {
    command(study, more).stdin(Stdio::null()).output().unwrap()
}

pub fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A recorder that runs.
pub struct Running {
    pub child: Child,
    stdin: Option<ChildStdin>,
    lines: Receiver<String>,
    pub heard: Vec<String>,
}

impl Running {
    pub fn start(study: &Path, more: &[&str]) -> Running {
        Running::of(command(study, more))
    }

    /// With so few descriptors, where the system can be told.
    #[cfg(unix)]
    pub fn with_descriptors(most: u32, study: &Path, more: &[&str]) -> Running {
        let mut shell = Command::new("sh");
        shell.args(["-c", &format!("ulimit -n {most}; exec \"$@\""), "sh"]);
        shell.args([env!("CARGO_BIN_EXE_tautpoint"), "record"]);
        shell.arg(study).args(more);
        Running::of(shell)
    }

    /// Any command, listened to on standard error.
    pub fn of(mut command: Command) -> Running {
        let mut child = command
            .stdin(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (sender, lines) = channel();
        let stderr = child.stderr.take().unwrap();
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines() {
                let Ok(line) = line else { break };
                let _ = sender.send(line);
            }
        });
        Running {
            stdin: child.stdin.take(),
            child,
            lines,
            heard: Vec::new(),
        }
    }

    pub fn say(&mut self, word: &str) {
        writeln!(self.stdin.as_mut().unwrap(), "{word}").unwrap();
    }

    /// Waits until a line with these words is printed.
    pub fn until(&mut self, words: &str) -> String {
        let begun = Instant::now();
        loop {
            let left = PATIENCE.saturating_sub(begun.elapsed());
            let Ok(line) = self.lines.recv_timeout(left) else {
                let _ = self.child.kill();
                panic!("{words:?} was not said:\n{}", self.heard.join("\n"));
            };
            self.heard.push(line.clone());
            if line.contains(words) {
                return line;
            }
        }
    }

    /// Its exit code, and all that it said, once nobody speaks to it any more.
    pub fn end(mut self) -> (Option<i32>, String) {
        drop(self.stdin.take());
        self.end_by_itself()
    }

    /// The same while its input stays open.
    pub fn end_by_itself(mut self) -> (Option<i32>, String) {
        let code = self.child.wait().unwrap().code();
        self.heard.extend(self.lines.iter());
        (code, self.heard.join("\n"))
    }
}

impl Drop for Running {
    /// After a test that failed nothing goes on running.
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn so_many_seconds_are_recorded_and_it_stops_by_itself() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let who = ["--subject", "V-07", "--examiner", "L-12", "--session", "s1"];
    let output = run(
        &root,
        &[&["--port", "sim", "--seconds", "1.5"], &who[..]].concat(),
    );
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let kept = kept(&root);
    let (text, sidecar) = &kept["recordings/s1/V-07_L-12_1.csv"];
    let last: f64 = text
        .lines()
        .last()
        .unwrap()
        .split(',')
        .next()
        .unwrap()
        .parse()
        .unwrap();
    assert!((1.3..3.0).contains(&last), "{last}");
    assert_eq!(sidecar.status, Some(RecordingStatus::Complete));
    assert_eq!(sidecar.device.as_deref(), Some("virtual device"));
    // The cautions are shown once a session, and that they were is kept.
    assert!(err(&output).contains("Stop on request"), "{}", err(&output));
    let sessions = std::fs::read_to_string(root.join("sessions.csv")).unwrap();
    assert!(
        sessions.starts_with("session,subject,time,cautions\ns1,V-07,") && sessions.ends_with(",shown\n"),
        "{sessions}"
    );
    let again = run(
        &root,
        &[&["--port", "sim", "--seconds", "0.2"], &who[..]].concat(),
    );
    assert!(!err(&again).contains("Stop on request"), "{}", err(&again));
    assert_eq!(
        std::fs::read_to_string(root.join("sessions.csv")).unwrap(),
        sessions
    );
}

#[test]
fn practice_keeps_the_over_ceiling_log_and_nothing_else_and_the_bell_rings_when_quiet() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    // A neck's ceiling of 60 N, and a hand that presses a lumbar spine.
    let more = [
        "--port",
        "sim:speed=4,levels=L3",
        "--seconds",
        "3",
        "--practice",
        "--level",
        "C4",
        "--examiner",
        "L-12",
    ];
    let before = files(&root);
    let output = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(["--quiet", "record"])
        .arg(&root)
        .args(more)
        .args(["--feedback", "none"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let said = err(&output);
    assert!(
        said.contains('\u{7}') && said.contains("over the ceiling: neck 60 N"),
        "{said}"
    );
    assert!(
        !said.contains("highest"),
        "a value is shown in the mode none: {said}"
    );
    let mut after = files(&root);
    let log = after.remove(&root.join("over-ceiling.csv")).unwrap();
    assert_eq!(after, before);
    let log = String::from_utf8(log).unwrap();
    let first: Vec<&str> = log.lines().nth(1).unwrap().split(',').collect();
    assert_eq!(
        (first[1], first[2], first[4], first[6]),
        ("neck", "C4", "60", "L-12"),
        "{log}"
    );
    let (peak_n, duration_s): (f64, f64) = (first[3].parse().unwrap(), first[5].parse().unwrap());
    assert!(peak_n > 60.0 && duration_s > 0.0 && duration_s < 2.0, "{log}");
}

#[test]
fn a_stranger_is_warned_of_and_a_code_of_two_lines_refused() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let short = ["--port", "sim", "--seconds", "0.1", "--subject", "V-07"];
    let output = run(&root, &[&short[..], &["--examiner", "L-21"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    assert!(
        err(&output).contains("L-21 is not in the roster as examiner: is L-12 meant"),
        "{}",
        err(&output)
    );
    let before = files(&root);
    for person in ["Anna Example", "anna@b.example"] {
        let output = run(&root, &[&short[..], &["--examiner", person]].concat());
        assert_eq!(output.status.code(), Some(2));
        assert!(
            err(&output).contains("a code that tells nobody who it is, such as L-12"),
            "{}",
            err(&output)
        );
        assert_eq!(files(&root), before, "nothing holds the name");
    }
    let output = run(&root, &[&short[..], &["--examiner", "L-12\nL-13"]].concat());
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("--examiner"), "{}", err(&output));
    assert_eq!(files(&root), before);
}

#[test]
fn what_cannot_be_meant_is_refused_before_anything_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let before = files(&root);
    for (more, words) in [
        (
            &["--plan", "prone-thums", "--port", "sim"][..],
            "write prone-thumbs if that is meant",
        ),
        (
            &["--plan", "prone-thumbs", "--calls", "--port", "sim"],
            "both codes",
        ),
        (&["--port", "/dev/not-there"], "/dev/not-there"),
        (&["--port", "sim:speed=fast"], "speed"),
        (&["--port", "sim", "--listen", "203.0.113.7:1"], "203.0.113.7:1"),
    ] {
        let output = run(&root, more);
        assert_eq!(output.status.code(), Some(2), "{more:?}: {}", err(&output));
        assert!(err(&output).contains(words), "{more:?}: {}", err(&output));
    }
    let mut after = files(&root);
    for not_yet_asked in [".recording", "sessions.csv"] {
        after.remove(&root.join(not_yet_asked));
    }
    assert_eq!(after, before);
    let nowhere = run(dir.path(), &["--port", "sim"]);
    assert_eq!(nowhere.status.code(), Some(2));
    assert!(err(&nowhere).contains("tautpoint prepare"), "{}", err(&nowhere));
}

#[test]
fn a_recorded_plan_is_the_one_that_the_learner_is_held_to() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    std::fs::write(
        root.join("study.toml"),
        "title = \"Invented class\"\n[plan]\ndefault = \"prone-thumbs\"\n",
    )
    .unwrap();
    std::fs::create_dir(root.join("plans")).unwrap();
    std::fs::write(
        root.join("plans/short.toml"),
        "name = \"short\"\n[[step]]\nlevel = \"L3\"\nside = \"midline\"\n",
    )
    .unwrap();
    let who = [
        "--subject",
        "V-07",
        "--examiner",
        "L-12",
        "--session",
        "s1",
        "--plan",
        "short",
        "--port",
        "sim",
    ];
    let mut running = Running::start(&root, &who);
    running.until("a test was seen");
    std::thread::sleep(Duration::from_millis(800));
    running.say("next");
    running.until("nothing is missing");
    running.say("stop");
    assert_eq!(running.end().0, Some(0));
    let results =
        tautpoint::batch::run(std::slice::from_ref(&root), &tautpoint::batch::Options::default()).unwrap();
    let plans: Vec<&str> = results.plans.iter().map(|p| p.plan.as_str()).collect();
    assert_eq!(plans, ["short"]);
    let missed = tautpoint::technique::TechniqueRule::LevelMissed;
    assert!(
        results.technique.iter().all(|f| f.rule != missed),
        "{:?}",
        results.technique
    );
}

#[test]
fn whoever_is_not_named_is_missed_at_the_start_and_not_only_by_the_analysis() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let output = run(&root, &["--port", "sim", "--seconds", "1", "--level", "L3"]);
    let said = err(&output);
    for words in [
        "no --subject was given: nobody will know who was pressed",
        "no --examiner was given",
    ] {
        assert_eq!(said.matches(words).count(), 1, "{said}");
    }
}

#[test]
fn the_cautions_are_shown_for_each_volunteer() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    for subject in ["V-07", "V-08"] {
        let who = ["--subject", subject, "--examiner", "L-12", "--session", "s1"];
        let output = run(
            &root,
            &[&["--port", "sim", "--seconds", "1", "--level", "L3"], &who[..]].concat(),
        );
        let said = err(&output);
        assert!(
            said.contains(&format!("Before {subject} is touched in this session:")),
            "{said}"
        );
    }
    let sessions = std::fs::read_to_string(root.join("sessions.csv")).unwrap();
    assert!(
        sessions.contains("s1,V-07,") && sessions.contains("s1,V-08,"),
        "{sessions}"
    );
}

#[test]
fn no_text_from_outside_controls_the_terminal() {
    let hostile = "\u{1b}[31mL\u{1b}]0;title\u{7}\u{9b}2J\u{202e}";
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    std::fs::write(
        root.join("roster.csv"),
        format!("code,role\nV-1,subject\n\"{hostile}\",examiner\n"),
    )
    .unwrap();
    std::fs::write(
        root.join("calls.csv"),
        format!("subject,examiner,session,level,call\nV-1,\"{hostile}\",s,L3,left\nV-1,L-1,\"{hostile}\",L3,left\n"),
    )
    .unwrap();
    let readings = dir.path().join("readings.csv");
    std::fs::write(&readings, "applied_n,indicated\n0,1\n10,11\n20,21.1\n30,31\n").unwrap();
    let certificate = dir.path().join("c.toml");
    let out = dir.path().join("out");
    let (root_s, out) = (root.to_str().unwrap(), out.to_str().unwrap());
    let commands: [&[&str]; 5] = [
        &["check", root_s],
        &["agree", root_s],
        &["debrief", root_s, "--out", out],
        &[
            "record",
            root_s,
            "--port",
            "sim",
            "--seconds",
            "1",
            "--level",
            "L3",
        ],
        &[
            "calibrate",
            readings.to_str().unwrap(),
            "--out",
            certificate.to_str().unwrap(),
            "--name",
            hostile,
        ],
    ];
    for args in commands {
        let output = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
            .args(args)
            .stdin(Stdio::null())
            .output()
            .unwrap();
        for bytes in [&output.stdout, &output.stderr] {
            let text = String::from_utf8(bytes.clone()).unwrap();
            let bad = text
                .chars()
                .find(|c| (c.is_control() && *c != '\n') || *c == '\u{202e}');
            assert_eq!(bad, None, "{}: {text:?}", args[0]);
        }
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_output_is_a_failure_and_a_full_standard_error_none() {
    // /dev/full answers every write with ENOSPC (man 4 full).
    let full = || std::fs::File::options().write(true).open("/dev/full").unwrap();
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let program = || Command::new(env!("CARGO_BIN_EXE_tautpoint"));
    let status = command(&root, &["--port", "sim", "--seconds", "1", "--level", "L3"])
        .stdin(Stdio::null())
        .stderr(full())
        .status()
        .unwrap();
    assert_eq!(status.code(), Some(0));
    assert_eq!(kept(&root).len(), 1);
    let output = program().arg("check").arg(&root).stdout(full()).output().unwrap();
    assert_eq!(output.status.code(), Some(2), "{}", err(&output));
    assert!(
        err(&output).contains("standard output could not be written"),
        "{}",
        err(&output)
    );
}

#[test]
fn whose_each_ceiling_is_is_said_at_the_start() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let start = ["--port", "sim", "--seconds", "1", "--level", "L3"];
    let said = err(&run(&root, &start));
    assert!(
        said.contains("shipped with the program: the ceiling of neck 60 N"),
        "{said}"
    );
    std::fs::write(
        root.join("study.toml"),
        "title = \"T\"\n[ceiling_n]\nlumbar = 120\n",
    )
    .unwrap();
    let said = err(&run(&root, &start));
    assert!(
        said.contains("the ceiling of neck 60 N") && !said.contains("lumbar"),
        "{said}"
    );
}

#[test]
fn a_key_that_may_be_meant_for_a_ceiling_stops_the_recording() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    std::fs::write(root.join("study.toml"), "title = \"T\"\n[ceiling]\nlumbar = 60\n").unwrap();
    let output = run(&root, &["--port", "sim", "--seconds", "1", "--level", "L3"]);
    let said = err(&output);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        said.contains("study.toml") && said.contains("[ceiling_n]"),
        "{said}"
    );
    assert!(kept(&root).is_empty());
}
