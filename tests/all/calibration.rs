//! Calibration against the outside: NIST load cell data, GUM H.3, gravity, conformance, inverse prediction.

use serde_json::Value;
use std::path::PathBuf;
use tautpoint::calibrate::conformance::conformance_probability;
use tautpoint::calibrate::figures::spread_percent;
use tautpoint::calibrate::gravity::{local_gravity, welmec_gravity};
use tautpoint::calibrate::polynomial::{choose_degree, fit};
use tautpoint::calibrate::{Calibration, MakeOptions, NewCalibration, make};
use tautpoint::read::readings::{ReadingsOptions, read_readings};
use tautpoint::stats::least_squares::least_squares;

fn reference(name: &str) -> String {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference");
    std::fs::read_to_string(folder.join(name)).unwrap()
}

/// Columns of a NIST file: y, then x.
fn columns(set: &str) -> Vec<Vec<f64>> {
    let text = reference(&format!("stats/nist/{set}.csv"));
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter_map(|l| l.split(',').map(|f| f.trim().parse().ok()).collect())
        .collect();
    (0..rows[0].len())
        .map(|j| rows.iter().map(|r| r[j]).collect())
        .collect()
}

fn certified(set: &str) -> Value {
    serde_json::from_str::<Value>(&reference("stats/nist/certified.json")).unwrap()[set].clone()
}

fn number(value: &Value) -> f64 {
    value
        .as_str()
        .map_or_else(|| value.as_f64().unwrap(), |s| s.parse().unwrap())
}

/// Digits on which two numbers agree: −log10 of the relative difference (as NIST's own log relative error).
fn digits(found: f64, wanted: f64) -> f64 {
    if found == wanted {
        16.0
    } else {
        -((found - wanted) / wanted).abs().log10()
    }
}

pub fn made(text: &str, degree: Option<usize>) -> NewCalibration {
    let (readings, problems) = read_readings("readings.csv", text, &ReadingsOptions::default());
    let readings = readings.unwrap_or_else(|| panic!("{problems:?}"));
    make(
        &readings,
        &MakeOptions {
            name: "cell-4".to_owned(),
            degree,
            ..MakeOptions::default()
        },
    )
    .unwrap()
}

/// The load cell of NIST as a table of readings, the rows turned round: order must not matter.
fn pontius_readings() -> String {
    let c = columns("Pontius");
    let mut text = String::from("applied_n,indicated,run\n");
    for (i, (y, x)) in c[0].iter().zip(&c[1]).enumerate().rev() {
        text += &format!("{x},{y},{}\n", if i < 20 { 1 } else { 2 });
    }
    text
}

#[test]
fn nist_load_cell_and_norris_to_nine_digits() {
    // NIST Statistical Reference Datasets, Pontius (a load cell calibration) and Norris, certified values.
    for (set, degree) in [("Pontius", 2), ("Norris", 1)] {
        let c = columns(set);
        let fitted = fit(&c[1], &c[0], degree).unwrap();
        let wanted = certified(set);
        for i in 0..=degree {
            let p = &wanted["parameters"][format!("B{i}")];
            assert!(
                digits(fitted.coefficients[i], number(&p["estimate"])) > 9.0,
                "{set} B{i}"
            );
            assert!(
                digits(fitted.standard_errors()[i], number(&p["sd"])) > 9.0,
                "{set} sd B{i}"
            );
        }
        assert!(
            digits(fitted.residual_sd, number(&wanted["residual_sd"])) > 9.0,
            "{set} residual SD"
        );
    }
}

#[test]
fn nist_wampler_and_longley_are_well_conditioned() {
    // NIST Statistical Reference Datasets, Wampler1, Wampler4 (quintics), Longley (six correlated regressors).
    for (set, least) in [("Wampler1", 8.0), ("Wampler4", 7.0), ("Longley", 9.0)] {
        let c = columns(set);
        let ones = vec![1.0; c[0].len()];
        let regressors: Vec<Vec<f64>> = match set {
            "Longley" => std::iter::once(ones).chain(c[1..].iter().cloned()).collect(),
            _ => (0..6).map(|j| c[1].iter().map(|x| x.powi(j)).collect()).collect(),
        };
        let fitted = least_squares(&regressors, &c[0]).unwrap();
        let wanted = certified(set);
        for (i, found) in fitted.coefficients.iter().enumerate() {
            let p = number(&wanted["parameters"][format!("B{i}")]["estimate"]);
            assert!(digits(*found, p) > least, "{set} B{i}: {found} {p}");
        }
    }
}

