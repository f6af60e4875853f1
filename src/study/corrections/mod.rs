//! corrections.toml: where a person put right what the program marked, and marks with a word at a time.
//!
//! Raw recordings stay as they are. Entries are only ever added; one that was wrong is taken back by an entry too, so that the
//! file tells everything that was ever done; its top says how many there are and their hash, by which a missing end is seen.
//! An entry holds for a recording of exactly the bytes that it was made for.

mod text;

pub use text::{entry_to_toml, file_to_toml, is_plain_line, parse, with_added};

use super::door;
use super::toml_doc::read_text;
use crate::error::Problem;
use crate::terms::{ChangeWord, Level, Side};
use crate::trace::Corrected;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::path::Path;

/// Name of the file in a study's folder.
pub const FILE_NAME: &str = "corrections.toml";

/// One mark moved, in the recording's own seconds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Moved {
    /// Where it was.
    pub from_s: f64,
    /// Where it belongs.
    pub to_s: f64,
}

/// A mark that can be moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum CorrectedMark {
    ContactBegin,
    ContactEnd,
    SpringStart,
    SpringPeak,
    SpringEnd,
}

/// What is put right.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Change {
    /// A mark of the test, or of the spring that has it at `from_s`.
    Move(CorrectedMark, Moved),
    /// A spring that was not found, by the time of its peak.
    AddSpring { to_s: f64 },
    /// A spring that is none, by the time of its peak.
    RemoveSpring { from_s: f64 },
    /// One test was two, parted here.
    Split { to_s: f64 },
    /// It and the next one were one.
    Join,
    /// The side was another.
    Side { from: Option<Side>, to: Side },
    /// The level was another.
    Level { from: Option<Level>, to: Level },
    /// The test is not used.
    LeaveOut,
    /// The onset is looked for between these displacements only; a side that is open has none.
    OnsetWithin { mm: [Option<f64>; 2] },
    /// Nothing is changed: a word for a moment.
    Annotate { word: String },
}

impl Change {
    /// Its word in the file.
    pub fn word(&self) -> ChangeWord {
        match self {
            Change::Move(CorrectedMark::ContactBegin, _) => ChangeWord::ContactBegin,
            Change::Move(CorrectedMark::ContactEnd, _) => ChangeWord::ContactEnd,
            Change::Move(CorrectedMark::SpringStart, _) => ChangeWord::SpringStart,
            Change::Move(CorrectedMark::SpringPeak, _) => ChangeWord::SpringPeak,
            Change::Move(CorrectedMark::SpringEnd, _) => ChangeWord::SpringEnd,
            Change::AddSpring { .. } => ChangeWord::AddSpring,
            Change::RemoveSpring { .. } => ChangeWord::RemoveSpring,
            Change::Split { .. } => ChangeWord::Split,
            Change::Join => ChangeWord::Join,
            Change::Side { .. } => ChangeWord::Side,
            Change::Level { .. } => ChangeWord::Level,
            Change::LeaveOut => ChangeWord::LeaveOut,
            Change::OnsetWithin { .. } => ChangeWord::OnsetWithin,
            Change::Annotate { .. } => ChangeWord::Annotate,
        }
    }

    /// The moment at which it sets something.
    pub fn set_at_s(&self) -> Option<f64> {
        match self {
            Change::Move(_, Moved { to_s, .. }) | Change::AddSpring { to_s } | Change::Split { to_s } => Some(*to_s),
            _ => None,
        }
    }

    /// Whether it says whose test this is, which nobody may decide who must not know yet what was measured.
    pub fn names_place(&self) -> bool {
        matches!(self, Change::Side { .. } | Change::Level { .. })
    }

    /// Whether numbers may rest on it.
    pub fn is_annotation(&self) -> bool {
        matches!(self, Change::Annotate { .. })
    }
}

/// A change of one test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// Number of the entry, from 1 in the order of the file.
    pub number: u32,
    /// Path of the recording in the study, with forward slashes.
    pub recording: String,
    /// Hash of its bytes.
    pub sha256: String,
    /// The test's number when the entry was made, for a person who reads the file: a split moves those that follow.
    pub test: u32,
    /// A moment of the test, by which it is found.
    pub at_s: f64,
    /// The side, where the test has two.
    pub side: Option<Side>,
    pub change: Change,
    pub by: By,
}

impl Correction {
    /// As a test says that it rests on it.
    pub fn as_applied(&self) -> Corrected {
        Corrected {
            entry: self.number,
            who: self.by.who.clone(),
            change: self.change.word(),
            at_s: self.change.set_at_s(),
        }
    }
}

/// Who made an entry, when and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct By {
    /// A code.
    pub who: String,
    /// ISO 8601.
    pub when: String,
    pub why: String,
}

/// One entry of the file.
#[derive(Debug, Clone, PartialEq)]
pub enum CorrectionEntry {
    Correction(Box<Correction>),
    /// Takes an earlier entry back.
    Undo { number: u32, entry: u32, by: By },
}

