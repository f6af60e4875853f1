//! Agreement against published values, NIST, other programs' numbers, closed forms and simulated truth; and `agree`.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tautpoint::stats::agreement::Interval;
use tautpoint::stats::agreement::anova::{MeanSquares, mean_squares};
use tautpoint::stats::agreement::bland_altman::{FACTOR, LimitError, limits};
use tautpoint::stats::agreement::fleiss_kappa::fleiss_kappa;
use tautpoint::stats::agreement::icc::{Icc, icc, standard_error};
use tautpoint::stats::agreement::kappa::{Weights, kappa, kappa_weighted};
use tautpoint::stats::agreement::psychometric::psychometric;
use tautpoint::stats::agreement::sem::{MDC95_PER_SEM, sem};

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

fn agree(args: &[&str], dir: &Path) -> Output {
    let program = env!("CARGO_BIN_EXE_tautpoint");
    Command::new(program)
        .arg("agree")
        .args(args)
        .current_dir(dir)
        .output()
        .unwrap()
}

fn ratings_file(dir: &Path, text: &str) {
    std::fs::write(dir.join("r.csv"), text).unwrap();
}

fn shrout_fleiss_csv() -> String {
    let mut text = "subject,rater,value\n".to_owned();
    for (s, row) in SHROUT_FLEISS.iter().enumerate() {
        for (r, v) in row.iter().enumerate() {
            text.push_str(&format!("V-0{s},L-{r},{v}\n"));
        }
    }
    text
}

