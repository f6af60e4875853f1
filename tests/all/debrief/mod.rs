//! The debrief: an invented class with known faults, and what its pages and tables say of it.

mod ceilings;
mod counts;
mod followed;
mod hostile;
mod over;
mod own_folder;
mod people;
mod phone;
mod sheet;
mod teaching;

use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use tautpoint::batch::{self, Options};
use tautpoint::report::debrief::{Debrief, pages};
use tautpoint::results::Results;
use tautpoint::simulate::{Cohort, ExaminerFault, PlannedRecording, Sensor, StudyFolder};
use tautpoint::study::inputs::{self, Study};
use tautpoint::terms::{Level, Side};

/// A class of four on one subject: two levels, both sides, three sessions. Each recording may be changed, or left out
/// by `false`.
pub fn class(change: impl Fn(&mut PlannedRecording) -> bool) -> (tempfile::TempDir, PathBuf) {
    let cohort = Cohort {
        examiners: 4,
        sessions: 3,
        trials: 1,
        levels: vec![Level::L4, Level::L3],
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

pub const FIRST: &str = "2026-09-07";
pub const SECOND: &str = "2026-09-14";
pub const THIRD: &str = "2026-09-21";

/// The class without a fault, analysed once for all who only read it or change it in memory.
pub static PLAIN: LazyLock<(Results, Study)> = LazyLock::new(|| {
    let (_dir, root) = class(|_| true);
    analysed(&root)
});

/// The same with the faults of [`FAULTS`], L3 right missing in L-01's second session, L-02's first session the wrong
/// way round and one test of L-03's third session made again with another contact.
pub static SPOILED: LazyLock<(Results, Study)> = LazyLock::new(|| {
    let (_dir, root) = class(|p| {
        for (examiner, session, level, side, fault) in FAULTS {
            if is(p, examiner, session, level, side) {
                spoil(p, fault);
            }
        }
        if p.about.examiner.as_deref() == Some("L-02") && p.about.session.as_deref() == Some(FIRST) {
            let hour = if p.about.level == Some(Level::L3) {
                "08"
            } else {
                "10"
            };
            p.about.recorded_at.as_mut().unwrap().replace_range(11..13, hour);
        }
        !is(p, "L-01", SECOND, "L3", Side::Right)
    });
    let stem = format!("V-01_L-03_{THIRD}_L4_left_1");
    let from = root.join("recordings").join(&stem);
    let to = root.join("recordings").join(format!("{stem}-again"));
    std::fs::copy(from.with_extension("csv"), to.with_extension("csv")).unwrap();
    let sidecar = std::fs::read_to_string(from.with_extension("toml")).unwrap();
    let changed = sidecar.replace("contact = \"thumb\"", "contact = \"thenar\"");
    assert_ne!(changed, sidecar);
    std::fs::write(to.with_extension("toml"), changed).unwrap();
    analysed(&root)
});

/// Who makes which fault where.
pub const FAULTS: [(&str, &str, &str, Side, ExaminerFault); 6] = [
    ("L-02", FIRST, "L4", Side::Left, ExaminerFault::SprungEarly),
    ("L-02", FIRST, "L3", Side::Right, ExaminerFault::SprungEarly),
    ("L-03", FIRST, "L3", Side::Left, ExaminerFault::Over(175.0)),
    ("L-03", SECOND, "L4", Side::Right, ExaminerFault::SprungEarly),
    ("L-01", THIRD, "L4", Side::Left, ExaminerFault::Over(175.0)),
    ("L-01", THIRD, "L3", Side::Left, ExaminerFault::Shallow),
];

/// Whether it is that recording.
pub fn is(planned: &PlannedRecording, examiner: &str, session: &str, level: &str, side: Side) -> bool {
    let a = &planned.about;
    (
        a.examiner.as_deref(),
        a.session.as_deref(),
        a.level.map(Level::word),
        a.side,
    ) == (Some(examiner), Some(session), Some(level), Some(side))
}

/// Makes a fault in a recording.
pub fn spoil(planned: &mut PlannedRecording, fault: ExaminerFault) {
    let elastic = planned.spec.tissue.elastic;
    planned.spec.examiner = planned.spec.examiner.clone().with(fault, &elastic);
}

/// The analysis of a study, and what people wrote about it.
pub fn analysed(root: &Path) -> (Results, Study) {
    let paths = [root.to_owned()];
    let study = inputs::collect_any(&paths).unwrap().study.unwrap();
    (batch::run(&paths, &Options::default()).unwrap(), study)
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
