//! The hands of a mat as a trace, with everything that its reader should know.

use crate::format::counted;
use super::MatSource;
use super::pass::MatPass;
use crate::error::{Problem, Result};
use crate::mat::cells::describe;
use crate::mat::collect::Frames;
use crate::mat::frame::FrameFault;
use crate::mat::hands::{Expected, FoundHands, find_hands};
use crate::mat::{MatRecord, MatUncertainty};
use crate::read::ReadTrace;
use crate::read::assemble::{ReadContext, assemble};
use crate::read::counts::CalibrationChoice;
use crate::read::headings::{ColumnLayout, SourceColumn};
use crate::study::mapping::ColumnKey;
use crate::study::mat_setup::Placement;
use crate::terms::{Contact, Side};
use crate::trace::About;
use crate::units::Quantity;

/// FoundHands that had grown together for a larger share of their time are warned of.
const CUT_SHARE: f64 = 0.05;

/// The trace and its record.
pub(super) fn assemble_mat(
    source: &MatSource<'_>,
    passed: MatPass,
    mut about: About,
    calibrations: CalibrationChoice<'_>,
    (sha256, bytes): (String, u64),
) -> Result<ReadTrace> {
    passed.check_left_out(source.recording)?;
    let under = source.setup.placement == Placement::UnderSubject;
    if about.side.is_none() && about.contact == Some(Contact::Reinforced) {
        about.side = Some(Side::Midline);
    }
    let mut hands = match under {
        true => FoundHands::default(),
        false => find_hands(
            &passed.plan.geometry,
            &passed.frames,
            Expected {
                side: about.side,
                one_hand: source.setup.hands == Some(1),
                midline_mm: source.setup.midline_mm,
            },
        ),
    };
    if hands.hands.is_empty() && !under {
        return Err(nothing_loaded(source, &passed).into());
    }
    let forces = match under {
        true => vec![(ColumnKey::Force, passed.frames.total_n.clone())],
        false => hands
            .hands
            .iter()
            .map(|h| {
                let key = match h.side {
                    Some(Side::Left) => ColumnKey::ForceLeft,
                    Some(Side::Right) => ColumnKey::ForceRight,
                    _ => ColumnKey::Force,
                };
                (key, h.force_n.clone())
            })
            .collect(),
    };
    let (layout, values) = columns(source, &passed, forces);
    // A force calibration is a load cell's, not the mat's.
    let mut own = calibrations.named.to_vec();
    own.retain(|c| c.quantity != Quantity::Force);
    let context = ReadContext {
        calibrations: CalibrationChoice {
            named: &own,
            ..calibrations
        },
        ..ReadContext::new(source.mapping, about)
    };
    let mut made = assemble(source.recording, context, layout, values, &|_| None)?;
    let mut notes = notes(source, &passed, under);
    notes.append(&mut hands.notes);
    made.trace.notes.append(&mut notes);
    made.problems.extend(problems(source, &passed.frames));
    if let Some(other) = hands.other {
        made.problems.push(Problem::warning(
            source.recording,
            format!(
                "a third loaded area, {:.0} % of the force, up to {:.1} N",
                100.0 * other.share,
                other.most_n
            ),
            "nothing on the mat but the hands",
            "its force is left out; see that no forearm, clothing or tool lies on the mat, and record again",
        ));
        made.unseen.push("the force of a third loaded area is left out".to_owned());
    }
    if hands.cut_share > CUT_SHARE {
        made.problems.push(Problem::warning(
            source.recording,
            format!(
                "hands that pressed one loaded area in {:.0} % of the time that both were on",
                100.0 * hands.cut_share
            ),
            "two areas with free space between them",
            "what each hand held there is a cut at the lowest place between them; keep the hands further apart",
        ));
    }
    let record = record(source, passed, hands);
    if !record.clipped.is_empty() {
        made.unseen.push("cells of the mat were at full scale".to_owned());
    }
    Ok(ReadTrace {
        trace: made.trace,
        problems: made.problems,
        sha256,
        bytes,
        calibrated: made.calibrated,
        inverted: made.inverted.map(Box::new),
        unseen_force: made.unseen,
        mat: Some(Box::new(record)),
    })
}

