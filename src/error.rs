//! One error type. A fault in data knows its file, line and column, what was expected and what to do.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::{Path, PathBuf};

/// How much a [`Problem`] costs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// The input is used all the same; the reader should know.
    Warning,
    /// The input (a file, or the named test or spring of it) could not be used.
    Error,
}

/// What is wrong with one input, said so that a person can mend it.
///
/// `file` is relative to the input given on the command line; it never holds an absolute path of the machine
/// unless the user typed one. `line` counts from 1 and includes header and comment lines; `column` is the
/// heading, or the key in a TOML file.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Problem {
    /// Whether the input could still be used.
    pub severity: Severity,
    /// The file, relative to the input given.
    pub file: String,
    /// Line of the file, from 1.
    pub line: Option<u64>,
    /// Heading of the column, or key in a TOML file.
    pub column: Option<String>,
    /// What stands there.
    pub found: String,
    /// What should stand there.
    pub expected: String,
    /// What to do.
    pub advice: String,
}

impl Problem {
    /// An error: the input cannot be used.
    pub fn error(
        file: impl Into<String>,
        found: impl Into<String>,
        expected: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        Problem {
            severity: Severity::Error,
            file: printable(file.into()),
            line: None,
            column: None,
            found: printable(found.into()),
            expected: printable(expected.into()),
            advice: printable(advice.into()),
        }
    }

    /// A warning: the input is used all the same.
    pub fn warning(
        file: impl Into<String>,
        found: impl Into<String>,
        expected: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        Problem {
            severity: Severity::Warning,
            ..Problem::error(file, found, expected, advice)
        }
    }

    /// Names the line, where there is one, counted from 1 in the file as a text editor shows it.
    #[must_use]
    pub fn at_line(mut self, line: impl Into<Option<u64>>) -> Self {
        self.line = line.into();
        self
    }

    /// Names the column heading or the TOML key.
    #[must_use]
    pub fn in_column(mut self, column: impl Into<String>) -> Self {
        self.column = Some(printable(column.into()));
        self
    }
}

/// Whether a character controls a terminal (C0, C1, DEL; line end and tab do not count) or turns the writing direction of the text
/// around it (Unicode Standard Annex 9).
pub(crate) fn steers(c: char) -> bool {
    match c {
        '\n' | '\t' => false,
        '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => true,
        c => c.is_control(),
    }
}

/// Text from a name or a file without what would steer a terminal, a page or a spreadsheet: control signs, and marks that turn the
/// writing direction of what stands around them.
pub(crate) fn printable(text: String) -> String {
    match text.contains(steers) {
        true => text.replace(steers, "\u{fffd}"),
        false => text,
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if let Some(column) = &self.column {
            write!(f, ", column {column}")?;
        }
        write!(
            f,
            ": found {}; expected {}; {}",
            self.found, self.expected, self.advice
        )
    }
}

/// Everything that stops a piece of work.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A fault in one input; the rest of a batch goes on.
    #[error("{0}")]
    Data(Box<Problem>),
    /// The system would not read or write. Its own words are in the message, not a link of a chain of causes: a
    /// program that prints the chain would say them twice.
    #[error("{}: {cause}; {advice}", path.display())]
    Io {
        /// Where.
        path: PathBuf,
        /// The system's own error.
        cause: std::io::Error,
        /// What to do.
        advice: &'static str,
    },
    /// A setting or an argument that cannot be meant.
    #[error("{what} is {found}; expected {expected}")]
    Setting {
        /// The setting or argument.
        what: String,
        /// What it was set to.
        found: String,
        /// What it may be.
        expected: String,
    },
    /// The tool declines, to protect something that is there.
    #[error("{found}; {advice}")]
    Refused {
        /// What is there.
        found: String,
        /// What to do.
        advice: String,
    },
}

const MORE_FILES: &str = "let the program have more files open (`ulimit -n`), and run again";

impl Error {
    /// An input or output error with the path it happened on and what to do.
    pub fn io(path: impl AsRef<Path>, cause: std::io::Error, advice: &'static str) -> Self {
        // EMFILE and ENFILE say nothing of the file or the disk.
        let scarce = cfg!(unix) && matches!(cause.raw_os_error(), Some(23 | 24));
        Error::Io {
            path: path.as_ref().to_owned(),
            cause,
            advice: if scarce { MORE_FILES } else { advice },
        }
    }

    /// [`Error::io`] for a file that could not be opened.
    pub fn unreadable(path: impl AsRef<Path>, cause: std::io::Error) -> Self {
        Error::io(path, cause, "check that the file is there and may be read")
    }
}

impl From<Problem> for Error {
    fn from(problem: Problem) -> Self {
        Error::Data(Box::new(problem))
    }
}

/// The library's result.
pub type Result<T, E = Error> = std::result::Result<T, E>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_problem_says_where_what_and_what_to_do() {
        let p = Problem::error("a.csv", "abc", "a number", "correct or empty the cell")
            .at_line(500_u64)
            .in_column("force_n");
        assert_eq!(
            p.to_string(),
            "a.csv, line 500, column force_n: found abc; expected a number; correct or empty the cell"
        );
    }
}
