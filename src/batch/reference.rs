//! Which tests of a study are its reference.

use crate::study::inputs::Study;
use crate::study::reference::is_named;
use crate::technique::reference::Reference;
use crate::trace::Test;

/// The tests of the recordings that `[technique] reference` names, else those of the roster's teachers, else none.
///
/// A name that is no recording was told when the study was read, a recording that gave no test with its own fault.
pub fn reference(study: &Study, tests: &[Test]) -> Reference {
    if !study.reference.is_empty() {
        let named = |t: &&Test| study.reference.iter().any(|name| is_named(&t.recording, name));
        return of(
            tests.iter().filter(named),
            "recordings named in study.toml".to_owned(),
        );
    }
    let teachers: Vec<&str> = study.roster.codes("teacher").collect();
    if teachers.is_empty() {
        return Reference::default();
    }
    let taught = |t: &&Test| t.about.examiner.as_deref().is_some_and(|e| teachers.contains(&e));
    let word = if teachers.len() == 1 {
        "teacher"
    } else {
        "teachers"
    };
    of(
        tests.iter().filter(taught),
        format!("{word} {}", teachers.join(", ")),
    )
}

fn of<'a>(tests: impl Iterator<Item = &'a Test>, source: String) -> Reference {
    let tests: Vec<Test> = tests.cloned().collect();
    Reference::of(&tests).from_source(source)
}
