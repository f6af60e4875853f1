//! A simulated study as a folder: study.toml, plan, roster, calls, recordings with their truth.

use super::cohort::{Cohort, PlannedRecording};
use super::files::{number, sidecar_text, trace_text};
use crate::error::{Error, Result};
use crate::study::call::Call;
use crate::study::usual::UsualContact;
use crate::terms::Level;
use crate::write::{parent_folder, refuse_existing};
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;
use toml::{Table, Value};

/// The parts of a study folder that are not recordings.
#[derive(Debug, Clone, Default)]
pub struct StudyFolder {
    pub study_toml: String,
    /// Name and text of each scan plan.
    pub plans: Vec<(String, String)>,
    pub recordings: Vec<PlannedRecording>,
    pub calls: Vec<Call>,
    pub readme: Option<String>,
}

/// Name of the plan that a simulated study follows.
const PLAN: &str = "simulated-scan";

impl StudyFolder {
    /// The study of a cohort.
    ///
    /// # Errors
    /// As [`Cohort::check`].
    pub fn of_cohort(cohort: &Cohort, seed: u64) -> Result<StudyFolder> {
        let (recordings, calls) = cohort.plan(seed)?;
        let mut plan = plan_head(PLAN, "Simulated: every level, left and right.");
        for level in &cohort.levels {
            plan.push_str(&plan_step(*level));
        }
        Ok(StudyFolder {
            study_toml: format!(
                "# Invented data: nobody was touched. The truth of each recording stands in its sidecar, under [truth].\n\
                 title = \"Simulated study, seed {seed}\"\n\
                 site = \"simulated\"\n\
                 ethics_ref = \"none needed: simulated data\"\n\n\
                 [plan]\n\
                 default = \"{PLAN}\"\n"
            ),
            plans: vec![(PLAN.to_owned(), plan)],
            recordings,
            calls,
            readme: None,
        })
    }

    /// Writes the folder whole or not at all: it is made under another name beside `out` and then renamed.
    ///
    /// # Errors
    /// [`Error::Refused`] when `out` exists, [`Error::Io`] when the system will not write.
    pub fn write(&self, out: &Path) -> Result<()> {
        refuse_existing(out)?;
        let parent = parent_folder(out)?;
        let fail = |e: std::io::Error| {
            Error::io(
                out,
                e.kind().into(),
                "check that its folder is writable and has room",
            )
        };
        let making = tempfile::Builder::new()
            .prefix(".simulate-")
            .tempdir_in(parent)
            .map_err(fail)?;
        self.write_parts(making.path())?;
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            std::fs::set_permissions(making.path(), std::fs::Permissions::from_mode(0o755)).map_err(fail)?;
        }
        // Renamed while it is still looked after, so that a failure leaves nothing behind.
        std::fs::rename(making.path(), out).map_err(fail)?;
        let _ = making.keep();
        Ok(())
    }

    fn write_parts(&self, folder: &Path) -> Result<()> {
        for part in ["plans", "recordings"] {
            let path = folder.join(part);
            std::fs::create_dir(&path)
                .map_err(|e| Error::io(&path, e, "check that its folder is writable and has room"))?;
        }
        self.each_file(&mut |path, text| put(folder, path, text))
    }

    /// Makes the text of every file and hands it on under its path in the folder, one recording at a time: a large
    /// study never stands in memory whole.
    ///
    /// # Errors
    /// Those of `take`, which ends the round.
    pub fn each_file(&self, take: &mut dyn FnMut(&str, &str) -> Result<()>) -> Result<()> {
        take("study.toml", &self.study_toml)?;
        take("roster.csv", &self.roster())?;
        take("calls.csv", &calls_text(&self.calls))?;
        if let Some(readme) = &self.readme {
            take("README.md", readme)?;
        }
        for (name, text) in &self.plans {
            take(&format!("plans/{name}.toml"), text)?;
        }
        for planned in &self.recordings {
            let made = planned.simulate();
            let stem = format!("recordings/{}", planned.stem());
            take(
                &format!("{stem}.csv"),
                &trace_text(&made.trace, &planned.spec.sensor),
            )?;
            let mut more = Table::new();
            more.insert("seed".to_owned(), Value::Integer(planned.seed as i64));
            let level = &planned.level;
            more.insert(
                "level_end_feel_n_per_mm".to_owned(),
                number(level.end_feel_n_per_mm),
            );
            more.insert(
                "level_asymmetry_percent".to_owned(),
                number(level.asymmetry_percent()),
            );
            let sidecar = sidecar_text(&planned.about, std::slice::from_ref(&made.truth), more)?;
            take(&format!("{stem}.toml"), &sidecar)?;
        }
        Ok(())
    }

    /// Codes of everybody in the recordings.
    fn roster(&self) -> String {
        let mut text = String::from("code,role\n");
        let codes = |of: fn(&PlannedRecording) -> &Option<String>| -> BTreeSet<String> {
            self.recordings.iter().filter_map(|p| of(p).clone()).collect()
        };
        for code in codes(|p| &p.about.subject) {
            let _ = writeln!(text, "{code},subject");
        }
        for code in codes(|p| &p.about.examiner) {
            let _ = writeln!(text, "{code},examiner");
        }
        text
    }
}

fn put(folder: &Path, name: &str, text: &str) -> Result<()> {
    let path = folder.join(name);
    std::fs::write(&path, text)
        .map_err(|e| Error::io(&path, e, "check that its folder is writable and has room"))
}

fn calls_text(calls: &[Call]) -> String {
    let mut text = String::from("subject,examiner,session,level,trial,call,confidence\n");
    for c in calls {
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{}",
            c.subject,
            c.examiner,
            c.session,
            c.level,
            c.trial.unwrap_or(1),
            c.call,
            c.confidence.unwrap_or(1.0)
        );
    }
    text
}

/// The first lines of a plan.
pub(super) fn plan_head(name: &str, comment: &str) -> String {
    format!("# {comment}\nname = \"{name}\"\nposture = \"prone\"\norder = \"as listed\"\n")
}

/// A step of both sides with the level's usual contact.
pub(super) fn plan_step(level: Level) -> String {
    let UsualContact {
        contact,
        landmark,
        line_of_drive,
    } = UsualContact::at(level);
    format!(
        "\n[[step]]\nlevel = \"{level}\"\nside = \"both\"\ncontact = \"{contact}\"\nlandmark = \"{landmark}\"\n\
         line_of_drive_deg = {line_of_drive:.1}\n"
    )
}
