//! Recordings, their sidecars and their hashes put into the merged study.

use super::making::Making;
use super::places::{Fate, RecordingOfStudy};
use super::toml_text::{quoted, quoted_list, with_top};
use crate::acquire::recorder::{FOLDER, SUMS, line_of};
use crate::batch;
use crate::error::{Problem, Result};
use crate::read::sha256_hex;
use crate::study::sidecar::Sidecar;
use crate::study::words::shown;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What sidecars must say in the merged study that they need not say in their own.
#[derive(Debug, Default)]
pub struct SaidAnew {
    /// Plans that have another name there, by study and old name.
    pub plans: BTreeMap<(usize, String), String>,
    /// Calibrations and sensors stand in each sidecar.
    pub calibrations: bool,
}

/// Lines of SHA256SUMS to be, by name.
type Sums = BTreeMap<String, String>;

/// Puts all recordings there; `tell` hears of each.
///
/// # Errors
/// As [`Making::copy`].
pub fn put_recordings(making: &mut Making<'_>, anew: &SaidAnew, tell: &dyn Fn()) -> Result<()> {
    let mut sums = Sums::new();
    for (place, fate) in making.places.fates.clone() {
        let (s, r) = place;
        let source = &making.sources[s];
        let recording = &source.recordings[r];
        let kept = recording.name_in_sums().and_then(|name| source.sums.get(&name));
        match fate {
            Fate::Placed { to, .. } => {
                making.copy(&recording.path, &to, &recording.sha256)?;
                if let (Some(_), Some(name)) = (kept, name_in_sums(&to)) {
                    sums.insert(name, recording.sha256.clone());
                }
                put_sidecar(making, place, &to, anew, &mut sums)?;
            }
            Fate::SameAs { to, .. } => {
                if let (Some(kept), Some(name)) = (kept, name_in_sums(&to)) {
                    sums.insert(name, kept.clone());
                }
                hold_sidecars(making, place, &to, anew)?;
            }
            Fate::Damaged => {
                let aside = making.aside(s, &recording.place);
                making.copy(&recording.path, &aside, &recording.sha256)?;
                if let Some(bytes) = &recording.beside {
                    making.put(&making.aside(s, &recording.sidecar_place), bytes)?;
                }
            }
        }
        tell();
    }
    rest_of_sums(making, &mut sums);
    if !sums.is_empty() {
        let text: String = sums.iter().map(|(name, sha256)| line_of(name, sha256) + "\n").collect();
        making.put(&Path::new(FOLDER).join(SUMS), text.as_bytes())?;
    }
    Ok(())
}

fn name_in_sums(place: &Path) -> Option<String> {
    let inside = place.strip_prefix(FOLDER).ok()?;
    let parts: Option<Vec<&str>> = inside.iter().map(|p| p.to_str()).collect();
    Some(parts?.join("/"))
}

/// The text of a sidecar for the merged study; `None` where it stays as it is.
fn said_anew(making: &Making<'_>, place @ (s, r): RecordingOfStudy, anew: &SaidAnew) -> Option<String> {
    let source = &making.sources[s];
    let recording = &source.recordings[r];
    let sidecar = &recording.sidecar;
    let mut set: Vec<(&str, String)> = Vec::new();
    if let (Some(trial), Some(_)) = (making.places.new_trial(place), sidecar.about.trial) {
        set.push(("trial", trial.to_string()));
    }
    if let Some(new) = sidecar.plan.as_ref().and_then(|plan| anew.plans.get(&(s, plan.clone()))) {
        set.push(("plan", quoted(new)));
    }
    let leader = &making.sources[0].study;
    if let (None, Some(site)) = (&sidecar.about.site, &source.study.site)
        && leader.site.as_ref() != Some(site)
    {
        set.push(("site", quoted(site)));
    }
    if anew.calibrations {
        let calibrations = source.calibrations_of(recording);
        if sidecar.calibrations.is_empty() && !calibrations.is_empty() {
            set.push(("calibration", quoted_list(calibrations.iter().map(String::as_str))));
        }
        if sidecar.sensors.is_empty() && !source.study.sensors.is_empty() {
            set.push(("sensor", quoted_list(source.study.sensors.iter().map(String::as_str))));
        }
    }
    if set.is_empty() {
        return None;
    }
    // One that is no TOML is left as it is: its recording cannot be used, and whoever reads it says so.
    set.iter().try_fold(recording.sidecar_text.clone(), |text, (key, value)| with_top(&text, key, value))
}

