//! The recorder by itself, with time and samples given by hand.

use super::bench::{Bench, files, kept, names, one_hand, plan, request, study, turn, two_hands};
use super::disks::TestDisk;
use std::sync::Arc;
use tautpoint::acquire::control::Command;
use tautpoint::acquire::recorder::{Recorder, RecordingRequest};
use tautpoint::acquire::station::LineCounts;
use tautpoint::batch::sums;
use tautpoint::study::inputs::collect_any;
use tautpoint::terms::{Feedback, Felt, Given, Level, Posture, RecordingStatus, Side, StepSide};

fn with_plan(steps: &[(&str, &str)]) -> RecordingRequest {
    RecordingRequest {
        plan: Some(plan(steps)),
        ..request()
    }
}

fn call(word: &str) -> Command {
    Command::Call {
        call: Felt::parse(word).unwrap(),
    }
}

#[test]
fn a_plan_gives_one_recording_a_step_and_side_and_each_says_what_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both"), ("T7", "midline")]));
    bench.connect(&one_hand());
    for _ in 0..3 {
        bench.test();
        bench.command(Command::Next);
    }
    bench.stop();
    assert_eq!(
        names(&root),
        [
            "V-07_L-11_L3_left_1",
            "V-07_L-11_L3_right_1",
            "V-07_L-11_T7_midline_1"
        ]
    );
    let kept = kept(&root);
    let (text, sidecar) = &kept["recordings/2026-09-14/V-07_L-11_L3_right_1.csv"];
    assert!(
        text.starts_with("time_s,force_n,displacement_mm\n0.000000,0.000,1.000\n"),
        "{text}"
    );
    assert_eq!(text.lines().count(), 1501);
    assert_eq!(sidecar.about.side, Some(Side::Right));
    assert_eq!(sidecar.about.level, Some(Level::L3));
    assert_eq!(sidecar.about.posture, Posture::new("prone"));
    assert_eq!(sidecar.about.feedback, Some(Feedback::Live));
    assert_eq!(sidecar.status, Some(RecordingStatus::Complete));
    assert_eq!(sidecar.sensors, ["cell-4"]);
    assert_eq!(
        sidecar.plan.as_deref(),
        Some("short"),
        "debrief holds the scan to it"
    );
    let said = bench.recorder.take_messages().join("\n");
    assert!(said.contains("nothing is missing"), "{said}");
    // What `check` holds them against.
    let recordings: Vec<_> = collect_any(std::slice::from_ref(&root)).unwrap().files;
    let paths: Vec<_> = recordings.into_iter().map(|f| f.path).collect();
    assert_eq!(sums::verify(&root, &paths), []);
}

#[test]
fn two_force_sensors_give_both_sides_in_one_recording() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both")]));
    bench.connect(&two_hands());
    bench.test();
    bench.stop();
    assert_eq!(names(&root), ["V-07_L-11_L3_1"]);
    let kept = kept(&root);
    let (text, sidecar) = kept.values().next().unwrap();
    assert!(text.starts_with("time_s,force_left_n,force_right_n\n"), "{text}");
    assert_eq!(sidecar.about.side, None);
}

#[test]
fn next_pressed_with_the_hand_still_on_waits_until_it_is_off() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both")]));
    bench.connect(&one_hand());
    bench.run(300, 0.0);
    bench.recorder.touching(true);
    bench.run(500, 40.0);
    bench.command(Command::Next);
    assert_eq!(bench.recorder.session_state().step.unwrap().side, StepSide::Right);
    bench.run(200, 40.0);
    bench.recorder.touching(false);
    bench.recorder.test_ended(turn(1, Given::None));
    bench.run(1000, 0.0);
    bench.stop();
    let kept = kept(&root);
    let lines = |name: &str| {
        kept[&format!("recordings/2026-09-14/V-07_L-11_L3_{name}_1.csv")]
            .0
            .lines()
            .count()
            - 1
    };
    // 300 + 500 + 200 with the hand on, and 600 after it left; the rest is of the next step.
    assert_eq!((lines("left"), lines("right")), (1600, 400));
    assert_eq!(bench.recorder.session_state().missing, ["L3 right"]);
}

