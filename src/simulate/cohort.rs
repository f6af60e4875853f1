//! Many tests with known spread: subjects, levels and sides, examiners, sessions, trials.
//!
//! On the log scale a test's stiffness is the level's usual value + subject + level within the subject ∓ half the
//! asymmetry + examiner + repositioning. Each is normal with the standard deviation of [`CohortSpread`], cut at three.

use super::levels::{LevelModel, log_ratio, usual_end_feel_n_per_mm, usual_onset_mm};
use super::{Examiner, Rng, Sensor, Simulated, TraceSpec, simulate};
use crate::error::{Error, Result};
use crate::study::call::Call;
use crate::study::usual::UsualContact;
use crate::terms::{Day, Feedback, Felt, Level, Posture, Side};
use crate::trace::About;

/// Standard deviations of the natural logarithm of stiffness: 0.05 is about 5 %.
#[derive(Debug, Clone, PartialEq)]
pub struct CohortSpread {
    pub between_subjects: f64,
    /// Of a level about the subject's own profile.
    pub levels: f64,
    /// Of right over left, where no asymmetry was asked for.
    pub sides: f64,
    pub examiners: f64,
    /// From one placing of the hand to the next.
    pub repositioning: f64,
}

impl Default for CohortSpread {
    fn default() -> Self {
        CohortSpread {
            between_subjects: 0.25,
            levels: 0.08,
            sides: 0.02,
            examiners: 0.04,
            repositioning: 0.05,
        }
    }
}

/// More than a study folder can be worked with.
const MOST_RECORDINGS: u64 = 200_000;

/// A study to be invented.
#[derive(Debug, Clone, PartialEq)]
pub struct Cohort {
    pub subjects: u32,
    pub examiners: u32,
    pub sessions: u32,
    /// Trials a side at each level.
    pub trials: u32,
    /// In the order of the scan.
    pub levels: Vec<Level>,
    /// Level and asymmetry in percent, positive when the right is stiffer; the same in every subject.
    pub asymmetry_percent: Vec<(Level, f64)>,
    pub spread: CohortSpread,
    pub sensor: Sensor,
}

impl Default for Cohort {
    fn default() -> Self {
        Cohort {
            subjects: 1,
            examiners: 1,
            sessions: 1,
            trials: 3,
            levels: vec![Level::L5, Level::L4, Level::L3, Level::L2, Level::L1],
            asymmetry_percent: Vec::new(),
            spread: CohortSpread::default(),
            sensor: Sensor {
                rate_hz: 200.0,
                ..Sensor::default()
            },
        }
    }
}

/// One recording that is to be simulated.
#[derive(Debug, Clone)]
pub struct PlannedRecording {
    pub about: About,
    pub spec: TraceSpec,
    pub seed: u64,
    /// The level it belongs to, without examiner and placing.
    pub level: LevelModel,
}

impl PlannedRecording {
    /// Simulates it; the trace and the truth know whose it is.
    pub fn simulate(&self) -> Simulated {
        let mut made = simulate(&self.spec, self.seed);
        made.truth.side = self.about.side;
        for trace in [&mut made.trace, &mut made.noise_free] {
            trace.about = self.about.clone();
            trace.recording = format!("recordings/{}.csv", self.stem());
            for channel in &mut trace.channels {
                channel.side = self.about.side;
            }
        }
        made
    }

    /// Name of its files without the ending.
    pub fn stem(&self) -> String {
        let a = &self.about;
        let word = |code: &Option<String>| code.clone().unwrap_or_default();
        format!(
            "{}_{}_{}_{}_{}_{}",
            word(&a.subject),
            word(&a.examiner),
            word(&a.session),
            a.level.map_or("", Level::word),
            a.side.map_or("", Side::word),
            a.trial.unwrap_or(1)
        )
    }
}

impl Cohort {
    /// Refuses numbers that cannot be meant.
    ///
    /// # Errors
    /// [`Error::Setting`] naming the first one.
    pub fn check(&self) -> Result<()> {
        for (what, found) in [
            ("subjects", self.subjects),
            ("examiners", self.examiners),
            ("sessions", self.sessions),
            ("trials", self.trials),
        ] {
            if !(1..=999).contains(&found) {
                return Err(setting(what, &found.to_string(), "a whole number from 1 to 999"));
            }
        }
        let parts = [
            self.subjects,
            self.examiners,
            self.sessions,
            self.trials,
            2 * self.levels.len() as u32,
        ];
        let total = parts
            .iter()
            .fold(1_u64, |n, &part| n.saturating_mul(u64::from(part)));
        if total > MOST_RECORDINGS {
            let expected =
                format!("{MOST_RECORDINGS} at most: fewer subjects, examiners, sessions or trials");
            return Err(setting("the number of recordings", &total.to_string(), &expected));
        }
        if self.levels.is_empty() {
            return Err(setting("levels", "empty", "at least one level, such as L3"));
        }
        for (i, level) in self.levels.iter().enumerate() {
            if self.levels[..i].contains(level) {
                return Err(setting("levels", &format!("{level} twice"), "each level once"));
            }
        }
        for (level, percent) in &self.asymmetry_percent {
            if !self.levels.contains(level) {
                return Err(setting("asymmetry", level.word(), "a level that the study has"));
            }
            log_ratio(*percent)?;
        }
        Ok(())
    }

