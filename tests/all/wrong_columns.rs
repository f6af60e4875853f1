//! Columns and units that cannot be what they say: forces of one recording in another unit, force and displacement under each
//! other's heading, one column given twice, the same recording exported again.

use std::fmt::Write as _;
use std::path::Path;
use tautpoint::batch::{Options, run};
use tautpoint::read::read_bytes;
use tautpoint::results::Results;
use tautpoint::simulate::{Condition, TraceSpec, simulate};
use tautpoint::study::mapping::ColumnMapping;
use tautpoint::trace::{About, Trace};

fn press(seed: u64) -> Trace {
    simulate(&TraceSpec::default(), seed).trace
}

/// A recording as text: columns by heading.
fn text(columns: &[(&str, &[f64], usize)]) -> String {
    let headings: Vec<&str> = columns.iter().map(|c| c.0).collect();
    let mut text = headings.join(",") + "\n";
    for i in 0..columns[0].1.len() {
        for (k, (_, values, digits)) in columns.iter().enumerate() {
            write!(text, "{}{:.*}", if k > 0 { "," } else { "" }, digits, values[i]).unwrap();
        }
        text.push('\n');
    }
    text
}

fn plain(trace: &Trace, gain: f64) -> String {
    let channel = &trace.channels[0];
    let force: Vec<f64> = channel.force_n.iter().map(|f| f * gain).collect();
    let x = channel.displacement_mm.as_deref().unwrap();
    text(&[
        ("time_s", &trace.time_s, 6),
        ("force_n", &force, 4),
        ("displacement_mm", x, 4),
    ])
}

fn add(folder: &Path, name: &str, text: &str, side: &str) {
    std::fs::create_dir_all(folder.join("recordings")).unwrap();
    std::fs::write(folder.join(format!("recordings/{name}.csv")), text).unwrap();
    let sidecar = format!("subject = \"S1\"\nlevel = \"L3\"\nside = \"{side}\"\n");
    std::fs::write(folder.join(format!("recordings/{name}.toml")), sidecar).unwrap();
}

fn analysed(folder: &Path) -> (Results, String) {
    std::fs::write(folder.join("study.toml"), "").unwrap();
    let results = run(&[folder.to_owned()], &Options::default()).unwrap();
    let said = results
        .problems
        .iter()
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join("\n");
    (results, said)
}

