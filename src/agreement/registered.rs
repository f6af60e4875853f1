//! Settings registered before a study began: their hash, and what departs from them.
//!
//! In study.toml: `[registered] date = "2026-09-01"`, `settings_sha256 = "…"`, and, so that departures can be named,
//! `[registered.settings]` with every key and its value as text.

use crate::error::Problem;
use crate::settings::{SETTINGS, Settings};
use crate::write::sha256_hex;
use std::collections::BTreeMap;

/// What study.toml keeps of the registration.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Registered {
    pub date: String,
    pub settings_sha256: String,
    /// Dotted key to value as text; empty when only the hash was kept.
    pub settings: BTreeMap<String, String>,
}

/// A setting that is not what was registered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Departure {
    pub key: String,
    /// `None` for a setting that was not registered.
    pub registered: Option<String>,
    /// `None` for a setting that no longer exists.
    pub used: Option<String>,
}

/// What a report says of the registration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// The settings are those registered.
    AsRegistered,
    /// Each departure, by key.
    Departures(Vec<Departure>),
    /// They differ, but only the hash was kept; these keys differ from the defaults, which may say something.
    Unknown { not_default: Vec<String> },
}

/// One line `key = value` for every setting, in the order of [`SETTINGS`].
pub fn settings_text(settings: &Settings) -> String {
    let line = |key: &str| settings.value_of(key).map(|v| format!("{key} = {v}\n"));
    SETTINGS.iter().filter_map(|s| line(s.key)).collect()
}

/// SHA-256 of [`settings_text`], in lower-case hexadecimal: anybody can check it with `sha256sum`.
pub fn settings_hash(settings: &Settings) -> String {
    sha256_hex(settings_text(settings).as_bytes())
}

/// The block for study.toml that registers these settings; `date` as the day is written (2026-09-01).
pub fn block(settings: &Settings, date: &str) -> String {
    let text = |value: &str| toml::Value::String(value.to_owned()).to_string();
    let lines: String = SETTINGS
        .iter()
        .filter_map(|s| {
            settings
                .value_of(s.key)
                .map(|v| format!("\"{}\" = {}\n", s.key, text(&v)))
        })
        .collect();
    format!(
        "[registered]\ndate = {}\nsettings_sha256 = \"{}\"\n\n[registered.settings]\n{lines}",
        text(date),
        settings_hash(settings)
    )
}

impl Registered {
    /// Reads the `[registered]` block of a study.toml; `None` without one. `file` is the name that problems carry.
    pub fn parse(file: &str, text: &str) -> (Option<Registered>, Vec<Problem>) {
        let Ok(table) = text.parse::<toml::Table>() else {
            // study.toml's own reader names the fault.
            return (None, Vec::new());
        };
        let Some(block) = table.get("registered") else {
            return (None, Vec::new());
        };
        let mut problems = Vec::new();
        let mut word = |key: &str, expected: &str| {
            let value = block.get(key).and_then(|v| match v {
                toml::Value::String(s) => Some(s.clone()),
                toml::Value::Datetime(d) => Some(d.to_string()),
                _ => None,
            });
            if value.is_none() {
                let problem = Problem::error(file, "no such text", expected, "write it as registered");
                problems.push(problem.in_column(format!("registered.{key}")));
            }
            value.unwrap_or_default()
        };
        let date = word("date", "the day of registration");
        let settings_sha256 = word(
            "settings_sha256",
            "the hash of the settings, 64 hexadecimal digits",
        );
        let kept = block.get("settings").and_then(toml::Value::as_table);
        let settings = kept
            .into_iter()
            .flatten()
            .filter_map(|(k, v)| v.as_str().map(|v| (k.clone(), v.to_owned())))
            .collect();
        let found = Registered {
            date,
            settings_sha256: settings_sha256.to_ascii_lowercase(),
            settings,
        };
        if problems.is_empty() && !found.settings.is_empty() && found.hash_of_kept() != found.settings_sha256
        {
            problems.push(
                Problem::warning(
                    file,
                    "settings that do not give the registered hash",
                    "the block as it was registered",
                    "put back the block that was registered: it was changed since, or another version of the program \
                     with other settings made it",
                )
                .in_column("registered.settings"),
            );
        }
        (
            problems
                .iter()
                .all(|p| p.severity == crate::error::Severity::Warning)
                .then_some(found),
            problems,
        )
    }

    fn hash_of_kept(&self) -> String {
        let line = |key: &str| self.settings.get(key).map(|v| format!("{key} = {v}\n"));
        let text: String = SETTINGS.iter().filter_map(|s| line(s.key)).collect();
        sha256_hex(text.as_bytes())
    }

    /// How the settings in use stand to those registered.
    pub fn standing(&self, settings: &Settings) -> Standing {
        if settings_hash(settings) == self.settings_sha256 {
            return Standing::AsRegistered;
        }
        if self.settings.is_empty() {
            let keys = settings.departures().into_iter().map(str::to_owned);
            return Standing::Unknown {
                not_default: keys.collect(),
            };
        }
        let known = SETTINGS.iter().map(|s| s.key.to_owned());
        let gone = self
            .settings
            .keys()
            .filter(|k| settings.value_of(k).is_none())
            .cloned();
        let departures = known.chain(gone).map(|key| Departure {
            registered: self.settings.get(&key).cloned(),
            used: settings.value_of(&key),
            key,
        });
        Standing::Departures(departures.filter(|d| d.registered != d.used).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_registered_reads_back_as_registered_and_each_change_is_a_departure() {
        let mut settings = Settings::default();
        settings.compare.threshold_percent = 12.5;
        let text = format!("title = \"A study\"\n\n{}", block(&settings, "2026-09-01"));
        let (found, problems) = Registered::parse("study.toml", &text);
        assert!(problems.is_empty(), "{problems:?}");
        let found = found.unwrap();
        assert_eq!(found.date, "2026-09-01");
        assert_eq!(found.standing(&settings), Standing::AsRegistered);
        settings.filter.low_pass_hz = 15.0;
        let departure = Departure {
            key: "filter.low_pass_hz".to_owned(),
            registered: Some("20.0".to_owned()),
            used: Some("15.0".to_owned()),
        };
        assert_eq!(found.standing(&settings), Standing::Departures(vec![departure]));
    }

    #[test]
    fn a_hash_alone_tells_that_settings_differ_but_not_which() {
        let hash = settings_hash(&Settings::default());
        let text = format!("[registered]\ndate = 2026-09-01\nsettings_sha256 = \"{hash}\"\n");
        let found = Registered::parse("study.toml", &text).0.unwrap();
        let mut settings = Settings::default();
        assert_eq!(found.standing(&settings), Standing::AsRegistered);
        settings.filter.low_pass_hz = 15.0;
        let not_default = vec!["filter.low_pass_hz".to_owned()];
        assert_eq!(found.standing(&settings), Standing::Unknown { not_default });
    }

    #[test]
    fn a_block_that_was_changed_or_is_incomplete_is_told() {
        let text = block(&Settings::default(), "2026-09-01").replace("\"20.0\"", "\"30.0\"");
        let (found, problems) = Registered::parse("study.toml", &text);
        assert!(found.is_some() && problems[0].found.contains("do not give the registered hash"));
        let (found, problems) = Registered::parse("study.toml", "[registered]\ndate = \"2026-09-01\"\n");
        assert!(found.is_none());
        assert_eq!(problems[0].column.as_deref(), Some("registered.settings_sha256"));
        assert_eq!(Registered::parse("study.toml", "title = \"x\"\n"), (None, vec![]));
    }
}
