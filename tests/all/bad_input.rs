//! Every way a recording, a sidecar or a study file goes wrong is answered with its place and what to do.

use proptest::prelude::*;
use std::path::{Path, PathBuf};
use std::process::Command;
use tautpoint::error::{Error, Problem, Severity};
use tautpoint::read::{read_bytes, read_trace, validity::validity};
use tautpoint::study::calls;
use tautpoint::study::codes::code_warning;
use tautpoint::study::inputs::collect;
use tautpoint::study::mapping::ColumnMapping;
use tautpoint::study::plan::Plan;
use tautpoint::study::roster::Roster;
use tautpoint::study::sidecar::Sidecar;
use tautpoint::study::study_file::StudyFile;
use tautpoint::terms::{LineOfDrive, Role, Side};
use tautpoint::trace::About;

fn problem(bytes: &[u8]) -> Problem {
    problem_with(bytes, About::default())
}

fn problem_with(bytes: &[u8], about: About) -> Problem {
    match read_bytes(bytes, "a.csv", &ColumnMapping::default(), about) {
        Err(Error::Data(problem)) => *problem,
        other => panic!("no problem: {other:?}"),
    }
}

fn warnings(text: &str) -> Vec<Problem> {
    read_bytes(
        text.as_bytes(),
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap()
    .problems
}

#[track_caller]
fn says(
    problem: &Problem,
    line: impl Into<Option<u64>>,
    column: impl Into<Option<&'static str>>,
    words: &[&str],
) {
    let text = problem.to_string();
    assert_eq!(problem.line, line.into(), "{text}");
    assert_eq!(problem.column.as_deref(), column.into(), "{text}");
    for word in words {
        assert!(text.contains(word), "no \"{word}\" in: {text}");
    }
}

#[test]
fn an_empty_file_and_a_file_without_numbers_say_so() {
    says(&problem(b""), None, None, &["an empty file"]);
    says(&problem(b"\xEF\xBB\xBF \r\n\n"), None, None, &["an empty file"]);
    says(&problem(b"# only\n# words\n"), None, None, &["comments only"]);
    says(
        &problem(b"# x\ntime_s,force_n\n\n"),
        2,
        None,
        &["headings and no numbers"],
    );
}

#[test]
fn text_in_a_number_column_is_named_by_line_and_heading() {
    let p = problem(b"# a\n# b\ntime_s,force_n\n0,1\n\n0.1,abc\n");
    says(&p, 6, "force_n", &[]);
    assert_eq!(
        p.to_string(),
        "a.csv, line 6, column force_n: found abc; expected a number; correct or empty the cell"
    );
    says(
        &problem(b"time_s,force_n\n0,1\n0.1,inf\n"),
        3,
        "force_n",
        &["found inf"],
    );
    says(
        &problem(b"time_s,force_n\n0,1\n0.1,1e999\n"),
        3,
        "force_n",
        &["found 1e999"],
    );
    says(
        &problem(b"time_s,force_n\n10:02:31,1\n"),
        2,
        "time_s",
        &["10:02:31"],
    );
}

#[test]
fn many_bad_cells_name_the_first_few_and_count_the_rest() {
    let rows: String = (0..20).map(|i| format!("{i},x{i}\n")).collect();
    let p = problem(format!("time_s,force_n\n{rows}").as_bytes());
    says(
        &p,
        2,
        "force_n",
        &[
            "found x0",
            "line 3 (force_n: x1)",
            "line 5 (force_n: x3) and 16 more",
        ],
    );
}

#[test]
fn a_row_of_another_length_is_named_by_line() {
    let p = problem(b"time_s,force_n\n0,1\n0.1,2,3\n0.2,4\n");
    says(
        &p,
        3,
        None,
        &["3 cells (0.1,2,3)", "2 cells, as in the headings", "semicolons"],
    );
    says(
        &problem(b"time_s;force_n\n0;1\n0,1\n0,2;4\n"),
        3,
        None,
        &["found 1 cell"],
    );
    says(&problem(b"time_s,force_n\n0\n"), 2, None, &["found 1 cell"]);
}

#[test]
fn a_forgotten_quote_swallows_no_row_without_a_word() {
    let rows: String = (0..100).map(|i| format!("{i},{},x\n", i % 7)).collect();
    let r = read_bytes(
        format!("time_s,force_n,note\n-1,1,\"open\n{rows}").as_bytes(),
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    assert_eq!(r.trace.time_s.len(), 101);
    assert_eq!(r.problems, []);
    // Inches and seconds in a note open no quote.
    let found = warnings("time_s,force_n,note\n0,1,5\" away\n1,2,x\n2,3,6\" away\n");
    assert_eq!(found, []);
    let found = warnings("time_s,force_n,note\n0,1,\"open\n1,2,x\n2,3,\"y\"\n3,4,z\n");
    says(&found[0], 2, None, &["runs to line 4", "close it"]);
}

#[test]
fn a_last_row_cut_off_is_left_out_with_a_warning() {
    let found = warnings("time_s,force_n,displacement_mm\n0,1,1\n0.1,2,1\n0.2,3");
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].severity, Severity::Warning);
    says(&found[0], 4, None, &["a last row cut off (0.2,3)"]);
    let found = warnings("time_s,force_n\n0,1\n0.1,-");
    says(&found[0], 3, None, &["a last row cut off (0.1,-)"]);
    says(
        &problem(b"time_s,force_n\n0,1\n0.1,abc"),
        3,
        "force_n",
        &["found abc"],
    );
    says(
        &problem(b"time_s,force_n\n0,1\n0.1,-\n"),
        3,
        "force_n",
        &["found -"],
    );
    says(&problem(b"time_s,force_n\n0,1\n0.1,2,3"), 3, None, &["3 cells"]);
}

