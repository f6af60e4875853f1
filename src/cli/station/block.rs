//! The block on a station in study.toml.

use super::words::of_channel;
use crate::error::Severity;
use crate::instrument::Instrument;
use crate::session::station_findings::StationFindings;
use crate::study::door::{self, FileKind};
use crate::study::study_file::{self, StudyFile};
use crate::study::words::shown;
use anyhow::bail;
use std::fmt::Write as _;
use std::path::Path;

/// Behind a station's name at the head of its block.
const CHECKED: &str = ", checked ";

/// What study.toml should hold of this station: what was found, and the delay; of one that is not fit, the factors that turn its
/// signs around, and nothing else.
pub(super) fn block(
    found: &StationFindings,
    spring: Option<&Result<Instrument, String>>,
    date: &str,
) -> String {
    if !found.is_fit() {
        let turned = found.channels.iter().filter(|c| c.is_inverted());
        let lines: Vec<String> = turned
            .map(|c| format!("{} = {}\n", c.sensor.column.word(), -c.sensor.gain))
            .collect();
        return match lines.is_empty() {
            true => String::new(),
            false => format!("[gain]\n{}", lines.concat()),
        };
    }
    let mut text = format!(
        "# Station {}{CHECKED}{date}: {}\n",
        shown(&found.station.device),
        found.verdict()
    );
    for c in &found.channels {
        let _ = writeln!(text, "# {}", of_channel(c));
    }
    if let Some(Ok(i)) = spring {
        let _ = writeln!(text, "[instrument]\nforce_delay_ms = {:.3}", i.force_delay_ms);
    }
    text
}

/// study.toml with the block; whatever stands there stays as it is, an earlier block of the same station too.
pub(super) fn study_with(path: &Path, block: &str) -> anyhow::Result<String> {
    let old = door::read_to_string(path, FileKind::Settings)?;
    let station = block.split_inclusive(CHECKED).next().unwrap_or(block);
    if let Some(i) = old.lines().position(|line| line.starts_with(station)) {
        bail!(
            "study.toml holds a check of this station already (line {}): take that block out first, or put the lines above there by \
             hand; nothing was written into it",
            i + 1
        );
    }
    let new = with_block(&old, block);
    let (_, problems) = StudyFile::parse(study_file::FILE_NAME, &new);
    if let Some(fault) = problems.iter().find(|p| p.severity == Severity::Error) {
        bail!(
            "study.toml holds something of this station already ({}): put the lines above into it by hand; nothing was written",
            fault.found
        );
    }
    Ok(new)
}

/// The file with the block: at its end, or under a heading of the block's that stands there already.
fn with_block(old: &str, block: &str) -> String {
    let heading = block.lines().find(|line| line.starts_with('['));
    let stands = heading.and_then(|heading| old.lines().position(|line| line.trim() == heading));
    match (heading, stands) {
        (Some(heading), Some(i)) => {
            let mut lines: Vec<&str> = old.lines().collect();
            let own: Vec<&str> = block.lines().filter(|line| *line != heading).collect();
            lines.splice(i + 1..i + 1, own);
            lines.join("\n") + "\n"
        }
        _ => format!("{}\n\n{block}", old.trim_end()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_block_is_added_once_and_never_over_another() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(study_file::FILE_NAME);
        std::fs::write(&path, "title = \"T\"\n\n[ceiling_n]\nneck = 50\n").unwrap();
        let block = "# Station a, checked 2026-11-30\n[instrument]\nforce_delay_ms = 2.0\n";
        let written = study_with(&path, block).unwrap();
        assert!(
            written.starts_with("title = \"T\"") && written.ends_with(block),
            "{written}"
        );
        let (_, problems) = StudyFile::parse(study_file::FILE_NAME, &written);
        assert!(problems.is_empty(), "{problems:?}");
        std::fs::write(&path, &written).unwrap();
        let refused = study_with(&path, block).unwrap_err().to_string();
        assert!(
            refused.contains("line 6") && refused.contains("by hand"),
            "{refused}"
        );
        // A block that says nothing but remarks is one of the station, too; that of another is none.
        assert!(study_with(&path, "# Station a, checked 2026-12-01: fit\n").is_err());
        study_with(&path, "# Station ab, checked 2026-12-01: fit\n").unwrap();
        let other = "# Station c, checked 2026-12-01\n[instrument]\nforce_delay_ms = 3.0\n";
        let refused = study_with(&path, other).unwrap_err().to_string();
        assert!(refused.contains("by hand"), "{refused}");
        // A heading with nothing under it, as a new study has.
        let empty = "title = \"T\"\n\n[instrument]\n# force_delay_ms = 0.0\n\n[plan]\n";
        std::fs::write(&path, empty).unwrap();
        let expected = "title = \"T\"\n\n[instrument]\n# Station c, checked 2026-12-01\nforce_delay_ms = 3.0\n# force_delay_ms = 0.0\n\n[plan]\n";
        assert_eq!(study_with(&path, other).unwrap(), expected);
    }
}