#[test]
fn a_step_left_out_or_without_a_test_stays_missing_and_a_repeated_one_is_a_further_trial() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both"), ("T7", "midline")]));
    bench.connect(&one_hand());
    bench.test();
    bench.command(Command::Repeat);
    bench.test();
    bench.command(Command::Next);
    bench.run(500, 0.0);
    bench.command(Command::Skip);
    bench.run(1000, 0.0);
    bench.command(Command::Next);
    bench.run(100, 0.0);
    let state = bench.recorder.session_state();
    assert_eq!(state.missing, ["L3 right", "T7 midline"]);
    assert!(state.ended);
    bench.command(Command::Next);
    assert_eq!(bench.recorder.session_state().step.unwrap().side, StepSide::Right);
    bench.test();
    bench.stop();
    let said = bench.recorder.take_messages().join("\n");
    assert!(said.contains("no test was seen in T7 midline"), "{said}");
    assert!(said.ends_with("missing: T7 midline"), "{said}");
    assert_eq!(
        names(&root),
        [
            "V-07_L-11_L3_left_1",
            "V-07_L-11_L3_left_2",
            "V-07_L-11_L3_right_1",
            "V-07_L-11_L3_right_2",
            "V-07_L-11_T7_midline_1"
        ]
    );
    let left_out = &kept(&root)["recordings/2026-09-14/V-07_L-11_L3_right_1.csv"].1;
    assert!(left_out.about.excluded.is_some());
}

/// How many stops the plan has depends on what the device has on each side, so nothing can be left out before the first one.
#[test]
fn a_step_is_left_out_once_a_device_has_been_there_and_until_then_that_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both"), ("T7", "midline")]));
    bench.command(Command::Skip);
    let said = bench.recorder.take_messages().join("\n");
    assert!(said.contains("no device is connected yet"), "{said}");
    bench.connect(&one_hand());
    assert_eq!(bench.recorder.session_state().step.unwrap().number, 1);
    bench.test();
    let now = bench.now();
    bench.recorder.gone("the device is gone", now);
    bench.command(Command::Skip);
    let state = bench.recorder.session_state();
    assert_eq!(state.step.unwrap().number, 2);
    bench.command(Command::Skip);
    assert_eq!(bench.recorder.session_state().step.unwrap().number, 3);
}

#[test]
fn a_test_before_two_interruptions_still_counts_for_its_step() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both")]));
    bench.connect(&one_hand());
    bench.test();
    for _ in 0..2 {
        let now = bench.now();
        bench.recorder.gone("the device is gone", now);
        bench.connect(&one_hand());
        bench.run(700, 0.0);
    }
    bench.command(Command::Next);
    bench.run(1500, 0.0);
    assert_eq!(bench.recorder.session_state().missing, ["L3 right"]);
}

#[test]
fn what_a_line_lost_while_a_recording_was_open_stands_in_its_sidecar() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, request());
    let counted = |lost, late| LineCounts {
        lost,
        late,
        ..LineCounts::default()
    };
    bench.recorder.counts(counted(5, 1));
    bench.connect(&one_hand());
    bench.run(500, 0.0);
    bench.recorder.counts(counted(8, 1));
    bench.run(500, 0.0);
    bench.stop();
    let (name, _) = kept(&root).into_iter().next().unwrap();
    let sidecar = std::fs::read_to_string(root.join(name).with_extension("toml")).unwrap();
    assert!(sidecar.contains("frames_lost = 3"), "{sidecar}");
    assert!(!sidecar.contains("frames_late = 1"), "{sidecar}");
}

#[test]
fn a_scan_half_done_goes_on_where_it_stopped_and_nothing_is_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let steps = [("L3", "both"), ("L4", "both")];
    let mut bench = Bench::new(&root, with_plan(&steps));
    bench.connect(&one_hand());
    bench.test();
    bench.command(Command::Next);
    bench.test();
    bench.stop();
    let before = files(&root.join("recordings/2026-09-14"));
    let mut bench = Bench::new(&root, with_plan(&steps));
    bench.connect(&one_hand());
    let said = bench.recorder.take_messages().join("\n");
    assert!(said.contains("2 of the plan's 4 steps"), "{said}");
    let step = bench.recorder.session_state().step.unwrap();
    assert_eq!(
        (step.level.word(), step.side.word(), step.number),
        ("L4", "left", 3)
    );
    bench.test();
    bench.stop();
    let after = files(&root.join("recordings/2026-09-14"));
    assert!(before.iter().all(|(path, bytes)| after[path] == *bytes));
    assert_eq!(after.len(), before.len() + 2);
    // Another learner begins at the beginning.
    let mut other = with_plan(&steps);
    other.examiner = Some("L-12".to_owned());
    let mut bench = Bench::new(&root, other);
    bench.connect(&one_hand());
    assert_eq!(bench.recorder.session_state().step.unwrap().number, 1);
}

