//! What the stages pass along: [`Trace`] in, [`Test`] and [`Spring`] out, with their invariants.

mod estimate;
mod law;
mod note;
pub mod order;

pub use crate::terms::Side;
pub use estimate::{BudgetLine, Estimate, Measured, Measures, UncertaintySource};
pub use law::{CurveShape, LawPart, LawShare, OtherRules};
pub use note::{AgainstKnee, Note};

use crate::columns::Measure;
use crate::terms::{ChangeWord, Contact, Feedback, Given, Landmark, Level, LineOfDrive, Posture, SessionKey, TestKey};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Who, where and how: what a sidecar, a plan step or a roster knows of a test. All are codes, never names.
///
/// Empty is `None`, never an empty string.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct About {
    /// Code of who is pressed on.
    pub subject: Option<String>,
    /// Code of who presses.
    pub examiner: Option<String>,
    /// Name of the session.
    pub session: Option<String>,
    /// Code of the lab.
    pub site: Option<String>,
    /// When it was recorded.
    pub recorded_at: Option<String>,
    /// Level of the spine.
    pub level: Option<Level>,
    /// The subject's side.
    pub side: Option<Side>,
    /// The part of the hand.
    pub contact: Option<Contact>,
    /// What the hand was placed by.
    pub landmark: Option<Landmark>,
    /// How the subject lies or sits.
    pub posture: Option<Posture>,
    #[serde(rename = "line_of_drive_deg")]
    /// Direction of the push.
    pub line_of_drive: Option<LineOfDrive>,
    /// Levels that one contact covers (`reinforced` steps); empty for a single level.
    pub covers: Vec<Level>,
    /// Which repetition, from 1.
    pub trial: Option<u32>,
    /// What the examiner was shown.
    pub feedback: Option<Feedback>,
    /// What of this test was shown in fact; `None` where nobody noted it.
    pub given: Option<Given>,
    /// Why a person left the recording out, if somebody did.
    pub excluded: Option<String>,
}

impl About {
    /// Its level and those that the contact covers beside it; none when nobody said where it was.
    pub fn levels(&self) -> impl Iterator<Item = Level> + '_ {
        self.level.into_iter().chain(self.covers.iter().copied())
    }

    /// The session that the test belongs to.
    pub fn session(&self) -> SessionKey {
        SessionKey {
            subject: self.subject.clone(),
            examiner: self.examiner.clone(),
            session: self.session.clone(),
        }
    }

    /// What only tests of its kind share.
    pub fn key(&self) -> TestKey {
        TestKey {
            subject: self.subject.clone(),
            examiner: self.examiner.clone(),
            session: self.session.clone(),
            posture: self.posture.clone(),
            contact: self.contact,
            level: self.level,
            line_of_drive: self.line_of_drive,
        }
    }
}

/// One sensor's record under one side.
///
/// Invariants: `force_n` and, when there, `displacement_mm` are as long as the trace's `time_s`; a missing
/// sample is NaN.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// `None` when the file does not say; the sidecar or the plan then does.
    pub side: Option<Side>,
    /// Force.
    pub force_n: Vec<f64>,
    /// Displacement, where there is a sensor.
    pub displacement_mm: Option<Vec<f64>>,
    /// The displacement is shared with the other side's channel.
    pub displacement_shared: bool,
}

/// Force (and displacement) against time from one sensor set-up: one file.
///
/// Invariants, kept by `read`: one or two channels; two have the sides left and right, in that order; times are
/// finite and strictly increasing; nothing has been filtered or zeroed.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Path relative to the input given, with forward slashes.
    pub recording: String,
    /// Time.
    pub time_s: Vec<f64>,
    /// One a hand.
    pub channels: Vec<Channel>,
    /// Steps up at each new test.
    pub marker: Option<Vec<i64>>,
    /// Tilt of the push, as the line of drive is counted.
    pub drive_deg: Option<Vec<f64>>,
    /// Who, where and how.
    pub about: About,
    /// Things found while reading that the reader of a result should know.
    pub notes: Vec<String>,
}

/// What stands where words would tell of a measured side of a blind study.
pub const HIDDEN: &str = "blinded: hidden until `tautpoint open STUDY`";

