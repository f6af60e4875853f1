//! Every tunable: its default, unit, reason and source. Printed into every report.
//!
//! A study's `study.toml` overrides any of them under the same key; [`SETTINGS`] documents each key once, for
//! the report, for the commented file that `prepare` writes, and for the test that none is left undocumented.

mod ceiling;
mod defaults;
mod documented;
mod optional;
mod regional;

pub use ceiling::{Ceiling, CeilingDoubt, CeilingOrigin, LEVEL_NOT_GIVEN};
pub use documented::{SETTINGS, SettingInfo};
pub use optional::{ChangeMargins, GroupSettings, OPTIONAL, PRIMARY};
pub use regional::{Bands, REGIONAL, RegionBands};

use crate::error::{Error, Result};
use crate::terms::{Level, Region};
use serde::{Deserialize, Serialize};

/// All settings of one analysis.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Settings {
    /// How sides are compared and decided.
    pub compare: Compare,
    /// Low pass and despiking.
    pub filter: Filter,
    /// How contacts and springs are found.
    pub detect: Detect,
    /// The most force allowed in each region.
    pub ceiling_n: CeilingN,
    /// Loads of the window stiffness.
    pub window_n: WindowN,
    /// Bands that the doing of a test is held against.
    pub technique: Technique,
    /// Corrections for the instrument's own delay, compliance and loop.
    pub instrument: InstrumentSettings,
    /// How a pressure mat is read.
    pub mat: Mat,
    /// How often feedback is given by the schedules that leave some of it out.
    pub feedback: FeedbackSettings,
    /// What a hand on a spine never does.
    pub plausible: Plausible,
    /// How large a change must be to matter, by measure.
    #[serde(skip_serializing_if = "ChangeMargins::is_empty")]
    pub change: ChangeMargins,
    /// What groups are compared in.
    #[serde(skip_serializing_if = "GroupSettings::is_empty")]
    pub groups: GroupSettings,
    /// Dotted key of each setting that somebody set, be it to the default, and where (`study.toml`, `--low-pass`). The
    /// last entry of a key counts.
    #[serde(skip)]
    pub set_in: Vec<(String, String)>,
}

/// Left against right, and how a difference is decided.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Compare {
    pub threshold_percent: f64,
    pub confidence: f64,
    pub false_discovery_rate: f64,
    pub max_trials: u32,
    pub single_trial_sem_percent: f64,
}

/// Conditioning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Filter {
    pub low_pass_hz: f64,
}

/// The phase detector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Detect {
    pub contact_floor_n: f64,
    pub contact_sigma: f64,
    pub contact_hold_s: f64,
    pub spring_prominence_mm: f64,
    pub spring_sigma: f64,
    pub spring_window_s: f64,
    pub force_prominence_share: f64,
}

/// Force allowed in a region, for the sum of all contacts at a level. The lab's own; these are stand-ins.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct CeilingN {
    pub neck: f64,
    pub thoracic: f64,
    pub lumbar: f64,
    pub sacral: f64,
}

/// The two loads between which the window stiffness is taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct WindowN {
    pub upper_neck: [f64; 2],
    pub lower_neck: [f64; 2],
    pub elsewhere: [f64; 2],
}

impl WindowN {
    /// The loads at a level, in N; a level that nobody named gets those used elsewhere.
    pub fn at(&self, level: Option<Level>) -> [f64; 2] {
        match level {
            Some(level) if level <= Level::C4 => self.upper_neck,
            Some(level) if level <= Level::C7 => self.lower_neck,
            _ => self.elsewhere,
        }
    }
}

/// Bands that technique is held against: in all regions, and where a region has its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Technique {
    pub excursion_mm: [f64; 2],
    pub time_to_peak_min_s: f64,
    pub hold_sd_percent: f64,
    pub between_springs_percent: f64,
    pub hand_share_percent: [f64; 2],
    pub peak_cv_percent: f64,
    pub line_of_drive_deg: f64,
    #[serde(skip_serializing_if = "RegionBands::is_empty")]
    pub neck: RegionBands,
    #[serde(skip_serializing_if = "RegionBands::is_empty")]
    pub thoracic: RegionBands,
    #[serde(skip_serializing_if = "RegionBands::is_empty")]
    pub lumbar: RegionBands,
    #[serde(skip_serializing_if = "RegionBands::is_empty")]
    pub sacral: RegionBands,
}

/// What is known of the instrument.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct InstrumentSettings {
    pub plinth_compliance_mm_per_n: f64,
    pub force_delay_ms: f64,
}

/// A pressure mat: what counts as loaded, and what is known of its readings where a sidecar says nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Mat {
    pub threshold_sigma: f64,
    pub threshold_kpa: f64,
    pub gain_u_percent: f64,
    pub non_uniformity_percent: f64,
    pub creep_percent: f64,
}

