//! The page in the browser: what it may ask, and the answers. It writes what the command line writes, by the same code.

use super::append::{Meanwhile, NotAppended, append};
use super::asked::{SignatureFault, by};
use super::commands::command;
use super::changes::{changed_numbers, counterpart, losses};
use super::desk::{CorrectionDesk, by_hash, may_undo};
use super::look_first::{Look, UsualWidths, order};
use super::questions::{
    ChangesAsked, NotDone, RecordingAsked, UndoAsked, answer, busy, fault_words, lost, opened_or_blinded, meanwhile, read, recording_changed, text,
};
use super::refusal;
use super::standing::{hidden_name, without_recording};
use super::views::{
    ChangedTest, ListedRecording, ProposalView, ReviewedRecording, StudyView, entries, label, rows, test_view,
};
use crate::batch::{Loaded, RecordingOutcome, parallel_map};
use crate::error::{Error, Problem, Result};
use crate::format::counted;
use crate::live::server::answering::{
    Answers, CSS, DRAWING, HTML, ICON, JAVASCRIPT, PageAnswer, PageFile, SVG, WORDS,
};
use crate::study::corrections::{self, By, CorrectionEntry, Corrections, FILE_NAME};
use crate::study::inputs::InputFile;
use crate::study::{opened, study_file};
use crate::terms::{Level, Side};
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Changes that may be proposed at once.
const MOST_DRAFTS: usize = 40;

/// The page's files.
pub const PAGE_FILES: &[PageFile] = &[
    ("/", HTML, include_str!("page/page.html")),
    ("/page.css", CSS, include_str!("page/page.css")),
    ("/main.js", JAVASCRIPT, include_str!("page/main.js")),
    ("/ask.js", JAVASCRIPT, include_str!("page/ask.js")),
    ("/marks.js", JAVASCRIPT, include_str!("page/marks.js")),
    ("/plot.js", JAVASCRIPT, include_str!("page/plot.js")),
    ("/told.js", JAVASCRIPT, include_str!("page/told.js")),
    ("/draw.js", JAVASCRIPT, DRAWING),
    ("/words.js", JAVASCRIPT, WORDS),
    ("/icon.svg", SVG, ICON),
];

/// Answers the page's questions, one at a time.
pub struct PageDesk {
    title: Option<String>,
    state: Mutex<DeskState>,
}

struct DeskState {
    desk: CorrectionDesk,
    /// The recordings by the numbers that the page calls them, which tell nothing of their names.
    files: Vec<InputFile>,
    looks: Vec<Look>,
    /// Hash of each as it was last read, and how often that changed.
    versions: Vec<(String, u32)>,
    /// corrections.toml as it was last read. What was there then stays there.
    last: Corrections,
    /// Whether the study was blind when it was last looked at.
    blind: bool,
}

impl PageDesk {
    /// Looks at every recording of a study once. `progress` is told how many are done, of how many.
    ///
    /// # Errors
    /// As [`CorrectionDesk::open`].
    pub fn open(root: &Path, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<PageDesk> {
        let desk = CorrectionDesk::open(root)?;
        let total = desk.files().len();
        let done = std::sync::atomic::AtomicUsize::new(0);
        let looked = parallel_map(desk.files(), Vec::new, |buffer, file| {
            let outcome = desk.job().analyse(Loaded::read(file, buffer));
            progress(done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1, total);
            (outcome.input.sha256.clone(), Look::at(&outcome))
        });
        let (hashes, looks): (Vec<String>, Vec<Look>) = looked.into_iter().unzip();
        let order = by_hash(desk.files(), &hashes);
        let mut state = DeskState {
            files: order.iter().map(|i| desk.files()[*i].clone()).collect(),
            looks: order.iter().map(|i| looks[*i].clone()).collect(),
            versions: order.iter().map(|i| (hashes[*i].clone(), 1)).collect(),
            desk,
            last: Corrections::default(),
            blind: is_blind(root),
        };
        state.last = corrections::read(state.desk.root(), &mut Vec::new());
        Ok(PageDesk {
            title: state.desk.job().study.title.clone(),
            state: Mutex::new(state),
        })
    }

    fn lock(&self) -> MutexGuard<'_, DeskState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn ask(&self, what: &str, body: &[u8]) -> Result<String, NotDone> {
        let mut state = self.lock();
        state.as_blind_as_before()?;
        match what {
            "study" => state.study(self.title.clone()).and_then(|v| text(&v)),
            "recording" => {
                let asked: RecordingAsked = read(body)?;
                state.recording(asked.id).and_then(|v| text(&v))
            }
            "propose" => {
                let asked: ChangesAsked = read(body)?;
                state.propose(&asked).and_then(|v| text(&v))
            }
            "save" => {
                let asked: ChangesAsked = read(body)?;
                state.save(&asked).and_then(|v| text(&v))
            }
            "undo" => {
                let asked: UndoAsked = read(body)?;
                state.undo(&asked).and_then(|v| text(&v))
            }
            _ => Err(NotDone::Unknown("there is no such question".to_owned())),
        }
    }
}