#[test]
fn empty_cells_behind_the_last_heading_do_no_harm() {
    assert_eq!(warnings("time_s,force_n,,\n0,1,,\n0.1,2,,\n0.2,3\n"), []);
}

#[test]
fn no_time_column_lists_what_is_there_and_what_is_accepted() {
    let p = problem(b"tmie_s,force_n\n0,1\n");
    says(
        &p,
        1,
        None,
        &[
            "no time column among tmie_s and force_n",
            "_s, _ms, _us, _min",
            "rename tmie_s to time_s",
        ],
    );
    let p = problem(b"1,2\n3,4\n");
    says(
        &p,
        1,
        None,
        &["numbers where the headings should be", "add a line of headings"],
    );
    let p = problem(b"time_s,load\n3,4\n");
    says(
        &p,
        1,
        None,
        &[
            "no force column among time_s and load",
            "_n, _kn, _mn, _gf, _kgf, _lbf",
        ],
    );
}

#[test]
fn a_missing_or_unknown_unit_names_the_known_ones_and_the_way_to_map() {
    let p = problem(b"time_s,force\n0,1\n");
    says(
        &p,
        1,
        "force",
        &[
            "without a unit",
            "_n, _kn, _mn, _gf, _kgf, _lbf or _counts",
            "force = { name = \"force\", unit = \"n\" }",
        ],
    );
    let p = problem(b"time_s,force_kgs\n0,1\n");
    says(&p, 1, "force_kgs", &["the unit kgs"]);
    let p = problem(b"time_s,force_n,displacement_dm\n0,1,2\n");
    says(
        &p,
        1,
        "displacement_dm",
        &["the unit dm", "_mm, _um, _cm, _m, _in"],
    );
}

#[test]
fn two_force_columns_without_a_side_are_refused() {
    let p = problem(b"time_s,force_n,force_lbf\n0,1,2\n");
    says(
        &p,
        1,
        "force_lbf",
        &[
            "2 force columns: force_n and force_lbf",
            "force_left_n and force_right_n",
        ],
    );
    let p = problem(b"time_s,force_n,force_n\n0,1,2\n");
    says(&p, 1, "force_n", &["2 force columns"]);
    let p = problem(b"time_s,force_n,force_left_n\n0,1,2\n");
    says(&p, 1, "force_n", &["without a side beside one with a side"]);
}

#[test]
fn counts_need_a_calibration() {
    says(
        &problem(b"time_s,force_counts\n0,1\n"),
        1,
        "force_counts",
        &["sensor counts", "calibration", "tautpoint calibrate"],
    );
}

#[test]
fn time_running_backwards_names_the_line() {
    let p = problem(b"# c\ntime_ms,force_n\n0,1\n10,2\n5,3\n20,4\n");
    says(
        &p,
        5,
        "time_ms",
        &["0.005 s after 0.01 s", "never runs backwards"],
    );
}

#[test]
fn rows_without_a_time_are_left_out_with_a_warning() {
    let found = warnings("time_s,force_n\n0,1\n,2\n,3\n0.2,4\n");
    says(&found[0], 3, "time_s", &["2 rows without a time"]);
    says(
        &problem(b"time_s,force_n\n,1\nnan,2\n"),
        2,
        "time_s",
        &["no time in any row"],
    );
}

#[test]
fn mixed_decimal_signs_are_refused() {
    // "1,234" might be 1.234 or 1234: nobody but the writer knows.
    let p = problem(b"time_s;force_n\n0.5;1\n1.0;1,234\n");
    says(&p, 3, None, &["a decimal comma, and a decimal point in line 2"]);
    says(
        &problem(b"time_s;force_n\n0;1,234.5\n"),
        2,
        "force_n",
        &["1,234.5"],
    );
}

