//! The roster, the pairs, and what volunteers agreed to.

use super::super::answers::{Answered, done, read, refused, told};
use super::super::health::{self, Consent, KEPT_DAYS, MOST_DAYS, VolunteerNote};
use super::super::home::{Desk, locked};
use super::super::people::{FieldFault, TypedPeople, add_to_roster, codes, read_roster, take_from_roster, unsound};
use super::super::table::TableOrder;
use crate::study::cautions::CAUTIONS;
use crate::study::words::shown;
use crate::terms::{Day, Region, Role};
use serde::{Deserialize, Serialize};

/// What the page People shows.
#[derive(Serialize)]
struct PeoplePage {
    learners: Vec<PersonView>,
    teachers: Vec<PersonView>,
    volunteers: Vec<VolunteerView>,
    pairs: Vec<[String; 2]>,
    regions: &'static [Region],
    /// Day until which a new note is kept unless the teacher says otherwise.
    keep_until: String,
    cautions: &'static [&'static str],
    /// What of the files cannot be used.
    problems: Vec<String>,
}

#[derive(Serialize)]
struct PersonView {
    code: String,
    group: Option<String>,
}

#[derive(Serialize)]
struct VolunteerView {
    code: String,
    note: Option<NoteView>,
}

#[derive(Serialize)]
struct NoteView {
    consent: Consent,
    day: String,
    not_over: Vec<Region>,
    keep_until: String,
    noted_by: Option<String>,
}

/// What the typed codes come to, before anything is kept.
#[derive(Serialize)]
struct TypedPeopleView {
    faults: Vec<FieldFault>,
    /// People that are new.
    people: usize,
    pairs: usize,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PersonAsked {
    code: String,
    role: Role,
}

/// A note as the page asks for it, for one volunteer or many.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ConsentAsked {
    subjects: Vec<String>,
    consent: Consent,
    not_over: Vec<Region>,
    keep_until: String,
    noted_by: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ForgetAsked {
    subject: String,
}

impl Desk {
    pub(super) fn people_view(&self) -> Answered {
        self.sound_study()?;
        let (roster, mut problems) = read_roster(self.root())?;
        let (notes, mut spoiled) = health::read(self.root());
        problems.append(&mut spoiled);
        let people = |role: Role| {
            let of_role = roster.people.iter().filter(move |p| p.role == role);
            of_role.map(|p| PersonView { code: p.code.clone(), group: p.group.clone() }).collect()
        };
        let note = |code: &str| {
            let note = notes.iter().find(|n| n.subject == code)?;
            Some(NoteView {
                consent: note.consent,
                day: note.day.clone(),
                not_over: note.not_over.clone(),
                keep_until: note.keep_until.clone(),
                noted_by: note.noted_by.clone(),
            })
        };
        let volunteers = codes(&roster, Role::Subject);
        told(&PeoplePage {
            learners: people(Role::Examiner),
            teachers: people(Role::Teacher),
            volunteers: volunteers.iter().map(|c| VolunteerView { code: (*c).to_owned(), note: note(c) }).collect(),
            pairs: self.class().pairs.into_iter().map(|p| [p.a, p.b]).collect(),
            regions: Region::ALL,
            keep_until: Day::today().plus_days(KEPT_DAYS).to_string(),
            cautions: &CAUTIONS,
            problems: problems.iter().map(ToString::to_string).collect(),
        })
    }

    pub(super) fn look_at_people(&self, body: &[u8]) -> Answered {
        let typed: TypedPeople = read(body)?;
        let found = typed.read(&read_roster(self.root())?.0);
        told(&TypedPeopleView {
            people: found.people.len(),
            pairs: found.pairs.len(),
            faults: found.faults,
        })
    }