/// Why a spring that was found enters no mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum DropCause {
    /// Samples are missing inside it.
    Gap,
    /// A sensor gave no readings of its own for too much of it.
    NoReadings,
    /// The load cell was at its limit.
    FlatTop,
    /// The displacement sensor was at the end of its way.
    DisplacementStopped,
    /// Not told while the study is blinded.
    Hidden,
}

impl fmt::Display for DropCause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            DropCause::Gap => "a gap of over 50 ms lies inside it",
            DropCause::NoReadings => "a sensor gave no reading of its own for over 50 ms of it",
            DropCause::FlatTop => "the load cell stood at its limit: a flat top is no peak",
            DropCause::DisplacementStopped => "the displacement sensor stood at the end of its way: a flat top is no turn",
            DropCause::Hidden => HIDDEN,
        })
    }
}

/// One press-and-return cycle.
///
/// Times are the recording's own, in s; without displacement everything that needs it is `None`.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Spring {
    /// Counts from 1 within the test.
    pub number: u32,
    /// Where the loading limb leaves the preload.
    pub start_s: f64,
    /// Time of the highest displacement (of force, without it).
    pub peak_s: f64,
    /// Where the recoil limb comes back to rest.
    pub end_s: f64,
    /// Whether it enters the means: the first of three or more is preconditioning and does not.
    pub counted: bool,
    /// Force held before it.
    pub preload_n: Option<f64>,
    /// Highest force.
    pub peak_n: f64,
    /// Displacement where it starts.
    pub start_mm: Option<f64>,
    /// Highest displacement.
    pub peak_mm: Option<f64>,
    /// Displacement where it ends.
    pub end_mm: Option<f64>,
    /// From start to peak.
    pub excursion_mm: Option<f64>,
    /// Slope beyond the onset.
    pub end_feel_n_per_mm: Option<f64>,
    /// Force rise over excursion.
    pub secant_n_per_mm: Option<f64>,
    /// Work of the loading limb.
    pub loading_work_mj: Option<f64>,
    /// Work that the recoil limb does not give back.
    pub loss_mj: Option<f64>,
    /// Loss over loading work.
    pub loss_ratio: Option<f64>,
    /// Share of the excursion that came back.
    pub recoil_ratio: Option<f64>,
    /// From 10 to 90 % of the force rise.
    pub time_to_peak_s: Option<f64>,
    /// Of the same part of the rise.
    pub loading_rate_n_per_s: Option<f64>,
    /// Why it was dropped from every mean, if it was.
    pub dropped: Option<DropCause>,
}

/// What the fit says of the knee.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Knee {
    /// Found by the whole-trace fit.
    Fitted,
    /// The whole-trace fit explained the springs poorly; the two-line knee of the lean stands in.
    TwoLines,
    /// The push never went past the toe: the slack is not shown to be out.
    None,
    /// Not looked for: no displacement, or too little of the push was recorded.
    #[default]
    NotLooked,
}

/// Times of the phases of a test, in the recording's own seconds.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Phases {
    /// First contact.
    pub contact_begin_s: f64,
    /// First passage of the onset on the way in.
    pub onset_s: Option<f64>,
    /// End of the lean: start of the first spring, or the peak when nothing was held.
    pub lean_end_s: f64,
    /// End of the last spring's recoil limb, when there are springs.
    pub springs_end_s: Option<f64>,
    /// The hand is off.
    pub contact_end_s: f64,
    /// The hold that steadiness is taken over, when there is one.
    pub hold_s: Option<[f64; 2]>,
}

/// A conditioned curve thin enough to keep for drawing (about 100 samples a second).
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Curve {
    /// Time.
    pub time_s: Vec<f32>,
    /// Force.
    pub force_n: Vec<f32>,
    /// Empty without displacement.
    pub displacement_mm: Vec<f32>,
}

/// The conditioned signals of one test at every sample, with some of the open before and after it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ConditionedSignals {
    /// In the recording's own seconds.
    pub time_s: Vec<f64>,
    /// Force from its zero.
    pub force_n: Vec<f64>,
    /// `None` without displacement.
    pub displacement_mm: Option<Vec<f64>>,
}

