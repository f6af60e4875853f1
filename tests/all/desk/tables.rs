//! Several tables on one study, without a browser: what one does, or fails to do, changes nothing at another.

use super::{Served, add_away, add_table, begin, class, shown, until};
use crate::record::bench::kept;
use std::path::Path;
use tautpoint::desk::RoomTable;
use tautpoint::error::Severity;
use tautpoint::study::call::Call;
use tautpoint::study::inputs::collect_any;
use tautpoint::terms::Day;

/// Goes on from each step that has a test, once: what is shown is some frames old.
fn next_until(served: &Served, table: u32, kind: &str) {
    let mut left = None;
    until(kind, || {
        let Some(now) = shown(served, table) else {
            return false;
        };
        let step = now.step.map(|s| s.number);
        if now.prompt.kind == "in" && left != step {
            left = step;
            let _ = served.at_table(table, "command", "{\"command\":\"next\"}");
        }
        now.prompt.kind == kind
    });
}

fn excluded(root: &Path) -> Vec<(String, Option<String>)> {
    kept(root)
        .into_iter()
        .map(|(name, (_, sidecar))| (name, sidecar.about.excluded))
        .collect()
}

#[test]
fn two_tables_record_into_one_study_and_nobody_is_at_two() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 3);
    let served = Served::at(&root);
    let tables = [1, 2].map(|seed| add_table(&served, &format!("sim:two-handed,speed=3,seed={seed}")));
    begin(&served, tables[0], "L-01", "V-01");
    // At once, before the room could show who is where.
    for (examiner, subject, who) in [("L-01", "V-02", "L-01"), ("L-02", "V-01", "V-01")] {
        let body = format!("{{\"examiner\":{examiner:?},\"subject\":{subject:?},\"cautions\":true}}");
        let (status, answer) = served.at_table(tables[1], "begin", &body);
        assert_eq!(status, 422);
        assert!(
            answer["message"]
                .as_str()
                .unwrap()
                .contains(&format!("{who} is at Table {}", tables[0])),
            "{answer}"
        );
    }
    begin(&served, tables[1], "L-02", "V-02");
    for table in tables {
        next_until(&served, table, "end");
    }
    served.desk.close();
    let recordings = kept(&root);
    let names: Vec<&str> = recordings.keys().map(String::as_str).collect();
    assert_eq!(names.len(), 4, "{names:?}");
    for (name, (text, sidecar)) in &recordings {
        assert_eq!(
            sidecar.about.subject.as_deref().map(|s| &s[2..]),
            sidecar.about.examiner.as_deref().map(|e| &e[2..]),
            "{name}"
        );
        assert!(text.lines().count() > 1000, "{name}");
    }
    // Lists that both tables add to have one heading, and a hash for each recording.
    let sessions = std::fs::read_to_string(root.join("sessions.csv")).unwrap();
    assert_eq!(
        (sessions.matches("session,").count(), sessions.lines().count()),
        (1, 3),
        "{sessions}"
    );
    let sums = std::fs::read_to_string(root.join("recordings/SHA256SUMS")).unwrap();
    assert_eq!(sums.lines().count(), 4);
    let inputs = collect_any(&[root]).unwrap();
    let faults: Vec<_> = inputs
        .problems
        .iter()
        .filter(|p| p.severity == Severity::Error)
        .collect();
    assert!(faults.is_empty(), "{faults:?}");
}

#[test]
fn a_station_that_is_away_is_said_and_disturbs_nobody() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 2);
    let served = Served::at(&root);
    let Some(away) = add_away(&served, dir.path()) else {
        return;
    };
    let good = add_table(&served, "sim:two-handed,speed=3");
    until("the good one is there", || {
        shown(&served, good).is_some_and(|t| t.connected)
    });
    until("the other one is said to be away", || {
        shown(&served, away).is_some_and(|t| t.prompt.kind == "away")
    });
    let body = "{\"examiner\":\"L-02\",\"subject\":\"V-02\",\"cautions\":true}";
    until("begin is refused in words", || {
        let (status, answer) = served.at_table(away, "begin", body);
        status == 422
            && answer["message"]
                .as_str()
                .is_some_and(|m| m.contains("does not answer"))
    });
    begin(&served, good, "L-01", "V-01");
    next_until(&served, good, "end");
    assert_eq!(shown(&served, away).map(|t| t.connected), Some(false));
}

