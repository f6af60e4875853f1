//! Learning curves against scipy.optimize.curve_fit, stored and live, and what chance does to them.

use crate::live_scipy::python;
use rayon::prelude::*;
use serde_json::{Value, json};
use tautpoint::simulate::Rng;
use tautpoint::technique::learning::{Law, LearningCurve, NoCurve, fit, learning_curve};

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array()
        .unwrap()
        .iter()
        .map(|x| x.as_f64().unwrap())
        .collect()
}

fn near(ours: f64, theirs: f64, relative: f64, what: &str) {
    let scale = theirs.abs().max(1e-6);
    assert!(
        (ours - theirs).abs() <= relative * scale,
        "{what}: {ours}, scipy {theirs}"
    );
}

fn same(curve: &LearningCurve, theirs: &Value) {
    let abc = numbers(&theirs["abc"]);
    for ((ours, theirs), name) in [curve.a, curve.b, curve.c]
        .into_iter()
        .zip(abc)
        .zip(["a", "b", "c"])
    {
        near(ours, theirs, 1e-4, name);
    }
    let ours: Vec<f64> = curve.u95.iter().flatten().copied().collect();
    let u95 = numbers(&theirs["u95"]);
    assert_eq!(ours.len(), u95.len());
    for (ours, theirs) in ours.into_iter().zip(u95) {
        // scipy takes its derivatives by differences.
        near(ours, theirs, 2e-3, "half-width");
    }
    near(curve.rss, theirs["rss"].as_f64().unwrap(), 1e-6, "sum of squares");
    let at = theirs["at"].as_f64().unwrap();
    near(
        curve.u95_at(at).unwrap(),
        theirs["at_u95"].as_f64().unwrap(),
        2e-3,
        "interval of the curve",
    );
}

#[test]
fn curves_agree_with_stored_fits_of_scipy() {
    // tests/reference/technique/learning.json: scipy 1.17.1, made by the script beside it.
    let stored: Value = serde_json::from_str(include_str!("../reference/technique/learning.json")).unwrap();
    let cases = stored["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 9);
    for case in cases {
        let points: Vec<(f64, f64)> = numbers(&case["n"]).into_iter().zip(numbers(&case["y"])).collect();
        let law = match case["law"].as_str().unwrap() {
            "power" => Law::Power,
            _ => Law::Exponential,
        };
        let curve = fit(&points, law).unwrap();
        assert_eq!(
            curve.held_at_zero,
            case["held_at_zero"].as_bool().unwrap(),
            "{case}"
        );
        same(&curve, case);
    }
}

/// Errors of one learner: a law with noise.
fn learner(law: Law, [a, b, c]: [f64; 3], sessions: u32, sd: f64, rng: &mut Rng) -> Vec<(f64, f64)> {
    (1..=sessions)
        .map(|n| {
            let n = f64::from(n);
            let height = match law {
                Law::Power => a + b * n.powf(-c),
                Law::Exponential => a + b * (-c * n).exp(),
            };
            (n, height + sd * rng.normal())
        })
        .collect()
}

#[test]
fn curves_agree_with_a_live_curve_fit() {
    let mut rng = Rng::new(5);
    let mut cases = Vec::new();
    for (law, word) in [(Law::Power, "power"), (Law::Exponential, "exponential")] {
        for _ in 0..4 {
            let truth = [
                rng.between(2.0, 5.0),
                rng.between(10.0, 25.0),
                rng.between(0.5, 1.3),
            ];
            let points = learner(law, truth, 12, 0.15, &mut rng);
            let curve = fit(&points, law).unwrap();
            if !curve.held_at_zero {
                cases.push((word, points, curve));
            }
        }
    }
    assert!(cases.len() >= 6);
    let script = r#"
from scipy.optimize import curve_fit
from scipy.stats import t
laws = {"power": lambda n, a, b, c: a + b * n ** -c, "exponential": lambda n, a, b, c: a + b * np.exp(-c * n)}
out = []
for law, points in d:
    n, y = np.array(points).T
    f = laws[law]
    p, cov = curve_fit(f, n, y, p0=[y.min(), np.ptp(y), 0.7], maxfev=20000, ftol=1e-15, xtol=1e-15, gtol=1e-15)
    a, b, c = p
    at = 13.0
    basis = f(at, 0, 1, c)
    slope = -np.log(at) * basis if law == "power" else -at * basis
    g = np.array([1, basis, b * slope])
    q = t.ppf(0.975, n.size - 3)
    out.append({"abc": p.tolist(), "u95": (q * np.sqrt(np.diag(cov))).tolist(), "rss": float(np.sum((f(n, *p) - y) ** 2)),
                "at": at, "at_u95": float(q * np.sqrt(g @ cov @ g))})
print(json.dumps(out))
"#;
    let data: Vec<Value> = cases
        .iter()
        .map(|(word, points, _)| json!([word, points]))
        .collect();
    let Some(theirs) = python(script, &json!(data)) else {
        return;
    };
    for ((_, _, curve), theirs) in cases.iter().zip(theirs.as_array().unwrap()) {
        same(curve, theirs);
    }
}

#[test]
fn intervals_of_the_curve_hold_the_true_error_about_as_often_as_they_say() {
    let held: Vec<bool> = (0..600)
        .into_par_iter()
        .filter_map(|seed| {
            let truth = [4.0, 18.0, 0.9];
            let points = learner(Law::Power, truth, 10, 0.6, &mut Rng::new(seed));
            let curve = fit(&points, Law::Power).ok()?;
            let made = truth[0] + truth[1] * 5.0_f64.powf(-truth[2]);
            Some((curve.at(5.0) - made).abs() <= curve.u95_at(5.0).unwrap())
        })
        .collect();
    // 95 % by design; the linear propagation and a held at 0 cost a little.
    let share = held.iter().filter(|h| **h).count() as f64 / held.len() as f64;
    assert!(
        held.len() > 570 && (0.91..=0.98).contains(&share),
        "{share} of {}",
        held.len()
    );
}

#[test]
fn errors_that_only_vary_seldom_make_a_curve() {
    let curves = (0..600)
        .into_par_iter()
        .filter(|seed| {
            let mut rng = Rng::new(*seed);
            let points: Vec<(f64, f64)> = (1..=8).map(|n| (f64::from(n), 8.0 + rng.normal())).collect();
            learning_curve(&points).is_ok()
        })
        .count();
    // 5 % by the F test; choosing the rate, and the better of two laws, adds to it. Rising ones are refused, which
    // takes from it.
    assert!(curves <= 600 * 10 / 100, "{curves} of 600");
}

#[test]
fn a_learner_with_few_sessions_has_points_and_no_curve() {
    let mut rng = Rng::new(1);
    for sessions in 0..5 {
        let points = learner(Law::Power, [4.0, 18.0, 0.9], sessions, 0.3, &mut rng);
        let said = learning_curve(&points).unwrap_err();
        assert_eq!(
            said,
            NoCurve::TooFew {
                found: sessions as usize
            }
        );
        assert!(said.to_string().contains("a curve needs 5"), "{said}");
    }
    let said = learning_curve(&[(1.0, 4.0)]).unwrap_err().to_string();
    assert!(said.contains("1 session,"), "{said}");
}