/// Schedules of feedback that leave some of it out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct FeedbackSettings {
    pub faded_percent: [f64; 2],
    pub faded_block: u32,
    pub faded_blocks: u32,
    pub summary_tests: u32,
}

/// Limits beyond which a number is a slip of unit or sensor, and no measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Plausible {
    pub force_n: f64,
    pub displacement_mm: f64,
    pub stiffness_n_per_mm: f64,
    pub rate_hz: f64,
    pub zero_n: f64,
    pub zero_drift_n: f64,
}

impl Settings {
    /// Refuses values that cannot be meant.
    ///
    /// # Errors
    /// [`Error::Setting`] naming the first key that is out of its range.
    pub fn check(&self) -> Result<()> {
        let c = &self.compare;
        within("compare.threshold_percent", c.threshold_percent, 0.0, 100.0)?;
        within("compare.confidence", c.confidence, 0.5, 0.9999)?;
        within("compare.false_discovery_rate", c.false_discovery_rate, 1e-6, 0.5)?;
        within("compare.max_trials", f64::from(c.max_trials), 1.0, 100.0)?;
        within(
            "compare.single_trial_sem_percent",
            c.single_trial_sem_percent,
            0.01,
            200.0,
        )?;
        within("filter.low_pass_hz", self.filter.low_pass_hz, 1.0, 500.0)?;
        let d = &self.detect;
        within("detect.contact_floor_n", d.contact_floor_n, 0.0, 100.0)?;
        within("detect.contact_sigma", d.contact_sigma, 1.0, 100.0)?;
        within("detect.contact_hold_s", d.contact_hold_s, 0.0, 1.0)?;
        within("detect.spring_prominence_mm", d.spring_prominence_mm, 0.01, 10.0)?;
        within("detect.spring_sigma", d.spring_sigma, 1.0, 100.0)?;
        within("detect.spring_window_s", d.spring_window_s, 0.2, 3.0)?;
        within(
            "detect.force_prominence_share",
            d.force_prominence_share,
            0.05,
            0.95,
        )?;
        for ceiling in self.ceilings() {
            within(&ceiling.key(), ceiling.newtons, 1.0, 1000.0)?;
        }
        let w = &self.window_n;
        band("window_n.upper_neck", w.upper_neck)?;
        band("window_n.lower_neck", w.lower_neck)?;
        band("window_n.elsewhere", w.elsewhere)?;
        let t = &self.technique;
        check_bands("technique", &t.bands(None))?;
        for &region in Region::ALL {
            check_bands(&format!("technique.{region}"), &t.bands(Some(region)))?;
        }
        let i = &self.instrument;
        within(
            "instrument.plinth_compliance_mm_per_n",
            i.plinth_compliance_mm_per_n,
            0.0,
            1.0,
        )?;
        within("instrument.force_delay_ms", i.force_delay_ms, -100.0, 100.0)?;
        let m = &self.mat;
        within("mat.threshold_sigma", m.threshold_sigma, 3.0, 50.0)?;
        within("mat.threshold_kpa", m.threshold_kpa, 0.0, 50.0)?;
        within("mat.gain_u_percent", m.gain_u_percent, 0.0, 50.0)?;
        within("mat.non_uniformity_percent", m.non_uniformity_percent, 0.0, 50.0)?;
        within("mat.creep_percent", m.creep_percent, 0.0, 50.0)?;
        let f = &self.feedback;
        for share in f.faded_percent {
            within("feedback.faded_percent", share, 0.0, 100.0)?;
        }
        if f.faded_percent[0] < f.faded_percent[1] {
            return Err(Error::Setting {
                what: "feedback.faded_percent".to_owned(),
                found: format!("[{}, {}]", f.faded_percent[0], f.faded_percent[1]),
                expected: "the share at the beginning and the one at the end, which is no higher".to_owned(),
            });
        }
        within("feedback.faded_block", f64::from(f.faded_block), 1.0, 100.0)?;
        within("feedback.faded_blocks", f64::from(f.faded_blocks), 2.0, 100.0)?;
        within("feedback.summary_tests", f64::from(f.summary_tests), 2.0, 50.0)?;
        let p = &self.plausible;
        within("plausible.force_n", p.force_n, 200.0, 1e6)?;
        within("plausible.displacement_mm", p.displacement_mm, 20.0, 1e5)?;
        within("plausible.stiffness_n_per_mm", p.stiffness_n_per_mm, 20.0, 1e6)?;
        within("plausible.rate_hz", p.rate_hz, 100.0, 1e7)?;
        within("plausible.zero_n", p.zero_n, 0.5, 1e6)?;
        within("plausible.zero_drift_n", p.zero_drift_n, 0.1, 1e6)?;
        self.check_optional()
    }