#[test]
fn degree_by_f_test_agrees_with_statsmodels_and_finds_the_quadratic_load_cell() {
    // F and p of nested fits: numpy 2.4.6 and scipy 1.17.1 (tests/reference/calibration/fit.json).
    let reference: Value = serde_json::from_str(&reference("calibration/fit.json")).unwrap();
    for (set, degree) in [("Pontius", 2), ("Norris", 1)] {
        let c = columns(set);
        let (chosen, tests) = choose_degree(&c[1], &c[0]).unwrap();
        assert_eq!(chosen.degree(), degree, "{set}");
        let nested = &reference[format!("polyfit_{set}")]["nested_F"];
        for (test, key) in tests.iter().zip(["deg2_vs_deg1", "deg3_vs_deg2"]) {
            assert!(digits(test.f, number(&nested[key][0])) > 5.0, "{set} {key}");
            assert!(digits(test.p, number(&nested[key][1])) > 4.0, "{set} {key}");
        }
    }
}

#[test]
fn the_curve_s_uncertainty_and_covariance_agree_with_statsmodels() {
    let reference: Value = serde_json::from_str(&reference("calibration/fit.json")).unwrap();
    let c = columns("Norris");
    for degree in 1..=3 {
        let wanted = &reference["polyfit_Norris"][format!("deg{degree}")];
        let fitted = fit(&c[1], &c[0], degree).unwrap();
        for (i, x) in wanted["x0"].as_array().unwrap().iter().enumerate() {
            let x = number(x);
            // Unscaled powers cost statsmodels half of its digits: judged by the standard error, not the value.
            let off = (fitted.at(x) - number(&wanted["mean"][i])).abs();
            assert!(off < 1e-6 * fitted.se_at(x), "degree {degree} at {x}: {off}");
            assert!(digits(fitted.se_at(x), number(&wanted["mean_se"][i])) > 7.0);
        }
        // numpy lists the highest power first.
        for i in 0..=degree {
            for j in 0..=degree {
                let v = number(&wanted["cov_scaled"][degree - i][degree - j]);
                assert!(
                    digits(fitted.covariance[i][j], v) > 6.0,
                    "degree {degree} {i} {j}"
                );
            }
        }
    }
}

#[test]
fn inverse_prediction_of_a_line_is_fieller_s() {
    // Fieller's interval and the delta method on Norris: numpy and scipy (tests/reference/calibration/fit.json).
    let reference: Value = serde_json::from_str(&reference("calibration/fit.json")).unwrap();
    let wanted = &reference["polyfit_Norris"]["inverse_prediction_linear"];
    let c = columns("Norris");
    let mut text = String::from("applied_n,indicated\n");
    for (y, x) in c[0].iter().zip(&c[1]) {
        text += &format!("{x},{y}\n");
    }
    let calibration = made(&text, Some(1)).calibration;
    let inverse = calibration.invert(number(&wanted["y0"]), 1).unwrap();
    assert!(digits(inverse.value, number(&wanted["x0"])) > 10.0);
    assert!(digits(inverse.standard_uncertainty, number(&wanted["delta_method_se"])) > 8.0);
    let interval = inverse.interval95.unwrap();
    for (end, found) in interval.into_iter().enumerate() {
        assert!(digits(found, number(&wanted["fieller95"][end])) > 8.0, "{found}");
    }
}

