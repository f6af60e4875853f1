//! A run into a folder that can be cut short and taken up again.

use super::records::{RecordKey, Records};
use super::saved_curves::SavedCurves;
use super::{Job, Loaded, Options, RecordingOutcome, aggregate, parallel_map, sums};
use crate::error::{Error, Result};
use crate::results::Results;
use crate::study::inputs::InputFile;
use crate::write::OutputFolder;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// What an earlier run, cut short, had left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Earlier {
    /// Recordings that were done before this run.
    pub resumed: usize,
    /// What it had done was done by another build of the program and counts for nothing.
    pub by_another_build: bool,
}

/// Analyses `paths` into the folder `out`, whole or not at all. `write` fills and finishes the folder.
///
/// What each recording gave is kept in a hidden file beside the folder until the results stand; a run that was killed, or
/// that filled the disk, is taken up by the next one into the same folder. A recording is done when its content, its
/// sidecar, the settings, the build of the program and everything else that its outcome depends on are the same.
///
/// # Errors
/// As [`Job::prepare`]; [`Error::Refused`] when another run is writing to the folder or it holds something else;
/// [`Error::Io`] when the system will not write.
pub fn analyze_into(
    paths: &[PathBuf],
    out: &Path,
    options: &Options,
    write: WriteResults<'_>,
) -> Result<(Results, Earlier)> {
    let run = FolderRun::begin(paths, out, options)?;
    let files: Vec<&InputFile> = run.job.inputs.files.iter().collect();
    let (keys, earlier) = run.analyse(&files, options)?;
    let FolderRun { job, records, folder } = run;
    let outcomes = parallel_map(&keys, || (), |(), key| records.outcome(key));
    let outcomes: Vec<RecordingOutcome> = outcomes.into_iter().collect::<Result<_>>()?;
    let curves = SavedCurves::of(&job, keys.iter().map(|key| (&records, *key)), &outcomes);
    let mut results = aggregate(&job, keys.len(), outcomes, options.keep_hidden);
    write(folder, &mut results, &curves)?;
    drop(curves);
    records.remove();
    Ok((results, earlier))
}

/// A run that has its folder, and the records of an earlier run into it.
pub(crate) struct FolderRun {
    pub job: Job,
    pub records: Records,
    pub folder: OutputFolder,
}

impl FolderRun {
    pub fn begin(paths: &[PathBuf], out: &Path, options: &Options) -> Result<FolderRun> {
        let job = Job::prepare(paths, options)?;
        let beside = OutputFolder::beside(out, "tautpoint-records")?;
        let records = Records::open(&beside, out, options.fresh)?;
        match OutputFolder::begin(out, paths) {
            Ok(folder) => Ok(FolderRun { job, records, folder }),
            Err(error) => {
                // Nothing was done yet; what an earlier run did stays.
                if records.is_empty() {
                    records.remove();
                }
                Err(error)
            }
        }
    }

    /// Analyses every file that has no record yet; gives the records' keys in the order of the files.
    pub fn analyse(&self, files: &[&InputFile], options: &Options) -> Result<(Vec<RecordKey>, Earlier)> {
        let context = Sha256::digest(self.job.context().as_bytes());
        let (done, resumed) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let stop = AtomicBool::new(false);
        let keys = parallel_map(files, Vec::new, |buffer, file| {
            if stop.load(Ordering::Relaxed) {
                return Err(None);
            }
            let loaded = Loaded::read(file, buffer);
            let key = key(&context, &loaded, &self.job);
            if self.records.has(&key) {
                resumed.fetch_add(1, Ordering::Relaxed);
            } else if let Err(error) = self.records.add(key, &self.job.analyse(loaded)) {
                stop.store(true, Ordering::Relaxed);
                return Err(Some(error));
            }
            options.tell(done.fetch_add(1, Ordering::Relaxed) + 1, files.len());
            Ok(key)
        });
        let mut error = None;
        let keys: Vec<RecordKey> = keys
            .into_iter()
            .filter_map(|key| key.map_err(|e: Option<Error>| error = error.take().or(e)).ok())
            .collect();
        let earlier = Earlier {
            resumed: resumed.into_inner(),
            by_another_build: self.records.by_another_build,
        };
        error.map_or(Ok((keys, earlier)), Err)
    }
}

/// Hash of everything that a recording's outcome depends on.
fn key(context: &[u8], loaded: &Loaded<'_>, job: &Job) -> RecordKey {
    let mut hash = Sha256::new();
    hash.update(context);
    let unread = loaded.content.as_ref().err().map(ToString::to_string);
    let name_in_sums = sums::name_in_study(&job.study.root, &loaded.file.path);
    let corrections = job.corrections_of(loaded.file);
    let rest = (
        &loaded.file.recording,
        &loaded.sha256,
        unread,
        &loaded.sidecar,
        &loaded.sidecar_problems,
        &loaded.sidecar_input,
        name_in_sums.as_deref(),
        corrections,
    );
    hash.update(format!("{rest:?}").as_bytes());
    hash.finalize().into()
}

/// Writes results into their folder and finishes it.
pub type WriteResults<'a> = &'a dyn Fn(OutputFolder, &mut Results, &SavedCurves<'_>) -> Result<()>;