#[test]
fn a_step_that_is_taken_back_is_kept_left_out_and_made_again() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let served = Served::at(&root);
    let table = add_table(&served, "sim:two-handed,speed=3");
    let command = |words: &str| served.at_table(table, "command", &format!("{{\"command\":{words:?}}}"));
    begin(&served, table, "L-01", "V-01");
    let step = || shown(&served, table).and_then(|t| t.step).map(|s| s.number);
    until("a test", || {
        shown(&served, table).is_some_and(|t| t.prompt.kind == "in")
    });
    command("next");
    until("the second step", || step() == Some(2));
    // Back to the first step, while no hand is on.
    until("the first step again", || {
        if shown(&served, table).is_some_and(|t| !t.touched) && excluded(&root).len() < 3 {
            command("undo");
        }
        step() == Some(1)
    });
    next_until(&served, table, "end");
    served.desk.close();
    let all = excluded(&root);
    let taken: Vec<&str> = all
        .iter()
        .filter(|(_, why)| why.as_deref() == Some("taken back while recording"))
        .map(|(n, _)| n.as_str())
        .collect();
    let good = all.iter().filter(|(_, why)| why.is_none()).count();
    assert!(taken.iter().any(|n| n.contains("L4")), "{all:?}");
    assert_eq!(good, 2, "{all:?}");
}

#[test]
fn the_pair_swaps_a_scan_is_made_again_and_a_call_hides_both_sides_until_it_is_made() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 0);
    let served = Served::at(&root);
    served.done("add-people", "{\"pairs\":\"L-01 L-02\"}");
    let keep_until = Day::today().plus_days(90);
    served.done(
        "consent",
        &format!(
            "{{\"subjects\":[\"L-01\",\"L-02\"],\"consent\":\"given\",\"not_over\":[],\"keep_until\":\"{keep_until}\",\"noted_by\":\"\"}}"
        ),
    );
    served.done(
        "class",
        "{\"plan\":\"short\",\"session\":null,\"feedback\":\"after\",\"calls\":true}",
    );
    let table = add_table(&served, "sim:two-handed,speed=3");
    begin(&served, table, "L-01", "L-02");
    let (mut called, mut left) = (0, None);
    until("the end of the plan", || {
        let Some(now) = shown(&served, table) else {
            return false;
        };
        // With calls, no value of a level may leave before its call.
        if now.examiner.is_some() && now.prompt.kind != "end" {
            assert_eq!((now.force_n, now.phase), (None, None));
        }
        match now.prompt.kind {
            "in" if left != now.step.as_ref().map(|s| s.number) => {
                left = now.step.as_ref().map(|s| s.number);
                drop(served.at_table(table, "command", "{\"command\":\"next\"}"));
            }
            "call" => {
                let (status, _) =
                    served.at_table(table, "command", "{\"command\":\"call\",\"call\":\"left\"}");
                called += u32::from(status == 200);
            }
            _ => {}
        }
        now.prompt.kind == "end"
    });
    assert!(called >= 2);
    // The other way round: cautions are asked for the one who was not pressed yet.
    let swapped = "{\"examiner\":\"L-02\",\"subject\":\"L-01\"}";
    until("cautions are asked for", || {
        let (status, answer) = served.at_table(table, "begin", swapped);
        status == 422
            && answer["message"]
                .as_str()
                .unwrap()
                .contains("cautions hold for L-01")
    });
    // Another scan by the same people, though the plan is done.
    until("another scan", || {
        served
            .at_table(
                table,
                "begin",
                "{\"examiner\":\"L-01\",\"subject\":\"L-02\",\"afresh\":true}",
            )
            .0
            == 200
    });
    until("its first step", || {
        shown(&served, table)
            .and_then(|t| t.step)
            .is_some_and(|s| s.number == 1)
    });
    served.desk.close();
    let mut problems = Vec::new();
    let study = tautpoint::study::folder::read_study(&root, &mut problems);
    let calls: Vec<&Call> = study.calls.iter().collect();
    assert_eq!(calls.len(), 2, "{calls:?}");
    assert!(calls.iter().all(|c| c.examiner == "L-01" && c.subject == "L-02"));
}