    pub(super) fn add_people(&self, body: &[u8]) -> Answered {
        let typed: TypedPeople = read(body)?;
        self.sound_study()?;
        let _alone = locked(&self.editing);
        let found = typed.read(&read_roster(self.root())?.0);
        if let Some(fault) = found.faults.into_iter().next() {
            return Err(refused(fault.words, "nothing was kept"));
        }
        add_to_roster(self.root(), &found.people)?;
        self.change_class(|class| {
            for pair in found.pairs {
                // A person has one partner: the newest.
                let meets = |code: &str| pair.a == code || pair.b == code;
                class.pairs.retain(|p| !meets(&p.a) && !meets(&p.b));
                class.pairs.push(pair);
            }
            Ok(())
        })?;
        done()
    }

    pub(super) fn remove_person(&self, body: &[u8]) -> Answered {
        let asked: PersonAsked = read(body)?;
        let alone = locked(&self.editing);
        take_from_roster(self.root(), &asked.code, asked.role)?;
        self.change_class(|class| {
            class.pairs.retain(|p| p.a != asked.code && p.b != asked.code);
            Ok(())
        })?;
        // What was noted of somebody goes with the volunteer.
        if asked.role == Role::Subject {
            self.forget(&asked.code)?;
            drop(alone);
            self.withdraw(&asked.code, "is in the roster no more");
        }
        done()
    }

    pub(super) fn note_consent(&self, body: &[u8]) -> Answered {
        let asked: ConsentAsked = read(body)?;
        self.sound_study()?;
        let (today, last) = (Day::today(), Day::today().plus_days(MOST_DAYS));
        let days = today.to_string()..=last.to_string();
        if !Day::is_day(&asked.keep_until) || !days.contains(&asked.keep_until) {
            return Err(refused(
                format!("kept until {}", shown(&asked.keep_until)),
                format!("expected a day from {today} to {last}; nothing was noted"),
            ));
        }
        if let Some(words) = unsound(asked.noted_by.trim()) {
            return Err(refused(words, "nothing was noted"));
        }
        let alone = locked(&self.editing);
        let (roster, _) = read_roster(self.root())?;
        let volunteers = codes(&roster, Role::Subject);
        if let Some(unknown) = asked.subjects.iter().find(|s| !volunteers.contains(&s.as_str())) {
            return Err(refused(format!("{} is no volunteer of the roster", shown(unknown)), "nothing was noted"));
        }
        let (mut notes, problems) = health::read(self.root());
        if let Some(problem) = problems.into_iter().next() {
            return Err(crate::error::Error::from(problem).into());
        }
        let by = asked.noted_by.trim();
        let subjects = asked.subjects.clone();
        for subject in asked.subjects {
            notes.retain(|n| n.subject != subject);
            notes.push(VolunteerNote {
                subject,
                consent: asked.consent,
                day: Day::today().to_string(),
                not_over: asked.not_over.clone(),
                keep_until: asked.keep_until.clone(),
                noted_by: Some(by.to_owned()).filter(|b| !b.is_empty()),
            });
        }
        health::write(self.root(), &notes)?;
        drop(alone);
        if asked.consent == Consent::Withdrawn {
            subjects.iter().for_each(|subject| self.withdraw(subject, "has withdrawn consent"));
        }
        done()
    }

    /// Whoever presses this volunteer now is told to take the hands off; the table rests as soon as they are.
    fn withdraw(&self, subject: &str, why: &str) {
        let people = self.room.people().into_iter();
        for (id, _, _) in people.filter(|(_, _, s)| s.as_deref() == Some(subject)) {
            if let Ok(table) = self.table(id) {
                // One that does not answer has nobody at work.
                let _ = table.order(TableOrder::Withdraw(format!("hands off: {} {why}", shown(subject))));
            }
        }
    }

    pub(super) fn forget_consent(&self, body: &[u8]) -> Answered {
        let asked: ForgetAsked = read(body)?;
        let _alone = locked(&self.editing);
        self.forget(&asked.subject)?;
        done()
    }

    fn forget(&self, subject: &str) -> crate::error::Result<()> {
        let (mut notes, problems) = health::read(self.root());
        let before = notes.len();
        notes.retain(|n| n.subject != subject);
        if notes.len() == before {
            return Ok(());
        }
        match problems.into_iter().next() {
            // Its row would be lost with the rest.
            Some(problem) => Err(problem.into()),
            None => health::write(self.root(), &notes),
        }
    }
}
