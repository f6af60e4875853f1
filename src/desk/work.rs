//! What takes long: analysis, agreement, debrief and sheets, each by this same program in a process of its own.
//!
//! A page names one of [`Task`]'s kinds and nothing else: no path, option or word of it reaches a command line. One task runs at a
//! time, and while stations are served it leaves a core to them.

use super::access::unix_s;
use crate::acquire::recorder::file_names::part;
use crate::error::{Error, Result};
use crate::live::server::new_token;
use serde::{Deserialize, Serialize};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Lines of a task's words that are kept.
const MOST_LINES: usize = 200;
/// How a task's program tells how far it is: as lines, not as a bar.
pub const PROGRESS_VARIABLE: &str = "TAUTPOINT_PROGRESS";
/// What such a line begins with.
pub const PROGRESS_LINE: &str = "progress:";

/// A task that the page may ask for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Task {
    Check,
    Analyze,
    Debrief,
    /// With the learners' codes on the class page.
    DebriefCodes,
    /// A sheet for each examiner of the session.
    Sheets,
    Agree,
}

impl Task {
    /// Folder of its results within the study; `None` when it prints what it finds.
    pub fn folder(self) -> Option<&'static str> {
        match self {
            Task::Check => None,
            Task::Analyze => Some("results"),
            Task::Debrief | Task::DebriefCodes => Some("debrief"),
            Task::Sheets => Some("sheets"),
            Task::Agree => Some("agreement"),
        }
    }

    /// The page that it ends with, within its folder.
    pub fn page(self) -> Option<&'static str> {
        match self {
            Task::Check | Task::Sheets => None,
            Task::Analyze => Some("report.html"),
            Task::Debrief | Task::DebriefCodes => Some("class.html"),
            Task::Agree => Some("agreement.html"),
        }
    }

    /// The commands that it is, one after the other: words after the program's name. `sheets` are the examiners who get one, each
    /// with its folder in the study.
    pub fn commands(self, root: &Path, session: &str, sheets: &[(String, String)]) -> Vec<Vec<String>> {
        let study = root.display().to_string();
        let out = |name: &str| root.join(name).display().to_string();
        let words = |words: &[&str]| words.iter().map(|w| (*w).to_owned()).collect::<Vec<String>>();
        match self {
            Task::Check => vec![words(&["check", &study])],
            Task::Analyze => vec![words(&["analyze", &study, "--out", &out("results")])],
            Task::Debrief => vec![words(&["debrief", &study, "--out", &out("debrief")])],
            Task::DebriefCodes => vec![words(&["debrief", &study, "--out", &out("debrief"), "--codes"])],
            Task::Agree => vec![words(&["agree", &study, "--out", &out("agreement")])],
            Task::Sheets => sheets
                .iter()
                .map(|(code, folder)| {
                    let out = out(folder);
                    words(&["debrief", &study, "--sheet", "--examiner", code, "--session", session, "--out", &out])
                })
                .collect(),
        }
    }
}

/// The folder in the study of each examiner's sheet of a session; codes that differ only in signs that no file name has get folders of
/// their own all the same.
pub fn sheet_folders(session: &str, examiners: &[&str]) -> Vec<(String, String)> {
    let mut taken: Vec<String> = Vec::new();
    let folders = examiners.iter().map(|code| {
        let name = part(code);
        let before = taken.iter().filter(|t| **t == name).count();
        taken.push(name.clone());
        let name = if before == 0 { name } else { format!("{name}_{}", before + 1) };
        ((*code).to_owned(), format!("sheets/{}/{name}", part(session)))
    });
    folders.collect()
}

/// How a task stands.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WorkView {
    pub task: Task,
    /// As somebody would type it.
    pub command: String,
    pub state: WorkState,
    /// Of the command that runs: how much is done, of how much.
    pub done: Option<(u64, u64)>,
    /// Commands that have ended, of how many.
    pub step: (usize, usize),
    /// What it said, the newest last.
    pub lines: Vec<String>,
    pub began_unix_s: u64,
}