fn nothing_loaded(source: &MatSource<'_>, passed: &MatPass) -> Problem {
    let most = passed.frames.total_n.iter().copied().fold(0.0, f64::max);
    Problem::error(
        source.recording,
        format!(
            "no loaded area: no group of cells over {:.2} kPa in {} (all cells together at most {most:.1} N)",
            passed.plan.threshold_kpa,
            counted(passed.frames.len(), "frame")
        ),
        "at least one hand pressing on the mat",
        "check unit and gain in the sidecar, and that the mat lay under the hands",
    )
}

/// Time, force a hand, and what stands beside them, as any reader hands them on.
fn columns(
    source: &MatSource<'_>,
    passed: &MatPass,
    forces: Vec<(ColumnKey, Vec<f64>)>,
) -> (ColumnLayout, Vec<Vec<f64>>) {
    let plain = |key: ColumnKey| SourceColumn {
        key,
        index: 0,
        heading: key.word().to_owned(),
        gain: 1.0,
        scale: 1.0,
        counts: false,
    };
    let mut layout = ColumnLayout::default();
    let mut values = vec![passed.frames.time_s.clone()];
    layout.columns.push(plain(ColumnKey::Time));
    for (key, force_n) in forces {
        layout.columns.push(plain(key));
        values.push(force_n);
    }
    for (heading, column) in passed.beside_columns.iter().zip(&passed.beside) {
        layout.columns.push(heading.clone());
        values.push(column.clone());
    }
    layout.notes.push(format!(
        "mat: {} × {} cells of {} mm²; a cell over {:.2} kPa is loaded (noise of a cell {:.3} kPa)",
        source.setup.rows,
        source.setup.cols,
        source.setup.cell_area_mm2(),
        passed.plan.threshold_kpa,
        passed.plan.noise_kpa,
    ));
    (layout, values)
}

fn notes(source: &MatSource<'_>, passed: &MatPass, under: bool) -> Vec<String> {
    let frames = &passed.frames;
    let mut notes = Vec::new();
    if under {
        notes.push(
            "total force only: the mat lies under the subject, so it sees the whole push and no hands; the weight that \
             rests on it is taken off as the force zero"
                .to_owned(),
        );
    }
    if passed.no_baseline {
        notes.push(
            "no baseline: the mat was never unloaded for 0.2 s, so its cells count from their own zero"
                .to_owned(),
        );
    }
    for (fault, count) in &frames.faults {
        notes.push(format!(
            "frames left out: {} of {} {}",
            count.frames,
            frames.len(),
            fault.words()
        ));
    }
    notes.extend(describe(&passed.faults, &passed.plan.geometry));
    if passed.missing_cells > 0 {
        notes.push(format!(
            "missing cells: {} as in the frame before",
            counted(passed.missing_cells, "single reading")
        ));
    }
    if !frames.clipped.is_empty() {
        notes.push(format!(
            "cells at full scale: in {} at least one cell stood at {} {}; force and peak pressure there are too low",
            counted(frames.clipped.len(), "frame"),
            source.setup.full_scale.unwrap_or_default(),
            source.setup.unit.word()
        ));
    }
    notes
}

/// Corrupt frames, each kind as a warning with its first place.
fn problems(source: &MatSource<'_>, frames: &Frames) -> Vec<Problem> {
    FrameFault::ALL
        .into_iter()
        .filter_map(|fault| {
            let count = frames.faults.get(&fault)?;
            let at = count
                .first_s
                .map_or(String::new(), |t| format!(", the first at {t:.3} s"));
            let problem = Problem::warning(
                source.recording,
                format!("{} {}{at}", counted(count.frames, "frame"), fault.words()),
                "one good number a cell in every frame",
                "these frames are left out; check the mat's cable and its recorder",
            );
            Some(problem.at_line(count.first_line))
        })
        .collect()
}

fn record(source: &MatSource<'_>, passed: MatPass, hands: FoundHands) -> MatRecord {
    MatRecord {
        placement: source.setup.placement,
        readings: MatUncertainty::of(source.setup, source.settings),
        kpa_per_unit: passed.plan.kpa_per_unit,
        baseline: passed.plan.baseline,
        masked: passed.plan.masked,
        threshold_kpa: f64::from(passed.plan.threshold_kpa),
        noise_kpa: f64::from(passed.plan.noise_kpa),
        geometry: passed.plan.geometry,
        midline_mm: hands.midline_mm,
        frames_left_out: passed.frames.left_out(),
        clipped: passed.frames.clipped,
        time_s: passed.frames.time_s,
        place: passed.frames.place,
        total_n: passed.frames.total_n,
        hands: hands.hands,
    }
}
