//! A folder of recordings made anew: as Parquet, as text, or for others.

use crate::study::corrections;
use crate::study::door::{self, FileKind};
use super::conversion::{Conversion, OutputFile, to_csv, to_parquet};
use super::manifest::study_files;
use super::pseudonymizer::Pseudonymizer;
use super::rounding::Rounding;
use crate::batch::{parallel_map, sums};
use crate::error::{Problem, Result, Severity};
use crate::fault::isolated;
use crate::read::sha256_hex;
use crate::study::inputs::{self, InputFile, Inputs};
use crate::write::NewFolder;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

/// What recordings become.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum To {
    Parquet,
    Csv,
}

/// How recordings are converted.
pub struct ConvertOptions<'a> {
    pub to: To,
    pub round: Rounding,
    /// Codes, dates and free text are replaced.
    pub share: Option<&'a Pseudonymizer>,
    /// Told of each recording done: how many so far, of how many.
    pub progress: Option<&'a (dyn Fn(usize, usize) + Sync)>,
}

/// What became of the recordings.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Converted {
    pub recordings: usize,
    pub converted: usize,
    /// Put into the new folder as they are, since they hold more than columns of numbers.
    pub copied: Vec<String>,
    /// Not in the new folder.
    pub left_out: Vec<String>,
    pub problems: Vec<Problem>,
    pub bytes_before: u64,
    pub bytes_after: u64,
}

/// Converts recordings into a new folder, whole or not at all. A study keeps its other files; a SHA256SUMS is made anew.
///
/// # Errors
/// As [`inputs::collect`]; [`Refused`](crate::error::Error::Refused) when `out` is there already; [`Io`](crate::error::Error::Io) when the
/// system will not write.
/// Faults of single recordings are in [`Converted::problems`].
pub fn convert(paths: &[PathBuf], out: &Path, options: &ConvertOptions) -> Result<Converted> {
    let inputs = inputs::collect(paths)?;
    let staging = NewFolder::begin(out)?;
    let mut done = Converted {
        recordings: inputs.files.len(),
        problems: inputs.problems.clone(),
        ..Converted::default()
    };
    let with_sums = inputs.study.as_ref().is_some_and(|s| {
        let sums = s.root.join("recordings").join(sums::FILE_NAME);
        sums.is_file()
    });
    write_study(&inputs, options, &staging, &mut done)?;
    let targets = targets(&inputs.files, options);
    let so_far = AtomicUsize::new(0);
    let pairs: Vec<(&InputFile, &String)> = inputs.files.iter().zip(&targets).collect();
    let made: Vec<Result<ConversionOutcome>> = parallel_map(
        &pairs,
        || (),
        |(), (file, target)| {
            let one = convert_one(&inputs, file, target, options, &staging);
            let n = so_far.fetch_add(1, Ordering::Relaxed) + 1;
            if let Some(tell) = options.progress {
                tell(n, inputs.files.len());
            }
            one
        },
    );
    let mut sums_text = String::new();
    for (file, one) in inputs.files.iter().zip(made) {
        let one = one?;
        done.bytes_before += one.bytes_before;
        done.bytes_after += one.bytes_after;
        match one.kind {
            OutcomeKind::Converted => done.converted += 1,
            OutcomeKind::Copied => done.copied.push(file.recording.clone()),
            OutcomeKind::LeftOut(problem) => {
                done.left_out.push(file.recording.clone());
                done.problems.push(*problem);
            }
        }
        if let Some(line) = one.sum {
            sums_text.push_str(&line);
        }
    }
    if with_sums {
        staging.write(format!("recordings/{}", sums::FILE_NAME), sums_text.as_bytes())?;
    }
    if let Some(share) = options.share {
        // Before anything can be handed on: without the key nobody could be withdrawn.
        share.save()?;
    }
    staging.finish()?;
    Ok(done)
}

/// What became of one recording.
struct ConversionOutcome {
    kind: OutcomeKind,
    bytes_before: u64,
    bytes_after: u64,
    /// Line of SHA256SUMS.
    sum: Option<String>,
}

enum OutcomeKind {
    Converted,
    Copied,
    LeftOut(Box<Problem>),
}

