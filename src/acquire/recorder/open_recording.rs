//! One recording while it is open: its sidecar, its trace, its line in SHA256SUMS.

use super::columns::TraceColumns;
use super::disk::{Disk, Sink};
use super::trace_file::{SYNC_EVERY, TraceFile};
use super::file_names;
use super::written_sidecar::{WrittenColumn, WrittenLine, WrittenSidecar, distinct, drift_ppm};
use super::sums::{FOLDER, add_sum};
use crate::acquire::control::TestTurn;
use crate::acquire::station::{LineCounts, Sample, Station, StationChannel};
use crate::error::{Error, Result};
use crate::study::gains::ColumnGains;
use crate::terms::{Level, RecordingStatus, Side};
use crate::trace::About;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

const ADVICE: &str = "what was recorded up to then is kept; make room on the disk and start again: a scan goes on where it \
                      stopped";

/// What is known of a recording before its first sample.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RecordingFacts {
    pub about: About,
    /// Name of the plan that it is a step of.
    pub plan: Option<String>,
    /// How the cautions of the session were met.
    pub cautions: Option<&'static str>,
    /// What the readings of each column are multiplied by.
    pub gains: ColumnGains,
}

/// How a recording ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RecordingEnd {
    /// As a person wanted it.
    Complete,
    /// As a person wanted it, who left the step out.
    Skipped,
    /// As a person wanted it, who took it back.
    TakenBack,
    /// The device went away or the disk was full: its end may be missing. In words.
    Cut(String),
}

/// A recording; nothing of it is on the disk before its first sample.
pub struct OpenRecording {
    facts: RecordingFacts,
    station: Station,
    columns: TraceColumns,
    started: Option<Started>,
    /// How the line was when the recording began, and how it is.
    counts: [LineCounts; 2],
    /// Tests that were seen in it; `None` when nobody looks.
    pub tests: Option<u32>,
    /// What of each of them was shown, in their order.
    pub turns: Vec<TestTurn>,
}

struct Started {
    /// The trace.
    path: PathBuf,
    /// Its name within the folder of recordings.
    name: String,
    /// Nothing is kept of a practice.
    file: Option<TraceFile>,
    /// When its name was last seen to lead to it.
    seen: Instant,
    first: Sample,
    last: Sample,
    rows: u64,
}

/// A recording whose file somebody deleted or replaced while it grew: all of it is under another name now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DisplacedRecording {
    pub from: String,
    pub to: String,
}

/// Where recordings are made.
pub struct RecordingTarget<'a> {
    /// The study's folder; `None` for practice, of which nothing is kept.
    pub root: Option<&'a Path>,
    pub session: &'a str,
    pub disk: &'a dyn Disk,
    /// The least trial that the recording may have.
    pub first_trial: u32,
}

impl OpenRecording {
    /// A recording that begins with its first sample.
    ///
    /// # Errors
    /// In words, when a recording of such a station could not be read back.
    pub fn new(
        facts: RecordingFacts,
        station: &Station,
        counts: LineCounts,
        tests: Option<u32>,
    ) -> Result<Self, String> {
        Ok(OpenRecording {
            facts,
            station: station.clone(),
            columns: TraceColumns::of(station)?,
            started: None,
            counts: [counts, counts],
            tests,
            turns: Vec::new(),
        })
    }

    /// What is known of it; the trial once it has begun.
    pub fn about(&self) -> &About {
        &self.facts.about
    }

    /// Name within the folder of recordings, once it has begun and is kept.
    pub fn name(&self) -> Option<&str> {
        let started = self.started.as_ref()?;
        started.file.as_ref().map(|_| started.name.as_str())
    }

    /// How long it is, in s.
    pub fn length_s(&self) -> f64 {
        self.started
            .as_ref()
            .map_or(0.0, |s| s.last.time_s - s.first.time_s)
    }

    /// Adds samples; the first one begins the files.
    ///
    /// # Errors
    /// [`Error::Io`], [`Error::Refused`] when the files cannot be begun.
    pub fn push(&mut self, samples: &[Sample], place: &RecordingTarget<'_>, now: Instant) -> Result<()> {
        let Some(first) = samples.first() else {
            return Ok(());
        };
        if self.started.is_none() {
            self.started = Some(self.begin(first, place, now)?);
        }
        let Some(started) = &mut self.started else {
            return Ok(());
        };
        for sample in samples {
            if let Some(file) = &mut started.file {
                file.line(|text| self.columns.row(sample, started.first.time_s, text));
            }
            started.last = *sample;
            started.rows += 1;
        }
        self.tick(now)
    }

    /// Writes what is due.
    ///
    /// # Errors
    /// [`Error::Io`] when the system will not write.
    pub fn tick(&mut self, now: Instant) -> Result<()> {
        match &mut self.started {
            Some(Started {
                path,
                file: Some(file),
                ..
            }) => file.tick(now).map_err(|e| Error::io(path, e, ADVICE)),
            _ => Ok(()),
        }
    }

