//! Recordings from delimited text to Parquet and back: the same bytes, sidecars within.

use super::parquet::recording;
use super::plain::{Digits, Plain, Recipe};
use super::rounding::{Rounding, rounded};
use super::share::Share;
use super::whole::study_files;
use crate::batch::{each, sums};
use crate::error::{Problem, Result, Severity};
use crate::read::{parquet as read_parquet, sha256_hex};
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
    pub share: Option<&'a Share>,
    /// Told of each recording done: how many so far, of how many.
    pub progress: Option<&'a (dyn Fn(usize, usize) + Sync)>,
}

/// What became of the recordings.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Converted {
    pub recordings: usize,
    pub converted: usize,
    /// Put into the new folder as they are, since they would not come back byte for byte.
    pub copied: Vec<String>,
    /// Not in the new folder.
    pub left_out: Vec<String>,
    pub problems: Vec<Problem>,
    pub bytes_before: u64,
    pub bytes_after: u64,
}

/// Texts that a file holds about itself, besides its sidecar.
const RECIPE: &str = "tautpoint.text";
const NAME: &str = "tautpoint.name";
const SHA256: &str = "tautpoint.sha256";
const ROUNDED: &str = "tautpoint.rounded";

/// A file of the new folder, by its name in it.
pub(super) struct Made {
    pub name: String,
    pub bytes: Vec<u8>,
}

