//! The statistics against values from outside: NIST, scipy, R segmented, published data sets.

use serde_json::Value;
use std::path::PathBuf;
use tautpoint::stats::variance::Variance;
use tautpoint::stats::{decide, least_squares, line, moments, multiple, quantile, two_lines, variance};

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference/stats")
}

fn json(name: &str) -> Value {
    serde_json::from_str(&std::fs::read_to_string(folder().join(name)).unwrap()).unwrap()
}

/// Columns of a file of numbers, `#` lines and a heading left out.
fn columns(name: &str) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(folder().join(name)).unwrap();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter_map(|l| l.split(',').map(|f| f.trim().parse().ok()).collect())
        .collect();
    (0..rows[0].len())
        .map(|j| rows.iter().map(|r| r[j]).collect())
        .collect()
}

fn numbers(value: &Value) -> Vec<f64> {
    let list = value.as_array().unwrap();
    list.iter().map(|v| v.as_f64().unwrap()).collect()
}

fn certified(set: &str, path: &[&str]) -> f64 {
    let mut value = &json("nist/certified.json")[set];
    for key in path {
        value = &value[key];
    }
    value.as_str().unwrap().parse().unwrap()
}

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    let off = (found - expected).abs();
    assert!(
        off <= relative * expected.abs().max(1e-300),
        "found {found}, expected {expected}, relative error {:e}",
        off / expected.abs()
    );
}

/// Calls `check(arguments, expected)` for every row of a table of the quantile file; the last entry is the answer.
fn each_row(table: &str, least_rows: usize, mut check: impl FnMut(&[f64], f64)) {
    let file = json("quantiles.json");
    let rows = file[table].as_array().unwrap();
    assert!(rows.len() >= least_rows, "{table} has {} rows", rows.len());
    for row in rows {
        let row = numbers(row);
        let (answer, arguments) = row.split_last().unwrap();
        check(arguments, *answer);
    }
}

// Source of the next four: scipy 1.17.1. Tolerance: what statrs 0.19.1 was measured to keep.

#[test]
fn t_agrees_with_scipy_for_whole_and_broken_degrees_of_freedom() {
    each_row("t_ppf", 80, |a, expected| {
        close(quantile::t_quantile(a[0], a[1]).unwrap(), expected, 1e-8);
        let back = quantile::t_upper_tail(expected, a[1]).unwrap();
        close(back, 1.0 - a[0], 1e-8);
    });
    each_row("t_sf", 80, |a, expected| {
        close(quantile::t_upper_tail(a[0], a[1]).unwrap(), expected, 1e-8);
    });
}

#[test]
fn f_agrees_with_scipy() {
    each_row("F_ppf", 80, |a, expected| {
        close(quantile::f_quantile(a[0], a[1], a[2]).unwrap(), expected, 1e-8);
    });
    each_row("F_sf", 70, |a, expected| {
        close(quantile::f_upper_tail(a[0], a[1], a[2]).unwrap(), expected, 1e-8);
    });
}

#[test]
fn chi_square_agrees_with_scipy() {
    each_row("chi2_ppf", 30, |a, expected| {
        close(quantile::chi_square_quantile(a[0], a[1]).unwrap(), expected, 1e-8);
        close(
            quantile::chi_square_upper_tail(expected, a[1]).unwrap(),
            1.0 - a[0],
            1e-8,
        );
    });
}

#[test]
fn the_normal_agrees_with_scipy_to_the_guarded_ends() {
    each_row("norm_ppf", 10, |a, expected| {
        let z = quantile::normal_quantile(a[0]).unwrap();
        assert!((z - expected).abs() < 1e-9, "{z} {expected}");
    });
}

#[test]
fn a_line_through_norris_has_its_certified_digits() {
    // NIST StRD, Norris: calibration of ozone monitors, 36 points.
    let c = columns("nist/Norris.csv");
    let l = line::line(&c[1], &c[0]).unwrap();
    assert_eq!(l.n, 36);
    let want = |path: &[&str]| certified("Norris", path);
    close(l.intercept, want(&["parameters", "B0", "estimate"]), 1e-11);
    close(l.slope, want(&["parameters", "B1", "estimate"]), 1e-13);
    close(l.intercept_se.unwrap(), want(&["parameters", "B0", "sd"]), 1e-11);
    close(l.slope_se.unwrap(), want(&["parameters", "B1", "sd"]), 1e-11);
    close(l.residual_sd.unwrap(), want(&["residual_sd"]), 1e-11);
    close(l.rss, want(&["anova_residual", "ss"]), 1e-11);
}

