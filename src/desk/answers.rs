//! What a question is read from, and what an answer is sent as.

use crate::error::Error;
use crate::live::server::answering::{AnswerKind, PageAnswer};
use serde::{Deserialize, Serialize};
use serde_json::json;

/// Why something is not done.
pub enum NotAnswered {
    /// Nothing that is known was asked for, or it cannot be read.
    Unknown(String),
    /// It does not fit; the error says why.
    Refused(Error),
}

impl From<Error> for NotAnswered {
    fn from(error: Error) -> NotAnswered {
        NotAnswered::Refused(error)
    }
}

/// An answer, or why there is none.
pub type Answered = Result<String, NotAnswered>;

/// Something that does not fit, in words.
pub fn refused(found: impl Into<String>, advice: impl Into<String>) -> NotAnswered {
    NotAnswered::Refused(Error::Refused {
        found: found.into(),
        advice: advice.into(),
    })
}

/// What was asked.
pub fn read<'de, T: Deserialize<'de>>(body: &'de [u8]) -> Result<T, NotAnswered> {
    serde_json::from_slice(body).map_err(|e| NotAnswered::Unknown(format!("this cannot be read: {e}")))
}

/// An answer in JSON.
pub fn told(view: &impl Serialize) -> Answered {
    serde_json::to_string(view).map_err(|e| NotAnswered::Unknown(e.to_string()))
}

/// Done, and nothing more to say.
pub fn done() -> Answered {
    Ok("{}".to_owned())
}

/// The answer as the page gets it.
pub fn page_answer(answered: Answered) -> PageAnswer {
    let (kind, words) = match answered {
        Ok(json) => {
            return PageAnswer {
                kind: AnswerKind::Done,
                json,
            };
        }
        Err(NotAnswered::Unknown(words)) => (AnswerKind::Unknown, words),
        Err(NotAnswered::Refused(error)) => (AnswerKind::Refused, error.to_string()),
    };
    PageAnswer {
        kind,
        json: json!({ "message": words }).to_string(),
    }
}
