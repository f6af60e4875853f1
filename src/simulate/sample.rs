//! The sample study that ships with the program: one evening in a skill lab, invented.

use super::cohort::{PlannedRecording, about_test, place};
use super::levels::{LevelModel, log_ratio};
use super::study::{StudyFolder, plan_head, plan_step};
use super::{ExaminerFault, Rng, Sensor};
use crate::error::Result;
use crate::study::call::Call;
use crate::study::usual::UsualContact;
use crate::terms::{Contact, Felt, Landmark, Level, Side};
use crate::trace::About;

/// Seed of the study in `sample-data/`.
pub const SAMPLE_SEED: u64 = 2;

const PLAN: &str = "evening-lumbar";
const SUBJECT: &str = "V-03";
const EXAMINER: &str = "L-05";
const SESSION: &str = "2026-10-14";
/// The invented lab's own ceiling for the lumbar region, in N.
const LUMBAR_CEILING_N: f64 = 120.0;
/// Spread from one placing of the hand to the next, log scale.
const REPOSITIONING: f64 = 0.04;

/// Level, end-feel (N/mm), onset (mm), asymmetry (%), trials a side. L1 is in the plan and was not done.
const LEVELS: [(Level, f64, f64, f64, u32); 6] = [
    (Level::SacralBase, 9.8, 6.4, 1.0, 2),
    (Level::L5, 11.6, 8.6, -2.0, 3),
    (Level::L4, 10.9, 8.3, 16.0, 3),
    (Level::L3, 11.2, 8.0, 40.0, 3),
    (Level::L2, 12.1, 8.1, 1.5, 3),
    (Level::T12, 10.6, 6.8, -1.0, 2),
];

/// Broad contacts on the midline: level, what it covers, end-feel, onset.
const BROAD: [(Level, &[Level], f64, f64); 3] = [
    (Level::L5, &[Level::L4, Level::L5], 12.4, 10.1),
    (Level::L2, &[Level::L1, Level::L2, Level::L3], 12.9, 9.8),
    (Level::T12, &[Level::T11, Level::T12], 12.0, 9.0),
];

const CALLS: [(Level, Felt, f64); 6] = [
    (Level::SacralBase, Felt::Even, 2.0),
    (Level::L5, Felt::Even, 3.0),
    (Level::L4, Felt::Right, 1.0),
    (Level::L3, Felt::Right, 3.0),
    (Level::L2, Felt::Left, 2.0),
    (Level::T12, Felt::Unsure, 1.0),
];

/// The sample study: one subject, one examiner, one session.
///
/// L3 is clearly stiffer on the right, L4 lies close to the threshold, the others are alike on both sides. One test
/// is sprung before the slack is out, one goes over the lab's ceiling, L1 is missed, one call disagrees.
///
/// # Errors
/// None that its own constants do not cause.
pub fn sample_study(seed: u64) -> Result<StudyFolder> {
    let mut rng = Rng::new(seed);
    let scan = About {
        subject: Some(SUBJECT.to_owned()),
        examiner: Some(EXAMINER.to_owned()),
        session: Some(SESSION.to_owned()),
        site: Some("lantern-yard".to_owned()),
        ..About::default()
    };
    let mut recordings: Vec<PlannedRecording> = Vec::new();
    for (level, end_feel, onset_mm, asymmetry, trials) in LEVELS {
        let model = level_model(level, end_feel, onset_mm, asymmetry)?;
        for trial in 1..=trials {
            for side in [Side::Left, Side::Right] {
                let about = about_test(&scan, level, side, trial, recordings.len() as u32);
                let mut planned = test(about, &model, &mut rng);
                if let Some(fault) = fault(level, side, trial) {
                    let elastic = planned.spec.tissue.elastic;
                    planned.spec.examiner = planned.spec.examiner.with(fault, &elastic);
                }
                recordings.push(planned);
            }
        }
    }
    for (level, _, end_feel, onset_mm) in BROAD {
        let model = level_model(level, end_feel, onset_mm, 0.0)?;
        let mut about = about_test(&scan, level, Side::Midline, 1, recordings.len() as u32);
        about.contact = Some(Contact::Reinforced);
        about.landmark = Some(Landmark::known("spinous line"));
        recordings.push(test(about, &model, &mut rng));
    }
    let calls = CALLS.map(|(level, call, confidence)| Call {
        subject: SUBJECT.to_owned(),
        examiner: EXAMINER.to_owned(),
        session: SESSION.to_owned(),
        level,
        trial: Some(1),
        call,
        confidence: Some(confidence),
    });
    Ok(StudyFolder {
        study_toml: study_toml(),
        plans: vec![(PLAN.to_owned(), plan())],
        recordings,
        calls: calls.to_vec(),
        readme: Some(README.to_owned()),
    })
}