/// Fits a NIST set by general least squares and compares coefficients, standard errors and residual sd.
fn nist_fit(set: &str, columns: &[Vec<f64>], y: &[f64], coefficient: f64, error: f64) {
    let fit = least_squares::least_squares(columns, y).unwrap();
    for j in 0..columns.len() {
        let name = format!("B{j}");
        let want = |what| certified(set, &["parameters", &name, what]);
        close(fit.coefficients[j], want("estimate"), coefficient);
        if want("sd") > 0.0 {
            close(fit.se(j).unwrap(), want("sd"), error);
        }
    }
    if certified(set, &["residual_sd"]) > 0.0 {
        close(fit.residual_sd.unwrap(), certified(set, &["residual_sd"]), error);
    }
}

fn powers(x: &[f64], degree: i32) -> Vec<Vec<f64>> {
    (0..=degree)
        .map(|d| x.iter().map(|x| x.powi(d)).collect())
        .collect()
}

#[test]
fn general_least_squares_has_the_certified_digits_of_nist() {
    // NIST StRD; fewer digits where the columns are nearly dependent (Longley, Wampler: higher difficulty).
    let c = columns("nist/Pontius.csv");
    nist_fit("Pontius", &powers(&c[1], 2), &c[0], 1e-10, 1e-10);
    let c = columns("nist/Wampler1.csv");
    nist_fit("Wampler1", &powers(&c[1], 5), &c[0], 1e-8, 1e-8);
    let c = columns("nist/Wampler4.csv");
    nist_fit("Wampler4", &powers(&c[1], 5), &c[0], 1e-7, 1e-9);
    let c = columns("nist/Longley.csv");
    let mut x = vec![vec![1.0; c[0].len()]];
    x.extend_from_slice(&c[1..]);
    nist_fit("Longley", &x, &c[0], 1e-8, 1e-8);
}

#[test]
fn moments_have_the_certified_digits_of_nist() {
    // NIST StRD. NumAcc3 and 4 defeat a one-pass variance; their data carry 1e-16 relative rounding, hence the
    // looser sd: the certified 0.1 belongs to decimals that doubles cannot hold (10000000.2).
    for (set, tolerance) in [("Michelso", 1e-13), ("NumAcc3", 1e-9), ("NumAcc4", 1e-7)] {
        let c = columns(&format!("nist/{set}.csv"));
        close(moments::mean(&c[0]).unwrap(), certified(set, &["mean"]), 1e-15);
        close(moments::sd(&c[0]).unwrap(), certified(set, &["sd"]), tolerance);
    }
}

#[test]
fn the_stagnant_band_has_29_points_and_its_knee_at_0_036() {
    // Bacon & Watts 1971, Biometrika 58:525-534; values by an exact search and R segmented 1.6.2.
    let c = columns("stagnant.csv");
    assert_eq!(c[0].len(), 29);
    let t = two_lines::two_lines(&c[0], &c[1]).unwrap();
    close(t.knee, 0.035911999, 1e-7);
    close(t.knee_se.unwrap(), 0.021886, 2e-5);
    close(t.slopes[0], -0.422076814, 1e-8);
    close(t.slopes[1], -1.016592653, 1e-8);
    close(t.slope_ses[0].unwrap(), 0.011402734, 1e-7);
    close(t.slope_ses[1].unwrap(), 0.014111254, 1e-7);
    close(t.intercept, 0.544661079, 1e-8);
    close(t.at_knee, 0.529503456, 1e-8);
    close(t.rss, 0.009381362698, 1e-9);
    close(t.residual_sd(), 0.01937149, 1e-6);
    close(t.one_line_rss, 0.413233162, 1e-8);
    close(t.f, 538.10386, 1e-7);
}

