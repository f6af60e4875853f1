//! What a person asked a recording to be.

use crate::error::{Error, Result};
use crate::study::codes::code_warning;
use crate::study::plan::Plan;
use crate::study::roster::Roster;
use crate::study::words::{nearest_code, shown};
use crate::terms::{Contact, Feedback, Level, Role, Side, looks_like_a_day};

/// What is to be recorded, of whom, and how.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RecordingRequest {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: String,
    /// With a plan, one recording a stop of it; without, one a learner.
    pub plan: Option<Plan>,
    /// The plan is the one that was drawn for the examiner (draws.toml); another learner has another one.
    pub drawn: bool,
    /// Without a plan: what everything recorded is of.
    pub level: Option<Level>,
    pub side: Option<Side>,
    pub contact: Option<Contact>,
    pub feedback: Feedback,
    /// After a level's last test the examiner says which side felt more resistant, before anything of it is shown.
    pub calls: bool,
    /// After each test the learner says what its peak force was, before anything of it is shown.
    pub estimates: bool,
    /// Nothing is kept but the over-ceiling log.
    pub practice: bool,
    /// Whether somebody counts the tests: a step without one then stays missing.
    pub tests_are_seen: bool,
    /// How the cautions of the session were met: `confirmed` or `shown`.
    pub cautions: Option<&'static str>,
}

impl RecordingRequest {
    /// Refuses what cannot be meant.
    ///
    /// # Errors
    /// [`Error::Setting`] that names the option.
    pub fn check(&self) -> Result<()> {
        self.check_codes()?;
        if looks_like_a_day(&self.session) {
            return Err(Error::Setting {
                what: "--session".to_owned(),
                found: shown(&self.session),
                expected: "a day of ISO 8601 such as 2026-09-14, or a name".to_owned(),
            });
        }
        if self.calls && !self.practice && (self.subject.is_none() || self.examiner.is_none()) {
            return Err(Error::Setting {
                what: "--calls".to_owned(),
                found: "without --subject or --examiner".to_owned(),
                expected: "both codes: a call belongs to somebody".to_owned(),
            });
        }
        if self.calls && self.plan.is_none() {
            return Err(Error::Setting {
                what: "--calls".to_owned(),
                found: "without a plan".to_owned(),
                expected: "--plan NAME, or a plan drawn for the examiner: a call is taken after a level's last step"
                    .to_owned(),
            });
        }
        Ok(())
    }

    /// Refuses codes that cannot be codes, which nothing else is needed for.
    ///
    /// # Errors
    /// [`Error::Setting`] that names the option.
    pub fn check_codes(&self) -> Result<()> {
        let codes = [
            ("--subject", self.subject.as_deref()),
            ("--examiner", self.examiner.as_deref()),
            ("--session", Some(self.session.as_str())),
        ];
        for (option, code) in codes {
            if let Some(code) = code {
                super::file_names::sound_code(option, code)?;
            }
        }
        Ok(())
    }

    /// What will be missing of everything recorded, while it can still be mended.
    pub fn gaps(&self) -> Vec<String> {
        if self.practice {
            return Vec::new();
        }
        let gap = |key: &str, who: &str, example: &str, cost: &str| {
            format!(
                "no --{key} was given: nobody will know who {who}, and {cost}. Stop and start again with --{key} CODE, or write \
                 {key} = \"{example}\" into the sidecars afterwards"
            )
        };
        let mut gaps = Vec::new();
        if self.subject.is_none() {
            let cost = "no test of this session can be put beside another";
            gaps.push(gap("subject", "was pressed", "V-07", cost));
        }
        if self.examiner.is_none() {
            let cost = "no test of this session counts for a learner";
            gaps.push(gap("examiner", "pressed", "L-12", cost));
        }
        gaps
    }

    /// Refuses codes that tell who a person is, since they would stand in every file: unless the roster has one, so that somebody
    /// decided on it.
    ///
    /// # Errors
    /// [`Error::Setting`] that names the option.
    pub fn check_personal(&self, roster: &Roster) -> Result<()> {
        for (role, code, example) in [
            (Role::Subject, &self.subject, "V-07"),
            (Role::Examiner, &self.examiner, "L-12"),
        ] {
            let Some(code) = code else { continue };
            let Some(like) = code_warning(code).filter(|_| !roster.codes(role).any(|known| known == code)) else {
                continue;
            };
            return Err(Error::Setting {
                what: format!("--{role}"),
                found: format!("{}, which looks like {like}", shown(code)),
                expected: format!(
                    "a code that tells nobody who it is, such as {example}; if it is a code all the same, add it to roster.csv first"
                ),
            });
        }
        Ok(())
    }

    /// Warnings about codes that the roster does not know.
    pub fn warnings(&self, roster: &Roster) -> Vec<String> {
        let mut warnings = Vec::new();
        for (role, code) in [(Role::Subject, &self.subject), (Role::Examiner, &self.examiner)] {
            let Some(code) = code else { continue };
            let known: Vec<&str> = roster.codes(role).collect();
            if known.contains(&code.as_str()) || roster.people.is_empty() {
                continue;
            }
            let advice = match nearest_code(code, known.iter().copied()) {
                Some(near) => format!("is {} meant? Otherwise add the code to roster.csv", shown(near)),
                None => "add the code to roster.csv".to_owned(),
            };
            warnings.push(format!(
                "--{role} {} is not in the roster as {role}: {advice}",
                shown(code)
            ));
        }
        warnings
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stranger_is_noticed_and_the_nearest_code_offered() {
        let (roster, _) = Roster::parse("roster.csv", "code,role\nV-07,subject\nL-12,examiner\n");
        let request = RecordingRequest {
            subject: Some("V-70".to_owned()),
            examiner: Some("L-12".to_owned()),
            ..RecordingRequest::default()
        };
        let warnings = request.warnings(&roster);
        assert_eq!(warnings.len(), 1, "{warnings:?}");
        assert!(warnings[0].contains("is V-07 meant"), "{warnings:?}");
        let personal = RecordingRequest {
            subject: Some("Anna Example".to_owned()),
            ..RecordingRequest::default()
        };
        let refused = personal.check_personal(&Roster::default()).unwrap_err().to_string();
        assert!(refused.contains("looks like a name") && refused.contains("such as V-07"), "{refused}");
        let (decided, _) = Roster::parse("roster.csv", "code,role\nAnna Example,subject\n");
        personal.check_personal(&decided).unwrap();
        let mail = RecordingRequest {
            examiner: Some("a@b.example".to_owned()),
            ..RecordingRequest::default()
        };
        assert!(mail.check_personal(&decided).is_err());
    }

    #[test]
    fn a_call_belongs_to_somebody() {
        let request = RecordingRequest {
            session: "s1".to_owned(),
            calls: true,
            subject: Some("V-07".to_owned()),
            ..RecordingRequest::default()
        };
        assert!(request.check().unwrap_err().to_string().contains("--examiner"));
    }

    #[test]
    fn whoever_is_missing_is_said_at_the_start() {
        let nobody = RecordingRequest::default().gaps();
        assert!(nobody.len() == 2 && nobody[0].contains("--subject CODE") && nobody[1].contains("--examiner CODE"));
        let practice = RecordingRequest {
            practice: true,
            ..RecordingRequest::default()
        };
        assert_eq!(practice.gaps(), Vec::<String>::new());
    }
}