/// Whether a task runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum WorkState {
    Running,
    /// All of it was done.
    Done,
    /// It ended, and some input could not be used.
    Partly,
    /// Nothing was done.
    Failed,
    Cancelled,
}

/// The tasks of a desk.
#[derive(Default)]
pub struct Works {
    inner: Arc<Mutex<Inner>>,
}

#[derive(Default)]
struct Inner {
    /// The newest of each kind, the newest last.
    works: Vec<WorkView>,
    child: Option<Child>,
    /// Counts starts: a thread whose task is over changes nothing any more.
    number: u64,
}

fn lock(inner: &Mutex<Inner>) -> MutexGuard<'_, Inner> {
    inner.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Works {
    /// How every task stands.
    pub fn views(&self) -> Vec<WorkView> {
        lock(&self.inner).works.clone()
    }

    /// Starts a task by this program.
    ///
    /// # Errors
    /// [`Error::Refused`] while another runs, or when there is nothing to do.
    pub fn start(&self, program: &Path, task: Task, commands: Vec<Vec<String>>) -> Result<()> {
        let mut inner = lock(&self.inner);
        if inner.works.iter().any(|w| w.state == WorkState::Running) {
            return Err(Error::Refused {
                found: "another task is running".to_owned(),
                advice: "wait until it has ended, or cancel it".to_owned(),
            });
        }
        let Some(first) = commands.first() else {
            return Err(Error::Refused {
                found: "nobody has a recording in this session".to_owned(),
                advice: "record first".to_owned(),
            });
        };
        inner.works.retain(|w| w.task != task);
        inner.works.push(WorkView {
            task,
            command: typed(first),
            state: WorkState::Running,
            done: None,
            step: (0, commands.len()),
            lines: Vec::new(),
            began_unix_s: unix_s(),
        });
        inner.number += 1;
        let number = inner.number;
        drop(inner);
        let (shared, program) = (Arc::clone(&self.inner), program.to_owned());
        let thread = std::thread::Builder::new().name("task".to_owned());
        let started = thread.spawn(move || run(&shared, &program, &commands, number));
        if let Err(error) = started {
            let mut inner = lock(&self.inner);
            inner.end(WorkState::Failed, Some(error.to_string()));
        }
        Ok(())
    }

    /// Ends the task that runs. Its results are written whole or not at all, so that those before stay.
    pub fn cancel(&self) {
        let mut inner = lock(&self.inner);
        inner.number += 1;
        if let Some(mut child) = inner.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
        inner.end(WorkState::Cancelled, None);
    }
}

impl Drop for Works {
    fn drop(&mut self) {
        self.cancel();
    }
}

impl Inner {
    fn running(&mut self) -> Option<&mut WorkView> {
        self.works.iter_mut().find(|w| w.state == WorkState::Running)
    }

    fn end(&mut self, state: WorkState, words: Option<String>) {
        if let Some(work) = self.running() {
            work.state = state;
            work.done = None;
            work.lines.extend(words);
        }
    }

    fn line(&mut self, line: String) {
        let Some(work) = self.running() else { return };
        if let Some(progress) = line.strip_prefix(PROGRESS_LINE) {
            let mut numbers = progress.split_whitespace().map(str::parse);
            if let (Some(Ok(done)), Some(Ok(total))) = (numbers.next(), numbers.next()) {
                work.done = Some((done, total));
            }
            return;
        }
        if work.lines.len() == MOST_LINES {
            work.lines.remove(0);
        }
        work.lines.push(line);
    }
}