#[test]
fn the_load_cell_read_backwards_and_its_named_figures() {
    // Pontius as in check values: quadratic formula on the certified coefficients; repeatability and lower limit are
    // arithmetic on the certified residual SD and slope (0.000492426 / 0.732059e-6 = 672.66).
    let m = made(&pontius_readings(), None);
    let c = &m.calibration;
    assert_eq!(c.curve.degree(), 2);
    for (y, x) in [
        (0.5, 684_105.500_6),
        (1.15, 1_580_780.575_0),
        (2.0, 2_764_087.615_7),
    ] {
        assert!((c.value(y).unwrap() - x).abs() < 5e-4, "{y}");
    }
    let figure = |name: &str| c.figure(name).unwrap();
    assert!((figure("repeatability").percent.unwrap() - 0.29903).abs() < 5e-6);
    assert_eq!(figure("repeatability").at, Some(150_000.0));
    let limit = figure("lower_limit");
    // The slope is taken at the smallest load, 150000: b1 + 2·b2·150000.
    let slope = 0.732059160401003e-6 - 2.0 * 0.316081871345029e-14 * 150_000.0;
    assert!((limit.value.unwrap() - 0.000492425817 / slope).abs() < 1e-3);
    assert!(
        figure("reversibility")
            .missing
            .as_ref()
            .unwrap()
            .contains("both up and down")
    );
    assert!(figure("zero_return").percent.is_none());
}

#[test]
fn spread_of_two_readings_is_in_percent_of_their_mean() {
    // Lowest load of Pontius: 100·(0.11052 − 0.11019)/0.110355.
    assert!((spread_percent(&[0.11019, 0.11052]).unwrap() - 0.299_035).abs() < 1e-6);
}

#[test]
fn gum_h_3_in_both_centrings() {
    // JCGM 100:2008, H.3, table H.6: calibration of a thermometer; digits beyond the printed ones computed with
    // exact fractions.
    let t = [
        21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
    ];
    let b = [
        -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
    ];
    let from20 = fit(&t.map(|t| t - 20.0), &b, 1).unwrap();
    let [y1, y2] = from20.coefficients[..] else {
        panic!()
    };
    let [s1, s2] = from20.standard_errors()[..] else {
        panic!()
    };
    assert!((y1 + 0.171_203_790_131_35).abs() < 1e-13 && (s1 - 0.002_877_597_835_16).abs() < 1e-13);
    assert!((y2 - 0.002_182_697_739_887_21).abs() < 1e-14 && (s2 - 0.000_667_938_773_227_834).abs() < 1e-14);
    assert!((from20.covariance[0][1] / (s1 * s2) + 0.930_429_603_093_446).abs() < 1e-10);
    assert!((from20.residual_sd - 0.003_497_563_963_505_29).abs() < 1e-14);
    assert_eq!(from20.degrees_of_freedom, 9);
    let mean = t.iter().sum::<f64>() / 11.0;
    let centred = fit(&t.map(|t| t - mean), &b, 1).unwrap();
    assert!((centred.coefficients[0] + 0.162_454_545).abs() < 1e-9);
    assert!((centred.standard_errors()[0] - 0.001_054_555_21).abs() < 1e-11);
    assert!(centred.covariance[0][1].abs() < 1e-18);
    for (curve, at) in [(&from20, 10.0), (&centred, 30.0 - mean)] {
        assert!((curve.at(at) + 0.149_376_812_732_478).abs() < 1e-12);
        assert!((curve.se_at(at) - 0.004_138_595_752_854_95).abs() < 1e-12);
    }
}

#[test]
fn gravity_agrees_with_wgs_84_and_with_legal_weighing() {
    // WGS 84 (NGA.STND.0036) by Somigliana, computed with 30 digits; with height, 9.7997 at 55 degrees and 5000 m is
    // printed by a general geodesy toolbox.
    for (latitude, height, g) in [
        (0.0, 0.0, 9.780_325_335_9),
        (30.0, 0.0, 9.793_247_269_2),
        (45.0, 0.0, 9.806_197_769_3),
        (52.0, 0.0, 9.812_474_077_9),
        (60.0, 0.0, 9.819_176_953_1),
        (90.0, 0.0, 9.832_184_937_8),
        (-45.0, 0.0, 9.806_197_769_3),
        (55.0, 5000.0, 9.799_666_981),
        (45.0, 1000.0, 9.803_112_944),
        (52.3, 80.0, 9.812_490_690),
    ] {
        assert!(
            (local_gravity(latitude, height).unwrap() - g).abs() < 1e-9,
            "{latitude} {height}"
        );
    }
    // The check value printed in the documentation of the ahrs library for WELMEC's formula.
    assert!((welmec_gravity(52.3, 80.0) - 9.812_483_709_897_048).abs() < 1e-14);
    for (latitude, g) in [
        (0.0, 9.780_318_0),
        (45.0, 9.806_190_853_2),
        (90.0, 9.832_177_158_2),
    ] {
        assert!((welmec_gravity(latitude, 0.0) - g).abs() < 1e-10);
        assert!((local_gravity(latitude, 0.0).unwrap() / g - 1.0).abs() < 2e-6);
    }
}

