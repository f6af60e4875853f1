//! The folders of shards to the results of the whole, as one run would have made them.

use crate::study::door::{self, FileKind};
use super::manifest::{MANIFEST, ShardManifest};
use super::shard::Shard;
use super::shard_run::RECORDS;
use crate::batch::records::{RecordKey, Records};
use crate::batch::{Job, RecordingOutcome, SavedCurves, WriteResults, aggregate};
use crate::error::{Error, Result};
use crate::read::sha256_hex;
use crate::results::Results;
use crate::study::call::Call;
use crate::write::OutputFolder;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// The shards of one run, all of them, checked against each other.
pub struct Shards {
    folders: Vec<PathBuf>,
    stores: Vec<Records>,
    /// Which store and which record, in the order of the recordings' names.
    records: Vec<(usize, RecordKey)>,
    job: Job,
    /// Holds the study's files while `job` needs them.
    _study: Option<TempDir>,
}

impl Shards {
    /// Opens the folders that `analyze --shard` wrote.
    ///
    /// # Errors
    /// [`Error::Refused`] when one is no shard's or was changed, when shards are missing or doubled, when they are not
    /// of one run, or when recordings were changed between them; [`Error::Io`].
    pub fn open(folders: &[PathBuf]) -> Result<Shards> {
        let mut seen: BTreeMap<u32, (&PathBuf, u32)> = BTreeMap::new();
        let mut first: Option<(ShardManifest, &PathBuf)> = None;
        let mut stores = Vec::new();
        for folder in folders {
            let (shard, manifest) = read_shard(folder)?;
            if let Some((earlier, _)) = seen.insert(shard.number, (folder, shard.of)) {
                return Err(refused(
                    format!(
                        "shard {}/{} is given twice: {} and {}",
                        shard.number,
                        shard.of,
                        earlier.display(),
                        folder.display()
                    ),
                    "name each shard once",
                ));
            }
            match &first {
                None => first = Some((manifest, folder)),
                Some((known, known_folder)) => {
                    if let Some(what) = known.difference(&manifest) {
                        return Err(refused(
                            format!(
                                "{what} is not the same in {} and {}",
                                known_folder.display(),
                                folder.display()
                            ),
                            "analyse the shards of one run with the same program, study and options",
                        ));
                    }
                }
            }
            stores.push(Records::read(&folder.join(RECORDS))?);
        }
        let Some((manifest, _)) = first else {
            return Err(refused("no shards".to_owned(), "name the folders of all shards"));
        };
        complete(&seen)?;
        let records = in_order(&stores, folders, &manifest)?;
        let (job, study) = manifest.job()?;
        Ok(Shards {
            folders: folders.to_vec(),
            stores,
            records,
            job,
            _study: study,
        })
    }

    /// The results of the whole, recomputed. `keep_hidden` as in [`crate::batch::Options`].
    ///
    /// # Errors
    /// [`Error::Io`], [`Error::Refused`] when records cannot be read.
    pub fn results(&self, keep_hidden: bool) -> Result<Results> {
        Ok(aggregate(
            &self.job,
            self.records.len(),
            self.outcomes()?,
            keep_hidden,
        ))
    }

    /// The calls of the study.
    pub fn calls(&self) -> &[Call] {
        &self.job.study.calls
    }

    /// Writes the results of the whole into `out`, the same bytes as one run's.
    ///
    /// # Errors
    /// As [`Shards::results`] and [`OutputFolder::begin`].
    pub fn write(&self, out: &Path, write: WriteResults<'_>) -> Result<Results> {
        let folder = OutputFolder::begin(out, &self.folders)?;
        let outcomes = self.outcomes()?;
        let records = self
            .records
            .iter()
            .map(|(store, key)| (&self.stores[*store], *key));
        let curves = SavedCurves::of(&self.job, records, &outcomes);
        let mut results = aggregate(&self.job, self.records.len(), outcomes, false);
        write(folder, &mut results, &curves)?;
        Ok(results)
    }