#[test]
fn the_next_learner_is_the_next_code_of_the_roster_without_a_recording() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut twelve = request();
    twelve.examiner = Some("L-12".to_owned());
    let mut bench = Bench::new(&root, twelve);
    bench.connect(&one_hand());
    bench.test();
    bench.stop();
    let mut bench = Bench::new(&root, request());
    bench.connect(&one_hand());
    bench.test();
    bench.command(Command::NextLearner);
    assert_eq!(bench.recorder.session_state().examiner.as_deref(), Some("L-13"));
    assert_eq!(bench.recorder.request().examiner.as_deref(), Some("L-13"));
    bench.test();
    bench.command(Command::NextLearner);
    assert_eq!(bench.recorder.session_state().examiner.as_deref(), Some("L-13"));
    let said = bench.recorder.take_messages().join("\n");
    assert!(
        said.contains("every other learner of the roster has a recording"),
        "{said}"
    );
    bench.stop();
    assert_eq!(names(&root), ["V-07_L-11_1", "V-07_L-12_1", "V-07_L-13_1"]);
}

#[test]
fn the_call_is_taken_after_the_level_s_last_test_and_hides_it_until_then() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let calls = RecordingRequest {
        calls: true,
        feedback: Feedback::After,
        ..with_plan(&[("L3", "both"), ("T7", "midline"), ("L4", "both")])
    };
    let mut bench = Bench::new(&root, calls.clone());
    bench.connect(&one_hand());
    assert_eq!(
        bench.recorder.session_state().hidden_levels,
        [Level::L3, Level::L4]
    );
    bench.test();
    bench.command(call("left"));
    bench.command(Command::Next);
    assert_eq!(bench.recorder.session_state().call_wanted, None);
    bench.test();
    bench.command(Command::Next);
    assert_eq!(bench.recorder.session_state().call_wanted, Some(Level::L3));
    bench.command(Command::Next);
    assert_eq!(bench.recorder.session_state().call_wanted, Some(Level::L3));
    // Once more before the call: then it is due again.
    bench.command(Command::Repeat);
    assert_eq!(bench.recorder.session_state().call_wanted, None);
    assert_eq!(
        bench.recorder.session_state().hidden_levels,
        [Level::L3, Level::L4]
    );
    bench.test();
    bench.command(Command::Next);
    bench.command(call("unsure"));
    assert_eq!(bench.recorder.session_state().hidden_levels, [Level::L4]);
    bench.test();
    bench.command(Command::Next);
    assert_eq!(bench.recorder.session_state().step.unwrap().level, Level::L4);
    bench.stop();
    let text = std::fs::read_to_string(root.join("calls.csv")).unwrap();
    assert_eq!(
        text,
        "subject,examiner,session,level,trial,call,confidence\nV-07,L-11,2026-09-14,L3,,unsure,\n"
    );
    let said = bench.recorder.take_messages().join("\n");
    assert!(said.contains("no call is due"), "{said}");
    assert!(said.contains("the call on L3 comes first"), "{said}");
    // A call that was taken is not asked for again.
    let bench = Bench::new(&root, calls);
    let mut bench = bench;
    bench.connect(&one_hand());
    assert_eq!(bench.recorder.session_state().hidden_levels, [Level::L4]);
}

#[test]
fn a_call_that_cannot_be_kept_is_still_due() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let calls = RecordingRequest {
        calls: true,
        ..with_plan(&[("L3", "both")])
    };
    let mut bench = Bench::new(&root, calls);
    bench.connect(&two_hands());
    bench.test();
    bench.command(Command::Next);
    std::fs::create_dir(root.join("calls.csv")).unwrap();
    bench.command(call("left"));
    assert_eq!(bench.recorder.session_state().call_wanted, Some(Level::L3));
    std::fs::remove_dir(root.join("calls.csv")).unwrap();
    bench.command(call("left"));
    assert_eq!(bench.recorder.session_state().call_wanted, None);
    assert!(bench.recorder.at_end());
}

