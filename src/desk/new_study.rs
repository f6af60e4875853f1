//! A new study's folder, whole or not at all, never over anything that is there.

use super::study_form::{StudyChange, changed};
use super::study_toml;
use crate::error::{Error, Result};
use crate::report::station;
use crate::settings::Settings;
use crate::study::plan::{Order, Plan};
use crate::study::study_file::StudyFile;
use crate::study::words::shown;
use crate::study::{built_in, calls, roster};
use crate::terms::Region;
use std::path::Path;

/// Folders that stay empty at first.
const FOLDERS: [&str; 3] = ["plans", "recordings", "calibrations"];

/// What a new study is to be.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NewStudy {
    /// The folder's name when left out.
    pub title: Option<String>,
    /// Where it takes place.
    pub site: Option<String>,
    /// Name of a built-in plan.
    pub plan: String,
    /// The plan's steps in an order drawn with this seed.
    pub shuffle: Option<u64>,
    /// Ceilings that a person has set, be it to the value that is shipped.
    pub ceilings: Vec<(Region, f64)>,
    /// Measured sides are hidden until the study is opened.
    pub blind: bool,
}

/// Makes it; gives the names of the files.
///
/// # Errors
/// [`Error::Refused`] when one of them is there already, [`Error::Setting`] for a plan that is not built in,
/// [`Error::Io`] when the folder cannot be written.
pub fn make_study(root: &Path, new: &NewStudy) -> Result<Vec<String>> {
    let files = files(root, new)?;
    refuse_existing(root, &files)?;
    write_all(root, &files).map_err(|e| Error::io(root, e, "check its permissions and the space left"))?;
    Ok(files.into_iter().map(|(name, _)| name).collect())
}

/// The chosen plan, in the drawn order when one is asked for.
fn chosen(new: &NewStudy, plan: Plan) -> Plan {
    match new.shuffle {
        Some(seed) if plan.name == new.plan => Plan {
            order: Order::Random,
            seed: Some(seed),
            ..plan
        },
        _ => plan,
    }
}

/// Every file by its name in the study, with what it holds.
fn files(root: &Path, new: &NewStudy) -> Result<Vec<(String, String)>> {
    let title = new.title.clone().unwrap_or_else(|| folder_name(root));
    let plan = built_in::built_in(&new.plan).ok_or_else(|| Error::Setting {
        what: "the plan".to_owned(),
        found: shown(&new.plan),
        expected: built_in::NAMES.join(", "),
    })?;
    let plan = chosen(new, plan);
    let fresh = study_toml::text(&title, new.site.as_deref(), &new.plan);
    let change = StudyChange {
        ceilings: new.ceilings.clone(),
        blind: new.blind.then_some(true),
        ..StudyChange::default()
    };
    let study_toml = changed(&fresh, &change)?;
    let (own, _) = StudyFile::parse("study.toml", &study_toml);
    let mut files = vec![("study.toml".to_owned(), study_toml)];
    for plan in built_in::all() {
        let plan = chosen(new, plan);
        files.push((format!("plans/{}.toml", plan.name), plan.to_toml()));
    }
    files.push(("roster.csv".to_owned(), format!("{}\n", roster::HEADER)));
    files.push(("calls.csv".to_owned(), format!("{}\n", calls::HEADER)));
    let settings: &Settings = &own.settings;
    files.push(("station-card.html".to_owned(), station::station_card(&title, &plan, settings)?));
    files.push(("start-of-day.html".to_owned(), station::start_of_day(&title)?));
    Ok(files)
}

fn folder_name(study: &Path) -> String {
    let real = study.canonicalize().unwrap_or_else(|_| study.to_owned());
    real.file_name().map_or_else(
        || "Untitled study".to_owned(),
        |n| n.to_string_lossy().into_owned(),
    )
}

fn refuse_existing(study: &Path, files: &[(String, String)]) -> Result<()> {
    if study.exists() && !study.is_dir() {
        return Err(Error::Refused {
            found: format!("{} is a file", study.display()),
            advice: "name a folder".to_owned(),
        });
    }
    let exists = |name: &str| study.join(name).symlink_metadata().is_ok();
    let there: Vec<&str> = files
        .iter()
        .map(|(n, _)| n.as_str())
        .filter(|n| exists(n))
        .collect();
    if there.is_empty() {
        return Ok(());
    }
    Err(Error::Refused {
        found: format!("{} already holds {}", study.display(), there.join(", ")),
        advice: "nothing was written; name another folder, or move these files away".to_owned(),
    })
}

/// Writes everything beside the target first and then moves it in: whole or not at all.
fn write_all(study: &Path, files: &[(String, String)]) -> std::io::Result<()> {
    let exists = study.is_dir();
    let parent = if exists { study } else { existing_parent(study)? };
    let workshop = tempfile::Builder::new().prefix(".prepare-").tempdir_in(parent)?;
    let fresh = workshop.path().join("study");
    for folder in FOLDERS {
        std::fs::create_dir_all(fresh.join(folder))?;
    }
    for (name, text) in files {
        std::fs::write(fresh.join(name), text)?;
    }
    if exists {
        move_in(&fresh, study, files)
    } else {
        std::fs::rename(&fresh, study)
    }
}

/// The folder that a new one is made in, made itself when it is not there.
fn existing_parent(study: &Path) -> std::io::Result<&Path> {
    match study.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => {
            std::fs::create_dir_all(parent)?;
            Ok(parent)
        }
        _ => Ok(Path::new(".")),
    }
}

/// Moves the files into a folder that exists; takes back what was moved when one of them fails.
fn move_in(fresh: &Path, study: &Path, files: &[(String, String)]) -> std::io::Result<()> {
    for folder in FOLDERS {
        std::fs::create_dir_all(study.join(folder))?;
    }
    for (i, (name, _)) in files.iter().enumerate() {
        // A link fails where a file has appeared in the meantime; a rename would replace it.
        let moved = std::fs::hard_link(fresh.join(name), study.join(name));
        let moved = match moved {
            Err(e) if e.kind() != std::io::ErrorKind::AlreadyExists => {
                std::fs::rename(fresh.join(name), study.join(name))
            }
            other => other,
        };
        if let Err(error) = moved {
            for (name, _) in &files[..i] {
                let _ = std::fs::remove_file(study.join(name));
            }
            return Err(error);
        }
    }
    Ok(())
}