impl Answers for PageDesk {
    fn answer(&self, what: &str, body: &[u8]) -> PageAnswer {
        answer(self.ask(what, body))
    }
}

/// What a proposal comes to.
struct Worked {
    before: RecordingOutcome,
    after: RecordingOutcome,
    entries: Vec<CorrectionEntry>,
    commands: Vec<String>,
}

impl DeskState {
    fn study(&mut self, title: Option<String>) -> Result<StudyView, NotDone> {
        let known = self.known()?;
        let usual = UsualWidths::of(&self.looks);
        let mut recordings = Vec::with_capacity(self.files.len());
        for id in order(&self.looks) {
            let path = self.desk.path_in_study(&self.files[id])?;
            let active = known.active().iter().filter(|c| c.recording == path).count();
            recordings.push(ListedRecording {
                id,
                name: self.name(id),
                reasons: self.looks[id].reasons(&usual),
                corrections: active.saturating_sub(self.looks[id].refused()),
            });
        }
        let gone = without_recording(&self.desk, &known);
        let gone = gone.iter().map(|c| match self.desk.hidden() {
            true => format!("Entry {} is for a recording that is not in the study.", c.number),
            false => format!("Entry {} is for {}, which is not in the study.", c.number, c.recording),
        });
        Ok(StudyView {
            title,
            hidden: self.desk.hidden(),
            recordings,
            levels: Level::ALL.iter().map(|l| l.word()).collect(),
            sides: Side::ALL.iter().map(|s| s.word()).collect(),
            problems: gone.collect(),
            seen: known.sum(),
        })
    }

    /// The entries as they are now.
    fn known(&mut self) -> Result<Corrections, NotDone> {
        let root = self.desk.root();
        let mut problems = Vec::new();
        let now = corrections::read(root, &mut problems);
        let is_there = root.join(FILE_NAME).symlink_metadata().is_ok();
        match Meanwhile::between(&self.last, &now, is_there) {
            Some(lost @ (Meanwhile::Gone | Meanwhile::Shrunk)) => return Err(self.lost(lost, &problems)),
            _ if now.faulty => return Err(refusal(fault_words(&problems)).into()),
            _ => self.last = now.clone(),
        }
        Ok(now)
    }

    fn lost(&self, what: Meanwhile, problems: &[Problem]) -> NotDone {
        lost(what, self.last.entries.len(), problems)
    }

    /// How often the bytes of a recording changed since the page was opened, these included.
    fn version(&mut self, id: usize, sha256: &str) -> u32 {
        let (last, version) = &mut self.versions[id];
        if last != sha256 {
            (*last, *version) = (sha256.to_owned(), *version + 1);
        }
        *version
    }

    /// What a recording is called: by its number where its name would tell the side.
    fn name(&self, id: usize) -> String {
        match self.desk.hidden() {
            true => hidden_name(id),
            false => self.files[id].recording.clone(),
        }
    }

    fn file(&self, id: usize) -> Result<InputFile, NotDone> {
        let file = self.files.get(id).cloned();
        file.ok_or_else(|| NotDone::Unknown("there is no such recording".to_owned()))
    }

    fn recording(&mut self, id: usize) -> Result<ReviewedRecording, NotDone> {
        let file = self.file(id)?;
        let known = self.known()?;
        self.desk.take(&known);
        let outcome = self.desk.outcome(&file);
        self.looks[id] = Look::at(&outcome);
        self.view(id, &file, &outcome, &known).map_err(NotDone::Refused)
    }

