//! Agreement against published values, NIST, other programs' numbers, closed forms and simulated truth; and the
//! command `agree`.

use serde_json::Value;
use std::path::PathBuf;
use tautpoint::stats::agreement::Interval;
use tautpoint::stats::agreement::anova::{MeanSquares, mean_squares};
use tautpoint::stats::agreement::bland_altman::{FACTOR, LimitError, limits};
use tautpoint::stats::agreement::fleiss_kappa::fleiss_kappa;
use tautpoint::stats::agreement::icc::{Icc, icc, standard_error};
use tautpoint::stats::agreement::kappa::{Weights, kappa, kappa_weighted};
use tautpoint::stats::agreement::psychometric::psychometric;
use tautpoint::stats::agreement::sem::sem;

mod program;
mod study;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference/agreement")
}

fn json(name: &str) -> Value {
    serde_json::from_str(&std::fs::read_to_string(folder().join(name)).unwrap()).unwrap()
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap()
}

fn list(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(number).collect()
}

fn rows(v: &Value) -> Vec<Vec<f64>> {
    v.as_array().unwrap().iter().map(list).collect()
}

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    let off = (found - expected).abs();
    assert!(
        off <= relative * expected.abs().max(1e-3),
        "found {found}, expected {expected}"
    );
}

#[track_caller]
fn same(found: Option<Interval>, value: &Value, ends: &Value) {
    let found = found.unwrap();
    close(found.value, number(value), 1e-10);
    close(found.low.unwrap(), number(&ends[0]), 1e-7);
    close(found.high.unwrap(), number(&ends[1]), 1e-7);
}

/// Shrout & Fleiss 1979, Psychol Bull 86:420-428, table 2.
const SHROUT_FLEISS: [[f64; 4]; 6] = [
    [9.0, 2.0, 5.0, 8.0],
    [6.0, 1.0, 3.0, 2.0],
    [8.0, 4.0, 6.0, 8.0],
    [7.0, 1.0, 2.0, 6.0],
    [10.0, 5.0, 6.0, 9.0],
    [6.0, 2.0, 4.0, 7.0],
];

#[test]
fn the_six_coefficients_of_shrout_and_fleiss_are_the_printed_ones() {
    let m = mean_squares(&SHROUT_FLEISS).unwrap();
    // Mean squares as printed in their table 3.
    for (found, printed) in [
        (m.between, 11.24),
        (m.within, 6.26),
        (m.rater, 32.49),
        (m.error, 1.02),
    ] {
        assert!((found - printed).abs() <= 0.005, "{found} {printed}");
    }
    let i = icc(&m, 0.95).unwrap();
    // Their table 4.
    let printed = [0.17, 0.29, 0.71, 0.44, 0.62, 0.91];
    for (form, printed) in forms(&i).into_iter().zip(printed) {
        assert!(
            (form.unwrap().value - printed).abs() <= 0.005,
            "{form:?} {printed}"
        );
    }
}

fn forms(i: &Icc) -> [Option<Interval>; 6] {
    [
        i.one,
        i.agreement,
        i.consistency,
        i.one_average,
        i.agreement_average,
        i.consistency_average,
    ]
}

#[test]
fn all_six_with_their_intervals_equal_those_of_other_programs_on_four_sets() {
    // pingouin 0.7.0, which agrees with R psych (tests/reference/agreement/README.md).
    let file = json("icc_reference.json");
    let names = ["ICC1", "ICC2", "ICC3", "ICC1k", "ICC2k", "ICC3k"];
    for set in [
        "shrout_fleiss_1979",
        "pingouin_wine",
        "synthetic_test_retest_30x2",
        "synthetic_12x5",
    ] {
        let set = &file[set];
        let m = mean_squares(&rows(&set["matrix_rows_targets_cols_raters"])).unwrap();
        let anova = &set["anova"];
        for (found, key) in [
            (m.between, "MSR"),
            (m.rater, "MSC"),
            (m.error, "MSE"),
            (m.within, "MSW"),
        ] {
            close(found, number(&anova[key]), 1e-11);
        }
        for (form, name) in forms(&icc(&m, 0.95).unwrap()).into_iter().zip(names) {
            same(
                form,
                &set["icc_full_precision"][name],
                &set["ci95_full_precision"][name],
            );
        }
        let s = sem(&m, 0.95).unwrap();
        close(
            s.consistency.value,
            number(&set["SEM_consistency_sqrtMSE"]),
            1e-11,
        );
        close(s.agreement.value, number(&set["SEM_agreement"]), 1e-11);
        // The file takes the exact normal quantile, this program 1.96.
        let exact = 1.959_963_984_540_054 / 1.96;
        close(
            s.mdc95_consistency().value * exact,
            number(&set["MDC95_consistency"]),
            1e-11,
        );
        close(
            s.mdc95_agreement().value * exact,
            number(&set["MDC95_agreement"]),
            1e-11,
        );
    }
}

