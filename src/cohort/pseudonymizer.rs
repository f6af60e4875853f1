//! Recordings for others: codes, dates and free text replaced, so that nobody who gets them can tell who it was.
//!
//! Everything depends on a secret in a key file that stays in the lab: the same code is always replaced by the same one,
//! and the key file lists which, so that a subject who withdraws can be found in what was shared.

use crate::study::door;
use super::conversion::{Conversion, OutputFile};
use super::key::{PseudonymKey, CodeKind};
use super::parquet::{Numbers, recording};
use super::rounding::{Rounding, rounded};
use crate::agreement::spread::{self, RepeatSpread};
use crate::batch;
use crate::error::{Error, Problem, Result};
use crate::instrument::{self, Instrument};
use crate::read::calibrations::Calibrations;
use crate::read::RecordingContent;
use crate::read::recording::{RecordingSource, read_recording_content};
use crate::read::{hex, parquet as read_parquet, sha256_hex};
use crate::settings::OPTIONAL;
use crate::study::folder::Study;
use crate::study::inputs::{InputFile, Inputs};
use crate::study::plan::{Plan, Step};
use crate::study::reference::is_named;
use crate::study::toml_doc::read_text;
use crate::study::{built_in, study_file};
use crate::terms::{Contact, Feedback, Landmark, Level, Posture, Role, Side};
use crate::trace::{About, Channel, Trace};
use jiff::civil::{Date, DateTime};
use jiff::{Span, ToSpan};
use std::fmt::Write as _;
use std::path::Path;
use std::sync::OnceLock;
use toml::{Table, Value};

/// Puts codes that tell nothing in the place of those of a lab.
pub struct Pseudonymizer {
    key: PseudonymKey,
    /// Of the study whose recordings are shared.
    calibrations: Calibrations,
}

/// Fewest and most days that the dates of one subject are moved back.
const DAYS: [u64; 2] = [30, 2000];
/// A recording whose clock begins later than this shows a date.
const DAY_S: f64 = 86_400.0;

impl Pseudonymizer {
    /// Opens a key file, or begins one with a new secret.
    ///
    /// # Errors
    /// [`Error::Refused`] when the file is there and holds no secret, [`Error::Io`] when it cannot be read or this system
    /// gives no random bytes.
    pub fn open(path: &Path) -> Result<Pseudonymizer> {
        let key = PseudonymKey::open(path)?;
        Ok(Pseudonymizer {
            key,
            calibrations: Calibrations::default(),
        })
    }

    /// Takes the calibrations of the study whose recordings are shared: counts become N and mm.
    pub fn for_study(&mut self, study: Option<&Study>) {
        if let Some(study) = study {
            self.calibrations = Calibrations::in_folder(&study.root).0;
        }
    }

    /// Writes the key file with everything replaced so far.
    ///
    /// # Errors
    /// As [`crate::write::write_file_whole`].
    pub fn save(&self) -> Result<()> {
        self.key.save()
    }

    fn code(&self, kind: CodeKind, code: &str) -> String {
        self.key.code(kind, code)
    }

    /// The new name of a recording, which tells nothing of the old one.
    pub(super) fn name(&self, recording: &str) -> String {
        format!(
            "recordings/r-{}.parquet",
            &hex(&self.key.hash("recording", recording))[..16]
        )
    }

    /// How far back the dates of one subject are moved: always the same, so that days between sessions stay.
    fn back(&self, subject: Option<&str>) -> Span {
        let hash = self.key.hash("days", subject.unwrap_or_default());
        let number = |at: usize| {
            let mut bytes = [0; 8];
            bytes.copy_from_slice(&hash[at..at + 8]);
            u64::from_le_bytes(bytes)
        };
        let days = DAYS[0] + number(0) % (DAYS[1] - DAYS[0]);
        i64::try_from(days).unwrap_or(30).days()
    }

    /// A day moved back; a session that is no day gets a code.
    fn session(&self, session: &str, subject: Option<&str>) -> String {
        match session.parse::<Date>() {
            Ok(day) if session.len() == 10 => {
                let moved = day.checked_sub(self.back(subject));
                moved.map_or_else(|_| self.code(CodeKind::Session, session), |d| d.to_string())
            }
            _ => self.code(CodeKind::Session, session),
        }
    }

    /// A time moved back; one that cannot be read is left out.
    fn time(&self, time: &str, subject: Option<&str>) -> Option<String> {
        let civil = time.trim_end_matches(['Z', 'z']);
        let time: DateTime = civil.parse().ok()?;
        Some(time.checked_sub(self.back(subject)).ok()?.to_string())
    }

