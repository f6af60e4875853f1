//! `run.json`: what a run was made with, so that it can be made again.

use super::{InputRecord, Results};
use crate::agreement::registered::{Departure, RegistrationStatus};
use crate::error::Problem;
use crate::settings::Settings;
use serde_json::{Map, Value, json};
use std::path::Path;

/// One setting as a run used it.
#[derive(Debug, Clone, PartialEq)]
pub struct SettingUsed {
    pub key: &'static str,
    pub value: Value,
    pub default_value: Value,
    pub unit: &'static str,
    /// Where it was set (`study.toml`, `--low-pass`); `None` when nobody did.
    pub set_in: Option<String>,
    pub reason: &'static str,
    /// Where the default comes from.
    pub source: &'static str,
}

impl SettingUsed {
    /// Whether the value is the default, set or not.
    pub fn is_default(&self) -> bool {
        self.value == self.default_value
    }
}

/// Every setting that has a value, in the order of the report.
pub fn settings_used(settings: &Settings) -> Vec<SettingUsed> {
    let now = serde_json::to_value(settings).unwrap_or_default();
    let default = serde_json::to_value(Settings::default()).unwrap_or_default();
    let at = |root: &Value, key: &str| {
        root.pointer(&format!("/{}", key.replace('.', "/")))
            .cloned()
            .unwrap_or_default()
    };
    settings
        .documented()
        .map(|s| SettingUsed {
            key: s.key,
            value: at(&now, s.key),
            default_value: at(&default, s.key),
            unit: s.unit,
            set_in: settings.set_in(s.key).map(str::to_owned),
            reason: s.reason,
            source: s.source,
        })
        .collect()
}

/// Every setting with its value, unit, default, where it was set, reason and source.
pub fn settings_record(settings: &Settings) -> Value {
    let one = |s: SettingUsed| {
        json!({
            "key": s.key,
            "value": s.value,
            "unit": s.unit,
            "is_default": s.is_default(),
            "default": s.default_value,
            "set_in": s.set_in.as_deref().unwrap_or("default"),
            "reason": s.reason,
            "source": s.source,
        })
    };
    settings_used(settings).into_iter().map(one).collect()
}

/// The content of `run.json`, but for the program with its build and the list of files, which the output folder adds.
///
/// It holds nothing that differs between two runs on the same input: no time, no absolute path, no name of a machine
/// or a user.
pub fn record(results: &Results) -> Map<String, Value> {
    let mut record = Map::new();
    let mut put = |key: &str, value: Value| record.insert(key.to_owned(), value);
    put("title", json!(results.title));
    put("site", json!(results.site));
    put("ethics_ref", json!(results.ethics_ref));
    put("blinded", results.blinded.into());
    put("opened", json!(results.opened));
    put("registered", registered(results));
    put("counts", json!(results.counts()));
    put("corrections", results.corrections.record());
    put("settings", settings_record(&results.settings));
    put("inputs", inputs(&results.inputs));
    put("warnings", results.problems.iter().map(warning).collect());
    record
}

/// `date`, `standing` (`as registered`, `departures` or `unconfirmed`), each departure by key with both values, and, where
/// only the hash was kept, the keys that are not the defaults; null when the study registered nothing.
pub fn registered(results: &Results) -> Value {
    let Some(registration) = &results.registration else {
        return Value::Null;
    };
    let (departures, not_default) = match &registration.standing {
        RegistrationStatus::AsRegistered => (&[][..], &[][..]),
        RegistrationStatus::Departures(list) => (list.as_slice(), &[][..]),
        RegistrationStatus::Unknown { not_default } => (&[][..], not_default.as_slice()),
    };
    let one = |d: &Departure| json!({ "key": d.key, "registered": d.registered, "now": d.used });
    json!({
        "date": registration.date,
        "standing": registration.word(),
        "departures": departures.iter().map(one).collect::<Value>(),
        "not_default": not_default,
        "words": registration.words().join(" "),
    })
}

/// Each file that was read, by name: what it is, its hash and its size.
pub fn inputs(inputs: &[InputRecord]) -> Value {
    let one = |i: &InputRecord| {
        json!({
            "kind": i.kind.word(),
            "file": relative(&i.file),
            "sha256": i.sha256,
            "bytes": i.bytes,
        })
    };
    inputs.iter().map(one).collect()
}

fn warning(problem: &Problem) -> Value {
    json!({
        "severity": problem.severity,
        "file": relative(&problem.file),
        "line": problem.line,
        "column": problem.column,
        "found": problem.found,
        "expected": problem.expected,
        "advice": problem.advice,
    })
}

/// Inputs are named relative to what was given; should one be absolute after all, its last part is enough.
fn relative(file: &str) -> &str {
    let path = Path::new(file);
    if path.is_absolute() {
        path.file_name().and_then(|n| n.to_str()).unwrap_or("")
    } else {
        file
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::SETTINGS;

    #[test]
    fn every_setting_has_its_value_and_where_it_was_set() {
        let mut settings = Settings::default();
        settings.compare.threshold_percent = 12.0;
        settings.set_in = vec![
            ("compare.threshold_percent".to_owned(), "study.toml".to_owned()),
            ("filter.low_pass_hz".to_owned(), "--low-pass".to_owned()),
        ];
        let used = settings_used(&settings);
        assert_eq!(used.len(), SETTINGS.len());
        assert!(used.iter().all(|s| !s.value.is_null()));
        let find = |key: &str| used.iter().find(|s| s.key == key).unwrap();
        let threshold = find("compare.threshold_percent");
        assert_eq!(threshold.value, json!(12.0));
        assert_eq!(threshold.default_value, json!(15.0));
        assert!(!threshold.is_default());
        assert_eq!(threshold.set_in.as_deref(), Some("study.toml"));
        // Set by hand to what it would have been anyway.
        let low_pass = find("filter.low_pass_hz");
        assert!(low_pass.is_default());
        assert_eq!(low_pass.set_in.as_deref(), Some("--low-pass"));
    }

    #[test]
    fn an_absolute_path_is_cut_to_its_last_part() {
        assert_eq!(relative("recordings/a.csv"), "recordings/a.csv");
        #[cfg(unix)]
        assert_eq!(relative("/home/somebody/a.csv"), "a.csv");
    }
}
