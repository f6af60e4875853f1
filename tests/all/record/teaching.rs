//! What a learner is shown of each test and thinks of it before: kept with the recording, going on after a session that broke.

use super::bench::{Bench, kept, one_hand, plan, request, study, turn};
use super::session::{Driven, setup};
use std::path::Path;
use tautpoint::acquire::control::{Command, Estimates};
use tautpoint::acquire::recorder::RecordingRequest;
use tautpoint::study::estimates::{self, PeakEstimate};
use tautpoint::terms::{Feedback, Given};

const LEFT: &str = "recordings/2026-09-14/V-07_L-11_L3_left_1.csv";

fn two_steps() -> RecordingRequest {
    RecordingRequest {
        plan: Some(plan(&[("L3", "left"), ("L3", "right")])),
        ..request()
    }
}

fn given(root: &Path, recording: &str) -> Vec<Given> {
    kept(root)[recording].1.given.clone()
}

fn estimates(root: &Path) -> Vec<PeakEstimate> {
    let text = std::fs::read_to_string(root.join(estimates::FILE_NAME)).unwrap_or_default();
    let (read, problems) = estimates::parse(estimates::FILE_NAME, &text);
    assert!(text.is_empty() || problems.is_empty(), "{problems:?}");
    read
}

#[test]
fn what_was_shown_of_each_test_is_kept_while_it_is_recorded_and_after() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, two_steps());
    bench.connect(&one_hand());
    bench.test();
    bench.recorder.given(turn(1, Given::After));
    bench.test();
    // A program that is killed now has kept it.
    assert_eq!(given(&root, LEFT), [Given::After, Given::None]);
    bench.command(Command::Next);
    bench.run(700, 0.0);
    bench.test();
    // Asked for when the step was over, and with a line by hand in the sidecar meanwhile.
    let sidecar = root.join(LEFT).with_extension("toml");
    let text = std::fs::read_to_string(&sidecar).unwrap();
    std::fs::write(&sidecar, format!("site = \"upstairs\"\n{text}")).unwrap();
    bench.recorder.given(turn(2, Given::After));
    bench.stop();
    assert_eq!(given(&root, LEFT), [Given::After, Given::After]);
    assert_eq!(kept(&root)[LEFT].1.about.site.as_deref(), Some("upstairs"));
    assert_eq!(given(&root, &LEFT.replace("left", "right")), [Given::None]);
}

#[test]
fn tests_are_counted_on_for_each_learner_after_a_session_that_broke() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, two_steps());
    bench.connect(&one_hand());
    bench.test();
    bench.command(Command::Next);
    bench.run(700, 0.0);
    bench.test();
    bench.test();
    // Killed: nothing is closed.
    std::mem::forget(bench.recorder);
    let other = RecordingRequest {
        examiner: Some("L-12".to_owned()),
        ..two_steps()
    };
    let mut bench = Bench::new(&root, other);
    bench.connect(&one_hand());
    bench.test();
    bench.stop();
    let again = Bench::new(&root, two_steps());
    let made = again.recorder.tests_made();
    let of = |code: &str| made.get(&Some(code.to_owned())).copied();
    assert_eq!((of("L-11"), of("L-12"), of("L-13")), (Some(3), Some(1), None));
    let another_day = RecordingRequest {
        session: "2026-09-15".to_owned(),
        ..two_steps()
    };
    assert!(Bench::new(&root, another_day).recorder.tests_made().is_empty());
}

#[test]
fn an_estimate_is_on_the_disk_before_its_test_counts_as_estimated() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let asked = RecordingRequest {
        estimates: true,
        ..two_steps()
    };
    let mut bench = Bench::new(&root, asked.clone());
    bench.connect(&one_hand());
    let estimate = |peak_n| Command::Estimate { peak_n };
    bench.command(estimate(Some(80.0)));
    assert!(
        bench
            .recorder
            .take_messages()
            .iter()
            .any(|m| m.contains("no test waits"))
    );
    bench.test();
    bench.command(estimate(Some(4000.0)));
    let state = |bench: &Bench| bench.recorder.session_state().estimates.unwrap();
    let waits = Estimates {
        wanted: Some(1),
        taken: None,
    };
    assert_eq!((state(&bench), estimates(&root)), (waits, vec![]));
    // A folder stands where the file should go: nothing can be written.
    std::fs::create_dir(root.join(estimates::FILE_NAME)).unwrap();
    bench.command(estimate(Some(42.5)));
    assert_eq!(state(&bench), waits);
    std::fs::remove_dir(root.join(estimates::FILE_NAME)).unwrap();
    bench.command(Command::Next);
    bench.run(700, 0.0);
    bench.command(estimate(Some(42.5)));
    let taken = Estimates {
        wanted: None,
        taken: Some(1),
    };
    assert_eq!(state(&bench), taken);
    bench.test();
    bench.command(estimate(None));
    let of = |recording: &str, peak_n| PeakEstimate {
        examiner: "L-11".to_owned(),
        recording: recording.to_owned(),
        test: 1,
        peak_n,
    };
    assert_eq!(
        estimates(&root),
        [of(LEFT, Some(42.5)), of(&LEFT.replace("left", "right"), None)]
    );
    bench.command(Command::NextLearner);
    assert_eq!(state(&bench), Estimates::default());
    bench.stop();
    let not_asked = RecordingRequest {
        estimates: false,
        ..asked
    };
    let mut bench = Bench::new(&root, not_asked);
    bench.command(estimate(Some(80.0)));
    assert!(
        bench
            .recorder
            .take_messages()
            .iter()
            .any(|m| m.contains("--estimates"))
    );
}

#[test]
fn every_second_test_is_shown_and_the_count_goes_on_in_the_next_run() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let alternate = RecordingRequest {
        feedback: Feedback::Alternate,
        ..request()
    };
    let run = |tests: usize| {
        let mut driven = Driven::start(setup(&root, "sim:speed=4,levels=L3", alternate.clone()));
        for number in 1..=tests {
            let seen = |events: &[tautpoint::session::SessionEvent]| {
                let is = |e: &&tautpoint::session::SessionEvent| format!("{e:?}").contains("a test was seen");
                events.iter().filter(is).count()
            };
            driven.until("a test", |_, events| seen(events) == number);
            let view = driven.session.view().unwrap();
            assert!(view.now.is_none() && view.strip.is_none(), "no running value");
        }
        driven.session.command(Command::Stop);
        driven.finish();
    };
    run(3);
    run(1);
    let (none, after) = (Given::None, Given::After);
    let first = "recordings/2026-09-14/V-07_L-11_1.csv";
    assert_eq!(given(&root, first), [none, after, none]);
    // The fourth of this learner in this session.
    assert_eq!(given(&root, &first.replace("_1.csv", "_2.csv")), [after]);
}