fn fault(level: Level, side: Side, trial: u32) -> Option<ExaminerFault> {
    match (level, side, trial) {
        (Level::L2, Side::Left, 1) => Some(ExaminerFault::SprungEarly),
        (Level::L5, Side::Right, 2) => Some(ExaminerFault::Over(LUMBAR_CEILING_N)),
        _ => None,
    }
}

fn level_model(level: Level, end_feel_n_per_mm: f64, onset_mm: f64, asymmetry: f64) -> Result<LevelModel> {
    Ok(LevelModel {
        level,
        end_feel_n_per_mm,
        onset_mm,
        log_ratio: log_ratio(asymmetry)?,
    })
}

fn test(about: About, model: &LevelModel, rng: &mut Rng) -> PlannedRecording {
    let factor = REPOSITIONING * rng.normal_within_3();
    let sensor = Sensor {
        rate_hz: 100.0,
        ..Sensor::default()
    };
    let mut planned = place(about, model, factor, &sensor, rng);
    planned.spec.examiner.springs = 3;
    planned
}

fn study_toml() -> String {
    format!(
        "# Invented: no such lab, no such people. See README.md.\n\
         title = \"Lantern Yard skill lab, one evening\"\n\
         site = \"lantern-yard\"\n\
         ethics_ref = \"none needed: simulated data\"\n\n\
         [ceiling_n]\n\
         lumbar = {LUMBAR_CEILING_N:.1}                  # this lab's own, lower than the shipped stand-in\n\n\
         [plan]\n\
         default = \"{PLAN}\"\n"
    )
}

fn plan() -> String {
    let mut text = plan_head(
        PLAN,
        "Prone, from the sacrum up: thumbs first, then the broad contact.",
    );
    for level in [
        Level::SacralBase,
        Level::L5,
        Level::L4,
        Level::L3,
        Level::L2,
        Level::L1,
        Level::T12,
    ] {
        text.push_str(&plan_step(level));
    }
    for (level, covers, ..) in BROAD {
        let line_of_drive_deg = UsualContact::at(level).line_of_drive.degrees();
        let covers: Vec<String> = covers.iter().map(|l| format!("\"{l}\"")).collect();
        text.push_str(&format!(
            "\n[[step]]\nlevel = \"{level}\"\nside = \"midline\"\ncontact = \"reinforced\"\n\
             landmark = \"spinous line\"\nline_of_drive_deg = {line_of_drive_deg:.1}\ncovers = [{}]\n",
            covers.join(", ")
        ));
    }
    text
}

const README: &str = "\
# Sample study

Invented data: no such lab, no such people, nobody was touched. It is made by one command, and the same seed gives
the same bytes on every machine:

    tautpoint simulate sample --out sample-data --seed 2

One learner (`L-05`) scans one volunteer (`V-03`) in one evening session of an invented skill lab, prone, from the
sacral base up to T12, with a load cell under the thumb and a displacement sensor, at 100 samples a second.

What was put into it, so that a report can be checked against it:

| level | asymmetry of end-feel stiffness | trials a side | what else |
|---|---|---|---|
| sacral base | right 1 % stiffer | 2 | |
| L5 | left 2 % stiffer | 3 | right, trial 2: over the lab's ceiling of 120 N |
| L4 | right 16 % stiffer | 3 | close to the 15 % threshold: too close to decide |
| L3 | right 40 % stiffer | 3 | |
| L2 | right 1.5 % stiffer | 3 | left, trial 1: sprung before the slack was out; the learner called it left |
| L1 | | none | in the plan, missed |
| T12 | left 1 % stiffer | 2 | |
| L5, L2, T12 | midline, broad contact | 1 | |

Each placing of the hand changes the stiffness by about 4 %, as it would on a person. The truth of each recording
stands under `[truth]` in the `.toml` file beside it.
";