#[test]
fn a_file_of_ratings_gives_the_published_numbers_by_name() {
    let dir = tempfile::tempdir().unwrap();
    ratings_file(dir.path(), &shrout_fleiss_csv());
    let out = agree(&["--ratings", "r.csv", "--json", "--out", "res"], dir.path());
    assert_eq!(
        out.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    for place in [&found["ratings"], &found["measures"]["value"]] {
        close(number(&place["icc_1"]), 0.165_741_768, 1e-8);
        close(number(&place["icc_a1"]), 0.289_763_780, 1e-8);
        close(number(&place["icc_c1"]), 0.714_840_715, 1e-8);
        close(number(&place["icc_1k"]), 0.442_797_134, 1e-8);
        close(number(&place["icc_ak"]), 0.620_050_548, 1e-8);
        close(number(&place["icc_ck"]), 0.909_315_542, 1e-8);
        close(number(&place["icc_c1_low"]), 0.342_464_8, 1e-6);
        close(number(&place["sem_consistency"]), 1.009_675_415, 1e-8);
        close(number(&place["sem_agreement"]), 2.502_776_236, 1e-8);
        close(number(&place["mdc95"]), MDC95_PER_SEM * 2.502_776_236, 1e-8);
        close(number(&place["mdc95_consistency"]), 2.798_677_465, 1e-8);
    }
    let page = std::fs::read_to_string(dir.path().join("res/agreement.html")).unwrap();
    assert!(
        page.contains("0.29 (0.02 to 0.76)") && page.contains("<svg"),
        "{page}"
    );
    let table = std::fs::read_to_string(dir.path().join("res/agreement.csv")).unwrap();
    assert!(
        table
            .lines()
            .nth(1)
            .unwrap()
            .starts_with("value,ratings,,6,4,24,0,"),
        "{table}"
    );
    // Again into the same folder: replaced whole, same bytes.
    let before = std::fs::read(dir.path().join("res/agreement.json")).unwrap();
    assert_eq!(
        agree(&["--ratings", "r.csv", "--out", "res"], dir.path())
            .status
            .code(),
        Some(0)
    );
    assert_eq!(
        std::fs::read(dir.path().join("res/agreement.json")).unwrap(),
        before
    );
}

#[test]
fn ratings_with_holes_name_what_was_left_out() {
    let dir = tempfile::tempdir().unwrap();
    let text = shrout_fleiss_csv()
        .replace("V-02,L-3,8\n", "")
        .replace("V-04,L-0,10\n", "V-04,L-0,\n");
    ratings_file(dir.path(), &text);
    let out = agree(&["--ratings", "r.csv", "--json"], dir.path());
    assert_eq!(out.status.code(), Some(0));
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    let r = &found["ratings"];
    assert_eq!((&r["subjects"], &r["raters"]), (&4.into(), &4.into()));
    assert_eq!(r["ratings_left_out"], 6);
    assert_eq!(r["left_out"][0]["subject"], "V-02");
    assert!(
        r["notes"][0].as_str().unwrap().contains("largest balanced part"),
        "{r}"
    );
    // The same as the four complete rows alone.
    let kept: Vec<[f64; 4]> = [0, 1, 3, 5].map(|i| SHROUT_FLEISS[i]).to_vec();
    let expected = icc(&mean_squares(&kept).unwrap(), 0.95)
        .unwrap()
        .agreement
        .unwrap()
        .value;
    close(number(&r["icc_a1"]), expected, 1e-12);
}

#[test]
fn ratings_that_give_no_coefficient_say_what_is_missing_and_never_nan() {
    let dir = tempfile::tempdir().unwrap();
    for (text, code, said) in [
        ("subject,rater,value\nA,x,1\nB,x,2\n", 2, "one rater only"),
        ("subject,rater,value\nA,x,1\nA,y,2\n", 2, "one subject only"),
        (
            "subject,rater,value\nA,x,1\nB,y,2\n",
            2,
            "no two subjects were rated by the same two raters",
        ),
        ("subject,rater,value\nA,x,\nB,x,\n", 2, "no ratings"),
        (
            "subject,rater,value\nA,x,2\nA,y,2\nB,x,2\nB,y,2\n",
            0,
            "constant ratings",
        ),
        (
            "subject,rater,value\nA,x,1\nA,y,1\nB,x,2\nB,y,2\n",
            0,
            "raters never disagree",
        ),
        (
            "subject,rater,value\nA,x,1\nA,y,hard\nB,x,2\nB,y,2\nC,x,2\nC,y,4\n",
            1,
            "line 3, column value: found hard",
        ),
        (
            "subject,rater,value\nA,x,1\nA,x,7\n",
            2,
            "1 in line 2, 7 in line 3",
        ),
    ] {
        ratings_file(dir.path(), text);
        let out = agree(&["--ratings", "r.csv", "--json", "--out", "res"], dir.path());
        let (json, err) = (
            String::from_utf8(out.stdout).unwrap(),
            String::from_utf8(out.stderr).unwrap(),
        );
        assert_eq!(out.status.code(), Some(code), "{text}: {err}");
        assert!(format!("{json}{err}").contains(said), "{said}: {json}{err}");
        let found: Value = serde_json::from_str(&json).unwrap();
        assert!(found["ratings"].get("icc_1").is_some());
        for file in ["agreement.csv", "limits.csv", "trials.csv", "agreement.html"] {
            let written = std::fs::read_to_string(dir.path().join("res").join(file)).unwrap();
            assert!(
                !written.contains("NaN") && !written.contains("inf,"),
                "{text}: {file}: {written}"
            );
        }
    }
    for (text, said) in [
        ("", "an empty file"),
        ("subject,rater,value\n", "no usable rows"),
        ("subject,value\nA,1\n", "column rater: found no such column"),
    ] {
        ratings_file(dir.path(), text);
        let out = agree(&["--ratings", "r.csv", "--json"], dir.path());
        let err = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(2), "{err}");
        assert!(err.contains(said) && out.stdout.is_empty(), "{err}");
    }
    let out = agree(&["--ratings", "nowhere.csv"], dir.path());
    assert!(String::from_utf8_lossy(&out.stderr).contains("cannot be read"));
}

fn run(args: &[&str], dir: &Path) -> Output {
    let program = env!("CARGO_BIN_EXE_tautpoint");
    Command::new(program)
        .args(args)
        .current_dir(dir)
        .output()
        .unwrap()
}

