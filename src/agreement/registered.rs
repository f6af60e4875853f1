//! Settings registered before a study began: their hash, and what departs from them.
//!
//! In study.toml: `[registered] date = "2026-09-01"`, `settings_sha256 = "…"`, and, so that departures can be named,
//! `[registered.settings]` with every key and its value as text.

use crate::error::{Problem, Severity};
use crate::settings::{Settings, every_setting};
use crate::study::opened::is_sha256;
use crate::study::words::shown;
use crate::terms::Day;
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
pub enum RegistrationStatus {
    /// The settings are those registered.
    AsRegistered,
    /// Each departure, by key.
    Departures(Vec<Departure>),
    /// They differ, but only the hash was kept; these keys differ from the defaults, which may say something.
    Unknown { not_default: Vec<String> },
}

/// A registration held against the settings of one analysis.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Registration {
    pub date: String,
    pub standing: RegistrationStatus,
}

impl Registration {
    /// What a report says, one sentence or departure an entry; the first names the date.
    pub fn words(&self) -> Vec<String> {
        let date = &self.date;
        let value = |v: &Option<String>| v.clone().unwrap_or_else(|| "nothing".to_owned());
        match &self.standing {
            RegistrationStatus::AsRegistered => vec![format!("Settings: as registered ({date}).")],
            RegistrationStatus::Departures(list) if list.is_empty() => vec![format!(
                "The registration ({date}) cannot be confirmed: the settings are those listed in study.toml, but the \
                 registered hash belongs to others."
            )],
            RegistrationStatus::Departures(list) => {
                let head = format!("Settings depart from those registered ({date}):");
                let one = |d: &Departure| {
                    format!(
                        "{}: registered {}, now {}",
                        d.key,
                        value(&d.registered),
                        value(&d.used)
                    )
                };
                std::iter::once(head).chain(list.iter().map(one)).collect()
            }
            RegistrationStatus::Unknown { not_default } => {
                let which = match not_default.as_slice() {
                    [] => "all settings are the defaults now".to_owned(),
                    keys => format!("these are not the defaults now: {}", keys.join(", ")),
                };
                vec![format!(
                    "Settings depart from those registered ({date}); only their hash was kept, so which is unknown; {which}."
                )]
            }
        }
    }

    /// The standing in one or two words, for programs.
    pub fn word(&self) -> &'static str {
        match &self.standing {
            RegistrationStatus::AsRegistered => "as registered",
            RegistrationStatus::Departures(list) if list.is_empty() => "unconfirmed",
            RegistrationStatus::Departures(_) | RegistrationStatus::Unknown { .. } => "departures",
        }
    }
}

/// One line `key = value` for every setting, in the order of the report.
pub fn settings_text(settings: &Settings) -> String {
    let line = |key: &str| settings.value_of(key).map(|v| format!("{key} = {v}\n"));
    every_setting().filter_map(|s| line(s.key)).collect()
}

/// SHA-256 of [`settings_text`], in lower-case hexadecimal: anybody can check it with `sha256sum`.
pub fn settings_hash(settings: &Settings) -> String {
    sha256_hex(settings_text(settings).as_bytes())
}