fn read_words(text: &str) -> String {
    let read = read_bytes(
        text.as_bytes(),
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    read.problems
        .iter()
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join("\n")
}

#[test]
fn one_sides_forces_in_another_unit_are_asked_about() {
    for (unit, newtons) in [("lbf", 4.448_22), ("kgf", 9.806_65)] {
        let dir = tempfile::tempdir().unwrap();
        add(dir.path(), "left", &plain(&press(51), 1.0), "left");
        add(dir.path(), "right", &plain(&press(52), 1.0 / newtons), "right");
        let (_, said) = analysed(dir.path());
        let words = format!(
            "recordings/right.csv: found forces about {newtons:.2} times smaller than in recordings/left.csv"
        );
        assert!(
            said.contains(&words) && said.contains(&format!("force_{unit}")),
            "{said}"
        );
    }
    // The odd one of several, and one that was multiplied though it was in newtons.
    let dir = tempfile::tempdir().unwrap();
    for (k, side) in [(1, "left"), (2, "left"), (3, "right")] {
        add(dir.path(), &format!("r{k}"), &plain(&press(60 + k), 1.0), side);
    }
    add(dir.path(), "r4", &plain(&press(64), 4.448_22), "right");
    let (_, said) = analysed(dir.path());
    assert!(
        said.contains("recordings/r4.csv: found forces about 4.45 times larger than in "),
        "{said}"
    );
    assert_eq!(said.matches("found forces about").count(), 1, "{said}");
}

#[test]
fn sides_that_differ_as_sides_may_are_not_asked_about() {
    let dir = tempfile::tempdir().unwrap();
    for (k, stiffer) in [(0, 1.0), (1, 1.6), (2, 0.6), (3, 2.5)] {
        let side = if k % 2 == 0 { "left" } else { "right" };
        add(
            dir.path(),
            &format!("r{k}"),
            &plain(&press(70 + k), stiffer),
            side,
        );
    }
    let (_, said) = analysed(dir.path());
    assert!(!said.contains("found forces about"), "{said}");
}

#[test]
fn columns_under_each_others_heading_and_scaled_copies_are_named() {
    let trace = press(53);
    let channel = &trace.channels[0];
    let (force, x) = (
        channel.force_n.as_slice(),
        channel.displacement_mm.as_deref().unwrap(),
    );
    let swapped = text(&[
        ("time_s", &trace.time_s, 6),
        ("force_n", x, 4),
        ("displacement_mm", force, 4),
    ]);
    assert!(
        read_words(&swapped).contains("may stand under each other's heading"),
        "{}",
        read_words(&swapped)
    );
    for (gain, digits) in [(0.25, 4), (0.1, 3), (25.4, 2)] {
        let copy: Vec<f64> = force.iter().map(|f| gain * f).collect();
        let copied = text(&[
            ("time_s", &trace.time_s, 6),
            ("force_n", force, 2),
            ("displacement_mm", &copy, digits),
        ]);
        let said = read_words(&copied);
        assert!(
            said.contains("times the force in every sample, to the last digit"),
            "{gain}: {said}"
        );
    }
    let right: Vec<f64> = force.iter().map(|f| 1.3 * f).collect();
    let both = text(&[
        ("time_s", &trace.time_s, 6),
        ("force_left_n", force, 2),
        ("force_right_n", &right, 2),
    ]);
    assert!(
        read_words(&both).contains("the right force is 1.3"),
        "{}",
        read_words(&both)
    );
}

#[test]
fn sound_presses_are_asked_nothing_of_their_columns() {
    for condition in Condition::ALL {
        let trace = condition.simulate(300).trace;
        let channel = &trace.channels[0];
        let Some(x) = channel.displacement_mm.as_deref() else {
            continue;
        };
        let columns = [
            ("time_s", trace.time_s.as_slice(), 6),
            ("force_n", &channel.force_n, 3),
            ("displacement_mm", x, 4),
        ];
        let said = read_words(&text(&columns));
        assert!(
            !said.contains("heading") && !said.contains("last digit"),
            "{}: {said}",
            condition.word()
        );
    }
}

#[test]
fn units_of_thousandths_hundredths_and_minutes_are_read() {
    let trace = press(54);
    let channel = &trace.channels[0];
    let scaled = |values: &[f64], by: f64| -> Vec<f64> { values.iter().map(|v| v * by).collect() };
    let (force, x) = (
        scaled(&channel.force_n, 1e3),
        scaled(channel.displacement_mm.as_deref().unwrap(), 0.1),
    );
    let minutes = scaled(&trace.time_s, 1.0 / 60.0);
    let columns = [
        ("time_min", minutes.as_slice(), 9),
        ("force_mn", &force, 1),
        ("displacement_cm", &x, 6),
    ];
    let read = read_bytes(
        text(&columns).as_bytes(),
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    let near = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-4);
    assert!(near(&read.trace.channels[0].force_n, &channel.force_n));
    assert!(near(&read.trace.time_s, &trace.time_s));
}

#[test]
fn the_same_recording_exported_again_is_named_and_counted_once() {
    let dir = tempfile::tempdir().unwrap();
    let trace = press(55);
    let channel = &trace.channels[0];
    let x = channel.displacement_mm.as_deref().unwrap();
    add(dir.path(), "a", &plain(&trace, 1.0), "left");
    let coarse = text(&[
        ("displacement_mm", x, 2),
        ("time_s", &trace.time_s, 3),
        ("force_n", &channel.force_n, 1),
    ]);
    add(dir.path(), "b", &coarse, "left");
    add(dir.path(), "c", &plain(&press(56), 1.0), "left");
    let (results, said) = analysed(dir.path());
    assert!(
        said.contains("recordings/b.csv: found the same readings as recordings/a.csv, written otherwise"),
        "{said}"
    );
    assert_eq!(results.tests.len(), 2, "{said}");
    // Under another place it is a person's to say which of the two is wrong.
    add(dir.path(), "b", &coarse, "right");
    let (results, said) = analysed(dir.path());
    assert!(said.contains("the same readings as recordings/a.csv"), "{said}");
    assert_eq!(results.tests.len(), 3, "{said}");
}

#[test]
fn a_push_beside_a_known_weight_is_held_against_the_ceilings() {
    let told = |weight_n: f64, most_n: f64| {
        let dir = tempfile::tempdir().unwrap();
        let trace = press(57);
        let top = trace.channels[0].force_n.iter().copied().fold(0.0, f64::max);
        add(dir.path(), "weight", &plain(&trace, most_n / top), "left");
        let sidecar = format!("level = \"C5\"\nknown_weight_n = {weight_n}\n");
        std::fs::write(dir.path().join("recordings/weight.toml"), sidecar).unwrap();
        analysed(dir.path()).1
    };
    assert!(
        told(20.0, 90.0).contains("over the neck ceiling of 60 N"),
        "{}",
        told(20.0, 90.0)
    );
    assert!(!told(80.0, 90.0).contains("ceiling of"), "{}", told(80.0, 90.0));
}

#[test]
fn what_was_aimed_at_is_no_reading_and_which_of_two_counts_is_left_to_a_person() {
    let mut rows = String::new();
    for i in 0..50 {
        writeln!(
            rows,
            "{:.2},{},{},{},{}",
            f64::from(i) / 100.0,
            i % 7,
            30,
            f64::from(i % 9) / 10.0,
            f64::from(i % 5) / 10.0
        )
        .unwrap();
    }
    let proposed = |headings: &str| {
        let text = format!("Station 4\n{headings}\n{rows}");
        let looked = tautpoint::read::import::look(text.as_bytes()).unwrap();
        tautpoint::read::import::proposal(&looked, &["a.csv"], "a.toml")
    };
    let text = proposed("Time (s),Force (N),Target force (N),Travel (mm),Setpoint travel (mm)");
    assert!(
        text.contains("force = { name = \"Force (N)\", unit = \"n\" }"),
        "{text}"
    );
    assert!(
        text.contains("displacement = { name = \"Travel (mm)\", unit = \"mm\" }"),
        "{text}"
    );
    let text = proposed("Time (s),Force A (N),Force B (N),Travel (mm),Depth (mm)");
    assert!(
        !text.contains("\nforce = ") && !text.contains("\ndisplacement = "),
        "{text}"
    );
    assert!(
        text.contains("which of these columns is the one that counts: \"Force A (N)\"")
            || text.contains("counts: Force A (N)"),
        "{text}"
    );
    assert!(
        text.contains("# force = { name = \"Force B (N)\", unit = \"?\" }"),
        "{text}"
    );
}