#[test]
fn a_channel_that_never_speaks_is_left_out_or_refused() {
    says(
        &problem(b"time_s,force_n\n0,\n1,nan\n"),
        None,
        "force",
        &["no number in any force column"],
    );
    let r = read_bytes(
        b"time_s,force_left_n,force_right_n,displacement_mm\n0,1,,0\n1,2,,1\n",
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    assert_eq!(r.trace.channels.len(), 1);
    assert_eq!(r.trace.channels[0].side, Some(Side::Left));
    assert!(!r.trace.channels[0].displacement_shared);
    says(&r.problems[0], None, "force_right", &["this side is left out"]);
    let found = warnings("time_s,force_n,displacement_mm\n0,1,\n1,2,\n");
    says(&found[0], None, "displacement", &["only force is reported"]);
}

#[test]
fn one_side_alone_is_read_as_that_side_and_must_not_contradict_the_sidecar() {
    let text = b"time_s,force_left_n,displacement_mm\n0,1,2\n1,2,3\n";
    let r = read_bytes(text, "a.csv", &ColumnMapping::default(), About::default()).unwrap();
    assert_eq!(r.trace.channels[0].side, Some(Side::Left));
    assert!(
        r.trace.notes[0].starts_with("one side only"),
        "{:?}",
        r.trace.notes
    );
    let about = About {
        side: Some(Side::Right),
        ..About::default()
    };
    says(
        &problem_with(text, about),
        1,
        "force_left_n",
        &["side = \"right\" in the sidecar"],
    );
}

#[test]
fn a_displacement_of_one_side_alone_is_said() {
    let r = read_bytes(
        b"time_s,force_left_n,force_right_n,displacement_left_mm\n0,1,2,0\n1,2,3,1\n",
        "a.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    assert!(r.trace.channels[0].displacement_mm.is_some());
    assert!(r.trace.channels[1].displacement_mm.is_none());
    says(
        &r.problems[0],
        None,
        "displacement_left",
        &["the right side gives force only"],
    );
    let p = problem(b"time_s,force_n,displacement_left_mm,displacement_right_mm\n0,1,2,3\n");
    says(
        &p,
        1,
        "displacement_left_mm",
        &["a displacement with a side and a force without one"],
    );
}

#[test]
fn markers_are_whole_and_step_up() {
    says(
        &problem(b"time_s,force_n,marker\n0,1,1\n1,1,1.5\n"),
        3,
        "marker",
        &["a whole number"],
    );
    says(
        &problem(b"time_s,force_n,marker\n0,1,2\n1,1,1\n"),
        3,
        "marker",
        &["1 after 2", "only steps up"],
    );
}

#[test]
fn files_that_are_no_text_say_what_they_are() {
    says(&problem(b"\xFF\xFEt\0i\0"), None, None, &["UTF-16"]);
    says(&problem(b"PK\x03\x04xxxx"), None, None, &["spreadsheet"]);
    says(&problem(b"time_s,force_n\n0,\0\n"), None, None, &["binary data"]);
    says(
        &problem(b"time_s,force_n\n0,1\n0,\xB5\n"),
        3,
        None,
        &["no UTF-8 text"],
    );
    says(
        &problem(b"PAR1 and no more"),
        None,
        None,
        &["Parquet that cannot be read"],
    );
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.parquet");
    std::fs::write(&path, "time_s,force_n\n0,1\n").unwrap();
    let error = read_trace(&path, "a.parquet", &ColumnMapping::default(), About::default()).unwrap_err();
    assert!(
        error.to_string().contains("does not begin as Parquet does"),
        "{error}"
    );
}

#[test]
fn old_line_ends_are_read() {
    assert_eq!(warnings("time_s,force_n\r0,1\r0.1,2\r"), []);
}

#[test]
fn too_slow_and_too_short_are_found() {
    let trace = |n: usize, step_s: f64| {
        let rows: String = (0..n).map(|i| format!("{},1\n", i as f64 * step_s)).collect();
        let text = format!("time_s,force_n\n{rows}");
        read_bytes(
            text.as_bytes(),
            "a.csv",
            &ColumnMapping::default(),
            About::default(),
        )
        .unwrap()
        .trace
    };
    assert_eq!(validity(&trace(51, 0.02)), []);
    assert!(validity(&trace(60, 0.025))[0].found.contains("40.0000 samples"));
    assert!(validity(&trace(60, 0.01))[0].found.contains("0.590 s"));
    assert_eq!(validity(&trace(1, 1.0)).len(), 1);
}

// Sidecars.

fn sidecar_problems(text: &str) -> Vec<Problem> {
    Sidecar::parse("a.toml", text).1
}

#[test]
fn the_example_sidecar_is_read_without_a_word() {
    let (sidecar, problems) = Sidecar::parse(
        "a.toml",
        r#"
format = 1
subject = "V-07"
examiner = "L-12"
session = 2026-09-14
recorded_at = "2026-09-14T10:02:31+02:00"
level = "L3"
side = "left"
landmark = "mammillary process"
contact = "thumb"
posture = "prone"
line_of_drive_deg = 90
breath = "end of breathing out"
trial = 2
feedback = "after"
station = "bench-2"
calibration = "cell-4-2026-09-01"
status = "complete"
[truth]
onset_mm = 8.2
[truth.left]
k2 = 11
"#,
    );
    assert_eq!(problems, []);
    assert_eq!(sidecar.about.session.as_deref(), Some("2026-09-14"));
    assert_eq!(sidecar.about.side, Some(Side::Left));
    assert_eq!(sidecar.about.line_of_drive, LineOfDrive::new(90.0));
    assert_eq!(sidecar.about.trial, Some(2));
}

#[test]
fn a_missing_sidecar_is_an_empty_one() {
    let (sidecar, problems) = Sidecar::read(Path::new("nowhere/at/all.toml"), "all.toml");
    assert_eq!(sidecar, Sidecar::default());
    assert_eq!(problems, []);
}

#[test]
fn an_unknown_key_names_the_nearest() {
    let found = sidecar_problems("subject = \"V-07\"\nlandmrak = \"x\"\n");
    assert_eq!(found[0].severity, Severity::Warning);
    says(&found[0], 2, "landmrak", &["write landmark if that is meant"]);
}

#[test]
fn wrong_types_and_words_are_errors_with_their_line() {
    let cases: &[(&str, &str, &[&str])] = &[
        (
            "side = \"lft\"",
            "side",
            &["left, right or midline", "write \"left\""],
        ),
        ("side = 3", "side", &["found 3", "text in double quotes"]),
        (
            "level = \"L6\"",
            "level",
            &["found L6", "C2, C3", "sacral_base or SI"],
        ),
        (
            "contact = \"elbow\"",
            "contact",
            &["reinforced, thenar, thumb or thumb_finger"],
        ),
        ("trial = \"2\"", "trial", &["the text \"2\"", "a whole number"]),
        ("trial = 0", "trial", &["a whole number from 1"]),
        (
            "line_of_drive_deg = 200.0",
            "line_of_drive_deg",
            &["from 0 to 180"],
        ),
        ("line_of_drive_deg = nan", "line_of_drive_deg", &["from 0 to 180"]),
        ("format = 2", "format", &["format = 1"]),
        (
            "feedback = \"later\"",
            "feedback",
            &["live, after, on-request, faded, alternate, bandwidth, summary or none"],
        ),
        ("excluded = \"\"", "excluded", &["the reason in words"]),
        ("covers = [\"T6\", \"X1\"]", "covers", &["X1"]),
        (
            "mat = { rows = 2, cols = 2, pitch_mm = 10 }",
            "mat.unit",
            &["kPa", "mmHg"],
        ),
        ("columns = 3", "columns", &["a table"]),
    ];
    for (line, column, words) in cases {
        let found = sidecar_problems(&format!("# first\n{line}\n"));
        assert_eq!(found.len(), 1, "{line}: {found:?}");
        assert_eq!(found[0].severity, Severity::Error, "{line}");
        says(&found[0], 2, *column, words);
    }
}

#[test]
fn a_slip_in_the_toml_itself_names_its_line() {
    let found = sidecar_problems("subject = \"V-07\"\nside = left\n");
    assert_eq!(found.len(), 1);
    says(&found[0], 2, None, &["text in double quotes"]);
    let found = sidecar_problems("subject = \"a\"\nsubject = \"b\"\n");
    assert_eq!(found[0].line, Some(2), "{found:?}");
}

#[test]
fn a_mapped_column_needs_a_name_and_a_known_unit() {
    let found = sidecar_problems("[columns]\nforce = { name = \"Load\", unit = \"lbs\" }\n");
    says(
        &found[0],
        2,
        "columns.force.unit",
        &["found lbs", "write \"lbf\""],
    );
    let found = sidecar_problems("[columns]\nforce = { name = \"Load\" }\n");
    says(&found[0], 2, "columns.force.unit", &["no unit"]);
    let found = sidecar_problems("[columns]\nforce = \"Load\"\n");
    says(
        &found[0],
        2,
        "columns.force",
        &["{ name = \"the heading\", unit = \"n\" }"],
    );
    let found = sidecar_problems("[columns]\nforces = { name = \"Load\", unit = \"n\" }\n");
    says(&found[0], 2, "columns.forces", &["write force if that is meant"]);
    let (sidecar, problems) = Sidecar::parse(
        "a.toml",
        "[columns]\ntime = { name = \"t\", unit = \"ms\" }\nforce = { name = \"Lode\", unit = \"n\" }\n",
    );
    assert_eq!(problems, []);
    let error = read_bytes(b"t,Load\n0,1\n", "a.csv", &sidecar.columns, About::default())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("column Lode") && error.contains("(nearest: Load)"),
        "{error}"
    );
}

#[test]
fn an_open_recording_and_personal_codes_are_warned_of() {
    let found =
        sidecar_problems("subject = \"Anna Example\"\nexaminer = \"a@b.example\"\nstatus = \"open\"\n");
    assert!(found.iter().all(|p| p.severity == Severity::Warning));
    says(&found[0], 1, "subject", &["looks like a name"]);
    says(&found[1], 2, "examiner", &["looks like a mail address"]);
    says(&found[2], 3, "status", &["not closed in order"]);
    assert_eq!(sidecar_problems("subject = \"<b>V-07</b>\"\n"), []);
}

#[test]
fn one_heading_for_two_things_is_refused() {
    let (sidecar, _) = Sidecar::parse(
        "a.toml",
        "[columns]\ntime = { name = \"t\", unit = \"s\" }\nforce = { name = \"t\", unit = \"n\" }\n",
    );
    let error = read_bytes(b"t,x\n0,1\n", "a.csv", &sidecar.columns, About::default())
        .unwrap_err()
        .to_string();
    assert!(error.contains("one column for time and for force"), "{error}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, ..ProptestConfig::default() })]

    #[test]
    fn text_that_people_write_never_panics(text in "[a-z=\"\\[\\]{}.,;#\n\r\t 0-9\u{e4}-]{0,120}", key in prop::sample::select(vec![
        "side", "trial", "columns", "covers", "format", "[columns]\nforce", "[filter]\nlow_pass_hz", "[[step]]\nlevel",
        "[technique]\nexcursion_mm", "step", "plan", "subject,examiner,session,level,call\n", "code,role\n",
    ])) {
        let text = format!("{key} = {text}");
        let _ = Sidecar::parse("a.toml", &text);
        let _ = StudyFile::parse("study.toml", &text);
        let _ = Plan::parse("p.toml", &text);
        let _ = calls::parse("calls.csv", &text);
        let _ = Roster::parse("roster.csv", &text);
        let _ = code_warning(&text);
    }
}

// study.toml and roster.csv.

#[test]
fn settings_of_a_study_are_read_with_their_source() {
    let (study, problems) = StudyFile::parse(
        "study.toml",
        "title = \"T\"\n[ceiling_n]\nneck = 45\n[technique]\nexcursion_mm = [2, 4.5]\n[compare]\nmax_trials = 4\n[plan]\ndefault = \"seated\"\n",
    );
    assert_eq!(problems, []);
    assert_eq!(study.settings.ceiling_n.neck, 45.0);
    assert_eq!(study.settings.technique.excursion_mm, [2.0, 4.5]);
    assert_eq!(study.settings.compare.max_trials, 4);
    let mut keys: Vec<&str> = study.settings.set_in.iter().map(|(k, _)| k.as_str()).collect();
    keys.sort_unstable();
    assert_eq!(
        keys,
        ["ceiling_n.neck", "compare.max_trials", "technique.excursion_mm"]
    );
    assert!(
        study
            .settings
            .set_in
            .iter()
            .all(|(_, source)| source == "study.toml")
    );
    assert_eq!(study.default_plan.as_deref(), Some("seated"));
}

#[test]
fn settings_out_of_range_or_misplaced_are_named_with_their_line() {
    let (_, found) = StudyFile::parse(
        "study.toml",
        "low_pass_hz = 10\n[filter]\nlow_pass_hz = 9000\nlowpass_hz = 10\n[compare]\nthreshold_percent = \"15\"\nmax_trials = 2.5\n[technique]\nexcursion_mm = [4, 2]\n[filtre]\nx = 1\n",
    );
    assert_eq!(found.len(), 7, "{found:?}");
    says(&found[0], 1, "low_pass_hz", &["put it under [filter]"]);
    says(
        &found[1],
        3,
        "filter.low_pass_hz",
        &["found 9000", "a number from 1 to 500"],
    );
    says(
        &found[2],
        4,
        "filter.lowpass_hz",
        &["write low_pass_hz if that is meant"],
    );
    says(
        &found[3],
        6,
        "compare.threshold_percent",
        &["the text \"15\"", "a number without quotes"],
    );
    says(&found[4], 7, "compare.max_trials", &["a whole number"]);
    says(
        &found[5],
        9,
        "technique.excursion_mm",
        &["[4, 2]", "the lower first"],
    );
    says(&found[6], 10, "filtre", &["write filter if that is meant"]);
}

#[test]
fn a_line_that_may_be_meant_for_a_ceiling_is_an_error_and_not_passed_over() {
    for text in [
        "[ceiling]\nlumbar = 60\n",
        "[ceilings_n]\nlumbar = 60\n",
        "[ceiling_n]\nlumber = 60\n",
        "[ceiling_n]\nknee = 60\n",
        "ceiling = 60\n",
        "lumbar = 60\n",
        "[technique]\nmax_force_n = 60\n",
        "[technique.neck]\nceiling = 60\n",
        "[plan]\nforce_limit = 60\n",
    ] {
        let (_, found) = StudyFile::parse("study.toml", text);
        let [one] = found.as_slice() else {
            panic!("{text}: {found:?}")
        };
        assert_eq!(one.severity, Severity::Error, "{text}");
        assert!(
            one.to_string()
                .contains("[ceiling_n] with neck, thoracic, lumbar or sacral"),
            "{one}"
        );
    }
    let (_, found) = Sidecar::parse("a.toml", "ceiling_n = 60\n");
    assert_eq!(found[0].severity, Severity::Error, "{found:?}");
    let (_, found) = Plan::parse(
        "p.toml",
        "name = \"p\"\nceiling = 60\n[[step]]\nlevel = \"L3\"\nside = \"left\"\n",
    );
    assert!(found.iter().any(|p| p.severity == Severity::Error), "{found:?}");
    // Other slips stay warnings: the rest of the file is used.
    let (_, found) = StudyFile::parse("study.toml", "[filtre]\nx = 1\n");
    assert_eq!(found[0].severity, Severity::Warning);
}

#[test]
fn a_roster_is_codes_and_roles() {
    let (roster, found) = Roster::parse(
        "roster.csv",
        "code,role,name\nV-07,subject,\nL-12,examiner,x\nT-01,teacher,\nL-12,examiner,\nL-13,examinr,\n,subject,\nAnna Example,subject,\n",
    );
    assert_eq!(roster.codes(Role::Examiner).collect::<Vec<_>>(), ["L-12", "T-01"]);
    let lines: Vec<Option<u64>> = found.iter().map(|p| p.line).collect();
    assert_eq!(
        lines,
        [Some(1), Some(1), Some(5), Some(6), Some(7), Some(8)],
        "{found:?}"
    );
}

// Inputs and the program.

fn write(root: &Path, name: &str, text: &str) {
    let path = root.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

const GOOD: &str = "time_s,force_n\n0,1\n0.01,2\n";

fn names(paths: &[PathBuf]) -> Vec<String> {
    collect(paths)
        .unwrap()
        .files
        .into_iter()
        .map(|f| f.recording)
        .collect()
}

#[test]
fn a_folder_gives_its_recordings_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    for name in [
        "b.csv",
        "a.TXT",
        "day/2/c.tsv",
        "roster.csv",
        "calls.csv",
        "readings.csv",
        "notes.md",
        "a.toml",
        ".hidden.csv",
        "results/tests.csv",
        "calibrations/x.csv",
        ".git/x.csv",
        "old/springs.csv",
        "mine/x.csv",
    ] {
        write(root, name, GOOD);
    }
    write(root, "old/run.json", "{\"program\": \"tautpoint\"}");
    write(root, "mine/run.json", "{\"program\": \"another\"}");
    assert_eq!(
        names(&[root.to_owned()]),
        ["a.TXT", "b.csv", "day/2/c.tsv", "mine/x.csv"]
    );
    let twice = [root.join("b.csv"), root.to_owned(), root.join("day")];
    assert_eq!(names(&twice), ["a.TXT", "b.csv", "day/2/c.tsv", "mine/x.csv"]);
    assert_eq!(names(&[root.join("calls.csv")]), ["calls.csv"]);
}

#[test]
fn equal_names_of_different_inputs_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    for name in ["one/x.csv", "two/x.csv", "two/y.csv"] {
        write(root, name, GOOD);
    }
    assert_eq!(
        names(&[root.join("one"), root.join("two")]),
        ["one/x.csv", "two/x.csv", "y.csv"]
    );
}

#[cfg(unix)]
#[test]
fn links_in_circles_and_names_that_are_no_unicode_do_no_harm() {
    use std::os::unix::ffi::OsStrExt;
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    write(root, "d/x.csv", GOOD);
    std::os::unix::fs::symlink(root, root.join("d/up")).unwrap();
    std::os::unix::fs::symlink("nowhere", root.join("broken.csv")).unwrap();
    std::os::unix::fs::symlink(root.join("d/x.csv"), root.join("same.csv")).unwrap();
    std::fs::write(root.join(std::ffi::OsStr::from_bytes(b"b\xFF.csv")), GOOD).unwrap();
    std::fs::write(root.join(std::ffi::OsStr::from_bytes(b"b\xFE.csv")), GOOD).unwrap();
    let found = names(&[root.to_owned()]);
    // A link that leads nowhere is listed, so that its reading names it.
    assert_eq!(found.len(), 4, "{found:?}");
    assert!(found.contains(&"broken.csv".to_owned()), "{found:?}");
    assert_eq!(
        found.iter().filter(|n| n.starts_with("b\\xF")).count(),
        2,
        "{found:?}"
    );
    assert!(
        found
            .iter()
            .all(|n| found.iter().filter(|m| *m == n).count() == 1),
        "{found:?}"
    );
}

#[test]
fn a_study_gives_its_recordings_settings_plans_calls_and_roster() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    write(
        root,
        "study.toml",
        "title = \"T\"\n[ceiling_n]\nneck = 44.0\n[plan]\ndefault = \"ours\"\n",
    );
    write(root, "recordings/b.csv", GOOD);
    write(root, "recordings/a.csv", GOOD);
    write(root, "elsewhere.csv", GOOD);
    write(
        root,
        "plans/p.toml",
        "name = \"ours\"\n[[step]]\nlevel = \"L3\"\nside = \"both\"\n",
    );
    write(
        root,
        "calls.csv",
        "subject,examiner,session,level,call\nV,L,s,L3,left\n",
    );
    write(root, "roster.csv", "code,role\nV,subject\n");
    let inputs = collect(&[root.join("study.toml")]).unwrap();
    assert_eq!(inputs, collect(&[root.to_owned()]).unwrap());
    let told: Vec<&str> = inputs.problems.iter().map(|p| p.found.as_str()).collect();
    assert_eq!(
        told,
        ["1 file beside the recordings that may be recordings too: elsewhere.csv"]
    );
    let study = inputs.study.unwrap();
    assert_eq!(study.settings.ceiling_n.neck, 44.0);
    assert_eq!(study.default_plan.unwrap().steps.len(), 1);
    assert_eq!(study.calls.len(), 1);
    assert_eq!(study.roster.people.len(), 1);
    let files: Vec<&str> = inputs.files.iter().map(|f| f.recording.as_str()).collect();
    assert_eq!(files, ["recordings/a.csv", "recordings/b.csv"]);
    assert_eq!(inputs.files[0].sidecar, "recordings/a.toml");
    assert_eq!(inputs.files[0].sidecar_path, root.join("recordings/a.toml"));
    write(root, "recordings/a.toml", "level = \"L3\"\n");
    write(root, "recordings/gone.toml", "level = \"L3\"\n");
    let inputs = collect(&[root.to_owned()]).unwrap();
    assert_eq!(inputs.problems.len(), 2, "{:?}", inputs.problems);
    assert_eq!(inputs.problems[0].file, "recordings/gone.toml");
}

