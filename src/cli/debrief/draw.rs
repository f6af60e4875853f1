//! `debrief --draw`: which plan each candidate scans by, settled before the scan.

use super::DebriefArgs;
use crate::cli::Outcome;
use crate::cli::analyze::word;
use crate::cli::open::sound_study;
use crate::error::Problem;
use crate::study::draws::{self, Draw};
use crate::study::folder::Study;
use crate::study::sidecar::any_error;
use crate::terms::now;
use crate::write::write_file_whole;
use anyhow::bail;
use std::hash::{BuildHasher, Hasher};

/// Draws and keeps the draws.
///
/// # Errors
/// No study, a plan that is not there, a draw that was made already, or a folder that cannot be written.
pub fn run(args: &DebriefArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let study = sound_study(&args.study)?;
    for plan in &args.draw {
        known(&study, plan)?;
    }
    let session = args.session.clone().unwrap_or_default();
    let mut problems: Vec<Problem> = Vec::new();
    let mut kept = draws::read(&args.study, &mut problems);
    for problem in &problems {
        note!("{}: {problem}", word(problem.severity));
    }
    if any_error(&problems) {
        bail!(
            "{} has an error: mend it first; nothing was drawn",
            draws::FILE_NAME
        );
    }
    let before = kept.len();
    let seed = args.seed.unwrap_or_else(any_seed);
    let drawn = draws::draw(args.draw.len(), seed, args.examiner.len());
    for (i, (examiner, pick)) in args.examiner.iter().zip(drawn).enumerate() {
        if let Some(old) = kept
            .iter()
            .find(|d| d.examiner == *examiner && d.session == session)
        {
            bail!(
                "{} was drawn for {examiner} in session {session} already ({}); a draw stands: name another session, or take \
                 it out of {} by hand and say why",
                old.plan,
                old.drawn_at,
                draws::FILE_NAME
            );
        }
        let plan = args.draw.get(pick).cloned().unwrap_or_default();
        kept.push(Draw {
            examiner: examiner.clone(),
            session: session.clone(),
            plans: args.draw.clone(),
            seed,
            number: i as u32 + 1,
            plan,
            minutes: args.minutes,
            drawn_at: now(),
        });
    }
    let path = args.study.join(draws::FILE_NAME);
    write_file_whole(&path, draws::to_toml(&kept).as_bytes())?;
    for draw in &kept[before..] {
        sayln!("{}: {}", draw.examiner, draw.plan);
    }
    if !quiet {
        note!("seed {seed}; kept in {}", path.display());
    }
    Ok(Outcome::Done)
}

fn known(study: &Study, plan: &str) -> anyhow::Result<()> {
    if study.plan(plan).is_some() {
        return Ok(());
    }
    bail!("{}; nothing was drawn", study.no_plan(plan, "--plan"))
}

/// A seed that nobody chose: the standard library's own source of hash keys, which the system seeds.
fn any_seed() -> u64 {
    let random = std::collections::hash_map::RandomState::new()
        .build_hasher()
        .finish();
    random & i64::MAX as u64
}
