//! The calibrations that sidecars and study.toml may name.

use crate::study::door;
use crate::calibrate::drift::{
    ControlHistory, HISTORY, OUT_OF_CONTROL_ADVICE, OutOfControl, read_history, wrongly_dated,
};
use crate::calibrate::{Calibration, Day};
use crate::error::{Error, Problem, Result, Severity};
use crate::study::toml_doc::read_text;
use crate::study::words::{nearest, shown};
use std::path::{Path, PathBuf};

/// Folder of a study that holds its calibrations.
pub const FOLDER: &str = "calibrations";

/// Reads one certificate. `file` is the name that problems carry.
///
/// # Errors
/// [`Error::Data`] with the first thing that makes it unusable. Warnings come with the calibration.
pub fn read_calibration(path: &Path, file: &str) -> Result<(Calibration, Vec<Problem>)> {
    if !door::is_there(path) {
        let source = std::io::Error::from(std::io::ErrorKind::NotFound);
        return Err(Error::io(
            path,
            source,
            "check the name of the calibration's file",
        ));
    }
    let text = read_text(path, file)?;
    match Calibration::parse(file, &text) {
        (Some(calibration), problems) => Ok((calibration, problems)),
        (None, problems) => {
            let first = problems.into_iter().find(|p| p.severity == Severity::Error);
            Err(first
                .unwrap_or_else(|| Problem::error(file, "no calibration", "a certificate", "make it again"))
                .into())
        }
    }
}

/// All calibrations at hand.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Calibrations {
    all: Vec<Calibration>,
    /// What the daily checks say of each that was checked.
    control: Vec<ControlHistory>,
}

impl Calibrations {
    /// Reads `calibrations/*.toml` in a folder, and the daily checks beside them. What cannot be used is a problem and left
    /// out, a sensor out of control is one too; without the folder there are none.
    pub fn in_folder(root: &Path) -> (Calibrations, Vec<Problem>) {
        let (mut all, mut problems) = (Vec::new(), Vec::new());
        let listed = std::fs::read_dir(root.join(FOLDER)).and_then(|e| e.map(|e| Ok(e?.path())).collect());
        let mut paths: Vec<PathBuf> = match listed {
            Ok(paths) => paths,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Vec::new(),
            Err(e) => {
                problems.push(Problem::error(
                    FOLDER,
                    e.to_string(),
                    "a folder whose names can be read",
                    "check its permissions and the disk; until then no calibration and no daily check is known",
                ));
                Vec::new()
            }
        };
        paths.sort();
        for path in paths {
            let toml = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml"));
            let Some(name) = path.file_name().map(|n| n.to_string_lossy().into_owned()) else {
                continue;
            };
            if !toml || name.starts_with('.') {
                continue;
            }
            let file = format!("{FOLDER}/{name}");
            match read_calibration(&path, &file) {
                Ok((calibration, warnings)) => {
                    problems.extend(warnings);
                    if all.iter().any(|c: &Calibration| c.name == calibration.name) {
                        problems.push(
                            Problem::error(
                                &file,
                                format!("a second calibration named {}", shown(&calibration.name)),
                                "one calibration a name",
                                "rename one of them; this one is not used",
                            )
                            .in_column("name"),
                        );
                    } else {
                        all.push(calibration);
                    }
                }
                Err(Error::Data(problem)) => problems.push(*problem),
                Err(other) => problems.push(Problem::error(
                    &file,
                    other.to_string(),
                    "a certificate",
                    "make it again with tautpoint calibrate",
                )),
            }
        }
        let control = read_control(root, &all, &mut problems);
        let calibrations = Calibrations { all, control };
        problems.extend(calibrations.control_problems());
        (calibrations, problems)
    }

    /// These calibrations.
    pub fn new(all: Vec<Calibration>) -> Self {
        Calibrations {
            all,
            control: Vec::new(),
        }
    }

    /// Those of sensors by their codes, where nobody named one: of a quantity of a sensor there may be but one.
    pub fn of_sensors(&self, codes: &[String]) -> Vec<&Calibration> {
        let of_these = |c: &&Calibration| c.sensor.as_ref().is_some_and(|code| codes.contains(code));
        let alike = |a: &Calibration, b: &Calibration| a.sensor == b.sensor && a.quantity == b.quantity;
        let only = |c: &&Calibration| self.all.iter().filter(|other| alike(c, other)).count() == 1;
        self.all.iter().filter(of_these).filter(only).collect()
    }

    /// Whether a calibration's sensor was out of control on a day; now, when the day is not known.
    pub fn out_of_control(&self, calibration: &str, day: Option<Day>) -> Option<OutOfControl> {
        self.control.iter().find(|c| c.calibration == calibration)?.out_on(day)
    }

    /// A warning for each sensor that is out of control by its newest daily check.
    fn control_problems(&self) -> Vec<Problem> {
        let now = |c: &ControlHistory| {
            let out = c.out_on(None)?;
            Some(Problem::warning(
                format!("{FOLDER}/{HISTORY}"),
                out.words(&c.calibration),
                "a daily check inside its limits",
                OUT_OF_CONTROL_ADVICE,
            ))
        };
        self.control.iter().filter_map(now).collect()
    }

    /// All of them, by file name.
    pub fn iter(&self) -> impl Iterator<Item = &Calibration> {
        self.all.iter()
    }

    /// Those that a recording names; `file` and `key` say where, for the problem when a name is not known.
    ///
    /// # Errors
    /// A problem that lists what there is.
    pub fn named(&self, names: &[String], file: &str, key: &str) -> Result<Vec<&Calibration>, Problem> {
        names.iter().map(|name| self.one(name, file, key)).collect()
    }

    fn one(&self, name: &str, file: &str, key: &str) -> Result<&Calibration, Problem> {
        if let Some(found) = self.all.iter().find(|c| c.name == name) {
            return Ok(found);
        }
        let known: Vec<&str> = self.all.iter().map(|c| c.name.as_str()).collect();
        let expected = match known.is_empty() {
            true => format!("a certificate in {FOLDER}/, and there is none"),
            false => format!("one of {}", known.join(", ")),
        };
        let advice = match nearest(name, known.iter().copied()) {
            Some(near) => format!("write \"{near}\" if that is meant"),
            None => format!("put the certificate into {FOLDER}/ or correct the name"),
        };
        Err(Problem::error(
            file,
            format!("the calibration {}, which is not there", shown(name)),
            expected,
            advice,
        )
        .in_column(key))
    }
}

/// The daily checks beside the certificates.
fn read_control(root: &Path, all: &[Calibration], problems: &mut Vec<Problem>) -> Vec<ControlHistory> {
    let file = format!("{FOLDER}/{HISTORY}");
    let path = root.join(&file);
    if !door::is_there(&path) {
        return Vec::new();
    }
    let history = match read_text(&path, &file) {
        Ok(text) => {
            let (history, found) = read_history(&file, &text);
            problems.extend(found);
            history
        }
        Err(problem) => {
            problems.push(problem);
            return Vec::new();
        }
    };
    problems.extend(wrongly_dated(&file, &history, 0, None));
    all.iter().filter_map(|c| ControlHistory::of(&history, c)).collect()
}