/// The whole-trace fit, for drawing its lines and reporting how well it holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitSummary {
    /// Displacement of the knee.
    pub onset_mm: f64,
    /// Force at the knee.
    pub onset_n: f64,
    /// Slope before the knee.
    pub take_up_n_per_mm: f64,
    /// Slope beyond the onset.
    pub end_feel_n_per_mm: f64,
    /// Width of the knee.
    pub knee_width_mm: f64,
    /// Viscous damping.
    pub damping_n_s_per_mm: f64,
    /// Of the relaxing branch, when there is one.
    pub relaxation_time_s: Option<f64>,
    /// Residual of the springs over their force range, in percent; `None` without springs.
    pub residual_percent: Option<f64>,
    /// The laws that were averaged, the one that weighs most first; empty where the plain law was not in doubt.
    pub laws: Vec<LawShare>,
    /// Where other rules put the onset.
    pub rules: OtherRules,
}

/// An entry of corrections.toml that a test rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Corrected {
    /// Its number in the file.
    pub entry: u32,
    /// Code of who made it.
    pub who: String,
    /// What was put right.
    pub change: ChangeWord,
    /// Where a mark was set, in the recording's own seconds.
    pub at_s: Option<f64>,
}

impl fmt::Display for Corrected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({})", self.entry, self.who)
    }
}

/// One episode from touching to leaving, of one side.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Test {
    /// Path of the recording relative to the input given, with forward slashes.
    pub recording: String,
    /// Episode within the recording, from 1; both sides of a bilateral trace share it.
    pub test: u32,
    /// Who, where and how.
    pub about: About,
    /// Samples a second.
    pub rate_hz: f64,
    /// Raw samples from touching to leaving.
    pub samples: usize,
    /// When each phase begins and ends.
    pub phases: Phases,
    /// In time order.
    pub springs: Vec<Spring>,
    /// What was measured.
    pub measures: Measures,
    /// Loads of the window stiffness.
    pub window_n: [f64; 2],
    /// How the onset was found.
    pub knee: Knee,
    /// The whole-trace fit, when there is one.
    pub fit: Option<FitSummary>,
    /// Highest force of all contacts together, which is what a ceiling is set for.
    pub total_peak_n: f64,
    /// Mean tilt over the springs, when a sensor measured it.
    pub drive_deg: Option<f64>,
    /// What a reader of the numbers should know.
    pub notes: Vec<Note>,
    /// What a person put right in it; its numbers rest on that.
    pub corrections: Vec<Corrected>,
    /// What figures are drawn from. It is kept apart from the rest, since nothing else needs it.
    #[serde(skip)]
    pub curve: Curve,
}

impl Test {
    /// Side of the test; a test whose side nobody named stands as midline in no table, so this is an option.
    pub fn side(&self) -> Option<Side> {
        self.about.side
    }

    /// Begin of the names of its files: its recording, its number and its side.
    pub(crate) fn file_stem(&self) -> String {
        let file = self.recording.rsplit('/').next();
        let stem = file.and_then(|f| f.split('.').next()).unwrap_or("");
        let side = self.side().map_or("side", Side::word);
        format!("{stem}-{}-{side}", self.test)
    }

    /// Words that a person set at moments of it: time and word.
    pub fn annotations(&self) -> impl Iterator<Item = (f64, &str)> {
        self.notes.iter().filter_map(|note| match note {
            Note::Annotated { at_s, word } => Some((*at_s, word.as_str())),
            _ => None,
        })
    }

    /// The value of a measure.
    pub fn value(&self, measure: Measure) -> Option<f64> {
        self.measures.value(measure)
    }

    /// The value of a measure where it may stand as a finding ([`Measures::finding`]).
    pub fn finding(&self, measure: Measure) -> Option<f64> {
        self.measures.finding(measure).map(|e| e.value)
    }

    /// Its notes, and after them which numbers are not determined (METHODS.md §5.4).
    pub fn remarks(&self) -> Vec<Note> {
        let mut all = self.notes.clone();
        let measures = self.measures.not_determined();
        if !measures.is_empty() {
            all.push(Note::NotDetermined { measures });
        }
        all
    }

    /// Springs that enter the means.
    pub fn counted_springs(&self) -> impl Iterator<Item = &Spring> {
        self.springs.iter().filter(|s| s.counted && s.dropped.is_none())
    }
}