    /// Draws one subject's levels.
    fn subject(&self, rng: &mut Rng) -> Result<Vec<LevelModel>> {
        let s = &self.spread;
        let stiff = s.between_subjects * rng.normal_within_3();
        let deep = 0.1 * rng.normal_within_3();
        let mut levels = Vec::new();
        for &level in &self.levels {
            let own = s.levels * rng.normal_within_3();
            let natural = s.sides * rng.normal_within_3();
            let asked = self.asymmetry_percent.iter().find(|(l, _)| *l == level);
            levels.push(LevelModel {
                level,
                end_feel_n_per_mm: usual_end_feel_n_per_mm(level) * libm::exp(stiff + own),
                onset_mm: usual_onset_mm(level.region()) * libm::exp(deep),
                log_ratio: match asked {
                    Some((_, percent)) => log_ratio(*percent)?,
                    None => natural,
                },
            });
        }
        Ok(levels)
    }

    /// Every recording of the study and every call, in the order they would be made.
    ///
    /// # Errors
    /// As [`Cohort::check`].
    pub fn plan(&self, seed: u64) -> Result<(Vec<PlannedRecording>, Vec<Call>)> {
        self.check()?;
        let mut rng = Rng::new(seed);
        let habits: Vec<f64> = (0..self.examiners)
            .map(|_| self.spread.examiners * rng.normal_within_3())
            .collect();
        let mut recordings = Vec::new();
        let mut calls = Vec::new();
        for subject in 1..=self.subjects {
            let levels = self.subject(&mut rng)?;
            for (examiner, &habit) in habits.iter().enumerate() {
                for session in 0..self.sessions {
                    let about = About {
                        subject: Some(code('V', subject)),
                        examiner: Some(code('L', examiner as u32 + 1)),
                        session: Some(session_date(session)),
                        ..About::default()
                    };
                    self.scan(&about, &levels, habit, &mut rng, &mut recordings, &mut calls);
                }
            }
        }
        Ok((recordings, calls))
    }

    fn scan(
        &self,
        about: &About,
        levels: &[LevelModel],
        habit: f64,
        rng: &mut Rng,
        recordings: &mut Vec<PlannedRecording>,
        calls: &mut Vec<Call>,
    ) {
        let mut placed = 0;
        for model in levels {
            for trial in 1..=self.trials {
                for side in [Side::Left, Side::Right] {
                    let about = about_test(about, model.level, side, trial, placed);
                    let factor = habit + self.spread.repositioning * rng.normal_within_3();
                    recordings.push(place(about, model, factor, &self.sensor, rng));
                    placed += 1;
                }
                calls.push(call_of(about, model, trial, rng));
            }
        }
    }
}

/// A test of the model at a level: the examiner drawn, the onset a little elsewhere each time.
pub(super) fn place(
    about: About,
    model: &LevelModel,
    factor: f64,
    sensor: &Sensor,
    rng: &mut Rng,
) -> PlannedRecording {
    let shift_mm = 0.15 * rng.normal_within_3();
    let side = about.side.unwrap_or(Side::Midline);
    PlannedRecording {
        about,
        spec: TraceSpec {
            tissue: model.tissue(side, factor, shift_mm),
            examiner: Examiner::drawn(rng),
            sensor: sensor.clone(),
        },
        seed: rng.seed(),
        level: model.clone(),
    }
}

/// A sidecar's keys for one test; tests of a scan follow each other by 40 seconds.
pub(super) fn about_test(scan: &About, level: Level, side: Side, trial: u32, placed: u32) -> About {
    let usual = UsualContact::at(level);
    let second = (9 * 3600 + 40 * placed) % 86_400;
    let clock = format!("{:02}:{:02}:{:02}", second / 3600, second / 60 % 60, second % 60);
    About {
        recorded_at: scan.session.as_ref().map(|day| format!("{day}T{clock}Z")),
        level: Some(level),
        side: Some(side),
        contact: Some(usual.contact),
        landmark: Some(usual.landmark),
        posture: Some(Posture::known("prone")),
        line_of_drive: Some(usual.line_of_drive),
        trial: Some(trial),
        feedback: Some(Feedback::After),
        ..scan.clone()
    }
}

/// A call as a hand would make it: the true log ratio with a noise of 0.15, even within ±0.1.
fn call_of(about: &About, model: &LevelModel, trial: u32, rng: &mut Rng) -> Call {
    let felt = model.log_ratio + 0.15 * rng.normal_within_3();
    let sure = if felt.abs() > 0.3 {
        3.0
    } else {
        1.0 + rng.below(2) as f64
    };
    let word = |code: &Option<String>| code.clone().unwrap_or_default();
    Call {
        subject: word(&about.subject),
        examiner: word(&about.examiner),
        session: word(&about.session),
        level: model.level,
        trial: Some(trial),
        call: if felt > 0.1 {
            Felt::Right
        } else if felt < -0.1 {
            Felt::Left
        } else if rng.uniform() < 0.15 {
            Felt::Unsure
        } else {
            Felt::Even
        },
        confidence: Some(sure),
    }
}

fn code(letter: char, number: u32) -> String {
    format!("{letter}-{number:02}")
}

/// Weekly sessions from 7 September 2026.
fn session_date(session: u32) -> String {
    let first = Day {
        year: 2026,
        month: 9,
        day: 7,
    };
    first.plus_days(7 * i64::from(session)).to_string()
}

fn setting(what: &str, found: &str, expected: &str) -> Error {
    Error::Setting {
        what: what.to_owned(),
        found: found.to_owned(),
        expected: expected.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weekly_sessions_run_over_the_end_of_the_year() {
        assert_eq!(session_date(0), "2026-09-07");
        // 7 September 2026 + 133 days = 18 January 2027, by calendar.
        assert_eq!(session_date(19), "2027-01-18");
    }
}