    fn check_optional(&self) -> Result<()> {
        let is_measure = |name: &str| OPTIONAL.iter().any(|s| s.key.strip_prefix("change.") == Some(name));
        for (measure, margin) in &self.change.0 {
            let setting = OPTIONAL.iter().find(|s| s.key.strip_prefix("change.") == Some(measure));
            let (most, unit) = match setting.map(|s| s.unit) {
                // The one percentage that is compared as it is, and not as a ratio.
                Some("%") if measure == "hand_share_percent" => (100.0, " percent, so that 20 % is written 20"),
                Some("%") => (300.0, " percent of what it was, and in no other unit: 20 % is written 20"),
                Some("") => (1.0, ", a share of 1: 20 % of it is written 0.2"),
                _ => (1e6, ""),
            };
            within(&format!("change.{measure}"), *margin, 1e-9, most).map_err(|e| match e {
                Error::Setting { what, found, expected } => Error::Setting {
                    what,
                    found,
                    expected: format!("{expected}{unit}"),
                },
                other => other,
            })?;
        }
        match &self.groups.primary {
            Some(name) if !is_measure(name) => Err(Error::Setting {
                what: PRIMARY.to_owned(),
                found: format!("\"{name}\""),
                expected: "a measure as the tables name it, such as \"end_feel_n_per_mm\"".to_owned(),
            }),
            _ => Ok(()),
        }
    }

    /// The value of a dotted key as text, as it would stand in study.toml.
    pub fn value_of(&self, key: &str) -> Option<String> {
        let mut value = toml::Value::try_from(self).ok()?;
        for part in key.split('.') {
            value = value.get(part)?.clone();
        }
        Some(value.to_string())
    }

    /// Where a setting was set; `None` when nobody set it.
    pub fn set_in(&self, key: &str) -> Option<&str> {
        let found = self.set_in.iter().rev().find(|(k, _)| k == key);
        found.map(|(_, place)| place.as_str())
    }

    /// Every documented setting that has a value: all of [`SETTINGS`], and those of [`REGIONAL`] and [`OPTIONAL`] that were
    /// set.
    pub fn documented(&self) -> impl Iterator<Item = &'static SettingInfo> {
        let set = REGIONAL.iter().chain(OPTIONAL).filter(|s| self.value_of(s.key).is_some());
        SETTINGS.iter().chain(set)
    }

    /// Keys whose value differs from the default, in the order of [`SETTINGS`], then of [`REGIONAL`] and [`OPTIONAL`].
    pub fn departures(&self) -> Vec<&'static str> {
        let default = Settings::default();
        every_setting()
            .map(|s| s.key)
            .filter(|key| self.value_of(key) != default.value_of(key))
            .collect()
    }
}

/// Every setting that study.toml may hold, whether it has a value or not.
pub fn every_setting() -> impl Iterator<Item = &'static SettingInfo> {
    SETTINGS.iter().chain(REGIONAL).chain(OPTIONAL)
}

fn check_bands(section: &str, b: &Bands) -> Result<()> {
    let key = |name: &str| format!("{section}.{name}");
    band(&key("excursion_mm"), b.excursion_mm)?;
    band(&key("hand_share_percent"), b.hand_share_percent)?;
    for (name, value, most) in [
        ("time_to_peak_min_s", b.time_to_peak_min_s, 5.0),
        ("hold_sd_percent", b.hold_sd_percent, 100.0),
        ("between_springs_percent", b.between_springs_percent, 100.0),
        ("peak_cv_percent", b.peak_cv_percent, 100.0),
        ("line_of_drive_deg", b.line_of_drive_deg, 90.0),
    ] {
        within(&key(name), value, 0.0, most)?;
    }
    Ok(())
}

fn within(key: &str, value: f64, low: f64, high: f64) -> Result<()> {
    if value.is_finite() && (low..=high).contains(&value) {
        return Ok(());
    }
    Err(Error::Setting {
        what: key.to_owned(),
        found: value.to_string(),
        expected: format!("a number from {low} to {high}"),
    })
}