    fn view(
        &mut self,
        id: usize,
        file: &InputFile,
        outcome: &RecordingOutcome,
        known: &Corrections,
    ) -> Result<ReviewedRecording> {
        let hidden = self.desk.hidden();
        let path = self.desk.path_in_study(file)?;
        let signals = self.desk.signals(file);
        // A test that is not plausible has a signal and no row: then the thinner curves serve.
        let fits = signals.len() == outcome.tests.len();
        let rows = rows(outcome, hidden);
        let tests = (0..rows.len()).map(|row| {
            let at = rows[row];
            let name = label(outcome, row, &rows, hidden);
            test_view(&outcome.tests[at], name, signals.get(at).filter(|_| fits), hidden)
        });
        let problems: Vec<String> = match (hidden, outcome.problems.len()) {
            (false, _) => outcome.problems.iter().map(|p| p.found.clone()).collect(),
            (true, 0) => Vec::new(),
            // Their words may name a side.
            (true, n) => vec![format!("{} about this recording, told when the study is opened", counted(n, "remark"))],
        };
        Ok(ReviewedRecording {
            id,
            name: self.name(id),
            hidden,
            tests: tests.collect(),
            entries: entries(known, &path, &outcome.refused_corrections, hidden),
            problems,
            seen: known.sum(),
            version: self.version(id, &outcome.input.sha256),
        })
    }

    /// Words about a recording without its name, where that would tell the side.
    fn unnamed(&self, words: &str, file: &InputFile, path: &str) -> String {
        match self.desk.hidden() {
            true => words.replace(path, "the recording").replace(&file.recording, "the recording"),
            false => words.to_owned(),
        }
    }

    /// Works out what is proposed; `sign` gives who and why of each change by the reason that it brings along.
    fn work(
        &mut self,
        asked: &ChangesAsked,
        known: &Corrections,
        sign: &dyn Fn(Option<&str>) -> Result<By, SignatureFault>,
    ) -> Result<Worked, NotDone> {
        let file = self.file(asked.id)?;
        if asked.drafts.len() > MOST_DRAFTS {
            return Err(refusal(format!("more than {MOST_DRAFTS} changes at once: keep these first")).into());
        }
        self.desk.take(known);
        let worked = self.steps(asked, &file, known, sign);
        self.desk.take(known);
        worked
    }

    fn steps(
        &mut self,
        asked: &ChangesAsked,
        file: &InputFile,
        known: &Corrections,
        sign: &dyn Fn(Option<&str>) -> Result<By, SignatureFault>,
    ) -> Result<Worked, NotDone> {
        let path = self.desk.path_in_study(file)?;
        let before = self.desk.outcome(file);
        let version = self.version(asked.id, &before.input.sha256);
        if asked.version.is_some_and(|shown| shown != version) {
            return Err(recording_changed());
        }
        let mut worked = Worked {
            after: before.clone(),
            before,
            entries: Vec::new(),
            commands: Vec::new(),
        };
        for draft in &asked.drafts {
            let rows = rows(&worked.after, self.desk.hidden());
            let at = rows.get(draft.row);
            let at = at.ok_or_else(|| NotDone::Unknown("there is no such test".to_owned()))?;
            let test = worked.after.tests[*at].clone();
            worked.commands.push(command(&self.desk, file, &worked.after, &test, asked, &draft.change));
            let number = known.next_number() + u32::try_from(worked.entries.len()).unwrap_or(u32::MAX);
            let may_tell = !(self.desk.hidden() && draft.change.names_place());
            if let Some(words) = draft.change.changes_nothing(&test).filter(|_| may_tell) {
                return Err(NotDone::Nothing(words));
            }
            let signed = sign(draft.change.own_reason(&test).as_deref())?;
            let tried = self.desk.try_change(file, &worked.after, &test, &draft.change, number, signed);
            let (correction, after) = tried.map_err(|e| match e {
                Error::Refused { found, advice } => Error::Refused {
                    found: self.unnamed(&found, file, &path),
                    advice,
                },
                other => other,
            })?;
            worked.entries.push(CorrectionEntry::Correction(Box::new(correction)));
            worked.after = after;
        }
        Ok(worked)
    }

    fn propose(&mut self, asked: &ChangesAsked) -> Result<ProposalView, NotDone> {
        let known = self.known()?;
        let unsigned = |_: Option<&str>| {
            Ok(By {
                who: asked.who.trim().to_owned(),
                when: String::new(),
                why: asked.why.trim().to_owned(),
            })
        };
        let worked = self.work(asked, &known, &unsigned)?;
        let file = self.file(asked.id)?;
        // What is drawn is what would be.
        let mut all = known.clone();
        all.entries.extend(worked.entries.iter().cloned());
        self.desk.take(&all);
        let view = self.view(asked.id, &file, &worked.after, &known);
        self.desk.take(&known);
        Ok(ProposalView {
            recording: view?,
            changes: self.changes(&worked),
            losses: self.losses(&worked),
            commands: worked.commands,
        })
    }