#[test]
fn coefficients_from_mean_squares_equal_another_packages_documentation() {
    // statpsych package documentation, ci.icc: MSr 48.2, MSe 11.3, r 5, n 30.
    let m = MeanSquares {
        subjects: 30,
        raters: 5,
        mean: 0.0,
        between: 48.2,
        rater: 11.3,
        error: 11.3,
        within: 11.3,
    };
    let i = icc(&m, 0.95).unwrap();
    let check = |found: Interval, value: f64, low: f64, high: f64| {
        assert!((found.value - value).abs() < 5e-5, "{found:?}");
        assert!((found.low.unwrap() - low).abs() < 5e-5, "{found:?}");
        assert!((found.high.unwrap() - high).abs() < 5e-5, "{found:?}");
    };
    check(i.consistency.unwrap(), 0.3951, 0.2311, 0.5853);
    check(i.consistency_average.unwrap(), 0.7656, 0.6005, 0.8759);
    let se = standard_error(i.consistency.unwrap().value, 30, 5).unwrap();
    assert!((se - 0.09166).abs() < 5e-6, "{se}");
}

/// Columns of a NIST set: one group each.
fn nist_groups(set: &str) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(folder().join(format!("{set}.csv"))).unwrap();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .map(|l| l.split(',').map(|f| f.parse().unwrap()).collect())
        .collect();
    (0..rows[0].len())
        .map(|j| rows.iter().map(|r| r[j]).collect())
        .collect()
}

#[test]
fn nist_analysis_of_variance_sets_give_their_certified_mean_squares_icc_and_sem() {
    let certified = json("nist_certified.json");
    // Leading digits lost before any arithmetic: values of 1e12 are kept by a double to 1.2e-4, those of 1e6 to 1e-10.
    for (set, relative) in [
        ("SiRstv", 1e-9),
        ("SmLs01", 1e-12),
        ("SmLs04", 1e-8),
        ("SmLs07", 2e-2),
    ] {
        let of =
            |part: &str, key: &str| -> f64 { certified[set][part][key].as_str().unwrap().parse().unwrap() };
        let groups = nist_groups(set);
        let m = mean_squares(&groups).unwrap();
        assert_eq!(m.df_between(), number(&certified[set]["between"]["df"]));
        assert_eq!(m.df_within(), number(&certified[set]["within"]["df"]));
        let (between, within) = (of("between", "ms"), of("within", "ms"));
        close(m.between, between, relative);
        close(m.within, within, relative);
        // ICC(1) and the SEM of interchangeable ratings by their definitions from the certified mean squares.
        let k = groups[0].len() as f64;
        let one = icc(&m, 0.95).unwrap().one.unwrap().value;
        close(one, (between - within) / (between + (k - 1.0) * within), relative);
        close(
            m.within.sqrt(),
            certified[set]["certified_residual_sd"]
                .as_str()
                .unwrap()
                .parse()
                .unwrap(),
            relative,
        );
        // The agreement SEM is the same root, wherever raters differ at least as much as chance lets them.
        if m.rater >= m.error {
            close(sem(&m, 0.95).unwrap().agreement.value, within.sqrt(), relative);
        }
    }
}

const WRIGHT_1: [f64; 17] = [
    494., 395., 516., 434., 476., 557., 413., 442., 650., 433., 417., 656., 267., 478., 178., 423., 427.,
];
const WRIGHT_2: [f64; 17] = [
    490., 397., 512., 401., 470., 611., 415., 431., 638., 429., 420., 633., 275., 492., 165., 372., 421.,
];
const MINI_1: [f64; 17] = [
    512., 430., 520., 428., 500., 600., 364., 380., 658., 445., 432., 626., 260., 477., 259., 350., 451.,
];

