//! Sidecars: what is known of one recording, in `<stem>.toml` beside it.

use super::door;
use super::codes::code_warning;
use super::mapping::ColumnMapping;
use super::mat_setup::MatSetup;
use super::toml_doc::{Doc, Section, read_text};
use super::words::shown;
use crate::error::{Problem, Severity};
use crate::terms::{Given, Landmark, Posture, RecordingStatus, is_moment, looks_like_a_day};
use crate::trace::About;
use std::path::Path;

/// Keys that a sidecar may hold.
pub const KEYS: &[&str] = &[
    "format",
    "subject",
    "examiner",
    "session",
    "recorded_at",
    "site",
    "device",
    "recorder_version",
    "level",
    "side",
    "landmark",
    "contact",
    "contact_area_mm2",
    "posture",
    "surface",
    "line_of_drive_deg",
    "covers",
    "breath",
    "trial",
    "feedback",
    "feedback_given",
    "station",
    "calibration",
    "sensor",
    "gain",
    "status",
    "plan",
    "excluded",
    "known_weight_n",
    "cautions",
    "columns",
    "import",
    "mat",
    "line",
    "truth",
];

/// What one sidecar says. Everything is optional; nothing is guessed from file names.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sidecar {
    pub about: About,
    pub columns: ColumnMapping,
    /// Names of the calibrations that the sensors are read by, one a sensor.
    pub calibrations: Vec<String>,
    /// Codes of the sensors it was recorded with.
    pub sensors: Vec<String>,
    /// What of each test was shown, in their order, as far as the recorder saw them.
    pub given: Vec<Given>,
    pub status: Option<RecordingStatus>,
    pub station: Option<String>,
    pub device: Option<String>,
    pub recorder_version: Option<String>,
    pub surface: Option<String>,
    pub breath: Option<String>,
    pub contact_area_mm2: Option<f64>,
    /// Name of the scan plan that a continuous trace followed.
    pub plan: Option<String>,
    /// A check with a known weight, and no press.
    pub known_weight_n: Option<f64>,
    /// The recording is of a pressure mat.
    pub mat: Option<MatSetup>,
    /// There is a `[mat]`, whole or not: the recording is no plain trace.
    pub mat_named: bool,
    /// How its force is to be read, or whether it is a check with a known weight, cannot be told: the sidecar has an error there.
    pub forces_unsure: bool,
}

impl Sidecar {
    /// Reads the text of a sidecar. `file` is the name that problems carry.
    ///
    /// A problem of severity error means that the recording should not be used: what the person wrote cannot be
    /// told. Warnings leave everything else in force.
    pub fn parse(file: &str, text: &str) -> (Sidecar, Vec<Problem>) {
        let doc = Doc::new(file, text);
        let sidecar = match doc.parse() {
            Some(table) => read(&Section {
                doc: &doc,
                table: &table,
                path: "",
            }),
            None => Sidecar::unreadable(),
        };
        (sidecar, doc.into_problems())
    }

    /// Reads the sidecar at a path; one that is not there is an empty one.
    pub fn read(path: &Path, file: &str) -> (Sidecar, Vec<Problem>) {
        if !door::is_there(path) {
            return (Sidecar::default(), Vec::new());
        }
        match read_text(path, file) {
            Ok(text) => Sidecar::parse(file, &text),
            Err(problem) => (Sidecar::unreadable(), vec![problem]),
        }
    }

    /// One that is there and says nothing.
    pub fn unreadable() -> Sidecar {
        Sidecar {
            forces_unsure: true,
            ..Sidecar::default()
        }
    }
}

/// Whether any problem of a list is an error.
pub fn any_error(problems: &[Problem]) -> bool {
    problems.iter().any(|p| p.severity == Severity::Error)
}

fn read(top: &Section<'_, '_>) -> Sidecar {
    top.warn_unknown(KEYS);
    let sound_so_far = top.doc.errors();
    check_format(top);
    refuse_gain(top);
    let errors_of_forces = top.doc.errors() - sound_so_far;
    let status = top.word("status");
    if status == Some(RecordingStatus::Open) {
        top.doc.warning(
            top.get("status").map_or(0..0, toml::Spanned::span),
            "status",
            "open: the recording was not closed in order",
            "complete",
            "look whether its end is missing; it is used as it is",
        );
    }
    let before_mapping = top.doc.errors();
    let mat_span = top.get("mat").map_or(0..0, toml::Spanned::span);
    let mat = top.table("mat").and_then(|table| {
        let section = Section {
            doc: top.doc,
            table,
            path: "mat",
        };
        MatSetup::read(&section, mat_span)
    });
    for told in ["truth", "line"] {
        top.table(told);
    }
    top.text("cautions");
    let columns = top.table("columns").map(|table| {
        ColumnMapping::read(&Section {
            doc: top.doc,
            table,
            path: "columns",
        })
    });
    let import = top.table("import").map(|table| {
        ColumnMapping::read_import(&Section {
            doc: top.doc,
            table,
            path: "import",
        })
    });
    let columns = columns.unwrap_or_default();
    let columns = match &import {
        Some(import) => columns.or(import),
        None => columns,
    };
    if let (Some(import), true) = (top.get("import"), top.get("mat").is_some()) {
        top.doc.error(
            import.span(),
            "import",
            "an import profile for a pressure mat",
            "a mat's file as docs/mats.md describes it",
            "write the mat's frames so, and take [import] out",
        );
    }
    let known_weight_n = top.number("known_weight_n", 0.0, 1e5);
    let errors_of_forces = errors_of_forces + top.doc.errors() - before_mapping;
    let mut about = about(top);
    about.excluded = about.excluded.or_else(|| known_weight_n.map(known_weight));
    Sidecar {
        about,
        known_weight_n,
        columns,
        calibrations: top.texts("calibration"),
        sensors: top.texts("sensor"),
        given: top.words("feedback_given"),
        status,
        station: top.text("station"),
        device: top.text("device"),
        recorder_version: top.text("recorder_version"),
        surface: top.text("surface"),
        breath: top.text("breath"),
        contact_area_mm2: top.number("contact_area_mm2", 0.0, 1e6),
        plan: top.text("plan"),
        mat,
        mat_named: top.get("mat").is_some(),
        forces_unsure: errors_of_forces > 0,
    }
}

