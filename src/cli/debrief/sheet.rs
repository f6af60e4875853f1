//! `debrief --sheet`: one scan against its plan, to print, sign and mark.

use super::{DebriefArgs, finish};
use crate::batch;
use crate::cli::analyze::word;
use crate::error::{Error, Problem};
use crate::format::counted;
use crate::report::debrief::{Request, Sheet, natural};
use crate::report::tables::codebook_with;
use crate::results::Results;
use crate::study::draws::{self, Draw};
use crate::study::folder::Study;
use crate::study::inputs::InputFile;
use crate::study::plan::Plan;
use crate::study::words::nearest_code;
use crate::terms::SessionKey;
use crate::write::OutputFolder;
use anyhow::bail;
use std::collections::BTreeSet;
use std::path::Path;

/// Names of the recordings, and of their sidecars, that somebody else than the candidate made: they hold codes that are
/// nobody's business on the candidate's sheet.
pub fn recordings_of_others(files: &[InputFile], args: &DebriefArgs) -> BTreeSet<String> {
    let made_by = |file: &InputFile| batch::sidecar_on_disk(file).0.about.examiner;
    let own = |file: &&InputFile| made_by(file).is_none_or(|code| args.examiner.contains(&code));
    let others = files.iter().filter(|file| !own(file));
    others
        .flat_map(|file| [file.recording.clone(), file.sidecar.clone()])
        .collect()
}

/// Writes sheet.html, marks.csv and the codebook. Gives the scan, and the results without what is about `others`, which are only
/// counted.
///
/// # Errors
/// A scan that is not there or not one, a plan that is not there, or a folder that cannot be written.
pub fn write(
    args: &DebriefArgs,
    study: &Study,
    mut results: Results,
    others: &BTreeSet<String>,
    out: &Path,
    quiet: bool,
) -> anyhow::Result<(SessionKey, Results)> {
    let scan = scan(args, &results)?;
    let mut problems: Vec<Problem> = Vec::new();
    let kept = draws::read(&study.root, &mut problems);
    for problem in &problems {
        note!("{}: {problem}", word(problem.severity));
    }
    let request = request(args, study, &results, scan.clone(), &kept)?;
    let sheet = Sheet::of(&results, &study.calls, request);
    let before = results.problems.len();
    results.problems.retain(|problem| !others.contains(&problem.file));
    results.inputs.retain(|input| !others.contains(&input.file));
    let elsewhere = before - results.problems.len();
    if elsewhere > 0 && !quiet {
        let problems = counted(elsewhere, "problem");
        note!(
            "note: {problems} of other recordings: `tautpoint check {}` lists them",
            args.study.display()
        );
    }
    let mut folder = OutputFolder::begin(out, std::slice::from_ref(&args.study))?;
    folder.write("sheet.html", sheet.page()?.as_bytes())?;
    let marks = sheet.marks();
    folder.write("marks.csv", &marks.to_csv()?)?;
    folder.write("codebook.csv", &codebook_with(&[&marks]).to_csv()?)?;
    finish(folder, &results)?;
    if !quiet {
        note!("sheet: {}", out.join("sheet.html").display());
    }
    Ok((scan, results))
}

/// The one scan that is meant.
fn scan(args: &DebriefArgs, results: &Results) -> anyhow::Result<SessionKey> {
    let [examiner] = args.examiner.as_slice() else {
        bail!(
            "--examiner names {} codes; a sheet is for one",
            args.examiner.len()
        );
    };
    let session = args.session.as_deref().unwrap_or_default();
    let own: Vec<SessionKey> = results
        .tests
        .iter()
        .map(|t| t.about.session())
        .filter(|s| s.examiner.as_ref() == Some(examiner))
        .collect();
    if own.is_empty() {
        let codes: BTreeSet<&str> = results
            .tests
            .iter()
            .filter_map(|t| t.about.examiner.as_deref())
            .collect();
        let near =
            nearest_code(examiner, codes).map_or(String::new(), |n| format!("; write {n} if that is meant"));
        bail!("no test by {examiner} could be used{near}");
    }
    let found: BTreeSet<&SessionKey> = own
        .iter()
        .filter(|s| s.session.as_deref() == Some(session))
        .collect();
    if found.is_empty() {
        let mut sessions: Vec<&str> = own.iter().filter_map(|s| s.session.as_deref()).collect();
        sessions.sort_by(|a, b| natural(a, b));
        sessions.dedup();
        bail!(
            "no test by {examiner} in session {session}; the sessions of {examiner} are {}",
            sessions.join(", ")
        );
    }
    let wanted = |s: &&&SessionKey| args.subject.is_none() || s.subject == args.subject;
    let chosen: Vec<&&SessionKey> = found.iter().filter(wanted).collect();
    match chosen.as_slice() {
        [one] => Ok((**one).clone()),
        _ => {
            let subjects: Vec<&str> = found
                .iter()
                .map(|s| s.subject.as_deref().unwrap_or("not named"))
                .collect();
            bail!(
                "{examiner} scanned {} in session {session}; say which with --subject",
                subjects.join(", ")
            )
        }
    }
}

/// The plan: the one named, else the one drawn, else the one that the recordings followed.
fn request(
    args: &DebriefArgs,
    study: &Study,
    results: &Results,
    scan: SessionKey,
    kept: &[Draw],
) -> anyhow::Result<Request> {
    let own: Vec<&Draw> = kept
        .iter()
        .filter(|d| Some(&d.examiner) == scan.examiner.as_ref())
        .collect();
    let at = own.iter().position(|d| Some(&d.session) == scan.session.as_ref());
    let draw = at.map(|i| own[i]);
    let followed = results
        .plans
        .iter()
        .find(|p| p.scan == scan)
        .map(|p| p.plan.clone());
    let name = args
        .plan
        .clone()
        .or_else(|| draw.map(|d| d.plan.clone()))
        .or_else(|| followed.clone());
    let plan: Option<Plan> = match &name {
        Some(name) => Some(
            study
                .plan(name)
                .ok_or_else(|| Error::from(study.no_plan(name, "--plan")))?,
        ),
        None => None,
    };
    if let (Some(draw), Some(name)) = (draw, &name) {
        for other in followed.iter().chain(Some(name)).filter(|n| **n != draw.plan) {
            note!("warning: {} was drawn, and this scan goes by {other}", draw.plan);
        }
    }
    let drawn = draw.map(|d| {
        let which = if d.number > 1 {
            format!(", draw {}", d.number)
        } else {
            String::new()
        };
        format!(
            "{} from {} by seed {}{which}, {}",
            d.plan,
            d.plans.join(", "),
            d.seed,
            d.drawn_at
        )
    });
    Ok(Request {
        scan,
        plan,
        drawn,
        minutes_allowed: args.minutes.or_else(|| draw.and_then(|d| d.minutes)),
        attempt: args.attempt.or_else(|| at.map(|i| i as u32 + 1)),
    })
}
