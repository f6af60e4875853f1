//! Numbers that no hand on a spine gives are refused with their place, and a study may say that they are right.

use std::fmt::Write as _;
use std::path::Path;
use tautpoint::batch::{Options, run};
use tautpoint::results::Results;
use tautpoint::simulate::{TraceSpec, simulate};

/// A press with its force and displacement multiplied, at the rate of the simulation or faster.
fn press(force: f64, displacement: f64, faster: f64) -> String {
    let made = simulate(&TraceSpec::default(), 41).trace;
    let channel = &made.channels[0];
    let x = channel.displacement_mm.as_ref().unwrap();
    let mut text = "time_s,force_n,displacement_mm\n".to_owned();
    for (i, t) in made.time_s.iter().enumerate() {
        let row = [t / faster, force * channel.force_n[i], displacement * x[i]];
        writeln!(text, "{:.9},{:.6},{:.6}", row[0], row[1], row[2]).unwrap();
    }
    text
}

fn analysed(folder: &Path, text: &str, study: &str) -> Results {
    std::fs::create_dir_all(folder.join("recordings")).unwrap();
    std::fs::write(folder.join("recordings/press.csv"), text).unwrap();
    std::fs::write(folder.join("study.toml"), study).unwrap();
    run(&[folder.to_owned()], &Options::default()).unwrap()
}

fn said(results: &Results) -> String {
    let problems = results.problems.iter().map(ToString::to_string);
    problems.collect::<Vec<_>>().join("\n")
}

#[test]
fn what_cannot_be_is_refused_with_its_place_and_the_setting() {
    let dir = tempfile::tempdir().unwrap();
    for (text, parts, limit) in [
        (
            press(1000.0, 1.0, 1.0),
            ["column force: found ", "N at ", "force_n"],
            "[plausible]\nforce_n = 900000\nstiffness_n_per_mm = 900000\n",
        ),
        (
            press(1.0, 1000.0, 1.0),
            [
                "column displacement: found ",
                "mm away from where it mostly is, at ",
                "displacement_mm",
            ],
            "[plausible]\ndisplacement_mm = 90000\n",
        ),
        (
            press(10.0, 0.4, 1.0),
            ["N/mm of ", " in test 1", "stiffness_n_per_mm"],
            "[plausible]\nstiffness_n_per_mm = 900000\n",
        ),
    ] {
        let refused = analysed(dir.path(), &text, "");
        let problems = said(&refused);
        assert!(
            parts.iter().all(|p| problems.contains(p)),
            "{parts:?}: {problems}"
        );
        assert!(
            refused.tests.is_empty() && !refused.exclusions.is_empty(),
            "{problems}"
        );
        let allowed = analysed(dir.path(), &text, limit);
        assert!(!said(&allowed).contains("[plausible]"), "{}", said(&allowed));
    }
    // Eight seconds under stamps of a millisecond too few are 25 kHz only when there are enough of them.
    let fast: String = (0..30_000)
        .map(|i| format!("{:.6},{}\n", f64::from(i) / 25_000.0, i % 3))
        .collect();
    let refused = said(&analysed(dir.path(), &format!("time_s,force_n\n{fast}"), ""));
    assert!(
        refused.contains("25000 samples a second") && refused.contains("rate_hz"),
        "{refused}"
    );
    // A press as presses are, and one wrong sample in it, pass.
    let mut sound = press(1.0, 1.0, 1.0);
    let at = sound.find("\n1.5").unwrap() + 1;
    let end = at + sound[at..].find('\n').unwrap();
    sound.replace_range(at..end, "1.500000000,71000,3");
    let read = analysed(dir.path(), &sound, "");
    assert!(
        read.tests.len() == 1 && !said(&read).contains("[plausible]"),
        "{}",
        said(&read)
    );
}
