//! `calibrate --reference-spring`: channel delay and remaining loop into instrument.toml.

use super::super::Outcome;
use super::{CalibrateArgs, say, tell};
use crate::error::{Error, Severity};
use crate::fault::{ProgramFault, isolated};
use crate::instrument::{FILE_NAME, Instrument, from_reference_springs};
use crate::read::read_trace;
use crate::settings::Settings;
use crate::study::door::{self, FileKind};
use crate::study::sidecar::{Sidecar, any_error};
use crate::study::study_file::{self, StudyFile};
use crate::study::toml_doc::read_text;
use crate::terms::Day;
use crate::trace::Trace;
use crate::write::write_file_whole;
use anyhow::bail;
use serde_json::json;
use std::path::{Path, PathBuf};

/// Runs it.
///
/// # Errors
/// Traces that cannot be read or hold no springs, or an instrument.toml of somebody else's.
pub fn reference_spring(args: &CalibrateArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let settings = settings(args.study.as_deref())?;
    let traces: Vec<Trace> = args
        .reference_spring
        .iter()
        .map(|p| isolated(|| trace(p)).unwrap_or_else(|fault| Err(of_fault(&fault, p))))
        .collect::<anyhow::Result<_>>()?;
    let found = isolated(|| from_reference_springs(&traces, &settings));
    let mut found = found.map_err(|fault| {
        let names: Vec<&str> = traces.iter().map(|t| t.recording.as_str()).collect();
        Error::from(fault.problem(&names.join(", ")))
    })??;
    found.made = Some(args.made.unwrap_or_else(Day::today));
    let target = target(args);
    if let Some(path) = &target {
        if path.exists() {
            let text = door::read_to_string(path, FileKind::Settings).unwrap_or_default();
            if Instrument::parse(FILE_NAME, &text).0.is_none() {
                return Err(Error::Refused {
                    found: format!("{} is there already", path.display()),
                    advice: "it is not an instrument file and stays as it is; give another --out".to_owned(),
                }
                .into());
            }
        }
        write_file_whole(path, found.to_toml().as_bytes())?;
    }
    if args.json {
        say(&serde_json::to_string_pretty(&as_json(&found))?);
        return Ok(Outcome::Done);
    }
    say(words(&found).trim_end());
    match (&target, quiet) {
        (Some(path), false) => say(&format!(
            "Written: {}; analyze uses it from now on.",
            path.display()
        )),
        (None, false) => say("Nothing was written: name the study with --study, or a file with --out."),
        _ => {}
    }
    Ok(Outcome::Done)
}

fn target(args: &CalibrateArgs) -> Option<PathBuf> {
    let in_folder = |p: &PathBuf| if p.is_dir() { p.join(FILE_NAME) } else { p.clone() };
    args.out
        .as_ref()
        .map(in_folder)
        .or_else(|| args.study.as_ref().map(|s| s.join(FILE_NAME)))
}

/// The study's settings, so that the springs are conditioned as its tests are.
fn settings(study: Option<&Path>) -> anyhow::Result<Settings> {
    let Some(study) = study else {
        return Ok(Settings::default());
    };
    let path = study.join(study_file::FILE_NAME);
    if !door::is_there(&path) {
        bail!(
            "{} is no study: there is no {} in it",
            study.display(),
            study_file::FILE_NAME
        );
    }
    let text = read_text(&path, study_file::FILE_NAME).map_err(Error::from)?;
    let (file, problems) = StudyFile::parse(study_file::FILE_NAME, &text);
    if let Some(first) = problems.into_iter().find(|p| p.severity == Severity::Error) {
        return Err(Error::from(first).into());
    }
    Ok(file.settings)
}

fn of_fault(fault: &ProgramFault, path: &Path) -> anyhow::Error {
    Error::from(fault.problem(&path.display().to_string())).into()
}

fn trace(path: &Path) -> anyhow::Result<Trace> {
    let name = path
        .file_name()
        .map_or_else(|| "trace".to_owned(), |n| n.to_string_lossy().into_owned());
    let sidecar_path = path.with_extension("toml");
    let sidecar_name = sidecar_path
        .file_name()
        .map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let (sidecar, problems) = Sidecar::read(&sidecar_path, &sidecar_name);
    tell(&problems);
    if any_error(&problems) {
        bail!("{name} was not used: correct its sidecar");
    }
    let read = read_trace(path, &name, &sidecar.columns, sidecar.about)?;
    tell(&read.problems);
    if let Some(inverted) = read.inverted {
        return Err(Error::from(*inverted).into());
    }
    Ok(read.trace)
}

fn words(found: &Instrument) -> String {
    use std::fmt::Write as _;
    let mut t = String::new();
    let u = found
        .force_delay_u95_ms()
        .map_or(String::new(), |u| format!(" \u{b1} {u:.3} ms (95 %)"));
    let _ = writeln!(
        t,
        "Force is {:.3} ms {} displacement{u}, from {} springs",
        found.force_delay_ms.abs(),
        if found.force_delay_ms < 0.0 {
            "ahead of"
        } else {
            "behind"
        },
        found.springs
    );
    let _ = writeln!(
        t,
        "  loss of the steel spring: {:.3} % of the loading work with the delay left in, {:.3} % ({:.4} mJ) with it taken out",
        100.0 * found.loop_ratio_before,
        100.0 * found.loop_ratio,
        found.loop_mj
    );
    if let Some(k) = found.stiffness_n_per_mm {
        let _ = writeln!(
            t,
            "  stiffness of the spring: {k:.4} N/mm; compare it with what its maker states"
        );
    }
    for note in &found.notes {
        let _ = writeln!(t, "  {note}");
    }
    t
}

fn as_json(found: &Instrument) -> serde_json::Value {
    json!({
        "made": found.made.map(|d| d.to_string()),
        "force_delay_ms": found.force_delay_ms,
        "force_delay_u_ms": found.force_delay_u_ms,
        "force_delay_u95_ms": found.force_delay_u95_ms(),
        "springs": found.springs,
        "loop_ratio": found.loop_ratio,
        "loop_ratio_u": found.loop_ratio_u,
        "loop_mj": found.loop_mj,
        "loop_ratio_before": found.loop_ratio_before,
        "stiffness_n_per_mm": found.stiffness_n_per_mm,
        "recordings": found.recordings,
        "notes": found.notes,
    })
}
