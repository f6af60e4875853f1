//! Slips of real files that would be read wrongly without a word: each is refused or named.

use tautpoint::agreement::ratings;
use tautpoint::error::{Error, Severity};
use tautpoint::read::readings::{ReadingsOptions, read_readings};
use tautpoint::read::{ReadTrace, read_bytes};
use tautpoint::results::Excluded;
use tautpoint::study::sidecar::Sidecar;
use tautpoint::study::{calls, mapping::ColumnMapping};
use tautpoint::trace::About;

fn read(text: &str, sidecar: &str) -> tautpoint::Result<ReadTrace> {
    let (sidecar, problems) = Sidecar::parse("press.toml", sidecar);
    assert!(problems.is_empty(), "{problems:?}");
    read_bytes(text.as_bytes(), "press.csv", &sidecar.columns, About::default())
}

fn sidecar_error(text: &str) -> String {
    let (_, problems) = Sidecar::parse("press.toml", text);
    let [problem] = problems.as_slice() else {
        panic!("{text}: {problems:?}")
    };
    assert_eq!(problem.severity, Severity::Error, "{problem}");
    problem.to_string()
}

#[test]
fn a_gain_stands_with_its_column_and_may_turn_the_sign() {
    let text = "time_s,force_n,displacement_mm\n0,-1,0\n0.001,-2,0.5\n";
    let turned = read(
        text,
        "[columns]\nforce = { name = \"force_n\", unit = \"n\", gain = -1.5 }\n",
    )
    .unwrap();
    assert_eq!(turned.trace.channels[0].force_n, [1.5, 3.0]);
    assert_eq!(turned.trace.notes, ["gain: force multiplied by -1.5"]);

    let refused = sidecar_error("gain = 1.5\n");
    assert!(refused.contains("[columns] force = { name"), "{refused}");
    let nought = "[columns]\nforce = { name = \"f\", unit = \"n\", gain = 0 }\n";
    assert!(sidecar_error(nought).contains("other than 0"));
    let time = "[columns]\ntime = { name = \"t\", unit = \"s\", gain = 2 }\n";
    assert!(sidecar_error(time).contains("for a force or a displacement"));
}

#[test]
fn thousands_in_quotes_are_refused_everywhere() {
    let text = "time_s,force_n\n0,\"3,231\"\n0.001,\"2,5\"\n";
    let Err(Error::Data(problem)) = read(text, "") else {
        panic!("3,231 was read as a number")
    };
    assert_eq!((problem.line, problem.found.as_str()), (Some(2), "3,231"));
    assert!(
        problem.expected.contains("without separators between thousands"),
        "{problem}"
    );
    // What can be read in one way only still is; in a file of semicolons a comma is the decimal sign.
    let one_way = read("time_s,force_n\n0,\"3,25\"\n0.001,\"0,231\"\n", "").unwrap();
    assert_eq!(one_way.trace.channels[0].force_n, [3.25, 0.231]);
    let semicolons = read("time_s;force_n\n0;3,231\n0,001;2,5\n", "").unwrap();
    assert_eq!(semicolons.trace.channels[0].force_n, [3.231, 2.5]);

    let (table, problems) =
        ratings::parse("r.csv", "subject,rater,value\nV-1,A,\"3,231\"\nV-1,B,2\n").unwrap();
    assert_eq!(table.subjects.len(), 1);
    assert_eq!(problems[0].line, Some(2));
    assert_eq!(problems[0].found, "3,231");

    let header = "subject,examiner,session,level,call,confidence";
    let rows = "V-1,L-1,s1,L3,left,\"1,250\"\nV-1,L-1,s1,L4,left,\"2,5\"\n";
    let (calls, problems) = calls::parse("calls.csv", &format!("{header}\n{rows}"));
    assert_eq!(
        calls.iter().map(|c| c.confidence).collect::<Vec<_>>(),
        [Some(2.5)]
    );
    let [problem] = problems.as_slice() else {
        panic!("{problems:?}")
    };
    assert!(
        problem.found == "1,250" && problem.column.as_deref() == Some("confidence"),
        "{problem}"
    );
    let readings = "applied_n,indicated\n0,1\n10,\"3,231\"\n20,3\n";
    let (found, problems) = read_readings("r.csv", readings, &ReadingsOptions::default());
    assert!(found.is_none() && problems[0].found == "3,231", "{problems:?}");
}

