//! Files as other programs write them: refused in one message, a profile proposed, and read by it as if they had been plain.

use std::path::Path;
use std::process::{Command, Output};
use tautpoint::error::Error;
use tautpoint::read::{ReadTrace, read_bytes, read_trace};
use tautpoint::simulate::{TraceSpec, simulate};
use tautpoint::study::sidecar::Sidecar;
use tautpoint::study::study_file::StudyFile;
use tautpoint::trace::{About, Trace};

fn run(folder: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .arg("--quiet")
        .args(args)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

fn press() -> Trace {
    simulate(&TraceSpec::default(), 31).trace
}

/// A press as a data logger with a header block, a units row, days and times, decimal commas and UTF-16 writes it.
fn exported(trace: &Trace) -> Vec<u8> {
    let channel = &trace.channels[0];
    let x = channel.displacement_mm.as_ref().unwrap();
    let mut text =
        "Messung;Druckversuch 7\r\nGerät;Prüfstand\r\n\r\nZeit;Kraft;Weg;Temperatur\r\n;N;µm;°C\r\n"
            .to_owned();
    for (i, t) in trace.time_s.iter().enumerate() {
        let ms = (t * 1000.0).round() as u64 + 59_000;
        let row = format!(
            "2026-09-14T10:{:02}:{:02}.{:03};{:.2};{:.0};21,5\r\n",
            ms / 60_000,
            ms / 1000 % 60,
            ms % 1000,
            channel.force_n[i],
            1e3 * x[i]
        );
        // Of the row only the numbers have a decimal comma.
        let (time, rest) = row.split_once(';').unwrap();
        text.push_str(&format!("{time};{}", rest.replace('.', ",")));
    }
    [0xFEFF_u16]
        .into_iter()
        .chain(text.encode_utf16())
        .flat_map(u16::to_le_bytes)
        .collect()
}

fn alike(read: &Trace, made: &Trace) {
    assert_eq!(read.time_s.len(), made.time_s.len());
    for (i, t) in made.time_s.iter().enumerate() {
        assert!((read.time_s[i] - t).abs() < 1e-6, "row {i}");
        assert!(
            (read.channels[0].force_n[i] - made.channels[0].force_n[i]).abs() < 1e-9,
            "row {i}"
        );
    }
    let (a, b) = (
        &read.channels[0].displacement_mm,
        &made.channels[0].displacement_mm,
    );
    let pairs = a.as_ref().unwrap().iter().zip(b.as_ref().unwrap());
    assert!(pairs.clone().all(|(a, b)| (a - b).abs() < 0.001));
}

#[test]
fn another_programs_file_is_refused_once_proposed_for_and_read_when_a_person_agrees() {
    let dir = tempfile::tempdir().unwrap();
    let made = press();
    for name in ["press-1.csv", "press-2.csv"] {
        std::fs::write(dir.path().join(name), exported(&made)).unwrap();
    }
    let refused = said(&run(dir.path(), &["check", "press-1.csv"]));
    let lines: Vec<&str> = refused
        .lines()
        .filter(|l| l.starts_with("error: press-1.csv"))
        .collect();
    let [one] = lines.as_slice() else {
        panic!("{refused}")
    };
    assert!(
        one.contains("utf-16le text, 3 lines before the headings, a row of units in line 5 and days and times in the time column"),
        "{one}"
    );
    assert!(one.contains("tautpoint check --propose"), "{one}");

    let proposed = run(dir.path(), &["check", "press-1.csv", "press-2.csv", "--propose"]);
    assert_eq!(proposed.status.code(), Some(1), "{}", said(&proposed));
    assert!(
        said(&proposed).contains("proposed for 2 recordings: "),
        "{}",
        said(&proposed)
    );
    let path = dir.path().join("press-1.toml.proposed");
    let text = std::fs::read_to_string(&path).unwrap();
    for part in [
        "Nothing of it is in force yet",
        "press-1.csv and 1 more recordings",
        "encoding = \"utf-16le\"",
        "skip_rows = 3",
        "units_row = true",
        "decimal = \",\"",
        "time = \"iso\"",
        "force = { name = \"Kraft\", unit = \"n\" }",
        "displacement = { name = \"Weg\", unit = \"um\" }",
        "they are not used): Temperatur",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    // Nothing is in force, and nothing is written over.
    assert!(said(&run(dir.path(), &["check", "press-1.csv"])).contains("another program's"));
    std::fs::write(&path, "mine").unwrap();
    let again = said(&run(dir.path(), &["check", "press-1.csv", "--propose"]));
    assert!(again.contains("not proposed"), "{again}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "mine");

    // As a sidecar, and as a study's.
    std::fs::write(dir.path().join("press-1.toml"), &text).unwrap();
    let (sidecar, problems) = Sidecar::parse("press-1.toml", &text);
    assert!(problems.is_empty(), "{problems:?}");
    let read = read_trace(
        &dir.path().join("press-1.csv"),
        "press-1.csv",
        &sidecar.columns,
        About::default(),
    )
    .unwrap();
    alike(&read.trace, &made);
    let (study, problems) = StudyFile::parse("study.toml", &text);
    assert!(problems.is_empty(), "{problems:?}");
    assert_eq!(study.import.as_ref(), Some(&sidecar.columns));
    let study = dir.path().join("study");
    std::fs::create_dir_all(study.join("recordings")).unwrap();
    std::fs::write(study.join("study.toml"), &text).unwrap();
    std::fs::write(study.join("recordings/press-2.csv"), exported(&made)).unwrap();
    // What our own recorder wrote stands beside it and is read as it is.
    std::fs::write(study.join("recordings/own.csv"), "time_s,force_n\n0,1\n").unwrap();
    let rows: String = (0..1200)
        .map(|i| format!("{},{}\n", f64::from(i) / 1000.0, i % 7))
        .collect();
    std::fs::write(
        study.join("recordings/own.csv"),
        format!("time_s,force_n\n{rows}"),
    )
    .unwrap();
    std::fs::write(
        study.join("recordings/own.toml"),
        "recorder_version = \"0.2.0\"\n",
    )
    .unwrap();
    let checked = run(&study, &["check", "."]);
    assert!(!said(&checked).contains("error:"), "{}", said(&checked));
}

fn with(import: &str, text: &str) -> tautpoint::Result<ReadTrace> {
    let (sidecar, problems) = Sidecar::parse("press.toml", import);
    assert!(problems.is_empty(), "{problems:?}");
    read_bytes(text.as_bytes(), "press.csv", &sidecar.columns, About::default())
}

fn refused(import: &str, text: &str) -> tautpoint::error::Problem {
    match with(import, text) {
        Err(Error::Data(problem)) => *problem,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_profile_says_how_numbers_units_and_times_are_written() {
    let thousands = "[import]\nthousands = \",\"\n";
    let read = with(thousands, "time_ms,force_gf\n0,\"3,231\"\n5,\"1,003,231.5\"\n").unwrap();
    assert!((read.trace.channels[0].force_n[0] - 3231.0 * 0.009_806_65).abs() < 1e-9);
    assert!((read.trace.channels[0].force_n[1] - 1_003_231.5 * 0.009_806_65).abs() < 1e-6);
    // Units under headings without one; a gain that turns the sign.
    let units = "[import]\nunits_row = true\n[columns]\nforce = { name = \"F\", unit = \"kn\", gain = -1 }\n";
    let read = with(units, "time,F,displacement\n(ms),[kN],(µm)\n0,-1,5\n5,-2,10\n").unwrap();
    assert_eq!(read.trace.time_s, [0.0, 0.005]);
    assert_eq!(read.trace.channels[0].force_n, [1000.0, 2000.0]);
    assert_eq!(
        read.trace.channels[0].displacement_mm.as_deref(),
        Some(&[0.005, 0.01][..])
    );
    // A clock over midnight.
    let clock = "[import]\ntime = \"clock\"\ndelimiter = \"|\"\n";
    let read = with(clock, "time|force_n\n23:59:59.995|1\n00:00:00.000|2\n").unwrap();
    assert_eq!(read.trace.time_s, [0.0, 0.005]);
    // A last row cut off is one, with a profile too.
    let read = with(
        "[import]\ntime = \"iso\"\n",
        "time,force_n\n2026-09-14T10:00:00,1\n2026-09-14T10:00:01,2\n2026-09-14T1",
    )
    .unwrap();
    assert_eq!(read.trace.time_s, [0.0, 1.0]);
    assert!(
        read.problems[0].found.starts_with("a last row cut off"),
        "{:?}",
        read.problems
    );
}

#[test]
fn what_contradicts_a_profile_is_told_with_its_place() {
    let units = "[import]\nskip_rows = 1\nunits_row = true\n";
    let p = refused(units, "a block\ntime_s,force_n\ns,kN\n0,1\n");
    assert_eq!((p.line, p.column.as_deref()), (Some(3), Some("force_n")), "{p}");
    assert!(p.found.contains("the unit kn under the heading"), "{p}");
    let p = refused("[import]\ndecimal = \",\"\n", "time_s;force_n\n0;1,5\n0,1;2.5\n");
    assert_eq!((p.line, p.found.as_str()), (Some(3), "2.5"), "{p}");
    let p = refused(
        "[import]\ntime = \"iso\"\n",
        "time,force_n\n2026-09-14T10:00:00,1\n14.09.2026 10:00,2\n",
    );
    assert_eq!((p.line, p.column.as_deref()), (Some(3), Some("time_s")), "{p}");
    let p = refused("[import]\nskip_rows = 9\n", "time_s,force_n\n0,1\n");
    assert!(p.found.contains("fewer than the 9 lines"), "{p}");
    // The line of a bad cell is that of the file.
    let p = refused("[import]\nskip_rows = 2\n", "a\nb\ntime_s,force_n\n0,1\n1,off\n");
    assert_eq!((p.line, p.found.as_str()), (Some(5), "off"), "{p}");
    for (text, key) in [
        ("[import]\nencoding = \"ebcdic\"\n", "import.encoding"),
        ("[import]\nthousands = \".\"\n", "import.thousands"),
        ("[import]\nskip_rows = -1\n", "import.skip_rows"),
        (
            "[import]\n[mat]\nrows = 2\ncols = 2\npitch_mm = 8\nunit = \"kpa\"\n",
            "import",
        ),
    ] {
        let (_, problems) = Sidecar::parse("press.toml", text);
        assert!(
            problems.iter().any(|p| p.column.as_deref() == Some(key)),
            "{text}: {problems:?}"
        );
    }
}

/// Rows of a press as another program might write them.
fn rows(separator: char, comma: bool) -> String {
    let mut text = String::new();
    for i in 0..1200 {
        let cells = [
            f64::from(i) / 1000.0,
            f64::from(i % 37) * 0.5,
            f64::from(i % 41) * 0.125,
        ];
        let cells: Vec<String> = cells.iter().map(|c| format!("{c:.3}")).collect();
        let line = cells.join(&separator.to_string());
        text.push_str(&if comma { line.replace('.', ",") } else { line });
        text.push('\n');
    }
    text
}

#[test]
fn a_proposal_is_right_for_other_separators_marks_units_rows_and_headings() {
    let dir = tempfile::tempdir().unwrap();
    for (name, headings, separator, comma, columns) in [
        (
            "a",
            "Zeit [s];Kraft [N];Weg [mm]\n",
            ';',
            true,
            [
                "Zeit [s]\", unit = \"s",
                "Kraft [N]\", unit = \"n",
                "Weg [mm]\", unit = \"mm",
            ],
        ),
        (
            "b",
            "Time (s)\tLoad (lbf)\tLVDT (in)\n",
            '\t',
            true,
            [
                "Time (s)\", unit = \"s",
                "Load (lbf)\", unit = \"lbf",
                "LVDT (in)\", unit = \"in",
            ],
        ),
        (
            "c",
            "Zeit;Fz;Position\nsek;kg;mm\n",
            ';',
            true,
            [
                "Zeit\", unit = \"s",
                "Fz\", unit = \"kgf",
                "Position\", unit = \"mm",
            ],
        ),
        (
            "d",
            "t (s),F (N),Disp (um)\n",
            ',',
            false,
            [
                "t (s)\", unit = \"s",
                "F (N)\", unit = \"n",
                "Disp (um)\", unit = \"um",
            ],
        ),
        (
            "e",
            "X_Value,Load,Disp\n",
            ',',
            false,
            [
                "X_Value\", unit = \"?",
                "Load\", unit = \"?",
                "Disp\", unit = \"?",
            ],
        ),
    ] {
        let file = format!("{name}.csv");
        std::fs::write(
            dir.path().join(&file),
            format!("{headings}{}", rows(separator, comma)),
        )
        .unwrap();
        let refused = said(&run(dir.path(), &["check", &file]));
        assert!(
            refused.contains("[import]") && refused.contains("check --propose"),
            "{refused}"
        );
        let proposed = said(&run(dir.path(), &["check", &file, "--propose"]));
        let text = std::fs::read_to_string(dir.path().join(format!("{name}.toml.proposed")));
        let text = text.unwrap_or_else(|_| panic!("{proposed}"));
        for column in columns {
            assert!(
                text.contains(&format!("{{ name = \"{column}\" }}")),
                "{column}: {text}"
            );
        }
        assert!(
            text.contains(&format!("decimal = \"{}\"", if comma { ',' } else { '.' })),
            "{text}"
        );
        assert_eq!(text.contains("units_row = true"), name == "c", "{text}");
        if name == "e" {
            assert!(
                text.contains(
                    "the unit of X_Value (steps of 0.001000: 1000.000 samples a second if that is s"
                ),
                "{text}"
            );
            continue;
        }
        std::fs::write(dir.path().join(format!("{name}.toml")), &text).unwrap();
        let read = said(&run(dir.path(), &["check", &file]));
        assert!(!read.contains("error:"), "{name}: {read}");
    }
}

#[test]
fn what_a_proposal_cannot_decide_stands_in_it_to_be_filled_in() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(
        dir.path().join("a.csv"),
        format!("Time (s),Channel 1,Channel 2\n{}", rows(',', false)),
    )
    .unwrap();
    let proposed = said(&run(dir.path(), &["check", "a.csv", "--propose"]));
    assert!(proposed.contains("proposed for 1 recording"), "{proposed}");
    let text = std::fs::read_to_string(dir.path().join("a.toml.proposed")).unwrap();
    for part in [
        "which column is the force",
        "# force = { name = \"Channel 1\", unit = \"?\" }",
        "# displacement = { name = \"Channel 2\", unit = \"?\" }",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let (_, problems) = Sidecar::parse("a.toml", &text);
    assert!(problems.is_empty(), "{problems:?}");
    std::fs::write(dir.path().join("b.csv"), "a letter\nto somebody\n").unwrap();
    let none = said(&run(dir.path(), &["check", "b.csv", "--propose"]));
    assert!(none.contains("write [import] by hand, with skip_rows"), "{none}");
}