#[test]
fn conformance_probabilities_of_jcgm_106() {
    // JCGM 106:2012, examples of 7.3.3 and 7.4 (inputs from memory, values computed with R).
    let p = |x, u, low, high| conformance_probability(x, u, low, high).unwrap();
    assert!((p(-5.47, 0.05, None, Some(-5.40)) - 0.919_24).abs() < 5e-6);
    assert!((p(509.7, 8.6, Some(490.0), None) - 0.989_01).abs() < 5e-6);
    assert!((p(13.6, 1.8, Some(12.5), Some(16.3)) - 0.662_63).abs() < 5e-6);
    assert!(conformance_probability(1.0, 0.0, None, Some(2.0)).is_err());
}

const UP_AND_DOWN: &str = "\
mass_kg,indicated,run,direction
0,8123,1,up
5,94810,1,up
10,181522,1,up
10,181530,1,down
5,94826,1,down
0,8126,1,down
";

#[test]
fn figures_of_an_up_and_down_run_by_hand() {
    let m = made(UP_AND_DOWN, None);
    let figure = |name: &str| m.calibration.figure(name).unwrap().percent.unwrap();
    // Deflections at 5 kg: 86687 up, 86703 down; at 10 kg 173399 and 173407; under no load 3 counts after.
    assert!((figure("reversibility") - 100.0 * 16.0 / 86_687.0).abs() < 1e-9);
    assert!(
        (figure("zero_return") - 100.0 * 3.0 / (m.calibration.curve.at(10.0 * 9.80665 * 0.99985) - 8123.0))
            .abs()
            < 1e-9
    );
    assert!(m.calibration.figure("repeatability").unwrap().missing.is_some());
    // Standard gravity and 15 parts in 100000 of lift.
    assert!((m.calibration.range[1] - 98.0665 * 0.99985).abs() < 1e-9);
}

#[test]
fn the_order_of_the_rows_changes_nothing_but_the_last_digit() {
    let mut rows: Vec<&str> = UP_AND_DOWN.lines().collect();
    rows[1..].reverse();
    let (a, b) = (
        made(UP_AND_DOWN, None).calibration,
        made(&rows.join("\n"), None).calibration,
    );
    for (a, b) in a.curve.coefficients.iter().zip(&b.curve.coefficients) {
        assert!(digits(*a, *b) > 12.0);
    }
    for (a, b) in a.figures.iter().zip(&b.figures) {
        assert_eq!(
            (&a.name, a.at, a.missing.is_some()),
            (&b.name, b.at, b.missing.is_some())
        );
        if let (Some(a), Some(b)) = (a.percent, b.percent) {
            assert!((a - b).abs() < 1e-9);
        }
    }
}

#[test]
fn a_certificate_reads_back_the_same_number_for_number() {
    for degree in 1..=3 {
        let mut c = made(&pontius_readings(), Some(degree)).calibration;
        c.sensor = Some("cell \"4\"".to_owned());
        c.made = tautpoint::calibrate::Day::parse("2026-09-01");
        let (back, problems) = Calibration::parse("cell.toml", &c.to_toml());
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!(back.unwrap(), c);
    }
}

