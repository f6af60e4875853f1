//! `prepare`: a new study's folder.

mod study_toml;

use super::Outcome;
use super::open::{day_of, sound_study};
use crate::agreement::registered;
use crate::batch;
use crate::error::Error;
use crate::report::station;
use crate::settings::Settings;
use crate::study::plan::{Order, Plan};
use crate::study::{built_in, calls, roster};
use crate::terms::Day;
use anyhow::Context;
use std::path::{Path, PathBuf};

/// Makes a new study: study.toml with every setting explained, scan plans, roster and calls to fill in, and two
/// pages to print: the station card and the start-of-day list.
///
/// Nothing that exists is overwritten.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  tautpoint prepare autumn-term
  tautpoint prepare autumn-term --title \"Autumn term, group B\" --plan prone-broad
  tautpoint prepare autumn-term --shuffle 4711     the plan's steps in an order drawn with this seed
  tautpoint prepare autumn-term --register         prints the block that registers the study's settings")]
pub struct PrepareArgs {
    /// Folder of the study; made when it is not there.
    #[arg(value_name = "STUDY")]
    pub study: PathBuf,
    /// Title on every page.
    #[arg(long)]
    pub title: Option<String>,
    /// Where it takes place; a word, not an address.
    #[arg(long)]
    pub site: Option<String>,
    /// Scan plan that the station card shows and the study follows.
    #[arg(long, value_name = "PLAN", default_value = built_in::NAMES[0], value_parser = built_in::NAMES)]
    pub plan: String,
    /// Writes that plan with its steps in random order, drawn with this seed and kept in the plan.
    #[arg(long, value_name = "SEED", value_parser = clap::value_parser!(u64).range(..=i64::MAX as u64))]
    pub shuffle: Option<u64>,
    /// Prints the block for study.toml that registers the settings of a study that is there; changes nothing.
    #[arg(long, conflicts_with_all = ["title", "site", "plan", "shuffle"])]
    pub register: bool,
    /// Day of registration; today otherwise.
    #[arg(long, value_name = "YYYY-MM-DD", requires = "register", value_parser = day_of)]
    pub date: Option<String>,
}

/// Folders that stay empty at first.
const FOLDERS: [&str; 3] = ["plans", "recordings", "calibrations"];

/// Runs the command.
///
/// # Errors
/// A file that exists already, or a folder that cannot be written.
pub fn run(args: &PrepareArgs, quiet: bool) -> anyhow::Result<Outcome> {
    if args.register {
        return register(args, quiet);
    }
    let files = files(args)?;
    refuse_existing(&args.study, &files)?;
    write_all(&args.study, &files).with_context(|| {
        format!(
            "{} cannot be written; check its permissions and the space left",
            args.study.display()
        )
    })?;
    if !quiet {
        sayln!("{} is ready:", args.study.display());
        for (name, _) in &files {
            sayln!("  {name}");
        }
        sayln!("Set your own ceilings in study.toml, fill in roster.csv, print the two pages.");
        sayln!("Recordings go into {}", args.study.join("recordings").display());
    }
    Ok(Outcome::Done)
}

/// Prints the block; study.toml is a person's file and is never written.
fn register(args: &PrepareArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let study = sound_study(&args.study)?;
    let date = args.date.clone().unwrap_or_else(|| Day::today().to_string());
    say!("{}", registered::block(&batch::settings_in_use(&study), &date));
    if let Some(before) = batch::registered(&study).0 {
        note!(
            "warning: study.toml holds a registration of {} already; a second one beside it is no TOML, and to replace it is \
             to register anew",
            before.date
        );
    } else if !quiet {
        note!("Paste this at the end of study.toml before the first recording, and keep a copy elsewhere.");
    }
    Ok(Outcome::Done)
}

/// The chosen plan, in the drawn order when one is asked for.
fn chosen(args: &PrepareArgs, plan: Plan) -> Plan {
    match args.shuffle {
        Some(seed) if plan.name == args.plan => Plan {
            order: Order::Random,
            seed: Some(seed),
            ..plan
        },
        _ => plan,
    }
}

/// Every file by its name in the study, with what it holds.
fn files(args: &PrepareArgs) -> anyhow::Result<Vec<(String, String)>> {
    let title = args.title.clone().unwrap_or_else(|| folder_name(&args.study));
    let plan = built_in::built_in(&args.plan).with_context(|| format!("there is no plan {}", args.plan))?;
    let plan = chosen(args, plan);
    let mut files = vec![(
        "study.toml".to_owned(),
        study_toml::text(&title, args.site.as_deref(), &args.plan),
    )];
    for plan in built_in::all() {
        let plan = chosen(args, plan);
        files.push((format!("plans/{}.toml", plan.name), plan.to_toml()));
    }
    files.push(("roster.csv".to_owned(), format!("{}\n", roster::HEADER)));
    files.push(("calls.csv".to_owned(), format!("{}\n", calls::HEADER)));
    files.push((
        "station-card.html".to_owned(),
        station::station_card(&title, &plan, &Settings::default())?,
    ));
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

fn refuse_existing(study: &Path, files: &[(String, String)]) -> Result<(), Error> {
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
