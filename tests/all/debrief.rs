//! The debrief: an invented class with known faults, and what its pages and tables say of it.

mod counts;
mod hostile;
mod people;

use std::path::{Path, PathBuf};
use tautpoint::batch::{self, Options};
use tautpoint::report::Results;
use tautpoint::report::debrief::{Debrief, pages};
use tautpoint::simulate::{Cohort, Fault, Planned, Sensor, StudyFolder};
use tautpoint::study::inputs;
use tautpoint::trace::Side;

/// A class of four on one subject: two levels, both sides, three sessions. Each recording may be changed, or left out
/// by `false`.
pub fn class(change: impl Fn(&mut Planned) -> bool) -> (tempfile::TempDir, PathBuf) {
    let cohort = Cohort {
        examiners: 4,
        sessions: 3,
        trials: 1,
        levels: ["L4", "L3"].map(str::to_owned).to_vec(),
        sensor: Sensor {
            rate_hz: 100.0,
            ..Sensor::default()
        },
        ..Cohort::default()
    };
    let mut study = StudyFolder::of_cohort(&cohort, 11).unwrap();
    study.recordings.retain_mut(|planned| change(planned));
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("class");
    study.write(&root).unwrap();
    (dir, root)
}

/// Whether it is that recording.
pub fn is(planned: &Planned, examiner: &str, session: &str, level: &str, side: Side) -> bool {
    let a = &planned.about;
    (
        a.examiner.as_deref(),
        a.session.as_deref(),
        a.level.as_deref(),
        a.side,
    ) == (Some(examiner), Some(session), Some(level), Some(side))
}

/// Makes a fault in a recording.
pub fn spoil(planned: &mut Planned, fault: Fault) {
    let elastic = planned.spec.tissue.elastic;
    planned.spec.examiner = planned.spec.examiner.clone().with(fault, &elastic);
}

pub fn debrief(root: &Path) -> (Debrief, Results) {
    let paths = [root.to_owned()];
    let study = inputs::collect_any(&paths).unwrap().study.unwrap();
    let results = batch::run(&paths, &Options::default()).unwrap();
    (Debrief::of(&results, &study), results)
}

/// The page of that name.
pub fn page(debrief: &Debrief, results: &Results, codes: bool, name: &str) -> String {
    let all = pages(debrief, results, codes).unwrap();
    let names: Vec<&String> = all.iter().map(|p| &p.0).collect();
    all.iter()
        .find(|p| p.0 == name)
        .unwrap_or_else(|| panic!("{name} is none of {names:?}"))
        .1
        .clone()
}
