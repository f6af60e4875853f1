//! What the page asks, read, and why something that it asks for is not done.

use super::append::Meanwhile;
use super::asked::{AskedChange, SignatureFault};
use crate::error::{Error, Problem, Severity};
use crate::live::server::answering::{AnswerKind, PageAnswer};
use crate::study::corrections::FILE_NAME;
use serde::{Deserialize, Serialize};
use serde_json::json;

/// One change that the page proposes, of a test by its place in the list as it is after the changes before it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Draft {
    pub row: usize,
    pub change: AskedChange,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordingAsked {
    pub id: usize,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChangesAsked {
    pub id: usize,
    pub drafts: Vec<Draft>,
    #[serde(default)]
    pub who: String,
    #[serde(default)]
    pub why: String,
    /// Of corrections.toml as the page knows it; needed to write.
    #[serde(default)]
    pub seen: String,
    /// Of the recording as the page shows it; needed to write.
    pub version: Option<u32>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UndoAsked {
    pub id: usize,
    pub entry: u32,
    pub who: String,
    pub why: String,
    pub seen: String,
}

/// Why something is not done.
pub enum NotDone {
    Unknown(String),
    Refused(Error),
    /// By one that is missing or wrong in what signs it.
    Unsigned(SignatureFault),
    /// The test is so already.
    Nothing(String),
    Conflict(String),
}

impl From<SignatureFault> for NotDone {
    fn from(fault: SignatureFault) -> NotDone {
        NotDone::Unsigned(fault)
    }
}

impl From<Error> for NotDone {
    fn from(error: Error) -> NotDone {
        NotDone::Refused(error)
    }
}

pub fn read<'de, T: Deserialize<'de>>(body: &'de [u8]) -> Result<T, NotDone> {
    serde_json::from_slice(body).map_err(|e| NotDone::Unknown(format!("this cannot be read: {e}")))
}

pub fn text(view: &impl Serialize) -> Result<String, NotDone> {
    serde_json::to_string(view).map_err(|e| NotDone::Unknown(e.to_string()))
}

/// The answer to a question.
pub fn answer(answered: Result<String, NotDone>) -> PageAnswer {
    let (mut field, mut nothing) = (None, false);
    let (kind, words) = match answered {
        Ok(json) => {
            return PageAnswer {
                kind: AnswerKind::Done,
                json,
            };
        }
        Err(NotDone::Unknown(words)) => (AnswerKind::Unknown, words),
        Err(NotDone::Refused(error)) => (AnswerKind::Refused, error.to_string()),
        Err(NotDone::Unsigned(fault)) => {
            field = Some(fault.field);
            (AnswerKind::Refused, Error::from(fault).to_string())
        }
        Err(NotDone::Nothing(words)) => {
            nothing = true;
            (AnswerKind::Refused, words)
        }
        Err(NotDone::Conflict(words)) => (AnswerKind::Conflict, words),
    };
    PageAnswer {
        kind,
        json: json!({ "message": words, "field": field, "nothing": nothing }).to_string(),
    }
}

/// Entries that this page was told of, so many, are not there any more.
pub fn lost(what: Meanwhile, known: usize, problems: &[Problem]) -> NotDone {
    let fault = match problems {
        [] => String::new(),
        _ => format!(" ({})", fault_words(problems)),
    };
    NotDone::Conflict(format!(
        "{}{fault}. Nothing was written. Put the file back as it was and go on here; or end the program and open this page anew, to go \
         on from the file as it is now",
        what.words(known)
    ))
}

/// What the page shows is not what it may show.
pub fn opened_or_blinded() -> NotDone {
    let words = "the study was opened or blinded meanwhile: load this page anew; nothing was written";
    NotDone::Conflict(words.to_owned())
}

/// Another program has the file in hand.
pub fn busy() -> NotDone {
    let words = "another program is adding an entry to corrections.toml at this moment: save once more; nothing was written";
    NotDone::Conflict(words.to_owned())
}

/// Another entry stands in the file by now.
pub fn meanwhile() -> NotDone {
    let words = "somebody else added an entry to corrections.toml meanwhile, and it was left as it is. Look at the recording once \
                 more, and save again; nothing was written";
    NotDone::Conflict(words.to_owned())
}

pub fn recording_changed() -> NotDone {
    let words = "the recording is not the one that is shown: its bytes were changed, or it was taken away, meanwhile. It is shown now as it \
                 is: look at it once more; nothing was written";
    NotDone::Conflict(words.to_owned())
}

/// What is wrong with corrections.toml.
pub fn fault_words(problems: &[Problem]) -> String {
    let first = problems.iter().find(|p| p.severity == Severity::Error);
    let first = first.map_or_else(String::new, |p| format!(": found {}; expected {}", p.found, p.expected));
    format!("{FILE_NAME} has a fault{first}")
}