#[test]
fn a_study_gets_the_coefficients_of_its_own_tests_and_keeps_its_spread_for_single_trials() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let made = run(
        &[
            "simulate",
            "study",
            "--out",
            "s",
            "--seed",
            "6",
            "--subjects",
            "2",
            "--examiners",
            "2",
            "--trials",
            "2",
            "--levels",
            "L4,L3",
        ],
        dir,
    );
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let out = agree(&["s", "--json", "--out", "s/agreement"], dir);
    assert_eq!(
        out.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(
        found["measures"].as_object().unwrap().len(),
        tautpoint::columns::Measure::ALL.len()
    );

    // The same coefficients from the rows of `tests`: first trials, one row a place, one column an examiner.
    let tests: Value = serde_json::from_slice(&run(&["analyze", "s", "--json"], dir).stdout).unwrap();
    let mut cells = std::collections::BTreeMap::<String, std::collections::BTreeMap<String, f64>>::new();
    for t in tests["tests"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|t| t["trial"] == 1)
    {
        let place = format!("{} {} {} {}", t["subject"], t["level"], t["side"], t["session"]);
        let row = cells.entry(place).or_default();
        row.insert(t["examiner"].to_string(), number(&t["end_feel_n_per_mm"]));
    }
    let rows: Vec<Vec<f64>> = cells.into_values().map(|r| r.into_values().collect()).collect();
    assert_eq!((rows.len(), rows[0].len()), (8, 2));
    let m = mean_squares(&rows).unwrap();
    let between = &found["measures"]["end_feel_n_per_mm"]["between_examiners"];
    close(
        number(&between["icc_a1"]),
        icc(&m, 0.95).unwrap().agreement.unwrap().value,
        1e-9,
    );
    close(
        number(&between["sem_agreement"]),
        sem(&m, 0.95).unwrap().agreement.value,
        1e-9,
    );
    assert_eq!(between["bland_altman"].as_array().unwrap().len(), 1);

    // One trial a side left: decisions rest on what agree wrote, and say so.
    for entry in std::fs::read_dir(dir.join("s/recordings")).unwrap() {
        let path = entry.unwrap().path();
        if path.to_string_lossy().contains("_2.") {
            std::fs::remove_file(path).unwrap();
        }
    }
    let single: Value = serde_json::from_slice(&run(&["analyze", "s", "--json"], dir).stdout).unwrap();
    let findings = single["findings"].as_array().unwrap();
    assert!(!findings.is_empty());
    assert!(
        findings.iter().all(|f| f["spread_source"] == "agreement"),
        "{findings:#?}"
    );
    let page = std::fs::read_to_string(dir.join("s/agreement/agreement.html")).unwrap();
    assert!(!page.contains("NaN") && page.contains("Agreement between examiners"));

    // Now every design lacks repetitions but that between examiners.
    let out = agree(&["s", "--json"], dir);
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    let within = &found["measures"]["end_feel_n_per_mm"]["within_examiner"];
    assert!(within["icc_1"].is_null() && within["reason"].as_str().unwrap().contains("one trial only"));
}

#[test]
fn a_call_of_another_word_and_calls_that_conflict_are_named_and_the_rest_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let made = run(
        &[
            "simulate", "study", "--out", "s", "--seed", "6", "--trials", "2", "--levels", "L4,L3",
        ],
        dir,
    );
    assert!(made.status.success());
    std::fs::write(
        dir.join("s/calls.csv"),
        "subject,examiner,session,level,trial,call,confidence\n\
         V-01,L-01,1,L3,1,rihgt,2\nV-01,L-01,1,L4,1,left,2\nV-01,L-01,1,L4,1,right,2\n",
    )
    .unwrap();
    let out = agree(&["s", "--json"], dir);
    let err = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(1), "{err}");
    assert!(
        err.contains("calls.csv, line 2, column call") && err.contains("write right"),
        "{err}"
    );
    assert!(err.contains("left in line 3, right in line 4"), "{err}");
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert!(number(&found["measures"]["end_feel_n_per_mm"]["icc_1"]).is_finite());
    assert_eq!(found["problems"].as_array().unwrap().len(), 2);
}