#[test]
fn nobody_is_pressed_without_a_note_of_consent_or_over_a_region_that_is_left_out() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 2);
    let served = Served::at(&root);
    let table = add_table(&served, "sim:two-handed,speed=3");
    let refused = |subject: &str| {
        let body = format!("{{\"examiner\":\"L-01\",\"subject\":{subject:?},\"cautions\":true}}");
        let (status, answer) = served.at_table(table, "begin", &body);
        assert_eq!(status, 422, "{answer}");
        answer["message"].as_str().unwrap().to_owned()
    };
    assert!(refused("V-09").contains("no volunteer V-09"));
    let note = |consent: &str, not_over: &str| {
        let keep_until = Day::today().plus_days(90);
        let body = format!(
            "{{\"subjects\":[\"V-02\"],\"consent\":{consent:?},\"not_over\":[{not_over}],\"keep_until\":\"{keep_until}\",\"noted_by\":\"T-01\"}}"
        );
        served.done("consent", &body);
    };
    note("given", "\"lumbar\"");
    assert!(refused("V-02").contains("not to be pressed over: lumbar"));
    note("withdrawn", "");
    assert!(refused("V-02").contains("withdrawn consent"));
    served.done("forget-consent", "{\"subject\":\"V-02\"}");
    assert!(refused("V-02").contains("no consent of V-02 is noted"));
    let notes = std::fs::read_to_string(root.join("volunteers.csv")).unwrap();
    assert!(!notes.contains("V-02"), "what is deleted is gone: {notes}");
}

#[test]
fn a_ceiling_that_is_changed_holds_at_every_table_and_the_alarm_at_rest_names_no_region() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let served = Served::at(&root);
    let table = add_table(&served, "sim:two-handed,speed=3");
    until("no alarm under high ceilings", || {
        shown(&served, table).is_some_and(|t| t.touched && !t.alarm)
    });
    let ceilings = |newtons: &str| {
        format!("{{\"ceilings\":{{\"neck\":{{\"newtons\":{newtons:?},\"confirmed\":true}}}}}}")
    };
    assert!(
        served
            .refused("ceilings", &ceilings("two"))
            .contains("expected a force")
    );
    // Wherever a hand is: it holds as soon as it is off.
    assert_eq!(
        served.done("ceilings", &ceilings("12,5"))["notices"],
        serde_json::json!([])
    );
    let mut named = None;
    until("an alarm over the lowest ceiling", || {
        let now = shown(&served, table).filter(|t| t.alarm);
        named = now.map(|t| (t.region, t.ceiling_n));
        named.is_some()
    });
    assert_eq!(named, Some((None, Some(12.5))));
    let text = std::fs::read_to_string(root.join("study.toml")).unwrap();
    assert!(
        text.contains("neck = 12.5") && text.contains("lumbar = 300.0"),
        "{text}"
    );
    until("the alarm is written down", || {
        std::fs::read_to_string(root.join("over-ceiling.csv")).is_ok_and(|t| t.lines().count() > 1)
    });
}

