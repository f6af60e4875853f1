//! What is asked at a table: who presses whom, and what a key would command.

use super::super::access::TableId;
use super::super::answers::{Answered, NotAnswered, done, read, refused, told};
use super::super::health;
use super::super::home::Desk;
use super::super::people::codes;
use super::super::table::TableOrder;
use super::super::work::typed;
use crate::acquire::control::Command;
use crate::acquire::recorder::disk::FileDisk;
use crate::acquire::recorder::prior::PriorRecordings;
use crate::acquire::recorder::sessions;
use crate::error::Error;
use crate::study::cautions::CAUTIONS;
use crate::study::folder::Study;
use crate::study::inputs::collect_any;
use crate::study::words::shown;
use crate::terms::{Day, Role};
use serde::{Deserialize, Serialize};

/// Who may be chosen.
#[derive(Serialize)]
struct Choices {
    learners: Vec<LearnerChoice>,
    volunteers: Vec<VolunteerChoice>,
    plan: Option<String>,
    feedback: &'static str,
    calls: bool,
    estimates: bool,
    session: String,
    cautions: &'static [&'static str],
    /// What does the same on the command line, once people are chosen.
    command: String,
}

#[derive(Serialize)]
struct LearnerChoice {
    code: String,
    group: Option<String>,
    /// Shows how it is done; the tests are the reference.
    teacher: bool,
    /// Has a recording in this session.
    recorded: bool,
    /// At which table.
    at: Option<String>,
    partner: Option<String>,
}

#[derive(Serialize)]
struct VolunteerChoice {
    code: String,
    at: Option<String>,
    /// Why this volunteer cannot be pressed by this plan now.
    refused: Option<String>,
    /// Somebody said in this session that the cautions hold.
    cautions_met: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BeginAsked {
    examiner: String,
    subject: String,
    /// Somebody at the table says that the cautions hold for this volunteer now.
    #[serde(default)]
    cautions: bool,
    /// The whole plan once more, though it was made.
    #[serde(default)]
    afresh: bool,
}

impl Desk {
    pub(super) fn choices(&self, id: TableId) -> Answered {
        let study = self.sound_study()?;
        let inputs = collect_any(&[self.root().to_owned()])?;
        let session = self.session();
        let prior = PriorRecordings::of_session(&inputs.files, &session);
        let class = self.class();
        let plan = self.plan_of(id, &study)?;
        let (notes, _) = health::read(self.root());
        let at = |code: &str| self.elsewhere(id, code).map(|table| self.name_of(table));
        let group = |code: &str| study.roster.people.iter().find(|p| p.code == code && p.role != Role::Subject)?.group.clone();
        let learners = codes(&study.roster, Role::Examiner).into_iter().map(|code| LearnerChoice {
            code: code.to_owned(),
            group: group(code),
            teacher: study.roster.codes(Role::Teacher).any(|t| t == code),
            recorded: prior.has(code),
            at: at(code),
            partner: class.partner(code).map(str::to_owned),
        });
        let volunteers = codes(&study.roster, Role::Subject).into_iter().map(|code| VolunteerChoice {
            code: code.to_owned(),
            at: at(code),
            refused: not_to_be_pressed(code, &notes, plan.as_ref()),
            cautions_met: sessions::met(self.root(), &session, Some(code)) == Some("confirmed"),
        });
        let root = self.root().display().to_string();
        let mut words = vec!["record", &root, "--port", "PORT", "--examiner", "CODE", "--subject", "CODE", "--session", &session];
        let plan_name = plan.as_ref().map(|p| p.name.clone());
        words.extend(plan_name.iter().flat_map(|p| ["--plan", p]));
        words.extend(["--feedback", class.class.feedback.word()]);
        words.extend(class.class.calls.then_some("--calls"));
        words.extend(class.class.estimates.then_some("--estimates"));
        let command = typed(&words.iter().map(|w| (*w).to_owned()).collect::<Vec<_>>());
        told(&Choices {
            learners: learners.collect(),
            volunteers: volunteers.collect(),
            plan: plan_name,
            feedback: class.class.feedback.word(),
            calls: class.class.calls,
            estimates: class.class.estimates,
            cautions: &CAUTIONS,
            command,
            session: session.clone(),
        })
    }

    pub(super) fn begin_at(&self, id: TableId, body: &[u8]) -> Answered {
        let asked: BeginAsked = read(body)?;
        let study = self.sound_study()?;
        let (examiner, subject) = (asked.examiner.trim(), asked.subject.trim());
        known(&study, Role::Examiner, examiner)?;
        known(&study, Role::Subject, subject)?;
        if examiner == subject {
            return Err(refused(format!("{} as learner and as volunteer", shown(examiner)), "nobody presses himself: choose two people"));
        }
        let mut request = self.request(id, &study, examiner, subject)?;
        let (notes, _) = health::read(self.root());
        if let Some(why) = not_to_be_pressed(subject, &notes, request.plan.as_ref()) {
            return Err(refused(why, "choose another volunteer, or ask the teacher"));
        }
        let session = request.session.clone();
        if sessions::met(self.root(), &session, Some(subject)) != Some("confirmed") {
            if !asked.cautions {
                return Err(refused(
                    format!("nobody said yet that the cautions hold for {}", shown(subject)),
                    "read them out, and press that all of it holds",
                ));
            }
            sessions::store(&FileDisk, self.root(), &session, Some(subject), "confirmed")?;
        }
        request.cautions = Some("confirmed");
        request.afresh = asked.afresh;
        request.check()?;
        self.begin(id, request)?;
        done()
    }

    pub(super) fn rest_at(&self, id: TableId) -> Answered {
        self.table(id)?.order(TableOrder::Rest)?;
        done()
    }

    pub(super) fn command_at(&self, id: TableId, body: &[u8]) -> Answered {
        let command: Command = read(body)?;
        self.table(id)?.order(TableOrder::Command(command))?;
        done()
    }
}

/// A code that the roster has in this role.
fn known(study: &Study, role: Role, code: &str) -> Result<(), NotAnswered> {
    if study.roster.codes(role).any(|known| known == code) {
        return Ok(());
    }
    Err(NotAnswered::Refused(Error::Refused {
        found: format!("the roster has no {} {}", if role == Role::Subject { "volunteer" } else { "learner" }, shown(code)),
        advice: "the teacher adds people on the page People".to_owned(),
    }))
}

/// Why a volunteer cannot be pressed by a plan: nobody noted that he agreed, he took it back, or a region is left out.
fn not_to_be_pressed(code: &str, notes: &[health::VolunteerNote], plan: Option<&crate::study::plan::Plan>) -> Option<String> {
    match notes.iter().find(|n| n.subject == code) {
        Some(note) if note.keep_until < Day::today().to_string() => {
            Some(format!("the note on {} was kept until {}: the teacher asks again", shown(code), note.keep_until))
        }
        None => Some(format!("no consent of {} is noted: the teacher does it on the page People", shown(code))),
        Some(note) => note.refuses(plan),
    }
}