#[test]
fn after_a_device_came_back_a_new_recording_begins_and_the_cut_one_stays_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both")]));
    bench.connect(&one_hand());
    bench.run(800, 0.0);
    let now = bench.now();
    bench.recorder.gone("the device went away", now);
    let cut = files(&root.join("recordings/2026-09-14"));
    bench.now_ms += 2000;
    bench.connect(&one_hand());
    bench.test();
    bench.stop();
    assert_eq!(names(&root), ["V-07_L-11_L3_left_1", "V-07_L-11_L3_left_2"]);
    let after = files(&root.join("recordings/2026-09-14"));
    assert!(cut.iter().all(|(path, bytes)| after[path] == *bytes));
    let kept = kept(&root);
    let status = |n: u32| {
        kept[&format!("recordings/2026-09-14/V-07_L-11_L3_left_{n}.csv")]
            .1
            .status
    };
    assert_eq!(status(1), Some(RecordingStatus::Open));
    assert_eq!(status(2), Some(RecordingStatus::Complete));
    let sidecar = root.join("recordings/2026-09-14/V-07_L-11_L3_left_1.toml");
    let sidecar = std::fs::read_to_string(sidecar).unwrap();
    assert!(sidecar.contains("ended = \"the device went away\""), "{sidecar}");
    assert_eq!(bench.recorder.session_state().missing, ["L3 right"]);
}

#[test]
fn practice_keeps_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let before = files(&root);
    let practice = RecordingRequest {
        practice: true,
        calls: true,
        ..with_plan(&[("L3", "both")])
    };
    let mut bench = Bench::new(&root, practice);
    bench.connect(&one_hand());
    bench.test();
    bench.command(Command::Next);
    bench.test();
    bench.command(Command::Next);
    bench.command(call("left"));
    bench.command(Command::NextLearner);
    bench.test();
    bench.stop();
    assert_eq!(files(&root), before);
    assert_eq!(bench.recorder.kept(), 0);
}

#[test]
fn hostile_codes_stay_in_the_folder_and_are_read_back_as_they_were_given() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let hostile = ["../../../outside", "/etc/passwd", "\"; DROP", "a]\\b", "-", "."];
    for code in hostile {
        let mut bench = Bench::new(
            &root,
            RecordingRequest {
                subject: Some(code.to_owned()),
                session: code.to_owned(),
                ..request()
            },
        );
        bench.connect(&one_hand());
        bench.run(100, 0.0);
        bench.stop();
        assert_eq!(bench.recorder.failed(), None);
    }
    let kept = kept(&root);
    let mut found: Vec<_> = kept
        .values()
        .map(|(_, s)| s.about.subject.clone().unwrap())
        .collect();
    found.sort();
    let mut given = hostile.map(str::to_owned).to_vec();
    given.sort();
    assert_eq!(found, given);
    let entries = std::fs::read_dir(dir.path()).unwrap().count();
    assert_eq!(entries, 1, "something was written outside the study");
}

#[test]
fn a_full_disk_ends_the_session_in_order_and_keeps_what_is_there() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let inputs = collect_any(std::slice::from_ref(&root)).unwrap();
    let study = inputs.study.clone().unwrap();
    let disk = Arc::new(TestDisk::full_after(20_000));
    let recorder = Recorder::start_on(disk, &inputs, &study, with_plan(&[("L3", "both")])).unwrap();
    let mut bench = Bench::of(recorder);
    bench.connect(&one_hand());
    bench.run(5000, 1.0);
    assert!(bench.recorder.ended());
    let why = bench.recorder.failed().unwrap().to_owned();
    assert!(
        why.contains("V-07_L-11_L3_left_1.csv") && why.contains("make room on the disk"),
        "{why}"
    );
    let kept = kept(&root);
    let (text, sidecar) = kept.values().next().unwrap();
    assert!(text.len() > 19_900 && text.len() <= 20_000, "{}", text.len());
    assert_eq!(sidecar.status, Some(RecordingStatus::Open));
    let listed = std::fs::read_to_string(root.join("recordings").join(sums::FILE_NAME)).unwrap();
    assert_eq!(listed.lines().count(), 1, "what is there has its hash: {listed}");
    let paths: Vec<_> = collect_any(std::slice::from_ref(&root))
        .unwrap()
        .files
        .into_iter()
        .map(|f| f.path)
        .collect();
    assert_eq!(sums::verify(&root, &paths), []);
}

