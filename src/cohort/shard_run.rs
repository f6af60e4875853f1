//! The run of one shard into a folder of its own.

use super::manifest::ShardManifest;
use super::shard::Shard;
use crate::batch::{Earlier, FolderRun, Options};
use crate::error::Result;
use crate::results::Excluded;
use crate::study::inputs::InputFile;
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// Name of the file of records in a shard's folder.
pub(super) const RECORDS: &str = "records";

/// What a shard's run came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ShardRun {
    /// Recordings of this shard.
    pub recordings: usize,
    /// Those of them that could not be used.
    pub failed: usize,
    /// Recordings of all shards.
    pub of: usize,
    pub earlier: Earlier,
}

/// As [`batch::analyze_into`](crate::batch::analyze_into) for one shard: the folder holds what its recordings gave, for
/// [`super::combine`].
///
/// # Errors
/// As there.
pub fn analyze_shard(paths: &[PathBuf], shard: Shard, out: &Path, options: &Options) -> Result<ShardRun> {
    let run = FolderRun::begin(paths, out, options)?;
    let all = run.job.inputs.files.par_iter();
    let files: Vec<&InputFile> = all.filter(|f| shard.takes(&f.path, &f.recording)).collect();
    let (keys, earlier) = run.analyse(&files, options)?;
    let FolderRun {
        job,
        records,
        mut folder,
    } = run;
    let mut failed = 0;
    for key in &keys {
        let exclusions = records.outcome(key)?.exclusions;
        let unusable = exclusions
            .iter()
            .any(|e| e.what == Excluded::File && !e.is_by_person());
        failed += usize::from(unusable);
    }
    folder.write_by(RECORDS, &mut |to| records.copy_to(&keys, to))?;
    ShardManifest::of(&job, options)?.finish_shard(folder, shard, keys.len())?;
    records.remove();
    Ok(ShardRun {
        recordings: keys.len(),
        failed,
        of: job.inputs.files.len(),
        earlier,
    })
}
