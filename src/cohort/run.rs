//! A run into a folder that can be cut short and taken up again.

use super::shard::Shard;
use super::store::{Key, Store};
use super::whole::Whole;
use crate::batch::{self, Job, Loaded, Outcome, each, gather, sums};
use crate::error::{Error, Result};
use crate::results::{Excluded, Results};
use crate::study::inputs::InputFile;
use crate::write::OutputFolder;
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// How a run into a folder is done.
#[derive(Default)]
pub struct RunOptions<'a> {
    pub analysis: batch::Options<'a>,
    /// Nothing of an earlier run that was cut short is used.
    pub fresh: bool,
}

/// What a run came to.
pub struct Ran {
    pub results: Results,
    /// Recordings that an earlier run, cut short, had done.
    pub resumed: usize,
}

/// What a shard's run came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RanShard {
    /// Recordings of this shard.
    pub recordings: usize,
    /// Those of them that could not be used.
    pub failed: usize,
    /// Recordings of all shards.
    pub of: usize,
    pub resumed: usize,
}

/// Name of the file of records in a shard's folder.
pub(super) const RECORDS: &str = "records";

/// Analyses `paths` into the folder `out`, whole or not at all.
///
/// What each recording gave is kept in a hidden file beside the folder until the results stand; a run that was killed, or
/// that filled the disk, is taken up by the next one into the same folder. A recording is done when its content, its
/// sidecar, the settings and everything else that its results hang on are the same.
///
/// # Errors
/// As [`Job::prepare`]; [`Error::Refused`] when another run is writing to the folder or it holds something else;
/// [`Error::Io`] when the system will not write.
pub fn analyze_into(
    paths: &[PathBuf],
    out: &Path,
    options: &RunOptions,
    write: WriteResults<'_>,
) -> Result<Ran> {
    let job = Job::prepare(paths, &options.analysis)?;
    let (store, folder) = begin(out, paths, options)?;
    let files: Vec<&InputFile> = job.inputs.files.iter().collect();
    let (keys, resumed) = analyse(&job, &files, &store, &options.analysis)?;
    let outcomes = each(&keys, || (), |(), key| store.outcome(key));
    let outcomes: Vec<Outcome> = outcomes.into_iter().collect::<Result<_>>()?;
    let curves = SavedCurves::of(keys.iter().map(|key| (&store, *key)), &outcomes);
    let mut results = gather(&job, files.len(), outcomes, options.analysis.keep_hidden);
    write(folder, &mut results, &curves)?;
    drop(curves);
    store.remove();
    Ok(Ran { results, resumed })
}

/// As [`analyze_into`] for one shard: the folder holds what its recordings gave, for [`super::combine`].
///
/// # Errors
/// As [`analyze_into`].
pub fn analyze_shard(paths: &[PathBuf], shard: Shard, out: &Path, options: &RunOptions) -> Result<RanShard> {
    let job = Job::prepare(paths, &options.analysis)?;
    let (store, mut folder) = begin(out, paths, options)?;
    let all = &job.inputs.files;
    let files: Vec<&InputFile> = all
        .par_iter()
        .filter(|f| shard.takes(&f.path, &f.recording))
        .collect();
    let (keys, resumed) = analyse(&job, &files, &store, &options.analysis)?;
    let whole = Whole::of(&job, &options.analysis)?;
    folder.write_by(RECORDS, &mut |to| {
        to.write_all(super::store::magic())?;
        for key in &keys {
            to.write_all(&store.raw(key).map_err(std::io::Error::other)?)?;
        }
        Ok(())
    })?;
    let mut failed = 0;
    for key in &keys {
        let outcome = store.outcome(key)?;
        failed += usize::from(
            outcome
                .exclusions
                .iter()
                .any(|e| e.what == Excluded::File && !e.is_by_person()),
        );
    }
    whole.finish_shard(folder, shard, keys.len())?;
    store.remove();
    Ok(RanShard {
        recordings: keys.len(),
        failed,
        of: all.len(),
        resumed,
    })
}

/// Takes the folder, and the records of an earlier run into it, for this run.
fn begin(out: &Path, paths: &[PathBuf], options: &RunOptions) -> Result<(Store, OutputFolder)> {
    let beside = OutputFolder::beside(out, "tautpoint-records")?;
    let store = Store::open(&beside, out, options.fresh)?;
    match OutputFolder::begin(out, paths) {
        Ok(folder) => Ok((store, folder)),
        Err(error) => {
            // Nothing was done yet; what an earlier run did stays.
            if store.is_empty() {
                store.remove();
            }
            Err(error)
        }
    }
}

