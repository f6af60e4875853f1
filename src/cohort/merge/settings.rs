//! What study.toml and instrument.toml of several studies say differently, and whether one of them may be followed.

use super::source::Source;
use super::toml_text::{self, TomlValue};
use crate::error::{Error, Problem, Result};
use crate::instrument;
use crate::settings::every_setting;
use crate::study::door::{self, FileKind};
use crate::study::study_file;
use crate::study::words::{list, shown};
use std::collections::{BTreeMap, BTreeSet};

/// Differences named in one message.
const NAMED: usize = 12;
/// What goes into the sidecars, where it says the same of each recording.
const OF_RECORDINGS: [&str; 4] = ["format", "site", "calibration", "sensor"];

/// One thing that two studies say differently.
struct StudyDifference {
    key: String,
    /// What the first and the second say, with line.
    says: [String; 2],
}

/// Holds the studies after the first, which leads, against it: what differs is a warning where `may_lead`, in which case the first
/// is followed.
///
/// # Errors
/// [`Error::Refused`] with the lines that differ; with what decides how recordings are read, and with whether the study is blind,
/// whoever leads.
pub fn held_against_leader(sources: &[Source], may_lead: bool) -> Result<Vec<Problem>> {
    let Some((leader, others)) = sources.split_first() else {
        return Ok(Vec::new());
    };
    let (mut told, mut refused) = (Vec::new(), Vec::new());
    for other in others {
        for difference in differences(leader, other) {
            let [first, second] = &difference.says;
            let found = format!("{}: {first} in {}, {second} in {}", difference.key, leader.label, other.label);
            match what_to_do(&difference.key, other) {
                Some(advice) => refused.push((found, advice)),
                None if !may_lead => refused.push((
                    found,
                    "let them say the same, or name with --lead the study whose study.toml holds for all",
                )),
                None => told.push(Problem::warning(
                    leader.in_it(study_file::FILE_NAME),
                    found,
                    "one value for the merged study",
                    format!("{} leads: its value holds for all", leader.label),
                )),
            }
        }
    }
    let Some(advice) = refused.first().map(|(_, advice)| *advice) else {
        return Ok(told);
    };
    let alike: Vec<&String> = refused.iter().filter(|(_, a)| *a == advice).map(|(found, _)| found).collect();
    let mut lines: Vec<String> = alike.iter().take(NAMED).map(|l| (*l).clone()).collect();
    if alike.len() > NAMED {
        lines.push(format!("{} more", alike.len() - NAMED));
    }
    Err(Error::Refused {
        found: format!("the studies differ in what matters: {}", lines.join("; ")),
        advice: advice.to_owned(),
    })
}

/// Why nobody can lead in this, and what to do instead.
fn what_to_do(key: &str, other: &Source) -> Option<&'static str> {
    match key.split('.').next() {
        Some("blind") => Some("a blind study stays blind: write blind = true in each, or merge those that are not blind by themselves"),
        Some("gain") => Some(
            "each recording must go on being read as it was: write the gain into the sidecars ([columns], gain), take [gain] out of \
             study.toml, and merge again",
        ),
        Some("import") => Some("write [import] into the sidecars of the recordings that it is for, and take it out of study.toml"),
        Some("plan") if unplanned(other) > 0 => {
            Some("write the plan into the sidecars of the recordings that name neither level nor plan")
        }
        _ => None,
    }
}

/// How many recordings the study's default plan may name the levels of.
pub fn unplanned(source: &Source) -> usize {
    let by_default = |r: &&super::source::SourceRecording| r.sidecar.about.level.is_none() && r.sidecar.plan.is_none();
    source.recordings.iter().filter(by_default).count()
}

fn differences(a: &Source, b: &Source) -> Vec<StudyDifference> {
    let written = [toml_text::values(&a.study_text), toml_text::values(&b.study_text)];
    let keys: BTreeSet<&String> = written.iter().flat_map(BTreeMap::keys).collect();
    let mut found = Vec::new();
    for key in keys {
        let pair = [written[0].get(key), written[1].get(key)];
        let is_setting = every_setting().any(|s| s.key == key);
        let same = match (is_setting, pair) {
            // What is written out at its default says the same as nothing.
            (true, _) => a.study.settings.value_of(key) == b.study.settings.value_of(key),
            (false, [Some(a), Some(b)]) => a.text == b.text,
            (false, [a, b]) => [a, b].into_iter().flatten().all(|v| key == "blind" && v.text == "false"),
        };
        // A place that only the leader names cannot be taken back in the sidecars of the others.
        let in_sidecars = OF_RECORDINGS.contains(&key.as_str()) && (key != "site" || pair[1].is_some());
        if same || in_sidecars {
            continue;
        }
        let says = |source: &Source, value: Option<&TomlValue>| match value {
            Some(value) => format!("{} (line {})", shown(&value.text), value.line),
            None => match source.study.settings.value_of(key).filter(|_| is_setting) {
                Some(default) => format!("{} (shipped)", shown(&default)),
                None => "nothing".to_owned(),
            },
        };
        found.push(StudyDifference {
            key: key.clone(),
            says: [says(a, pair[0]), says(b, pair[1])],
        });
    }
    let instrument = |s: &Source| door::read(&s.given.join(instrument::FILE_NAME), FileKind::Settings).ok();
    let texts = [instrument(a), instrument(b)];
    if texts[0] != texts[1] {
        let says = |text: &Option<Vec<u8>>| if text.is_some() { "one file" } else { "none" }.to_owned();
        found.push(StudyDifference {
            key: instrument::FILE_NAME.to_owned(),
            says: match &texts {
                [Some(_), Some(_)] => ["one file".to_owned(), "another".to_owned()],
                texts => [says(&texts[0]), says(&texts[1])],
            },
        });
    }
    found
}

/// Whether the sidecars must say what their studies say of calibrations and sensors, since the merged study would say something
/// else.
///
/// # Errors
/// [`Error::Refused`] for certificates of one name that differ, and where a recording is read by no calibration and the leader's
/// study.toml would give it one.
pub fn calibrations_differ(sources: &[Source]) -> Result<bool> {
    let Some((leader, others)) = sources.split_first() else {
        return Ok(false);
    };
    let mut differ = false;
    for other in others {
        for own in other.calibrations.iter() {
            let clash = sources.iter().flat_map(|s| s.calibrations.iter()).any(|c| c.name == own.name && c != own);
            if clash {
                return Err(Error::Refused {
                    found: format!("two calibrations named {} that differ, one of them in {}", shown(&own.name), other.label),
                    advice: "give one of them another name, in its file, in the sidecars that name it and in verify.csv".to_owned(),
                });
            }
        }
        let names = |s: &Source| s.calibrations.iter().map(|c| c.name.clone()).collect::<BTreeSet<_>>();
        differ |= other.study.calibrations != leader.study.calibrations
            || other.study.sensors != leader.study.sensors
            || names(other) != names(leader);
        let unread = |r: &&super::source::SourceRecording| other.calibrations_of(r).is_empty();
        if !leader.study.calibrations.is_empty() && other.study.calibrations != leader.study.calibrations {
            let names: Vec<String> = other.recordings.iter().filter(unread).take(3).map(|r| shown(&r.name)).collect();
            if !names.is_empty() {
                return Err(Error::Refused {
                    found: format!(
                        "study.toml of {} names a calibration for every recording, and {} of {} are read by none",
                        leader.label,
                        list(&names),
                        other.label
                    ),
                    advice: "write the calibration into the sidecars that it is for, and take it out of study.toml".to_owned(),
                });
            }
        }
    }
    Ok(differ)
}
