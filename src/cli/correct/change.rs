//! What is put right, from the command line.

use crate::study::corrections::{Change, CorrectedMark, Moved};
use crate::terms::{Level, Side};
use crate::trace::{Spring, Test};
use anyhow::{Context, bail};

/// Exactly one change.
#[derive(Debug, clap::Args)]
pub struct ChangeArgs {
    /// The contact begins here.
    #[arg(long, value_name = "S", group = "what", allow_negative_numbers = true)]
    contact_begin: Option<f64>,
    /// The contact ends here.
    #[arg(long, value_name = "S", group = "what", allow_negative_numbers = true)]
    contact_end: Option<f64>,
    /// A spring of the test, by its number, with --starts, --peaks, --ends or --remove.
    #[arg(long, value_name = "N", requires = "of_spring", value_parser = clap::value_parser!(u32).range(1..))]
    spring: Option<u32>,
    /// The spring's loading limb starts here.
    #[arg(long, value_name = "S", groups = ["what", "of_spring"], requires = "spring", allow_negative_numbers = true)]
    starts: Option<f64>,
    /// The spring peaks here.
    #[arg(long, value_name = "S", groups = ["what", "of_spring"], requires = "spring", allow_negative_numbers = true)]
    peaks: Option<f64>,
    /// The spring's recoil limb ends here.
    #[arg(long, value_name = "S", groups = ["what", "of_spring"], requires = "spring", allow_negative_numbers = true)]
    ends: Option<f64>,
    /// The spring is none.
    #[arg(long, groups = ["what", "of_spring"], requires = "spring")]
    remove: bool,
    /// A spring that was not found peaks here.
    #[arg(long, value_name = "S", group = "what", allow_negative_numbers = true)]
    add_spring: Option<f64>,
    /// The test was two, parted here.
    #[arg(long, value_name = "S", group = "what", allow_negative_numbers = true)]
    split: Option<f64>,
    /// The test and the next one were one.
    #[arg(long, group = "what")]
    join: bool,
    /// The side was another.
    #[arg(long, value_name = "SIDE", group = "what", value_parser = super::side)]
    to_side: Option<Side>,
    /// The level was another.
    #[arg(long, value_name = "LEVEL", group = "what", value_parser = level)]
    to_level: Option<Level>,
    /// The test is not used.
    #[arg(long, group = "what")]
    leave_out: bool,
    /// The onset lies between these displacements.
    #[arg(long, num_args = 2, value_names = ["LOW", "HIGH"], group = "what", allow_negative_numbers = true)]
    onset_within: Option<Vec<f64>>,
    /// A word for a moment of the test; no number changes.
    #[arg(long, value_name = "WORD", group = "what", requires = "at")]
    annotate: Option<String>,
    /// The moment of the word.
    #[arg(long, value_name = "S", requires = "annotate", allow_negative_numbers = true)]
    at: Option<f64>,
}

fn level(text: &str) -> Result<Level, String> {
    Level::parse(text).ok_or_else(|| "expected a level such as C5, T7 or L3".to_owned())
}

impl ChangeArgs {
    /// The change of this test as it stands.
    pub fn change(&self, test: &Test) -> anyhow::Result<Change> {
        let phases = &test.phases;
        let finite = |name: &str, s: f64| match s.is_finite() {
            true => Ok(s),
            false => bail!("{name} is {s}; expected a number of seconds"),
        };
        let moved = |mark: CorrectedMark, name: &str, from_s: f64, to_s: f64| {
            let to_s = finite(name, to_s)?;
            Ok(Change::Move(mark, Moved { from_s, to_s }))
        };
        if let Some(to) = self.contact_begin {
            return moved(
                CorrectedMark::ContactBegin,
                "--contact-begin",
                phases.contact_begin_s,
                to,
            );
        }
        if let Some(to) = self.contact_end {
            return moved(
                CorrectedMark::ContactEnd,
                "--contact-end",
                phases.contact_end_s,
                to,
            );
        }
        if let Some(number) = self.spring {
            let spring = spring(test, number)?;
            return match (self.starts, self.peaks, self.ends) {
                (Some(to), ..) => moved(CorrectedMark::SpringStart, "--starts", spring.start_s, to),
                (_, Some(to), _) => moved(CorrectedMark::SpringPeak, "--peaks", spring.peak_s, to),
                (.., Some(to)) => moved(CorrectedMark::SpringEnd, "--ends", spring.end_s, to),
                _ => Ok(Change::RemoveSpring {
                    from_s: spring.peak_s,
                }),
            };
        }
        if let Some(to_s) = self.add_spring {
            let to_s = finite("--add-spring", to_s)?;
            return Ok(Change::AddSpring { to_s });
        }
        if let Some(to_s) = self.split {
            let to_s = finite("--split", to_s)?;
            return Ok(Change::Split { to_s });
        }
        if let Some(to) = self.to_side {
            return Ok(Change::Side {
                from: test.side(),
                to,
            });
        }
        if let Some(to) = self.to_level {
            let from = test.about.level;
            return Ok(Change::Level { from, to });
        }
        if let Some(mm) = &self.onset_within {
            return match mm[..] {
                [low, high] if low < high && low.abs() < 1e6 && high.abs() < 1e6 => {
                    Ok(Change::OnsetWithin { mm: [low, high] })
                }
                _ => bail!("--onset-within needs two displacements in mm, the smaller first"),
            };
        }
        if let Some(word) = self.word() {
            let word = super::one_line("--annotate", word)?;
            return Ok(Change::Annotate { word });
        }
        if self.join {
            return Ok(Change::Join);
        }
        if self.annotate.is_some() {
            bail!("--annotate needs a word; nothing was written");
        }
        if self.leave_out {
            return Ok(Change::LeaveOut);
        }
        bail!("say what is put right, for example --contact-begin 3.2; `tautpoint correct --help` lists all")
    }

    /// The word of an annotation.
    pub fn word(&self) -> Option<&str> {
        self.annotate.as_deref().map(str::trim).filter(|w| !w.is_empty())
    }

    /// A moment by which the test is found again: that of a word, else the middle of the contact.
    pub fn at_s(&self, test: &Test) -> f64 {
        let phases = &test.phases;
        self.at
            .unwrap_or(0.5 * (phases.contact_begin_s + phases.contact_end_s))
    }
}

fn spring(test: &Test, number: u32) -> anyhow::Result<&Spring> {
    let found = test.springs.iter().find(|s| s.number == number);
    found.with_context(|| match test.springs.len() {
        0 => "the test has no springs".to_owned(),
        n => format!("the test has no spring {number}; its springs are 1 to {n}"),
    })
}
