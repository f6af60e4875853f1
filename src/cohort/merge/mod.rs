//! Studies that were recorded on several computers become one.
//!
//! The first study leads: its study.toml holds for all. Nothing in the studies is changed, and nothing of them is lost: what has
//! no place in the merged study lies in its folder `set-aside`, where no analysis looks.

mod list;
mod lists;
mod making;
mod places;
mod plans;
mod recordings;
mod records;
mod settings;
mod source;
mod toml_text;

use crate::acquire::recorder::{FOLDER, SUMS};
use crate::agreement::spread;
use crate::calibrate::Calibration;
use crate::error::{Error, Problem, Result, Severity};
use crate::instrument;
use crate::read::calibrations;
use crate::study::door::{self, FileKind};
use crate::study::inputs::written_by_us;
use crate::study::{corrections, draws, opened, study_file};
use crate::write::NewFolder;
use making::Making;
use places::Fate;
use recordings::SaidAnew;
use source::Source;
use std::cell::Cell;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What a merge writes of itself into the new study.
const FILE_NAME: &str = "merged.toml";

/// What is merged, and how.
pub struct MergeOptions<'a> {
    /// The studies' folders.
    pub studies: &'a [PathBuf],
    /// The study whose study.toml holds for all where they differ; one of those above.
    pub lead: Option<&'a Path>,
    /// Told of each recording read and each put there: how many so far, of how many at least.
    pub progress: Option<&'a dyn Fn(usize, usize)>,
}

/// What became of the studies.
#[derive(Debug, Default)]
pub struct Merged {
    /// Names of the studies, the leading one first, each with how many recordings it has.
    pub studies: Vec<(String, usize)>,
    /// Recordings of the new study.
    pub recordings: usize,
    /// Recordings that several studies had.
    pub shared: usize,
    /// Recordings that got another name.
    pub renamed: usize,
    /// Recordings that were set aside, since they are not what they were.
    pub set_aside: usize,
    /// Codes that several studies have, in words.
    pub codes: Option<String>,
    pub problems: Vec<Problem>,
}

/// Makes one study of several, whole or not at all.
///
/// # Errors
/// [`Error::Refused`] for fewer than two studies, one that is being recorded into, studies that differ in what matters, and when `out`
/// is there already or lies within one of them; [`Error::Io`] when the system will not read or write. Faults of single files are in
/// [`Merged::problems`].
pub fn merge(options: &MergeOptions<'_>, out: &Path) -> Result<Merged> {
    let studies = leader_first(options)?;
    let folders: Vec<&Path> = studies.iter().map(PathBuf::as_path).collect();
    let folder = NewFolder::begin_outside(out, &folders)?;
    let (done, known) = (Cell::new(0), Cell::new(0));
    let tell = || {
        done.set(done.get() + 1);
        if let Some(progress) = options.progress {
            progress(done.get(), known.get().max(done.get()));
        }
    };
    let mut labels = BTreeSet::new();
    let sources: Vec<Source> = studies.iter().map(|s| Source::read(s, &mut labels, &tell)).collect::<Result<_>>()?;
    known.set(2 * sources.iter().map(|s| s.recordings.len()).sum::<usize>());
    let mut problems: Vec<Problem> = sources.iter().flat_map(|s| s.problems.clone()).collect();
    problems.append(&mut settings::held_against_leader(&sources, options.lead.is_some())?);
    let calibrations = settings::calibrations_differ(&sources)?;
    let mut places = places::places(&sources);
    problems.append(&mut places.problems);
    let mut making = Making {
        sources: &sources,
        places,
        folder,
        written: std::collections::BTreeMap::new(),
        problems,
    };
    put_leaders_files(&mut making)?;
    let plans = plans::put_plans(&mut making)?;
    records::put_draws(&mut making, &plans)?;
    records::put_corrections(&mut making)?;
    recordings::put_recordings(&mut making, &SaidAnew { plans, calibrations }, &tell)?;
    put_the_rest(&mut making)?;
    let merged = told(&mut making);
    making.put(Path::new(FILE_NAME), record(&merged).as_bytes())?;
    making.folder.finish()?;
    Ok(merged)
}