    /// Who and where, for others.
    fn about(&self, about: &About) -> Table {
        let mut table = Table::new();
        let subject = about.subject.as_deref();
        let mut put = |key: &str, value: Option<Value>| {
            if let Some(value) = value {
                table.insert(key.to_owned(), value);
            }
        };
        let text = |text: Option<String>| text.map(Value::String);
        let word = |word: Option<&str>| word.map(|w| Value::String(w.to_owned()));
        let coded = |kind, code: &Option<String>| text(code.as_deref().map(|c| self.code(kind, c)));
        put("format", Some(Value::Integer(1)));
        put("subject", coded(CodeKind::Subject, &about.subject));
        put("examiner", coded(CodeKind::Examiner, &about.examiner));
        put(
            "session",
            text(about.session.as_deref().map(|s| self.session(s, subject))),
        );
        put(
            "recorded_at",
            text(about.recorded_at.as_deref().and_then(|t| self.time(t, subject))),
        );
        put("site", coded(CodeKind::Site, &about.site));
        put("level", word(about.level.map(Level::word)));
        put("side", word(about.side.map(Side::word)));
        put("contact", word(about.contact.map(Contact::word)));
        let landmark = about.landmark.as_ref().filter(|l| is_built_in(l));
        put("landmark", word(landmark.map(Landmark::as_str)));
        put(
            "posture",
            text(about.posture.as_ref().map(|p| self.posture(p.as_str()))),
        );
        put(
            "line_of_drive_deg",
            about.line_of_drive.map(|d| Value::Float(d.degrees())),
        );
        if !about.covers.is_empty() {
            let levels = about
                .covers
                .iter()
                .map(|l| Value::String(l.to_string()))
                .collect();
            put("covers", Some(Value::Array(levels)));
        }
        put("trial", about.trial.map(|n| Value::Integer(i64::from(n))));
        put("feedback", word(about.feedback.map(Feedback::word)));
        let left_out = about.excluded.as_ref().map(|_| "left out by a person".to_owned());
        put("excluded", text(left_out));
        table
    }

    /// A posture in words of the built-in plans, or a code: tests are told apart by it.
    fn posture(&self, posture: &str) -> String {
        if built_in_words().iter().any(|w| w == posture) {
            posture.to_owned()
        } else {
            self.code(CodeKind::Posture, posture)
        }
    }

    /// One recording for others: numbers in N and mm under our own headings, and who and where recoded.
    pub(super) fn recording(
        &self,
        inputs: &Inputs,
        file: &InputFile,
        bytes: &[u8],
        target: &str,
        round: &Rounding,
    ) -> Conversion {
        let none = Study::default();
        let study = inputs.study.as_ref().unwrap_or(&none);
        let (sidecar, mut problems) = batch::sidecar(file, bytes);
        problems.retain(|p| p.severity == crate::error::Severity::Error);
        if let Some(problem) = problems.into_iter().next() {
            return Conversion::LeftOut(Box::new(problem));
        }
        let source = RecordingSource {
            path: &file.path,
            recording: &file.recording,
            sidecar_name: &file.sidecar,
            sidecar: &sidecar,
            study,
            calibrations: &self.calibrations,
            strict: false,
        };
        if sidecar.mat_named {
            // As forces alone it would claim a certainty that the mat has not.
            let found = "a recording of a pressure mat";
            let advice = "share the mat's own file when its comments name nobody, with a sidecar of codes";
            return Conversion::left_out(file, found, "a force-displacement trace", advice);
        }
        let mut about = sidecar.about.clone();
        about.site = about.site.or_else(|| study.site.clone());
        let mut shared = self.about(&about);
        let status = sidecar.status.map(|s| s.word().to_owned());
        let plan = sidecar.plan.as_deref().and_then(|p| plan_name(study, p));
        for (key, word) in [("plan", plan), ("status", status)] {
            if let Some(word) = word {
                shared.insert(key.to_owned(), Value::String(word));
            }
        }
        if !sidecar.given.is_empty() {
            let given = sidecar.given.iter().map(|g| Value::String(g.to_string()));
            shared.insert("feedback_given".to_owned(), Value::Array(given.collect()));
        }
        if let Some(newtons) = sidecar.known_weight_n {
            shared.insert("known_weight_n".to_owned(), Value::Float(newtons));
        }
        let left_out = |error: Error| match error {
            Error::Data(problem) => Conversion::LeftOut(problem),
            other => Conversion::left_out(
                file,
                other.to_string(),
                "a recording",
                "see the message; it is left out",
            ),
        };
        let trace = match read_recording_content(&source, about, RecordingContent::File(bytes), sha256_hex(bytes)) {
            Ok(read) => read.trace,
            Err(error) => return left_out(error),
        };
        let (columns, _) = rounded(columns(&trace), round);
        let metadata = [(read_parquet::SIDECAR.to_owned(), shared.to_string())];
        match recording(&columns, &metadata) {
            Ok(bytes) => Conversion::Converted(vec![OutputFile::new(target, bytes)]),
            Err(error) => left_out(error),
        }
    }