#[test]
fn the_trap_of_r_segmented_is_its_28_row_copy_of_the_stagnant_band() {
    // R's segmented::stagnant drops x = 0.11, y = 0.44: its knee is 0.041, not the classic 0.036.
    let all = &json("segmented.json")["stagnant_R_segmented"];
    let (x, y) = (numbers(&all["x"]), numbers(&all["y"]));
    assert_eq!(x.len(), 28);
    let t = two_lines::two_lines(&x, &y).unwrap();
    let exact = &all["exact_global_least_squares"];
    // That search stopped at about seven digits of the knee; its sum of squares is flat there and agrees further.
    close(t.knee, exact["breakpoint"].as_f64().unwrap(), 1e-7);
    close(t.rss, exact["rss"].as_f64().unwrap(), 1e-12);
    close(t.intercept, exact["intercept"].as_f64().unwrap(), 1e-8);
    close(t.slopes[0], exact["slope1"].as_f64().unwrap(), 1e-8);
    close(t.slopes[1], exact["slope2"].as_f64().unwrap(), 1e-8);
    let estimates = &all["piecewise_regression"]["estimates"];
    close(
        t.knee,
        estimates["breakpoint1"]["estimate"].as_f64().unwrap(),
        1e-10,
    );
    let se = |name: &str| estimates[name]["se"].as_f64().unwrap();
    close(t.knee_se.unwrap(), se("breakpoint1"), 1e-6);
    close(t.slope_ses[0].unwrap(), se("alpha1"), 1e-7);
    close(t.slope_ses[1].unwrap(), se("alpha2"), 1e-7);
    // R segmented 1.6.2 prints 1.29e-17 with its default of 10 trial knees.
    let davies = two_lines::davies_p(&x, &y, 10).unwrap();
    close(davies, all["R_segmented"]["davies"].as_f64().unwrap(), 1e-6);
}

#[test]
fn the_slack_then_stiff_line_agrees_with_four_programs() {
    // Exact search, R segmented 1.6.2, pwlf 2.7.0, piecewise-regression 1.5.0 on one simulated curve.
    let all = &json("segmented.json")["synthetic_slack_stiff"];
    let (x, y) = (numbers(&all["x"]), numbers(&all["y"]));
    let t = two_lines::two_lines(&x, &y).unwrap();
    let exact = &all["exact_global_least_squares"];
    close(t.knee, exact["breakpoint"].as_f64().unwrap(), 1e-9);
    close(t.rss, exact["rss"].as_f64().unwrap(), 1e-12);
    close(t.slopes[0], exact["slope1"].as_f64().unwrap(), 1e-8);
    close(t.slopes[1], exact["slope2"].as_f64().unwrap(), 1e-8);
    let pwlf = numbers(&all["pwlf"]["breaks"]);
    close(t.knee, pwlf[1], 1e-8);
    let r = numbers(&all["R_segmented"]["psi"][0]);
    close(t.knee, r[1], 1e-7);
    close(t.knee_se.unwrap(), r[2], 1e-6);
}

#[test]
fn plant_growth_rkw_has_its_knee_at_469() {
    // R segmented's dataset `plant`, group RKW.
    let c = columns("plant_rkw.csv");
    assert_eq!(c[0].len(), 37);
    let t = two_lines::two_lines(&c[0], &c[1]).unwrap();
    close(t.knee, 469.1006, 1e-6);
    close(t.knee_se.unwrap(), 13.614, 5e-5);
    close(t.slopes[0], 0.002261902, 1e-6);
    close(t.slopes[1], 0.000382460, 2e-6);
    close(t.slope_ses[0].unwrap(), 8.07e-5, 1e-3);
    close(t.slope_ses[1].unwrap(), 1.09e-4, 5e-3);
    close(t.intercept, -0.2088699, 1e-6);
    close(t.residual_sd(), 0.03629457, 1e-6);
}

#[test]
fn the_cars_have_no_knee() {
    // Ezekiel 1930; knee and p values of R segmented's davies.test with 10 and 5 trial knees.
    let c = columns("cars.csv");
    assert_eq!(c[0].len(), 50);
    let t = two_lines::two_lines(&c[0], &c[1]).unwrap();
    close(t.knee, 22.6699, 5e-6);
    close(t.knee_se.unwrap(), 1.3135, 1e-4);
    close(t.one_line_rss, 11353.521, 1e-7);
    close(t.rss, 10208.199, 1e-7);
    let p = |k| two_lines::davies_p(&c[0], &c[1], k).unwrap();
    assert!((p(10) - 0.15410).abs() < 5e-6, "{}", p(10));
    assert!((p(5) - 0.28564).abs() < 5e-6, "{}", p(5));
}

#[test]
fn benjamini_and_hochberg_keep_four_of_their_own_fifteen() {
    // Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300, section 3.2: of 15 p-values their procedure at 5 %
    // rejects the four smallest. Adjusted values: scipy 1.17.1, stats.false_discovery_control.
    let all = &json("variances_and_multiple.json")["benjamini_hochberg_1995"];
    let mut p = numbers(&all["p"]);
    let mut expected = numbers(&all["adjusted"]);
    let adjusted = multiple::benjamini_hochberg(&p).unwrap();
    assert_eq!(adjusted.iter().filter(|a| **a <= 0.05).count(), 4);
    for (a, e) in adjusted.iter().zip(&expected) {
        close(*a, *e, 1e-12);
    }
    p.reverse();
    expected.reverse();
    let reversed = multiple::benjamini_hochberg(&p).unwrap();
    for (a, e) in reversed.iter().zip(&expected) {
        close(*a, *e, 1e-12);
    }
}