/// Runs the commands one after the other; the worst ending counts.
fn run(shared: &Arc<Mutex<Inner>>, program: &Path, commands: &[Vec<String>], number: u64) {
    let mut worst = WorkState::Done;
    for (i, words) in commands.iter().enumerate() {
        let ended = one(shared, program, words, number, i);
        if lock(shared).number != number {
            return;
        }
        match ended {
            Ok(Some(0)) => {}
            Ok(Some(1)) => worst = if worst == WorkState::Failed { worst } else { WorkState::Partly },
            Ok(code) => {
                worst = WorkState::Failed;
                let how = code.map_or_else(|| "was ended by the system".to_owned(), |c| format!("ended with exit code {c}"));
                lock(shared).line(format!("{} {how}", typed(words)));
            }
            Err(error) => {
                worst = WorkState::Failed;
                lock(shared).line(format!("{} could not be started: {error}", typed(words)));
            }
        }
    }
    lock(shared).end(worst, None);
}

/// One command, its words read while it runs. Gives its exit code.
fn one(shared: &Arc<Mutex<Inner>>, program: &Path, words: &[String], number: u64, step: usize) -> std::io::Result<Option<i32>> {
    let mut child = {
        let mut inner = lock(shared);
        if inner.number != number {
            return Ok(None);
        }
        let mut child = Command::new(program)
            .args(words)
            .env(PROGRESS_VARIABLE, "lines")
            // A core is left to the stations and their alarms.
            .env("RAYON_NUM_THREADS", cores_left().to_string())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()?;
        if let Some(work) = inner.running() {
            (work.command, work.step.0, work.done) = (typed(words), step, None);
        }
        let streams = (child.stdout.take(), child.stderr.take());
        inner.child = Some(child);
        streams
    };
    let reader = |stream: Option<Box<dyn std::io::Read + Send>>| {
        let shared = Arc::clone(shared);
        std::thread::spawn(move || {
            let lines = stream.into_iter().flat_map(|s| BufReader::new(s).split(b'\n'));
            for line in lines.map_while(|l| l.ok()) {
                let line = String::from_utf8_lossy(&line).trim_end().to_owned();
                let mut inner = lock(&shared);
                if inner.number == number && !line.is_empty() {
                    inner.line(line);
                }
            }
        })
    };
    let readers = [
        reader(child.0.take().map(|s| Box::new(s) as _)),
        reader(child.1.take().map(|s| Box::new(s) as _)),
    ];
    for thread in readers {
        let _ = thread.join();
    }
    let mut inner = lock(shared);
    if inner.number != number {
        return Ok(None);
    }
    let Some(mut child) = inner.child.take() else { return Ok(None) };
    drop(inner);
    Ok(child.wait()?.code())
}

/// All cores but one.
fn cores_left() -> usize {
    std::thread::available_parallelism().map_or(1, |n| n.get().saturating_sub(1).max(1))
}

/// A command as somebody would type it.
pub fn typed(words: &[String]) -> String {
    let quoted = |w: &String| match w.chars().all(|c| c.is_alphanumeric() || "-_./,:=+@".contains(c)) && !w.is_empty() {
        true => w.clone(),
        false => format!("'{}'", w.replace('\'', "'\\''")),
    };
    let words: Vec<String> = words.iter().map(quoted).collect();
    format!("tautpoint {}", words.join(" "))
}

/// Where the folders of results can be read, each under a word that nobody can guess: their pages run scripts of their own, in a
/// box of the browser that has no cookies.
#[derive(Default)]
pub struct Shelf {
    places: Mutex<Vec<(String, PathBuf)>>,
}

impl Shelf {
    /// The word for a folder.
    ///
    /// # Errors
    /// [`Error::Io`] when the system gives no random numbers.
    pub fn place(&self, folder: &Path) -> Result<String> {
        let mut places = self.places.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((word, _)) = places.iter().find(|(_, f)| f == folder) {
            return Ok(word.clone());
        }
        let word = new_token()?;
        places.push((word.clone(), folder.to_owned()));
        Ok(word)
    }