fn band(key: &str, [low, high]: [f64; 2]) -> Result<()> {
    if low.is_finite() && high.is_finite() && 0.0 <= low && low < high {
        return Ok(());
    }
    Err(Error::Setting {
        what: key.to_owned(),
        found: format!("[{low}, {high}]"),
        expected: "two numbers, zero or more, the lower first".to_owned(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn defaults_pass_their_own_check() {
        Settings::default().check().unwrap();
    }

    #[test]
    fn every_setting_is_documented_and_every_document_is_a_setting() {
        let settings = Settings::default();
        for s in SETTINGS {
            assert!(settings.value_of(s.key).is_some(), "{} is no setting", s.key);
        }
        let table = toml::Table::try_from(&settings).unwrap();
        for (section, keys) in &table {
            for key in keys.as_table().unwrap().keys() {
                let dotted = format!("{section}.{key}");
                assert!(
                    SETTINGS.iter().any(|s| s.key == dotted),
                    "{dotted} has no document"
                );
            }
        }
    }

    #[test]
    fn a_threshold_below_zero_is_refused_by_name() {
        let mut settings = Settings::default();
        settings.compare.threshold_percent = -1.0;
        let message = settings.check().unwrap_err().to_string();
        assert!(message.contains("compare.threshold_percent"), "{message}");
        assert!(message.contains("from 0 to 100"), "{message}");
    }

    #[test]
    fn each_region_may_have_bands_of_its_own_and_each_is_documented() {
        let mut settings = Settings::default();
        let listed = toml::Table::try_from(&settings).unwrap();
        assert!(!listed["technique"].as_table().unwrap().contains_key("neck"));
        let all = RegionBands {
            excursion_mm: Some([1.0, 3.0]),
            time_to_peak_min_s: Some(0.12),
            hold_sd_percent: Some(4.0),
            between_springs_percent: Some(60.0),
            hand_share_percent: Some([45.0, 55.0]),
            peak_cv_percent: Some(8.0),
            line_of_drive_deg: Some(10.0),
        };
        for own in [
            &mut settings.technique.neck,
            &mut settings.technique.thoracic,
            &mut settings.technique.lumbar,
            &mut settings.technique.sacral,
        ] {
            *own = all.clone();
        }
        settings.check().unwrap();
        for s in REGIONAL {
            assert!(settings.value_of(s.key).is_some(), "{} is no setting", s.key);
            assert_eq!(Settings::default().value_of(s.key), None, "{}", s.key);
        }
        let table = toml::Table::try_from(&settings).unwrap();
        let technique = table["technique"].as_table().unwrap();
        let keys: usize = technique
            .values()
            .filter_map(toml::Value::as_table)
            .map(toml::Table::len)
            .sum();
        assert_eq!(keys, REGIONAL.len());
        assert_eq!(settings.departures().len(), REGIONAL.len());
        assert_eq!(settings.documented().count(), SETTINGS.len() + REGIONAL.len());
        let back: Settings = table.try_into().unwrap();
        assert_eq!(back, settings);
    }

    #[test]
    fn a_region_takes_what_it_does_not_set_from_all_regions() {
        let mut settings = Settings::default();
        settings.technique.neck.excursion_mm = Some([1.5, 3.0]);
        let t = &settings.technique;
        assert_eq!(t.bands(Some(Region::Neck)).excursion_mm, [1.5, 3.0]);
        assert_eq!(t.bands(Some(Region::Lumbar)).excursion_mm, [2.0, 4.4]);
        assert_eq!(t.bands(Some(Region::Neck)).peak_cv_percent, 10.0);
        assert_eq!(settings.departures(), ["technique.neck.excursion_mm"]);
        settings.technique.neck.excursion_mm = Some([3.0, 1.5]);
        let message = settings.check().unwrap_err().to_string();
        assert!(message.contains("technique.neck.excursion_mm"), "{message}");
    }

    #[test]
    fn what_has_no_default_is_kept_out_until_it_is_set_and_checked_then() {
        let mut settings = Settings::default();
        assert_eq!(OPTIONAL.iter().filter_map(|s| settings.value_of(s.key)).count(), 0);
        for setting in OPTIONAL.iter().filter(|s| s.key != PRIMARY) {
            let name = setting.key.strip_prefix("change.").unwrap();
            settings.change.0.insert(name.to_owned(), 0.5);
        }
        settings.groups.primary = Some("end_feel_n_per_mm".to_owned());
        settings.check().unwrap();
        let back: Settings = toml::Table::try_from(&settings).unwrap().try_into().unwrap();
        assert_eq!(back, settings);
        assert_eq!(settings.departures().len(), OPTIONAL.len());
        settings.groups.primary = Some("stiffness".to_owned());
        let message = settings.check().unwrap_err().to_string();
        assert!(message.contains("groups.primary") && message.contains("end_feel_n_per_mm"), "{message}");
        settings.groups.primary = None;
        settings.change.0.insert("peak_n".to_owned(), 0.0);
        assert!(settings.check().unwrap_err().to_string().contains("change.peak_n"));
    }

    #[test]
    fn departures_name_only_what_was_changed() {
        let mut settings = Settings::default();
        settings.ceiling_n.neck = 45.0;
        assert_eq!(settings.departures(), ["ceiling_n.neck"]);
    }
}
