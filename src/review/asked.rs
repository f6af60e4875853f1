//! What a person asks to be put right, on the command line and on the page alike, held against the test that it is about.

use super::refusal;
use crate::error::{Error, Result};
use crate::format::number;
use crate::study::codes::code_warning;
use crate::study::corrections::{By, Change, CorrectedMark, Moved, is_plain_line};
use crate::terms::{Level, Side, now};
use crate::trace::{Spring, Test};
use serde::Deserialize;

/// Longest reason, and longest word for a moment, in characters.
const LONGEST: usize = 300;
/// Longest code of a person.
const LONGEST_CODE: usize = 32;
/// Displacements lie within so much, in mm.
const LARGEST_MM: f64 = 1e6;
/// A moment that is set within so much, in s, of where its mark stands moves nothing: pages show times to the millisecond.
const SAME_MOMENT_S: f64 = 0.000_5;

/// Stands for the open side of a range on the command line.
pub const OPEN: &str = "-";

/// One change that is asked for. Springs are named by their numbers in the test as it stands.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case", deny_unknown_fields)]
pub enum AskedChange {
    ContactBegin { to_s: f64 },
    ContactEnd { to_s: f64 },
    SpringStart { spring: u32, to_s: f64 },
    SpringPeak { spring: u32, to_s: f64 },
    SpringEnd { spring: u32, to_s: f64 },
    RemoveSpring { spring: u32 },
    AddSpring { to_s: f64 },
    Split { to_s: f64 },
    Join,
    Side { to: Side },
    Level { to: Level },
    LeaveOut,
    /// A side that is not given is open.
    OnsetWithin { low_mm: Option<f64>, high_mm: Option<f64> },
    Annotate { word: String, at_s: f64 },
}

impl AskedChange {
    /// The change of this test as it stands.
    ///
    /// # Errors
    /// What of it cannot be meant.
    pub fn change(&self, test: &Test) -> Result<Change> {
        let phases = &test.phases;
        let moved = |mark, from_s: f64, to_s: &f64| {
            let to_s = finite(*to_s)?;
            Ok(Change::Move(mark, Moved { from_s, to_s }))
        };
        match self {
            AskedChange::ContactBegin { to_s } => moved(CorrectedMark::ContactBegin, phases.contact_begin_s, to_s),
            AskedChange::ContactEnd { to_s } => moved(CorrectedMark::ContactEnd, phases.contact_end_s, to_s),
            AskedChange::SpringStart { spring, to_s } => {
                moved(CorrectedMark::SpringStart, spring_of(test, *spring)?.start_s, to_s)
            }
            AskedChange::SpringPeak { spring, to_s } => {
                moved(CorrectedMark::SpringPeak, spring_of(test, *spring)?.peak_s, to_s)
            }
            AskedChange::SpringEnd { spring, to_s } => {
                moved(CorrectedMark::SpringEnd, spring_of(test, *spring)?.end_s, to_s)
            }
            AskedChange::RemoveSpring { spring } => Ok(Change::RemoveSpring {
                from_s: spring_of(test, *spring)?.peak_s,
            }),
            AskedChange::AddSpring { to_s } => Ok(Change::AddSpring { to_s: finite(*to_s)? }),
            AskedChange::Split { to_s } => Ok(Change::Split { to_s: finite(*to_s)? }),
            AskedChange::Join => Ok(Change::Join),
            AskedChange::Side { to } => Ok(Change::Side {
                from: test.side(),
                to: *to,
            }),
            AskedChange::Level { to } => Ok(Change::Level {
                from: test.about.level,
                to: *to,
            }),
            AskedChange::LeaveOut => Ok(Change::LeaveOut),
            AskedChange::OnsetWithin { low_mm, high_mm } => {
                let mm = [*low_mm, *high_mm];
                // Written so that what is no number does not pass.
                let in_order = mm[0].is_none_or(|low| mm[1].is_none_or(|high| low < high));
                let numbers = mm.iter().flatten().all(|x| x.abs() < LARGEST_MM);
                match in_order && numbers && mm.iter().any(Option::is_some) {
                    true => Ok(Change::OnsetWithin { mm }),
                    false => Err(refusal(
                        "the onset needs two displacements in mm, the smaller first, or one where the other side is open",
                    )),
                }
            }
            AskedChange::Annotate { word, at_s } => {
                finite(*at_s)?;
                match word.trim() {
                    "" => Err(refusal("an annotation needs a word")),
                    word => Ok(Change::Annotate {
                        word: one_line("the word", word).map_err(refusal)?,
                    }),
                }
            }
        }
    }

    /// Whether it says whose test this is, which nobody may decide who must not know yet what was measured.
    pub fn names_place(&self) -> bool {
        matches!(self, AskedChange::Side { .. } | AskedChange::Level { .. })
    }

    /// That the test is so already, where it is.
    pub fn changes_nothing(&self, test: &Test) -> Option<String> {
        match self.change(test).ok()? {
            change @ Change::Move(_, Moved { from_s, to_s }) if (from_s - to_s).abs() < SAME_MOMENT_S => {
                let mark = change.word().word().replace('_', " ");
                Some(format!("the {mark} stands at {} s already", number(from_s, 3)))
            }
            Change::Side { from, to } if from == Some(to) => Some(format!("the side is {to} already")),
            Change::Level { from, to } if from == Some(to) => Some(format!("the level is {} already", to.label())),
            Change::Annotate { word } => {
                let at_s = self.at_s(test);
                let same = |(at, said): (f64, &str)| (at - at_s).abs() < SAME_MOMENT_S && said == word;
                test.annotations().any(same).then(|| format!("\"{word}\" stands at that moment already"))
            }
            _ => None,
        }
    }

