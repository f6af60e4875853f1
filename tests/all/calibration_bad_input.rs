//! Readings that cannot carry a calibration, in words.

use crate::calibration::made;
use tautpoint::calibrate::{MakeOptions, make};
use tautpoint::read::readings::{ReadingsOptions, read_readings};

fn refused(text: &str, degree: Option<usize>) -> String {
    let (readings, problems) = read_readings("readings.csv", text, &ReadingsOptions::default());
    match readings {
        None => problems
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("\n"),
        Some(r) => make(
            &r,
            &MakeOptions {
                degree,
                ..MakeOptions::default()
            },
        )
        .unwrap_err()
        .to_string(),
    }
}

#[test]
fn readings_that_cannot_carry_a_calibration_say_what_is_missing() {
    for (text, degree, told) in [
        ("applied_n,indicated\n0,8123\n", None, "one reading"),
        ("applied_n,indicated\n", None, "no reading"),
        (
            "applied_n,indicated\n5,8\n5,9\n5,8\n",
            None,
            "all 3 readings under one load, 5 N",
        ),
        (
            "applied_n,indicated\n0,8\n5,8\n9,8\n",
            None,
            "all 3 readings alike",
        ),
        (
            "applied_n,indicated\n0,1\n5,8\n5,9\n0,1\n",
            Some(2),
            "2 different loads for 3 coefficients",
        ),
        (
            "applied_n,indicated\n0,1\n5,8\n",
            None,
            "2 readings for 2 coefficients",
        ),
        ("mass,indicated\n0,1\n5,8\n", None, "mass without a known unit"),
        ("applied_kg,indicated\n0,1\n5,8\n", None, "without a known unit"),
        ("applied_n,mass_kg,indicated\n0,0,1\n", None, "2 columns of loads"),
        ("applied_n\n0\n", None, "column indicated: found no such column"),
        ("indicated\n0\n", None, "no column of loads"),
        (
            "applied_n,indicated\n0,1\n5,a lot\n",
            None,
            "line 3, column indicated: found a lot",
        ),
        (
            "applied_n,indicated\n0,1\n,7\n",
            None,
            "line 3, column applied_n: found an empty cell",
        ),
        (
            "applied_n,indicated,direction\n0,1,upwards\n",
            None,
            "up, down or nothing",
        ),
        (
            "applied_n,indicated\n0,0\n1,5\n2,8\n3,9\n4,8\n5,5\n6,0.5\n",
            Some(2),
            "turns back near 3",
        ),
        (
            "applied_n,indicated\n0,5\n1,3\n2,9\n3,2\n4,8\n5,4\n",
            None,
            "no slope that stands out",
        ),
        (
            "applied_n,indicated,channel\n0,5,a\n1,3,b\n",
            None,
            "readings of 2 channels: a, b",
        ),
    ] {
        let said = refused(text, degree);
        assert!(said.contains(told), "{text}: {said}");
        assert!(!said.contains("NaN") && !said.contains("inf"), "{said}");
    }
}

#[test]
fn down_before_up_is_only_a_matter_of_the_column() {
    let text = "applied_n,indicated,run,direction\n0,8126,1,down\n50,94826,1,down\n100,181530,1,down\n\
                100,181522,1,up\n50,94810,1,up\n0,8123,1,up\n";
    let m = made(text, None);
    assert!(m.problems.is_empty(), "{:?}", m.problems);
    assert!(
        (m.calibration.figure("reversibility").unwrap().percent.unwrap() - 100.0 * 16.0 / 86_687.0).abs()
            < 1e-9
    );
    let only_down = made(
        "applied_n,indicated,direction\n0,1,down\n5,8,down\n9,15,down\n",
        None,
    );
    assert!(only_down.problems[0].found.contains("none on the way up"));
}

#[test]
fn a_mistyped_row_is_named() {
    let mut text = String::from("applied_n,indicated\n");
    for i in 0..12 {
        let typed = if i == 7 {
            9990
        } else {
            1000 * i + [3, -2, 1][i as usize % 3]
        };
        text += &format!("{},{typed}\n", 10 * i);
    }
    let m = made(&text, Some(1));
    assert_eq!(m.problems.len(), 1, "{:?}", m.problems);
    assert_eq!(m.problems[0].line, Some(9));
}
