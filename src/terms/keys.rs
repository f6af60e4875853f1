//! What tells sessions, scans and tests apart. What nobody named is a value like any other: tests that lack it are of
//! one kind.

use super::{Contact, Level, LineOfDrive, Posture};
use serde::{Deserialize, Serialize};

/// One subject examined by one examiner in one session; a scan plan is gone through once in it, whatever postures it asks for.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub struct SessionKey {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
}

/// The tests of a session in one posture: they share one spread between trials and one correction for testing many
/// levels.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub struct ScanKey {
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub session: Option<String>,
    pub posture: Option<Posture>,
}

/// What only tests of the same kind may share, whatever their side and trial: nothing else is ever compared.
///
/// The order is that of findings: scan by scan, contact by contact, from the neck down.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub struct TestKey {
    /// Code of who is pressed on.
    pub subject: Option<String>,
    /// Code of who presses.
    pub examiner: Option<String>,
    /// Name of the session.
    pub session: Option<String>,
    /// How the subject lies or sits.
    pub posture: Option<Posture>,
    /// The part of the hand.
    pub contact: Option<Contact>,
    /// Level of the spine.
    pub level: Option<Level>,
    /// Direction of the push.
    pub line_of_drive: Option<LineOfDrive>,
}

impl TestKey {
    /// The session it belongs to.
    pub fn session(&self) -> SessionKey {
        SessionKey {
            subject: self.subject.clone(),
            examiner: self.examiner.clone(),
            session: self.session.clone(),
        }
    }

    /// The scan it belongs to.
    pub fn scan(&self) -> ScanKey {
        ScanKey {
            subject: self.subject.clone(),
            examiner: self.examiner.clone(),
            session: self.session.clone(),
            posture: self.posture.clone(),
        }
    }
}