    /// Where its sidecar is, once it has begun and is kept.
    pub fn sidecar_path(&self) -> Option<PathBuf> {
        let started = self.started.as_ref()?;
        started.file.as_ref().map(|_| started.path.with_extension("toml"))
    }

    /// Writes the sidecar anew while the recording is open, so that what was shown of each test outlives a program that is killed.
    ///
    /// # Errors
    /// As [`Disk::replace`].
    pub fn rewrite_sidecar(&self, disk: &dyn Disk) -> Result<()> {
        match self.sidecar_path() {
            Some(path) => disk.replace(&path, self.sidecar(None, None)?.as_bytes()),
            None => Ok(()),
        }
    }

    /// How the line is.
    pub fn counts(&mut self, counts: LineCounts) {
        self.counts[1] = counts;
    }

    /// For how long the disk has been forcing it out, when that is longer than it should take.
    pub fn waits_for_disk(&self, now: Instant) -> Option<Duration> {
        self.started.as_ref()?.file.as_ref()?.waits_for_disk(now)
    }

    /// Looks, once a second or when asked `at_once`, whether its name still leads to it. When somebody deleted or replaced
    /// the file, everything in it is kept under another name, under which it goes on.
    ///
    /// # Errors
    /// As [`OpenRecording::push`].
    pub fn keep_if_displaced(
        &mut self,
        place: &RecordingTarget<'_>,
        at_once: bool,
        now: Instant,
    ) -> Result<Option<DisplacedRecording>> {
        let Some(mut started) = self.started.take() else {
            return Ok(None);
        };
        let kept = self.keep_started(&mut started, place, at_once, now);
        self.started = Some(started);
        kept
    }

    fn keep_started(
        &mut self,
        started: &mut Started,
        place: &RecordingTarget<'_>,
        at_once: bool,
        now: Instant,
    ) -> Result<Option<DisplacedRecording>> {
        let (Some(file), Some(root)) = (&mut started.file, place.root) else {
            return Ok(None);
        };
        if !at_once && now.saturating_duration_since(started.seen) < SYNC_EVERY {
            return Ok(None);
        }
        started.seen = now;
        if file.is_at(&started.path) {
            return Ok(None);
        }
        let (path, name, sink) = self.new_files(root, place)?;
        file.moved_to(sink, now).map_err(|e| Error::io(&path, e, ADVICE))?;
        path.parent().iter().for_each(|folder| place.disk.sync_folder(folder));
        started.path = path;
        Ok(Some(DisplacedRecording {
            from: std::mem::replace(&mut started.name, name.clone()),
            to: name,
        }))
    }

    fn begin(&mut self, first: &Sample, place: &RecordingTarget<'_>, now: Instant) -> Result<Started> {
        let mut started = Started {
            path: PathBuf::new(),
            name: String::new(),
            file: None,
            seen: now,
            first: *first,
            last: *first,
            rows: 0,
        };
        self.facts.about.recorded_at = Some(super::stamp());
        let Some(root) = place.root else {
            self.facts.about.trial = Some(place.first_trial);
            return Ok(started);
        };
        let (path, name, sink) = self.new_files(root, place)?;
        let file =
            TraceFile::begin(sink, &self.columns.header(), now).map_err(|e| Error::io(&path, e, ADVICE))?;
        path.parent().iter().for_each(|folder| place.disk.sync_folder(folder));
        started.path = path;
        started.name = name;
        started.file = Some(file);
        Ok(started)
    }

    /// A free name with its sidecar beside it, and an empty trace.
    fn new_files(
        &mut self,
        root: &Path,
        place: &RecordingTarget<'_>,
    ) -> Result<(PathBuf, String, Arc<dyn Sink>)> {
        let session = file_names::part(place.session);
        let folder = root.join(FOLDER).join(&session);
        place
            .disk
            .make_folder(&folder)
            .map_err(|e| Error::io(&folder, e, ADVICE))?;
        place.disk.sync_folder(&root.join(FOLDER));
        let (path, trial) = file_names::free_name(&folder, &self.words(), place.first_trial)?;
        self.facts.about.trial = Some(trial);
        let file_name = path.file_name().map(|n| n.to_string_lossy().into_owned());
        let name = format!("{session}/{}", file_name.unwrap_or_default());
        // Everything that is known stands beside the trace before there is one.
        let sidecar = self.sidecar(None, None)?;
        place
            .disk
            .replace(&path.with_extension("toml"), sidecar.as_bytes())?;
        let sink = place.disk.create(&path).map_err(|e| Error::io(&path, e, ADVICE))?;
        Ok((path, name, sink))
    }

    /// Words of the file's name.
    fn words(&self) -> Vec<String> {
        let a = &self.facts.about;
        let (level, side) = (a.level.map(Level::word), a.side.map(Side::word));
        let words = [a.subject.as_deref(), a.examiner.as_deref(), level, side];
        let words: Vec<String> = words.into_iter().flatten().map(str::to_owned).collect();
        match words.is_empty() {
            true => vec!["recording".to_owned()],
            false => words,
        }
    }

