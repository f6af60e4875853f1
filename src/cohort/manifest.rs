//! What a shard knows of the whole: everything but its recordings that the results depend on. Every shard of a run holds
//! the same bytes.

use crate::study::door::{self, FileKind};
use super::shard::Shard;
use crate::batch::records::header;
use crate::batch::{self, Job};
use crate::error::{Error, Problem, Result};
use crate::read::sha256_hex;
use crate::results::InputRecord;
use crate::study::folder::read_study;
use crate::study::inputs::Inputs;
use crate::study::plan::Plan;
use crate::write::OutputFolder;
use serde::{Deserialize, Serialize};
use serde_json::{Map, json};
use std::path::Path;
use tempfile::TempDir;

/// Name of its file in a shard's folder.
pub(super) const MANIFEST: &str = "manifest";
/// How the header of that file begins, whatever the build.
const NAME: &str = "tautpoint shard";

/// A file of the study, by its name in it.
type NamedFile = (String, Vec<u8>);

/// What all shards of a run share.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShardManifest {
    /// Hash of [`Job::context`].
    context: String,
    /// Recordings of all shards together.
    pub recordings: usize,
    /// Hash of their names.
    names: String,
    /// Settings from the command line, by key: value and option.
    overrides: Vec<(String, f64, String)>,
    hidden: bool,
    /// Recordings of the study were named, and not the study.
    part_of_study: bool,
    /// Corrections are left out.
    as_detected: bool,
    /// The plan of the command line, as a plan's file.
    plan: Option<String>,
    /// The file it was read from, when it is none of the study's.
    plan_file: Option<InputRecord>,
    /// What was noticed before the first recording was read.
    problems: Vec<Problem>,
    /// The study's files besides its recordings; `None` without a study.
    study: Option<Vec<NamedFile>>,
}

impl ShardManifest {
    /// The whole of a run.
    ///
    /// # Errors
    /// [`Error::Io`] when a file of the study can no longer be read.
    pub fn of(job: &Job, options: &batch::Options) -> Result<ShardManifest> {
        let names: Vec<&str> = job.inputs.files.iter().map(|f| f.recording.as_str()).collect();
        let overrides = options.overrides.iter();
        let overrides = overrides.map(|(key, value, option)| ((*key).to_owned(), *value, option.clone()));
        let study = job.inputs.study.as_ref();
        Ok(ShardManifest {
            context: sha256_hex(job.context().as_bytes()),
            recordings: names.len(),
            names: sha256_hex(format!("{names:?}").as_bytes()),
            overrides: overrides.collect(),
            hidden: job.hidden,
            part_of_study: job.inputs.part_of_study,
            as_detected: job.as_detected,
            plan: job.plan.as_ref().map(Plan::to_toml),
            plan_file: options.plan_file.clone(),
            problems: job.inputs.problems.clone(),
            study: study.map(|s| study_files(&s.root)).transpose()?,
        })
    }

    /// Ends a shard's folder.
    ///
    /// # Errors
    /// As [`OutputFolder::finish`].
    pub fn finish_shard(&self, mut folder: OutputFolder, shard: Shard, recordings: usize) -> Result<()> {
        folder.write_by(MANIFEST, &mut |to| {
            to.write_all(header(NAME).as_bytes())?;
            rmp_serde::encode::write(to, self).map_err(std::io::Error::other)
        })?;
        let mut run = Map::new();
        run.insert(
            "shard".to_owned(),
            json!({
                "number": shard.number,
                "of": shard.of,
                "recordings": recordings,
                "recordings_of_all_shards": self.recordings,
            }),
        );
        folder.finish(run)
    }

    /// Reads what [`ShardManifest::finish_shard`] wrote; `None` when another build wrote it.
    pub fn read(bytes: &[u8]) -> Option<ShardManifest> {
        let content = bytes.strip_prefix(header(NAME).as_bytes())?;
        rmp_serde::from_slice(content).ok()
    }

    /// The run as it was prepared, without its recordings. The study's files lie in the folder given back as long as
    /// that lives.
    ///
    /// # Errors
    /// [`Error::Io`] when the study's files cannot be laid out, [`Error::Refused`] when they are not those of the run.
    pub fn job(&self) -> Result<(Job, Option<TempDir>)> {
        let overrides = self.overrides.iter();
        let overrides = overrides.filter_map(|(key, value, option)| {
            let key = batch::OVERRIDES.iter().find(|k| *k == key)?;
            Some((*key, *value, option.clone()))
        });
        let options = batch::Options {
            overrides: overrides.collect(),
            plan: self
                .plan
                .as_deref()
                .and_then(|text| Plan::parse("--plan", text).0),
            plan_file: self.plan_file.clone(),
            ..batch::Options::default()
        };
        let place = self.study.as_deref().map(lay_out).transpose()?;
        let study = place.as_ref().map(|p| read_study(p.path(), &mut Vec::new()));
        let inputs = Inputs {
            study,
            ..Inputs::default()
        };
        let mut job = Job::of(inputs, &options)?;
        job.inputs.problems.clone_from(&self.problems);
        job.hidden = self.hidden;
        job.inputs.part_of_study = self.part_of_study;
        job.as_detected = self.as_detected;
        Ok((job, place))
    }

    /// What differs from another shard's, in words; `None` when nothing does.
    pub fn difference(&self, other: &ShardManifest) -> Option<String> {
        let files = |m: &ShardManifest| m.study.clone().unwrap_or_default();
        let (own, others) = (files(self), files(other));
        let differing = own
            .iter()
            .find(|f| !others.contains(f))
            .or_else(|| others.iter().find(|f| !own.contains(f)));
        if let Some((name, _)) = differing {
            Some(format!("{name} of the study"))
        } else if self.context != other.context || self.overrides != other.overrides {
            Some("the settings".to_owned())
        } else if (self.recordings, &self.names) != (other.recordings, &other.names) {
            Some("the list of recordings".to_owned())
        } else {
            (self != other).then(|| "what was wrong with the study".to_owned())
        }
    }
}

/// Everything in a study's folder that an analysis reads besides recordings and sidecars.
pub(super) fn study_files(root: &Path) -> Result<Vec<NamedFile>> {
    let advice = "check that it may be read; every shard keeps a copy";
    let read = |(name, _): (String, _)| {
        let path = root.join(&name);
        let bytes = door::read(&path, FileKind::Hashes).map_err(|e| Error::io(&path, e, advice))?;
        Ok((name, bytes))
    };
    batch::study_files(root).into_iter().map(read).collect()
}

fn lay_out(files: &[NamedFile]) -> Result<TempDir> {
    let advice = "check that the folder for temporary files may be written and is not full";
    let failed = |e| Error::io(std::env::temp_dir(), e, advice);
    let place = tempfile::Builder::new()
        .prefix("tautpoint-study-")
        .tempdir()
        .map_err(failed)?;
    for (name, bytes) in files {
        let inside = Path::new(name)
            .components()
            .all(|c| matches!(c, std::path::Component::Normal(_)));
        if !inside {
            return Err(Error::Refused {
                found: format!("a file {name:?} in a shard, which leads out of the study"),
                advice: "analyse that shard again".to_owned(),
            });
        }
        let path = place.path().join(name);
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(failed)?;
        }
        std::fs::write(&path, bytes).map_err(failed)?;
    }
    Ok(place)
}