fn put_sidecar(making: &mut Making<'_>, place @ (s, r): RecordingOfStudy, to: &Path, anew: &SaidAnew, sums: &mut Sums) -> Result<()> {
    let source = &making.sources[s];
    let recording = &source.recordings[r];
    let moved = to != recording.place;
    let new_place = if moved { to.with_extension("toml") } else { recording.sidecar_place.clone() };
    let bytes = match said_anew(making, place, anew) {
        Some(text) => text.into_bytes(),
        None => match &recording.beside {
            Some(bytes) => bytes.clone(),
            None => return Ok(()),
        },
    };
    let kept = name_in_sums(&recording.sidecar_place).and_then(|name| source.sums.get(&name));
    if let (Some(kept), Some(before), Some(name)) = (kept, &recording.beside, name_in_sums(&new_place)) {
        let sound = *kept == sha256_hex(before);
        if !sound {
            let file = source.in_it(&recording.sidecar_place.to_string_lossy());
            making.problems.push(changed(file));
        }
        sums.insert(name, if sound { sha256_hex(&bytes) } else { kept.clone() });
    }
    making.put(&new_place, &bytes)
}

fn changed(file: String) -> Problem {
    Problem::error(
        file,
        "a file that changed since its hash was kept: it is not the one in SHA256SUMS",
        "the file as it was",
        "find out who changed it and why; it was merged as it is, and its old hash stays in SHA256SUMS",
    )
}

/// The same recording in two studies: what they say of it must be the same.
fn hold_sidecars(making: &mut Making<'_>, place @ (s, r): RecordingOfStudy, to: &Path, anew: &SaidAnew) -> Result<()> {
    let holder = making.places.fates.iter().find_map(|(p, fate)| match fate {
        Fate::Placed { to: own, .. } if own == to => Some(*p),
        _ => None,
    });
    let said = |(s, r): RecordingOfStudy| -> Sidecar {
        let text = said_anew(making, (s, r), anew).unwrap_or_else(|| making.sources[s].recordings[r].sidecar_text.clone());
        let mut sidecar = Sidecar::parse("", &text).0;
        sidecar.about.trial = None;
        sidecar
    };
    let Some(holder) = holder.filter(|holder| said(*holder) != said(place)) else {
        return Ok(());
    };
    let source = &making.sources[s];
    let recording = &source.recordings[r];
    let problem = Problem::error(
        source.in_it(&recording.sidecar_place.to_string_lossy()),
        format!("another sidecar than {} has for the same recording", making.sources[holder.0].label),
        "one sidecar for each recording",
        format!("{} holds; this one was put into {}: see which is right", shown(&to.with_extension("toml").to_string_lossy()), source.aside()),
    );
    let (aside, text) = (making.aside(s, &recording.sidecar_place), recording.sidecar_text.clone());
    making.problems.push(problem);
    making.put(&aside, text.as_bytes())
}

/// Hashes kept of what is no recording that was put there: files that are missing stay listed, so that nobody forgets them.
fn rest_of_sums(making: &mut Making<'_>, sums: &mut Sums) {
    let mut problems = Vec::new();
    for source in making.sources {
        let own = source.recordings.iter().flat_map(|r| [r.name_in_sums(), name_in_sums(&r.sidecar_place)]);
        let own: std::collections::BTreeSet<String> = own.flatten().collect();
        for (name, kept) in &source.sums {
            let place = PathBuf::from(FOLDER).join(name);
            if !own.contains(name) {
                match batch::sha256_of(&source.given.join(&place)) {
                    Ok(found) if found == *kept => {}
                    Ok(_) => problems.push(changed(source.in_it(&place.to_string_lossy()))),
                    Err(_) => problems.push(Problem::error(
                        source.in_it(&format!("{FOLDER}/{SUMS}")),
                        format!("{} listed, but no such file in recordings/", shown(name)),
                        "every file that was recorded",
                        "look for the file, or note why it was taken out",
                    )),
                }
            }
            if !making.written.contains_key(&place) {
                sums.entry(name.clone()).or_insert_with(|| kept.clone());
            }
        }
    }
    making.problems.append(&mut problems);
}
