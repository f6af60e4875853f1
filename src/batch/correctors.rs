//! The recordings that people put right, by each of them alone and as detected.

use super::{Job, Loaded};
use crate::agreement::correctors::{CorrectorTests, PROGRAM};
use crate::study::corrections::Corrections;
use crate::study::inputs::InputFile;
use std::collections::BTreeSet;

/// What each person's entries make of the recordings that they are about, and last what the program alone makes of all of these.
/// `files` are those of the study and of copies of it that others corrected. Nothing when nobody made an entry.
pub fn corrector_tests(job: &mut Job, files: &[(String, Corrections)]) -> Vec<CorrectorTests> {
    let own = std::mem::take(&mut job.corrections);
    let mut all = Vec::new();
    let mut corrected: BTreeSet<String> = BTreeSet::new();
    for (name, entries) in files {
        for who in entries.people().into_iter().filter(|who| corrected_by(entries, who)) {
            // One code in two files may be two people.
            let twice = files.iter().filter(|(_, f)| corrected_by(f, who)).count() > 1;
            let called = if twice { format!("{who} ({name})") } else { who.to_owned() };
            let theirs = entries.of(who);
            job.corrections = theirs.active().into_iter().cloned().collect();
            let recordings: BTreeSet<String> = job.corrections.iter().map(|c| c.recording.clone()).collect();
            all.push(as_it_stands(job, called, &recordings));
            corrected.extend(recordings);
        }
    }
    job.corrections.clear();
    if !all.is_empty() {
        all.push(as_it_stands(job, PROGRAM.to_owned(), &corrected));
    }
    job.corrections = own;
    all
}

/// Whether any of somebody's entries holds: who only took others' back corrected nothing.
fn corrected_by(entries: &Corrections, who: &str) -> bool {
    !entries.of(who).active().is_empty()
}

fn as_it_stands(job: &Job, who: String, recordings: &BTreeSet<String>) -> CorrectorTests {
    let named = |file: &InputFile| {
        let name = super::path_from_root(&job.study.root, &file.path)?;
        recordings.contains(&name).then_some(name)
    };
    let files: Vec<(String, &InputFile)> = job.inputs.files.iter().filter_map(|f| Some((named(f)?, f))).collect();
    let tests = super::parallel_map(&files, Vec::new, |buffer, (_, file)| {
        let mut outcome = job.analyse(Loaded::read(file, buffer));
        outcome.drop_curves();
        // What does not fit the recording as it is now says nothing of whoever made it.
        outcome.refused_corrections.is_empty().then_some(outcome.tests)
    });
    let named = files.into_iter().map(|(name, _)| name).zip(tests);
    CorrectorTests {
        who,
        recordings: named.filter_map(|(name, tests)| Some((name, tests?))).collect(),
    }
}