fn leader_first(options: &MergeOptions<'_>) -> Result<Vec<PathBuf>> {
    let refused = |found: String, advice: &str| Error::Refused {
        found,
        advice: advice.to_owned(),
    };
    let real = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let mut studies = options.studies.to_vec();
    if let Some(lead) = options.lead {
        let place = studies.iter().position(|s| real(s) == real(lead));
        let place = place.ok_or_else(|| refused(format!("{} leads and is none of the studies", lead.display()), "name it among them too"))?;
        let leader = studies.remove(place);
        studies.insert(0, leader);
    }
    let mut once = BTreeSet::new();
    if let Some(twice) = studies.iter().find(|s| !once.insert(real(s))) {
        return Err(refused(format!("{} is named twice", twice.display()), "name each study once"));
    }
    match studies.len() {
        0 | 1 => Err(refused("one study is nothing to merge".to_owned(), "name two or more")),
        _ => Ok(studies),
    }
}

/// Files of which a study has one and the leader's holds, whether it has one or not.
const LEADERS: [&str; 4] = [study_file::FILE_NAME, instrument::FILE_NAME, spread::FILE_NAME, opened::FILE_NAME];

fn put_leaders_files(making: &mut Making<'_>) -> Result<()> {
    // Until each of them was opened, what one of them hides stays hidden.
    let hidden = making.sources.iter().any(|s| s.study.hidden());
    for name in LEADERS {
        let mut held: Option<Vec<u8>> = None;
        for s in 0..making.sources.len() {
            let source = &making.sources[s];
            let path = source.given.join(name);
            if !door::is_there(&path) {
                continue;
            }
            let bytes = door::read(&path, FileKind::Settings).map_err(|e| Error::unreadable(&path, e))?;
            let closed = name == opened::FILE_NAME && hidden;
            if s == 0 && !closed {
                making.put(Path::new(name), &bytes)?;
                held = Some(bytes);
            } else if held.as_ref() != Some(&bytes) {
                making.put(&making.aside(s, Path::new(name)), &bytes)?;
                if name != study_file::FILE_NAME {
                    making.problems.push(Problem::warning(
                        source.in_it(name),
                        if closed { "a study that was opened, merged with one that was not" } else { "another file than the study has that leads" },
                        "one for the merged study",
                        format!(
                            "{}; this one was put into {}",
                            match name {
                                opened::FILE_NAME if closed => "the merged study stays blind until `tautpoint open` is run on it",
                                spread::FILE_NAME => "run `tautpoint agree` on the merged study",
                                _ => "that of the leading study holds",
                            },
                            source.aside()
                        ),
                    ));
                }
            }
        }
    }
    Ok(())
}

/// Lists, and every other file: one of the same bytes stands once, one of other bytes is set aside.
fn put_the_rest(making: &mut Making<'_>) -> Result<()> {
    let mut lists = BTreeSet::new();
    for s in 0..making.sources.len() {
        let source = &making.sources[s];
        let mut handled: BTreeSet<PathBuf> = LEADERS.map(PathBuf::from).into();
        handled.extend([draws::FILE_NAME, corrections::FILE_NAME].map(PathBuf::from));
        handled.insert(Path::new(FOLDER).join(SUMS));
        for recording in &source.recordings {
            let inside = |path: &Path| path.strip_prefix(&source.given).map(Path::to_owned);
            handled.extend(inside(&recording.path).ok());
            let sidecar = recording.sidecar_place.file_name().unwrap_or_default();
            handled.extend(inside(&recording.path.with_file_name(sidecar)).ok());
        }
        for place in files(making, s) {
            let is_plan = place.starts_with(plans::FOLDER) && place.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml"));
            if handled.contains(&place) || is_plan {
                continue;
            }
            if lists::is_list(&place) && !lists::holds_forces(&source.given.join(&place)) {
                lists.insert(place);
            } else {
                put_other(making, s, &place)?;
            }
        }
    }
    lists.iter().try_for_each(|place| lists::put_list(making, place))
}

