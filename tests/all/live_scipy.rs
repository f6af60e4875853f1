//! The chain against numpy and scipy, run live through python3 on the same samples.
//!
//! Where they are not installed each check says so and is skipped, or fails when TAUTPOINT_FULL_TESTS=1.

use crate::proof::trial::measured;
use serde_json::{Value, json};
use std::io::Write;
use std::process::{Command, Stdio};
use tautpoint::columns::Measure;
use tautpoint::settings::Settings;
use tautpoint::signal::condition::{Conditioned, condition};
use tautpoint::signal::noise::white_noise_sd;
use tautpoint::simulate::{Condition, Rng};
use tautpoint::trace::{Knee, Test};

/// Runs a script that reads JSON from standard input as `d` and prints JSON.
pub fn python(script: &str, data: &Value) -> Option<Value> {
    let program =
        format!("import json, sys\nimport numpy as np\nimport scipy\nd = json.load(sys.stdin)\n{script}");
    let run = || -> std::io::Result<std::process::Output> {
        let mut child = Command::new("python3")
            .args(["-c", &program])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()?;
        // A script that stops early closes the pipe; its own message says why.
        let _ = child.stdin.take().unwrap().write_all(data.to_string().as_bytes());
        child.wait_with_output()
    };
    let problem = match run() {
        Ok(out) if out.status.success() => return Some(serde_json::from_slice(&out.stdout).unwrap()),
        Ok(out) => String::from_utf8_lossy(&out.stderr).into_owned(),
        Err(e) => e.to_string(),
    };
    let missing = problem.lines().last().unwrap_or_default().to_owned();
    let absent = missing.contains("No module named") || !problem.contains("Traceback");
    assert!(absent, "the script failed: {problem}");
    assert!(
        std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
        "numpy and scipy did not run: {missing}"
    );
    println!("skipped the check against a live numpy and scipy: {missing}");
    None
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array()
        .unwrap()
        .iter()
        .map(|x| x.as_f64().unwrap())
        .collect()
}

/// One simulated recording, conditioned, with its one test.
fn tested(kind: Condition, seed: u64) -> (Conditioned, Test) {
    let made = kind.simulate(seed);
    let c = condition(&made.trace, &Settings::default()).unwrap();
    let mut m = measured(&made.trace);
    assert_eq!(m.len(), 1);
    (c, m.remove(0))
}

fn displacement(c: &Conditioned) -> &[f64] {
    &c.sides[0].displacement.as_ref().unwrap().y
}

fn row(c: &Conditioned, time_s: f64) -> usize {
    ((time_s - c.grid.start_s) / c.grid.step_s).round() as usize
}

