//! Agreement against pingouin and statsmodels, live, on random designs. Only under TAUTPOINT_FULL_TESTS=1, and only where
//! python3 has the packages.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use std::process::Command;
use tautpoint::stats::agreement::anova::mean_squares;
use tautpoint::stats::agreement::fleiss_kappa::fleiss_kappa;
use tautpoint::stats::agreement::icc::icc;
use tautpoint::stats::agreement::kappa::{Weights, kappa};

/// Runs a script that prints JSON; `None`, with the reason told, when it should not or cannot run.
fn python(script: &str, input: &Value) -> Option<Value> {
    if std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1") {
        eprintln!("skipped: TAUTPOINT_FULL_TESTS is not 1");
        return None;
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("input.json");
    std::fs::write(&path, input.to_string()).unwrap();
    let run = Command::new("python3").args(["-c", script]).arg(&path).output();
    match run {
        Ok(out) if out.status.success() => Some(serde_json::from_slice(&out.stdout).unwrap()),
        Ok(out) => {
            let told = String::from_utf8_lossy(&out.stderr).into_owned();
            assert!(told.contains("No module named"), "{told}");
            eprintln!("skipped: {}", told.lines().last().unwrap_or_default());
            None
        }
        Err(error) => {
            eprintln!("skipped: python3 did not run: {error}");
            None
        }
    }
}

#[track_caller]
fn close(found: f64, expected: &Value, relative: f64, what: &str) {
    let expected = expected.as_f64().unwrap();
    assert!(
        (found - expected).abs() <= relative * expected.abs().max(1e-3),
        "{what}: found {found}, expected {expected}"
    );
}

#[test]
fn coefficients_of_random_designs_equal_those_of_pingouin() {
    let mut rng = ChaCha8Rng::seed_from_u64(41);
    let designs: Vec<Vec<Vec<f64>>> = (0..30)
        .map(|_| {
            let (n, k) = (rng.random_range(3..25), rng.random_range(2..7));
            let bias: Vec<f64> = (0..k).map(|_| rng.random_range(-1.0..1.0)).collect();
            (0..n)
                .map(|_| {
                    let own: f64 = rng.random_range(5.0..12.0);
                    bias.iter()
                        .map(|b| own + b + rng.random_range(-2.0..2.0))
                        .collect()
                })
                .collect()
        })
        .collect();
    let script = r#"
import json, sys
import pandas as pd, pingouin as pg
out = []
for table in json.load(open(sys.argv[1])):
    long = pd.DataFrame([(s, r, v) for s, row in enumerate(table) for r, v in enumerate(row)], columns=["s", "r", "v"])
    icc = pg.intraclass_corr(data=long, targets="s", raters="r", ratings="v")
    ci = [c for c in icc.columns if c.startswith("CI95")][0]
    out.append([[float(v), float(c[0]), float(c[1])] for v, c in zip(icc["ICC"], icc[ci])])
print(json.dumps(out))
"#;
    let Some(answers) = python(script, &json!(designs)) else {
        return;
    };
    assert_eq!(answers.as_array().unwrap().len(), designs.len());
    for (table, answer) in designs.iter().zip(answers.as_array().unwrap()) {
        let i = icc(&mean_squares(table).unwrap(), 0.95).unwrap();
        let forms = [
            i.one,
            i.agreement,
            i.consistency,
            i.one_average,
            i.agreement_average,
            i.consistency_average,
        ];
        for (form, expected) in forms.into_iter().zip(answer.as_array().unwrap()) {
            let form = form.unwrap();
            close(form.value, &expected[0], 1e-9, "coefficient");
            // pingouin rounds its intervals to two decimals.
            for (end, expected) in [(form.low, &expected[1]), (form.high, &expected[2])] {
                let (end, expected) = (end.unwrap(), expected.as_f64().unwrap());
                assert!(
                    (end - expected).abs() <= 0.005 + 1e-6,
                    "end {end}, expected {expected}"
                );
            }
        }
    }
}

#[test]
fn kappas_of_random_tables_equal_those_of_statsmodels() {
    let mut rng = ChaCha8Rng::seed_from_u64(42);
    let tables: Vec<Vec<Vec<u32>>> = (0..40)
        .map(|_| {
            let c = rng.random_range(2..6);
            let more = |i: usize, j: usize| if i == j { 12 } else { 5 };
            (0..c)
                .map(|i| (0..c).map(|j| rng.random_range(1..more(i, j))).collect())
                .collect()
        })
        .collect();
    let counts: Vec<Vec<Vec<u32>>> = (0..20)
        .map(|_| {
            let (n, m, c) = (
                rng.random_range(4..30),
                rng.random_range(2..8),
                rng.random_range(2..5),
            );
            (0..n)
                .map(|_| {
                    let mut row = vec![0; c];
                    (0..m).for_each(|_| row[rng.random_range(0..c)] += 1);
                    row
                })
                .collect()
        })
        .collect();
    let script = r#"
import json, sys
import numpy as np
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa
given = json.load(open(sys.argv[1]))
cohen = []
for t in given["tables"]:
    for w in [None, "linear", "quadratic"]:
        r = cohens_kappa(np.array(t), wt=w)
        cohen.append([r.kappa, r.std_kappa, r.std_kappa0, r.kappa_low, r.kappa_upp])
print(json.dumps({"cohen": cohen, "fleiss": [fleiss_kappa(np.array(t)) for t in given["counts"]]}))
"#;
    let given = json!({ "tables": tables, "counts": counts });
    let Some(answers) = python(script, &given) else {
        return;
    };
    let mut expected = answers["cohen"].as_array().unwrap().iter();
    for table in &tables {
        let table: Vec<Vec<f64>> = table
            .iter()
            .map(|r| r.iter().map(|v| f64::from(*v)).collect())
            .collect();
        for weights in [Weights::Plain, Weights::Linear, Weights::Quadratic] {
            let (k, expected) = (kappa(&table, weights, 0.95).unwrap(), expected.next().unwrap());
            let found = [
                k.kappa.value,
                k.se,
                k.se_null,
                k.kappa.low.unwrap(),
                k.kappa.high.unwrap(),
            ];
            for (found, expected) in found.iter().zip(expected.as_array().unwrap()) {
                close(*found, expected, 1e-9, weights.word());
            }
        }
    }
    assert!(expected.next().is_none());
    for (counts, expected) in counts.iter().zip(answers["fleiss"].as_array().unwrap()) {
        close(
            fleiss_kappa(counts, 0.95).unwrap().kappa.value,
            expected,
            1e-9,
            "fleiss",
        );
    }
}
