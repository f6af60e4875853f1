//! study.toml changed from the page: only what was asked for, everything else and every comment as it was.

use crate::error::{Error, Result};
use crate::study::door::{self, FileKind};
use crate::study::study_file::{FILE_NAME, StudyFile};
use crate::error::Severity;
use crate::terms::Region;
use crate::write::write_file_whole;
use std::path::Path;
use toml_edit::{DocumentMut, Item, Table, value};

/// What is to be changed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StudyChange {
    pub title: Option<String>,
    /// Ceilings that a person sets, be it to the value that is shipped.
    pub ceilings: Vec<(Region, f64)>,
    /// Name of the study's plan.
    pub plan: Option<String>,
    pub blind: Option<bool>,
}

/// The text with the change in it.
///
/// # Errors
/// [`Error::Refused`] when it is no TOML, or would not be a study's afterwards: then the program's own words for it.
pub fn changed(text: &str, change: &StudyChange) -> Result<String> {
    let refused = |found: String| Error::Refused {
        found,
        advice: format!("put {FILE_NAME} right in an editor first; nothing was changed"),
    };
    let mut doc: DocumentMut = text.parse().map_err(|e: toml_edit::TomlError| refused(format!("{FILE_NAME} is no TOML: {}", e.message())))?;
    if let Some(title) = &change.title {
        set(doc.as_table_mut(), "title", value(title));
    }
    if let Some(blind) = change.blind {
        set(doc.as_table_mut(), "blind", value(blind));
    }
    for (region, newtons) in &change.ceilings {
        set(section(&mut doc, "ceiling_n").ok_or_else(|| refused("[ceiling_n] is no section".to_owned()))?, region.word(), value(*newtons));
    }
    if let Some(plan) = &change.plan {
        set(section(&mut doc, "plan").ok_or_else(|| refused("[plan] is no section".to_owned()))?, "default", value(plan));
    }
    let text = doc.to_string();
    let (_, problems) = StudyFile::parse(FILE_NAME, &text);
    match problems.into_iter().find(|p| p.severity == Severity::Error) {
        Some(problem) => Err(Error::from(problem)),
        None => Ok(text),
    }
}

/// Changes a study's study.toml, whole or not at all.
///
/// # Errors
/// As [`changed`]; [`Error::Io`] when the file cannot be read or written.
pub fn change_study(root: &Path, change: &StudyChange) -> Result<()> {
    let path = root.join(FILE_NAME);
    let text = door::read_to_string(&path, FileKind::Settings).map_err(|e| Error::io(&path, e, "check that it may be read"))?;
    let new = changed(&text, change)?;
    if new == text {
        return Ok(());
    }
    write_file_whole(&path, new.as_bytes())
}

fn section<'d>(doc: &'d mut DocumentMut, name: &str) -> Option<&'d mut Table> {
    doc.entry(name).or_insert_with(|| Item::Table(Table::new())).as_table_mut()
}

/// Sets a value and leaves what stands around it.
fn set(table: &mut Table, key: &str, new: Item) {
    match table.get_mut(key).and_then(Item::as_value_mut) {
        Some(old) => {
            let decor = old.decor().clone();
            if let Item::Value(mut new) = new {
                *new.decor_mut() = decor;
                *old = new;
            }
        }
        None => {
            table.insert(key, new);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_was_asked_for_changes() {
        let text = "# ours\ntitle = \"Old\" # a word\n\n[ceiling_n]\n# neck = 60\nlumbar = 150.0 # after the trial\n\n[filter]\n# more\n";
        let change = StudyChange {
            title: Some("New \"one\"".to_owned()),
            ceilings: vec![(Region::Lumbar, 140.0), (Region::Neck, 60.0)],
            blind: Some(true),
            plan: Some("seated".to_owned()),
        };
        let new = changed(text, &change).unwrap();
        for kept in ["# ours\n", "# a word\n", "# neck = 60\n", "# after the trial\n", "# more\n"] {
            assert!(new.contains(kept), "{kept:?} in\n{new}");
        }
        let (file, problems) = StudyFile::parse(FILE_NAME, &new);
        assert!(problems.is_empty(), "{problems:?}\n{new}");
        assert_eq!(file.title.as_deref(), Some("New \"one\""));
        assert_eq!((file.settings.ceiling_n.lumbar, file.settings.ceiling_n.neck), (140.0, 60.0));
        assert_eq!(file.settings.ceiling(Region::Neck).origin, crate::settings::CeilingOrigin::Lab);
        assert_eq!((file.blind, file.default_plan.as_deref()), (true, Some("seated")));
        // What changes nothing changes no byte.
        assert_eq!(changed(&new, &StudyChange::default()).unwrap(), new);
    }

    #[test]
    fn what_no_study_could_mean_is_refused_in_the_programs_words() {
        let negative = StudyChange {
            ceilings: vec![(Region::Neck, -4.0)],
            ..StudyChange::default()
        };
        let error = changed("title = \"x\"\n", &negative).unwrap_err().to_string();
        assert!(error.contains("ceiling_n.neck"), "{error}");
        assert!(changed("title = ", &StudyChange::default()).is_err());
        assert!(changed("ceiling_n = 3\n", &negative).is_err());
    }
}
