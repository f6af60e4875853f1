//! Which tests of a study are its reference.

use super::{Job, Loaded, Options};
use crate::study::inputs::{InputFile, Inputs, Study};
use crate::study::reference::is_named;
use crate::study::sidecar::Sidecar;
use crate::technique::reference::Reference;
use crate::terms::Role;
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
    let teachers: Vec<&str> = study.roster.codes(Role::Teacher).collect();
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

/// The reference of a study by itself: only the recordings that may belong to it are analysed. Of a blind study there is
/// none before it is opened.
pub fn reference_alone(inputs: &Inputs, study: &Study) -> Reference {
    if study.hidden() {
        return Reference::default();
    }
    let teachers: Vec<&str> = study.roster.codes(Role::Teacher).collect();
    let may_belong = |file: &&InputFile| {
        if !study.reference.is_empty() {
            return study.reference.iter().any(|name| is_named(&file.recording, name));
        }
        let examiner = Sidecar::read(&file.sidecar_path, &file.sidecar).0.about.examiner;
        examiner.is_some_and(|e| teachers.contains(&e.as_str()))
    };
    if study.reference.is_empty() && teachers.is_empty() {
        return Reference::default();
    }
    let few = Inputs {
        files: inputs.files.iter().filter(may_belong).cloned().collect(),
        study: Some(study.clone()),
        ..Inputs::default()
    };
    // What is wrong with the study is told where it is analysed.
    let Ok(job) = Job::of(few, &Options::default()) else {
        return Reference::default();
    };
    let analyse = |file: &InputFile| job.analyse(Loaded::read(file, &mut Vec::new())).tests;
    let tests: Vec<Test> = job.inputs.files.iter().flat_map(analyse).collect();
    reference(study, &tests)
}

fn of<'a>(tests: impl Iterator<Item = &'a Test>, source: String) -> Reference {
    let tests: Vec<Test> = tests.cloned().collect();
    Reference::of(&tests).from_source(source)
}
