//! What is put right, from the command line.

use crate::review::asked::{AskedChange, OPEN};
use crate::terms::{Level, Side};
use anyhow::bail;

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
    /// The onset lies between these displacements; `-` leaves a side open.
    #[arg(
        long, num_args = 2, value_names = ["LOW", "HIGH"], group = "what", allow_negative_numbers = true, value_parser = range_end
    )]
    onset_within: Option<Vec<RangeEnd>>,
    /// A word for a moment of the test; no number changes.
    #[arg(long, value_name = "WORD", group = "what", requires = "at")]
    annotate: Option<String>,
    /// The moment of the word.
    #[arg(long, value_name = "S", requires = "annotate", allow_negative_numbers = true)]
    at: Option<f64>,
}

/// An end of a range, or none where that side is open.
#[derive(Debug, Clone, Copy)]
struct RangeEnd(Option<f64>);

fn range_end(text: &str) -> Result<RangeEnd, String> {
    if text == OPEN {
        return Ok(RangeEnd(None));
    }
    let number = text
        .parse()
        .map_err(|_| format!("expected a number of mm, or {OPEN} for an open side"))?;
    Ok(RangeEnd(Some(number)))
}

fn level(text: &str) -> Result<Level, String> {
    Level::parse(text).ok_or_else(|| "expected a level such as C5, T7 or L3".to_owned())
}

impl ChangeArgs {
    /// What is asked for.
    pub fn asked(&self) -> anyhow::Result<AskedChange> {
        if let Some(to_s) = self.contact_begin {
            return Ok(AskedChange::ContactBegin { to_s });
        }
        if let Some(to_s) = self.contact_end {
            return Ok(AskedChange::ContactEnd { to_s });
        }
        if let Some(spring) = self.spring {
            return Ok(match (self.starts, self.peaks, self.ends) {
                (Some(to_s), ..) => AskedChange::SpringStart { spring, to_s },
                (_, Some(to_s), _) => AskedChange::SpringPeak { spring, to_s },
                (.., Some(to_s)) => AskedChange::SpringEnd { spring, to_s },
                _ => AskedChange::RemoveSpring { spring },
            });
        }
        if let Some(to_s) = self.add_spring {
            return Ok(AskedChange::AddSpring { to_s });
        }
        if let Some(to_s) = self.split {
            return Ok(AskedChange::Split { to_s });
        }
        if let Some(to) = self.to_side {
            return Ok(AskedChange::Side { to });
        }
        if let Some(to) = self.to_level {
            return Ok(AskedChange::Level { to });
        }
        if let Some([low, high]) = self.onset_within.as_deref() {
            let (low_mm, high_mm) = (low.0, high.0);
            return Ok(AskedChange::OnsetWithin { low_mm, high_mm });
        }
        if let (Some(word), Some(at_s)) = (&self.annotate, self.at) {
            let word = word.clone();
            return Ok(AskedChange::Annotate { word, at_s });
        }
        if self.join {
            return Ok(AskedChange::Join);
        }
        if self.leave_out {
            return Ok(AskedChange::LeaveOut);
        }
        bail!("say what is put right, for example --contact-begin 3.2; `tautpoint correct --help` lists all")
    }
}