    /// What changes of each test; nothing in a blind study.
    fn changes(&self, worked: &Worked) -> Vec<ChangedTest> {
        if self.desk.hidden() {
            return Vec::new();
        }
        let rows = rows(&worked.before, false);
        let changed = (0..rows.len()).map(|row| {
            let test = &worked.before.tests[rows[row]];
            let after = counterpart(&worked.after, test);
            ChangedTest {
                label: label(&worked.before, row, &rows, false),
                gone: after.is_none(),
                numbers: after.map_or_else(Vec::new, |after| changed_numbers(test, after)),
            }
        });
        changed.filter(|c| c.gone || !c.numbers.is_empty()).collect()
    }

    /// What would be lost of each test.
    fn losses(&self, worked: &Worked) -> Vec<String> {
        let hidden = self.desk.hidden();
        let rows = rows(&worked.before, hidden);
        let of_row = |row: usize| {
            let test = &worked.before.tests[rows[row]];
            let name = match rows.len() {
                1 => String::new(),
                _ => format!("{}: ", label(&worked.before, row, &rows, hidden)),
            };
            let lost = losses(test, counterpart(&worked.after, test), hidden);
            lost.into_iter().map(move |words| format!("{name}{words}"))
        };
        (0..rows.len()).flat_map(of_row).collect()
    }

    fn save(&mut self, asked: &ChangesAsked) -> Result<ReviewedRecording, NotDone> {
        if asked.drafts.is_empty() {
            return Err(refusal("nothing is proposed").into());
        }
        if asked.version.is_none() {
            return Err(recording_changed());
        }
        let known = self.still(&asked.seen)?;
        let sign = |own: Option<&str>| by(&asked.who, Some(&asked.why), own);
        let worked = self.work(asked, &known, &sign)?;
        self.add(&known, &worked.entries)?;
        self.after_writing(asked.id)
    }

    fn undo(&mut self, asked: &UndoAsked) -> Result<ReviewedRecording, NotDone> {
        let known = self.still(&asked.seen)?;
        let path = self.desk.path_in_study(&self.file(asked.id)?)?;
        if !entries(&known, &path, &[], true).iter().any(|e| e.number == asked.entry) {
            return Err(refusal(format!("entry {} is none of this recording", asked.entry)).into());
        }
        may_undo(&known, asked.entry)?;
        let entry = CorrectionEntry::Undo {
            number: known.next_number(),
            entry: asked.entry,
            by: by(&asked.who, Some(&asked.why), None)?,
        };
        self.add(&known, &[entry])?;
        self.after_writing(asked.id)
    }

    /// A study that is blinded under the open page tells no side from then on.
    fn as_blind_as_before(&mut self) -> Result<(), NotDone> {
        let blind = is_blind(self.desk.root());
        if blind == self.blind {
            return Ok(());
        }
        self.desk = CorrectionDesk::open(self.desk.root())?;
        self.blind = blind;
        Err(opened_or_blinded())
    }

    /// The entries, when they are still those that the page knows, in a study that is as blind as it was.
    fn still(&mut self, seen: &str) -> Result<Corrections, NotDone> {
        let was_hidden = self.desk.hidden();
        self.desk = CorrectionDesk::open(self.desk.root())?;
        if self.desk.hidden() != was_hidden {
            return Err(opened_or_blinded());
        }
        let known = self.known()?;
        match known.sum() == seen {
            true => Ok(known),
            false => Err(meanwhile()),
        }
    }

    fn add(&mut self, known: &Corrections, added: &[CorrectionEntry]) -> Result<(), NotDone> {
        append(self.desk.root(), known, added).map_err(|not| match not {
            NotAppended::Meanwhile(what @ (Meanwhile::Gone | Meanwhile::Shrunk), _) => self.lost(what, &[]),
            NotAppended::Meanwhile(Meanwhile::Grown, _) => meanwhile(),
            NotAppended::Meanwhile(Meanwhile::Busy, _) => busy(),
            NotAppended::Failed(error) => match self.known() {
                Ok(now) if now != *known => meanwhile(),
                Ok(_) => NotDone::Refused(error),
                Err(not) => not,
            },
        })
    }

    fn after_writing(&mut self, id: usize) -> Result<ReviewedRecording, NotDone> {
        let file = self.file(id)?;
        let known = self.known()?;
        self.desk.take(&known);
        let outcome = self.desk.outcome(&file);
        self.looks[id] = Look::at(&outcome);
        self.view(id, &file, &outcome, &known).map_err(NotDone::Refused)
    }
}

/// Whether a study, or one around it, is blind now.
fn is_blind(root: &Path) -> bool {
    opened::any_hidden([root.join(study_file::FILE_NAME).as_path()])
}