    /// Closes it: trace and its hash first, then the sidecar, replaced whole. Gives the name of what is kept.
    ///
    /// # Errors
    /// [`Error::Io`] when the system will not write; what it took is kept.
    pub fn close(
        mut self,
        ending: &RecordingEnd,
        root: Option<&Path>,
        disk: &dyn Disk,
        now: Instant,
    ) -> Result<Option<String>> {
        let Some(mut started) = self.started.take() else {
            return Ok(None);
        };
        let (Some(mut file), Some(root)) = (started.file.take(), root) else {
            return Ok(None);
        };
        let finished = file.finish(now).map_err(|e| Error::io(&started.path, e, ADVICE));
        // What a full disk took is whole lines: their hash is good, should there still be room for it.
        let sha256 = finished.as_ref().map_or_else(|_| file.sha256(), Clone::clone);
        drop(file);
        let cut = match &finished {
            Ok(_) => ending.clone(),
            Err(error) => RecordingEnd::Cut(error.to_string()),
        };
        let summed = add_sum(disk, root, &started.name, &sha256);
        let sidecar = self.sidecar(Some(&cut), Some(&started))?;
        disk.replace(&started.path.with_extension("toml"), sidecar.as_bytes())?;
        // Its new text would else be lost with the power, and a whole recording be taken for one that was cut off.
        started.path.parent().iter().for_each(|folder| disk.sync_folder(folder));
        finished?;
        summed?;
        Ok(Some(started.name))
    }

    /// The text of the sidecar. `open` until the ending is known, and after one that may have lost something.
    fn sidecar(&self, ending: Option<&RecordingEnd>, started: Option<&Started>) -> Result<String> {
        let about = &self.facts.about;
        let complete = matches!(
            ending,
            Some(RecordingEnd::Complete | RecordingEnd::Skipped | RecordingEnd::TakenBack)
        );
        let excluded = match ending {
            Some(RecordingEnd::Skipped) => Some("the step was left out while recording"),
            Some(RecordingEnd::TakenBack) => Some(super::taken_back::REASON),
            _ => None,
        };
        let of_channels = |text: fn(&StationChannel) -> &Option<String>| {
            distinct(self.station.channels.iter().filter_map(|c| text(c).as_deref()))
        };
        let sidecar = WrittenSidecar {
            format: 1,
            subject: about.subject.as_deref(),
            examiner: about.examiner.as_deref(),
            session: about.session.as_deref(),
            recorded_at: about.recorded_at.as_deref(),
            device: Some(self.station.device.trim()).filter(|d| !d.is_empty()),
            recorder_version: concat!("tautpoint ", env!("CARGO_PKG_VERSION")),
            level: about.level,
            side: about.side,
            landmark: about.landmark.as_ref(),
            contact: about.contact,
            posture: about.posture.as_ref(),
            feedback: about.feedback,
            feedback_given: self.turns.iter().map(|turn| turn.given).collect(),
            cautions: self.facts.cautions,
            plan: self.facts.plan.as_deref(),
            status: match complete {
                true => RecordingStatus::Complete,
                false => RecordingStatus::Open,
            },
            excluded,
            line_of_drive_deg: about.line_of_drive,
            trial: about.trial,
            covers: &about.covers,
            sensor: of_channels(|c| &c.sensor),
            calibration: of_channels(|c| &c.calibration),
            columns: self.columns_with_gain(),
            line: started.map(|started| self.line(ending, started)),
        };
        toml::to_string(&sidecar).map_err(|e| Error::Refused {
            found: format!("a sidecar that cannot be written: {e}"),
            advice: "this is a fault of the program; please report it".to_owned(),
        })
    }

    /// The columns that the study multiplies by something, so that they are read as they were watched whatever study.toml
    /// says later.
    fn columns_with_gain(&self) -> BTreeMap<&'static str, WrittenColumn> {
        let gains = self.station.channels.iter().filter_map(|channel| {
            let key = channel.column();
            let gain = self.facts.gains.of(key);
            (gain != 1.0).then(|| {
                let column = WrittenColumn {
                    name: channel.heading(),
                    unit: channel.unit.to_lowercase(),
                    gain,
                };
                (key.word(), column)
            })
        });
        gains.collect()
    }

    /// What was counted while it was open.
    fn line<'a>(&self, ending: Option<&'a RecordingEnd>, started: &Started) -> WrittenLine<'a> {
        let [before, after] = self.counts;
        WrittenLine {
            rows: started.rows,
            frames_lost: after.lost.saturating_sub(before.lost),
            frames_bad: after.bad.saturating_sub(before.bad),
            frames_late: after.late.saturating_sub(before.late),
            reconnected: after.reconnected,
            tests_seen: self.tests,
            clock_drift_ppm: drift_ppm(&started.first, &started.last).map(f64::round),
            ended: match ending {
                Some(RecordingEnd::Cut(why)) => Some(why),
                _ => None,
            },
        }
    }
}