fn convert_one(
    inputs: &Inputs,
    file: &InputFile,
    target: &str,
    options: &ConvertOptions,
    staging: &NewFolder,
) -> Result<ConversionOutcome> {
    let read = door::read(&file.path, FileKind::Recording);
    let conversion = isolated(|| match (&read, options.share, options.to) {
        (Err(cause), ..) => {
            let advice = "check its permissions; it is left out";
            Conversion::left_out(file, cause.to_string(), "a readable file", advice)
        }
        (Ok(bytes), Some(share), _) => share.recording(inputs, file, bytes, target, &options.round),
        (Ok(bytes), None, To::Parquet) => to_parquet(file, bytes, target, &options.round),
        (Ok(bytes), None, To::Csv) => to_csv(file, bytes, target),
    });
    let conversion = conversion.unwrap_or_else(|fault| Conversion::LeftOut(Box::new(fault.problem(&file.recording))));
    let (kind, files) = match conversion {
        Conversion::Converted(files) => (OutcomeKind::Converted, files),
        Conversion::Copied(files) => (OutcomeKind::Copied, files),
        Conversion::LeftOut(problem) => (OutcomeKind::LeftOut(problem), Vec::new()),
    };
    for OutputFile { name, bytes } in &files {
        staging.write(name, bytes)?;
    }
    let sum = files.first().map(|recording| {
        let name = recording.name.strip_prefix("recordings/");
        let name = name.unwrap_or(&recording.name);
        format!("{}  {name}\n", sha256_hex(&recording.bytes))
    });
    Ok(ConversionOutcome {
        kind,
        bytes_before: read.map_or(0, |bytes| bytes.len() as u64),
        bytes_after: files.iter().map(|f| f.bytes.len() as u64).sum(),
        sum,
    })
}

fn write_study(
    inputs: &Inputs,
    options: &ConvertOptions,
    staging: &NewFolder,
    done: &mut Converted,
) -> Result<()> {
    let Some(study) = &inputs.study else { return Ok(()) };
    let sums_name = format!("recordings/{}", sums::FILE_NAME);
    for (name, bytes) in study_files(&study.root)? {
        if name == sums_name {
            let hashed: Vec<(String, String)> = inputs
                .files
                .iter()
                .filter_map(|f| {
                    let bytes = door::read(&f.path, FileKind::Recording).ok()?;
                    Some((sums::name_in_study(&study.root, &f.path)?, sha256_hex(&bytes)))
                })
                .collect();
            let hashed = hashed.iter().map(|(n, h)| (n.as_str(), h.as_str()));
            done.problems.extend(sums::changed(&study.root, hashed));
        } else if name == corrections::FILE_NAME {
            done.problems.push(Problem::warning(
                name,
                "corrections made for other bytes than those of the new recordings",
                "a study whose recordings stay as they are",
                "the new folder has none of them, and its results are as detected",
            ));
        } else if options.share.is_none() {
            staging.write(&name, &bytes)?;
        }
    }
    if let Some(share) = options.share {
        for made in share.study(inputs, study, &mut done.problems) {
            staging.write(&made.name, &made.bytes)?;
        }
    }
    Ok(())
}

/// The name of each recording in the new folder.
fn targets(files: &[InputFile], options: &ConvertOptions) -> Vec<String> {
    let inside = |name: &str| -> String {
        let parts = name.split('/').filter(|p| !matches!(*p, "" | "." | ".."));
        parts.collect::<Vec<_>>().join("/")
    };
    if let Some(share) = options.share {
        return files.iter().map(|f| share.name(&f.recording)).collect();
    }
    let ending = match options.to {
        To::Parquet => "parquet",
        To::Csv => "csv",
    };
    let wanted: Vec<String> = files
        .iter()
        .map(|f| {
            let name = inside(&f.recording);
            match name.rsplit_once('.') {
                Some((stem, end)) if !end.contains('/') => format!("{stem}.{ending}"),
                _ => format!("{name}.{ending}"),
            }
        })
        .collect();
    let mut count: BTreeMap<&str, usize> = BTreeMap::new();
    for name in &wanted {
        *count.entry(name).or_default() += 1;
    }
    let unique = |(file, name): (&InputFile, &String)| match count.get(name.as_str()) {
        Some(1) => name.clone(),
        _ => format!("{}.{ending}", inside(&file.recording)),
    };
    files.iter().zip(&wanted).map(unique).collect()
}

impl Converted {
    /// Whether any recording could not be used.
    pub fn failed(&self) -> bool {
        self.problems.iter().any(|p| p.severity == Severity::Error)
    }
}