/// The block for study.toml that registers these settings; `date` as the day is written (2026-09-01).
pub fn block(settings: &Settings, date: &str) -> String {
    let text = |value: &str| toml::Value::String(value.to_owned()).to_string();
    let lines: String = every_setting()
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
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let Ok(table) = text.parse::<toml::Table>() else {
            // study.toml's own reader names the fault.
            return (None, Vec::new());
        };
        let Some(block) = table.get("registered") else {
            return (None, Vec::new());
        };
        let mut problems = Vec::new();
        let mut word = |key: &str, expected: &str, sound: fn(&str) -> bool| {
            let value = block.get(key).and_then(|v| match v {
                toml::Value::String(s) => Some(s.clone()),
                toml::Value::Datetime(d) => Some(d.to_string()),
                _ => None,
            });
            if !value.as_deref().is_some_and(sound) {
                let found = value.as_deref().map_or_else(|| "no such text".to_owned(), shown);
                let problem = Problem::error(file, found, expected, "write it as registered");
                problems.push(problem.in_column(format!("registered.{key}")));
            }
            value.unwrap_or_default()
        };
        let date = word("date", "the day of registration, such as 2026-09-01", Day::is_day);
        let settings_sha256 = word(
            "settings_sha256",
            "the hash of the settings, 64 hexadecimal digits",
            is_sha256,
        );
        let kept = block.get("settings").and_then(toml::Value::as_table);
        for (key, _) in kept.into_iter().flatten().filter(|(_, v)| !v.is_str()) {
            let found = format!("{} that is no text", shown(key));
            let expected = "\"section.key\" = \"value\", both in double quotes";
            let problem = Problem::warning(file, found, expected, "put back the block that was registered");
            problems.push(problem.in_column("registered.settings"));
        }
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
        let usable = problems.iter().all(|p| p.severity == Severity::Warning);
        if usable && !found.settings.is_empty() && found.hash_of_kept() != found.settings_sha256 {
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
        (usable.then_some(found), problems)
    }

    fn hash_of_kept(&self) -> String {
        let line = |key: &str| self.settings.get(key).map(|v| format!("{key} = {v}\n"));
        let text: String = every_setting().filter_map(|s| line(s.key)).collect();
        sha256_hex(text.as_bytes())
    }

    /// The standing of these settings, with the day of registration.
    pub fn against(&self, settings: &Settings) -> Registration {
        Registration {
            date: self.date.clone(),
            standing: self.standing(settings),
        }
    }

    /// How the settings in use stand to those registered.
    pub fn standing(&self, settings: &Settings) -> RegistrationStatus {
        if settings_hash(settings) == self.settings_sha256 {
            return RegistrationStatus::AsRegistered;
        }
        if self.settings.is_empty() {
            let keys = settings.departures().into_iter().map(str::to_owned);
            return RegistrationStatus::Unknown {
                not_default: keys.collect(),
            };
        }
        let known = every_setting().map(|s| s.key.to_owned());
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
        RegistrationStatus::Departures(departures.filter(|d| d.registered != d.used).collect())
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
        assert_eq!(found.standing(&settings), RegistrationStatus::AsRegistered);
        settings.filter.low_pass_hz = 15.0;
        let departure = Departure {
            key: "filter.low_pass_hz".to_owned(),
            registered: Some("20.0".to_owned()),
            used: Some("15.0".to_owned()),
        };
        assert_eq!(
            found.standing(&settings),
            RegistrationStatus::Departures(vec![departure])
        );
    }

    #[test]
    fn a_hash_alone_tells_that_settings_differ_but_not_which() {
        let hash = settings_hash(&Settings::default());
        let text = format!("[registered]\ndate = 2026-09-01\nsettings_sha256 = \"{hash}\"\n");
        let found = Registered::parse("study.toml", &text).0.unwrap();
        let mut settings = Settings::default();
        assert_eq!(found.standing(&settings), RegistrationStatus::AsRegistered);
        settings.filter.low_pass_hz = 15.0;
        let not_default = vec!["filter.low_pass_hz".to_owned()];
        assert_eq!(
            found.standing(&settings),
            RegistrationStatus::Unknown { not_default }
        );
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

    #[test]
    fn a_date_or_a_hash_that_is_none_registers_nothing() {
        let hash = settings_hash(&Settings::default());
        for (date, hash, column) in [
            ("soon", hash.as_str(), "registered.date"),
            ("2026-02-30", hash.as_str(), "registered.date"),
            ("2026-09-01", "abc", "registered.settings_sha256"),
        ] {
            let text = format!("[registered]\ndate = \"{date}\"\nsettings_sha256 = \"{hash}\"\n");
            let (found, problems) = Registered::parse("study.toml", &text);
            assert_eq!(found, None);
            assert_eq!(problems[0].column.as_deref(), Some(column));
        }
    }

    #[test]
    fn settings_listed_beside_the_hash_of_others_are_never_called_as_registered() {
        let mut other = Settings::default();
        other.filter.low_pass_hz = 15.0;
        let text = block(&Settings::default(), "2026-09-01")
            .replace(&settings_hash(&Settings::default()), &settings_hash(&other));
        let found = Registered::parse("study.toml", &text).0.unwrap();
        let registration = found.against(&Settings::default());
        assert_eq!(registration.word(), "unconfirmed");
        assert!(registration.words()[0].contains("cannot be confirmed"));
    }

    #[test]
    fn a_listed_setting_that_is_no_text_is_told() {
        let hash = settings_hash(&Settings::default());
        let text = format!(
            "[registered]\ndate = 2026-09-01\nsettings_sha256 = \"{hash}\"\n[registered.settings]\nfilter.low_pass_hz = 20.0\n"
        );
        let (found, problems) = Registered::parse("study.toml", &text);
        assert!(found.is_some());
        assert_eq!(problems[0].column.as_deref(), Some("registered.settings"));
    }
}