#[test]
fn bartlett_agrees_with_scipy_on_even_and_uneven_groups() {
    let all = json("variances_and_multiple.json");
    let cases = all["bartlett"].as_array().unwrap();
    assert_eq!(cases.len(), 2);
    for case in cases {
        let groups: Vec<Variance> = case["groups"].as_array().unwrap().iter().map(group).collect();
        let b = variance::bartlett(&groups).unwrap();
        close(b.statistic, case["statistic"].as_f64().unwrap(), 1e-9);
        close(b.p, case["p"].as_f64().unwrap(), 1e-9);
    }
}

fn group(values: &Value) -> Variance {
    let values = numbers(values);
    Variance {
        value: moments::variance(&values).unwrap(),
        df: (values.len() - 1) as f64,
    }
}

#[test]
fn moderated_variances_agree_with_a_port_of_limma() {
    // inmoose 0.9.1, squeezeVar, which follows Smyth 2004.
    let all = json("variances_and_multiple.json");
    let cases = all["moderated"].as_array().unwrap();
    assert_eq!(cases.len(), 3);
    for case in cases {
        let (values, df) = (numbers(&case["variance"]), numbers(&case["df"]));
        let groups: Vec<Variance> = values
            .iter()
            .zip(&df)
            .map(|(&value, &df)| Variance { value, df })
            .collect();
        let m = variance::moderate(&groups).unwrap();
        close(m.prior.value, case["prior"].as_f64().unwrap(), 1e-9);
        match case["prior_df"].as_f64() {
            Some(df) => close(m.prior.df, df, 1e-9),
            None => assert!(m.prior.df.is_infinite()),
        }
        for (g, expected) in m.groups.iter().zip(numbers(&case["posterior"])) {
            close(g.value, expected, 1e-9);
        }
    }
}

#[test]
fn paired_welch_log_ratio_and_equivalence_agree_with_scipy() {
    // scipy 1.17.1 on eight fixed pairs: ttest_rel, ttest_ind, t of the logs, two one-sided tests within +/- 1.
    let all = &json("asymmetry.json")["asymmetry_fixed"];
    let (left, right) = (numbers(&all["left"]), numbers(&all["right"]));
    let value = |a: &str, b: &str| all[a][b].as_f64().unwrap();
    let two_sided = |d: &decide::Difference| {
        let t = (d.estimate / d.se).abs();
        2.0 * quantile::t_upper_tail(t, d.df).unwrap()
    };
    let limits = |d: &decide::Difference, expected: &Value| {
        let interval = d.interval(0.95).unwrap();
        for (found, expected) in interval.iter().zip(numbers(expected)) {
            close(*found, expected, 1e-9);
        }
    };
    let paired = decide::paired_difference(&left, &right).unwrap();
    close(paired.estimate, value("paired_t", "mean_diff"), 1e-12);
    close(paired.estimate / paired.se, value("paired_t", "t"), 1e-12);
    close(two_sided(&paired), value("paired_t", "p"), 1e-8);
    limits(&paired, &all["paired_t"]["ci95"]);
    close(
        decide::equivalence_p(&paired, 1.0).unwrap(),
        all["tost_paired_pm1"]["p"].as_f64().unwrap(),
        1e-8,
    );
    let welch = decide::welch_difference(&left, &right).unwrap();
    close(welch.estimate / welch.se, value("welch", "t"), 1e-12);
    close(welch.df, value("welch", "df"), 1e-12);
    close(two_sided(&welch), value("welch", "p"), 1e-8);
    limits(&welch, &all["welch"]["ci95"]);
    let logs = |v: &[f64]| v.iter().map(|v| v.ln()).collect::<Vec<_>>();
    let ratio = decide::paired_difference(&logs(&left), &logs(&right)).unwrap();
    close(ratio.estimate, value("log_ratio", "mean"), 1e-12);
    let expected = numbers(&all["log_ratio"]["ci95_ratio"]);
    for (found, expected) in ratio.interval(0.95).unwrap().iter().zip(expected) {
        close(found.exp(), expected, 1e-9);
    }
}