#[test]
fn noise_from_third_differences_agrees_with_numpy() {
    let mut rng = Rng::new(77);
    let slow = |i: usize| 40.0 * (i as f64 / 700.0).sin();
    let series: Vec<Vec<f64>> = [0.3, 1.5, 0.02]
        .into_iter()
        .map(|sd| (0..8000).map(|i| slow(i) + sd * rng.normal()).collect())
        .collect();
    let script = r#"
from scipy.stats import truncnorm
kept = truncnorm.var(-3.5, 3.5)
out = []
for y in d:
    e = np.abs(np.diff(np.array(y), 3))
    e = e[e <= 3.5 * 1.4826 * np.median(e[:: max(1, len(e) // 2048)])]
    out.append(float(np.sqrt(np.mean(e ** 2) / kept / 20)))
print(json.dumps(out))
"#;
    let Some(theirs) = python(script, &json!(series)) else {
        return;
    };
    for ((y, sd), made) in series.iter().zip(numbers(&theirs)).zip([0.3, 1.5, 0.02]) {
        let ours = white_noise_sd(y, &[]);
        assert!((ours / sd - 1.0).abs() < 1e-4, "{ours}, numpy {sd}");
        assert!((ours / made - 1.0).abs() < 0.04, "{ours}, made {made}");
    }
}

#[test]
fn springs_are_the_peaks_that_find_peaks_finds() {
    let kinds = [
        Condition::Clean,
        Condition::Noisy,
        Condition::Breathing,
        Condition::Friction,
    ];
    let cases: Vec<(Condition, Conditioned, Test)> = kinds
        .into_iter()
        .zip(41..)
        .map(|(kind, seed)| {
            let (c, t) = tested(kind, seed);
            (kind, c, t)
        })
        .collect();
    let data: Vec<Value> = cases
        .iter()
        .map(|(_, c, t)| {
            let x = c.sides[0].displacement.as_ref().unwrap();
            json!({
                "x": x.y,
                "contact": [row(c, t.phases.contact_begin_s), row(c, t.phases.contact_end_s)],
                "least": (6.0 * c.noise.sample_sd(x.noise_sd)).max(0.5),
                "window": 2 * row(c, c.grid.start_s + 0.75) + 1,
            })
        })
        .collect();
    let script = r#"
from scipy.signal import find_peaks
out = []
for e in d:
    p, _ = find_peaks(np.array(e["x"]), prominence=e["least"], wlen=e["window"])
    out.append([int(i) for i in p if e["contact"][0] <= i <= e["contact"][1]])
print(json.dumps(out))
"#;
    let Some(theirs) = python(script, &json!(data)) else {
        return;
    };
    for ((kind, c, t), theirs) in cases.iter().zip(theirs.as_array().unwrap()) {
        let ours: Vec<f64> = t.springs.iter().map(|s| row(c, s.peak_s) as f64).collect();
        assert!(ours.len() >= 3, "{}", kind.word());
        assert_eq!(ours, numbers(theirs), "{}", kind.word());
    }
}

#[test]
fn work_loss_and_slope_agree_with_numpy() {
    let script = r#"
f, x = np.array(d["f"]), np.array(d["x"])
out = []
for s in d["springs"]:
    a, p, b, low, end, top = s["start"], s["peak"], s["end"], s["start_mm"], s["end_mm"], s["peak_mm"]
    cut = max(low, end) + 0.05 * (top - low)
    i = a + np.flatnonzero(x[a:p] < cut)[-1]
    j = p + np.flatnonzero(x[p:b + 2] < cut)[0]
    up = f[i] + (f[i + 1] - f[i]) * (cut - x[i]) / (x[i + 1] - x[i])
    down = f[j] + (f[j - 1] - f[j]) * (cut - x[j]) / (x[j - 1] - x[j])
    X = np.concatenate([[cut], x[i + 1:p + 1]])
    F = np.concatenate([[up], f[i + 1:p + 1]])
    work = np.trapezoid(F, X)
    back = np.trapezoid(np.concatenate([f[p:j], [down]]), np.concatenate([x[p:j], [cut]]))
    low20 = max(low + 0.2 * (top - low), s["onset_mm"])
    r = np.arange(a, p)
    r = r[(x[r] >= low20) & (x[r] <= low + 0.8 * (top - low))]
    out.append([float(work), float(work + back), float(np.polyfit(x[r], f[r], 1)[0])])
print(json.dumps(out))
"#;
    for kind in [Condition::Clean, Condition::Friction] {
        let (c, t) = tested(kind, 51);
        let springs: Vec<Value> = t
            .springs
            .iter()
            .map(|s| {
                json!({
                    "start": row(&c, s.start_s), "peak": row(&c, s.peak_s), "end": row(&c, s.end_s),
                    "start_mm": s.start_mm, "peak_mm": s.peak_mm, "end_mm": s.end_mm,
                    "onset_mm": t.value(Measure::Onset).unwrap_or(f64::MIN),
                })
            })
            .collect();
        // The force zero of the unloaded stretch before the touch.
        let touch = row(&c, t.phases.contact_begin_s);
        let mut off: Vec<f64> = c.sides[0].force.y[..touch - 80].to_vec();
        off.sort_by(f64::total_cmp);
        let zero = off[off.len() / 2];
        let f: Vec<f64> = c.sides[0].force.y.iter().map(|f| f - zero).collect();
        let data = json!({"f": f, "x": displacement(&c), "springs": springs});
        let Some(theirs) = python(script, &data) else {
            return;
        };
        for (s, theirs) in t.springs.iter().zip(theirs.as_array().unwrap()) {
            let ours = [s.loading_work_mj, s.loss_mj, s.end_feel_n_per_mm].map(Option::unwrap);
            for ((ours, theirs), relative) in ours.into_iter().zip(numbers(theirs)).zip([1e-3, 5e-3, 5e-3]) {
                assert!(
                    (ours / theirs - 1.0).abs() < relative,
                    "{}: {ours}, numpy {theirs}",
                    kind.word()
                );
            }
        }
    }
}

#[test]
fn the_fitted_onset_is_where_curve_fit_puts_it() {
    // The law of METHODS.md §4.2 without relaxation, by scipy.optimize.curve_fit from several starts on every eighth
    // conditioned sample; its soft knee is not passed through the low pass, which at these widths moves it by less
    // than the tolerance.
    let script = r#"
from scipy.optimize import curve_fit
def law(z, F0, k1, dk, xk, lw, c):
    x, v = z
    w = np.exp(lw)
    sp = lambda u: np.logaddexp(0, u)
    return F0 + k1 * x + dk * w * (sp((x - xk) / w) - sp(-xk / w)) + c * v
def fitted(e):
    f, x, v = (np.array(e[k]) for k in "fxv")
    best = None
    for share in (0.4, 0.7):
        start = [f[0], 1, 8, x.min() + share * np.ptp(x), np.log(0.3), 0.1]
        low, high = [-50, 0, 0, x.min(), np.log(1e-3), -5], [50, 50, 100, x.max(), np.log(3.), 5]
        try:
            p, _ = curve_fit(law, (x, v), f, p0=start, bounds=(low, high), max_nfev=2000)
        except RuntimeError:
            continue
        rss = float(np.sum((law((x, v), *p) - f) ** 2))
        if best is None or rss < best[0]:
            best = (rss, p)
    F0, k1, dk, xk, lw, c = map(float, best[1])
    return {"xk": xk, "k1": k1, "k2": k1 + dk, "c": c}
print(json.dumps([fitted(e) for e in d]))
"#;
    let cases: Vec<(Conditioned, Test)> = [Condition::Clean, Condition::SharpKnee, Condition::SoftKnee]
        .into_iter()
        .zip(62..)
        .map(|(kind, seed)| tested(kind, seed))
        .collect();
    let data: Vec<Value> = cases
        .iter()
        .map(|(c, t)| {
            let (x, f) = (displacement(c), &c.sides[0].force.y);
            let rows = row(c, t.phases.contact_begin_s)..row(c, t.phases.springs_end_s.unwrap());
            let picked = |y: &dyn Fn(usize) -> f64| rows.clone().step_by(8).map(y).collect::<Vec<f64>>();
            let speed = |i: usize| (x[i + 1] - x[i - 1]) / (2.0 * c.grid.step_s);
            json!({"f": picked(&|i| f[i]), "x": picked(&|i| x[i]), "v": picked(&speed)})
        })
        .collect();
    let Some(theirs) = python(script, &json!(data)) else {
        return;
    };
    for ((_, t), theirs) in cases.iter().zip(theirs.as_array().unwrap()) {
        assert_eq!(t.knee, Knee::Fitted);
        let fit = t.fit.as_ref().unwrap();
        let [xk, k1, k2, c] = ["xk", "k1", "k2", "c"].map(|name| theirs[name].as_f64().unwrap());
        assert!(
            (fit.onset_mm - xk).abs() < 2e-3,
            "onset {} and {xk} mm",
            fit.onset_mm
        );
        assert!(
            (fit.take_up_n_per_mm / k1 - 1.0).abs() < 5e-3,
            "{fit:?} and {theirs}"
        );
        assert!(
            (fit.end_feel_n_per_mm / k2 - 1.0).abs() < 1e-3,
            "{fit:?} and {theirs}"
        );
        assert!((fit.damping_n_s_per_mm - c).abs() < 2e-3, "{fit:?} and {theirs}");
    }
}