    /// The study's other files, for others: settings, plans, codes, calls and spread, without titles, remarks and notes.
    pub(super) fn study(&self, inputs: &Inputs, study: &Study, problems: &mut Vec<Problem>) -> Vec<OutputFile> {
        let mut made = Vec::new();
        let mut put = |name: &str, text: String| {
            made.push(OutputFile::new(name, text));
        };
        put(study_file::FILE_NAME, self.study_toml(inputs, study));
        for (i, plan) in study.plans.iter().enumerate() {
            let name = nameless(i);
            put(&format!("plans/{name}.toml"), self.plan(plan, &name).to_toml());
        }
        let mut roster = "code,role,group\n".to_owned();
        for person in &study.roster.people {
            let kind = if person.role == Role::Subject {
                CodeKind::Subject
            } else {
                CodeKind::Examiner
            };
            let group = person.group.as_deref().map(|g| self.code(CodeKind::Group, g));
            let code = self.code(kind, &person.code);
            let _ = writeln!(roster, "{code},{},{}", person.role, group.unwrap_or_default());
        }
        if !study.roster.people.is_empty() {
            put("roster.csv", roster);
        }
        if !study.calls.is_empty() {
            put("calls.csv", self.calls(study));
        }
        let root = &study.root;
        let mut text_of = |name: &str| read_text(&root.join(name), name).map_err(|p| problems.push(p)).ok();
        let texts = [spread::FILE_NAME, instrument::FILE_NAME]
            .map(|name| door::is_there(&root.join(name)).then(|| text_of(name)).flatten());
        let [spread, instrument] = texts;
        if let Some(text) = spread {
            let (spread, found) = RepeatSpread::parse(spread::FILE_NAME, &text);
            problems.extend(found);
            if let Some(spread) = spread {
                put(spread::FILE_NAME, spread.to_toml());
            }
        }
        if let Some(text) = instrument {
            let (instrument, found) = Instrument::parse(instrument::FILE_NAME, &text);
            problems.extend(found);
            if let Some(mut instrument) = instrument {
                instrument.made = None;
                instrument.recordings.clear();
                instrument.notes.clear();
                put(instrument::FILE_NAME, instrument.to_toml());
            }
        }
        made
    }

    fn calls(&self, study: &Study) -> String {
        let mut calls = "subject,examiner,session,level,trial,call,confidence\n".to_owned();
        for call in &study.calls {
            let number = |n: Option<String>| n.unwrap_or_default();
            let _ = writeln!(
                calls,
                "{},{},{},{},{},{},{}",
                self.code(CodeKind::Subject, &call.subject),
                self.code(CodeKind::Examiner, &call.examiner),
                self.session(&call.session, Some(&call.subject)),
                call.level,
                number(call.trial.map(|t| t.to_string())),
                call.call,
                number(call.confidence.map(|c| c.to_string())),
            );
        }
        calls
    }

    /// A plan under another name, its postures and landmarks as those of the recordings are.
    fn plan(&self, plan: &Plan, name: &str) -> Plan {
        let posture = |p: &Option<Posture>| {
            let word = p.as_ref().map(|p| self.posture(p.as_str()));
            word.and_then(|w| Posture::new(&w))
        };
        let step = |s: &Step| Step {
            level: s.level,
            side: s.side,
            contact: s.contact,
            landmark: s.landmark.clone().filter(is_built_in),
            line_of_drive: s.line_of_drive,
            covers: s.covers.clone(),
            trials: s.trials,
            posture: posture(&s.posture),
        };
        Plan {
            name: name.to_owned(),
            posture: posture(&plan.posture),
            order: plan.order,
            seed: plan.seed,
            steps: plan.steps.iter().map(step).collect(),
        }
    }