#[test]
fn a_missing_path_an_empty_folder_and_two_studies_are_errors() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let error = collect(&[root.join("nowhere.csv")]).unwrap_err().to_string();
    assert!(
        error.contains("nowhere.csv") && error.contains("check the spelling"),
        "{error}"
    );
    let error = collect(&[root.to_owned()]).unwrap_err().to_string();
    assert!(
        error.contains("no recordings in") && error.contains(".csv, .tsv, .txt or .parquet"),
        "{error}"
    );
    for study in ["s1", "s2"] {
        write(root, &format!("{study}/study.toml"), "title = \"T\"\n");
        write(root, &format!("{study}/x.csv"), GOOD);
    }
    let error = collect(&[root.join("s1"), root.join("s2")])
        .unwrap_err()
        .to_string();
    assert!(error.contains("one study at a time"), "{error}");
    let inputs = collect(&[root.to_owned()]).unwrap();
    assert_eq!(inputs.problems.len(), 2, "{:?}", inputs.problems);
    assert!(inputs.study.is_none());
}

fn check(args: &[&str], folder: &Path) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .current_dir(folder)
        .args(args)
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

#[test]
fn check_lists_every_problem_and_says_so_in_its_exit_code() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let rows: String = (0..150)
        .map(|i| format!("{},{}\n", f64::from(i) / 100.0, i % 7))
        .collect();
    let good = format!("time_s,force_n\n{rows}");
    write(root, "good.csv", &good);
    let (code, out, _) = check(&["check", "."], root);
    assert_eq!(code, 0, "{out}");
    assert!(
        out.ends_with("1 recording read, 1 of them usable; 0 errors, 0 warnings\n"),
        "{out}"
    );
    // Nothing is wrong with shipped ceilings, and a person knows that they hold.
    assert!(out.starts_with("note: ceilings: Held against neck 60"), "{out}");
    write(root, "bad.csv", "time_s,force_n\n0,x\n");
    write(root, "good.toml", "subjct = \"V-07\"\n");
    let (code, out, _) = check(&["check", "."], root);
    assert_eq!(code, 1, "{out}");
    assert!(
        out.contains("error: bad.csv, line 2, column force_n: found x; expected a number"),
        "{out}"
    );
    assert!(out.contains("warning: good.toml, line 1, column subjct"), "{out}");
    let (code, out, _) = check(&["check", "--json", "good.csv", "bad.csv"], root);
    assert_eq!(code, 1);
    let json: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(json["problems"].as_array().unwrap().len(), 2);
    assert_eq!(json["problems"][0]["line"], 2);
    let (code, out, err) = check(&["check", "bad.csv"], root);
    assert_eq!(code, 2);
    assert!(out.contains("line 2"), "{out}");
    assert!(
        err.contains("there is 1 recording, of which none can be used"),
        "{err}"
    );
    assert_eq!(check(&["check", "nowhere"], root).0, 2);
    assert_eq!(check(&["check"], root).0, 2);
}