    fn outcomes(&self) -> Result<Vec<RecordingOutcome>> {
        self.records
            .iter()
            .map(|(store, key)| self.stores[*store].outcome(key))
            .collect()
    }
}

fn refused(found: String, advice: &str) -> Error {
    Error::Refused {
        found,
        advice: advice.to_owned(),
    }
}

/// Reads a shard's own record and holds its files against it.
fn read_shard(folder: &Path) -> Result<(Shard, ShardManifest)> {
    let no = |why: &str| {
        refused(
            format!("{} {why}", folder.display()),
            "name folders that `tautpoint analyze --shard K/N --out DIR` wrote",
        )
    };
    let run = door::read(&folder.join("run.json"), FileKind::Record).map_err(|_| no("holds no run.json"))?;
    let run: Value = serde_json::from_slice(&run).map_err(|_| no("holds a run.json that cannot be read"))?;
    let number = |key: &str| {
        run.pointer(key)
            .and_then(Value::as_u64)
            .and_then(|n| u32::try_from(n).ok())
    };
    let (Some(n), Some(of)) = (number("/shard/number"), number("/shard/of")) else {
        return Err(no("holds no shard"));
    };
    let listed = |name: &str| {
        let files = run.get("files").and_then(Value::as_array);
        let file = files.into_iter().flatten().find(|f| f["file"] == name);
        file.and_then(|f| f["sha256"].as_str()).map(str::to_owned)
    };
    let manifest = door::read(&folder.join(MANIFEST), FileKind::Record).map_err(|_| no("holds no shard"))?;
    if listed(MANIFEST).is_none_or(|hash| hash != sha256_hex(&manifest)) {
        return Err(no("was changed after it was written"));
    }
    let manifest = ShardManifest::read(&manifest).ok_or_else(|| {
        refused(
            format!("{} was written by another build of tautpoint", folder.display()),
            "combine with the very program that analysed the shards, or analyse all of them again with this one",
        )
    })?;
    Ok((Shard { number: n, of }, manifest))
}

/// Every number from 1 to N once.
fn complete(seen: &BTreeMap<u32, (&PathBuf, u32)>) -> Result<()> {
    let of = seen.values().map(|(_, of)| *of).max().unwrap_or(0);
    if let Some((folder, other)) = seen.values().find(|(_, other)| *other != of) {
        return Err(refused(
            format!(
                "{} is one of {other} shards, another one of {of}",
                folder.display()
            ),
            "name the shards of one run",
        ));
    }
    let missing: Vec<String> = (1..=of)
        .filter(|n| !seen.contains_key(n))
        .map(|n| n.to_string())
        .collect();
    if missing.is_empty() {
        return Ok(());
    }
    let shown = missing.iter().take(10).cloned().collect::<Vec<_>>().join(", ");
    let more = if missing.len() > 10 { ", …" } else { "" };
    Err(refused(
        format!("{} of {of} shards are missing: {shown}{more}", missing.len()),
        "analyse them, and name every shard's folder",
    ))
}

/// All records by their recordings' names, each recording once.
fn in_order(stores: &[Records], folders: &[PathBuf], manifest: &ShardManifest) -> Result<Vec<(usize, RecordKey)>> {
    let mut records: BTreeMap<String, (usize, RecordKey)> = BTreeMap::new();
    let changed = "do not change recordings while shards are analysed; analyse all shards again";
    for (i, store) in stores.iter().enumerate() {
        for key in store.keys() {
            let recording = store.outcome(&key)?.input.file;
            if let Some((other, _)) = records.insert(recording.clone(), (i, key)) {
                return Err(refused(
                    format!(
                        "{recording} is in {} and in {}",
                        folders[other].display(),
                        folders[i].display()
                    ),
                    changed,
                ));
            }
        }
    }
    if records.len() != manifest.recordings {
        return Err(refused(
            format!(
                "{} of {} recordings are in the shards",
                records.len(),
                manifest.recordings
            ),
            changed,
        ));
    }
    Ok(records.into_values().collect())
}
