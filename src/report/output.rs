//! Results into a folder: tables, figures, the report, the follow-up plan and the run's record.

use super::html::{self, Drawing, PageOptions};
use super::datapackage::TableFormat;
use super::{cohort, curves, dataset};
use crate::batch::SavedCurves;
use crate::compare::{FollowUpStep, follow_up};
use crate::error::Result;
use crate::plot::png;
use crate::results::{Results, run};
use crate::study::plan::{Order, Plan, Step};
use crate::terms::StepSide;
use crate::write::OutputFolder;
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// What to write besides what is always written.
#[derive(Debug, Clone, Copy, Default)]
pub struct OutputOptions {
    pub page: PageOptions,
    /// Every figure as PNG too.
    pub png: bool,
    /// The cohort page and the dataset for other engines.
    pub cohort: bool,
    /// The conditioned curve of each test.
    pub curves: Option<TableFormat>,
}

/// Writes everything into `dir`, whole or not at all. `inputs` are the paths that the user named: the folder may
/// not be one of them.
///
/// # Errors
/// When the folder holds something else, or the system will not write.
pub fn write(results: &Results, dir: &Path, inputs: &[PathBuf], options: &OutputOptions) -> Result<()> {
    write_into(OutputFolder::begin(dir, inputs)?, results, options)
}

/// The same for results whose tests have left their curves in the records of a run.
///
/// # Errors
/// As [`write()`], and when a record cannot be read.
pub fn write_run(
    mut folder: OutputFolder,
    results: &mut Results,
    saved: &SavedCurves<'_>,
    options: &OutputOptions,
) -> Result<()> {
    saved.restore(results, &html::curves_needed(results, &options.page))?;
    if let Some(format) = options.curves {
        curves::write(results, saved, format, &mut folder)?;
    }
    if options.cohort {
        dataset::write(results, &mut folder)?;
        folder.write("cohort.html", cohort::page(results)?.as_bytes())?;
    }
    write_into(folder, results, options)
}

/// Writes everything into a folder that is begun, and finishes it.
///
/// # Errors
/// As [`write()`].
pub fn write_into(mut folder: OutputFolder, results: &Results, options: &OutputOptions) -> Result<()> {
    results.write_tables(&mut folder)?;
    let drawn = Drawing::of(results, &options.page);
    for (name, figure) in drawn.figures() {
        folder.write(&format!("figures/{name}.svg"), figure.svg.as_bytes())?;
    }
    if options.png {
        let figures: Vec<_> = drawn.figures().collect();
        let made: Vec<Result<Vec<u8>>> = figures.par_iter().map(|(_, f)| png::png(f, PNG_SCALE)).collect();
        for ((name, _), bytes) in figures.iter().zip(made) {
            folder.write(&format!("figures/{name}.png"), &bytes?)?;
        }
    }
    folder.write("report.html", drawn.page(results)?.as_bytes())?;
    if let Some(plan) = follow_up_plan(&follow_up(&results.comparisons)) {
        folder.write("follow-up.toml", plan.as_bytes())?;
    }
    folder.finish(run::record(results))
}

/// PNG pixels a page unit: sharp on paper at the width of a column.
const PNG_SCALE: f64 = 2.0;

/// The follow-up as a scan plan: each level once, with why it is there as comments. `None` when nothing needs it.
pub fn follow_up_plan(steps: &[FollowUpStep]) -> Option<String> {
    if steps.is_empty() {
        return None;
    }
    let mut plan = Plan {
        name: "follow-up".to_owned(),
        posture: steps.iter().find_map(|s| s.posture.clone()),
        order: Order::AsListed,
        seed: None,
        steps: Vec::new(),
    };
    let mut reasons = Vec::new();
    for s in steps {
        let who = [&s.subject, &s.examiner, &s.session]
            .into_iter()
            .flatten()
            .cloned()
            .collect::<Vec<_>>()
            .join(", ");
        reasons.push(format!(
            "# {}: {}{}",
            s.level,
            s.why,
            if who.is_empty() {
                String::new()
            } else {
                format!(" ({who})")
            }
        ));
        if plan.steps.iter().all(|p| p.level != s.level) {
            plan.steps.push(Step {
                level: s.level,
                side: StepSide::Both,
                contact: Some(s.how.contact),
                landmark: Some(s.how.landmark.clone()),
                line_of_drive: Some(s.how.line_of_drive),
                covers: Vec::new(),
                trials: 1,
                posture: None,
            });
        }
    }
    let comments: Vec<String> = reasons.iter().map(|r| r.replace(['\n', '\r'], " ")).collect();
    Some(format!(
        "# Segment by segment through what was flagged or left undecided: places to look again, no more.\n{}\n\n{}",
        comments.join("\n"),
        plan.to_toml()
    ))
}