#[test]
fn the_peak_flow_limits_of_bland_and_altman_are_the_printed_ones() {
    // Bland & Altman 1986, Lancet 327:307-310: limits by 2 s, errors of limits by the root of 3s²/n. Their printed
    // limits come from the rounded s of 38.8.
    let l = limits(&WRIGHT_1, &MINI_1, 2.0, LimitError::Approximate, 0.95).unwrap();
    for (found, printed, off) in [
        (l.bias.value, -2.1, 0.05),
        (l.sd, 38.8, 0.05),
        (l.lower.value, -79.7, 0.1),
        (l.upper.value, 75.5, 0.1),
        (l.bias_se, 9.4, 0.05),
        (l.bias.low.unwrap(), -22.0, 0.1),
        (l.bias.high.unwrap(), 17.8, 0.05),
        (l.limit_se, 16.3, 0.05),
        (l.lower.low.unwrap(), -114.3, 0.2),
        (l.lower.high.unwrap(), -45.1, 0.1),
        (l.upper.low.unwrap(), 40.9, 0.1),
        (l.upper.high.unwrap(), 110.1, 0.2),
    ] {
        assert!((found - printed).abs() <= off, "found {found}, printed {printed}");
    }
    // The within-subject standard deviation of two readings is the root of the mean square within: 15.3.
    let pairs: Vec<[f64; 2]> = WRIGHT_1.iter().zip(WRIGHT_2).map(|(a, b)| [*a, b]).collect();
    close(mean_squares(&pairs).unwrap().within.sqrt(), 15.306_669, 1e-7);
}

#[test]
fn limits_with_both_errors_equal_the_computed_ones_on_two_sets() {
    let file = json("agreement_reference.json");
    for set in ["bland_altman_1986_pefr", "bland_altman_biochemia_medica_2015_30"] {
        let set = &file[set];
        let (x, y) = (list(&set["x"]), list(&set["y"]));
        for (error, key) in [
            (LimitError::Approximate, "loa_ci95_bland_altman_1986_sqrt3"),
            (LimitError::Full, "loa_ci95_bland_altman_1999"),
        ] {
            let l = limits(&x, &y, FACTOR, error, 0.95).unwrap();
            close(l.bias.value, number(&set["bias"]), 1e-12);
            close(l.sd, number(&set["sd_diff"]), 1e-12);
            close(l.lower.value, number(&set["loa_1.96"][0]), 1e-12);
            close(l.upper.value, number(&set["loa_1.96"][1]), 1e-12);
            close(l.bias.low.unwrap(), number(&set["bias_ci95"][0]), 1e-9);
            // The file takes the exact normal quantile within the error of 1999.
            let relative = if error == LimitError::Full { 2e-5 } else { 1e-9 };
            close(l.lower.low.unwrap(), number(&set[key]["lower"][0]), relative);
            close(l.upper.high.unwrap(), number(&set[key]["upper"][1]), relative);
        }
    }
}

#[test]
fn kappas_with_errors_and_intervals_equal_those_of_statsmodels() {
    let sets = &json("agreement_reference.json")["cohens_kappa_statsmodels"];
    let sets = sets.as_object().unwrap();
    assert_eq!(sets.len(), 3);
    for set in sets.values() {
        let table = rows(&set["table"]);
        for (weights, key) in [
            (Weights::Plain, "unweighted"),
            (Weights::Linear, "linear"),
            (Weights::Quadratic, "quadratic"),
        ] {
            let (k, expected) = (kappa(&table, weights, 0.95).unwrap(), &set[key]);
            close(k.kappa.value, number(&expected["kappa"]), 1e-12);
            close(k.se, number(&expected["std_kappa"]), 1e-11);
            close(k.se_null, number(&expected["std_kappa0"]), 1e-11);
            close(k.z.unwrap(), number(&expected["z_value"]), 1e-10);
            close(k.kappa.low.unwrap(), number(&expected["kappa_low"]), 1e-9);
            close(k.kappa.high.unwrap(), number(&expected["kappa_upp"]), 1e-9);
        }
    }
}

#[test]
fn weighted_kappa_of_cohen_1968_is_the_printed_one() {
    // Cohen 1968, Psychol Bull 70:213-220: 200 patients, weights of disagreement 0 1 3 / 1 0 6 / 3 6 0, printed .348.
    let table = [[88.0, 10.0, 2.0], [14.0, 40.0, 6.0], [18.0, 10.0, 12.0]];
    let weights = [[0.0, 1.0, 3.0], [1.0, 0.0, 6.0], [3.0, 6.0, 0.0]].map(|r| r.map(|v| 1.0 - v / 6.0));
    let k = kappa_weighted(&table, &weights, 0.95).unwrap();
    assert!((k.kappa.value - 0.347_826_087).abs() < 1e-9);
    assert!((kappa(&table, Weights::Plain, 0.95).unwrap().kappa.value - 0.491_525_424).abs() < 1e-9);
}