impl CorrectionEntry {
    /// Its number.
    pub fn number(&self) -> u32 {
        match self {
            CorrectionEntry::Correction(c) => c.number,
            CorrectionEntry::Undo { number, .. } => *number,
        }
    }

    /// Who made it, when and why.
    pub fn by(&self) -> &By {
        match self {
            CorrectionEntry::Correction(c) => &c.by,
            CorrectionEntry::Undo { by, .. } => by,
        }
    }
}

/// The file, read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Corrections {
    pub entries: Vec<CorrectionEntry>,
    /// It cannot be read whole: none of it is used.
    pub faulty: bool,
}

impl Corrections {
    /// Those that hold, in their order: not taken back, or taken back by an entry that is itself taken back.
    pub fn active(&self) -> Vec<&Correction> {
        let corrections = self.entries.iter().filter_map(|entry| match entry {
            CorrectionEntry::Correction(c) => Some(&**c),
            CorrectionEntry::Undo { .. } => None,
        });
        corrections.filter(|c| self.holds(c.number)).collect()
    }

    /// Whether an entry, of either kind, is not taken back.
    pub fn holds(&self, number: u32) -> bool {
        let mut undone: BTreeSet<u32> = BTreeSet::new();
        for entry in self.entries.iter().rev() {
            let stands = !undone.contains(&entry.number());
            if entry.number() == number {
                return stands;
            }
            if let (true, CorrectionEntry::Undo { entry, .. }) = (stands, entry) {
                undone.insert(*entry);
            }
        }
        false
    }

    /// Codes of all who made an entry.
    pub fn people(&self) -> BTreeSet<&str> {
        self.entries.iter().map(|e| e.by().who.as_str()).collect()
    }

    /// The entries that one person made: what others took back holds, and what they made is none.
    pub fn of(&self, who: &str) -> Corrections {
        let own = self.entries.iter().filter(|e| e.by().who == who);
        Corrections {
            entries: own.cloned().collect(),
            faulty: self.faulty,
        }
    }

    /// Hash of the entries' values, as the top of the file has it.
    pub fn sum(&self) -> String {
        text::sum(&self.entries)
    }

    /// The number that the next entry has.
    pub fn next_number(&self) -> u32 {
        self.entries.iter().map(CorrectionEntry::number).max().unwrap_or(0) + 1
    }
}

/// Reads the file of a study; nothing when there is none. One fault makes the whole file unusable, since entries build on each
/// other: results then are as detected, and say so.
pub fn read(root: &Path, problems: &mut Vec<Problem>) -> Corrections {
    let path = root.join(FILE_NAME);
    if root.as_os_str().is_empty() || path.symlink_metadata().is_err() {
        return Corrections::default();
    }
    let (corrections, mut found) = match read_text(&path, FILE_NAME) {
        Ok(text) => parse(FILE_NAME, &text),
        Err(problem) => (
            Corrections {
                faulty: true,
                ..Corrections::default()
            },
            vec![problem],
        ),
    };
    problems.append(&mut found);
    corrections
}

