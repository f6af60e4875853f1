//! Agreement as one JSON object.

use super::numbers::numbers;
use crate::agreement::calls::{AgainstMeasured, CALLED, CallAgreement, MEASURED, PairKappa, SCALE};
use crate::agreement::{Agreement, AgreementBasis, Design, MeasureAgreement, Summary, WANTED_PERCENT};
use crate::agreement::correctors::CorrectorPair;
use crate::error::Problem;
use crate::stats::agreement::Interval;
use crate::stats::agreement::bland_altman::LimitsOfAgreement;
use crate::stats::agreement::clustered::{PartState, VarianceComponent};
use crate::stats::agreement::fleiss_kappa::FleissKappa;
use crate::stats::agreement::kappa::{Kappa, Weights};
use crate::write::build;
use serde_json::{Map, Value, json};

/// `measures`: by name of measure the numbers of the design that stands first (`design` says which), and each design
/// under its own name; for a file of ratings `ratings` too. Then `spread`, `calls`, `notes`, `problems`, `version`, `build`.
/// What could not be had is null, with `reason`.
pub fn object(agreement: &Agreement, all_problems: &[Problem]) -> Value {
    let mut root = Map::new();
    let ratings = agreement.measures.iter().find_map(|m| m.design(Design::Ratings));
    if let Some(ratings) = ratings {
        root.insert("ratings".to_owned(), Value::Object(summary(ratings)));
    }
    let measures = agreement.measures.iter().map(|m| (m.name.clone(), measure(m)));
    root.insert("measures".to_owned(), Value::Object(measures.collect()));
    root.insert("spread".to_owned(), spread(agreement));
    root.insert(
        "calls".to_owned(),
        agreement.calls.as_ref().map_or(Value::Null, calls),
    );
    if !agreement.correctors.is_empty() {
        root.insert("correctors".to_owned(), agreement.correctors.iter().map(corrector_pair).collect());
    }
    root.insert("notes".to_owned(), json!(agreement.notes));
    root.insert("problems".to_owned(), problems(all_problems));
    root.insert("version".to_owned(), env!("CARGO_PKG_VERSION").into());
    root.insert("build".to_owned(), build());
    Value::Object(root)
}

/// The object as text, indented, ending in a line feed.
pub fn object_text(agreement: &Agreement, all_problems: &[Problem]) -> String {
    format!("{:#}\n", object(agreement, all_problems))
}

pub(super) fn problems(all: &[Problem]) -> Value {
    serde_json::to_value(all).unwrap_or_default()
}

fn measure(m: &MeasureAgreement) -> Value {
    let mut all = m.main().map(summary).unwrap_or_default();
    all.insert("unit".to_owned(), json!(m.unit));
    for s in m.designs.iter().filter(|s| s.design != Design::Ratings) {
        all.insert(s.design.word().to_owned(), Value::Object(summary(s)));
    }
    Value::Object(all)
}

fn summary(s: &Summary) -> Map<String, Value> {
    let mut all = Map::new();
    let mut put = |key: &str, value: Value| all.insert(key.to_owned(), value);
    put("design", json!(s.design.word()));
    put("subjects", json!(s.subjects.len()));
    put("raters", json!(s.raters.len()));
    put("rater_names", json!(s.raters));
    put("ratings_given", json!(s.given));
    put("basis", json!(s.basis.map(AgreementBasis::word)));
    for number in numbers(s) {
        put(&number.name, json!(number.value));
    }
    put("bland_altman", s.pairs.iter().map(limits).collect());
    put("spearman_brown", trials(s));
    let wanted = WANTED_PERCENT.iter().zip(&s.trials_for);
    let wanted = wanted.map(|(percent, trials)| json!({ "mdc95_percent": percent, "trials": trials }));
    put("trials_for_mdc95", wanted.collect());
    put("components", s.components.iter().map(component).collect());
    put("notes", json!(s.notes));
    put("reason", json!(s.reason));
    all
}

fn component(c: &VarianceComponent) -> Value {
    let [variance, low, high] = ends(c.variance);
    let why = match c.state {
        PartState::NotTold(why) => Some(why.to_string()),
        _ => None,
    };
    json!({
        "term": c.part.word(), "levels": c.levels, "variance": variance, "variance_low": low, "variance_high": high,
        "share": c.share, "state": c.state.word(), "reason": why,
    })
}

fn corrector_pair(p: &CorrectorPair) -> Value {
    let limits = p.onset_limits.as_ref().map(limit_numbers);
    json!({
        "first": p.first, "second": p.second, "recordings": p.recordings, "tests": p.tests,
        "tests_first_only": p.tests_first_only, "tests_second_only": p.tests_second_only, "springs": p.springs,
        "springs_first_only": p.springs_first_only, "springs_second_only": p.springs_second_only,
        "peaks_apart_s": p.peaks_apart_s, "onsets": p.onsets, "onsets_one_only": p.onsets_one_only,
        "onset_bias_mm": p.onset_bias_mm, "onsets_apart_mm": p.onsets_apart_mm, "onset_limits_mm": limits,
    })
}

