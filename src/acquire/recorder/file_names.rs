//! File names of recordings, made from codes that a person typed.

use crate::error::{Error, Result};
use crate::study::words::shown;
use std::path::{Path, PathBuf};

/// Characters of a file name that one code gives.
const PART_AT_MOST: usize = 40;
/// Characters of a code.
const CODE_AT_MOST: usize = 60;

/// A code as part of a file's name: letters and digits of ASCII and `-`; everything else becomes `-`, so that no
/// code leads out of the folder, hides a file or means something to a shell.
pub fn part(code: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    let part: String = code.trim().chars().map(plain).take(PART_AT_MOST).collect();
    match part.is_empty() {
        true => "-".to_owned(),
        false => part,
    }
}

/// Refuses what cannot be a code: an empty one, several lines, control characters, a sentence.
///
/// # Errors
/// [`Error::Setting`] that names `option`.
pub fn sound_code(option: &str, code: &str) -> Result<()> {
    let code = code.trim();
    let wrong = code.is_empty() || code.chars().any(char::is_control) || code.chars().count() > CODE_AT_MOST;
    match wrong {
        false => Ok(()),
        true => Err(Error::Setting {
            what: option.to_owned(),
            found: shown(code),
            expected: format!("a code of one line and at most {CODE_AT_MOST} characters, such as V-07"),
        }),
    }
}

/// A free name for a new recording: the words joined by `_`, then the trial, which goes up until neither trace nor
/// sidecar of that name is there. Gives the path of the trace and the trial.
///
/// # Errors
/// [`Error::Refused`] after ten thousand names.
pub fn free_name(folder: &Path, words: &[String], first_trial: u32) -> Result<(PathBuf, u32)> {
    let stem = words.iter().map(|w| part(w)).collect::<Vec<_>>().join("_");
    let taken = |path: &Path| path.symlink_metadata().is_ok();
    for trial in first_trial..first_trial.saturating_add(10_000) {
        let path = folder.join(format!("{stem}_{trial}.csv"));
        if !taken(&path) && !taken(&path.with_extension("toml")) && !taken(&path.with_extension("parquet")) {
            return Ok((path, trial));
        }
    }
    Err(Error::Refused {
        found: format!("{} holds ten thousand recordings {stem}", folder.display()),
        advice: "record into another session".to_owned(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_code_leads_out_of_the_folder() {
        for (code, name) in [
            ("V-07", "V-07"),
            ("../../etc/passwd", "------etc-passwd"),
            ("/root", "-root"),
            (".hidden", "-hidden"),
            ("a\\b:c*?\"<>|", "a-b-c------"),
            ("$(reboot)`;", "--reboot---"),
            ("Ä\u{202e}ß", "---"),
            ("", "-"),
        ] {
            assert_eq!(part(code), name);
        }
        assert_eq!(part(&"x".repeat(500)).len(), PART_AT_MOST);
    }

    #[test]
    fn the_trial_goes_up_past_whatever_has_the_name() {
        let dir = tempfile::tempdir().unwrap();
        for taken in ["L-12_L3_1.csv", "L-12_L3_2.toml", "L-12_L3_3.parquet"] {
            std::fs::write(dir.path().join(taken), "").unwrap();
        }
        let (path, trial) = free_name(dir.path(), &["L-12".into(), "L3".into()], 1).unwrap();
        assert_eq!(trial, 4);
        assert_eq!(path, dir.path().join("L-12_L3_4.csv"));
    }

    #[test]
    fn what_cannot_be_a_code_is_refused() {
        for bad in ["", "  ", "a\nb", "a\u{1b}[2J", &"x".repeat(61)] {
            assert!(sound_code("--subject", bad).is_err(), "{bad:?}");
        }
        for good in ["V-07", "../x", "Ä 7"] {
            assert!(sound_code("--subject", good).is_ok());
        }
    }
}
