//! Columns of `tests` and `springs`, and those that several tables share.

use super::{Column, Kind};
use std::borrow::Cow;

pub(super) const fn column(
    name: &'static str,
    kind: Kind,
    unit: &'static str,
    section: &'static str,
    meaning: &'static str,
) -> Column {
    Column {
        name: Cow::Borrowed(name),
        kind,
        unit,
        meaning: Cow::Borrowed(meaning),
        section,
    }
}

// Columns that several tables share.
pub const RECORDING: Column = column(
    "recording",
    Kind::Text,
    "",
    "",
    "path of the recording, relative to the input given",
);
pub const TEST: Column = column(
    "test",
    Kind::Int,
    "",
    "2.2",
    "episode of contact within the recording, from 1; both sides of a bilateral trace share it",
);
pub const SUBJECT: Column = column("subject", Kind::Text, "", "", "code of the subject");
pub const EXAMINER: Column = column("examiner", Kind::Text, "", "", "code of the examiner");
pub const SESSION: Column = column("session", Kind::Text, "", "", "code or date of the session");
pub const LEVEL: Column = column("level", Kind::Text, "", "", "level of the spine");
pub const SIDE: Column = column(
    "side",
    Kind::Text,
    "",
    "",
    "the subject's side: left, right or midline",
);
pub const CONTACT: Column = column(
    "contact",
    Kind::Text,
    "",
    "",
    "part of the hand: thumb, thumb_finger, thenar or reinforced",
);
pub const POSTURE: Column = column("posture", Kind::Text, "", "", "posture of the subject");
pub const LINE_OF_DRIVE: Column = column(
    "line_of_drive_deg",
    Kind::Num,
    "deg",
    "1.8",
    "planned angle between the push and the skin, from the foot side: 90 is straight in",
);
pub const COVERS: Column = column(
    "covers",
    Kind::List(" "),
    "",
    "",
    "levels that one contact covered, when several",
);

// Columns of `tests`, beside the measures.
pub const TRIAL: Column = column(
    "trial",
    Kind::Int,
    "",
    "",
    "which test of this side and level it is",
);
pub const RATE: Column = column(
    "rate_hz",
    Kind::Num,
    "Hz",
    "1.1",
    "samples a second: one over the step of the uniform time base",
);
pub const SAMPLES: Column = column(
    "samples",
    Kind::Int,
    "",
    "2.4",
    "samples from the first to the last in contact",
);
pub const SPRINGS: Column = column(
    "springs",
    Kind::Int,
    "",
    "2.9",
    "springs found, the first one included",
);
pub const WINDOW: Column = column(
    "window",
    Kind::Text,
    "",
    "3.5",
    "the two loads that the window stiffness lies between",
);
pub const KNEE_FOUND: Column = column(
    "knee_found",
    Kind::Bool,
    "",
    "4.9",
    "whether the push is shown to have gone past the toe; missing where it was not looked for",
);
pub const NOTES: Column = column(
    "notes",
    Kind::List("; "),
    "",
    "",
    "what the reader of the row should know, each beginning with a short fixed phrase",
);
pub const LANDMARK: Column = column("landmark", Kind::Text, "", "", "bony landmark under the contact");
pub const SITE: Column = column("site", Kind::Text, "", "", "where it was recorded");
pub const RECORDED_AT: Column = column(
    "recorded_at",
    Kind::Text,
    "",
    "",
    "when it was recorded, as the sidecar says",
);
pub const FEEDBACK: Column = column(
    "feedback",
    Kind::Text,
    "",
    "9.9",
    "feedback the examiner had: live, after, on-request or none",
);
pub const TOTAL_PEAK: Column = column(
    "total_peak_n",
    Kind::Num,
    "N",
    "3.2",
    "highest force of all contacts together, which a ceiling is set for",
);
pub const DRIVE: Column = column(
    "drive_deg",
    Kind::Num,
    "deg",
    "3.13",
    "measured line of drive, mean over the springs",
);
pub const KNEE_METHOD: Column = column(
    "knee_method",
    Kind::Text,
    "",
    "4.9",
    "how the knee was found: whole_trace_fit or two_lines",
);
pub const FIT_RESIDUAL: Column = column(
    "fit_residual_percent",
    Kind::Num,
    "%",
    "4.8",
    "residual of the whole-trace fit over the springs, as a share of their force range",
);

// Columns of `springs`.
pub const SPRING: Column = column(
    "spring",
    Kind::Int,
    "",
    "2.9",
    "number of the spring within its test, from 1",
);
pub const COUNTED: Column = column(
    "counted",
    Kind::Bool,
    "",
    "2.9",
    "whether it enters the means; the first of three or more is preconditioning",
);
pub const START_S: Column = column(
    "start_s",
    Kind::Num,
    "s",
    "2.6",
    "time at which the loading limb leaves the preload",
);
pub const PEAK_S: Column = column("peak_s", Kind::Num, "s", "2.6", "time of the peak");
pub const END_S: Column = column(
    "end_s",
    Kind::Num,
    "s",
    "2.6",
    "time at which the recoil limb comes back to rest",
);
pub const SPRING_PRELOAD: Column = column(
    "preload_n",
    Kind::Num,
    "N",
    "2.7",
    "force just before this spring",
);
pub const SPRING_PEAK: Column = column("peak_n", Kind::Num, "N", "3.2", "highest force of this spring");
pub const START_MM: Column = column("start_mm", Kind::Num, "mm", "2.6", "displacement at the start");
pub const PEAK_MM: Column = column("peak_mm", Kind::Num, "mm", "2.6", "displacement at the peak");
pub const END_MM: Column = column("end_mm", Kind::Num, "mm", "2.6", "displacement at the end");
pub const SPRING_EXCURSION: Column = column(
    "excursion_mm",
    Kind::Num,
    "mm",
    "3.3",
    "displacement of this spring from preload to peak",
);
pub const SPRING_END_FEEL: Column = column(
    "end_feel_n_per_mm",
    Kind::Num,
    "N/mm",
    "3.4",
    "end-feel stiffness of this spring: slope of the loading limb beyond the onset, 20 to 80 % of the excursion",
);
pub const SPRING_SECANT: Column = column(
    "secant_n_per_mm",
    Kind::Num,
    "N/mm",
    "3.6",
    "force gained over displacement gained in this spring, preload to peak",
);
pub const LOADING_WORK: Column = column(
    "loading_work_mj",
    Kind::Num,
    "mJ",
    "3.8",
    "work done on the loading limb, the limb cut as for the loss",
);
pub const SPRING_LOSS: Column = column(
    "loss_mj",
    Kind::Num,
    "mJ",
    "3.8",
    "energy of this spring that did not come back: area of its loop",
);
pub const SPRING_LOSS_RATIO: Column = column(
    "loss_ratio",
    Kind::Num,
    "",
    "3.8",
    "loss over loading work of this spring",
);
pub const SPRING_RECOIL: Column = column(
    "recoil_ratio",
    Kind::Num,
    "",
    "3.9",
    "share of the excursion recovered at the end of this spring",
);
pub const SPRING_TIME_TO_PEAK: Column = column(
    "time_to_peak_s",
    Kind::Num,
    "s",
    "3.10",
    "time of the force rise from 10 to 90 %",
);
pub const LOADING_RATE: Column = column(
    "loading_rate_n_per_s",
    Kind::Num,
    "N/s",
    "3.10",
    "0.8 of the force rise over the time to peak",
);
pub const DROPPED: Column = column(
    "dropped",
    Kind::Text,
    "",
    "2.9",
    "why the spring was dropped from every mean, if it was",
);