fn limits(pair: &crate::agreement::PairLimits) -> Value {
    let mut all = Map::new();
    all.insert("first".to_owned(), json!(pair.first));
    all.insert("second".to_owned(), json!(pair.second));
    all.append(&mut limit_numbers(&pair.limits));
    Value::Object(all)
}

fn limit_numbers(l: &LimitsOfAgreement) -> Map<String, Value> {
    let numbers = json!({
        "pairs": l.n,
        "bias": l.bias.value, "bias_low": l.bias.low, "bias_high": l.bias.high, "sd": l.sd,
        "lower": l.lower.value, "lower_low": l.lower.low, "lower_high": l.lower.high,
        "upper": l.upper.value, "upper_low": l.upper.low, "upper_high": l.upper.high,
    });
    match numbers {
        Value::Object(numbers) => numbers,
        _ => Map::new(),
    }
}

fn trials(s: &Summary) -> Value {
    let row = |t: &crate::agreement::TrialsRow| {
        json!({
            "trials": t.trials, "icc_1": t.icc_1, "icc_a1": t.icc_a, "icc_c1": t.icc_c,
            "mdc95": t.mdc95, "mdc95_percent": t.mdc95_percent,
        })
    };
    s.trials.iter().map(row).collect()
}

fn spread(agreement: &Agreement) -> Value {
    let Some(spread) = &agreement.spread else {
        return Value::Null;
    };
    let one = |s: &crate::agreement::spread::MeasureSpread| {
        json!({
            "sem": s.sem, "sem_log": s.sem_log, "degrees_of_freedom": s.degrees_of_freedom, "tests": s.tests,
        })
    };
    let all = spread.measures.iter();
    Value::Object(all.map(|(m, s)| (m.info().name.to_owned(), one(s))).collect())
}

fn ends(interval: Option<Interval>) -> [Option<f64>; 3] {
    [
        interval.map(|i| i.value),
        interval.and_then(|i| i.low),
        interval.and_then(|i| i.high),
    ]
}

fn calls(c: &CallAgreement) -> Value {
    let against = c.against.iter().map(against_measured);
    json!({
        "calls": c.calls,
        "examiners": c.examiners,
        "pairs": c.pairs.iter().map(pair).collect::<Value>(),
        "fleiss": c.fleiss.as_ref().map(fleiss),
        "fleiss_reason": c.fleiss_reason,
        "measure": c.measure.map(|m| m.info().name),
        "against_measured": against.collect::<Value>(),
        "notes": c.notes.iter().map(ToString::to_string).collect::<Vec<_>>(),
    })
}

fn pair(p: &PairKappa) -> Value {
    let kappas = p.kappas.as_ref().ok();
    let of = |i: usize| kappas.map(|k| kappa(&k[i]));
    json!({
        "first": p.first, "second": p.second,
        "subjects": p.subjects, "words": SCALE, "table": p.table, "unsure_left_out": p.unsure,
        Weights::Plain.word(): of(0), Weights::Linear.word(): of(1), Weights::Quadratic.word(): of(2),
        "reason": p.kappas.as_ref().err(),
    })
}

fn kappa(k: &Kappa) -> Value {
    let [value, low, high] = ends(Some(k.kappa));
    json!({
        "kappa": value, "low": low, "high": high, "se": k.se, "se_null": k.se_null, "z": k.z,
        "observed": k.observed, "expected": k.expected, "n": k.n,
    })
}

fn fleiss(k: &FleissKappa) -> Value {
    let [value, low, high] = ends(Some(k.kappa));
    json!({
        "kappa": value, "low": low, "high": high, "se": k.se, "se_null": k.se_null, "z": k.z,
        "observed": k.observed, "expected": k.expected, "subjects": k.subjects, "raters": k.raters,
    })
}

fn against_measured(a: &AgainstMeasured) -> Value {
    let by_size = a.by_size.iter().map(|s| {
        let [share, low, high] = ends(s.share);
        json!({
            "from_percent": s.from_percent, "to_percent": s.to_percent, "n": s.n, "detected": s.detected,
            "share": share, "low": low, "high": high,
        })
    });
    let curve = a.curve.as_ref().ok();
    let [value, low, high] = ends(curve.map(|c| c.just_detected));
    json!({
        "examiner": a.examiner,
        "called": CALLED, "measured": MEASURED, "confusion": a.confusion,
        "sensitivity": by_size.collect::<Value>(),
        "just_detected_percent": value, "just_detected_percent_low": low, "just_detected_percent_high": high,
        "slope_per_percent": curve.and_then(|c| c.slope),
        "lapse_rate": curve.map(|c| c.lapse),
        "n": a.detected.len(), "subjects": a.subjects,
        "reason": a.curve.as_ref().err(),
    })
}