#[test]
fn days_in_another_form_than_iso_8601_are_refused() {
    for day in [
        "28.08.2026",
        "04/09/2026",
        "2026-02-30",
        "yesterday",
        "2026-09-14T25:00",
    ] {
        let refused = sidecar_error(&format!("recorded_at = \"{day}\"\n"));
        assert!(refused.contains("ISO 8601"), "{refused}");
    }
    let refused = sidecar_error("session = \"28.08.2026\"\n");
    assert!(refused.contains("looks like a day"), "{refused}");
    for text in ["recorded_at = 2026-09-14\n", "session = \"week 10\"\n"] {
        assert_eq!(Sidecar::parse("press.toml", text).1, [], "{text}");
    }
    let (said, problems) = calls::parse(
        "calls.csv",
        "subject,examiner,session,level,call\nV-07,L-12,28.08.2026,L3,right\n",
    );
    assert!(said.is_empty());
    assert_eq!(problems[0].column.as_deref(), Some("session"));
}

#[test]
fn numbers_that_stand_for_no_value_and_dead_sensors_are_named() {
    let text = "time_s,force_left_n,force_right_n\n0,1,0\n0.001,-999,0\n0.002,-999,0\n";
    let read = read(text, "").unwrap();
    assert!(read.trace.channels[0].force_n[1..].iter().all(|n| n.is_nan()));
    let found: Vec<&str> = read.problems.iter().map(|p| p.found.as_str()).collect();
    assert_eq!(
        found,
        [
            "2 samples of -999, which loggers write for \"no value\"",
            "exactly 0 N in every sample"
        ]
    );
    assert_eq!(read.problems[1].column.as_deref(), Some("force_right"));

    // In counts they are ordinary readings.
    let um = "time_s,force_n,displacement_um\n0,1,-999\n0.001,2,-998\n";
    let read = read_bytes(
        um.as_bytes(),
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    assert!(read.problems.is_empty(), "{:?}", read.problems);
}

#[test]
fn a_copy_of_a_recording_is_named_and_is_no_further_trial() {
    let dir = tempfile::tempdir().unwrap();
    let source = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-data/recordings/V-03_L-05_2026-10-14_sacral_base_right_1.csv");
    for (name, side) in [("a", "left"), ("a copy", "left"), ("b", "right")] {
        std::fs::copy(&source, dir.path().join(format!("{name}.csv"))).unwrap();
        let sidecar = format!("format = 1\nsubject = \"V-01\"\nlevel = \"L3\"\nside = \"{side}\"\n");
        std::fs::write(dir.path().join(format!("{name}.toml")), sidecar).unwrap();
    }
    let options = tautpoint::batch::Options::default();
    let results = tautpoint::batch::run(&[dir.path().to_owned()], &options).unwrap();
    let counted: std::collections::BTreeSet<&str> =
        results.tests.iter().map(|t| t.recording.as_str()).collect();
    assert_eq!(counted.len(), 2, "{counted:?}");
    assert!(results.tests.iter().all(|t| t.about.trial == Some(1)));
    let copies: Vec<_> = results
        .problems
        .iter()
        .filter(|p| p.found.starts_with("the same bytes as"))
        .collect();
    assert_eq!(copies.len(), 2, "{:?}", results.problems);
    assert!(copies.iter().any(|p| p.advice.starts_with("it is left out")));
    assert!(
        copies
            .iter()
            .any(|p| p.advice.starts_with("its sidecar says another place"))
    );
    let files = results.exclusions.iter().filter(|e| e.what == Excluded::File);
    assert_eq!(files.count(), 1, "{:?}", results.exclusions);
}
