//! volunteers.csv: whether a volunteer agreed to be pressed, and where he must not be.
//!
//! This is health data. The file can be read by its owner alone; tables are told yes or no and the regions left out; no copy for
//! others holds it; and a row is deleted when its day has come.

use crate::error::{Error, Problem, Result};
use crate::study::door::{self, FileKind};
use crate::study::plan::Plan;
use crate::study::table::TextTable;
use crate::study::words::{list, one_of, shown};
use crate::terms::{Day, Region, closed_terms};
use crate::write::{refuse_link, write_private_file_whole};
use std::io::ErrorKind;
use std::path::Path;

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = door::VOLUNTEERS;
const HEADINGS: [&str; 6] = ["subject", "consent", "day", "not_over", "keep_until", "noted_by"];
/// How long a row is kept unless a person says otherwise, in days: a term.
pub const KEPT_DAYS: i64 = 120;
/// The longest that it is kept, in days: two years.
pub const MOST_DAYS: i64 = 731;

closed_terms! {
    /// Whether somebody may be pressed at all.
    pub enum Consent {
        Given = "given",
        Withdrawn = "withdrawn",
        /// A training model, which needs none.
        Model = "model",
    }
}

/// What is noted of one volunteer.
#[derive(Debug, Clone, PartialEq)]
pub struct VolunteerNote {
    pub subject: String,
    pub consent: Consent,
    /// When it was given or withdrawn.
    pub day: String,
    /// Regions that must not be pressed. Why is nobody's business here.
    pub not_over: Vec<Region>,
    /// The last day that the row is kept.
    pub keep_until: String,
    /// Code of the teacher who asked.
    pub noted_by: Option<String>,
}

impl VolunteerNote {
    /// Why a plan must not be pressed on this volunteer; `None` when it may be.
    pub fn refuses(&self, plan: Option<&Plan>) -> Option<String> {
        if self.consent == Consent::Withdrawn {
            return Some(format!("{} has withdrawn consent", shown(&self.subject)));
        }
        let levels = plan.into_iter().flat_map(|p| &p.steps).flat_map(|s| s.covers.iter().chain([&s.level]));
        let regions: Vec<Region> = levels.map(|l| l.region()).collect();
        let meets = |region: &&Region| regions.contains(region) || plan.is_none();
        let met: Vec<String> = self.not_over.iter().filter(meets).map(ToString::to_string).collect();
        (!met.is_empty()).then(|| format!("{} is not to be pressed over: {}", shown(&self.subject), list(&met)))
    }
}

/// What is noted, and what of the file cannot be used; a row that cannot be is a problem, and its volunteer has no note.
pub fn read(root: &Path) -> (Vec<VolunteerNote>, Vec<Problem>) {
    let text = match door::read_to_string(&root.join(FILE_NAME), FileKind::Table) {
        Ok(text) => text,
        Err(e) if e.kind() == ErrorKind::NotFound => return (Vec::new(), Vec::new()),
        Err(e) => {
            let fault = format!("a file that cannot be read: {e}");
            return (Vec::new(), vec![Problem::error(FILE_NAME, fault, "a table", "check its permissions")]);
        }
    };
    let mut problems = Vec::new();
    let table = match TextTable::parse(FILE_NAME, &text, &mut problems) {
        Ok(table) => table,
        Err(problem) => return (Vec::new(), vec![problem]),
    };
    let mut notes = Vec::new();
    for row in &table.rows {
        let wrong = |column: &str, expected: String| {
            let found = row.get(column).map_or_else(|| "an empty cell".to_owned(), shown);
            Problem::error(FILE_NAME, found, expected, "put it right; until then the volunteer is not pressed")
                .at_line(row.line)
                .in_column(column)
        };
        let day = |column: &str| {
            let day = row.get(column).filter(|d| Day::is_day(d));
            day.map(str::to_owned).ok_or_else(|| wrong(column, "a day such as 2026-09-14".to_owned()))
        };
        let read = || -> Result<VolunteerNote, Problem> {
            let regions = row.get("not_over").unwrap_or_default().split_whitespace();
            Ok(VolunteerNote {
                subject: row.get("subject").map(str::to_owned).ok_or_else(|| wrong("subject", "a code".to_owned()))?,
                consent: Consent::parse(row.get("consent").unwrap_or_default())
                    .ok_or_else(|| wrong("consent", one_of(&Consent::ALL.iter().map(|c| c.word()).collect::<Vec<_>>())))?,
                day: day("day")?,
                not_over: regions
                    .map(|r| Region::parse(r).ok_or_else(|| wrong("not_over", "regions with blanks between, or nothing".to_owned())))
                    .collect::<Result<_, _>>()?,
                keep_until: day("keep_until")?,
                noted_by: row.get("noted_by").map(str::to_owned),
            })
        };
        match read() {
            Ok(note) => notes.push(note),
            Err(problem) => problems.push(problem),
        }
    }
    (notes, problems)
}