#[test]
fn a_press_stays_with_its_step_however_long_it_lasts_after_next() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both")]));
    bench.connect(&one_hand());
    bench.run(300, 0.0);
    bench.recorder.touching(true);
    bench.run(500, 40.0);
    bench.command(Command::Next);
    // A second press of the key by mistake, and another learner: neither may take the press away.
    bench.command(Command::Next);
    bench.command(Command::NextLearner);
    bench.run(12_000, 40.0);
    assert_eq!(bench.recorder.pressed_of().side, Some(Side::Left));
    bench.recorder.touching(false);
    bench.recorder.test_ended(turn(1, Given::None));
    bench.run(1000, 0.0);
    bench.test();
    bench.stop();
    let kept = kept(&root);
    let rows = |side: &str| {
        kept[&format!("recordings/2026-09-14/V-07_L-11_L3_{side}_1.csv")]
            .0
            .lines()
            .count()
    };
    // 0.3 s before, 0.5 s and 12 s of press, 0.6 s behind it.
    assert!((13_300..13_500).contains(&rows("left")), "{}", rows("left"));
    assert!((1_800..2_000).contains(&rows("right")), "{}", rows("right"));
    let said = bench.recorder.take_messages().join("\n");
    assert_eq!(
        said.matches("what it presses stays with L3 left").count(),
        2,
        "{said}"
    );
}

#[test]
fn a_hand_that_is_never_seen_to_leave_can_be_overruled() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, with_plan(&[("L3", "both"), ("L4", "both")]));
    bench.connect(&one_hand());
    bench.recorder.touching(true);
    bench.run(500, 40.0);
    bench.command(Command::Next);
    bench.run(5000, 40.0);
    bench.command(Command::Next);
    bench.run(500, 40.0);
    bench.stop();
    assert!(names(&root).contains(&"V-07_L-11_L3_left_1".to_owned()));
    assert_eq!(names(&root).len(), 2, "{:?}", names(&root));
}

#[test]
fn each_learner_follows_the_plan_that_was_drawn_and_the_roster_is_read_again() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    std::fs::create_dir(root.join("plans")).unwrap();
    for (name, level) in [("first", "L3"), ("second", "L5")] {
        let text = format!("name = \"{name}\"\n[[step]]\nlevel = \"{level}\"\nside = \"midline\"\n");
        std::fs::write(root.join(format!("plans/{name}.toml")), text).unwrap();
    }
    let draw = |who: &str, plan: &str| {
        format!(
            "[[draw]]\nexaminer = \"{who}\"\nsession = \"2026-09-14\"\nplans = [\"first\", \"second\"]\nseed = 1\nnumber = 1\nplan = \
             \"{plan}\"\ndrawn_at = \"2026-09-14T08:00:00Z\"\n"
        )
    };
    let drawn = format!("format = 1\n{}{}", draw("L-11", "first"), draw("L-14", "second"));
    std::fs::write(root.join("draws.toml"), drawn).unwrap();
    let mut bench = Bench::new(&root, request());
    bench.connect(&one_hand());
    bench.test();
    // A learner who came late is put on the list while the class runs.
    std::fs::write(
        root.join("roster.csv"),
        "code,role\nV-07,subject\nL-11,examiner\nL-14,examiner\n",
    )
    .unwrap();
    bench.command(Command::NextLearner);
    bench.test();
    bench.stop();
    assert_eq!(names(&root), ["V-07_L-11_L3_midline_1", "V-07_L-14_L5_midline_1"]);
    let plans: Vec<_> = kept(&root)
        .into_values()
        .map(|(_, sidecar)| sidecar.plan)
        .collect();
    assert_eq!(plans, [Some("first".to_owned()), Some("second".to_owned())]);
    let said = bench.recorder.take_messages().join("\n");
    assert!(
        said.contains("L-11 follows the plan first, which was drawn"),
        "{said}"
    );
    // Another plan than the drawn one is followed when it is asked for, and that is said.
    let other = with_plan(&[("T7", "midline")]);
    let mut bench = Bench::new(&root, other);
    bench.connect(&one_hand());
    let said = bench.recorder.take_messages().join("\n");
    assert!(
        said.contains("the plan first was drawn for L-11, and another one is followed"),
        "{said}"
    );
}
