//! The commented study.toml, made from the list of settings so that none is left out.

use crate::settings::{REGIONAL, SETTINGS, Settings};
use crate::terms::Region;
use std::fmt::Write as _;

/// Width of comment lines.
const WIDTH: usize = 100;

/// The text of a new study.toml. Every setting stands in it as a comment with its default.
pub fn text(title: &str, site: Option<&str>, plan: &str) -> String {
    let mut text = String::new();
    comment(
        &mut text,
        "This study: its title, its settings, its scan plan. The file is yours: the program changes in it what you change on the page of `tautpoint desk`, and nothing else. \
         A setting that begins with # stands at its default: take the # away to set your own value. Every report prints \
         the settings it was made with.",
    );
    let _ = writeln!(text, "\ntitle = {}", quoted(title));
    match site {
        Some(site) => _ = writeln!(text, "site = {}", quoted(site)),
        None => text.push_str("# site = \"a word for the place\"\n"),
    }
    text.push_str("# ethics_ref = \"under which approval or consent\"\n");
    comment(
        &mut text,
        "Hides which side was measured stiffer in every result, until `tautpoint open` is run on the study.",
    );
    text.push_str("# blind = true\n");
    let defaults = Settings::default();
    let mut section = "";
    for setting in SETTINGS {
        let Some((name, key)) = setting.key.split_once('.') else {
            continue;
        };
        if name != section {
            if section == "technique" {
                technique_besides(&mut text);
            }
            section = name;
            let _ = writeln!(text, "\n[{section}]");
            if section == "ceiling_n" {
                comment(
                    &mut text,
                    "SET YOUR OWN before the first session: these are stand-ins, not limits that are known to be safe.",
                );
            }
        } else {
            text.push('\n');
        }
        comment(&mut text, &sentence(setting.reason));
        if !setting.unit.is_empty() {
            comment(&mut text, &format!("Unit: {}.", setting.unit));
        }
        comment(&mut text, &format!("Default: {}.", setting.source));
        let value = defaults.value_of(setting.key).unwrap_or_default();
        let _ = writeln!(text, "# {key} = {value}");
    }
    decided_beforehand(&mut text);
    text.push_str("\n[plan]\n");
    comment(
        &mut text,
        "Name of the scan plan that continuous recordings follow: one in plans/ or a built-in one.",
    );
    let _ = writeln!(text, "default = {}", quoted(plan));
    text
}

/// What has no default: an example of each.
fn decided_beforehand(text: &mut String) {
    text.push_str("\n[change]\n");
    comment(
        text,
        "How large a change between sessions, or a difference between groups, must be to matter: a line for each measure \
         (a column of tests.csv), in percent for forces, stiffnesses, lengths and times, in its own unit for the others. Set \
         it before you look at the data. There is no default: a measure without a line gets no word.",
    );
    text.push_str("# end_feel_n_per_mm = 20.0\n\n[groups]\n");
    comment(
        text,
        "The measure that the study was planned for. It stands first in every comparison of groups.",
    );
    text.push_str("# primary = \"end_feel_n_per_mm\"\n");
}

/// What `[technique]` holds besides its settings: the reference, and the bands of single regions.
fn technique_besides(text: &mut String) {
    text.push('\n');
    comment(
        text,
        "Recordings that every other test is held against, one or a list, as they are named in this folder. Without \
         this line the tests of the roster's teachers are the reference.",
    );
    text.push_str("# reference = [\"recordings/teacher-1.csv\"]\n");
    let defaults = Settings::default();
    for region in Region::ALL {
        let _ = writeln!(text, "\n[technique.{region}]");
        comment(
            text,
            &format!("Bands for the {region} region alone; a line left out stands as under [technique]."),
        );
        for setting in REGIONAL {
            let prefix = format!("technique.{region}.");
            let Some(key) = setting.key.strip_prefix(&prefix) else {
                continue;
            };
            let value = defaults.value_of(&format!("technique.{key}")).unwrap_or_default();
            let _ = writeln!(text, "# {key} = {value}");
        }
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn sentence(reason: &str) -> String {
    let mut letters = reason.chars();
    let first = letters.next().map(char::to_uppercase);
    first.into_iter().flatten().chain(letters).chain(['.']).collect()
}

/// Adds comment lines, broken between words.
fn comment(text: &mut String, words: &str) {
    let mut line = String::from("#");
    for word in words.split_whitespace() {
        if line.len() > 1 && line.len() + 1 + word.len() > WIDTH {
            let _ = writeln!(text, "{line}");
            line = String::from("#");
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(text, "{line}");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::study_file::StudyFile;

    #[test]
    fn what_prepare_writes_reads_back_as_the_defaults() {
        let (study, problems) =
            StudyFile::parse("study.toml", &text("A \"term\"\\", Some("here"), "prone-thumbs"));
        assert_eq!(problems, []);
        assert_eq!(study.settings, Settings::default());
        assert_eq!(study.settings.set_in, []);
        assert_eq!(study.title.as_deref(), Some("A \"term\"\\"));
        assert_eq!(study.default_plan.as_deref(), Some("prone-thumbs"));
    }

    #[test]
    fn every_setting_can_be_switched_on_as_it_stands() {
        let all: String = text("t", None, "seated")
            .lines()
            .map(|l| {
                let key = l.strip_prefix("# ").filter(|r| {
                    SETTINGS
                        .iter()
                        .any(|s| r.split(" = ").next() == s.key.split('.').nth(1))
                });
                format!("{}\n", key.unwrap_or(l))
            })
            .collect();
        let (study, problems) = StudyFile::parse("study.toml", &all);
        assert_eq!(problems, []);
        assert_eq!(study.settings.set_in.len(), SETTINGS.len() + REGIONAL.len());
        // A region's bands are those of all regions, written out.
        for &region in Region::ALL {
            let own = study.settings.technique.bands(Some(region));
            assert_eq!(own, Settings::default().technique.bands(None));
        }
        let mut settings = study.settings;
        settings.set_in.clear();
        for own in [
            &mut settings.technique.neck,
            &mut settings.technique.thoracic,
            &mut settings.technique.lumbar,
            &mut settings.technique.sacral,
        ] {
            assert!(!own.is_empty());
            *own = crate::settings::RegionBands::default();
        }
        assert_eq!(settings, Settings::default());
    }

    #[test]
    fn lines_stay_short() {
        for line in text("t", None, "seated").lines() {
            assert!(line.chars().count() <= WIDTH + 20, "{line}");
        }
    }
}
