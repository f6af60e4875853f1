//! Files that are no mat's, or not the one that the sidecar says.

use super::{Folder, on_mat, pads, push, read, read_file, setup};
use tautpoint::error::{Error, Problem};
use tautpoint::read::read_trace;
use tautpoint::simulate::{MatSensor, Pad, simulate_mat};
use tautpoint::study::mapping::ColumnMapping;
use tautpoint::study::mat_setup::{MatSetup, MatUnit};
use tautpoint::study::sidecar::Sidecar;
use tautpoint::terms::Side;
use tautpoint::trace::About;

fn refused(text: &str, setup: &MatSetup) -> Problem {
    let folder = Folder::new();
    let path = folder.file("mat.csv", text);
    match read_file(&path, setup, About::default()) {
        Err(Error::Data(problem)) => *problem,
        other => panic!("{other:?}"),
    }
}

fn small() -> MatSetup {
    MatSetup::new(2, 3, 10.0, MatUnit::Kpa)
}

#[test]
fn cells_that_do_not_match_rows_and_columns_are_told_with_both_numbers() {
    let p = refused("time_s,a,b,c,d,e\n0,1,2,3,4,5\n", &small());
    let text = p.to_string();
    assert!(text.contains("5 columns of cells (a to e)"), "{text}");
    assert!(text.contains("2 rows × 3 columns = 6 cells"), "{text}");
    assert_eq!(p.line, Some(1));
}

#[test]
fn headings_that_name_their_cells_must_stand_in_row_order() {
    let header = "time_s,cell_1_1,cell_2_1,cell_1_2,cell_2_2,cell_1_3,cell_2_3";
    let p = refused(&format!("{header}\n0,1,2,3,4,5,6\n"), &small());
    assert!(p.to_string().contains("row 2 column 1"), "{p}");
}

#[test]
fn a_file_without_time_or_without_frames_is_told() {
    let p = refused("a,b,c,d,e,f\n1,2,3,4,5,6\n", &small());
    assert!(p.to_string().contains("no time column"), "{p}");
    let p = refused("time_s,a,b,c,d,e,f\n", &small());
    assert!(p.to_string().contains("no frames"), "{p}");
    let p = refused("", &small());
    assert!(p.to_string().contains("no line of headings"), "{p}");
}

#[test]
fn time_that_runs_backwards_names_its_line() {
    let p = refused(
        "# rig\ntime_s,a,b,c,d,e,f\n0,1,2,3,4,5,6\n0.02,1,2,3,4,5,6\n0.01,1,2,3,4,5,6\n",
        &small(),
    );
    assert_eq!(p.line, Some(5));
    assert!(p.to_string().contains("0.01 s after 0.02 s"), "{p}");
}

#[test]
fn a_file_of_mostly_corrupt_frames_is_refused_with_the_count() {
    let mut text = String::from("time_s,a,b,c,d,e,f\n");
    for i in 0..100 {
        let tail = if i % 3 == 0 { "" } else { ",6" };
        text.push_str(&format!("{},1,2,3,4,x{tail}\n", f64::from(i) * 0.01));
    }
    let p = refused(&text, &small());
    assert!(p.to_string().contains("100 of 100 frames corrupt"), "{p}");
    assert_eq!(p.line, Some(2), "{p}");
}

#[test]
fn a_mat_that_nothing_loads_is_told_with_its_threshold() {
    let mut text = String::from("time_s,a,b,c,d,e,f\n");
    for i in 0..200 {
        text.push_str(&format!("{},0,0,0.1,0,0,0\n", f64::from(i) * 0.01));
    }
    let p = refused(&text, &small());
    assert!(p.to_string().contains("no loaded area"), "{p}");
}

#[test]
fn a_mat_file_without_its_mat_section_says_what_to_write() {
    let made = push(5);
    let mat = on_mat(&made, MatSensor::good(setup()), &pads(50.0), 5);
    let folder = Folder::new();
    let path = folder.file("mat.csv", &mat.text());
    let error = read_trace(&path, "mat.csv", &ColumnMapping::default(), About::default()).unwrap_err();
    assert!(
        error
            .to_string()
            .contains("write [mat] with rows, cols, pitch_mm and unit"),
        "{error}"
    );
}

#[test]
fn what_the_sidecar_lacks_is_named_key_by_key() {
    let (sidecar, problems) = Sidecar::parse("m.toml", "level = \"L3\"\n[mat]\nrows = 4\n");
    let text: Vec<String> = problems.iter().map(ToString::to_string).collect();
    assert!(sidecar.mat.is_none() && sidecar.mat_named);
    for key in ["cols", "pitch_mm", "unit"] {
        assert!(
            text.iter().any(|t| t.contains(&format!("[mat] without {key}"))),
            "{key}: {text:?}"
        );
    }
    assert!(problems.iter().all(|p| p.line == Some(2)), "{text:?}");
    let (_, problems) = Sidecar::parse(
        "m.toml",
        "[mat]\nrows = 4\ncols = 4\npitch_mm = 8\nunit = \"psi\"\n",
    );
    assert!(problems[0].to_string().contains("kPa, mmHg or N"), "{problems:?}");
}

#[test]
fn one_hand_without_a_midline_has_no_side_and_says_so() {
    let made = push(6);
    let mut one = made.clone();
    one.noise_free.channels.truncate(1);
    let mut sensor = MatSensor::good(setup());
    sensor.setup.midline_mm = None;
    let mat = on_mat(&one, sensor, &[Pad::still([90.0, 80.0], super::HAND_MM)], 6);
    let read = read(&mat, About::default());
    assert_eq!(read.trace.channels.len(), 1);
    assert_eq!(read.trace.channels[0].side, None);
    assert!(
        read.trace
            .notes
            .iter()
            .any(|n| n.contains("its side is not known")),
        "{:?}",
        read.trace.notes
    );
    // With the midline it is the hand at the left of it.
    let mut sensor = MatSensor::good(setup());
    sensor.setup.midline_mm = Some(super::MIDLINE_MM);
    let mat = on_mat(&one, sensor, &[Pad::still([90.0, 80.0], super::HAND_MM)], 6);
    assert_eq!(
        super::read(&mat, About::default()).trace.channels[0].side,
        Some(Side::Left)
    );
}

#[test]
fn a_third_loaded_area_is_left_out_and_told_with_its_place() {
    let made = push(7);
    let third = Pad::still([262.0, 28.0], [16.0, 16.0]);
    let sensor = MatSensor::good(setup());
    let mat = simulate_mat(
        &made.noise_free,
        &made.trace,
        sensor,
        &pads(50.0),
        &[(third, 12.0)],
        7,
    );
    let read = read(&mat, About::default());
    assert_eq!(read.trace.channels.len(), 2);
    let problem = read
        .problems
        .iter()
        .find(|p| p.found.contains("third loaded area"));
    assert!(problem.is_some(), "{:?}", read.problems);
    let notes = read.trace.notes.join("; ");
    assert!(notes.contains("around row 4, column 33"), "{notes}");
    let record = super::record(&read);
    for i in (0..record.time_s.len()).filter(|i| mat.truth(*i).iter().all(|t| t.force_n > 10.0)) {
        for (k, t) in mat.truth(i).iter().take(2).enumerate() {
            let seen = record.hands[k].force_n[i];
            assert!(
                (seen / t.force_n - 1.0).abs() < 0.05,
                "hand {k} in frame {i}: {seen} {}",
                t.force_n
            );
        }
    }
}