/// Writes all rows, whole or not at all; the file goes with its last row.
///
/// # Errors
/// [`Error::Io`] when the disk will not take it.
pub fn write(root: &Path, notes: &[VolunteerNote]) -> Result<()> {
    let path = root.join(FILE_NAME);
    refuse_link(&path)?;
    if notes.is_empty() {
        return match std::fs::remove_file(&path) {
            Err(e) if e.kind() != ErrorKind::NotFound => Err(Error::io(&path, e, "delete it by hand")),
            _ => Ok(()),
        };
    }
    let mut rows = csv::Writer::from_writer(Vec::new());
    let unwritable = |e: String| Error::Refused {
        found: format!("{FILE_NAME} cannot be written: {e}"),
        advice: "this is a fault of the program; please report it".to_owned(),
    };
    rows.write_record(HEADINGS).map_err(|e| unwritable(e.to_string()))?;
    for note in notes {
        let regions: Vec<&str> = note.not_over.iter().map(|r| r.word()).collect();
        let cells = [
            note.subject.as_str(),
            note.consent.word(),
            &note.day,
            &regions.join(" "),
            &note.keep_until,
            note.noted_by.as_deref().unwrap_or_default(),
        ];
        rows.write_record(cells).map_err(|e| unwritable(e.to_string()))?;
    }
    let bytes = rows.into_inner().map_err(|e| unwritable(e.to_string()))?;
    write_private_file_whole(&path, &bytes)
}

/// Deletes the rows whose last day has passed; gives whose they were.
///
/// # Errors
/// As [`write`]; a file with a row that cannot be read is left as it is.
pub fn delete_past(root: &Path, today: &str) -> Result<Vec<String>> {
    let (notes, problems) = read(root);
    let (kept, past): (Vec<_>, Vec<_>) = notes.into_iter().partition(|n| n.keep_until.as_str() >= today);
    if past.is_empty() {
        return Ok(Vec::new());
    }
    if let Some(problem) = problems.first() {
        return Err(Error::from(problem.clone()));
    }
    write(root, &kept)?;
    Ok(past.into_iter().map(|n| n.subject).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::built_in::built_in;

    fn note(subject: &str, keep_until: &str) -> VolunteerNote {
        VolunteerNote {
            subject: subject.to_owned(),
            consent: Consent::Given,
            day: "2026-09-14".to_owned(),
            not_over: vec![Region::Neck],
            keep_until: keep_until.to_owned(),
            noted_by: Some("T-01".to_owned()),
        }
    }

    #[test]
    fn what_is_noted_is_read_again_and_deleted_when_its_day_has_passed() {
        let dir = tempfile::tempdir().unwrap();
        let notes = [note("V-01", "2026-12-24"), note("V,\"2", "2026-11-30")];
        write(dir.path(), &notes).unwrap();
        assert_eq!(read(dir.path()), (notes.to_vec(), vec![]));
        assert_eq!(delete_past(dir.path(), "2026-11-30").unwrap(), [""; 0]);
        assert_eq!(delete_past(dir.path(), "2026-12-01").unwrap(), ["V,\"2"]);
        assert_eq!(read(dir.path()).0.len(), 1);
        delete_past(dir.path(), "2026-12-25").unwrap();
        assert!(!dir.path().join(FILE_NAME).exists(), "the file goes with its last row");
    }

    #[test]
    fn a_row_that_cannot_be_read_is_named_and_its_volunteer_has_no_note() {
        let dir = tempfile::tempdir().unwrap();
        let text = "subject,consent,day,not_over,keep_until\nV-01,yes,2026-09-14,,2026-12-24\nV-02,given,2026-09-14,knee,2026-12-24\n";
        std::fs::write(dir.path().join(FILE_NAME), text).unwrap();
        let (notes, problems) = read(dir.path());
        assert!(notes.is_empty());
        assert_eq!(problems.iter().map(|p| p.line).collect::<Vec<_>>(), [Some(2), Some(3)]);
    }

    #[test]
    fn a_plan_over_a_region_that_is_left_out_is_refused() {
        let neck = built_in("prone-thumbs");
        let seated_neck = note("V-01", "2026-12-24").refuses(neck.as_ref()).unwrap();
        assert!(seated_neck.contains("V-01 is not to be pressed over: neck"), "{seated_neck}");
        let mut lumbar = neck.clone().unwrap();
        lumbar.steps.retain(|s| s.level.region() == Region::Lumbar);
        assert_eq!(note("V-01", "2026-12-24").refuses(Some(&lumbar)), None);
        assert!(note("V-01", "2026-12-24").refuses(None).is_some(), "without a plan nobody knows where");
        let gone = VolunteerNote {
            consent: Consent::Withdrawn,
            not_over: vec![],
            ..note("V-01", "2026-12-24")
        };
        assert!(gone.refuses(Some(&lumbar)).unwrap().contains("withdrawn"));
    }
}