/// What one recording became.
pub(super) enum Became {
    /// It, and what stands beside it.
    Converted(Vec<Made>),
    Copied(Vec<Made>),
    LeftOut(Box<Problem>),
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
    let made: Vec<Result<One>> = each(
        &pairs,
        || (),
        |(), (file, target)| {
            let one = one(&inputs, file, target, options, &staging);
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
        match one.fate {
            Fate::Converted => done.converted += 1,
            Fate::Copied => done.copied.push(file.recording.clone()),
            Fate::LeftOut(problem) => {
                done.left_out.push(file.recording.clone());
                done.problems.push(*problem);
            }
        }
        if let Some(line) = one.sum {
            sums_text.push_str(&line);
        }
    }
    if with_sums {
        staging.write(&format!("recordings/{}", sums::FILE_NAME), sums_text.as_bytes())?;
    }
    if let Some(share) = options.share {
        // Before anything can be handed on: without the key nobody could be withdrawn.
        share.save()?;
    }
    staging.finish()?;
    Ok(done)
}

enum Fate {
    Converted,
    Copied,
    LeftOut(Box<Problem>),
}

struct One {
    fate: Fate,
    bytes_before: u64,
    bytes_after: u64,
    /// Line of SHA256SUMS.
    sum: Option<String>,
}

fn one(
    inputs: &Inputs,
    file: &InputFile,
    target: &str,
    options: &ConvertOptions,
    staging: &NewFolder,
) -> Result<One> {
    let bytes = match std::fs::read(&file.path) {
        Ok(bytes) => bytes,
        Err(cause) => {
            let advice = "check its permissions; it is left out";
            let problem = Problem::error(&file.recording, cause.to_string(), "a readable file", advice);
            return Ok(One {
                fate: Fate::LeftOut(Box::new(problem)),
                bytes_before: 0,
                bytes_after: 0,
                sum: None,
            });
        }
    };
    let became = match (options.share, options.to) {
        (Some(share), _) => share.recording(inputs, file, &bytes, target, &options.round),
        (None, To::Parquet) => to_parquet(file, &bytes, target, &options.round),
        (None, To::Csv) => to_csv(file, &bytes, target),
    };
    let (fate, made) = match became {
        Became::Converted(made) => (Fate::Converted, made),
        Became::Copied(made) => (Fate::Copied, made),
        Became::LeftOut(problem) => (Fate::LeftOut(problem), Vec::new()),
    };
    let mut after = 0;
    for file in &made {
        staging.write(&file.name, &file.bytes)?;
        after += file.bytes.len() as u64;
    }
    let sum = made.first().map(|m| {
        let name = m.name.strip_prefix("recordings/").unwrap_or(&m.name);
        format!("{}  {name}\n", sha256_hex(&m.bytes))
    });
    Ok(One {
        fate,
        bytes_before: bytes.len() as u64,
        bytes_after: after,
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
                    let bytes = std::fs::read(&f.path).ok()?;
                    Some((sums::name_in_study(&study.root, &f.path)?, sha256_hex(&bytes)))
                })
                .collect();
            let hashed = hashed.iter().map(|(n, h)| (n.as_str(), h.as_str()));
            done.problems.extend(sums::changed(&study.root, hashed));
        } else if options.share.is_none() {
            staging.write(&name, &bytes)?;
        }
    }
    if let Some(share) = options.share {
        for made in share.study(study, &mut done.problems) {
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

/// The recording and its sidecar as they are.
fn copied(file: &InputFile, bytes: &[u8], target: &str) -> Became {
    let own = Path::new(&file.recording).extension().and_then(|e| e.to_str());
    let stem = target.rsplit_once('.').map_or(target, |(stem, _)| stem);
    let mut made = vec![Made {
        name: own.map_or_else(|| stem.to_owned(), |e| format!("{stem}.{e}")),
        bytes: bytes.to_vec(),
    }];
    if let Ok(sidecar) = std::fs::read(&file.sidecar_path) {
        made.push(Made {
            name: format!("{stem}.toml"),
            bytes: sidecar,
        });
    }
    Became::Copied(made)
}

fn to_parquet(file: &InputFile, bytes: &[u8], target: &str, round: &Rounding) -> Became {
    let sidecar = std::fs::read_to_string(&file.sidecar_path).ok();
    // A sidecar that is no text stays where it is.
    if sidecar.is_none() && file.sidecar_path.exists() {
        return copied(file, bytes, target);
    }
    let mut about: Vec<(String, String)> = Vec::new();
    let mut tell = |key: &str, text: String| about.push((key.to_owned(), text));
    let columns = match std::str::from_utf8(bytes).ok().and_then(Plain::read) {
        Some(plain) => {
            if *round == Rounding::default() {
                tell(RECIPE, plain.recipe.to_json());
                tell(SHA256, sha256_hex(bytes));
            }
            plain.headings.into_iter().zip(plain.columns).collect()
        }
        None => match read_parquet::all_numbers(bytes, &file.recording) {
            Ok(columns) => columns,
            Err(_) => return copied(file, bytes, target),
        },
    };
    let name = file.recording.rsplit('/').next().unwrap_or(&file.recording);
    tell(NAME, name.to_owned());
    let within = read_parquet::about_itself(bytes, read_parquet::SIDECAR);
    if let Some(text) = sidecar.or(within) {
        tell(read_parquet::SIDECAR, text);
    }
    let (columns, told) = rounded(columns, round);
    if !told.is_empty() {
        tell(ROUNDED, told);
    }
    match recording(&columns, &about) {
        Ok(bytes) => Became::Converted(vec![Made {
            name: target.to_owned(),
            bytes,
        }]),
        Err(_) => copied(file, bytes, target),
    }
}

fn to_csv(file: &InputFile, bytes: &[u8], target: &str) -> Became {
    let Ok(columns) = read_parquet::all_numbers(bytes, &file.recording) else {
        return copied(file, bytes, target);
    };
    let (headings, columns): (Vec<String>, Vec<_>) = columns.into_iter().unzip();
    let about = |key: &str| read_parquet::about_itself(bytes, key);
    let recipe = about(RECIPE).and_then(|text| Recipe::read(&text, headings.len()));
    let plain = Plain {
        recipe: recipe.unwrap_or_else(|| Recipe {
            head: format!("{}\n", headings.join(",")),
            delimiter: ',',
            comma: false,
            crlf: false,
            ended: true,
            digits: vec![Digits::Shortest; headings.len()],
        }),
        headings,
        columns,
    };
    let text = plain.text();
    if let Some(sha256) = about(SHA256)
        && sha256 != sha256_hex(text.as_bytes())
    {
        return Became::LeftOut(Box::new(Problem::error(
            &file.recording,
            "numbers that do not give the text it was made from",
            "a file that nobody changed since it was converted",
            "take it from a copy; it is left out",
        )));
    }
    // The name it had, ending and all, in the folder it lies in now.
    let target = match (target.rsplit_once('/'), about(NAME)) {
        (Some((folder, _)), Some(name)) if is_plain_name(&name) => format!("{folder}/{name}"),
        (None, Some(name)) if is_plain_name(&name) => name,
        _ => target.to_owned(),
    };
    let stem = target.rsplit_once('.').map_or(target.as_str(), |(stem, _)| stem);
    let beside = std::fs::read(&file.sidecar_path).ok();
    let sidecar = beside.or_else(|| about(read_parquet::SIDECAR).map(String::into_bytes));
    let sidecar = sidecar.map(|bytes| Made {
        name: format!("{stem}.toml"),
        bytes,
    });
    let mut made = vec![Made {
        name: target.clone(),
        bytes: text.into_bytes(),
    }];
    made.extend(sidecar);
    Became::Converted(made)
}

/// A name that leads nowhere and ends as text does.
fn is_plain_name(name: &str) -> bool {
    let ending = name.rsplit_once('.').map(|(_, e)| e.to_ascii_lowercase());
    !name.contains(['/', '\\', '\0'])
        && !name.starts_with('.')
        && ending.is_some_and(|e| ["csv", "tsv", "txt"].contains(&e.as_str()))
}

impl Converted {
    /// Whether any recording could not be used.
    pub fn failed(&self) -> bool {
        self.problems.iter().any(|p| p.severity == Severity::Error)
    }
}