#[test]
fn check_compares_codes_with_the_roster_and_calls_with_the_recordings() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let rows: String = (0..150)
        .map(|i| format!("{},1\n", f64::from(i) / 100.0))
        .collect();
    write(
        root,
        "study.toml",
        "title = \"T\"\n[plan]\ndefault = \"prone-thumb\"\n",
    );
    write(root, "roster.csv", "code,role\nV-07,subject\nL-12,examiner\n");
    write(
        root,
        "calls.csv",
        "subject,examiner,session,level,call\nV-08,L-12,s1,L3,left\n",
    );
    write(
        root,
        "estimates.csv",
        "recording,test,estimate_n\nrecordings/x.csv,1,80\nrecordings/y.csv,1,80\n",
    );
    write(root, "recordings/x.csv", &format!("time_s,force_n\n{rows}"));
    write(
        root,
        "recordings/x.toml",
        "subject = \"V-70\"\nexaminer = \"L-12\"\nsession = \"s1\"\nplan = \"seeted\"\n",
    );
    let (code, out, err) = check(&["check", "."], root);
    assert_eq!(code, 2, "{out}{err}");
    for words in [
        "study.toml, line 3, column plan.default: found prone-thumb",
        "write prone-thumbs if that is meant",
        "recordings/x.toml, column subject: found V-70",
        "recordings/x.toml, column plan: found seeted",
        "calls for subject V-08, examiner L-12, session s1",
        "estimates of recordings/y.csv",
    ] {
        assert!(out.contains(words), "no {words} in {out}");
    }
    assert!(!out.contains("estimates of recordings/x.csv"), "{out}");
}