#[test]
fn kappas_of_fleiss_1981_equal_the_printed_ones() {
    // Fleiss 1981, Statistical Methods for Rates and Proportions, 2nd ed.: two raters, 100 cases, kappa .68.
    let table = [[75.0, 1.0, 4.0], [5.0, 4.0, 1.0], [0.0, 0.0, 10.0]];
    let plain = kappa(&table, Weights::Plain, 0.95).unwrap();
    close(plain.kappa.value, 0.676_470_588, 1e-8);
    close(plain.se, 0.087_703_0, 1e-6);
    close(plain.se_null, 0.076_187_3, 1e-6);
    let linear = kappa(&table, Weights::Linear, 0.95).unwrap();
    close(linear.kappa.value, 0.722_222, 1e-6);
    close(linear.se, 0.084_301, 1e-5);
    let quadratic = kappa(&table, Weights::Quadratic, 0.95).unwrap();
    close(quadratic.kappa.value, 0.755_319, 1e-6);
}

#[test]
fn fleiss_kappas_equal_the_published_ones() {
    let file = json("agreement_reference.json");
    let counts = |set: &str| -> Vec<Vec<u32>> {
        rows(&file[set]["table"])
            .into_iter()
            .map(|r| r.into_iter().map(|c| c as u32).collect())
            .collect()
    };
    // Fleiss 1971, Psychol Bull 76:378-382: thirty patients by six psychiatrists, printed .430.
    let k = fleiss_kappa(&counts("diagnoses_30x6"), 0.95).unwrap();
    close(k.kappa.value, 0.430_244_520, 1e-9);
    close(k.observed, 0.555_555_6, 3e-7);
    close(k.expected, 0.219_938_3, 3e-7);
    close(k.se_null, 0.024_373_9, 1e-5);
    close(k.z.unwrap(), 17.651_83, 1e-6);
    let k = fleiss_kappa(&counts("fleiss_10x14x5"), 0.95).unwrap();
    close(k.kappa.value, number(&file["fleiss_10x14x5"]["fleiss"]), 1e-12);
    close(k.z.unwrap(), 12.374_29, 1e-6);
    for (counts, expected) in [
        ([[7, 1, 0], [3, 5, 0]], 0.161_905),
        ([[6, 1, 0], [0, 7, 0]], 0.708_333),
    ] {
        close(fleiss_kappa(&counts, 0.95).unwrap().kappa.value, expected, 1e-5);
    }
}

#[test]
fn the_psychometric_curve_equals_logistic_regression_and_its_profile() {
    // statsmodels Logit and scipy's profile likelihood; make_psychometric.py made the numbers.
    let set = &json("psychometric.json")["plain"];
    let seen: Vec<bool> = set["detected"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_bool().unwrap())
        .collect();
    let p = psychometric(&list(&set["size"]), &seen, 0.95).unwrap();
    close(p.just_detected.value, number(&set["just_detected"]), 1e-6);
    close(p.slope.unwrap(), number(&set["slope"]), 1e-5);
    close(p.log_likelihood, number(&set["log_likelihood"]), 1e-10);
    close(p.just_detected.low.unwrap(), number(&set["low"]), 1e-5);
    close(p.just_detected.high.unwrap(), number(&set["high"]), 1e-5);
    assert_eq!(p.lapse, 0.0);
}

#[test]
fn lapses_that_the_data_carry_are_found_as_a_general_optimiser_finds_them() {
    let set = &json("psychometric.json")["lapses"];
    let seen: Vec<bool> = set["detected"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_bool().unwrap())
        .collect();
    let p = psychometric(&list(&set["size"]), &seen, 0.95).unwrap();
    close(p.log_likelihood, number(&set["log_likelihood"]), 1e-6);
    close(p.lapse, number(&set["lapse"]), 5e-3);
    close(p.just_detected.value, number(&set["just_detected"]), 1e-3);
    // Without lapses the fit is far worse, so that this set can tell the two apart.
    assert!(p.log_likelihood - number(&set["plain_log_likelihood"]) > 10.0);
}