    /// Forgets every word: who knew one reads nothing by it any more.
    pub fn clear(&self) {
        self.places.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// The file at a path under a word, when it lies within its folder and is an ordinary one.
    pub fn file(&self, word: &str, path: &str) -> Option<PathBuf> {
        let places = self.places.lock().unwrap_or_else(PoisonError::into_inner);
        let folder = &places.iter().find(|(w, _)| w == word)?.1;
        // A folder of results is one, and no way to another.
        if !folder.symlink_metadata().ok()?.is_dir() {
            return None;
        }
        let folder = folder.canonicalize().ok()?;
        if path.split('/').any(|part| part.is_empty() || part == "." || part == ".." || part.contains(['\\', '\0', ':'])) {
            return None;
        }
        let file = folder.join(path).canonicalize().ok()?;
        (file.starts_with(&folder) && file.is_file()).then_some(file)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::{Duration, Instant};

    fn words(text: &str) -> Vec<String> {
        text.split(' ').map(str::to_owned).collect()
    }

    fn ended(works: &Works) -> WorkView {
        let end = Instant::now() + Duration::from_secs(20);
        loop {
            let view = works.views().pop().unwrap();
            if view.state != WorkState::Running {
                return view;
            }
            assert!(Instant::now() < end, "{view:?}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_task_tells_how_far_it_is_and_how_it_ended() {
        let works = Works::default();
        let sh = |script: &str| vec!["-c".to_owned(), script.to_owned()];
        works.start(Path::new("/bin/sh"), Task::Check, vec![sh("echo progress: 3 7 >&2; echo one"), sh("exit 1")]).unwrap();
        let view = ended(&works);
        assert_eq!((view.state, view.lines.as_slice()), (WorkState::Partly, ["one".to_owned()].as_slice()));
        works.start(Path::new("/bin/sh"), Task::Check, vec![sh("sleep 60")]).unwrap();
        let second = works.start(Path::new("/bin/sh"), Task::Agree, vec![sh("true")]).unwrap_err();
        assert!(second.to_string().contains("another task is running"));
        works.cancel();
        assert_eq!(ended(&works).state, WorkState::Cancelled);
        works.start(Path::new("/nowhere/at/all"), Task::Check, vec![words("check x")]).unwrap();
        let view = ended(&works);
        assert_eq!(view.state, WorkState::Failed);
        assert!(view.lines[0].starts_with("tautpoint check x could not be started"), "{view:?}");
    }

    #[test]
    fn nothing_outside_of_a_folder_can_be_read() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("results");
        std::fs::create_dir_all(folder.join("figures")).unwrap();
        for file in ["results/report.html", "results/figures/a.svg", "secret"] {
            std::fs::write(dir.path().join(file), "x").unwrap();
        }
        #[cfg(unix)]
        std::os::unix::fs::symlink(dir.path().join("secret"), folder.join("link")).unwrap();
        let shelf = Shelf::default();
        let word = shelf.place(&folder).unwrap();
        assert_eq!(shelf.place(&folder).unwrap(), word);
        assert!(shelf.file(&word, "report.html").is_some() && shelf.file(&word, "figures/a.svg").is_some());
        for outside in ["../secret", "figures/../../secret", "link", "", "figures", "/etc/passwd", "figures//a.svg", ".", "C:\\x"] {
            assert_eq!(shelf.file(&word, outside), None, "{outside}");
        }
        assert_eq!(shelf.file("0", "report.html"), None);
    }

    #[test]
    fn no_two_codes_share_a_sheet() {
        let folders: Vec<String> = sheet_folders("2026-12-03", &["a/b", "a_b", "c"]).into_iter().map(|(_, f)| f).collect();
        assert_eq!(folders, ["sheets/2026-12-03/a-b", "sheets/2026-12-03/a-b_2", "sheets/2026-12-03/c"]);
    }

    #[test]
    fn a_command_is_shown_as_a_shell_would_take_it() {
        assert_eq!(typed(&words("check /a/b-c")), "tautpoint check /a/b-c");
        assert_eq!(typed(&["check".to_owned(), "it's; rm".to_owned()]), "tautpoint check 'it'\\''s; rm'");
    }
}
