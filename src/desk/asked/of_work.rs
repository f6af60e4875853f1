//! What comes after: tasks, how far they are, and where their pages can be read.

use super::super::answers::{Answered, done, read, told};
use super::super::home::Desk;
use super::super::people::codes;
use super::super::work::{Task, WorkView, sheet_folders, typed};
use crate::acquire::recorder::prior::PriorRecordings;
use crate::study::inputs::collect_any;
use crate::terms::Role;
use serde::{Deserialize, Serialize};

/// What the page After shows.
#[derive(Serialize)]
struct AfterPage {
    works: Vec<WorkView>,
    results: Vec<ResultView>,
    /// What does the same on the command line.
    commands: Vec<String>,
    session: String,
}

/// A page of results that can be read.
#[derive(Serialize)]
struct ResultView {
    task: Task,
    /// What it is of, where there are several.
    of: Option<String>,
    path: String,
    /// When it was written, in seconds since 1970.
    written_unix_s: u64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TaskAsked {
    task: Task,
}

impl Desk {
    pub(super) fn work_view(&self) -> Answered {
        self.sound_study()?;
        let session = self.session();
        let all = [Task::Check, Task::Analyze, Task::Debrief, Task::Agree];
        let commands = all.iter().flat_map(|t| t.commands(self.root(), &session, &[]));
        told(&AfterPage {
            works: self.works.views(),
            results: self.results()?,
            commands: commands.map(|c| typed(&c)).collect(),
            session,
        })
    }

    fn results(&self) -> crate::error::Result<Vec<ResultView>> {
        let mut results = Vec::new();
        for task in [Task::Analyze, Task::Debrief, Task::Agree] {
            let (Some(folder), Some(page)) = (task.folder(), task.page()) else { continue };
            let folder = self.root().join(folder);
            if let Some(written_unix_s) = written(&folder.join(page)) {
                let word = self.shelf.place(&folder)?;
                results.push(ResultView { task, of: None, path: format!("/open/{word}/{page}"), written_unix_s });
            }
        }
        let study = self.sound_study()?;
        for (code, folder) in sheet_folders(&self.session(), &codes(&study.roster, Role::Examiner)) {
            let folder = self.root().join(folder);
            if let Some(written_unix_s) = written(&folder.join("sheet.html")) {
                let word = self.shelf.place(&folder)?;
                let path = format!("/open/{word}/sheet.html");
                results.push(ResultView { task: Task::Sheets, of: Some(code), path, written_unix_s });
            }
        }
        Ok(results)
    }

    pub(super) fn start_task(&self, body: &[u8]) -> Answered {
        let asked: TaskAsked = read(body)?;
        let study = self.sound_study()?;
        let session = self.session();
        let sheets: Vec<(String, String)> = match asked.task {
            Task::Sheets => {
                let inputs = collect_any(&[self.root().to_owned()])?;
                let prior = PriorRecordings::of_session(&inputs.files, &session);
                let all = sheet_folders(&session, &codes(&study.roster, Role::Examiner));
                all.into_iter().filter(|(code, _)| prior.has(code)).collect()
            }
            _ => Vec::new(),
        };
        let commands = asked.task.commands(self.root(), &session, &sheets);
        self.works.start(&self.options.program, asked.task, commands)?;
        done()
    }

    pub(super) fn cancel_task(&self) -> Answered {
        self.works.cancel();
        done()
    }
}

/// When a page was written; `None` when there is none.
fn written(page: &std::path::Path) -> Option<u64> {
    let written = page.metadata().ok().filter(|m| m.is_file())?.modified().ok()?;
    written.duration_since(std::time::UNIX_EPOCH).ok().map(|d| d.as_secs())
}
