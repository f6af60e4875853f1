//! What pages may ask, each by its role.

mod at_table;
mod of_people;
mod of_study;
mod of_tables;
mod of_work;

use super::access::{PageRole, TableId};
use super::answers::{Answered, NotAnswered, page_answer};
use super::home::Desk;
use crate::live::server::answering::PageAnswer;

impl Desk {
    /// Answers a teacher's question.
    pub fn teacher_asks(&self, what: &str, body: &[u8]) -> PageAnswer {
        page_answer(self.teacher(what, body))
    }

    /// Answers what is asked at a table, by whoever may.
    pub fn asked_at_table(&self, id: TableId, what: &str, body: &[u8]) -> PageAnswer {
        page_answer(self.at_table(id, what, body))
    }

    fn teacher(&self, what: &str, body: &[u8]) -> Answered {
        match what {
            "study" => self.study_view(),
            "new-study" => self.new_study(body),
            "look-at-new-study" => self.look_at_new_study(body),
            "ceilings" => self.set_ceilings(body),
            "class" => self.set_class(body),
            "people" => self.people_view(),
            "look-at-people" => self.look_at_people(body),
            "add-people" => self.add_people(body),
            "remove-person" => self.remove_person(body),
            "consent" => self.note_consent(body),
            "forget-consent" => self.forget_consent(body),
            "tables" => self.tables_view(),
            "add-table" => self.asked_to_add_table(body),
            "remove-table" => self.asked_to_remove_table(body),
            "rename-table" => self.asked_to_rename_table(body),
            "new-address" => self.new_address(body),
            "pause-table" => self.pause_table(body),
            "send-plan" => self.send_plan(body),
            "weigh" => self.weigh(body),
            "work" => self.work_view(),
            "start-task" => self.start_task(body),
            "cancel-task" => self.cancel_task(),
            "end" => {
                self.stop();
                super::answers::done()
            }
            _ => Err(no_such()),
        }
    }

    fn at_table(&self, id: TableId, what: &str, body: &[u8]) -> Answered {
        match what {
            "choices" => self.choices(id),
            "begin" => self.begin_at(id, body),
            "rest" => self.rest_at(id),
            "command" => self.command_at(id, body),
            _ => Err(no_such()),
        }
    }
}

fn no_such() -> NotAnswered {
    NotAnswered::Unknown("there is no such question".to_owned())
}

/// The role that a word names.
fn role(word: &str) -> Result<PageRole, NotAnswered> {
    PageRole::parse(word).ok_or_else(|| NotAnswered::Unknown("there is no such page".to_owned()))
}