/// Whether a study has such a file.
pub fn is_there(root: &Path) -> bool {
    !root.as_os_str().is_empty() && door::is_there(&root.join(FILE_NAME))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn by() -> By {
        By {
            who: "E1".to_owned(),
            when: "2026-11-30T09:00:00Z".to_owned(),
            why: "the \"hand\" slipped \\ and came back".to_owned(),
        }
    }

    fn correction(number: u32, change: Change) -> CorrectionEntry {
        CorrectionEntry::Correction(Box::new(Correction {
            number,
            recording: "s1-l3.csv".to_owned(),
            sha256: "0f".repeat(32),
            test: 2,
            at_s: 7.125,
            side: Some(Side::Left),
            change,
            by: by(),
        }))
    }

    fn undo(number: u32, entry: u32) -> CorrectionEntry {
        CorrectionEntry::Undo {
            number,
            entry,
            by: by(),
        }
    }

    fn every_change() -> Vec<Change> {
        let moved = Moved {
            from_s: 1.25,
            to_s: 0.1 + 0.2,
        };
        vec![
            Change::Move(CorrectedMark::ContactBegin, moved),
            Change::Move(CorrectedMark::ContactEnd, moved),
            Change::Move(CorrectedMark::SpringStart, moved),
            Change::Move(CorrectedMark::SpringPeak, moved),
            Change::Move(CorrectedMark::SpringEnd, moved),
            Change::AddSpring { to_s: 3.5 },
            Change::RemoveSpring { from_s: 3.5 },
            Change::Split { to_s: 4.0 },
            Change::Join,
            Change::Side {
                from: None,
                to: Side::Right,
            },
            Change::Level {
                from: Level::parse("L3"),
                to: Level::parse("L4").unwrap(),
            },
            Change::LeaveOut,
            Change::OnsetWithin { mm: [Some(1.5), Some(3.0)] },
            Change::OnsetWithin { mm: [Some(1.5), None] },
            Change::OnsetWithin { mm: [None, Some(3.0)] },
            Change::Annotate {
                word: "coughed".to_owned(),
            },
        ]
    }

    fn written(entries: &[CorrectionEntry]) -> String {
        file_to_toml(entries)
    }

    #[test]
    fn every_entry_reads_back_as_it_was_written() {
        let mut entries: Vec<CorrectionEntry> = (1..).zip(every_change()).map(|(n, c)| correction(n, c)).collect();
        entries.push(undo(entries.len() as u32 + 1, 3));
        let (back, problems) = parse(FILE_NAME, &written(&entries));
        assert_eq!(problems, []);
        assert_eq!(back.entries, entries);
        assert!(!back.faulty);
    }

    #[test]
    fn what_was_taken_back_does_not_hold_until_that_is_taken_back() {
        let numbers = |entries: Vec<CorrectionEntry>| -> Vec<u32> {
            let all = Corrections {
                entries,
                faulty: false,
            };
            all.active().iter().map(|c| c.number).collect()
        };
        let two = || vec![correction(1, Change::Join), correction(2, Change::LeaveOut)];
        assert_eq!(numbers(two()), [1, 2]);
        assert_eq!(numbers([two(), vec![undo(3, 1)]].concat()), [2]);
        assert_eq!(numbers([two(), vec![undo(3, 1), undo(4, 3)]].concat()), [1, 2]);
        assert_eq!(numbers([two(), vec![undo(3, 1), undo(4, 3), undo(5, 2)]].concat()), [1]);
    }

    #[test]
    fn one_fault_makes_the_whole_file_unusable() {
        let good = written(&[correction(1, Change::Join), correction(2, Change::LeaveOut)]);
        for (from, to) in [
            ("number = 2", "number = 7"),
            ("number = 2", "number = 1"),
            ("change = \"join\"", "change = \"jion\""),
            ("sha256 = \"0f", "sha256 = \"zz"),
            ("who = \"E1\"", "who = \"\""),
            ("at_s = 7.125", "at_s = \"soon\""),
            ("change = \"leave_out\"", "change = \"split\""),
            ("change = \"leave_out\"", "change = \"undo\"\nentry = 2"),
            ("when = \"2026-11-30T09:00:00Z\"", "when = \"yesterday\""),
            ("[[entry]]", "[entry]"),
        ] {
            let text = good.replacen(from, to, 1);
            assert_ne!(text, good);
            let (read, problems) = parse(FILE_NAME, &text);
            assert!(read.faulty && read.entries.is_empty(), "{to}: {read:?}");
            assert!(!problems.is_empty(), "{to}");
        }
        // What a full disk, a loss of power or an editor leaves.
        for cut in 1..good.trim_end().len() {
            let (read, problems) = parse(FILE_NAME, &good[..cut]);
            assert!(read.faulty && !problems.is_empty(), "{cut}: {read:?}");
        }
    }

    #[test]
    fn an_end_cut_off_whole_and_a_value_changed_are_seen() {
        let entries = [correction(1, Change::Join), correction(2, Change::LeaveOut)];
        let good = written(&entries);
        let last = good.rfind("\n[[entry]]").unwrap();
        let told = |text: &str| {
            let (read, problems) = parse(FILE_NAME, text);
            assert!(read.faulty && read.entries.is_empty(), "{text}");
            problems.iter().map(ToString::to_string).collect::<String>()
        };
        assert!(told(&good[..last]).contains("found one entry; expected 2, as its top says"));
        let first = good.find("\n[[entry]]").unwrap();
        assert!(told(&good[..first]).contains("found 0 entries; expected 2"));
        assert!(told(&good.replacen("at_s = 7.125", "at_s = 7.126", 1)).contains("one was changed"));
        assert!(told(&good.replacen("entries = 2\n", "", 1)).contains("a number of entries"));
        // Comments and ends of lines are nobody's entry.
        let (read, problems) = parse(FILE_NAME, &good.replace('\n', "\r\n").replacen("[[entry]]", "# seen\r\n[[entry]]", 1));
        assert_eq!((read.entries.len(), problems), (2, vec![]));
    }

    #[test]
    fn what_is_added_changes_nothing_before_it_but_the_two_lines_at_the_top() {
        let entries = [correction(1, Change::Join), correction(2, Change::LeaveOut)];
        let first = written(&entries[..1]).replacen("[[entry]]", "# by hand\n[[entry]]", 1);
        let both = with_added(&first, &entries, &entries[1..]);
        let (read, problems) = parse(FILE_NAME, &both);
        assert_eq!((read.entries, problems), (entries.to_vec(), vec![]));
        let changed = first.lines().zip(both.lines()).filter(|(a, b)| a != b).count();
        assert_eq!((changed, both.contains("# by hand")), (2, true));
    }
}