    /// The reason that the change brings along where no other is given: the word of an annotation, and for a test left out the words
    /// that were set in it.
    pub fn own_reason(&self, test: &Test) -> Option<String> {
        match self {
            AskedChange::Annotate { word, .. } => Some(word.clone()),
            AskedChange::LeaveOut => {
                let words: Vec<&str> = test.annotations().map(|(_, word)| word).collect();
                (!words.is_empty()).then(|| words.join(", "))
            }
            _ => None,
        }
    }

    /// A moment by which the test is found again: that of a word, else the middle of the contact.
    pub fn at_s(&self, test: &Test) -> f64 {
        let phases = &test.phases;
        match self {
            AskedChange::Annotate { at_s, .. } => *at_s,
            _ => 0.5 * (phases.contact_begin_s + phases.contact_end_s),
        }
    }

    /// The options of `tautpoint correct` that ask for the same.
    pub fn options(&self) -> Vec<String> {
        let of = |words: &[&dyn std::fmt::Display]| words.iter().map(ToString::to_string).collect();
        match self {
            AskedChange::ContactBegin { to_s } => of(&[&"--contact-begin", to_s]),
            AskedChange::ContactEnd { to_s } => of(&[&"--contact-end", to_s]),
            AskedChange::SpringStart { spring, to_s } => of(&[&"--spring", spring, &"--starts", to_s]),
            AskedChange::SpringPeak { spring, to_s } => of(&[&"--spring", spring, &"--peaks", to_s]),
            AskedChange::SpringEnd { spring, to_s } => of(&[&"--spring", spring, &"--ends", to_s]),
            AskedChange::RemoveSpring { spring } => of(&[&"--spring", spring, &"--remove"]),
            AskedChange::AddSpring { to_s } => of(&[&"--add-spring", to_s]),
            AskedChange::Split { to_s } => of(&[&"--split", to_s]),
            AskedChange::Join => of(&[&"--join"]),
            AskedChange::Side { to } => of(&[&"--to-side", to]),
            AskedChange::Level { to } => of(&[&"--to-level", &to.word()]),
            AskedChange::LeaveOut => of(&[&"--leave-out"]),
            AskedChange::OnsetWithin { low_mm, high_mm } => {
                let [low, high] = [low_mm, high_mm].map(|mm| mm.map_or_else(|| OPEN.to_owned(), |mm| mm.to_string()));
                of(&[&"--onset-within", &low, &high])
            }
            AskedChange::Annotate { word, at_s } => of(&[&"--annotate", word, &"--at", at_s]),
        }
    }
}

fn finite(s: f64) -> Result<f64> {
    match s.is_finite() {
        true => Ok(s),
        false => Err(refusal(format!("the moment is {s}; expected a number of seconds"))),
    }
}

fn spring_of(test: &Test, number: u32) -> Result<&Spring> {
    let found = test.springs.iter().find(|s| s.number == number);
    found.ok_or_else(|| {
        refusal(match test.springs.len() {
            0 => "the test has no springs".to_owned(),
            n => format!("the test has no spring {number}; its springs are 1 to {n}"),
        })
    })
}

/// What of a signature is at fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SignatureField {
    Who,
    Why,
}

/// Why an entry cannot be signed so.
#[derive(Debug, Clone, PartialEq)]
pub struct SignatureFault {
    pub field: SignatureField,
    pub found: String,
}

impl From<SignatureFault> for Error {
    fn from(fault: SignatureFault) -> Error {
        refusal(fault.found)
    }
}

/// Who corrects and why, now. `own_reason` is what the change brings along.
///
/// # Errors
/// A code or a reason that is missing, or would not stand in one line of every table and page.
pub fn by(who: &str, why: Option<&str>, own_reason: Option<&str>) -> Result<By, SignatureFault> {
    let fault = |field, found: String| SignatureFault { field, found };
    let of_who = |found: String| Err(fault(SignatureField::Who, found));
    let who = who.trim();
    if who.is_empty() {
        return of_who("the code of whoever corrects is needed".to_owned());
    }
    let plain = who.chars().all(|c| c.is_alphanumeric() || matches!(c, '-' | '_' | '.'));
    if !plain || who.chars().count() > LONGEST_CODE {
        return of_who(format!(
            "whoever corrects is named by a code of letters, digits, - and _, at most {LONGEST_CODE} of them"
        ));
    }
    if let Some(looks_like) = code_warning(who) {
        return of_who(format!(
            "the code of whoever corrects looks like {looks_like}, and the file keeps it for good: write a code"
        ));
    }
    let given = |text: Option<&str>| text.map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned);
    let why = given(why).or_else(|| given(own_reason));
    let of_why = |found: String| fault(SignatureField::Why, found);
    let why = why.ok_or_else(|| of_why("the reason is needed, for whoever reads the results".to_owned()))?;
    Ok(By {
        who: who.to_owned(),
        when: now(),
        why: one_line("the reason", &why).map_err(of_why)?,
    })
}

/// A text that stands in one line of every table and page.
fn one_line(what: &str, text: &str) -> Result<String, String> {
    if !is_plain_line(text) {
        return Err(format!(
            "{what} holds a line end, a control character or one that is not seen; write it in one plain line"
        ));
    }
    if text.chars().count() > LONGEST {
        return Err(format!("{what} has more than {LONGEST} characters; write it shorter"));
    }
    Ok(text.to_owned())
}
