//! What a person asked a recording to be.

use crate::error::{Error, Result};
use crate::study::plan::Plan;
use crate::study::roster::Roster;
use crate::study::words::{nearest, shown};
use crate::terms::{Contact, Feedback, Level, Role, Side};

/// What is to be recorded, of whom, and how.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RecordingRequest {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: String,
    /// With a plan, one recording a stop of it; without, one a learner.
    pub plan: Option<Plan>,
    /// Without a plan: what everything recorded is of.
    pub level: Option<Level>,
    pub side: Option<Side>,
    pub contact: Option<Contact>,
    pub feedback: Feedback,
    /// After a level's last test the examiner says which side felt more resistant, before anything of it is shown.
    pub calls: bool,
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
        if self.calls && !self.practice && (self.subject.is_none() || self.examiner.is_none()) {
            return Err(Error::Setting {
                what: "--calls".to_owned(),
                found: "without --subject or --examiner".to_owned(),
                expected: "both codes: a call belongs to somebody".to_owned(),
            });
        }
        Ok(())
    }

    /// Warnings about codes: those that the roster does not know, and those that look like something personal.
    pub fn warnings(&self, roster: &Roster) -> Vec<String> {
        let mut warnings = Vec::new();
        for (role, code) in [(Role::Subject, &self.subject), (Role::Examiner, &self.examiner)] {
            let Some(code) = code else { continue };
            if let Some(like) = crate::study::codes::code_warning(code) {
                warnings.push(format!(
                    "--{role} {} looks like {like}: give a code that tells nobody who it is",
                    shown(code)
                ));
            }
            let known: Vec<&str> = roster.codes(role).collect();
            if known.contains(&code.as_str()) || roster.people.is_empty() {
                continue;
            }
            let advice = match nearest(code, known.iter().copied()) {
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
        assert!(personal.warnings(&Roster::default())[0].contains("looks like a name"));
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
}