    /// What study.toml sets: numbers under keys that are known, the default plan and the reference by their new names.
    /// Nothing else of it is taken over.
    fn study_toml(&self, inputs: &Inputs, study: &Study) -> String {
        let mut shared = Table::new();
        let settings = Table::try_from(&study.settings).unwrap_or_default();
        for (key, origin) in &study.settings.set_in {
            let parts: Vec<&str> = key.split('.').collect();
            // What a lab decided beforehand is its own: others set theirs.
            if origin != study_file::FILE_NAME || OPTIONAL.iter().any(|s| s.key == key) {
                continue;
            }
            if let Some(value) = value_at(&settings, &parts).filter(|v| is_numbers(v)) {
                put_at(&mut shared, &parts, value.clone());
            }
        }
        if let Some(plan) = study.default_plan.as_ref().and_then(|p| plan_name(study, &p.name)) {
            put_at(&mut shared, &["plan", "default"], Value::String(plan));
        }
        let recordings = inputs.files.iter().map(|f| &f.recording);
        let named = recordings.filter(|r| study.reference.iter().any(|name| is_named(r, name)));
        let reference: Vec<Value> = named.map(|r| Value::String(self.name(r))).collect();
        if !reference.is_empty() {
            put_at(&mut shared, &["technique", "reference"], Value::Array(reference));
        }
        format!("# Shared: codes, dates and free text were replaced.\n{shared}")
    }
}

/// The name of a study's plan for others, by its place.
fn nameless(place: usize) -> String {
    format!("plan-{}", place + 1)
}

/// What a plan is called for others: a built-in one as ever, one of the study by its place, any other not at all.
fn plan_name(study: &Study, name: &str) -> Option<String> {
    let own = study.plans.iter().position(|p| p.name == name);
    own.map(nameless)
        .or_else(|| built_in::NAMES.iter().find(|n| **n == name).map(|n| (*n).to_owned()))
}

fn is_numbers(value: &Value) -> bool {
    match value {
        Value::Integer(_) | Value::Float(_) | Value::Boolean(_) => true,
        Value::Array(all) => all.iter().all(is_numbers),
        _ => false,
    }
}

fn value_at<'t>(table: &'t Table, parts: &[&str]) -> Option<&'t Value> {
    match parts {
        [] => None,
        [last] => table.get(*last),
        [first, rest @ ..] => value_at(table.get(*first)?.as_table()?, rest),
    }
}

fn put_at(table: &mut Table, parts: &[&str], value: Value) {
    match parts {
        [] => {}
        [last] => {
            table.insert((*last).to_owned(), value);
        }
        [first, rest @ ..] => {
            let inner = table.entry((*first).to_owned()).or_insert_with(|| Value::Table(Table::new()));
            if let Value::Table(inner) = inner {
                put_at(inner, rest, value);
            }
        }
    }
}

fn is_built_in(landmark: &Landmark) -> bool {
    built_in_words().iter().any(|w| w == landmark.as_str())
}

/// Landmarks and postures of the built-in plans, which tell of nobody.
fn built_in_words() -> &'static [String] {
    static WORDS: OnceLock<Vec<String>> = OnceLock::new();
    WORDS.get_or_init(|| {
        let mut words = Vec::new();
        for plan in built_in::all() {
            words.extend(plan.posture.map(String::from));
            for step in plan.steps {
                words.extend(step.posture.map(String::from));
                words.extend(step.landmark.map(String::from));
            }
        }
        words.sort();
        words.dedup();
        words
    })
}

/// The trace as columns under our own headings, from the first sample's time on.
fn columns(trace: &Trace) -> Vec<Numbers> {
    let present = |values: &[f64]| values.iter().map(|v| Some(*v).filter(|v| !v.is_nan())).collect();
    let start = trace
        .time_s
        .first()
        .copied()
        .filter(|t| t.abs() > DAY_S)
        .unwrap_or(0.0);
    let time_s: Vec<f64> = trace.time_s.iter().map(|t| t - start).collect();
    let mut columns: Vec<Numbers> = vec![("time_s".to_owned(), present(&time_s))];
    let infix = |c: &Channel| match c.side {
        Some(side) if trace.channels.len() > 1 => format!("{side}_"),
        _ => String::new(),
    };
    for channel in &trace.channels {
        columns.push((format!("force_{}n", infix(channel)), present(&channel.force_n)));
    }
    for (i, channel) in trace.channels.iter().enumerate() {
        match &channel.displacement_mm {
            Some(x) if !channel.displacement_shared => {
                columns.push((format!("displacement_{}mm", infix(channel)), present(x)));
            }
            Some(x) if i == 0 => columns.push(("displacement_mm".to_owned(), present(x))),
            _ => {}
        }
    }
    if let Some(marker) = &trace.marker {
        let values = marker.iter().map(|m| Some(*m as f64)).collect();
        columns.push(("marker".to_owned(), values));
    }
    if let Some(tilt) = &trace.drive_deg {
        columns.push(("drive_deg".to_owned(), present(tilt)));
    }
    columns
}