fn put_other(making: &mut Making<'_>, s: usize, place: &Path) -> Result<()> {
    let source = &making.sources[s];
    let path = source.given.join(place);
    let sha256 = match crate::batch::sha256_of(&path) {
        Ok(sha256) => sha256,
        Err(cause) => {
            making.problems.push(Problem::error(
                source.in_it(&place.to_string_lossy()),
                format!("a file that cannot be read ({cause})"),
                "a file that can be read",
                "check its permissions and merge again: it is not in the merged study",
            ));
            return Ok(());
        }
    };
    let certificate = |source: &Source| place.starts_with(calibrations::FOLDER) && source.calibrations.iter().any(|c| is_of(c, &path));
    if certificate(source) && making.sources[..s].iter().any(certificate) {
        // The same certificate, written otherwise.
        return Ok(());
    }
    // A sidecar without its recording must not become that of another.
    let stem = place.with_extension("");
    let of_another = || making.places.fates.values().any(|f| matches!(f, Fate::Placed { to, .. } if to.with_extension("") == stem));
    let to = match making.written.get(place) {
        _ if place == Path::new(FILE_NAME) => making.aside(s, place),
        None if place.starts_with(FOLDER) && of_another() => making.aside(s, place),
        None => place.to_owned(),
        Some(there) if *there == sha256 => return Ok(()),
        // Certificates of other names whose files are called the same.
        Some(_) if place.starts_with(calibrations::FOLDER) => making.free_beside(place),
        Some(_) => making.aside(s, place),
    };
    let to = making.free_beside(&to);
    making.copy(&path, &to, &sha256)
}

/// Whether a file is the certificate of a calibration.
fn is_of(calibration: &Calibration, path: &Path) -> bool {
    calibrations::read_calibration(path, "").is_ok_and(|(read, _)| read.name == calibration.name)
}

/// Every file of a study by its path in it, results apart, which can be made again. Links are followed to recordings only.
fn files(making: &mut Making<'_>, s: usize) -> Vec<PathBuf> {
    let source = &making.sources[s];
    let (mut found, mut open) = (Vec::new(), vec![PathBuf::new()]);
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(source.given.join(&folder)).into_iter().flatten().flatten() {
            let name = entry.file_name();
            let place = folder.join(&name);
            if name.to_string_lossy().starts_with('.') {
                continue;
            }
            match entry.file_type() {
                Ok(kind) if kind.is_dir() && written_by_us(&entry.path()) => {}
                Ok(kind) if kind.is_dir() => open.push(place),
                Ok(kind) if kind.is_file() => found.push(place),
                // What is read through a link is handled by name.
                _ => {}
            }
        }
    }
    found.sort();
    found
}

fn told(making: &mut Making<'_>) -> Merged {
    let count = |is: &dyn Fn(&Fate) -> bool| making.places.fates.values().filter(|f| is(f)).count();
    Merged {
        studies: making.sources.iter().map(|s| (s.label.clone(), s.recordings.len())).collect(),
        recordings: count(&|f| matches!(f, Fate::Placed { .. })),
        shared: count(&|f| matches!(f, Fate::SameAs { .. })),
        renamed: count(&|f| matches!(f, Fate::Placed { trial: Some(_), .. })),
        set_aside: count(&|f| matches!(f, Fate::Damaged)),
        codes: lists::shared_codes(making),
        problems: std::mem::take(&mut making.problems),
    }
}

/// What was merged and decided, for whoever opens the study later.
fn record(merged: &Merged) -> String {
    let mut text = String::from("# Written by `tautpoint merge`: which studies became this one, and what was decided.\nformat = 1\n");
    for problem in &merged.problems {
        text.push_str(&format!("\n[[told]]\ntext = {}\n", toml_text::quoted(&problem.to_string())));
    }
    for (name, recordings) in &merged.studies {
        text.push_str(&format!("\n[[study]]\nname = {}\nrecordings = {recordings}\n", toml_text::quoted(name)));
    }
    text
}

impl Merged {
    /// Whether something could not be used or needs a person.
    pub fn failed(&self) -> bool {
        self.problems.iter().any(|p| p.severity == Severity::Error)
    }
}