fn check_format(top: &Section<'_, '_>) {
    let Some(value) = top.get("format") else { return };
    if super::toml_doc::as_whole(value.get_ref()) != Some(1) {
        top.doc.error(
            value.span(),
            "format",
            &super::toml_doc::describe(value.get_ref()),
            "format = 1",
            "write it in format 1, or read it with the version that wrote it",
        );
    }
}

fn about(top: &Section<'_, '_>) -> About {
    About {
        subject: code(top, "subject"),
        examiner: code(top, "examiner"),
        session: session(top),
        site: top.text("site"),
        recorded_at: recorded_at(top),
        level: top.word("level"),
        side: top.word("side"),
        contact: top.word("contact"),
        landmark: top.text("landmark").and_then(|t| Landmark::new(&t)),
        posture: top.text("posture").and_then(|t| Posture::new(&t)),
        line_of_drive: top.line_of_drive("line_of_drive_deg"),
        covers: top.words("covers"),
        trial: top.whole("trial", 1, 10_000).and_then(|n| u32::try_from(n).ok()),
        feedback: top.word("feedback"),
        // The sidecar says it for each test of the recording.
        given: None,
        excluded: excluded(top),
    }
}

/// When it was recorded. Text in another form would sort wrongly and switch the expiry of a calibration off.
fn recorded_at(top: &Section<'_, '_>) -> Option<String> {
    let text = top.text("recorded_at")?;
    if is_moment(&text) {
        return Some(text);
    }
    top.doc.error(
        top.get("recorded_at").map_or(0..0, toml::Spanned::span),
        "recorded_at",
        &shown(&text),
        "a time or a day of ISO 8601, such as 2026-09-14T10:02:31+02:00 or 2026-09-14",
        "write it so, year first",
    );
    None
}

/// The session's name; a day must be written as one.
fn session(top: &Section<'_, '_>) -> Option<String> {
    let text = top.text("session")?;
    if looks_like_a_day(&text) {
        top.doc.error(
            top.get("session").map_or(0..0, toml::Spanned::span),
            "session",
            &format!("{}, which looks like a day", shown(&text)),
            "a day of ISO 8601 such as 2026-09-14, or a name",
            "write the year first; in calls.csv too",
        );
        return None;
    }
    Some(text)
}

/// A factor for a whole recording says not which channel it belongs to, nor whether readings are multiplied by it.
fn refuse_gain(top: &Section<'_, '_>) {
    let Some(gain) = top.number("gain", 1e-12, 1e12).filter(|g| *g != 1.0) else {
        return;
    };
    top.doc.error(
        top.get("gain").map_or(0..0, toml::Spanned::span),
        "gain",
        &format!("{gain} for the whole recording"),
        "a gain for each column",
        &format!(
            "write what the readings are multiplied by to their column: [columns] force = {{ name = \"force_n\", \
             unit = \"n\", gain = {gain} }}; a mat's stands under [mat]"
        ),
    );
}

/// A code, with a warning when it looks like something personal.
fn code(top: &Section<'_, '_>, key: &str) -> Option<String> {
    let code = top.text(key)?;
    if let Some(like) = code_warning(&code) {
        top.doc.warning(
            top.get(key).map_or(0..0, toml::Spanned::span),
            key,
            &format!("{}, which looks like {like}", shown(&code)),
            "a code that tells nobody who it is",
            "replace it by a code such as V-07",
        );
    }
    Some(code)
}

/// A check with a known weight is no press: it is left out, and its force is held against no ceiling.
fn known_weight(newtons: f64) -> String {
    format!("a check with a known weight of {newtons} N")
}

/// The reason for leaving the recording out; an exclusion without a reason is none.
fn excluded(top: &Section<'_, '_>) -> Option<String> {
    let reason = top.text("excluded");
    if let (None, Some(value)) = (&reason, top.get("excluded"))
        && value.get_ref().is_str()
    {
        top.doc.error(
            value.span(),
            "excluded",
            "no reason",
            "the reason in words",
            "say why it is left out, or take the line out",
        );
    }
    reason
}