#[test]
fn prepare_makes_a_study_once() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let (code, out, err) = check(&["prepare", "new/term", "--title", "<Autumn> & co"], root);
    assert_eq!(code, 0, "{out}{err}");
    let study = root.join("new/term");
    for name in [
        "study.toml",
        "roster.csv",
        "calls.csv",
        "station-card.html",
        "start-of-day.html",
        "plans/prone-thumbs.toml",
        "plans/seated.toml",
        "recordings",
        "calibrations",
    ] {
        assert!(study.join(name).exists(), "{name}");
    }
    let card = std::fs::read_to_string(study.join("station-card.html")).unwrap();
    assert!(card.contains("&lt;Autumn&gt; &amp; co") && !card.contains("<Autumn>"));
    assert!(!card.contains("http:") && !card.contains("https:") && !card.contains("src="));
    let rows = card.split("<tr><th scope=\"row\">").skip(1);
    let steps = rows.filter(|row| row.starts_with(|c: char| c.is_ascii_digit()));
    assert_eq!(steps.count(), 25, "a row for each step");
    let left = std::fs::read_dir(root.join("new")).unwrap().count();
    assert_eq!(left, 1, "nothing is left of the making");

    let before = std::fs::read(study.join("study.toml")).unwrap();
    let (code, _, err) = check(&["prepare", "new/term"], root);
    assert_eq!(code, 2);
    assert!(
        err.contains("study.toml") && err.contains("nothing was written"),
        "{err}"
    );
    assert_eq!(std::fs::read(study.join("study.toml")).unwrap(), before);

    write(&study, "recordings/x.csv", GOOD);
    let inputs = collect(std::slice::from_ref(&study)).unwrap();
    assert_eq!(inputs.problems, []);
    assert_eq!(
        inputs.study.unwrap().plans.len(),
        tautpoint::study::built_in::NAMES.len()
    );
}

#[test]
fn prepare_fills_a_folder_that_holds_other_things() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    write(root, "recordings/x.csv", GOOD);
    let (code, out, err) = check(&["prepare", ".", "--quiet"], root);
    assert_eq!((code, out.as_str()), (0, ""), "{err}");
    assert!(root.join("plans/prone-broad.toml").exists());
    let hidden = std::fs::read_dir(root)
        .unwrap()
        .filter(|e| e.as_ref().unwrap().file_name().to_string_lossy().starts_with('.'));
    assert_eq!(hidden.count(), 0);
    let (code, _, err) = check(&["prepare", "recordings/x.csv"], root);
    assert_eq!(code, 2);
    assert!(err.contains("is a file"), "{err}");
}