#[test]
fn a_certificate_written_by_hand_is_read_and_a_spoiled_one_is_not() {
    let text = "\
format = 1
name = \"cell-4-2026-09-01\"
sensor = \"cell-4\"
quantity = \"force_n\"
made = \"2026-09-01\"
expires = \"2027-03-01\"
degree = 1
coefficients = [8123.4, 1767.91]
covariance = [[2.1, -0.011], [-0.011, 0.00021]]
residual_sd = 3.9
degrees_of_freedom = 10
range = [0.0, 196.1]
";
    let (c, problems) = Calibration::parse("c.toml", text);
    assert!(problems.is_empty(), "{problems:?}");
    let c = c.unwrap();
    let (force_n, u_n) = c.force_n(8123.4 + 1767.91 * 100.0).unwrap();
    assert!((force_n - 100.0).abs() < 1e-10);
    // By hand: (2.1 − 2·100·0.011 + 100²·0.00021 + 3.9²) / 1767.91².
    assert!((u_n - (2.1f64 - 2.2 + 2.1 + 3.9 * 3.9).sqrt() / 1767.91).abs() < 1e-12);
    for (from, to, told) in [
        ("degree = 1", "degree = 2", "one less than there are coefficients"),
        ("[-0.011, 0.00021]]", "[-0.011, -0.00021]]", "no variance below 0"),
        ("-0.011], [-0.011", "-0.2], [-0.2", "no variance below 0"),
        ("[8123.4, 1767.91]", "[8123.4, 0.0]", "only rises or only falls"),
        ("residual_sd = 3.9\n", "", "add the line"),
        ("expires = \"2027-03-01\"", "expires = \"March\"", "a day"),
        ("force_n", "force_lbf", "force_n"),
    ] {
        let (c, problems) = Calibration::parse("c.toml", &text.replace(from, to));
        let said = problems
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("\n");
        assert!(c.is_none() && said.contains(told), "{to}: {said}");
    }
}

#[test]
fn expired_and_wrong_sensors_are_told() {
    use tautpoint::calibrate::Day;
    let mut c = made(UP_AND_DOWN, None).calibration;
    c.sensor = Some("cell-4".to_owned());
    c.made = Day::parse("2026-09-01");
    c.expires = Day::parse("2027-03-01");
    let said = |day: &str, sensor: Option<&str>| {
        c.validity(
            Day::parse(day),
            &sensor.map(str::to_owned).into_iter().collect::<Vec<_>>(),
        )
        .notes()
        .join("; ")
    };
    assert_eq!(said("2027-03-01", Some("cell-4")), "");
    assert!(said("2027-03-02", None).starts_with("calibration expired: cell-4 ended on 2027-03-01"));
    assert!(said("2026-08-31", None).starts_with("calibration made later"));
    assert!(
        said("2026-10-01", Some("cell-5"))
            .starts_with("wrong sensor: cell-4 is for cell-4, recorded with cell-5")
    );
    assert!(said("", None).starts_with("calibration date not checked"));
    let strict = c.validity(Day::parse("2027-03-02"), &[]).problems("a.csv", true);
    assert_eq!(strict[0].severity, tautpoint::error::Severity::Error);
}

#[test]
fn counts_become_newtons_over_a_whole_trace_and_missing_samples_stay_missing() {
    let c = made(&pontius_readings(), None).calibration;
    let loads = [200_000.0, 1e6, 2.9e6];
    let mut counts: Vec<f64> = loads.iter().map(|x| c.curve.at(*x)).collect();
    counts.push(f64::NAN);
    counts.push(c.curve.at(3e6) + 1.0);
    let converted = c.convert(&counts);
    for (found, wanted) in converted.values.iter().zip(loads) {
        assert!((found - wanted).abs() < 1e-4 * 1e-3 * wanted, "{found} {wanted}");
    }
    assert!(converted.values[3].is_nan());
    assert_eq!(converted.outside, 1);
    assert_eq!(converted.furthest, Some(converted.values[4]));
}

#[test]
fn prediction_intervals_hold_the_load_as_often_as_they_say() {
    // Simulated readings on a known quadratic: the 95 % interval of a new reading must hold its load in 95 % of the
    // cases; 2000 trials leave a standard error of 0.5 %.
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
    let noise = Normal::new(0.0, 20.0).unwrap();
    let law = |x: f64| 8000.0 + 1700.0 * x + 0.8 * x * x;
    let (mut held, trials) = (0, 2000);
    for trial in 0..trials {
        let mut text = String::from("applied_n,indicated\n");
        for i in 0..10 {
            let x = 20.0 * f64::from(i);
            text += &format!("{x},{}\n", law(x) + noise.sample(&mut rng));
        }
        let c = made(&text, Some(2)).calibration;
        let load = 5.0 + 170.0 * f64::from(trial) / f64::from(trials);
        let [low, high] = c
            .invert(law(load) + noise.sample(&mut rng), 1)
            .unwrap()
            .interval95
            .unwrap();
        held += i32::from(low <= load && load <= high);
    }
    let percent = 100.0 * f64::from(held) / f64::from(trials);
    assert!((93.5..=96.5).contains(&percent), "{percent}");
}
