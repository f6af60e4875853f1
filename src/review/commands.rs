//! The command line that does what the page does.

use super::asked::AskedChange;
use super::desk::CorrectionDesk;
use super::questions::ChangesAsked;
use crate::batch::RecordingOutcome;
use crate::study::inputs::InputFile;
use crate::trace::Test;

/// The command line that does the same.
pub fn command(
    desk: &CorrectionDesk,
    file: &InputFile,
    outcome: &RecordingOutcome,
    test: &Test,
    asked: &ChangesAsked,
    change: &AskedChange,
) -> String {
    let hidden = desk.hidden();
    let mut words = vec!["tautpoint".to_owned(), "correct".to_owned()];
    words.push(quoted(&desk.root().display().to_string()));
    words.push(match hidden {
        true => "RECORDING".to_owned(),
        false => quoted(&file.recording),
    });
    let several = |same: &dyn Fn(&Test) -> bool| outcome.tests.iter().filter(|t| same(t)).count() > 1;
    if several(&|_| true) {
        words.extend(["--test".to_owned(), test.test.to_string()]);
    }
    if let Some(side) = test.side().filter(|_| several(&|t| t.test == test.test)) {
        let side = if hidden { "SIDE" } else { side.word() };
        words.extend(["--side".to_owned(), side.to_owned()]);
    }
    words.extend(change.options().iter().map(|w| quoted(w)));
    let given = |text: &str, else_word: &str| match text.trim() {
        "" => else_word.to_owned(),
        text => quoted(text),
    };
    words.extend(["--who".to_owned(), given(&asked.who, "CODE")]);
    words.extend(["--why".to_owned(), given(&asked.why, "REASON")]);
    words.join(" ")
}

/// A word as a shell takes it.
fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./:,+".contains(c);
    match !word.is_empty() && word.chars().all(plain) {
        true => word.to_owned(),
        false => format!("'{}'", word.replace('\'', "'\\''")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_is_quoted_so_that_a_shell_takes_it_as_one() {
        assert_eq!(quoted("s1-l3.csv"), "s1-l3.csv");
        assert_eq!(quoted("the table moved"), "'the table moved'");
        assert_eq!(quoted("it's $HOME"), "'it'\\''s $HOME'");
        assert_eq!(quoted(""), "''");
    }
}