#[test]
fn a_known_weight_is_read_and_one_that_is_read_wrongly_is_doubted() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let served = Served::at(&root);
    let table = add_table(&served, "sim:rest-s=60");
    let mut weighed = serde_json::Value::Null;
    // While the virtual hand presses, nothing is written down.
    until("two seconds at rest", || {
        let (status, answer) = served.asks("weigh", &format!("{{\"table\":{table},\"mass_kg\":2.0}}"));
        weighed = answer;
        status == 200 && !weighed["words"].as_str().unwrap().contains("not still")
    });
    // 2 kg are 19.613 N by standard gravity (ISO 80000-3, CGPM 1901), and nothing lies on the sensor.
    assert!((weighed["known_n"].as_f64().unwrap() - 19.613_3).abs() < 1e-6);
    assert_eq!(weighed["doubted"], true);
    assert!(
        weighed["words"]
            .as_str()
            .unwrap()
            .contains("Look at zero, sign, gain and calibration"),
        "{weighed}"
    );
    let log = std::fs::read_to_string(root.join("daily-checks.csv")).unwrap();
    assert!(
        log.starts_with("time,table,device,known_n,read_n,spread_n\n") && log.contains(",19.613,"),
        "{log}"
    );
    assert!(
        served
            .refused("weigh", &format!("{{\"table\":{table},\"mass_kg\":0.0}}"))
            .contains("expected 0.05 to 200 kg")
    );
}

#[test]
fn whoever_withdraws_is_pressed_no_more_and_what_many_save_at_once_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 12);
    let served = Served::at(&root);
    let table = add_table(&served, "sim:two-handed,speed=3");
    begin(&served, table, "L-01", "V-01");
    let keep_until = Day::today().plus_days(90);
    let withdraw = |n: u32| {
        let body = format!(
            "{{\"subjects\":[\"V-{n:02}\"],\"consent\":\"withdrawn\",\"not_over\":[],\"keep_until\":\"{keep_until}\",\"noted_by\":\"T-01\"}}"
        );
        served.asks("consent", &body).0
    };
    let add = |n: u32| {
        served
            .asks("add-people", &format!("{{\"learners\":\"M-{n:02}\"}}"))
            .0
    };
    std::thread::scope(|scope| {
        let (withdraw, add) = (&withdraw, &add);
        let answers: Vec<_> = (1..=12)
            .map(|n| scope.spawn(move || (withdraw(n), add(n))))
            .collect();
        assert!(answers.into_iter().all(|a| a.join().unwrap() == (200, 200)));
    });
    let notes = std::fs::read_to_string(root.join("volunteers.csv")).unwrap();
    assert_eq!(notes.matches(",withdrawn,").count(), 12, "{notes}");
    let roster = std::fs::read_to_string(root.join("roster.csv")).unwrap();
    assert_eq!(roster.matches("M-").count(), 12, "{roster}");
    let told = |t: &RoomTable| t.prompt.kind == "stopped" && t.prompt.detail.contains("V-01 has withdrawn");
    until("the table is told", || {
        shown(&served, table).is_some_and(|t| told(&t))
    });
    until("nobody is pressed there", || {
        shown(&served, table).is_some_and(|t| t.examiner.is_none())
    });
}

#[test]
fn a_note_whose_day_has_passed_is_none() {
    let dir = tempfile::tempdir().unwrap();
    let root = class(dir.path(), 1);
    let served = Served::at(&root);
    let table = add_table(&served, "sim");
    // It was good when the desk was started.
    let notes = std::fs::read_to_string(root.join("volunteers.csv")).unwrap();
    std::fs::write(
        root.join("volunteers.csv"),
        notes.replace("2099-12-31", "2026-01-01"),
    )
    .unwrap();
    let body = "{\"examiner\":\"L-01\",\"subject\":\"V-01\",\"cautions\":true}";
    let (status, answer) = served.at_table(table, "begin", body);
    assert_eq!(status, 422);
    let words = answer["message"].as_str().unwrap();
    assert!(words.contains("was kept until 2026-01-01"), "{words}");
}