/// Analyses every file that has no record yet; gives the records' keys in the order of the files, and how many there
/// were before.
fn analyse(
    job: &Job,
    files: &[&InputFile],
    store: &Store,
    options: &batch::Options,
) -> Result<(Vec<Key>, usize)> {
    let context = Sha256::digest(job.context().as_bytes());
    let (done, resumed) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let stop = AtomicBool::new(false);
    let keys = each(files, Vec::new, |buffer, file| {
        if stop.load(Ordering::Relaxed) {
            return Err(None);
        }
        let loaded = Loaded::read(file, buffer);
        let key = key(&context, &loaded, &job.study.root);
        if store.has(&key) {
            resumed.fetch_add(1, Ordering::Relaxed);
        } else if let Err(error) = store.add(key, &job.analyse(loaded)) {
            stop.store(true, Ordering::Relaxed);
            return Err(Some(error));
        }
        let so_far = done.fetch_add(1, Ordering::Relaxed) + 1;
        if let Some(tell) = options.progress {
            tell(so_far, files.len());
        }
        Ok(key)
    });
    let first_error = Mutex::new(None);
    let keys: Vec<Option<Key>> = keys
        .into_iter()
        .map(|key| {
            let told = |error: Option<Error>| {
                if let (Some(error), Ok(mut first)) = (error, first_error.lock()) {
                    first.get_or_insert(error);
                }
            };
            key.map_err(told).ok()
        })
        .collect();
    match (first_error.into_inner(), keys.into_iter().collect()) {
        (Ok(None), Some(keys)) => Ok((keys, resumed.into_inner())),
        (Ok(Some(error)), _) => Err(error),
        _ => Err(Error::Refused {
            found: "the analysis was stopped".to_owned(),
            advice: "run the same command again".to_owned(),
        }),
    }
}

/// Hash of everything that a recording's outcome hangs on.
fn key(context: &[u8], loaded: &Loaded<'_>, study: &Path) -> Key {
    let mut hash = Sha256::new();
    hash.update(context);
    let unread = loaded.content.as_ref().err().map(ToString::to_string);
    let name_in_sums = sums::name_in_study(study, &loaded.file.path);
    let rest = (
        &loaded.file.recording,
        &loaded.sha256,
        unread,
        &loaded.sidecar,
        &loaded.sidecar_problems,
        name_in_sums,
    );
    hash.update(format!("{rest:?}").as_bytes());
    hash.finalize().into()
}

/// The curves of tests, which only figures need: read back from the records when a figure is to be drawn.
pub struct SavedCurves<'s> {
    /// Where the record of each recording is and how many tests it has, in the order of the outcomes that the results
    /// were gathered from.
    places: Vec<(&'s Store, Key, usize)>,
}

impl<'s> SavedCurves<'s> {
    pub(super) fn of(
        records: impl Iterator<Item = (&'s Store, Key)>,
        outcomes: &[Outcome],
    ) -> SavedCurves<'s> {
        let places = records
            .zip(outcomes)
            .map(|((store, key), o)| (store, key, o.tests.len()));
        SavedCurves {
            places: places.collect(),
        }
    }

    /// Puts the curves back into these tests: their places in the results, in rising order.
    ///
    /// # Errors
    /// [`Error::Io`], [`Error::Refused`] when a record cannot be read.
    pub fn restore(&self, results: &mut Results, needed: &[usize]) -> Result<()> {
        let mut needed = needed.iter().copied().peekable();
        let mut end = 0;
        for (store, key, tests) in &self.places {
            let begin = end;
            end += tests;
            if needed.peek().is_none_or(|i| *i >= end) {
                continue;
            }
            let curves = store.curves(key)?;
            while let Some(i) = needed.next_if(|i| *i < end) {
                if let (Some(test), Some(curve)) = (results.tests.get_mut(i), curves.get(i - begin)) {
                    test.curve = curve.clone();
                    results.reference.draw(test);
                }
            }
        }
        Ok(())
    }
}

/// Writes results into their folder and finishes it.
pub type WriteResults<'a> = &'a dyn Fn(OutputFolder, &mut Results, &SavedCurves<'_>) -> Result<()>;
